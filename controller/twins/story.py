"""The first page in plain words, fit to be read aloud, with what the records cannot tell."""

from controller.records.story import several
from controller.twins.comparing import Comparison
from controller.twins.environment import DIFFERENT, Environment
from controller.twins.findings import Finding, channels_told, findings_of_pair, joined_words
from controller.twins.findings_of_many import findings_of_many
from controller.twins.odd_ones import odd_ones
from controller.twins.plants import BAD_SHARE_FRACTION, GOOD_SHARE_FRACTION, SEED, PlantComparison

TOLD_DEVIATIONS = 3


def findings_of(comparison: Comparison) -> list[Finding]:
    """All findings: on one pair, or on all chambers by what they are about."""
    if len(comparison.twins) > 2:
        return findings_of_many(comparison)
    return findings_of_pair(comparison.environments[0], comparison.plants[0], comparison)


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
    unlike = [(e.first, e.second) for e in comparison.environments if is_unlike(e)]
    grown = [(p.first, p.second) for p in comparison.plants if p.cause == SEED or p.differs("growth")]
    odd = [name for name, _ in odd_ones(unlike)]
    lone = [d for d in comparison.deviations if d.margin_days >= len(comparison.twins[0].days) / 4.0]
    off = list(dict.fromkeys(d.twin for d in lone if d.twin not in odd))
    places = "Nothing that was measured shows the places to be unlike."
    if unlike:
        told = "; ".join(f"{name} differed from {joined_words(others)}" for name, others in odd_ones(unlike))
        places = f"{_what_was_unlike(comparison)} not the same: {told} by more than the plan allows."
    if off:
        places += f" At {joined_words(off)} something went otherwise than planned (see below)."
    if grown:
        told = "; ".join(f"at {name} than at {joined_words(others)}" for name, others in odd_ones(grown))
        return f"{places} The seeds came up or grew differently {told}, and warmth does not explain it."
    end = " or what the places and their water explain." if unlike or off else "."
    return f"{places} Nothing the plants did needs another explanation than chance{end}"


def _what_was_unlike(comparison: Comparison) -> str:
    """Was it the place, or was it the watering?"""
    place = any(channels_told(each, DIFFERENT) for each in comparison.environments)
    water = any(each.water.verdict == DIFFERENT for each in comparison.environments)
    return "The place and the watering were" if place and water else "The place was" if place else "The watering was"


def is_unlike(environment: Environment) -> bool:
    """Whether anything that is told of a pair's places differs."""
    return bool(channels_told(environment, DIFFERENT)) or environment.water.verdict == DIFFERENT


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
    known = [plants for plants in comparison.plants if plants.vigour_power_fraction is not None]
    worst = min(known or comparison.plants, key=lambda plants: plants.vigour_power_fraction or 0.0)
    powers = worst.vigour_power_fraction, worst.count_power_fraction
    words = (
        f"{_few(worst)} Suppose the seed at {worst.second} truly were so bad that "
        f"{100 * BAD_SHARE_FRACTION:.0f} % of it came up where {100 * GOOD_SHARE_FRACTION:.0f} % should, and a quarter "
        f"later: these records would notice it in {_share_words(powers[0] or 0.0)}. By the number alone they would "
        f"notice it in {_share_words(powers[1])}."
    )
    ratios = [plants.detectable_ratio for plants in comparison.plants if plants.detectable_ratio is not None]
    if ratios:
        delay_pct = max(1, round(100 * (max(ratios) - 1)))
        words += (
            f" A delay would have to be about {delay_pct} % of the time to emergence to be noticed "
            "four times out of five."
        )
    found = [words]
    pairs = len(comparison.plants)
    if pairs > 1:
        found.append(
            f"{len(comparison.twins)} chambers make {pairs} pairs, and among so many pairs chance finds something more "
            "easily. Each pair is therefore judged more strictly, so that all together give a false alarm no more "
            "often than one pair would; a small difference goes unnoticed more easily in return."
        )
    found.append(
        "All plants of one chamber share that chamber. A difference between two chambers can always have a cause that "
        "nobody measured; only more chambers, or chambers that change places, can tell."
    )
    return found


def _few(plants: PlantComparison) -> str:
    if plants.sown_first == plants.sown_second:
        return f"{several(plants.sown_first, 'position', 'positions').capitalize()} a chamber are few."
    return f"{plants.sown_first} and {plants.sown_second} positions are few."


def _share_words(share_fraction: float) -> str:
    tenths = round(share_fraction * 10)
    if tenths == 0:
        return "hardly ever"
    return "nearly always" if tenths == 10 else f"about {tenths} of 10 such experiments"
