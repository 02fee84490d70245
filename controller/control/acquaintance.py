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
        journal_id == greeting.journal_id and greeting.last_dose_id <= last_dose_id
        for journal_id, last_dose_id in state.known_journals
    )


def judge(state: m.State, settings: Settings) -> tuple[m.State, str, list[m.Action]]:
    """(state, the trip that the board's answer asks for or "", records): a new board is taken into the journal."""
    greeting = state.line.greeting
    assert greeting is not None
    known = state.board
    if known is not None and known.board_id != greeting.board_id:
        state, ended = dose_life.happened(state, dose_life.EXCHANGED, settings)
        return state, m.BOARD_EXCHANGED, ended
    if state.phase != m.CALIBRATING:
        if greeting.journal_id == state.journal_id and greeting.last_dose_id > state.last_dose_id:
            state, found = _found(state, greeting, settings)
            return state, m.JOURNAL_BEHIND, found
        if not knows_journal(state, greeting):
            return state, m.JOURNAL_STRANGE, []
    other = greeting.journal_id not in (0, state.journal_id)
    if known is None or known.boots != greeting.boots or (other and known.last_dose_id != greeting.last_dose_id):
        # what is still to be told of this journal's doses is not in the total yet: that goes on from its own
        total_steps = greeting.turned_total_steps if known is None or other else state.turned_total_steps
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


def _found(state: m.State, greeting: m.BoardRecord, settings: Settings) -> Decision:
    """Water that the board gave for this journal and that no row of it holds: an older copy of it was put back.

    It is counted by the board's own total of steps; without one to compare with, at the most that its doses can be.
    Its row has the first number that is lacking, and only the board's own row says that all up to the board's are
    counted: whoever is killed between the two finds the rest at the next greeting.
    """
    actions: list[m.Action] = []
    if state.open_dose is not None:  # the board has taken others since: somebody was told what became of it, not we
        state, actions = dose_life.happened(state, dose_life.FORGOTTEN, settings)
    steps = greeting.turned_total_steps - state.turned_total_steps
    if state.board is None:
        steps = min(steps, (greeting.last_dose_id - state.last_dose_id) * limits.DOSE_STEPS_MAX)
    pump = settings.chamber.pump
    purpose = m.FIRST_WETTING if state.phase in (m.PREPARING, m.WETTING) else m.MOISTURE_LED
    steps = max(0, steps)
    intent = m.DoseIntended(
        state.now, state.last_dose_id + 1, purpose, steps * pump.ml_per_step, max(1, steps), pump.steps_per_s,
        pump.ml_per_step, pump.ml_per_step_standard_uncertainty, state.run_ms,
    )  # fmt: skip
    state, intended = noted(state, intent, settings)
    closed = dose_life.outcome_of(state, intent, dose_life.Told(steps, steps, m.FOUND_ON_BOARD))
    state, recorded = noted(state, closed, settings)
    state, known = noted(state, _at(state, greeting, greeting.turned_total_steps, ""), settings)
    return state, [*actions, *intended, *recorded, *known]


def foreign_account(state: m.State, dose_id: int, account: dose_life.Told, settings: Settings) -> Decision:
    """The board's account of a dose that no journal here holds: it still moved water, so it still counts."""
    greeting = state.line.greeting
    assert greeting is not None
    if dose_id <= state.last_dose_id or any(dose_id <= last_id for _, last_id in state.known_journals):
        return state, []
    pump = settings.chamber.pump
    steps = max(1, account.steps_max)
    intent = m.DoseIntended(
        state.now, dose_id, m.ELSEWHERE, steps * pump.ml_per_step, steps, pump.steps_per_s, pump.ml_per_step,
        pump.ml_per_step_standard_uncertainty, state.run_ms,
    )  # fmt: skip
    state, intended = noted(state, intent, settings)
    state, recorded = noted(state, dose_life.outcome_of(state, intent, account), settings)
    return state, [*intended, *recorded]
