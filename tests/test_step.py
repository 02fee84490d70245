"""What the host decides about one event."""

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from controller.control import dose_life, line
from controller.control import model as m
from controller.control.step import step
from firmware_bridge import interlocks, limits, messages
from tests import examples
from tests.conversation import answer, cleared, done, judged, kinds, later, records, report, sent

SETTINGS = examples.SETTINGS
DRY = m.Reading(21.0, 60.0, examples.counts_for(0.30), 2000, 2000, 1000)


def decide(state, event, settings=SETTINGS):
    return step(state, event, settings)


def ticked(state, ms=1000):
    return m.Ticked(later(state, ms))


def thirsty(**changes):
    return examples.with_moisture(examples.growing(thirsty=True, **changes), 0.22)


def sent_kinds(actions):
    return [kind for kind, *_ in sent(actions)]


def dosing(**changes):
    state, _ = decide(thirsty(**changes), ticked(thirsty()))
    assert state.open_dose is not None
    return state


# -- water goes by record, ask, decide ----


@pytest.mark.guards("H8", "host", "ee284e71")
def test_the_intent_is_written_before_the_board_hears_of_it():
    _, actions = decide(thirsty(), ticked(thirsty()))

    intents = [n for n, a in enumerate(actions) if isinstance(a, m.Append) and isinstance(a.record, m.DoseIntended)]
    commands = [n for n, a in enumerate(actions) if isinstance(a, m.SendToBoard) and a.kind == "dose"]

    assert len(intents) == len(commands) == 1
    assert intents[0] < commands[0]


def test_the_command_says_what_the_intent_says():
    _, actions = decide(thirsty(), ticked(thirsty()))

    intent = next(r for r in records(actions) if isinstance(r, m.DoseIntended))

    assert sent(actions) == [("dose", intent.dose_id, intent.dose_steps, intent.steps_per_s)]
    assert [a.values[:2] for a in actions if isinstance(a, m.SendToBoard)] == [(examples.SESSION, 8)]
    assert (intent.dose_id, intent.dose_steps, intent.volume_ml) == (6, 2400, pytest.approx(12.0))


def test_no_second_dose_starts_while_one_is_open():
    state = dosing()

    for _ in range(100):
        state, actions = decide(state, ticked(state))
        assert "DoseIntended" not in kinds(actions)


@pytest.mark.guards("H3", "host", "6504f7a9")
def test_the_lease_is_renewed_each_second_once_the_board_accepted():
    state = dosing()
    state, actions = decide(state, ticked(state))
    assert ("renew", 6, 3000) not in sent(actions)

    state, _ = decide(state, judged(state, interlocks.ACCEPTED))
    for turned_steps in (200, 400, 600, 800):
        state, _ = decide(state, report(state, state="turning", dose_id=6, turned_steps=turned_steps))
        state, actions = decide(state, ticked(state))
        assert ("renew", 6, 3000) in sent(actions)


@pytest.mark.guards("H3", "host", "6504f7a9")
@pytest.mark.parametrize(("silent_ms", "stops"), [(2999, False), (3000, True)])
def test_a_turning_board_that_falls_silent_is_stopped_and_never_renewed_again(silent_ms, stops):
    state, _ = decide(dosing(), judged(dosing(), interlocks.ACCEPTED))
    state, actions = decide(state, ticked(state, silent_ms))

    assert sent(actions) == ([("stop", 6)] if stops else [("renew", 6, 3000)])
    state, _ = decide(state, report(state, state="turning", dose_id=6, turned_steps=700))
    state, actions = decide(state, ticked(state))
    assert sent(actions) == ([("stop", 6)] if stops else [("renew", 6, 3000)])


def test_the_lease_asked_for_is_one_the_board_grants():
    state = dosing()
    state, _ = decide(state, judged(state, interlocks.ACCEPTED))
    _, actions = decide(state, ticked(state))

    assert sent(actions)[-1][2] <= limits.LEASE_MS_MAX


def test_a_dose_is_closed_on_paper_before_the_board_may_forget_it():
    state = dosing()

    state, actions = decide(state, done(state, 6, 2400, 2400, interlocks.COMPLETE))

    assert isinstance(actions[0], m.Append)
    assert records(actions)[0].volume_ml == pytest.approx(12.0)
    assert sent(actions) == [("seen", 6)]
    assert state.open_dose is None
    assert state.watering_given_ml == pytest.approx(12.0)


def test_a_done_that_was_closed_before_is_only_acknowledged():
    state, actions = decide(examples.growing(), done(examples.growing(), 5, 2400, 2400, "complete"))

    assert records(actions) == []
    assert sent(actions) == [("seen", 5)]
    assert state.watering_given_ml == 0.0


def test_water_nobody_intended_still_counts():
    state, actions = decide(examples.growing(), done(examples.growing(), 9, 100, 100, "complete"))

    assert kinds(actions) == ["DoseIntended", "DoseClosed"]
    assert [each.purpose for each in records(actions)[:1]] == [m.ELSEWHERE]
    assert [given.volume_max_ml for given in state.given_lately] == [pytest.approx(0.5)]
    assert state.watering_given_ml == 0.0
    assert state.last_dose_id == 9


@pytest.mark.parametrize(("beyond", "doses"), [(-1, 1), (0, 0)])
def test_the_last_id_that_the_board_can_count_is_followed_by_no_other(beyond, doses):
    state = examples.with_moisture(examples.growing(thirsty=True), 0.2)
    state, actions = decide(state, done(state, messages.DOSE_ID_MAX + beyond, 0, 0, "complete"))
    assert sent(actions) == [("seen", messages.DOSE_ID_MAX + beyond)]

    state, actions = decide(state, ticked(state))

    assert [kind for kind, *_ in sent(actions)] == ["dose"] * doses
    assert (state.watering_answer == "dose_ids_used_up") == (not doses)
    for each in actions:
        if isinstance(each, m.SendToBoard):
            messages.encode(each.kind, *each.values)


def test_water_that_no_intent_stands_for_counts_from_when_it_was_heard_of():
    state = examples.growing()
    state, _ = decide(state, done(state, 9, 2400, 2400, "complete"))

    assert state.given_lately == (examples.given(state.run_ms, 12.0, m.ELSEWHERE)._replace(dose_id=9),)


def test_a_refused_dose_is_closed_as_not_started_and_the_board_is_left_in_peace():
    state = dosing()

    state, actions = decide(state, judged(state, interlocks.WINDOW_FULL))
    closed = records(actions)[0]

    assert (closed.end_reason, closed.steps_max) == (m.NOT_STARTED, 0)
    assert state.watering_given_ml == 0.0
    _, actions = decide(state, ticked(state))
    assert "DoseIntended" not in kinds(actions)


def test_a_board_that_wants_a_greeting_gets_one():
    state = dosing()

    state, actions = decide(state, judged(state, interlocks.NOT_GREETED))

    assert ("hello", limits.PROTOCOL, messages.LIMITS_CHECKSUM, examples.JOURNAL, 1_000_004) in sent(actions)
    assert state.line.state == line.GREETING


def test_silence_after_a_command_leads_to_questions_then_to_stops_and_never_to_the_command_again():
    state = dosing()
    heard = []
    for _ in range(30):
        state, actions = decide(state, ticked(state))
        heard += sent(actions)

    assert heard == [("ask",)] * 9 + [("stop", 6)] * 21


# -- reconciling ----


def greeted_again(state, /, last_dose_id=6, boots=2, **reported):
    state, _ = decide(state, m.LinkLost(later(state), "unplugged"))
    state, _ = decide(state, m.LinkFound(later(state)))
    strange = {name: reported.pop(name) for name in ("board_id", "last_journal_id") if name in reported}
    state, greeted = decide(state, answer(state, boots=boots, last_dose_id=last_dose_id, **strange))
    state, actions = decide(state, report(state, dose_id=last_dose_id, **reported))
    return state, [*greeted, *actions]


def closings(actions):
    return [each for each in records(actions) if isinstance(each, m.DoseClosed)]


def test_a_dose_the_board_never_heard_of_was_not_started():
    state, actions = greeted_again(dosing(), last_dose_id=5)

    assert [each.end_reason for each in closings(actions)] == [m.NOT_STARTED]
    assert state.open_dose is None


def test_a_dose_that_the_board_had_accepted_and_forgot_is_counted_in_full():
    state, _ = decide(dosing(), judged(dosing(), interlocks.ACCEPTED))
    state, actions = greeted_again(state, last_dose_id=5)

    assert [(each.end_reason, each.steps_min, each.steps_max) for each in closings(actions)] == [(m.IN_DOUBT, 0, 2400)]
    assert state.watering_given_ml == pytest.approx(12.0)


def test_a_dose_the_board_knows_waits_for_its_count():
    state, actions = greeted_again(dosing(), done_unseen=1)
    assert state.open_dose is not None
    assert closings(actions) == []

    state, actions = decide(state, done(state, 6, 0, 2400, interlocks.BOARD_RESTARTED))

    assert (records(actions)[0].steps_min, records(actions)[0].steps_max) == (0, 2400)
    assert state.watering_given_ml == pytest.approx(12.0)  # counted in full


def test_a_board_whose_first_word_after_a_restart_is_the_lost_count_is_greeted_before_it_is_asked_for_more():
    state = dosing()
    lost_count = (6, 0, 2400, interlocks.BOARD_RESTARTED)
    state, actions = decide(state, done(state, *lost_count, session=2 * messages.SESSIONS_PER_BOOT))
    assert sent_kinds(actions) == ["hello"]
    assert closings(actions) == []  # it says so again, in the conversation that begins now

    state, actions = decide(state, ticked(state))
    assert (state.watering_answer, "DoseIntended" in kinds(actions)) == ("not_greeted", False)
    state, _ = decide(state, answer(state, boots=2))
    state, _ = decide(state, report(state, dose_id=6, done_unseen=1))
    state, actions = decide(state, done(state, *lost_count))
    assert (kinds(actions), sent(actions)) == (["DoseClosed", "EffectRecord"], [("seen", 6)])
    state = state.but(last_dose_run_ms=None, thirsty=True, effect_check=None)

    state, actions = decide(state, ticked(state))
    assert (state.watering_answer, "DoseIntended" in kinds(actions)) == ("unreconciled", False)
    state, _ = decide(state, report(state, dose_id=6))
    state, actions = decide(state, ticked(state))
    assert "DoseIntended" in kinds(actions)


def test_a_board_without_memory_leaves_the_dose_in_doubt_and_counted_in_full():
    state, actions = greeted_again(
        dosing(), last_dose_id=0, boots=1, board_id=77, last_journal_id=0,
        state=interlocks.TRIPPED, trip_reason=interlocks.STATE_LOST,
    )  # fmt: skip

    (closed,) = closings(actions)
    assert closed.end_reason == m.IN_DOUBT
    assert state.watering_given_ml == pytest.approx(12.0)
    assert state.trips == ((m.BOARD_EXCHANGED, m.ON_HOST), (interlocks.STATE_LOST, m.ON_BOARD))


@pytest.mark.guards("H3", "host", "6504f7a9")
def test_a_dose_of_an_earlier_life_that_still_turns_is_stopped_not_resumed():
    inherited = examples.open_dose(dose_life.STOPPING, session=0, number=0, taken=False)
    state, actions = greeted_again(examples.growing(**inherited), state=interlocks.TURNING)
    assert "renew" not in sent_kinds(actions)

    for _ in range(3):
        state, actions = decide(state, ticked(state))
        assert sent(actions) == [("stop", 6)]
        state, _ = decide(state, report(state, dose_id=6, state=interlocks.TURNING))


def test_no_water_before_the_board_has_been_reconciled():
    state = thirsty(line=examples.line_that_is(line.LISTENING))

    _, actions = decide(state, ticked(state))

    assert "DoseIntended" not in kinds(actions)


@pytest.mark.guards("H11", "host", "462b298a")
def test_unlike_limits_mean_records_without_water():
    state = thirsty(line=examples.line_that_is(line.GREETING))
    state, actions = decide(state, answer(state, limits_checksum=messages.LIMITS_CHECKSUM + 1))
    state, _ = decide(state, report(state))
    assert state.line.state == line.SETTLED

    assert state.limits_differ
    for _ in range(5):
        state, actions = decide(state, ticked(state))
        assert "DoseIntended" not in kinds(actions)
    _, actions = decide(state, m.Sampled(later(state), DRY))
    assert "ReadingRecord" in kinds(actions)


@pytest.mark.parametrize("session", [2 * messages.SESSIONS_PER_BOOT, examples.SESSION + 1])
def test_a_board_that_restarted_or_was_greeted_unseen_is_greeted_anew(session):
    state = examples.growing()

    state, actions = decide(state, report(state, session=session))

    assert sent_kinds(actions) == ["hello"]
    assert state.line.state == line.GREETING


def test_a_message_of_an_earlier_conversation_or_one_that_was_heard_before_changes_nothing():
    state = examples.growing()
    for late in ({"session": examples.SESSION - 1}, {"number": state.line.heard}, {"number": 1}):
        after, actions = decide(state, report(state, state="tripped", trip_reason="leak_wet", **late))
        assert actions == []
        assert (after.trips, after.line) == ((), state.line)


def test_a_new_journal_goes_on_with_ids_the_board_has_not_seen():
    beside = (m.KnownDose(9, 41, 2400),)
    state = thirsty(last_dose_id=0, board=None, known_doses=beside, line=examples.line_that_is(line.GREETING))

    state, _ = decide(state, answer(state, last_dose_id=41, last_journal_id=9))
    state, _ = decide(state, report(state, dose_id=41))
    state, actions = decide(state, ticked(state))

    assert state.trips == ()
    assert [each.dose_id for each in records(actions) if isinstance(each, m.DoseIntended)] == [42]


# -- trips ----


def test_a_trip_of_the_board_is_latched_and_forbids_water():
    state, actions = decide(thirsty(), report(thirsty(), state="tripped", trip_reason="leak_wet", trip_delay_ms=10))

    assert kinds(actions) == ["TripRecord"]
    assert records(actions)[0].motor_off_delay_ms == 10
    _, actions = decide(state, ticked(state))
    assert "DoseIntended" not in kinds(actions)


def test_a_trip_is_written_once_however_often_it_is_reported():
    state = examples.growing()
    written = []
    for _ in range(5):
        state, actions = decide(state, report(state, state="tripped", trip_reason="leak_wet"))
        written += kinds(actions)

    assert written == ["TripRecord"]


@pytest.mark.guards("H1", "host", "830e5870")
@pytest.mark.guards("H2", "host", "7669e252")
@pytest.mark.guards("H3", "host", "6504f7a9")
@pytest.mark.parametrize(("probe", "reason"), [("local_leak_wet", "leak_wet"), ("local_float_up", "overfill_float_up")])
def test_the_hosts_own_probe_stops_the_pump_before_it_is_written_down(probe, reason):
    state, actions = decide(dosing(), m.Sampled(later(dosing()), DRY._replace(**{probe: True})))

    assert sent(actions) == [("stop", 6)]
    assert [type(a) for a in actions].index(m.SendToBoard) < [type(a) for a in actions].index(m.Append)
    assert (reason, m.ON_HOST) in state.trips


@pytest.mark.guards("H3", "host", "6504f7a9")
@pytest.mark.parametrize(("steps", "tripped"), [(2399, False), (2400, False), (2401, True)])
def test_more_steps_than_the_dose_allowed_are_a_trip(steps, tripped):
    state, actions = decide(dosing(), report(dosing(), state="turning", dose_id=6, turned_steps=steps))

    assert (("stop", 6) in sent(actions)) == tripped
    assert ((m.BOARD_OVER_DOSE, m.ON_HOST) in state.trips) == tripped


def test_what_the_run_found_out_at_its_start_is_written_down():
    note = ("pump_age", "The pump has turned its tube for 3.00 h of 100 h.")
    _, actions = step(m.State(now=examples.moment()), m.Started(examples.moment(), "0", (note,)), examples.SETTINGS)
    kept = [a.record for a in actions if isinstance(a, m.Append) and isinstance(a.record, m.EventRecord)]
    assert [(each.at, each.event, each.words) for each in kept] == [(examples.moment(), *note)]


@pytest.mark.guards("H2", "host", "7669e252")
@pytest.mark.guards("H9", "host", "ef8570cc")
def test_two_doses_without_effect_are_a_trip_and_one_is_not():
    state = examples.growing(effects_missed=0, effect_check=examples.awaited(0, 0.30, 0.02))
    state, actions = decide(state, ticked(state))
    assert "TripRecord" not in kinds(actions)
    assert state.effects_missed == 1

    state = state.but(effect_check=examples.awaited(0, 0.30, 0.02))
    state, actions = decide(state, ticked(state))

    assert [type(record) for record in records(actions)] == [m.EffectRecord, m.TripRecord]
    assert records(actions)[1].trip_reason == m.DOSE_WITHOUT_EFFECT


@pytest.mark.guards("H5", "host", "bbd6092d")
def test_heat_must_be_believed_three_times_before_the_lamp_goes_off():
    state = examples.growing(lamp_duty_fraction=0.6)
    lamps = []
    for temperature in (36.0, 37.9, 38.0, 38.1, 38.2, 38.3):
        state, actions = decide(state, m.Sampled(later(state, 10_000), DRY._replace(air_temperature_c=temperature)))
        lamps.append([a.duty_fraction for a in actions if isinstance(a, m.SetLamp)])

    assert lamps == [[], [], [], [], [], [0.0]]
    assert (m.AIR_TOO_HOT, m.ON_HOST) in state.trips


# -- people ----


def asked(state, **wish):
    fields = {"request": m.CLEAR_TRIP, "asked_by": "LK", "subject": "leak_wet", **wish}
    return m.RequestMade(later(state), m.Request(at=state.now, request_id=7, **fields))


TRIPPED = {"trips": (("leak_wet", m.ON_BOARD),)}


def test_clearing_a_trip_of_the_board_asks_the_board_first():
    state, actions = decide(examples.growing(**TRIPPED, board_trip_number=4), asked(examples.growing()))

    assert sent(actions) == [("clear", 4, "leak_wet")]
    assert records(actions) == []
    assert state.trips == TRIPPED["trips"]


@pytest.mark.guards("H2", "host", "7669e252")
@pytest.mark.guards("H12", "host", "90938667")
def test_a_trip_leaves_only_when_the_board_agrees_and_it_says_who_asked():
    state, _ = decide(examples.growing(**TRIPPED), asked(examples.growing()))

    state, actions = decide(state, cleared(state, interlocks.ACCEPTED))

    assert state.trips == ()
    assert [r.cleared_by for r in records(actions) if isinstance(r, m.TripCleared)] == ["LK"]


@pytest.mark.parametrize(
    ("counts", "words"),
    [
        ((600, 2000, 1000), "Not yet. The leak probe is wet: water is where it must not be. Mend that first"),
        ((4095, 2000, 1000), "Not yet. The leak probe's wire is cut or unplugged; that counts as wet. Mend"),
        ((2000, 600, 1000), "Not yet. The overfill float is up: the bed stands in water. Mend that first"),
        ((2000, 2000, 4095), "Not yet. The reservoir is empty, or its float is unplugged. Mend that first"),
        ((2000, 2000, 1000), "The board has not seen its probes dry and whole for long enough; wait a few seconds"),
        ((None, None, None), "The board has not seen its probes dry and whole for long enough; wait a few seconds"),
    ],
)
def test_a_probe_that_keeps_the_trip_is_named_whatever_the_trip_was(counts, words):
    reading = m.Reading(21.0, 60.0, 2000, *counts)
    state, _ = decide(examples.growing(**TRIPPED, reading=reading), asked(examples.growing()))

    state, actions = decide(state, cleared(state, interlocks.NOT_DRY))

    assert state.trips == TRIPPED["trips"]
    assert not records(actions)[0].granted
    assert records(actions)[0].words.startswith(words)


@pytest.mark.guards("H12", "host", "90938667")
def test_nobody_can_ask_without_initials():
    _, actions = decide(examples.growing(**TRIPPED), asked(examples.growing(), asked_by="  "))

    assert sent(actions) == []
    assert records(actions)[0].words == "Initials are needed."


@pytest.mark.guards("H2", "host", "7669e252")
@pytest.mark.guards("H12", "host", "90938667")
def test_a_trip_of_the_host_stays_while_its_own_probe_is_wet():
    state = examples.growing(trips=(("leak_wet", m.ON_HOST),), reading=DRY._replace(local_leak_wet=True))

    state, actions = decide(state, asked(state))

    assert state.trips == (("leak_wet", m.ON_HOST),)
    assert not records(actions)[0].granted


@pytest.mark.parametrize("reason", [m.BOARD_EXCHANGED, m.JOURNAL_STRANGE, m.JOURNAL_BEHIND])
def test_a_strange_board_is_accepted_by_the_person_who_clears_its_trip_and_greeted_once_more(reason):
    greeting = examples.board(board_id=77, last_dose_id=31, turned_total_steps=900, journal_id=9)
    met = examples.line_that_is(line.SETTLED, greeting=greeting)
    state = examples.growing(trips=((reason, m.ON_HOST),), line=met)

    state, actions = decide(state, asked(state, subject=reason))

    assert state.trips == ()
    assert kinds(actions) == ["TripCleared", "BoardRecord", "RequestAnswered"]
    assert state.board == replace(greeting, at=state.now, accepted_by="LK")
    assert sent_kinds(actions) == ["hello"]
    state, actions = decide(state, answer(state, board_id=77, last_dose_id=31, last_journal_id=9))
    assert state.trips == (), "what was accepted is known from now on"


def test_a_strange_board_is_accepted_only_while_it_answers():
    down = examples.growing(trips=((m.BOARD_EXCHANGED, m.ON_HOST),), line=examples.line_that_is(line.GREETING))
    state, actions = decide(down, asked(down, subject=m.BOARD_EXCHANGED))
    assert (state.trips, state.board) == (down.trips, down.board)
    assert [each.words for each in records(actions)] == ["The board does not answer; it must be asked first."]


@pytest.mark.guards("H13", "host", "072f2d46")
def test_draining_needs_a_mass_that_can_be_true():
    state = examples.growing(
        phase=m.DRAINING, steps_due=("drain-and-weigh",), steps_done=(), first_wetting_given_ml=210.0
    )

    def sign(drained_g):
        return decide(state, asked(state, request=m.SIGN_STEP, subject="drain-and-weigh", drained_g=drained_g))

    assert "mass" in records(sign(None)[1])[0].words
    assert "cannot" in records(sign(260.1)[1])[0].words
    assert "cannot" in records(sign(-0.1)[1])[0].words
    for good in (0.0, 35.5, 260.0):
        signed, actions = sign(good)
        assert kinds(actions) == ["StepRecord", "RequestAnswered"]
        assert signed.steps_done == ("drain-and-weigh",)


def test_a_step_is_signed_once_and_not_before_it_is_due():
    state = examples.growing(steps_due=(), steps_done=())
    wish = {"request": m.SIGN_STEP, "subject": "clean-gloves"}
    _, actions = decide(state, asked(state, **wish))
    assert records(actions)[0].words.endswith("not due yet.")

    state = state.but(steps_due=("clean-gloves",))
    state, _ = decide(state, asked(state, **wish))
    _, actions = decide(state, asked(state, **wish))
    assert records(actions)[0].words.endswith("already signed.")


# -- phases ----


@pytest.mark.guards("H13", "host", "072f2d46")
def test_no_water_before_the_gating_steps_are_signed():
    state = m.State(now=examples.moment(), line=examples.line_that_is(line.SETTLED, examples.moment()))
    state, _ = decide(state, m.Started(later(state), "test"))
    for _ in range(20):
        state, actions = decide(state, ticked(state))
        assert "DoseIntended" not in kinds(actions)
    assert state.phase == m.PREPARING

    state, actions = decide(state.but(steps_done=("clean-gloves", "fill-reservoir")), ticked(state))
    assert state.phase == m.WETTING
    assert state.run_ms == 0
    state, actions = decide(state, ticked(state))
    assert "DoseIntended" in kinds(actions)


@pytest.mark.parametrize(("soaked_ms", "phase"), [(59_999, m.SOAKING), (60_000, m.DRAINING), (60_001, m.DRAINING)])
def test_about_a_minute_of_soak_comes_before_draining(soaked_ms, phase):
    """Common practice, no source: about a minute of soak before draining."""
    state = examples.growing(phase=m.SOAKING)
    state = state.but(phase_since_run_ms=state.run_ms)

    state, _ = decide(state, ticked(state, soaked_ms))

    assert state.phase == phase


@pytest.mark.guards("H5", "host", "bbd6092d")
def test_the_run_ends_at_its_length_with_lamp_off_and_no_more_water():
    state = thirsty(run_ms=21 * 86_400_000 - 1, lamp_duty_fraction=0.6)
    state, _ = decide(state, ticked(state))
    assert state.phase == m.ENDED

    state, actions = decide(state, m.Sampled(later(state), DRY))
    assert m.SetLamp(0.0) in actions
    _, actions = decide(state, ticked(state))
    assert "DoseIntended" not in kinds(actions)


# -- clock ----


@pytest.mark.guards("H7", "host", "94bb108c")
def test_the_run_clock_does_not_move_with_the_wall_clock():
    state = examples.growing()
    jumped = later(state, 1000)._replace(utc_ms=state.now.utc_ms + 10**10, utc_trusted=False)

    after, _ = decide(state, m.ClockStepped(jumped, 10**10))

    assert after.run_ms == state.run_ms + 1000


def test_trusted_utc_corrects_the_run_clock_after_a_time_without_power():
    state = examples.growing(run_clock_placed=False)
    at = later(state, 1000)._replace(utc_ms=state.hydrated_utc_ms + 500_000_000)

    after, _ = decide(state, m.ClockStepped(at, 0))

    assert after.run_ms == 500_000_000


def test_a_hydration_without_network_time_is_placed_when_it_comes():
    state = examples.growing(hydrated_utc_ms=0, hydrated_utc_trusted=False)
    at = later(state, 1000)

    after, _ = decide(state, m.ClockStepped(at, 10**12))

    assert after.run_ms == state.run_ms + 1000
    assert after.hydrated_utc_ms == at.utc_ms - after.run_ms
    assert after.hydrated_utc_trusted


@pytest.mark.guards("H7", "host", "94bb108c")
@pytest.mark.parametrize("difference_ms", [-(10**11), -7_200_000, 7_200_000, 10**11])
def test_no_step_of_the_wall_clock_brings_water_forward(difference_ms):
    state = thirsty()
    state = state.but(last_dose_run_ms=state.run_ms - 1000)
    at = later(state)._replace(utc_ms=state.now.utc_ms + difference_ms, utc_trusted=False)

    state, _ = decide(state, m.ClockStepped(at, difference_ms))
    _, actions = decide(state, m.Ticked(at._replace(monotonic_ms=at.monotonic_ms + 1000)))

    assert "DoseIntended" not in kinds(actions)


# -- records that fail ----


@pytest.mark.guards("H5", "host", "bbd6092d")
@pytest.mark.guards("H8", "host", "ee284e71")
def test_when_a_record_cannot_be_written_the_pump_stops_and_the_lamp_goes_on():
    state = dosing(lamp_duty_fraction=0.0)
    failed = m.AppendFailed(later(state), m.EventRecord(state.now, "x", "y"), "disk full")

    state, actions = decide(state, failed)
    assert sent(actions) == [("stop", 6)]
    assert state.records_failed

    _, actions = decide(state, m.Sampled(later(state), DRY))
    assert [type(a) for a in actions] == [m.SetLamp]


def test_without_records_nothing_is_given_or_acknowledged():
    state, _ = decide(thirsty(), m.AppendFailed(later(thirsty()), m.EventRecord(thirsty().now, "x", "y"), "full"))

    for event in (ticked(state), done(state, 6, 1, 1, "complete"), report(state)):
        after, actions = decide(state, event)
        assert actions == []
        assert after.records_failed


def test_after_a_minute_the_records_are_tried_again_and_the_board_is_asked_first():
    state, _ = decide(thirsty(), m.AppendFailed(later(thirsty()), m.EventRecord(thirsty().now, "x", "y"), "full"))

    state, actions = decide(state, ticked(state, 59_999))
    assert actions == []
    state, actions = decide(state, ticked(state, 1))

    assert kinds(actions) == ["EventRecord", "AlarmRecord", "AlarmRecord"]
    assert records(actions)[1].words.startswith("Records could not be written for 0.0 h")
    assert sent(actions)[0][0] == "hello"
    assert state.line.state == line.GREETING


# -- anything at all ----

counts = st.one_of(st.none(), st.integers(0, 4095))
readings = st.builds(
    m.Reading,
    st.one_of(st.none(), st.floats(-60, 140)),
    st.one_of(st.none(), st.floats(0, 100)),
    counts,
    counts,
    counts,
    counts,
    st.booleans(),
    st.booleans(),
)
small = st.integers(0, 13_000)
words = st.sampled_from([*interlocks.TRIP_REASONS, None])
board_words = st.one_of(
    st.tuples(st.just("done"), st.integers(0, 12), small, small, st.sampled_from(["complete", "stopped"])),
    st.tuples(st.just("judged"), st.integers(0, 12), st.sampled_from([interlocks.ACCEPTED, *interlocks.REFUSALS])),
    st.tuples(st.just("cleared"), st.integers(0, 2), st.sampled_from([interlocks.ACCEPTED, interlocks.NOT_DRY])),
    st.tuples(
        st.just("board"), st.just(limits.PROTOCOL), st.sampled_from([messages.LIMITS_CHECKSUM, 1]),
        st.sampled_from([examples.JOURNAL, 9]), st.integers(-1, 1), st.sampled_from([examples.BOARD, 77]),
        st.integers(0, 12), st.sampled_from([examples.JOURNAL, 9, 0]), st.sampled_from([42_000, 44_400, 50_000]),
    ),
    st.tuples(
        st.just("report"), st.sampled_from(interlocks.STATES), words, st.integers(0, 2), small, st.integers(0, 12),
        small, st.integers(0, 1), small, small, small, small, small,
    ),
)  # fmt: skip
# How far a message is from the next one of the conversation in hand: most are that one
conversations = st.one_of(
    st.just((0, 1, 0)),
    st.just((0, 1, 0)),
    st.tuples(st.sampled_from([0, 1, -1, messages.SESSIONS_PER_BOOT]), st.integers(-2, 3), st.integers(-3, 0)),
)
board_messages = st.tuples(board_words, conversations)
happenings = st.one_of(
    st.tuples(st.just("tick"), st.integers(0, 40_000_000)),
    st.tuples(st.just("sample"), readings),
    st.tuples(st.just("said"), board_messages),
    st.tuples(st.just("lost"), st.none()),
    st.tuples(st.just("found"), st.none()),
    st.tuples(st.just("clock"), st.integers(-(10**12), 10**12)),
    st.tuples(st.just("clear"), st.sampled_from(["leak_wet", "lease_lost", "state_lost", "air_too_hot"])),
    st.tuples(st.just("failed"), st.none()),
)


def message_of(state, words, conversation):
    """The words as a message that is so far from the next one of the conversation in hand."""
    sessions, numbers, echoes = conversation
    kind, *values = words
    if kind == "board":
        values[3] += state.line.hello_number
    heard, said_here = (0, 0) if kind == "board" else (state.line.heard, state.line.said)
    return kind, state.line.session + sessions, heard + numbers, said_here + echoes, *values


def event_of(state, what, value):
    at = later(state, 10)
    if what == "tick":
        return m.Ticked(later(state, value))
    if what == "sample":
        return m.Sampled(at, value)
    if what == "said":
        return m.BoardReported(at, message_of(state, *value))
    if what == "lost":
        return m.LinkLost(at, "pulled")
    if what == "found":
        return m.LinkFound(at)
    if what == "clock":
        return m.ClockStepped(at._replace(utc_ms=at.utc_ms + value, utc_trusted=value % 2 == 0), value)
    if what == "clear":
        return asked(state, subject=value)
    return m.AppendFailed(at, m.EventRecord(at, "x", "y"), "full")


@pytest.mark.guards("H1", "host", "830e5870")
@pytest.mark.guards("H8", "host", "ee284e71")
@hypothesis_settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(happenings, max_size=60))
def test_whatever_happens_water_is_recorded_first_never_twice_and_never_over_plan(history):
    state = examples.with_moisture(examples.growing(thirsty=True), 0.15)
    ids = [state.last_dose_id]
    for what, value in history:
        state, actions = decide(state, event_of(state, what, value))
        commands = [a for a in actions if isinstance(a, m.SendToBoard) and a.kind == "dose"]
        closed_ids = {each.dose_id for each in closings(actions)}
        written = [r for r in records(actions) if isinstance(r, m.DoseIntended)]
        found_ids = [each.dose_id for each in written if each.dose_id in closed_ids]  # water that the board told of
        intents = [each for each in written if each.dose_id not in closed_ids]
        assert all(dose_id > max(ids) for dose_id in found_ids)
        ids += found_ids
        assert len(commands) == len(intents) <= 1
        for command, intent in zip(commands, intents, strict=True):
            assert actions.index(command) > [getattr(a, "record", None) for a in actions].index(intent)
            assert command.values[2:4] == (intent.dose_id, intent.dose_steps)
            assert intent.dose_id > max(ids)
            ids.append(intent.dose_id)
            assert not state.trips
            assert intent.volume_ml <= examples.PLAN.watering.dose_ml + 1e-9
            counted = [g for g in state.given_lately if g.run_ms > state.run_ms - 86_400_000]
            assert sum(g.volume_max_ml for g in counted) + intent.volume_ml <= 300 + 1e-6
            assert state.watering_given_ml + intent.volume_ml <= examples.PLAN.watering.total_cap_ml + 1e-6
