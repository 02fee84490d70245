"""Portions for a calibration pass the same law, board, limits and records as any dose."""

from dataclasses import replace

import pytest

from controller.bench.session import NOT_WEIGHED, BenchSession, settings_for, spread_steps
from controller.bench.session_file import given_portions
from controller.bench.tube import look_elsewhere
from controller.chamber.simulated import SimulatedChamber
from controller.control import asked_clears, dose_life
from controller.control import model as m
from controller.control.recovery import resume
from controller.control.step import step
from controller.errors import ChamberError, JournalError
from controller.records.journal import Journal
from controller.settings import example_path
from tests.conversation import sent
from tests.examples import SETTINGS as IN_A_RUN
from tests.examples import START_UTC_MS, given, growing, intent, moment, open_dose

TEXT = example_path("skerry-light.chamber.toml").read_text()
SETTINGS = settings_for(TEXT, "the chamber")


def opened(folder, chamber=None):
    chamber = chamber or SimulatedChamber(SETTINGS, 1, START_UTC_MS)

    def second():
        chamber.advance_to(chamber.monotonic_ms + 1_000)

    elsewhere = look_elsewhere(folder.parent, [], SETTINGS.chamber, simulated=True)
    session = BenchSession(SETTINGS, chamber, folder, "LK", second, simulated=True, elsewhere=elsewhere)
    return session, chamber


def bench_state(**changes):
    return growing(phase=m.CALIBRATING, hydrated_utc_ms=None, run_ms=0, given_lately=(), **changes)


def asked(steps):
    at = moment(432_000_100)
    return m.RequestMade(at, m.Request(at, 7, m.GIVE_PORTION, "LK", subject=str(steps)))


def test_a_portion_is_on_disk_as_intended_before_the_board_hears_of_it():
    _, actions = step(bench_state(), asked(1000), SETTINGS)
    written = next(n for n, a in enumerate(actions) if isinstance(a, m.Append) and isinstance(a.record, m.DoseIntended))
    said = next(n for n, a in enumerate(actions) if isinstance(a, m.SendToBoard))
    assert written < said
    assert actions[written].record.purpose == m.CALIBRATION
    assert sent(actions) == [("dose", 6, 1000, 200)]


def test_no_portion_is_given_in_a_run():
    _, actions = step(growing(), asked(1000), IN_A_RUN)
    assert [type(a.record) for a in actions] == [m.RequestAnswered]
    assert not actions[0].record.granted


@pytest.mark.parametrize("subject", ["0", "-5", "ten", "1.5", ""])
def test_a_portion_is_a_whole_number_of_steps(subject):
    _, actions = step(bench_state(), asked(subject), SETTINGS)
    assert not any(isinstance(a, m.SendToBoard) for a in actions)


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"trips": (("leak_wet", m.ON_BOARD),)}, "leak probe"),
        ({"line": m.NO_LINE}, "does not answer"),
        ({"limits_differ": True}, "different limits"),
        (open_dose(dose_life.TURNING, intent(5, 100, m.CALIBRATION)), "under way"),
    ],
)
def test_every_interlock_of_a_run_holds_a_portion_back(changes, word):
    _, actions = step(bench_state(**changes), asked(1000), SETTINGS)
    assert not any(isinstance(a, m.SendToBoard) and a.kind == "dose" for a in actions)
    assert word in actions[-1].record.words


@pytest.mark.parametrize(("steps", "granted"), [(10_999, True), (11_000, True), (11_001, False)])
def test_a_portion_keeps_to_the_chambers_limit_of_one_dose(steps, granted):
    _, actions = step(bench_state(), asked(steps), SETTINGS)
    assert actions[0].record.granted is granted


@pytest.mark.parametrize(("before_ml", "granted"), [(269.9, True), (270.0, True), (270.1, False)])
def test_portions_count_against_the_chambers_daily_limit(before_ml, granted):
    state = bench_state().but(given_lately=(given(0, before_ml, m.CALIBRATION),))
    _, actions = step(state, asked(1000), SETTINGS)
    assert actions[0].record.granted is granted


def test_a_calibration_waters_nothing_by_itself(tmp_path):
    session, chamber = opened(tmp_path / "c" / "s1")
    session.get_ready()
    for _ in range(600):
        session._second()
    session.close()
    assert chamber.box.physics.pumped_ml == 0.0
    assert chamber.box.physics.lamp_duty_fraction == 0.0


def test_portions_turn_exactly_their_steps_and_are_in_the_journal(tmp_path):
    session, chamber = opened(tmp_path / "c" / "s1")
    session.get_ready()
    assert [session.give(n).steps_max for n in (1000, 4000)] == [1000, 4000]
    session.close()
    physics = chamber.box.physics
    assert physics.pumped_ml == pytest.approx(5000 * physics.true_ml_per_step)
    journal = Journal.open(tmp_path / "c" / "s1" / "journal.sqlite")
    assert [d.purpose for d in journal.records(m.DoseIntended)] == [m.CALIBRATION] * 2
    assert [d.end_reason for d in journal.records(m.DoseClosed)] == ["complete"] * 2
    state = resume(moment(), journal.history(), None, SETTINGS)
    assert (state.phase, len(state.given_lately), state.watering_given_ml) == (m.CALIBRATING, 2, 0.0)
    journal.close()


def test_a_correction_of_an_earlier_portion_is_not_taken_for_the_portion_that_just_ended(tmp_path, monkeypatch):
    session, _ = opened(tmp_path / "c" / "s1")
    session.get_ready()
    first = session.give(1000)
    write = session.journal.append

    def append(*records):
        write(*records)
        for record in [each for each in records if isinstance(each, m.DoseClosed) and each.dose_id != first.dose_id]:
            write(replace(first, at=record.at, steps_min=990, steps_max=990, end_reason="stopped"))

    monkeypatch.setattr(session.journal, "append", append)
    assert (session.give(2000).steps_max, session.journal.outcomes()[first.dose_id].steps_max) == (2000, 990)
    session.close()


def test_a_leak_ends_a_calibration_and_the_portion_is_not_weighed(tmp_path):
    session, chamber = opened(tmp_path / "c" / "s1")
    session.get_ready()
    advance = session._wait

    def leak():
        chamber.box.physics.leaking = chamber.monotonic_ms > 3_000
        advance()

    session._wait = leak
    with pytest.raises(ChamberError, match="leak_wet"):
        session.give(8000)
    with pytest.raises(ChamberError, match="leak probe is wet"):
        session.give(1000)
    session.close()
    assert chamber.box.physics.pumped_ml < 8000 * chamber.box.physics.true_ml_per_step


def test_what_an_earlier_session_gave_counts_in_the_next(tmp_path):
    session, chamber = opened(tmp_path / "c" / "s1")
    session.get_ready()
    for _ in range(5):
        session.give(11_000)
        chamber.box.physics.on_top_ml = 0.0  # into a vessel, not onto the bed
    saved = chamber.saved_line
    session.close()
    again = SimulatedChamber(SETTINGS, 1, START_UTC_MS + 3_600_000, saved)
    session, _ = opened(tmp_path / "c" / "s2", again)
    session.get_ready()
    with pytest.raises(ChamberError, match="24 hours is used up"):
        session.give(11_000)
    session.close()


def test_two_sessions_of_one_chamber_do_not_run_at_once(tmp_path):
    session, _ = opened(tmp_path / "c" / "s1")
    with pytest.raises(JournalError, match="already"):
        opened(tmp_path / "c" / "s2")
    session.close()


def test_what_was_typed_is_kept_at_once(tmp_path):
    session, _ = opened(tmp_path / "c" / "s1")
    session.note("given", portion=1, dose_id=2, steps=1000)
    assert given_portions(session.folder) == [(2, 1000)]
    session.close()


def test_sizes_alternate_so_that_drift_is_no_slope():
    order = spread_steps([1000, 4000], 4)
    assert order == [1000, 4000, 4000, 1000, 1000, 4000, 4000, 1000]
    places = {size: [n for n, each in enumerate(order) if each == size] for size in (1000, 4000)}
    assert sum(places[1000]) == sum(places[4000])


def test_a_run_writes_down_which_calibrations_it_uses():
    pump = replace(IN_A_RUN.chamber.pump, calibration_id="pump-20260216T100000Z")
    settings = replace(IN_A_RUN, chamber=replace(IN_A_RUN.chamber, pump=pump))
    _, actions = step(m.State(now=moment()), m.Started(moment(), "0"), settings)
    words = [a.record.words for a in actions if isinstance(a, m.Append) and isinstance(a.record, m.EventRecord)]
    assert words == ["Calibrations in use: pump-20260216T100000Z."]


def test_a_leak_between_two_portions_is_seen_before_the_next(tmp_path):
    session, chamber = opened(tmp_path / "c" / "s1")
    session.get_ready()
    session.give(1000)
    pumped_ml = chamber.box.physics.pumped_ml
    chamber.box.physics.leaking = True
    chamber.advance_to(chamber.monotonic_ms + 60_000)  # somebody reads the balance
    with pytest.raises(ChamberError, match="leak probe is wet"):
        session.give(1000)
    session.close()
    assert chamber.box.physics.pumped_ml == pumped_ml


def test_the_next_session_is_not_told_the_last_portion_once_more(tmp_path):
    session, chamber = opened(tmp_path / "c" / "s1")
    session.get_ready()
    session.give(1000)
    saved = chamber.saved_line
    session.close()
    again, _ = opened(tmp_path / "c" / "s2", SimulatedChamber(SETTINGS, 1, START_UTC_MS + 3_600_000, saved))
    again.get_ready()
    again.give(1000)
    assert [each.steps_max for each in again.journal.records(m.DoseClosed)] == [1000]
    again.close()


def wish(session, steps, note="", ago_ms=0):
    at = session._decider.moment()
    at = at._replace(utc_ms=at.utc_ms - ago_ms, monotonic_ms=at.monotonic_ms - ago_ms)
    return session.journal.ask(m.Request(at, 0, m.GIVE_PORTION, "MK", subject=str(steps), note=note))


@pytest.mark.parametrize(("ago_ms", "granted"), [(15_000, True), (15_001, False)])
def test_a_portion_that_was_asked_for_long_ago_comes_no_more(ago_ms, granted):
    at = moment(432_000_000)
    portion = m.Request(at._replace(utc_ms=at.utc_ms - ago_ms), 7, m.GIVE_PORTION, "LK", subject="1000")
    _, actions = step(bench_state(), m.RequestMade(at, portion), SETTINGS)
    assert [kind for kind, *_ in sent(actions)] == ["dose"] * granted
    assert actions[0].record.granted == granted
    _, actions = step(bench_state(), m.RequestMade(at, replace(portion, at=at._replace(boot_id=0))), SETTINGS)
    assert (sent(actions), actions[0].record.words) == ([], asked_clears.WORDS[asked_clears.TOO_OLD])


def test_what_others_ask_for_is_given_and_kept_as_to_be_weighed_unless_it_says_otherwise(tmp_path):
    session, _ = opened(tmp_path / "session")
    session.get_ready()
    wish(session, 400, NOT_WEIGHED)
    wish(session, "many")
    wish(session, "9" * 5_000)  # more digits than an int is read from
    wish(session, 0)
    assert ["given" in sentence for sentence in session.take_requests()] == [True]
    number = wish(session, 1_000)
    session.take_requests()
    assert session.journal.answer_to(number).granted
    session.close()

    assert [steps for _, steps in given_portions(tmp_path / "session")] == [1_000]


def test_of_two_portions_asked_for_in_one_second_the_second_is_refused_once_and_never_given(tmp_path):
    session, _ = opened(tmp_path / "session")
    session.get_ready()
    first, second = wish(session, 1_000), wish(session, 2_000)
    said = session.take_requests()
    session.take_requests()
    answers = [(each.request_id, each.granted) for each in session.journal.records(m.RequestAnswered)]
    session.close()

    assert answers == [(first, True), (second, False)]
    assert ["given" in sentence for sentence in said] == [True]
    assert [steps for _, steps in given_portions(tmp_path / "session")] == [1_000]


def test_a_portion_asked_for_while_records_fail_is_not_given_when_they_work_again(tmp_path, monkeypatch):
    session, _ = opened(tmp_path / "session")
    session.get_ready()
    wish(session, 1_000)
    with monkeypatch.context() as full:
        full.setattr(session.journal, "append", refused)
        for _ in range(30):
            session.take_requests()
    for _ in range(90):
        session.take_requests()
    intents = list(session.journal.records(m.DoseIntended))
    session.close()

    assert intents == []


def refused(*records):
    raise JournalError("the disk is full")


def test_a_portion_asked_for_while_one_is_under_way_is_refused_and_never_given_later(tmp_path):
    session, _ = opened(tmp_path / "session")
    session.get_ready()
    asked = []
    second = session._wait

    def meanwhile():
        second()
        if session._decider.state.open_dose is not None and not asked:
            asked.append(wish(session, 2_000))

    session._wait = meanwhile
    wish(session, 1_000)
    session.take_requests()
    session.take_requests()
    answer = session.journal.answer_to(asked[0])
    assert not answer.granted
    assert "under way" in answer.words
    assert [each.steps_max for each in session.journal.records(m.DoseClosed)] == [1_000]
    session.close()
