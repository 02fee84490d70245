"""``wardian check --bench``: walks a technician through the acceptance tests and writes down what came of each."""

import sys
from pathlib import Path

import click

from controller.acceptance.definition import BY_NAME, RECORDS, TESTS, WATCHED, AcceptanceTest, Question
from controller.acceptance.judging import Answers, Outcome, judge_answers, judge_records
from controller.acceptance.record import BenchRecord
from controller.acceptance.watching import Watch
from controller.commands.telling import CAUTION
from controller.commands.terminal import Exit, FiniteRange, open_records, out
from controller.errors import JournalError, SettingsError
from controller.plan import Chamber

DO_IT_WITHIN_S = 60.0


def press_enter(words: str) -> None:
    click.prompt(words, default="", show_default=False, prompt_suffix=" [Enter] ")


def ask(question: Question) -> float | bool:
    if not question.is_number:
        return click.confirm(question.words)
    return float(click.prompt(f"{question.words} ({question.unit})", type=FiniteRange(min=0)))


def tell_list(record: BenchRecord) -> bool:
    """Every test with its last attempt; whether all of them passed."""
    last = record.last()
    for test in TESTS:
        attempt = last.get(test.name)
        state = "not yet" if attempt is None else ("passed " if attempt["passed"] else "FAILED ")
        told = "" if attempt is None else f" {attempt['at_utc']} by {attempt['by']}: {attempt['found']}"
        passed = attempt is not None and attempt["passed"]
        out.print(f"{state} {test.name} ({test.evidence}): {test.title}.{told}", style=None if passed else "bold")
    return all(test.name in last and last[test.name]["passed"] for test in TESTS)


def walk(chamber: Chamber, chamber_path: Path, names: tuple[str, ...], done_by: str | None, runs: Path) -> None:
    """Go through the named tests, or all that have not passed yet; end with FOUND_WANTING unless all have passed."""
    record = BenchRecord(chamber_path)
    unknown = [name for name in names if name not in BY_NAME]
    if unknown:
        raise SettingsError((f"--test {unknown[0]}: there is no such test; there are {', '.join(BY_NAME)}.",))
    if not done_by:
        raise SettingsError(("--bench needs --by with your initials; --list shows the tests without doing any.",))
    last = record.last()
    chosen = names or tuple(t.name for t in TESTS if not last.get(t.name, {"passed": False})["passed"])
    out.print(CAUTION, style="bold")
    watch: Watch | None = None
    try:
        for name in chosen:
            test = BY_NAME[name]
            tell_test(test)
            if test.evidence == WATCHED and watch is None:
                watch = Watch(chamber)
            answers: Answers = {}
            outcome = attempt(test, answers, watch, runs)
            note = click.prompt("Note", default="", show_default=False)
            record.add(test, answers, outcome, done_by, note)
            out.print(f"{'passed' if outcome.passed else 'FAILED'}: {outcome.words}", style="bold")
    finally:
        if watch is not None:
            watch.close()
    out.print(f"Written to {record.path}")
    if not tell_list(record):
        sys.exit(Exit.FOUND_WANTING)


def tell_test(test: AcceptanceTest) -> None:
    out.print(f"\n{test.name}: {test.title} ({test.evidence})", style="bold")
    if test.caution:
        out.print(f"Caution: {test.caution}", style="bold")
    for number, each in enumerate(test.do, 1):
        out.print(f"  {number}. {each.format(name=test.name)}")
    out.print(f"  Passes when {test.passes}.")


def attempt(test: AcceptanceTest, answers: Answers, watch: Watch | None, runs: Path) -> Outcome:
    """One attempt; ``answers`` takes what the technician says."""
    if test.evidence == WATCHED:
        assert watch is not None
        return watched(test, answers, watch)
    press_enter("Done?")
    answers.update({question.key: ask(question) for question in test.questions})
    if test.evidence == RECORDS:
        folder = runs / f"bench-{test.name}"
        try:
            journal, _ = open_records(folder)
        except JournalError as error:
            return Outcome(False, str(error))
        try:
            return judge_records(test, answers, journal)
        finally:
            journal.close()
    return judge_answers(test, answers)


def watched(test: AcceptanceTest, answers: Answers, watch: Watch) -> Outcome:
    """Rest, the technician's act, what was seen of it, rest again: all four must be well."""
    rest = watch.is_ready(test)
    if not rest.passed:
        return Outcome(False, f"not begun: {rest.words}; mend it, clear it, then again")
    press_enter(f"Ready? You have {DO_IT_WITHIN_S:.0f} s from Enter")
    seen = watch.see(test, DO_IT_WITHIN_S)
    out.print(seen.words)
    answers.update({question.key: ask(question) for question in test.questions})
    said = judge_answers(test, answers)
    press_enter("Now undo it, dry the probe, and")
    after = watch.back_to_rest(test)
    words = "; ".join([seen.words, *([said.words] if test.questions else []), after.words])
    return Outcome(seen.passed and said.passed and after.passed, words)
