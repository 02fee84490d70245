"""The findings on three twins or more, told by what they are about instead of pair by pair."""

from controller.records.story import several
from controller.twins.comparing import Comparison
from controller.twins.environment import ALIKE, DIFFERENT, OPEN
from controller.twins.findings import NAMES, NO_DIFFERENCE, WAYS, Finding, joined_words, ml_words
from controller.twins.odd_ones import Gap, gaps_of, odd_ones, sides_of, water_gaps
from controller.twins.plants import SEED, WARMTH


def findings_of_many(comparison: Comparison) -> list[Finding]:
    """All findings, environment first."""
    all_of_them = f"all {several(len(comparison.twins), 'chamber', 'chambers').split()[0]}"
    return [*_places(comparison, all_of_them), _water(comparison, all_of_them), *_plants(comparison)]


def _clauses(gaps: list[Gap], ways: tuple[str, str], unit: str, decimals: int) -> str:
    clauses = []
    for name, more, mine in sides_of(gaps):
        others = joined_words([gap.low if more else gap.high for gap in mine])
        sizes = sorted(gap.size for gap in mine)
        low, high = f"{sizes[0]:.{decimals}f}", f"{sizes[-1]:.{decimals}f}"
        amount = low if low == high else f"{low} to {high}"
        clauses.append(f"{name} was {ways[more]} than {others}, by {amount}{unit}")
    return "; ".join(clauses)


def _places(comparison: Comparison, all_of_them: str) -> list[Finding]:
    alike, unsettled, found = [], [], []
    for key, name in NAMES.items():
        pairs = [(each, channel) for each in comparison.environments if (channel := each.of(key)) is not None]
        verdicts = {channel.verdict for _, channel in pairs}
        gaps = gaps_of(comparison, key)
        if gaps:
            told_as = pairs[0][1].channel
            unit = " ml in each ml" if told_as.unit == "ml/ml" else f" {told_as.unit}"
            words = _clauses(gaps, WAYS[key], unit, told_as.decimals)
            found.append(Finding(DIFFERENT, f"On the average day {words}."))
        elif verdicts == {ALIKE}:
            alike.append(name)
        elif verdicts:
            unsettled.append(name)
    told = []
    if alike:
        told.append(
            Finding(
                ALIKE,
                f"Of {all_of_them} each was like each other in {joined_words(alike)}, within what the plan allows.",
            )
        )
    told += found
    if unsettled:
        told.append(
            Finding(
                OPEN,
                f"Whether {all_of_them} were alike in {joined_words(unsettled)} cannot be said: what was found is less "
                "than the sensors and the days are sure of.",
            )
        )
    return told


def _water(comparison: Comparison, all_of_them: str) -> Finding:
    amounts = joined_words([f"{ml_words(twin)} at {twin.name}" for twin in comparison.twins])
    gaps = water_gaps(comparison)
    if gaps:
        words = _clauses(gaps, ("given less water", "given more water"), " %", 0)
        cause = ""
        if comparison.twins[0].settings.plan.watering.moisture is not None:
            cause = " The plan waters by the moisture of the medium, so this may be what the medium asked for."
        return Finding(DIFFERENT, f"{words[0].upper()}{words[1:]}: {amounts}.{cause}")
    if {each.water.verdict for each in comparison.environments} == {ALIKE}:
        return Finding(ALIKE, f"To {all_of_them} the same amount of water was given: {amounts}.")
    return Finding(OPEN, f"To {all_of_them} about as much water was given, as far as can be told: {amounts}.")


def _plants(comparison: Comparison) -> list[Finding]:
    counts: dict[str, list[int]] = {}
    for batch in comparison.batches:
        here = counts.setdefault(batch.twin, [0, 0])
        here[0] += batch.emerged
        here[1] += batch.sown
    told = joined_words([f"{up} of {sown} at {name}" for name, (up, sown) in counts.items()])
    seed = [each for each in comparison.plants if each.cause == SEED]
    if seed:
        pairs = odd_ones([(each.first, each.second) for each in seed])
        names = "; ".join(f"those at {name} from those at {joined_words(others)}" for name, others in pairs)
        first = Finding(
            DIFFERENT,
            f"Seeds that came up: {told}. The seeds differed, {names}, in how many came up or in how late, by more "
            "than chance makes and warmth explains: look at the seed, or at something that was not measured.",
        )
    else:
        first = Finding(
            NO_DIFFERENCE, f"Seeds that came up: {told}. Neither number nor speed differs more than chance makes."
        )
    found = [first]
    warm = [
        each for each in comparison.plants
        if each.cause == WARMTH and each.shift_days is not None and each.warmth_ratio is not None
    ]  # fmt: skip
    gaps = [
        Gap(
            *((e.first, e.second) if e.shift_days.ratio > 1.0 else (e.second, e.first)), _slower_pct(e.shift_days.ratio)
        )
        for e in warm
        if e.shift_days is not None
    ]
    if gaps:
        words = _clauses(gaps, ("faster to come up", "slower to come up"), " % in days", 0)
        found.append(
            Finding(
                "explained by warmth",
                f"{words}. Counted in warmth received (degree-days) these needed the same, as far as the records can "
                "tell: the temperature explains the difference, not the seed.",
            )
        )
    for measure, name in (("height", "final height"), ("leaves", "number of leaves at one age")):
        known = [each for each in comparison.plants if measure in each.growth.ratios]
        unlike = [each for each in known if each.differs(measure)]
        if unlike:
            way = ("less", "more")
            words = "; ".join(
                f"{e.second} {100 * abs(ratio - 1.0):.0f} % {way[ratio > 1.0]} than {e.first}"
                for e in unlike
                for ratio in [e.growth.ratios[measure]]
            )
            found.append(Finding(DIFFERENT, f"The plants' {name} differed: {words}."))
        elif known:
            found.append(Finding(NO_DIFFERENCE, f"The plants' {name} shows no difference beyond chance."))
    return found


def _slower_pct(ratio: float) -> float:
    """By how much the slower took longer."""
    return 100.0 * abs(max(ratio, 1.0 / ratio) - 1.0)
