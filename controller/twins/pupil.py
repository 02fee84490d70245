"""The findings for pupils: short sentences, no terms."""

from controller.records.story import several
from controller.twins.comparing import Comparison
from controller.twins.findings import NAMES, WAYS, joined_words
from controller.twins.odd_ones import gaps_of, odd_ones, sides_of, water_gaps
from controller.twins.plants import SEED, WARMTH

FOLLOWS = ("daily_light_integral_mol_m2", "vapour_pressure_deficit_kpa")  # told already by hours, warmth and dampness


def pupil_words(comparison: Comparison) -> list[str]:
    """One paragraph each."""
    twins = comparison.twins
    return [
        f"We sowed the same seeds in {several(len(twins), 'closed box', 'closed boxes')} in different places: "
        f"{joined_words([twin.name for twin in twins])}. A machine gave each box water and light and wrote down the "
        "warmth, the dampness and the water, day and night.",
        "Now we ask: if the plants are not the same, is it because of the box, or because of the seed?",
        _boxes(comparison),
        _seeds(comparison),
        "We had only a few seeds. To be surer, sow more, sow again, and let the boxes change places. "
        "What would you change next time, and what would you leave the same?",
    ]


def _boxes(comparison: Comparison) -> str:
    gaps = [(WAYS[key], gaps_of(comparison, key)) for key in NAMES if key not in FOLLOWS]
    gaps.append((("given less water", "given more water"), water_gaps(comparison)))
    told = [
        f"The box at {name} was {ways[more]} than at {joined_words([gap.low if more else gap.high for gap in mine])}."
        for ways, found in gaps
        for name, more, mine in sides_of(found)
    ]
    if told:
        return " ".join([*told, "That is not a fair race."])
    names = joined_words([twin.name for twin in comparison.twins])
    return f"The boxes at {names} were as alike as our instruments can tell. That is a fair race."


def _seeds(comparison: Comparison) -> str:
    counts: dict[str, list[int]] = {}
    for batch in comparison.batches:
        here = counts.setdefault(batch.twin, [0, 0])
        here[0] += batch.emerged
        here[1] += batch.sown
    up = joined_words([f"{up} of {sown} seeds came up at {name}" for name, (up, sown) in counts.items()])
    words = [f"{up[0].upper()}{up[1:]}."]
    seed = [(each.first, each.second) for each in comparison.plants if each.cause == SEED]
    if seed:
        told = joined_words([name for name, _ in odd_ones(seed)])
        words.append(f"At {told} the seeds were not like the others. That is too much for luck.")
        words.append("Warmth does not explain it. Perhaps it was the seed.")
    elif any(each.cause == WARMTH for each in comparison.plants):
        words.append("Seeds count warmth like coins. In a cooler box it takes longer to save enough. That explains it.")
    else:
        words.append("A few seeds more or less can be luck, like throwing dice.")
    return " ".join(words)
