"""The findings in plain words, fit to be read aloud: what was alike, what was not, and what nobody can tell."""

from typing import NamedTuple

from controller.twins.comparing import Comparison
from controller.twins.environment import ALIKE, DIFFERENT, OPEN, ChannelComparison, Environment
from controller.twins.gathering import Twin
from controller.twins.plants import WARMTH, PlantComparison

NO_DIFFERENCE = "no difference shown"
TOLD_DEVIATIONS = 3
NAMES = {
    "air_temperature_c": "air temperature",
    "relative_humidity_pct": "humidity",
    "vapour_pressure_deficit_kpa": "dryness of the air",
    "water_content_fraction": "water in the medium",
    "light_h": "hours of light",
    "daily_light_integral_mol_m2": "amount of light",
}
WAYS = {
    "air_temperature_c": ("cooler", "warmer"),
    "relative_humidity_pct": ("drier by humidity", "moister by humidity"),
    "vapour_pressure_deficit_kpa": ("less drying for the plants", "more drying for the plants"),
    "water_content_fraction": ("drier in the medium", "wetter in the medium"),
    "light_h": ("lit for less time", "lit for more time"),
    "daily_light_integral_mol_m2": ("given less light", "given more light"),
}


class Finding(NamedTuple):
    """One finding: the verdict in a word or two, and a sentence or more."""

    verdict: str
    words: str


def joined_words(words: list[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""


def findings_of_pair(environment: Environment, plants: PlantComparison, comparison: Comparison) -> list[Finding]:
    """All findings on one pair, environment first."""
    return [*_places(environment, comparison), *_plants(plants)]


def channels_told(environment: Environment, verdict: str) -> list[ChannelComparison]:
    return [each for each in environment.channels if each.verdict == verdict and each.channel.key in NAMES]


def _places(environment: Environment, comparison: Comparison) -> list[Finding]:
    first, second = environment.first, environment.second
    found = []
    alike = [NAMES[each.channel.key] for each in channels_told(environment, ALIKE)]
    if alike:
        found.append(
            Finding(ALIKE, f"{second} and {first} were alike in {joined_words(alike)}, within what the plan allows.")
        )
    for each in channels_told(environment, DIFFERENT):
        if each.channel.key == "daily_light_integral_mol_m2" and _is_different(environment, "light_h"):
            continue  # it follows from the hours
        way = WAYS[each.channel.key][each.difference > 0.0]
        found.append(Finding(DIFFERENT, f"{second} was {way} than {first}: {_amount(each)}."))
    unsettled = channels_told(environment, OPEN)
    if unsettled:
        names = joined_words([NAMES[each.channel.key] for each in unsettled])
        found.append(
            Finding(
                OPEN,
                f"Whether {second} and {first} were alike in {names} cannot be said: what was found is less than "
                "the sensors and the days are sure of.",
            )
        )
    found.append(_water(environment, comparison))
    return found


def _is_different(environment: Environment, key: str) -> bool:
    found = environment.of(key)
    return found is not None and found.verdict == DIFFERENT


def _amount(each: ChannelComparison) -> str:
    channel = each.channel
    unit = "" if channel.unit == "ml/ml" else f" {channel.unit}"
    return (
        f"{abs(each.difference):.{channel.decimals}f}{unit} on the average day "
        f"({each.mean_second:.{channel.decimals}f} against {each.mean_first:.{channel.decimals}f}{unit})"
    )


def _water(environment: Environment, comparison: Comparison) -> Finding:
    twins = {twin.name: twin for twin in comparison.twins}
    a, b = twins[environment.first], twins[environment.second]
    water = environment.water
    amounts = f"{ml_words(b)} at {b.name} against {ml_words(a)} at {a.name}"
    if water.verdict == DIFFERENT:
        way, share_pct = "less" if water.difference_fraction < 0 else "more", 100 * abs(water.difference_fraction)
        cause = ""
        if a.settings.plan.watering.moisture is not None:
            cause = " The plan waters by the moisture of the medium, so this may be what the medium asked for."
        return Finding(
            DIFFERENT,
            f"{b.name} was given {share_pct:.0f} % {way} water than {a.name}: {amounts}.{cause}",
        )
    word = "as much water as" if water.verdict == ALIKE else "about as much water, as far as can be told, as"
    return Finding(water.verdict, f"{b.name} was given {word} {a.name}: {amounts}.")


def ml_words(twin: Twin) -> str:
    return f"{twin.water.delivered_ml:.0f} ± {twin.water.delivered_standard_uncertainty_ml:.0f} ml"


def _plants(plants: PlantComparison) -> list[Finding]:
    counts = (
        f"{plants.emerged_second} of {plants.sown_second} seeds came up at {plants.second} and "
        f"{plants.emerged_first} of {plants.sown_first} at {plants.first}"
    )
    if plants.differs("count"):
        found = [Finding(DIFFERENT, f"{counts}: chance alone makes so large a difference only rarely.")]
    elif plants.differs("seed"):
        found = [Finding(OPEN, f"{counts}; the number alone could be chance.")]
    else:
        found = [Finding(NO_DIFFERENCE, f"{counts}; chance alone makes such differences.")]
    found.append(_times(plants))
    return found + _growth(plants)


def _growth(plants: PlantComparison) -> list[Finding]:
    found = []
    for measure, told in (("height", "final height"), ("leaves", "number of leaves at one age")):
        if measure not in plants.growth.ratios:
            continue
        unit, decimals = (" mm", 0) if measure == "height" else ("", 1)
        sizes = joined_words(
            [
                f"{t.species} {t.mean_second:.{decimals}f} against {t.mean_first:.{decimals}f}{unit}"
                for t in plants.growth.tests
                if t.measure == measure
            ]
        )
        bracket = f" ({sizes})" if sizes else ""
        if plants.differs(measure):
            ratio = plants.growth.ratios[measure]
            ways = ("shorter", "taller") if measure == "height" else ("fewer leaves", "more leaves")
            way = f"{100 * abs(ratio - 1.0):.0f} % {ways[ratio > 1.0]}"
            verb = "ended" if measure == "height" else "had, at the same age,"
            found.append(Finding(DIFFERENT, f"Plants at {plants.second} {verb} {way}{bracket}."))
        else:
            found.append(
                Finding(
                    NO_DIFFERENCE,
                    f"The {told} at {plants.second} and {plants.first} shows no difference beyond chance{bracket}.",
                )
            )
    return found


def _times(plants: PlantComparison) -> Finding:
    days, warmth = plants.shift_days, plants.shift_degree_days
    if days is None or warmth is None:
        return Finding(OPEN, "How fast the seedlings came up cannot be compared. " + " ".join(plants.notes))
    seen = f"Against {plants.first}, seedlings at {plants.second} took {_longer(days.ratio)} in days"
    if plants.differs("seed"):
        alone = "" if plants.differs("count") or plants.differs("degree_days") else " Taken together with the number,"
        return Finding(
            DIFFERENT,
            f"{seen}, and {_longer(warmth.ratio)} in degree-days.{alone} {'this' if alone else 'This'} is more than "
            "chance makes, and counted in warmth received it remains, so the warmth of the air does not explain it: "
            "look at the seed, or at something that was not measured.",
        )
    if plants.cause == WARMTH and plants.warmth_ratio is not None:
        return Finding(
            "explained by warmth",
            f"{seen}. Its air by itself would make them take {_longer(plants.warmth_ratio)}. Counted in warmth "
            "received (degree-days) the seeds of both needed the same, as far as these records can tell: the "
            "temperature explains the difference, not the seed.",
        )
    return Finding(
        NO_DIFFERENCE,
        f"{seen} and {_longer(warmth.ratio)} in degree-days; chance alone makes such differences.",
    )


def _longer(ratio: float) -> str:
    share = round(100 * abs(ratio - 1.0))
    return "as long" if share == 0 else f"{share} % {'longer' if ratio > 1 else 'less long'}"
