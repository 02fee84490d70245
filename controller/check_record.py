"""What ``wardian check`` found, kept beside the chamber file: one line of JSON a check, only ever added to."""

import json
import os
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from controller.check import Finding


class KeptCheck(NamedTuple):
    """One check as it was kept."""

    at_utc: datetime
    findings: tuple[Finding, ...]
    by: str = ""


class CheckRecord:
    """The file of checks of one chamber."""

    def __init__(self, chamber_path: Path) -> None:
        stem = chamber_path.name.removesuffix(".toml").removesuffix(".chamber")
        self.path = chamber_path.with_name(stem + ".checks")

    def add(self, findings: Sequence[Finding], at_utc: datetime, by: str = "") -> None:
        """Write one check and have it on the disk; OSError when the folder cannot be written."""
        moment = at_utc.astimezone(UTC).isoformat(timespec="milliseconds")
        whole = {"at_utc": moment, "by": by, "findings": findings}
        with self.path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(whole, ensure_ascii=False) + "\n")
            file.flush()
            os.fsync(file.fileno())

    def last(self) -> KeptCheck | None:
        """The newest check that can be read; a line that a power cut left half is passed over."""
        if not self.path.is_file():
            return None
        for line in reversed(self.path.read_text(encoding="utf-8", errors="replace").splitlines()):
            try:
                found = json.loads(line)
                findings = tuple(Finding(str(part), bool(well), str(words)) for part, well, words in found["findings"])
                return KeptCheck(datetime.fromisoformat(found["at_utc"]), findings, str(found.get("by", "")))
            except (ValueError, KeyError, TypeError):
                continue
        return None
