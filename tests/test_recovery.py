"""The host's memory comes back from its journal."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.control import dose_life, line, watering
from controller.control import model as m
from controller.control.recovery import resume
from tests import examples

H = m.MS_PER_H
HYDRATED = examples.moment(300_000)
HISTORY = [
    m.BootRecord(examples.moment(0), "0"),
    m.StepRecord(examples.moment(1), "clean-gloves", False, ""),
    m.StepRecord(examples.moment(2), "clean-gloves", True, "LK"),
    m.PhaseRecord(HYDRATED, m.WETTING, 0),
    m.DoseIntended(examples.moment(310_000), 1, m.FIRST_WETTING, 50.0, 10000, 83, 0.005, 0.00004, 10_000),
]


def back(records, at=None, last=None, settings=examples.SETTINGS):
    return resume(at or examples.moment(400_000, boot_id=2), records, last, settings)


def reading(at, run_ms):
    return m.ReadingRecord(at, 21.0, 60.0, 1740, 2000, 2000, 1000, 0.6, "good", "good", "good", run_ms)


def closed(dose_id, steps_min, steps_max, run_ms=130_000, reason="complete"):
    volume, uncertainty, most = watering.volume_of(steps_min, steps_max, examples.intent())
    return m.DoseClosed(
        examples.moment(430_000), dose_id, steps_min, steps_max, reason, volume, uncertainty, most, run_ms
    )


def test_a_dose_without_an_end_is_open_and_belongs_to_an_earlier_life():
    state = back(HISTORY)

    assert state.open_dose == HISTORY[-1]
    waited_ms = state.run_ms - HISTORY[-1].run_ms
    assert 0 < waited_ms < dose_life.ACCOUNT_MS - 60_000
    assert state.dose_life == m.DoseLife(dose_life.STOPPING, 400_000 - waited_ms)
    assert state.last_dose_id == 1
    assert state.line.state == line.DOWN


@pytest.mark.guards("H1", "host", "830e5870")
def test_a_closed_dose_counts_at_its_most_and_its_id_is_never_used_again():
    state = back([*HISTORY, closed(1, 0, 10000, reason=m.IN_DOUBT)])

    assert state.open_dose is None
    assert state.first_wetting_given_ml == pytest.approx(50.0)
    assert watering.wetting_left_ml(state, examples.SETTINGS) == pytest.approx(160.0)
    assert state.last_dose_id == 1


def test_signed_steps_stay_signed():
    state = back(HISTORY)

    assert state.steps_due == ("clean-gloves",)
    assert state.steps_done == ("clean-gloves",)


def test_a_trip_stays_until_its_clearing_is_in_the_journal():
    trip = m.TripRecord(examples.moment(5), "leak_wet", m.ON_BOARD, 10)

    assert back([*HISTORY, trip]).trips == (("leak_wet", m.ON_BOARD),)
    assert back([*HISTORY, trip, trip]).trips == (("leak_wet", m.ON_BOARD),)
    assert back([*HISTORY, trip, m.TripCleared(examples.moment(6), "leak_wet", "LK")]).trips == ()


@pytest.mark.parametrize("outage_ms", [0, 1000, 3 * H, 48 * H])
def test_with_trusted_clocks_the_run_clock_counts_the_time_without_power(outage_ms):
    at = examples.moment(500_000, utc_ms=HYDRATED.utc_ms + 200_000 + outage_ms, boot_id=2)

    state = back(HISTORY, at, reading(examples.moment(500_000), 200_000))

    assert state.run_ms == 200_000 + outage_ms


@pytest.mark.guards("H7", "host", "94bb108c")
def test_a_start_with_a_clock_that_claims_weeks_goes_on_from_the_last_reading_in_doubt():
    at = examples.moment(500_000, utc_ms=HYDRATED.utc_ms + 200_000 + 48 * H + 1, boot_id=2)

    state = back(HISTORY, at, reading(examples.moment(500_000), 200_000))

    assert (state.run_ms, state.clock_doubted_since_ms) == (200_000, 500_000)


def test_without_a_trusted_clock_the_run_clock_goes_on_from_the_last_reading():
    at = examples.moment(10, utc_ms=0, trusted=False, boot_id=2)

    assert back(HISTORY, at, reading(examples.moment(500_000), 200_000)).run_ms == 200_000


def test_the_run_clock_never_falls_behind_what_was_written():
    at = examples.moment(10, utc_ms=HYDRATED.utc_ms + 5, boot_id=2)

    assert back([*HISTORY, closed(1, 10000, 10000)], at).run_ms == 130_000


def test_only_the_last_week_of_water_is_kept_for_the_budgets():
    old = replace(closed(1, 10000, 10000), run_ms=1000)
    last = reading(examples.moment(500_000), 7 * 24 * H - H)  # a reading just before, so that the clock leaps little
    for since_h, kept in ((7 * 24, 1), (7 * 24 + 2, 0)):
        at = examples.moment(500_000, utc_ms=HYDRATED.utc_ms + since_h * H, boot_id=2)
        state = back([*HISTORY, old], at, last)
        assert state.run_ms == since_h * H
        assert len(state.given_lately) == kept
        assert state.first_wetting_given_ml == pytest.approx(50.0)


def test_a_dose_began_when_it_was_intended_and_one_without_an_intent_when_it_was_written_down():
    assert back([*HISTORY, closed(1, 10000, 10000, run_ms=120_000)]).last_dose_began_run_ms == 10_000

    (given,) = back([*HISTORY[:-1], closed(1, 10000, 10000, run_ms=120_000)]).given_lately
    assert (given.began_run_ms, given.run_ms) == (120_000, 120_000)


def test_a_fixed_time_that_was_used_is_not_used_again():
    used = m.DoseIntended(examples.moment(9), 2, m.FIXED_TIME, 12.0, 2400, 200, 0.005, 0.0, 9 * H, slot=7)

    assert back([*HISTORY, closed(1, 1, 1), used]).last_slot == 7


def test_moisture_is_not_trusted_until_it_has_been_read_again():
    assert watering.water_content_fraction(back(HISTORY), examples.SETTINGS) is None


@given(st.lists(st.tuples(st.integers(1, 12000), st.booleans(), st.booleans()), max_size=12))
def test_what_the_host_remembers_is_what_its_journal_says(doses):
    """Folding a history gives the budgets that the same doses gave while they ran."""
    records, most_ml = [*HISTORY, closed(1, 10000, 10000)], 0.0
    for number, (steps, lost, ended) in enumerate(doses, start=2):
        run_ms = number * H
        records.append(
            m.DoseIntended(
                examples.moment(run_ms), number, m.MOISTURE_LED, steps * 0.005, steps, 200, 0.005, 0.0, run_ms
            )
        )
        if ended:
            records.append(closed(number, 0 if lost else steps, steps, run_ms))
        if ended or number <= len(doses):  # one that another followed is over, though nobody wrote its end
            most_ml += steps * 0.005

    state = back(records)

    assert state.watering_given_ml == pytest.approx(most_ml)
    assert (state.open_dose is None) == (not doses or doses[-1][2])
