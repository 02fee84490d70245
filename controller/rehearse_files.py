"""The files a rehearsal leaves beside its journal: tables, summary and the page."""

import importlib.util
import json
from pathlib import Path
from typing import Any

from controller.plan import Settings
from controller.records.export import export
from controller.records.journal import Journal
from controller.records.report import write_report
from controller.records.summary import summarise
from controller.rehearse import Rehearsed

TABLE_EVERY_S = 600


def write_files(done: Rehearsed, settings: Settings, folder: Path) -> dict[str, Any]:
    """Write the four tables, summary.json and, where the plotting extra is installed, run.html; answers the summary."""
    journal = Journal.open(done.journal_path)
    try:
        export(journal, settings, folder, every_s=TABLE_EVERY_S)
        summary = summarise(journal, settings, truth=done.truth, simulated_ms=done.simulated_ms, wall_s=done.wall_s)
        (folder / "summary.json").write_text(json.dumps(summary, indent=2) + "\n")
        if importlib.util.find_spec("matplotlib") and importlib.util.find_spec("jinja2"):
            write_report(journal, settings, summary, folder / "run.html")
    finally:
        journal.close()
    return summary
