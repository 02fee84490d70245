"""A pump that has turned its tube for long, or has moved: told first, and no water then only if the plan says so."""

import json
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from controller.bench import records, tube
from controller.bench.ageing import judge_hours
from controller.control import alarms, hands_on, line, watering
from controller.control import model as m
from controller.control.step import step
from controller.control.words import watering_words
from controller.errors import SettingsError
from controller.records.journal import Journal, journal_number
from controller.run import LiveRun
from controller.settings import example_path, settings_from_text
from tests import examples

H = m.MS_PER_H


def poured(run_ms, volume_ml):
    return examples.given(run_ms, volume_ml, m.ELSEWHERE)


LIFE_MS = 100 * H
STOPS = examples.watering(aged_pump="stop")
WANTED = watering.Wanted(m.MOISTURE_LED, 12.0)
PLAN_TEXT = example_path("skerry-light.plan.toml").read_text()
CHAMBER_TEXT = example_path("skerry-light.chamber.toml").read_text()
SETTINGS = settings_from_text(PLAN_TEXT, CHAMBER_TEXT)


def aged(turned_ms=0, drift_pct=0.0, drifts=False, **changes):
    return examples.growing(pump_age=m.PumpAge(turned_ms, drift_pct, drifts), **changes)


# -- told ----


@pytest.mark.guards("H9", "host", "ef8570cc")
def test_the_refusal_is_written_down_with_its_reason_in_plain_words():
    thirsty = aged(LIFE_MS + 1, thirsty=True)
    state, actions = step(thirsty, m.Ticked(examples.moment(432_001_000)), STOPS)
    answers = [a.record for a in actions if isinstance(a, m.Append) and isinstance(a.record, m.WateringAnswer)]
    assert [(each.reason, each.wanted) for each in answers] == [("tube_worn", True)]
    assert state.open_dose is None
    assert not any(isinstance(a, m.SendToBoard) for a in actions)
    assert "put in a new tube and calibrate it" in watering_words("tube_worn")
    assert "calibrate it" in watering_words("pump_drifted")


def test_an_old_pump_raises_its_alarms_whatever_the_plan_says():
    old = aged(LIFE_MS + 1, 9.0)
    for settings in (examples.SETTINGS, STOPS):
        assert alarms.conditions(old, settings).keys() >= {"tube_worn", "pump_drifts"}


@pytest.mark.parametrize(
    ("turned_ms", "alarm"),
    [
        (80 * H, None),
        (80 * H + 1, "tube_ageing"),
        (LIFE_MS, "tube_ageing"),
        (LIFE_MS + 1, "tube_worn"),
    ],
)
def test_hours_warn_from_four_fifths_on(turned_ms, alarm):
    found = [name for name in alarms.conditions(aged(turned_ms), STOPS) if name.startswith("tube")]
    assert found == ([] if alarm is None else [alarm])


@pytest.mark.parametrize(("drift_pct", "drifts", "warns"), [(5.0, False, False), (5.1, False, True), (0.4, True, True)])
def test_drift_warns_by_its_bound_or_by_the_control_charts(drift_pct, drifts, warns):
    found = alarms.conditions(aged(0, drift_pct, drifts), STOPS)
    assert ("pump_drifts" in found) is warns


# -- hours and water in other journals ----


def begun(row, **changes):
    now_ms = examples.START_UTC_MS
    return {
        "at_utc_ms": now_ms, "by": "LK", "what": "turning", "turn": row, "dose_steps": 4000, "steps_per_s": 200,
        "volume_max_ml": 20.0, "tubing_lot": "SL-07", "simulated": False, "utc_trusted": True, **changes,
    }  # fmt: skip


def session(folder, *rows):
    folder.mkdir(parents=True)
    (folder / "bench.jsonl").write_text("".join(json.dumps(row) + "\n" for row in rows))


def ended(row, dose_steps):
    return {
        "what": "turned",
        "turn": row,
        "dose_id": 40 + row,
        "dose_steps": dose_steps,
        "volume_max_ml": 0.005 * dose_steps,
    }


def a_run(folder, chamber_text=CHAMBER_TEXT, simulated=False, at=None, doses=2):
    settings = settings_from_text(PLAN_TEXT, chamber_text)
    journal = Journal.create(folder / "journal.sqlite", folder.name, settings, "0", simulated)
    at = at or examples.moment()
    for number in range(1, doses + 1):
        journal.append(m.DoseIntended(at, number, m.FIXED_TIME, 10.0, 2000, 100, 0.005, 0.0, 0))
        if number == 1:
            journal.append(m.DoseClosed(at, number, 1000, 1200, "stopped", 5.5, 0.1, 6.0, 0))
    journal.close()


def look(tmp_path, simulated=False):
    return tube.look_elsewhere(tmp_path / "c", [tmp_path / "runs"], SETTINGS.chamber, simulated=simulated)


def hours_ms(tmp_path, chamber=SETTINGS.chamber, kept=()):
    return tube.turned_ms(look(tmp_path), chamber, list(kept))


def test_hours_are_summed_from_sessions_and_runs_and_what_never_ended_counts_in_full(tmp_path):
    session(tmp_path / "c" / "s1", begun(1), ended(1, 3000), begun(2))
    a_run(tmp_path / "runs" / "first")
    a_run(tmp_path / "runs" / "bench" / "delivery", doses=0)
    # by hand: (3000 + 4000) steps at 200 a second are 35 s; (1200 + 2000) at 100 a second are 32 s
    assert hours_ms(tmp_path) == 67_000
    assert look(tmp_path).journals_count == 3
    assert look(tmp_path).known_journals == {
        journal_number("s1"): 41, journal_number("first"): 2,
    }  # fmt: skip


def test_a_session_that_ended_in_mid_dose_knows_that_dose_by_its_journal(tmp_path):
    a_run(tmp_path / "c" / "s1", doses=5)
    (tmp_path / "c" / "s1" / "bench.jsonl").write_text(
        "".join(json.dumps(row) + "\n" for row in (begun(1), {**ended(1, 3000), "dose_id": 4}, begun(2)))
    )
    assert look(tmp_path).known_journals == {journal_number("s1"): 5}


def test_a_run_counts_for_its_chamber_though_place_or_time_zone_were_written_otherwise_then(tmp_path):
    a_run(tmp_path / "runs" / "first", CHAMBER_TEXT.replace('"Atlantic/Faroe"', '"Europe/London"'))
    assert len(look(tmp_path).doses) == 2


def test_a_dose_turned_the_tube_that_its_own_boot_had(tmp_path):
    a_run(tmp_path / "runs" / "first")
    journal = Journal.open(tmp_path / "runs" / "first" / "journal.sqlite")
    at = examples.moment(boot_id=2)
    other = CHAMBER_TEXT.replace('tubing_lot = "SL-07"', 'tubing_lot = "SL-08"')
    journal.append(m.EventRecord(at, m.CHAMBER_FILE, other))
    journal.append(m.DoseIntended(at, 3, m.FIXED_TIME, 10.0, 2000, 100, 0.005, 0.0, 0))
    journal.close()
    assert [(each.dose_id, each.tubing_lot) for each in look(tmp_path).doses] == [
        (1, "SL-07"), (2, "SL-07"), (3, "SL-08"),
    ]  # fmt: skip


def a_session(folder, *dose_ids, simulated=False):
    """A session's journal as it is beside its ``bench.jsonl``: all its doses were intended, the first was closed."""
    journal = Journal.create(folder / "journal.sqlite", folder.name, SETTINGS, "0", simulated)
    for number in dose_ids:
        journal.append(m.DoseIntended(examples.moment(), number, m.CALIBRATION, 20.0, 4000, 200, 0.005, 0.0, 0))
    journal.append(m.DoseClosed(examples.moment(), dose_ids[0], 0, 4000, m.IN_DOUBT, 10.0, 5.8, 20.0, 0))
    return journal


def test_a_correction_that_came_after_a_portion_counts_for_the_session_too(tmp_path):
    session(tmp_path / "c" / "s1", begun(1), ended(1, 4000))
    journal = a_session(tmp_path / "c" / "s1", 41)
    journal.append(m.DoseClosed(examples.moment(), 41, 500, 500, "stopped", 2.5, 0.02, 2.5, 0))
    journal.close()
    (dose,) = look(tmp_path).doses
    assert (dose.dose_steps, dose.volume_max_ml) == (500, 2.5)


def test_the_journals_of_this_chamber_are_known_by_their_numbers_with_the_highest_dose_of_each(tmp_path):
    session(tmp_path / "c" / "s1", begun(1), ended(1, 4000))
    a_session(tmp_path / "c" / "s1", 41, 43).close()
    session(tmp_path / "c" / "s2", begun(1), ended(1, 4000))  # its journal is gone
    session(tmp_path / "c" / "s3")
    a_session(tmp_path / "c" / "s3", 77, simulated=True).close()
    a_run(tmp_path / "runs" / "first")
    a_run(tmp_path / "runs" / "nothing-yet", doses=0)
    a_run(tmp_path / "runs" / "other", CHAMBER_TEXT.replace('"Skerry Light"', '"Eastmoor"'))
    a_run(tmp_path / "runs" / "invented", simulated=True)
    a_run(tmp_path / "runs" / "20260302T0800Z-rehearsal-seed1", simulated=True)

    number = journal_number
    assert look(tmp_path).known_journals == {number("s1"): 43, number("s2"): 41, number("first"): 2}
    assert look(tmp_path, simulated=True).known_journals == {number("s3"): 77, number("invented"): 2}


def test_water_that_no_intent_of_a_journal_stands_for_makes_it_no_more_known(tmp_path):
    a_run(tmp_path / "runs" / "first")
    journal = Journal.open(tmp_path / "runs" / "first" / "journal.sqlite")
    journal.append(m.DoseClosed(examples.moment(), 900, 100, 100, "complete", 0.5, 0.1, 0.5, 0))
    journal.close()
    assert look(tmp_path).known_journals == {journal_number("first"): 2}


def test_half_a_line_at_the_end_of_a_session_loses_none_of_its_water(tmp_path):
    a_run(tmp_path / "c" / "s1", doses=3)
    whole = json.dumps(begun(1)) + "\n" + json.dumps(ended(1, 2400)) + "\n"
    (tmp_path / "c" / "s1" / "bench.jsonl").write_text(whole + json.dumps(begun(2))[:40])
    found = look(tmp_path)
    assert found.faults == ()
    assert sum(1 for each in found.doses if each.dose_steps) == 1 + 3
    assert journal_number("s1") in found.known_journals


def test_a_session_whose_journal_cannot_be_read_counts_by_its_rows_and_is_named(tmp_path):
    session(tmp_path / "c" / "s1", begun(1), ended(1, 3000))
    (tmp_path / "c" / "s1" / "journal.sqlite").write_bytes(b"no journal" * 100)
    found = look(tmp_path)
    assert [each.dose_steps for each in found.doses] == [3000]
    assert found.known_journals == {journal_number("s1"): 41}
    (fault,) = found.faults
    assert "s1/journal.sqlite: the journal of this session cannot be read" in fault


def test_neither_another_chambers_runs_nor_simulated_ones_turn_this_tube(tmp_path):
    a_run(tmp_path / "runs" / "other", CHAMBER_TEXT.replace('"Skerry Light"', '"Eastmoor"'))
    a_run(tmp_path / "runs" / "invented", simulated=True)
    a_run(tmp_path / "runs" / "20260302T0800Z-rehearsal-seed1", simulated=True)
    session(tmp_path / "c" / "s1", begun(1, simulated=True))
    assert hours_ms(tmp_path) == 0
    assert tube.turned_ms(look(tmp_path, simulated=True), SETTINGS.chamber, []) == 52_000


def test_a_new_tube_starts_at_nothing_and_the_same_runs_later_doses_turn_it(tmp_path):
    new = replace(SETTINGS.chamber, pump=replace(SETTINGS.chamber.pump, tubing_lot="SL-08"))
    calibrated = {"at_utc": "2026-03-10T08:00:00+00:00", "tubing_lot": "SL-08"}
    a_run(tmp_path / "runs" / "before")
    assert hours_ms(tmp_path, new, [calibrated]) == 0
    late_ms = int(datetime(2026, 3, 11, tzinfo=UTC).timestamp() * 1000)
    a_run(tmp_path / "runs" / "after", at=examples.moment(utc_ms=late_ms))
    assert hours_ms(tmp_path, new, [calibrated]) == 32_000
    a_run(tmp_path / "runs" / "unsure", at=examples.moment(utc_ms=0, trusted=False))
    assert hours_ms(tmp_path, new, [calibrated]) == 64_000  # too many hours warn early, too few never


def test_a_tube_without_a_name_counts_from_the_day_of_its_calibration(tmp_path):
    unnamed = replace(SETTINGS.chamber, pump=replace(SETTINGS.chamber.pump, tubing_lot=""))
    text = CHAMBER_TEXT.replace('tubing_lot = "SL-07"', 'tubing_lot = ""')
    for name, day in (("before", 15), ("on the day", 16)):
        at_ms = int(datetime(2026, 2, day, tzinfo=UTC).timestamp() * 1000)
        a_run(tmp_path / "runs" / name, text, at=examples.moment(utc_ms=at_ms))
    assert hours_ms(tmp_path, unnamed) == 32_000


def test_what_cannot_be_read_is_told_and_the_rest_counts(tmp_path):
    a_run(tmp_path / "runs" / "good")
    (tmp_path / "runs" / "bad").mkdir()
    (tmp_path / "runs" / "bad" / "journal.sqlite").write_bytes(b"no journal at all, but long enough to be looked at")
    session(tmp_path / "c" / "s1")
    (tmp_path / "c" / "s1" / "bench.jsonl").write_text("{half a row\n")
    found = look(tmp_path)
    assert [("bad" in words, "s1" in words) for words in found.faults] == [(False, True), (True, False)]
    assert tube.turned_ms(found, SETTINGS.chamber, []) == 32_000


def checked(folder, ml_per_step, second, kind="check", lot="SL-07"):
    at_utc = datetime(2026, 3, 1, 10, 0, second, tzinfo=UTC)
    result = {"ml_per_step": ml_per_step, "ml_per_step_standard_uncertainty": 0.00001}
    content = {"at_utc": at_utc.isoformat(), "by": "LK", "accepted": True, "tubing_lot": lot, "result": result}
    more = {"settings": {"ml_per_step": 0.005}, "refused_because": [], "data": {}}
    return records.keep(folder, kind, at_utc, {**content, **more})


def test_drift_is_that_of_the_newest_check_from_the_factor_in_use(tmp_path):
    checked(tmp_path, 0.005, 0, "pump")
    checked(tmp_path, 0.0047, 1)
    checked(tmp_path, 0.009, 2, lot="SL-08")
    age = tube.pump_age(tube.NOTHING, SETTINGS.chamber, tmp_path, simulated=False)
    assert age == m.PumpAge(0, pytest.approx(6.0 - 0.4), True)  # 6 % apart, uncertain by 0.2 %
    assert "at least 5.60 % from the one in use" in tube.age_words(age, SETTINGS.chamber)


def test_the_noise_of_a_check_is_no_drift(tmp_path):
    checked(tmp_path, 0.0050001, 0)
    age = tube.pump_age(tube.NOTHING, SETTINGS.chamber, tmp_path, simulated=False)
    assert age == m.NEW_PUMP


def test_a_calibration_that_is_in_use_has_answered_the_drift(tmp_path):
    checked(tmp_path, 0.005, 0, "pump")
    newest = checked(tmp_path, 0.0047, 1, "pump")
    pump = replace(SETTINGS.chamber.pump, ml_per_step=0.0047, calibration_id=newest)
    age = tube.pump_age(tube.NOTHING, replace(SETTINGS.chamber, pump=pump), tmp_path, simulated=False)
    assert age == m.PumpAge(0, 0.0, False)


@pytest.mark.parametrize(
    ("turned_h", "word"), [(80.0, None), (80.1, "have a new one"), (100.0, "have a"), (100.1, "new tube")]
)
def test_tube_hours_warn_first_and_then_ask_for_a_new_tube(turned_h, word):
    advice = " ".join(judge_hours(turned_h, 100.0))
    assert (word is None and advice == "") or (word is not None and word in advice)


# -- the rolling day ----


@pytest.mark.guards("H1", "host", "830e5870")
@pytest.mark.parametrize(
    ("ago_ms", "counts"),
    [
        (0, True),
        (watering.BOARD_DAY_MS - 1, True),
        (watering.BOARD_DAY_MS, False),
        (-1, True),
        (-watering.BOARD_DAY_MS, False),
    ],
)
def test_water_of_a_calibration_counts_in_the_day_of_a_run(tmp_path, ago_ms, counts):
    session(tmp_path / "c" / "s1", begun(1, at_utc_ms=examples.START_UTC_MS - ago_ms), ended(1, 3000))
    given = tube.given_lately(look(tmp_path), examples.START_UTC_MS, 777)
    assert given == ((examples.given(777 - max(0, ago_ms), 15.0, m.ELSEWHERE),) if counts else ())


def test_water_that_was_given_before_hydration_ages_while_people_get_ready():
    at = examples.moment(7_200_000)
    waiting = m.State(
        now=at, line=examples.line_that_is(line.SETTLED, at), looked_elsewhere_ms=1_000,
        given_lately=(examples.given(-500, 100.0, m.ELSEWHERE),),
        steps_done=("clean-gloves", "fill-reservoir"),
    )  # fmt: skip
    state, _ = hands_on.phase_after(waiting, examples.SETTINGS)
    assert state.phase == m.WETTING
    assert state.given_lately == (examples.given(-500 - 7_199_000, 100.0, m.ELSEWHERE),)


READY = m.State(
    now=examples.moment(7_200_000), line=examples.line_that_is(line.SETTLED, examples.moment(7_200_000)),
    steps_done=("clean-gloves", "fill-reservoir"),
)  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({}, ""),
        ({"steps_done": ("clean-gloves",)}, "steps_not_signed"),
        ({"line": m.NO_LINE}, "link_down"),
        ({"pump_age": m.PumpAge(LIFE_MS + 1)}, "tube_worn"),
        # 50 ml of a first aliquot on top of what another journal gave, two hours before the run clock starts
        (
            {"given_lately": (poured(2 * H - watering.BOARD_DAY_MS + 1, 250.1),)},
            "chamber_daily_limit",
        ),
        ({"given_lately": (poured(2 * H - watering.BOARD_DAY_MS + 1, 250.0),)}, ""),
        ({"given_lately": (poured(2 * H - watering.BOARD_DAY_MS, 250.1),)}, ""),
    ],
)
def test_time_zero_waits_for_water_that_may_flow_and_says_what_it_waits_for(changes, reason):
    state, _ = hands_on.phase_after(READY.but(**changes), STOPS)
    assert state.phase == (m.PREPARING if reason else m.WETTING)
    assert alarms.held_back(READY.but(**changes), STOPS) == (reason, reason != "steps_not_signed")


class Quiet:
    """A chamber of which only the clock is read."""

    def now(self):
        return examples.moment(5_000)


def test_a_run_that_starts_takes_over_what_other_journals_hold_but_not_its_own(tmp_path):
    mine = tmp_path / "runs" / "mine"
    a_run(mine)
    a_run(tmp_path / "runs" / "yesterday", doses=1)
    session(tmp_path / "c" / "s1", begun(1), ended(1, 0))
    found = look(tmp_path)
    age = tube.pump_age(found, SETTINGS.chamber, tmp_path / "c", simulated=False)
    journal = Journal.open(mine / "journal.sqlite")
    live = LiveRun(SETTINGS, Quiet(), journal, found, age)
    journal.close()
    state = live.decider.state
    assert state.pump_age.turned_ms == 32_000 + 12_000
    assert sorted((given.volume_max_ml, given.purpose) for given in state.given_lately) == [
        (6.0, m.ELSEWHERE), (6.0, m.FIXED_TIME),
    ]  # fmt: skip
    assert state.looked_elsewhere_ms == 5_000
    # the board may tell that dose again; it is counted where it was asked for
    assert (journal_number("s1"), 41) in {dose[:2] for dose in state.known_doses}
    assert (state.last_dose_id, watering.next_dose_id(state)) == (2, 42)
    assert live.notes[0][0] == "pump_age"


def test_a_word_that_is_none_of_the_two_is_told_with_its_key():
    text = PLAN_TEXT.replace('aged_pump = "warn"', 'aged_pump = "halt"')
    with pytest.raises(SettingsError, match=r"watering\.aged_pump is \"halt\"; give \"warn\" or \"stop\""):
        settings_from_text(text, CHAMBER_TEXT)
