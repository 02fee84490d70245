"""Writes hardware/BENCH.md from the one definition of the tests: ``python -m hardware.write_bench``."""

from pathlib import Path

from controller.acceptance.definition import TESTS, AcceptanceTest
from controller.acceptance.judging import BALANCE_G, COVERAGE

PAGE = Path(__file__).with_name("BENCH.md")
HEAD = f"""# On the bench: acceptance tests with real water

Written by `python -m hardware.write_bench` from `controller/acceptance/definition.py`; change it there. Do all of it
with a chamber that was just built, and the watched ones again after every repair and with every new bed.

    $ wardian check --chamber config/skerry-light.chamber.toml --bench --list

shows what is still to do; with `--by` and your initials instead of `--list` the program walks through it, one test
after another. It keeps what came of each in a file beside the chamber file (`skerry-light.bench`): one line an attempt,
only ever added to, each line naming the digest of the one before. Stop the service first: the board's line belongs to
one program at a time.

What stands behind a result is written with it. **watched**: the board, or the computer's own pin, reported what you
did. **judged from records**: the journal of a run on the bench plan (`config/bench.plan.toml`), with what you weighed
or timed. **asked**: only your word. No command here turns the pump: water moves in a run, under the law of host and
board. Volumes agree when they differ by no more than {COVERAGE:.0f} combined standard uncertainties (JCGM 100:2008),
the balance taken as {BALANCE_G:g} g. The law's run limit cannot be provoked from outside a healthy board; here a dose
is timed against it, and the trip itself is tested in `tests/test_interlocks.py`.

**Before you begin**: two adults, no children. Certified extra-low-voltage supply behind residual-current protection,
no mains in the chamber, dry hands, water below the electronics. Do not look into the lamp. Local codes and the school's
safety officer come first.

Chamber ______________________  Built by ______________________  Board's checksum of limits ______________________
"""


def section(number: int, test: AcceptanceTest) -> str:
    lines = [f"\n## {number}. {test.title} (`{test.name}`, {test.evidence})\n"]
    if test.caution:
        lines.append(f"**Caution.** {test.caution}\n")
    lines += [f"{place}. {each.format(name=test.name)}" for place, each in enumerate(test.do, 1)]
    lines.append(f"\nPasses when {test.passes}.\n")
    lines += ["| | |", "|---|---|"]
    for question in test.questions:
        bound = "" if question.threshold is None else f" (at most {question.threshold:g})"
        lines.append(f"| {question.words}{bound} | {'______ ' + question.unit if question.is_number else 'yes / no'} |")
    lines.append("| Passed, date, initials | |")
    return "\n".join(lines) + "\n"


def page() -> str:
    return HEAD + "".join(section(number, test) for number, test in enumerate(TESTS, 1))


if __name__ == "__main__":
    PAGE.write_text(page())
