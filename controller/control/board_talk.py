"""What the board says and what the host makes of it: greeting, reconciling the open dose, trips, ends of doses."""

from dataclasses import replace

from controller.control import model as m
from controller.control import watering
from controller.control.words import trip_words
from controller.plan import Settings
from firmware_bridge import interlocks, limits, messages

Decision = tuple[m.State, list[m.Action]]

REFUSED_HOLD_MS = 600_000


def greet(state: m.State) -> Decision:
    """Say hello; the board answers with its protocol, limits and last dose, then a report that reconciles."""
    hello = m.SendToBoard("hello", (limits.PROTOCOL, messages.LIMITS_CHECKSUM))
    return state.but(hello_sent_ms=state.now.monotonic_ms), [hello]


def link_found(state: m.State) -> Decision:
    state, hello = greet(state.but(link_up=True, greeted=False, reconciling=True))
    return state, [*hello, m.Append(m.EventRecord(state.now, "link_found", "The line to the board is open."))]


def link_lost(state: m.State, detail: str) -> Decision:
    actions: list[m.Action] = [
        m.Append(m.EventRecord(state.now, "link_lost", f"The line to the board is gone: {detail}"))
    ]
    if state.pending_clear is not None:
        words = "The board fell silent before it answered; ask again."
        actions.append(m.Append(m.RequestAnswered(state.now, state.pending_clear.request_id, False, words)))
    return state.but(link_up=False, greeted=False, reconciling=True, pending_clear=None), actions


def reported(state: m.State, message: tuple[str | int | None, ...], settings: Settings) -> Decision:
    """What follows from one message of the board."""
    kind = message[0]
    if kind == "report":
        return _report(state, message, settings)
    if kind == "done":
        return _done(state, message, settings)
    if kind == "judged":
        return _judged(state, message, settings)
    if kind == "board":
        return _greeted(state, message)
    if kind == "cleared":
        return _cleared(state, str(message[1]))
    return state, []


def _greeted(state: m.State, message: tuple[str | int | None, ...]) -> Decision:
    _, protocol, limits_checksum, boots, last_dose_id = message
    differ = protocol != limits.PROTOCOL or limits_checksum != messages.LIMITS_CHECKSUM
    actions: list[m.Action] = []
    if not state.greeted or differ != state.limits_differ:
        words = "The board holds other limits than this program." if differ else "The board holds the same limits."
        actions.append(m.Append(m.EventRecord(state.now, "board_greeted", f"{words} It has started {boots} times.")))
    assert isinstance(boots, int)
    assert isinstance(last_dose_id, int)
    last_id = state.last_dose_id if state.open_dose else max(state.last_dose_id, last_dose_id)
    state = state.but(greeted=True, limits_differ=differ, board_boots=boots, last_dose_id=last_id, reconciling=True)
    return state, actions


def _report(state: m.State, message: tuple[str | int | None, ...], settings: Settings) -> Decision:
    _, board_state, trip_reason, trip_delay_ms, dose_id, turned_steps, *_, boots, uptime_s = message
    assert isinstance(trip_delay_ms, int)
    assert isinstance(dose_id, int)
    assert isinstance(turned_steps, int)
    assert isinstance(uptime_s, int)
    actions: list[m.Action] = []
    restarted = boots != state.board_boots or uptime_s < state.board_uptime_s
    state = state.but(board_uptime_s=uptime_s)
    if state.greeted and restarted:  # behind our back: greet it again
        state, hello = greet(state.but(greeted=False, reconciling=True))
        return state, [*hello, m.Append(m.EventRecord(state.now, "board_restarted", "The board has restarted."))]
    if trip_reason is not None and (trip_reason, m.ON_BOARD) not in state.trips:
        reason = str(trip_reason)
        state = state.but(trips=(*state.trips, (reason, m.ON_BOARD)))
        actions.append(m.Append(m.TripRecord(state.now, reason, m.ON_BOARD, trip_delay_ms)))
    dose = state.open_dose
    if dose is not None and dose.dose_id == dose_id and turned_steps > dose.dose_steps:
        over = (m.BOARD_OVER_DOSE, m.ON_HOST)
        if over not in state.trips:
            state = state.but(trips=(*state.trips, over))
            actions = [
                m.SendToBoard("stop"),
                *actions,
                m.Append(m.TripRecord(state.now, m.BOARD_OVER_DOSE, m.ON_HOST, 0)),
            ]
    if state.reconciling and state.greeted:
        state, reconciled = _reconcile(state, str(board_state), trip_reason, dose_id, settings)
        actions += reconciled
    return state, actions


def _reconcile(
    state: m.State, board_state: str, trip_reason: str | int | None, board_dose_id: int, settings: Settings
) -> Decision:
    """Settle the open dose with what the board remembers, before any other water."""
    dose = state.open_dose
    state = state.but(reconciling=False)
    if dose is None:
        return state, []
    if trip_reason == interlocks.STATE_LOST:
        return close(state, 0, dose.dose_steps, m.IN_DOUBT, settings)
    if board_dose_id < dose.dose_id:
        return close(state, 0, 0, m.NOT_STARTED, settings)
    if board_state in (interlocks.SAVING, interlocks.TURNING) and dose.inherited:
        return state, [m.SendToBoard("stop")]  # intended in an earlier life: end it, its count will come
    return state.but(open_dose=replace(dose, judged=True)), []


def _judged(state: m.State, message: tuple[str | int | None, ...], settings: Settings) -> Decision:
    dose = state.open_dose
    if dose is None or message[1] != dose.dose_id:
        return state, []
    if message[2] == interlocks.ACCEPTED:
        return state.but(open_dose=replace(dose, judged=True)), []
    if message[2] == interlocks.ID_NOT_NEW and dose.judged:
        return state, []
    state, closed = close(state, 0, 0, m.NOT_STARTED, settings)
    state = state.but(refused_until_ms=state.now.monotonic_ms + REFUSED_HOLD_MS)
    if message[2] == interlocks.NOT_GREETED:
        state, hello = greet(state.but(greeted=False, reconciling=True))
        closed = [*closed, *hello]
    words = f"The board refused dose {dose.dose_id}: {message[2]}."
    return state, [*closed, m.Append(m.EventRecord(state.now, "board_refused", words))]


def _done(state: m.State, message: tuple[str | int | None, ...], settings: Settings) -> Decision:
    """Close the dose, and only then let the board forget it."""
    _, dose_id, steps_min, steps_max, end_reason = message
    assert isinstance(dose_id, int)
    assert isinstance(steps_min, int)
    assert isinstance(steps_max, int)
    seen = m.SendToBoard("seen", (dose_id,))
    if state.open_dose is None or state.open_dose.dose_id != dose_id:
        if dose_id <= state.last_dose_id:
            return state, [seen]
        # Water that no journal of ours intended: it still moved, so it still counts.
        state = state.but(
            open_dose=m.OpenDose(
                dose_id, steps_max, m.MOISTURE_LED, state.now.monotonic_ms, judged=True, began_run_ms=state.run_ms
            ),
            last_dose_id=dose_id,
        )
    state, closed = close(state, steps_min, steps_max, str(end_reason), settings)
    if end_reason == interlocks.BOARD_RESTARTED:  # it may be the first word of its new life: its report tells
        state = state.but(reconciling=True)
    return state, [*closed, seen]


def close(state: m.State, steps_min: int, steps_max: int, end_reason: str, settings: Settings) -> Decision:
    """Close the open dose with an interval of steps."""
    dose = state.open_dose
    assert dose is not None
    volume_ml, uncertainty_ml, volume_max_ml = watering.volume_of(steps_min, steps_max, settings)
    closed = m.DoseClosed(
        state.now, dose.dose_id, steps_min, steps_max, end_reason, volume_ml, uncertainty_ml, volume_max_ml,
        state.run_ms,
    )  # fmt: skip
    state = watering.after_dose(state, closed, dose, settings)
    return state, [m.Append(closed)]


def _not_dry_words(reading: m.Reading | None) -> str:
    """Which probe keeps the board from being cleared, as far as the newest reading shows."""
    if reading is not None:
        leak, overfill, reservoir = reading.leak_counts, reading.float_counts, reading.reservoir_counts
        if leak is not None and overfill is not None and reservoir is not None:
            fault = interlocks.probe_fault(leak, overfill, reservoir)
            if fault is not None:
                return f"Not yet. {trip_words(fault)} Mend that first, and wait a few seconds."
    return "The board has not seen its probes dry and whole for long enough; wait a few seconds and ask again."


def _cleared(state: m.State, answer: str) -> Decision:
    pending = state.pending_clear
    if pending is None:
        return state, []
    state = state.but(pending_clear=None)
    if answer not in (interlocks.ACCEPTED, interlocks.NOT_TRIPPED):
        words = {
            interlocks.NOT_DRY: _not_dry_words(state.reading),
            interlocks.OTHER_REASON: "The board is tripped for another reason; look again.",
        }.get(answer, f"The board refused: {answer}.")
        return state, [m.Append(m.RequestAnswered(state.now, pending.request_id, False, words))]
    state = state.but(trips=tuple(t for t in state.trips if t != (pending.trip_reason, m.ON_BOARD)))
    return state, [
        m.Append(m.TripCleared(state.now, pending.trip_reason, pending.cleared_by)),
        m.Append(m.RequestAnswered(state.now, pending.request_id, True, "Cleared.")),
    ]
