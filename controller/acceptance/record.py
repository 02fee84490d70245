"""The record of acceptance tests: a readable file beside the chamber file that is only ever added to."""

import hashlib
import json
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from controller import __version__
from controller.acceptance.definition import AcceptanceTest
from controller.acceptance.judging import Answers, Outcome
from controller.errors import SettingsError
from firmware_bridge import messages


class BenchRecord:
    """The record file beside the chamber file: one line of JSON an attempt, only ever added to, each naming the
    SHA-256 of the line before it. It shows a careless change, not a determined one."""

    def __init__(self, chamber_path: Path) -> None:
        self.path = chamber_path.with_name(chamber_path.name.removesuffix(".toml").removesuffix(".chamber") + ".bench")
        self._chamber_sha256 = hashlib.sha256(chamber_path.read_bytes()).hexdigest()

    def attempts(self) -> list[dict[str, Any]]:
        """Every attempt, oldest first; SettingsError when a line was changed or taken out."""
        if not self.path.exists():
            return []
        before = ""
        found = []
        for number, line in enumerate(self.path.read_bytes().splitlines(keepends=True), 1):
            try:
                attempt = json.loads(line)
                words = [attempt[name] for name in ("test", "at_utc", "by", "found")]
                said = isinstance(attempt["passed"], bool) and all(isinstance(word, str) for word in words)
                whole = said and line.endswith(b"\n") and attempt["line_before_sha256"] == before
            except (ValueError, KeyError, TypeError, RecursionError):
                whole = False
            if not whole:
                sentence = f"{self.path}: line {number} is not what was written; keep the file and begin another."
                raise SettingsError((sentence,))
            found.append(attempt)
            before = hashlib.sha256(line).hexdigest()
        return found

    def add(self, test: AcceptanceTest, answers: Answers, outcome: Outcome, done_by: str, note: str = "") -> None:
        """Write one attempt and have it on the disk."""
        self.attempts()  # an altered file is told before anything is added to it
        lines = self.path.read_bytes().splitlines(keepends=True) if self.path.exists() else []
        attempt = {
            "at_utc": datetime.now(UTC).isoformat(timespec="seconds"),
            "test": test.name,
            "passed": outcome.passed,
            "evidence": test.evidence,
            "found": outcome.words,
            "answers": answers,
            "by": done_by,
            "note": note,
            "chamber_sha256": self._chamber_sha256,
            "version": __version__,
            "limits_checksum": messages.LIMITS_CHECKSUM,
            "line_before_sha256": hashlib.sha256(lines[-1]).hexdigest() if lines else "",
        }
        with self.path.open("ab") as file:
            file.write(json.dumps(attempt, ensure_ascii=False).encode() + b"\n")
            file.flush()
            os.fsync(file.fileno())

    def last(self) -> dict[str, dict[str, Any]]:
        """test -> its last attempt."""
        return {attempt["test"]: attempt for attempt in self.attempts()}
