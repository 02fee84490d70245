"""Everything that is compared of a set of twins: each of them with the first one named."""

from dataclasses import dataclass

from controller.twins.deviations import Deviation, deviations_of
from controller.twins.environment import Environment, compare_environments
from controller.twins.gathering import Twin
from controller.twins.plants import (
    Batch,
    PlantComparison,
    PlantGrowth,
    Seed,
    batches_of,
    compare_plants,
    growth_of,
    seeds_of,
)


@dataclass(frozen=True, eq=False)
class Comparison:
    """Twins and what was found. ``environments`` and ``plants`` hold one entry for each twin after the first."""

    twins: list[Twin]
    plan_differences: list[str]
    environments: list[Environment]
    deviations: list[Deviation]
    seeds: dict[str, list[Seed]]
    batches: list[Batch]
    growth: list[PlantGrowth]
    plants: list[PlantComparison]


def compare(twins: list[Twin], plan_differences: list[str]) -> Comparison:
    """Compare each twin with the first."""
    first, others = twins[0], twins[1:]
    environments = [compare_environments(first, other) for other in others]
    seeds = {twin.name: seeds_of(twin) for twin in twins}
    growth = [each for twin in twins for each in growth_of(twin)]
    return Comparison(
        twins=twins,
        plan_differences=plan_differences,
        environments=environments,
        deviations=deviations_of(twins, environments),
        seeds=seeds,
        batches=[batch for twin in twins for batch in batches_of(twin, seeds[twin.name])],
        growth=growth,
        plants=[
            compare_plants(first, other, environment, seeds[first.name], seeds[other.name], growth)
            for other, environment in zip(others, environments, strict=True)
        ],
    )
