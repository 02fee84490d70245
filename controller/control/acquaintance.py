"""Whether the board that answers is the one this journal knows, and this journal the one that the board knows.

A board remembers its identity, the highest dose it ever accepted, for which journal that was, and how many steps it has
turned in its life. What does not fit is a trip of the host: no water until a person has looked and cleared it.
"""

from controller.control import dose_life
from controller.control import model as m
from controller.control.remember import noted
from controller.plan import Settings
from firmware_bridge import limits

Decision = tuple[m.State, list[m.Action]]

OF_ACQUAINTANCE = (m.BOARD_EXCHANGED, m.JOURNAL_BEHIND, m.JOURNAL_STRANGE)


def is_known(state: m.State) -> bool:
    """Whether the board that answered the last greeting is this journal's."""
    heard, known = state.line.greeting, state.board
    return heard is not None and known is not None and heard.board_id == known.board_id


def knows_journal(state: m.State, greeting: m.BoardRecord) -> bool:
    """Whether the board's last dose is this journal's, stands in one that lies beside it, or was accepted as it is."""
    known = state.board
    if greeting.journal_id in (0, state.journal_id):
        return True
    if known is not None and (known.journal_id, known.last_dose_id) == (greeting.journal_id, greeting.last_dose_id):
        return True
    return any(
        dose.journal_id == greeting.journal_id and greeting.last_dose_id <= dose.dose_id for dose in state.known_doses
    )


def lost_dose_id(state: m.State, greeting: m.BoardRecord) -> int:
    """The highest dose that the board accepted since this journal knew it and that stands in no journal; 0 for none."""
    known = state.board
    last_known_id = max(state.last_dose_id, 0 if known is None else known.last_dose_id)
    if greeting.journal_id == state.journal_id and greeting.last_dose_id > state.last_dose_id:
        return greeting.last_dose_id
    if known is None:
        return 0
    beside = {dose.dose_id for dose in state.known_doses}
    if (
        sum(last_known_id < dose_id <= greeting.last_dose_id for dose_id in beside)
        >= greeting.last_dose_id - last_known_id
    ):
        return 0
    lost_id = greeting.last_dose_id
    while lost_id in beside:
        lost_id -= 1
    return lost_id


def judge(state: m.State, settings: Settings) -> tuple[m.State, str, list[m.Action]]:
    """(state, the trip that the board's answer asks for or "", records): a new board is taken into the journal."""
    greeting = state.line.greeting
    assert greeting is not None
    known = state.board
    if known is not None and known.board_id != greeting.board_id:
        state, ended = dose_life.happened(state, dose_life.EXCHANGED, settings)
        if state.strange_board.board_id != greeting.board_id:
            changed_ms = state.now.monotonic_ms if state.strange_board.board_id else None
            state = state.but(strange_board=m.StrangeBoard(greeting.board_id, changed_ms))
            words = f"Board {greeting.board_id} answers; this run knows board {known.board_id}."
            ended = [*ended, m.Append(m.EventRecord(state.now, "board_strange", words))]
        return state, m.BOARD_EXCHANGED, ended
    if state.phase != m.CALIBRATING:
        if not knows_journal(state, greeting):
            return state, m.JOURNAL_STRANGE, []
        lost_id = lost_dose_id(state, greeting)
        if lost_id:
            state, found = _found(state, greeting, lost_id, settings)
            return state, m.JOURNAL_BEHIND, found
    other = greeting.journal_id not in (0, state.journal_id)
    if known is None or known.boots != greeting.boots or (other and known.last_dose_id != greeting.last_dose_id):
        # what is still to be told of this journal's doses is not in the total yet: that goes on from its own
        total_steps = greeting.turned_total_steps if known is None or other else state.turned_total_steps
        if known is None and state.open_dose is not None:  # what is told of it comes on top
            total_steps = max(0, total_steps - state.open_dose.dose_steps)
        state, recorded = noted(state, _at(state, greeting, total_steps, ""), settings)
        return state, "", recorded
    return state, "", []


def _at(state: m.State, greeting: m.BoardRecord, total_steps: int, accepted_by: str) -> m.BoardRecord:
    return m.BoardRecord(
        state.now, greeting.board_id, greeting.boots, greeting.last_dose_id, total_steps, greeting.journal_id,
        accepted_by,
    )  # fmt: skip


def accepted(state: m.State, accepted_by: str, settings: Settings) -> Decision:
    """A person has looked: the board that answers is this journal's from now on."""
    greeting = state.line.greeting
    assert greeting is not None
    return noted(state, _at(state, greeting, greeting.turned_total_steps, accepted_by), settings)


def _found(state: m.State, greeting: m.BoardRecord, lost_id: int, settings: Settings) -> Decision:
    """Water that the board gave and that no journal holds: an older copy of this one was put back.

    It is counted by the board's own total of steps, less what journals beside this one hold; without one to compare
    with, at the most that its doses can be.
    """
    state, actions = _forgotten(state, settings)
    steps = greeting.turned_total_steps - state.turned_total_steps
    known = state.board
    beside = [dose.steps_min for dose in state.known_doses if known is not None and dose.dose_id > known.last_dose_id]
    steps -= sum(beside)
    steps += sum(each.closed.steps_max - each.closed.steps_min for each in state.open_accounts)
    if (
        known is None or known.accepted_by or (steps < 1 and beside)
    ):  # its total is no measure of what this journal lacks
        steps = min(greeting.turned_total_steps, (greeting.last_dose_id - state.last_dose_id) * limits.DOSE_STEPS_MAX)
    pump = settings.chamber.pump
    purpose = m.FIRST_WETTING if state.phase in (m.PREPARING, m.WETTING) else m.MOISTURE_LED
    steps = max(0, steps)
    intent = m.DoseIntended(
        state.now, lost_id, purpose, steps * pump.ml_per_step, max(1, steps), pump.steps_per_s,
        pump.ml_per_step, pump.ml_per_step_standard_uncertainty, state.run_ms,
    )  # fmt: skip
    state, intended = noted(state, intent, settings)
    closed = dose_life.outcome_of(state, intent, dose_life.Told(steps, steps, m.FOUND_ON_BOARD))
    state, recorded = noted(state, closed, settings)
    state, taken_in = noted(state, _at(state, greeting, greeting.turned_total_steps, ""), settings)
    return state, [*actions, *intended, *recorded, *taken_in]


def _forgotten(state: m.State, settings: Settings) -> Decision:
    """The board has taken other doses since the open one: somebody was told what became of it, not we."""
    return dose_life.happened(state, dose_life.FORGOTTEN, settings)


def foreign_account(state: m.State, dose_id: int, account: dose_life.Told, settings: Settings) -> Decision:
    """The board's account of a dose that no journal here holds: it still moved water, so it still counts."""
    greeting = state.line.greeting
    assert greeting is not None
    if dose_id <= state.last_dose_id or any(dose.dose_id == dose_id for dose in state.known_doses):
        return state, []
    state, ended = _forgotten(state, settings)
    pump = settings.chamber.pump
    steps = max(1, account.steps_max)
    intent = m.DoseIntended(
        state.now, dose_id, m.ELSEWHERE, steps * pump.ml_per_step, steps, pump.steps_per_s, pump.ml_per_step,
        pump.ml_per_step_standard_uncertainty, state.run_ms,
    )  # fmt: skip
    state, intended = noted(state, intent, settings)
    state, recorded = noted(state, dose_life.outcome_of(state, intent, account), settings)
    return state, [*ended, *intended, *recorded]
