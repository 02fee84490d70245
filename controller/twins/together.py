"""Three twins or more asked at once: does any of them differ from the others in what the plants did?"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from controller.science.between_looks import logrank_scores
from controller.science.rearranged import Rearranged, groups_rearranged, holm
from controller.twins.growth import MEASURES, Grown
from controller.twins.plants import spans_of
from controller.twins.seeds import Seed

ROUNDS = 10_000
TITLES = {
    "count": "number emerged",
    "days": "curve of emergence, by days",
    "degree_days": "curve of emergence, by degree-days",
    "height": "final height",
}


@dataclass(frozen=True)
class Overall:
    """One question to all twins together; ``p_raised`` is raised for the number of such questions (Holm)."""

    key: str
    chi_square: float
    p: float
    p_raised: float

    @property
    def title(self) -> str:
        return TITLES[self.key]


def overall_of(seeds: dict[str, list[Seed]], grown: list[Grown]) -> list[Overall]:
    """Each question by rearranging which twin a plant stood in; nothing with fewer than three twins.

    Leaves are left to the pairs, where the hours of the looks can be allowed for.
    """
    if len(seeds) < 3:
        return []
    here = [(name, seed) for name, mine in seeds.items() for seed in mine]
    groups, species = [name for name, _ in here], [seed.species for _, seed in here]
    tests = {"count": _test([seed.emerged for _, seed in here], groups, species)}
    for unit in ("days", "degree_days"):
        low, high = spans_of([seed for _, seed in here], unit)
        kept = np.isfinite(low) & (high > low)
        names, kinds = np.array(groups)[kept], np.array(species)[kept]
        if kept.sum() > len(seeds):
            tests[unit] = _test(logrank_scores(low[kept], high[kept], kinds), names, kinds)
    heights = np.array([each.logs()[MEASURES.index("height")] for each in grown])
    known = ~np.isnan(heights)
    if known.sum() > len(seeds):
        mine = [each for each, flag in zip(grown, known, strict=True) if flag]
        tests["height"] = _test(heights[known], [each.twin for each in mine], [each.species for each in mine])
    raised = holm([test.p for test in tests.values()])
    return [Overall(k, t.statistic, t.p, float(p)) for (k, t), p in zip(tests.items(), raised, strict=True)]


def _test(scores: ArrayLike, groups: ArrayLike, species: ArrayLike) -> Rearranged:
    return groups_rearranged(scores, groups, species, ROUNDS)
