"""Is the verdict right? A few simulated pairs of each kind of truth here, five hundred in the campaign."""

import statistics

import pytest

from controller.rehearse import rehearse
from controller.twins.gathering import twin_of
from controller.twins.sources import gather
from tests.campaigns.twins import BY_MOISTURE, COOLER, SCENARIOS, SLOW_SEEDS, campaign, is_found, pair, tally
from tests.made_runs import make_run, settings_of

AT_MOST, AT_LEAST = 0.05, 0.95


@pytest.mark.parametrize("kind", SCENARIOS)
def test_the_verdict_on_a_few_pairs_is_right(kind):
    seen = tally(kind, 8, start=10_000)

    assert seen.false_alarms <= 2  # 0.4 expected of eight; more is a fault or a very bad day, and the pairs are fixed
    if kind in (COOLER, "a twin with a dark week", "a twin given 10 % less water"):
        assert seen.found == 8
    if kind == "a twin with bad seed":
        assert seen.found >= 4  # eighteen seeds: some of such twins go unnoticed, and the report says how many


def test_a_pair_depends_on_its_number_alone():
    assert pair(BY_MOISTURE, 3) == pair(BY_MOISTURE, 3)


def test_a_wrong_verdict_is_not_counted_as_found():
    alike = pair("twins that are alike", 10_001)

    assert not is_found(COOLER, alike)
    assert not is_found("a twin with a dark week", alike)
    assert not is_found("a twin with bad seed", alike)


@pytest.mark.campaign
def test_five_hundred_pairs_of_each_kind():
    rows = {row.kind: row for row in campaign()}

    assert all(rows[kind].tried >= 500 for kind in SCENARIOS)
    for kind in ("twins that are alike", BY_MOISTURE):
        assert rows[kind].survived / rows[kind].tried >= 1.0 - AT_MOST, rows[kind].worst_case
    for kind in SCENARIOS:
        wrong = int(rows[kind].worst_case.split(";")[0].removeprefix("wrong claims in "))
        assert wrong / rows[kind].tried <= AT_MOST, rows[kind].worst_case
    for kind in (COOLER, SLOW_SEEDS, "a twin with a dark week"):
        assert rows[kind].survived / rows[kind].tried >= AT_LEAST, rows[kind].worst_case
    bad = rows["a twin with bad seed"]
    assert bad.survived / bad.tried >= 0.65, bad.worst_case  # what DEVELOPERS.md says of it, less its own chance


@pytest.mark.campaign
def test_made_runs_are_like_rehearsals(tmp_path):
    """The fast physics against the whole controller: temperature, light, water, emergence."""
    made, rehearsed = [], []
    for seed in range(3):
        settings = settings_of(0)
        rehearse(settings, tmp_path / f"rehearsal-{seed}", days=21.5, seed=seed)
        rehearsed.append(gather(tmp_path / f"rehearsal-{seed}"))
        journal = make_run(tmp_path / f"made-{seed}", settings, seed)
        made.append(twin_of(journal, settings, tmp_path))
        journal.close()

    def mean(twins, figure):
        return statistics.mean(figure(twin) for twin in twins)

    for figure, within in (
        (lambda t: statistics.mean(d.air_temperature_c.mean for d in t.days), 0.5),
        (lambda t: statistics.mean(d.relative_humidity_pct.mean for d in t.days), 4.0),
        (lambda t: statistics.mean(d.light_h for d in t.days), 0.2),
        (lambda t: statistics.mean(d.water_content_fraction.mean for d in t.days), 0.03),
        (lambda t: t.water.delivered_ml, 40.0),
        (lambda t: min(look.hour_h for look in t.looks if look.emerged), 25.0),
        (lambda t: max(look.height_mm or 0.0 for look in t.looks), 20.0),
    ):
        assert mean(made, figure) == pytest.approx(mean(rehearsed, figure), abs=within)
