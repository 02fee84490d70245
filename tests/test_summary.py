"""The summary of a run."""

import json
from dataclasses import dataclass

import pytest

from controller.control import model as m
from controller.records.account import Totals, entries_of
from controller.records.summary import summarise
from tests.journals import DAY_MS, HOUR_MS, MINUTE_MS, SETTINGS, at, dose, fill, hydrate, new_journal, reading


@dataclass(frozen=True)
class Truth:
    pumped_ml: float
    mended: tuple[str, ...] = ()


def seen(days, position=1, emerged=True, corrects=None):
    moment = at(round(days * DAY_MS))
    return m.ObservationRecord(moment, position, "LK", emerged=emerged, corrects=corrects)


def row_of_last_observation(journal):
    return list(journal.numbered(m.ObservationRecord))[-1][0]


# -- the water account ----


def test_the_calibration_part_of_the_uncertainty_adds_linearly_over_doses(tmp_path):
    journal = new_journal(tmp_path)
    for number in range(1, 5):
        dose(journal, number, at(number * HOUR_MS))

    totals = list(entries_of(journal, SETTINGS))[-1].totals

    # JCGM 100:2008, 5.2.2 note 1: fully correlated contributions add linearly; 4 x 10 000 steps x 0.00004 ml
    assert totals.delivered_ml == pytest.approx(200.0)
    assert totals.delivered_standard_uncertainty_ml == pytest.approx(1.6)


def test_lost_counts_of_single_doses_add_as_the_root_of_the_squares(tmp_path):
    journal = new_journal(tmp_path)
    for number in (1, 2):
        dose(journal, number, at(number * HOUR_MS), steps=2_400, steps_min=0, end_reason=m.IN_DOUBT)

    totals = list(entries_of(journal, SETTINGS))[-1].totals

    # JCGM 100:2008, 4.3.7: half width over root three; 5.1.2: independent ones as the root of the squares
    interval_ml = 2**0.5 * 6.0 / 3**0.5
    assert totals.delivered_ml == pytest.approx(12.0)
    assert totals.delivered_standard_uncertainty_ml == pytest.approx((interval_ml**2 + (2_400 * 0.00004) ** 2) ** 0.5)


def test_drained_grams_become_millilitres_by_the_density_of_water():
    # Tanaka et al. 2001: 0.9982 g/ml at 20 C, 0.9970 at 25 C; the account takes 0.9977
    drained_ml = Totals().with_drain(100.0).drained_ml

    assert 100.0 / 0.9982 < drained_ml < 100.0 / 0.9970


def test_held_is_delivered_less_drained_with_both_uncertainties(tmp_path):
    journal = new_journal(tmp_path)
    dose(journal, 1, at(0), purpose=m.FIRST_WETTING)
    journal.append(m.StepRecord(at(HOUR_MS), "drain", True, "LK", drained_g=9.977))
    summary = summarise(journal, SETTINGS)

    assert summary["water_drained_ml"] == 10.0
    assert summary["water_held_ml"] == 40.0
    both = summary["water_delivered_standard_uncertainty_ml"], summary["water_drained_standard_uncertainty_ml"]
    assert both[0] == 0.4
    assert summary["water_held_standard_uncertainty_ml"] == pytest.approx(
        (both[0] ** 2 + both[1] ** 2) ** 0.5, abs=2e-3
    )


def test_a_dose_that_was_never_started_is_no_dose(tmp_path):
    journal = new_journal(tmp_path)
    journal.append(m.DoseIntended(at(0), 1, m.MOISTURE_LED, 12.0, 2_400, 200, 0.005, 0.00004, 0))
    journal.append(m.DoseClosed(at(1_000), 1, 0, 0, m.NOT_STARTED, 0.0, 0.0, 0.0, 0))
    summary = summarise(journal, SETTINGS)

    assert (summary["doses_delivered"], summary["water_delivered_ml"]) == (0, 0.0)


def test_a_dose_without_an_outcome_yet_adds_no_water(tmp_path):
    journal = new_journal(tmp_path)
    journal.append(m.DoseIntended(at(0), 1, m.MOISTURE_LED, 12.0, 2_400, 200, 0.005, 0.00004, 0))
    (entry,) = entries_of(journal, SETTINGS)

    assert entry.closed is None
    assert entry.totals.delivered_ml == 0.0


def test_water_that_no_intent_stands_for_still_counts(tmp_path):
    journal = new_journal(tmp_path)
    journal.append(m.DoseClosed(at(0), 9, 2_000, 2_000, "complete", 10.0, 0.08, 10.0, 0))
    summary = summarise(journal, SETTINGS)

    assert summary["water_delivered_ml"] == 10.0
    assert summary["water_delivered_standard_uncertainty_ml"] == 0.08


def test_planned_water_is_the_whole_first_wetting_and_every_watering_intended(tmp_path):
    journal = new_journal(tmp_path)
    dose(journal, 1, at(0), purpose=m.FIRST_WETTING)  # 50 ml of the 210
    dose(journal, 2, at(HOUR_MS), steps=2_400)
    dose(journal, 3, at(5 * HOUR_MS), steps=1_600, purpose=m.FALLBACK)

    assert summarise(journal, SETTINGS)["water_planned_ml"] == 230.0


@pytest.mark.parametrize(
    ("away", "agrees"), [(-2.001, False), (-1.999, True), (0.0, True), (1.999, True), (2.001, False)]
)
def test_the_account_agrees_with_the_truth_within_two_standard_uncertainties(tmp_path, away, agrees):
    journal = new_journal(tmp_path)
    dose(journal, 1, at(0))  # 50 ml, standard uncertainty 0.4 ml
    summary = summarise(journal, SETTINGS, truth=Truth(50.0 + away * 0.4))

    assert summary["water_agrees"] is agrees
    assert summary["water_delivered_true_ml"] == round(50.0 + away * 0.4, 3)


def test_a_real_run_knows_no_truth(tmp_path):
    summary = summarise(new_journal(tmp_path), SETTINGS)

    assert summary["water_delivered_true_ml"] is None
    assert summary["water_agrees"] is None
    assert summary["simulated_days"] is None


# -- light, heat, seedlings ----


def lit_days(journal, days, skip=()):
    """Readings every ten minutes with light from 06:00 to 22:00 UTC, from the first noon on."""
    for monotonic_ms in range(12 * HOUR_MS, round(days * DAY_MS), 10 * MINUTE_MS):
        into_ms = monotonic_ms % DAY_MS
        if monotonic_ms // DAY_MS not in skip or into_ms > 3 * HOUR_MS:
            lit = 6 * HOUR_MS <= into_ms < 22 * HOUR_MS
            journal.append(reading(at(monotonic_ms), lamp_duty_fraction=0.6 if lit else 0.0))
    journal.flush()


def test_means_of_light_take_whole_days_of_growing_only(tmp_path):
    journal = new_journal(tmp_path)
    hydrate(journal, 12 * HOUR_MS)
    lit_days(journal, 3.3)  # half of day 0, days 1 and 2, a part of day 3
    summary = summarise(journal, SETTINGS)

    assert summary["whole_days"] == 2
    assert summary["photoperiod_h_mean"] == 16.0
    # 180 umol m-2 s-1 for 16 h: 180 x 16 x 3600 / 10^6 (definition; Torres and Lopez, Purdue Extension HO-238-W)
    assert summary["daily_light_integral_mol_m2_mean"] == 10.368


def test_a_day_with_a_gap_is_not_a_whole_day(tmp_path):
    journal = new_journal(tmp_path)
    hydrate(journal, 12 * HOUR_MS)
    lit_days(journal, 3.3, skip=(1,))
    summary = summarise(journal, SETTINGS)

    assert summary["whole_days"] == 1
    # the last reading before the gap, at 23:50, speaks for its ten minutes; the next one comes at 03:10
    assert summary["gaps"] == [{"from_utc": "2026-03-03T00:00:00Z", "to_utc": "2026-03-03T03:10:00Z", "gap_h": 3.167}]


def test_before_any_whole_day_there_is_no_mean(tmp_path):
    journal = new_journal(tmp_path)
    hydrate(journal, 12 * HOUR_MS)
    lit_days(journal, 1.2)

    assert summarise(journal, SETTINGS)["photoperiod_h_mean"] is None


def test_emergence_is_the_first_look_that_found_the_seedling(tmp_path):
    journal = new_journal(tmp_path)
    hydrate(journal)
    journal.append(seen(2.42, emerged=False))
    journal.append(seen(3.42))
    journal.append(seen(4.42))
    journal.append(seen(3.0, position=2, emerged=False))

    assert summarise(journal, SETTINGS)["emergence"] == {"1": 3.4, "2": None, "3": None}


def test_a_corrected_look_does_not_count_and_its_correction_stands_at_its_moment(tmp_path):
    journal = new_journal(tmp_path)
    hydrate(journal)
    journal.append(seen(2.0, emerged=True))
    journal.append(seen(5.0, emerged=False, corrects=row_of_last_observation(journal)))
    journal.append(seen(3.0, position=2, emerged=False))
    journal.append(seen(6.0, position=2, emerged=True, corrects=row_of_last_observation(journal)))

    assert summarise(journal, SETTINGS)["emergence"] == {"1": None, "2": 3.0, "3": None}


def test_degree_days_leave_out_what_is_not_good(tmp_path):
    journal = new_journal(tmp_path)
    fill(journal, 0, 12 * HOUR_MS)
    fill(journal, 12 * HOUR_MS, DAY_MS, air_temperature_c=90.0, air_quality=m.SUSPECT)
    journal.append(reading(at(DAY_MS)))
    journal.flush()

    # 20 C above 0 C from 00:00 to 11:50, the last reading before the sensor went wrong
    assert summarise(journal, SETTINGS)["degree_days"] == pytest.approx(20.0 * (12 - 1 / 6) / 24, abs=0.01)


# -- trips, alarms, doubt ----


def test_each_trip_is_told_with_its_own_clearing(tmp_path):
    journal = new_journal(tmp_path)
    journal.append(m.TripRecord(at(0), "leak_wet", m.ON_BOARD, 12))
    journal.append(m.TripCleared(at(HOUR_MS), "leak_wet", "LK"))
    journal.append(m.TripRecord(at(2 * HOUR_MS), "leak_wet", m.ON_HOST, 0))
    first, second = summarise(journal, SETTINGS)["trips"]

    assert first == {
        "reason": "leak_wet",
        "at_utc": "2026-03-02T00:00:00Z",
        "motor_off_delay_ms": 12,
        "side": "board",
        "cleared_at_utc": "2026-03-02T01:00:00Z",
        "cleared_by": "LK",
        "words": "The leak probe is wet: water is where it must not be.",
    }
    assert second["cleared_at_utc"] is None


def test_alarms_are_told_from_their_rise_to_their_end(tmp_path):
    journal = new_journal(tmp_path)
    journal.append(m.AlarmRecord(at(0), "board_silent", True, "The board does not answer."))
    journal.append(m.AlarmRecord(at(90_500), "board_silent", False, "This is over."))

    assert summarise(journal, SETTINGS)["alarms"] == [
        {
            "alarm": "board_silent",
            "at_utc": "2026-03-02T00:00:00Z",
            "over_at_utc": "2026-03-02T00:01:30.500Z",
            "words": "The board does not answer.",
        }
    ]


def test_readings_that_are_doubted_are_counted_by_channel_and_by_clock(tmp_path):
    journal = new_journal(tmp_path)
    fill(journal, 0, HOUR_MS)
    fill(journal, HOUR_MS, 2 * HOUR_MS, moisture_quality=m.SUSPECT)
    journal.append(reading(at(3 * HOUR_MS, utc_ms=7, trusted=False)))
    journal.append(reading(at(0, utc_ms=9, trusted=False, boot_id=2), air_quality=m.MISSING, air_temperature_c=None))
    journal.flush()
    summary = summarise(journal, SETTINGS)

    assert summary["readings"] == 14
    assert summary["readings_not_good"] == {"air_temperature": 0, "relative_humidity": 0, "moisture": 6}
    assert (summary["readings_placed"], summary["readings_untrusted"]) == (1, 1)


def test_the_summary_is_ready_for_json_and_holds_what_other_programs_ask_for(tmp_path):
    journal = new_journal(tmp_path)
    hydrate(journal)
    fill(journal, 0, DAY_MS)
    dose(journal, 1, at(0))
    told = summarise(
        journal, SETTINGS, truth=Truth(50.1, ("freed the float",)), simulated_ms=DAY_MS * 3 // 2, wall_s=1.234
    )

    assert json.loads(json.dumps(told)) == told
    assert told["plan_sha256"] == "5c" * 32
    assert (told["simulated_days"], told["wall_s"], told["mended"]) == (1.5, 1.23, ["freed the float"])


def test_an_empty_journal_has_a_summary_too(tmp_path):
    summary = summarise(new_journal(tmp_path), SETTINGS)

    assert (summary["readings"], summary["recorded_days"], summary["degree_days"]) == (0, 0.0, None)
