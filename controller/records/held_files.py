"""Whether the paths of a journal still lead to the files that its connection holds open.

A file that was deleted or replaced can be written on for days; nobody will ever read it. The system tells by device
and inode, which a file keeps for life; one that was only moved away and comes back is the same file again.
"""

import os
from pathlib import Path

ENDINGS = ("", "-wal", "-shm")  # the file, its write-ahead log and the log's index (SQLite, "WAL-mode File Format")


class HeldFiles:
    """The files of one journal, as they were found when each was first seen."""

    def __init__(self, path: Path) -> None:
        self._paths = [path.with_name(path.name + ending) for ending in ENDINGS]
        self._known: dict[Path, tuple[int, int]] = {}
        self.lost()

    def lost(self) -> str:
        """The name of the first file that is no longer where it was, empty when all are."""
        for path in self._paths:
            try:
                status = os.stat(path)
            except OSError:
                if path in self._known:
                    return path.name
                continue
            found = (status.st_dev, status.st_ino)
            if self._known.setdefault(path, found) != found:
                return path.name
        return ""
