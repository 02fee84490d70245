"""Runs every campaign and prints one table: what was tried, what was survived, the worst that was seen.

python -m tests.campaigns                  all of them, about an hour and a half
python -m tests.campaigns --scale 0.05     a small part of each
python -m tests.campaigns --only kills     one of them
python -m tests.campaigns --write          also put the table, with date and command, into hardware/EVIDENCE.md
"""

import argparse
import importlib
import pkgutil
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import tests.campaigns
from tests.campaigns.rows import Row

EVIDENCE = Path(__file__).parent.parent.parent / "hardware" / "EVIDENCE.md"
NO_CAMPAIGN = {"__main__", "rows"}


def names() -> list[str]:
    return sorted(
        found.name for found in pkgutil.iter_modules(tests.campaigns.__path__) if found.name not in NO_CAMPAIGN
    )


def page(rows: list[tuple[str, Row]], command: str, before: str) -> str:
    """hardware/EVIDENCE.md with these rows in the place of their campaigns' old ones; each says when and how."""
    fresh = {name for name, _ in rows}
    lines = [line for line in before.splitlines() if line.startswith("| ") and line.split(" | ")[0][2:] not in fresh]
    lines = [line for line in lines if not line.startswith("| campaign ")]
    today = f"{datetime.now(UTC):%Y-%m-%d}"
    lines += [
        f"| {name} | {row.kind} | {row.tried:,} | {row.survived:,} | {row.worst_case} | {today} | `{command}` |"
        for name, row in rows
    ]
    head = (
        "# Evidence\n\n"
        "What was tried against the promises about water, light and records, and what was survived. This page is\n"
        "written by the commands in its last column and not by hand; the guards are in `HAZARDS.md`.\n\n"
        "| campaign | kind of fault | tried | survived | worst case | date | command |\n"
        "|---|---|---:|---:|---|---|---|\n"
    )
    return head + "".join(f"{line}\n" for line in sorted(lines))


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns")
    parser.add_argument("--scale", type=float, default=1.0, help="share of each campaign to run")
    parser.add_argument("--only", action="append", choices=names(), help="run only this one; may be given again")
    parser.add_argument("--write", action="store_true", help="write hardware/EVIDENCE.md")
    chosen = parser.parse_args()
    rows: list[tuple[str, Row]] = []
    for name in chosen.only or names():
        module_began_s = time.monotonic()
        for row in importlib.import_module(f"tests.campaigns.{name}").campaign(chosen.scale):
            rows.append((name, row))
            print(f"{name:<16} {row.kind:<64} {row.tried:>10,} {row.survived:>10,}  {row.worst_case}", flush=True)
        print(f"{name:<16} took {time.monotonic() - module_began_s:.0f} s", file=sys.stderr)
        if chosen.write:  # after each, so that a run that is broken off leaves what it had
            scale = "" if chosen.scale == 1.0 else f" --scale {chosen.scale:g}"
            command = f"python -m tests.campaigns --only {name}{scale} --write"
            before = EVIDENCE.read_text() if EVIDENCE.exists() else ""
            EVIDENCE.write_text(page([row for row in rows if row[0] == name], command, before))
    return 0


if __name__ == "__main__":
    sys.exit(main())
