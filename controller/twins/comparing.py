"""Everything that is compared of a set of twins: every pair of them, and all of them at once."""

from dataclasses import dataclass
from itertools import combinations
from math import comb

from controller.twins.deviations import Deviation, deviations_of
from controller.twins.environment import Environment, compare_environments
from controller.twins.gathering import Twin
from controller.twins.growth import Grown, PlantGrowth, curves_of, grown_of
from controller.twins.plants import PlantComparison, compare_plants, judged
from controller.twins.seeds import Batch, Seed, batches_of, seeds_of
from controller.twins.together import Overall, overall_of


@dataclass(frozen=True, eq=False)
class Comparison:
    """Twins and what was found. ``environments`` and ``plants`` hold one entry for each pair, in the same order."""

    twins: list[Twin]
    plan_differences: list[str]
    environments: list[Environment]
    deviations: list[Deviation]
    seeds: dict[str, list[Seed]]
    batches: list[Batch]
    growth: list[PlantGrowth]
    grown: list[Grown]
    plants: list[PlantComparison]
    overall: list[Overall]


def compare(twins: list[Twin], plan_differences: list[str]) -> Comparison:
    """Compare each twin with each other one."""
    environments = compare_environments(twins)
    seeds = {twin.name: seeds_of(twin) for twin in twins}
    growth = [each for twin in twins for each in curves_of(twin)]
    grown = grown_of(twins, growth, seeds)
    pairs = comb(len(twins), 2)
    plants = [compare_plants(a, b, seeds[a.name], seeds[b.name], grown, pairs) for a, b in combinations(twins, 2)]
    return Comparison(
        twins=twins,
        plan_differences=plan_differences,
        environments=environments,
        deviations=deviations_of(twins, [each for each in environments if each.first == twins[0].name]),
        seeds=seeds,
        batches=[batch for twin in twins for batch in batches_of(twin, seeds[twin.name])],
        growth=growth,
        grown=grown,
        plants=judged(plants, environments),
        overall=overall_of(seeds, grown),
    )
