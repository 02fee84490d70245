"""Take one guard away at a time, in a copy of the tree, and see a test fail.

Each line names the hazard and the side, what the guard is, where it stands, and the tests that must notice. A guard
that could go unnoticed is no guard. ``tests/test_guard_removal.py`` keeps the list itself honest.
"""

import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

from tests.campaigns.rows import Row

ROOT = Path(__file__).parent.parent.parent
LAW, BOARD, LINES = "firmware_bridge/interlocks.py", "firmware_bridge/board.py", "firmware_bridge/messages.py"
STEP, WATERING, PEOPLE = (
    "controller/control/step.py",
    "controller/control/watering.py",
    "controller/control/hands_on.py",
)
TALK, SENSING, JOURNAL = (
    "controller/control/board_talk.py",
    "controller/control/sensing.py",
    "controller/records/journal.py",
)
LIFE, LINE, KNOWN, MEMORY = (
    "controller/control/dose_life.py",
    "controller/control/line.py",
    "controller/control/acquaintance.py",
    "controller/control/remember.py",
)
OF_LAW = ("test_interlocks.py",)
OF_BOARD = ("test_board.py",)
OF_MEMORY = ("test_board_memory.py",)
OF_TALK = ("test_conversations.py",)
OF_LIFE = ("test_dose_life.py",)
OF_STEP = ("test_step.py", "test_step_records.py")
OF_WATERING = ("test_watering.py",)


class Guard(NamedTuple):
    hazard: str
    side: str
    guard: str
    path: str
    old: str
    new: str
    tests: tuple[str, ...]


GUARDS = [
    Guard("H2", "board", "leak probe", LAW, "if leak_counts < limits.WET_BELOW_COUNTS:", "if False:", OF_LAW),
    Guard("H2", "board", "cut leak wire counts as wet", LAW,
          "if leak_counts < 0 or leak_counts > limits.OPEN_ABOVE_COUNTS:", "if False:", OF_LAW),
    Guard("H2", "board", "dry time before a clear", LAW, "if self.dry_ms < limits.DRY_MS_MIN:", "if False:", OF_LAW),
    Guard("H2", "board", "only the latched reason clears", LAW,
          "if reason != self.trip_reason or trip_number", "if trip_number", OF_LAW),
    Guard("H2", "board", "only the trip that was seen clears", LAW, " or trip_number != self.trip_number:", ":",
          OF_LAW),
    Guard("H2", "board", "a trip outlives a restart", LAW, "if trip_reason is not None:  # a trip",
          "if False:  # a trip",
          OF_BOARD),
    Guard("H1", "board", "overfill float", LAW, "if float_counts < limits.WET_BELOW_COUNTS:", "if False:", OF_LAW),
    Guard("H1", "board", "cut float wire counts as up", LAW,
          "if float_counts < 0 or float_counts > limits.OPEN_ABOVE_COUNTS:", "if False:", OF_LAW),
    Guard("H1", "board", "steps a dose", LAW, "if steps < 1 or steps > limits.DOSE_STEPS_MAX:",
          "if steps < 1:", OF_LAW),
    Guard("H1", "board", "steps in 24 h", LAW, "if self.window_used_steps() + steps > limits.WINDOW_STEPS_MAX:",
          "if False:", OF_LAW),
    Guard("H1", "board", "no id twice", LAW, "if dose_id <= self.last_dose_id:", "if False:", OF_LAW),
    Guard("H1", "board", "reservoir float", LAW,
          "if reservoir_counts < 0 or reservoir_counts > limits.OPEN_ABOVE_COUNTS:", "if False:", OF_LAW),
    Guard("H3", "board", "lease", LAW, "if elapsed_ms > self.lease_ms:", "if False:", OF_LAW),
    Guard("H3", "board", "run limit", LAW, "if self.run_ms > self.run_limit_ms:", "if False:", OF_LAW),
    Guard("H3", "board", "step count", LAW, "steps = min(steps, self.dose_steps - self.turned_steps)", "pass", OF_LAW),
    Guard("H3", "board", "rotor watch", LAW, "if self._rotor_excess_steps > limits.ROTOR_STEPS_TOLERANCE:", "if False:",
          OF_LAW),
    Guard("H3", "board", "no turning before the intent is saved", LAW, "(RESTING, DOSE_ACCEPTED): SAVING,",
          "(RESTING, DOSE_ACCEPTED): TURNING,", OF_LAW),
    Guard("H1", "board", "the day ages over restarts", BOARD, "self._since_saved_ms >= WINDOW_SAVE_EVERY_MS", "False",
          OF_MEMORY),
    Guard("H3", "board", "nothing goes on after a restart", BOARD, "end_reason = interlocks.BOARD_RESTARTED",
          "end_reason = interlocks.COMPLETE", OF_BOARD),
    Guard("H4", "board", "a refusal says why", BOARD, 'self._say("judged", dose_id, answer)', "pass", OF_BOARD),
    Guard("H6", "board", "impossible counts read as a cut wire", LAW, "if leak_counts < 0 or ", "if ", OF_LAW),
    Guard("H7", "board", "a clock that ran backwards is no time", BOARD, "elapsed_ms = max(0, elapsed_ms)", "pass",
          OF_BOARD),
    Guard("H8", "board", "done is repeated until seen", BOARD, "self._since_done_ms += elapsed_ms", "pass", OF_BOARD),
    Guard("H8", "board", "the end of a dose is saved", BOARD,
          "self._since_done_ms = DONE_REPEAT_MS\n        self._ask_save()",
          "self._since_done_ms = DONE_REPEAT_MS", OF_BOARD),
    Guard("H8", "board", "a lost memory is a trip and a full day", BOARD, "[limits.WINDOW_STEPS_MAX]", "[0]",
          OF_BOARD),
    Guard("H8", "board", "a dose in doubt counts in full in the total", BOARD,
          "self._turned_total_steps += steps_max", "pass", OF_MEMORY),
    Guard("H8", "board", "a lost memory is another board", BOARD, "_lost_line(new_identity)", "_lost_line(1)",
          OF_MEMORY),
    Guard("H8", "board", "whoever greets hears the last outcome", BOARD, "self._outcome_owed or not self._done_seen",
          "not self._done_seen", OF_TALK),
    Guard("H1", "board", "a copy or a late line is not obeyed", BOARD, " and number > self._heard", "", OF_TALK),
    Guard("H1", "board", "a line of another conversation is not obeyed", BOARD, "message[1] == self.session and ", "",
          OF_TALK),
    Guard("H3", "board", "a late greeting ends no conversation", BOARD, "0 <= behind <= LATE_GREETINGS_MAX", "False",
          OF_TALK),
    Guard("H3", "board", "a stop ends the dose it names alone", LAW,
          "if self.dose_in_hand() and dose_id == self.last_dose_id:", "if self.dose_in_hand():", OF_LAW),
    Guard("H11", "board", "no dose without a greeting", LAW, "if not self.greeted:", "if False:", OF_LAW),
    Guard("H11", "board", "a greeting compares the limits", BOARD, " and message[2] == messages.LIMITS_CHECKSUM", "",
          OF_BOARD),
    Guard("H12", "board", "checksum of every line", LINES, 'if line[-4:] != b"%04X" % checksum(body):', "if False:",
          ("test_messages.py",)),
    Guard("H1", "host", "own overfill float", STEP, "if reading.local_float_up:", "if False:", OF_STEP),
    Guard("H1", "host", "plan's daily cap", WATERING, "> law.daily_cap_ml + 1e-9:", "> 1e9:", OF_WATERING),
    Guard("H1", "host", "plan's total cap", WATERING, "> law.total_cap_ml + 1e-9:", "> 1e9:", OF_WATERING),
    Guard("H1", "host", "chamber's daily limit", WATERING, "> limits.daily_max_ml + 1e-9:", "> 1e9:", OF_WATERING),
    Guard("H1", "host", "counted at the most it can have been", MEMORY,
          "more_ml = closed.volume_max_ml - (counted.volume_max_ml if counted else 0.0)",
          "more_ml = closed.volume_ml - (counted.volume_ml if counted else 0.0)",
          ("test_step.py", "test_recovery.py")),
    Guard("H1", "host", "plan's weekly cap", WATERING, "weekly_ml = law.weekly_cap_ml", "weekly_ml = 1e9",
          OF_WATERING),
    Guard("H1", "host", "a copy or a late line is not heard", LINE, " or number <= line.heard:", ":", OF_STEP),
    Guard("H1", "host", "a line of another conversation is not heard", LINE, " or session != line.session", "",
          OF_STEP),
    Guard("H1", "host", "another board gets no dose", KNOWN, "return state, m.BOARD_EXCHANGED, ended",
          'return state, "", ended', OF_LIFE),
    Guard("H1", "host", "an older journal is found out by its board", KNOWN, "return state, m.JOURNAL_BEHIND, found",
          'return state, "", found', OF_LIFE),
    Guard("H1", "host", "a stranger's water is looked at first", KNOWN, "return state, m.JOURNAL_STRANGE, []",
          'return state, "", []', OF_LIFE),
    Guard("H1", "host", "a second controller is noticed", TALK,
          "state, tripped = trips.latch(state, m.SECOND_CONTROLLER, settings)", "tripped: list[m.Action] = []",
          OF_LIFE),
    Guard("H1", "host", "pause between aliquots", WATERING, 'return "pausing"', 'return ""', OF_WATERING),
    Guard("H1", "host", "push rate", WATERING, "return max(1, min(pump.steps_per_s, int(push_steps_per_s + 1e-9)))",
          "return pump.steps_per_s", OF_WATERING),
    Guard("H2", "host", "own leak probe", STEP, "if reading.local_leak_wet:", "if False:", OF_STEP),
    Guard("H2", "host", "a trip holds the water back", WATERING, "if trips:", "if False:", OF_WATERING),
    Guard("H2", "host", "two doses without effect", STEP,
          "if effect.effect == m.MISSED and state.effects_missed == watering.EFFECTS_MISSED_MAX:", "if False:",
          OF_STEP),
    Guard("H3", "host", "a stop goes out before any record", STEP,
          "actions = [*stopped, *actions]", "actions = [*actions, *stopped]", OF_STEP),
    Guard("H3", "host", "a stop is said until the board has told", LIFE,
          "return _stop(state) if is_stopping else (state, [])", "return state, []", OF_LIFE),
    Guard("H3", "host", "a dose of an earlier life gets no lease", "controller/control/recovery.py",
          "m.DoseLife(dose_life.STOPPING, at.monotonic_ms - waited_ms)",
          "m.DoseLife(dose_life.AWAITED, at.monotonic_ms - waited_ms)",
          ("test_recovery.py",)),
    Guard("H3", "host", "a dose that is being stopped is never resumed", LIFE, "(STOPPING, IN_HAND): STOPPING,",
          "(STOPPING, IN_HAND): TURNING,", OF_LIFE),
    Guard("H3", "host", "a turning board that falls silent is stopped", LIFE, "(TURNING, SILENT): STOPPING,",
          "(TURNING, SILENT): TURNING,", OF_STEP),
    Guard("H4", "host", "fallback dose", WATERING, "return Wanted(m.FALLBACK, fallback.dose_ml)", "return None",
          OF_WATERING),
    Guard("H5", "host", "heat puts the lamp out", STEP, "if state.hot_samples >= HOT_SAMPLES:", "if False:", OF_STEP),
    Guard("H6", "host", "range", SENSING, "if value < bounds.low or value > bounds.high:", "if False:",
          ("test_sensing.py",)),
    Guard("H6", "host", "jump", SENSING, "elif level is not None and abs(value - level) > bounds.jump_max:",
          "elif False:", ("test_sensing.py",)),
    Guard("H6", "host", "stuck", SENSING, "elif at_monotonic_ms - same_since_ms >= bounds.stuck_after_ms:",
          "elif False:",
          ("test_sensing.py",)),
    Guard("H6", "host", "a new level must stay", SENSING, "jumped = channel.jumped_samples + 1 if stays else 1",
          "jumped = channel.jumped_samples + 1", ("test_sensing.py",)),
    Guard("H6", "host", "after trouble values agree", SENSING,
          "if len(recent) < RECENT_VALUES and any(abs(value - other) > calm_max for other in recent):", "if False:",
          ("test_sensing.py",)),
    Guard("H6", "host", "humidity beside an impossible temperature", SENSING,
          "if beside.cause != OUTSIDE or after.quality != GOOD:", "if True:", ("test_sensing.py",)),
    Guard("H6", "host", "no watering on a guess", SENSING, "if len(channel.recent) < RECENT_VALUES:",
          "if not channel.recent:", ("test_sensing.py",)),
    Guard("H7", "host", "a fixed time is used once", WATERING, "if slot > state.last_slot else None", "", OF_WATERING),
    Guard("H7", "host", "untrusted time moves nothing", STEP,
          "if state.hydrated_utc_ms is not None and at.utc_trusted:", "if state.hydrated_utc_ms is not None:",
          OF_STEP),
    Guard("H7", "host", "a clock that leaps must stand by it", "controller/control/run_clock.py",
          "if state.now.monotonic_ms - since_ms < LEAP_PROVEN_AFTER_MS:", "if False:", OF_STEP),
    Guard("H8", "host", "intent before command", LIFE, "[*recorded, asked]", "[asked, *recorded]", OF_STEP),
    Guard("H8", "host", "a trip without records is latched", STEP, "state = remembered(state, record, settings)",
          "pass", ("test_deciding.py",)),
    Guard("H8", "host", "what follows a failed record never happens", "controller/deciding.py",
          "    for action in actions:\n                    self._act(action)\n                return",
          "    for action in actions:\n                    self._act(action)", ("test_deciding.py",)),
    Guard("H8", "host", "rows are only ever added", "controller/records/formats.py",
          'for table in ("run", *TABLES.values()) for verb in ("UPDATE", "DELETE")',
          'for table in ("run", *TABLES.values()) for verb in ()',
          ("test_journal.py",)),
    Guard("H8", "host", "the file that is written is the one that will be read", JOURNAL,
          "self.check_there()\n        connection = self._connection\n        row_id",
          "connection = self._connection\n        row_id",
          ("test_journal_gone.py",)),
    Guard("H8", "host", "full sync", JOURNAL, "PRAGMA synchronous=FULL", "PRAGMA synchronous=NORMAL",
          ("test_journal.py",)),
    Guard("H9", "host", "uncertainty of the calibration", WATERING,
          "from_calibration_ml = middle_steps * dose.ml_per_step_standard_uncertainty", "from_calibration_ml = 0.0",
          OF_WATERING),
    Guard("H9", "host", "an aged pump waits where the plan says stop", WATERING,
          'if settings.plan.watering.aged_pump == "stop" and wanted.purpose != m.CALIBRATION:', "if False:",
          OF_WATERING),
    Guard("H10", "host", "another plan is refused", "controller/run.py",
          'if known["plan_sha256"] != settings.plan_sha256:', "if False:", ("test_service.py",)),
    Guard("H11", "host", "a board with other limits gets no dose", WATERING, "if state.limits_differ:", "if False:",
          OF_WATERING),
    Guard("H12", "host", "no request without initials", PEOPLE, "if not request.asked_by.strip():",
          "if False:", OF_STEP),
    Guard("H13", "host", "draining is a gate", PEOPLE, 'if gates_open(state, settings, "after_soak"):',
          "if True:", OF_STEP),
    Guard("H14", "host", "caution about mains", "controller/commands/telling.py", "no mains inside the chamber, ", "",
          ("test_documents.py",)),
    Guard("H15", "host", "caution about the lamp", "controller/commands/telling.py", "do not look into the lamp", "",
          ("test_documents.py",)),
]  # fmt: skip


def noticed(guard: Guard, tree: Path) -> str:
    """The first test that fails in a copy once this guard is taken away, or an empty text; then it is put back."""
    path = tree / guard.path
    whole = path.read_text()
    path.write_text(whole.replace(guard.old, guard.new, 1))
    try:
        tests = [str(tree / "tests" / name) for name in guard.tests]
        command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *tests]
        done = subprocess.run(command, cwd=tree, capture_output=True, text=True, check=False, timeout=300)
        failed = re.search(r"^FAILED (?:\S*/)?(\S+?)(?:\[| - |$)", done.stdout, re.MULTILINE)
        return failed[1] if done.returncode == 1 and failed else ""
    finally:
        path.write_text(whole)


def copy_of_the_tree(folder: Path) -> Path:
    """A copy whose own packages are imported, since Python looks into the working folder first."""
    tree = folder / "tree"
    left_out = shutil.ignore_patterns(".venv", ".git", "__pycache__", ".*_cache", "rehearsals", "runs")
    shutil.copytree(ROOT, tree, ignore=left_out)
    return tree


def campaign(scale: float = 1.0) -> list[Row]:
    guards = GUARDS if scale >= 1.0 else GUARDS[:: round(1 / scale)]
    with tempfile.TemporaryDirectory() as folder:
        tree = copy_of_the_tree(Path(folder))
        unnoticed = []
        for guard in guards:
            by = noticed(guard, tree)
            print(f"{guard.hazard:<4} {guard.side:<6} {guard.guard:<64} {by or 'NOTHING NOTICED IT'}", flush=True)
            if not by:
                unnoticed.append(guard)
    worst = (
        "; ".join(f"{guard.hazard} {guard.side}: {guard.guard}" for guard in unnoticed) or "every removal was noticed"
    )
    return [Row("a guard taken away", len(guards), len(guards) - len(unnoticed), worst)]
