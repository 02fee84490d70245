"""The findings in plain words, fit to be read aloud: what was alike, what was not, and what nobody can tell."""

from typing import NamedTuple

from controller.records.story import several
from controller.twins.comparing import Comparison
from controller.twins.environment import ALIKE, DIFFERENT, OPEN, ChannelComparison, Environment
from controller.twins.gathering import Twin
from controller.twins.plants import FALSE_ALARM_FRACTION, SEED, WARMTH, PlantComparison

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


def number_words(value: float, decimals: int) -> str:
    return f"{value:.{decimals}f}"


def what_was_compared(comparison: Comparison) -> str:
    """The first paragraph."""
    twins = comparison.twins
    first = twins[0]
    names = joined_words([twin.name for twin in twins])
    days = min(len(twin.days) for twin in twins)
    same = (
        f"{several(len(twins), 'chamber', 'chambers').capitalize()} ran the same plan, “{first.settings.plan.name}”: "
        if not comparison.plan_differences
        else f"{several(len(twins), 'chamber', 'chambers').capitalize()} ran plans that are not the same "
        "(the differences are listed below): "
    )
    hint = " All of them were rehearsals on simulated chambers." if all(twin.simulated for twin in twins) else ""
    if not hint and any(twin.simulated for twin in twins):
        hint = f" {joined_words([t.name for t in twins if t.simulated])} was a rehearsal on a simulated chamber."
    return (
        f"{same}{names}. Each began at its own first water, which is day 0 for it, and the days are counted from "
        f"there; {several(days, 'whole day', 'whole days')} can be compared.{hint}"
    )


def headline(comparison: Comparison) -> str:
    """The one sentence that answers the question."""
    unlike = [e.second for e in comparison.environments if _verdicts(e, DIFFERENT) or e.water.verdict == DIFFERENT]
    grown = [p.second for p in comparison.plants if p.cause == SEED or _growth_differs(p)]
    first = comparison.twins[0].name
    lone = [d for d in comparison.deviations if d.margin_days >= len(comparison.twins[0].days) / 4.0]
    off = list(dict.fromkeys(d.twin for d in lone if d.twin not in unlike))
    places = (
        f"The place was not the same: {joined_words(unlike)} differed from {first} by more than the plan allows."
        if unlike
        else "Nothing that was measured shows the places to be unlike."
    )
    if off:
        places += f" At {joined_words(off)} something went otherwise than planned (see below)."
    plants = (
        f"The seeds came up or grew differently at {joined_words(grown)} than warmth explains."
        if grown
        else "Nothing the plants did needs another explanation than chance"
        + (" or the places." if unlike or off else ".")
    )
    return f"{places} {plants}"


def findings_of(comparison: Comparison) -> list[Finding]:
    """All findings, environment first."""
    found: list[Finding] = []
    for environment, plants in zip(comparison.environments, comparison.plants, strict=True):
        several_pairs = len(comparison.environments) > 1
        found += [*_places(environment, comparison, several_pairs), *_plants(plants, environment, comparison)]
    return found


def deviation_words(comparison: Comparison) -> list[str]:
    """The deviations that matter most, with their spans."""
    return [
        f"{each.twin}, {span_words(each.from_h, each.to_h)}: {each.words}."
        for each in comparison.deviations[:TOLD_DEVIATIONS]
        if each.margin_days >= 0.5
    ]


def span_words(from_h: float, to_h: float) -> str:
    """ "day 7 to day 14", in days since hydration."""
    if to_h - from_h < 36.0 and int(from_h // 24.0) == int(max(from_h, to_h - 0.01) // 24.0):
        return f"day {int(from_h // 24.0)}"
    return f"day {from_h / 24.0:.0f} to day {to_h / 24.0:.0f}"


def limits_words(comparison: Comparison) -> list[str]:
    """What a comparison of so few plants cannot show."""
    worst = min(comparison.plants, key=lambda plants: plants.count_power_fraction)
    words = (
        f"{worst.sown_first} and {worst.sown_second} positions are few. If {worst.second} truly brought up 60 % of its "
        f"seeds where {worst.first} brings up 95 %, these records would notice it in "
        f"{_share_words(worst.count_power_fraction)}."
    )
    ratios = [plants.detectable_ratio for plants in comparison.plants if plants.detectable_ratio is not None]
    if ratios:
        delay_pct = max(1, round(100 * (max(ratios) - 1)))
        words += (
            f" A delay would have to be about {delay_pct} % of the time to emergence to be noticed "
            "four times out of five."
        )
    found = [words]
    found.append(
        "All plants of one chamber share that chamber. A difference between two chambers can always have a cause that "
        "nobody measured; only more chambers, or chambers that change places, can tell."
    )
    return found


def _share_words(share_fraction: float) -> str:
    tenths = round(share_fraction * 10)
    if tenths == 0:
        return "hardly ever"
    return "nearly always" if tenths == 10 else f"about {tenths} of 10 such experiments"


def _verdicts(environment: Environment, verdict: str) -> list[ChannelComparison]:
    return [each for each in environment.channels if each.verdict == verdict and each.channel.key in NAMES]


def _places(environment: Environment, comparison: Comparison, several_pairs: bool) -> list[Finding]:
    first, second = environment.first, environment.second
    found = []
    alike = [NAMES[each.channel.key] for each in _verdicts(environment, ALIKE)]
    if alike:
        found.append(
            Finding(ALIKE, f"{second} and {first} were alike in {joined_words(alike)}, within what the plan allows.")
        )
    for each in _verdicts(environment, DIFFERENT):
        if each.channel.key == "daily_light_integral_mol_m2" and _is_different(environment, "light_h"):
            continue  # it follows from the hours
        way = WAYS[each.channel.key][each.difference > 0.0]
        found.append(Finding(DIFFERENT, f"{second} was {way} than {first}: {_amount(each)}."))
    unsettled = _verdicts(environment, OPEN)
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
    amounts = f"{_ml(b)} at {b.name} against {_ml(a)} at {a.name}"
    if water.verdict == DIFFERENT:
        way = "less" if water.difference_fraction < 0 else "more"
        cause = ""
        if a.settings.plan.watering.moisture is not None:
            cause = " The plan waters by the moisture of the medium, so this may be what the medium asked for."
        return Finding(
            DIFFERENT,
            f"{b.name} was given {abs(water.difference_fraction):.0%} {way} water than {a.name}: {amounts}.{cause}",
        )
    word = "as much water as" if water.verdict == ALIKE else "about as much water, as far as can be told, as"
    return Finding(water.verdict, f"{b.name} was given {word} {a.name}: {amounts}.")


def _ml(twin: Twin) -> str:
    return f"{twin.water.delivered_ml:.0f} ± {twin.water.delivered_standard_uncertainty_ml:.0f} ml"


def _plants(plants: PlantComparison, environment: Environment, comparison: Comparison) -> list[Finding]:
    found = []
    counts = (
        f"{plants.emerged_second} of {plants.sown_second} seeds came up at {plants.second} and "
        f"{plants.emerged_first} of {plants.sown_first} at {plants.first}"
    )
    if plants.p_raised["count"] < FALSE_ALARM_FRACTION:
        found.append(Finding(DIFFERENT, f"{counts}: chance alone makes so large a difference only rarely."))
    else:
        found.append(Finding(NO_DIFFERENCE, f"{counts}; chance alone makes such differences."))
    found.append(_times(plants, environment))
    if plants.height is not None and plants.height_ratio is not None:
        sizes = joined_words(
            [f"{t.species} {t.mean_second_mm:.0f} against {t.mean_first_mm:.0f} mm" for t in plants.growth]
        )
        told = f" ({sizes})" if sizes else ""
        if _growth_differs(plants):
            way = "shorter" if plants.height_ratio < 1.0 else "taller"
            share = abs(plants.height_ratio - 1.0)
            found.append(Finding(DIFFERENT, f"Plants at {plants.second} ended {share:.0%} {way}{told}."))
        else:
            found.append(Finding(NO_DIFFERENCE, f"The final heights show no difference beyond chance{told}."))
    return found


def _growth_differs(plants: PlantComparison) -> bool:
    return plants.p_raised.get("height", 1.0) < FALSE_ALARM_FRACTION


def _times(plants: PlantComparison, environment: Environment) -> Finding:
    days, warmth = plants.shift_days, plants.shift_degree_days
    if days is None or warmth is None:
        return Finding(OPEN, "How fast the seedlings came up cannot be compared. " + " ".join(plants.notes))
    seen = f"Against {plants.first}, seedlings at {plants.second} took {_longer(days.ratio)} in days"
    if plants.p_raised.get("degree_days", 1.0) < FALSE_ALARM_FRACTION:
        return Finding(
            DIFFERENT,
            f"{seen}, and {_longer(warmth.ratio)} in degree-days. Counted in warmth received they still differ, so "
            "the warmth of the air does not explain it: look at the seed, or at something that was not measured.",
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


def pupil_words(comparison: Comparison) -> list[str]:
    """The same for a pupil: short sentences, no terms."""
    twins = comparison.twins
    first = twins[0]
    found = [
        f"We sowed the same seeds in {several(len(twins), 'closed box', 'closed boxes')} in different places: "
        f"{joined_words([twin.name for twin in twins])}. A machine gave each box water and light and wrote down the "
        "warmth, the dampness and the water, day and night.",
        "Now we ask: if the plants are not the same, is it because of the box, or because of the seed?",
    ]
    for environment, plants in zip(comparison.environments, comparison.plants, strict=True):
        unlike = [WAYS[e.channel.key][e.difference > 0.0] for e in _verdicts(environment, DIFFERENT)]
        name = environment.second
        found.append(
            f"The box at {name} was {joined_words(unlike)} than the box at {first.name}. That is not a fair race."
            if unlike
            else f"The boxes at {name} and {first.name} were as alike as our instruments can tell. That is a fair race."
        )
        up = f"At {name} {plants.emerged_second} of {plants.sown_second} seeds came up, at {first.name} "
        up += f"{plants.emerged_first} of {plants.sown_first}."
        if plants.cause == SEED:
            up += " That difference is too big for luck, and warmth does not explain it. Perhaps the seed was worse."
        elif plants.cause == WARMTH:
            up += " Seeds count warmth like coins: in a cooler box it takes longer to save enough. That explains it."
        else:
            up += " A few seeds more or less can be luck, like throwing dice."
        found.append(up)
    found.append(
        "We had only a few seeds. To be surer, sow more, sow again, and let the boxes change places. "
        "What would you change next time, and what would you leave the same?"
    )
    return found
