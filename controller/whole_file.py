"""A file that is there whole or not at all: written beside its place, then put there in one step (POSIX rename)."""

import os
from pathlib import Path


def write_whole(path: Path, content: bytes, *, lasting: bool = False, private: bool = False) -> None:
    """Put ``content`` at ``path``; where that fails (OSError) the old file stands.

    ``lasting`` waits until the disk has it, so that it outlives a power cut; ``private`` keeps it from other users.
    """
    new = path.with_name(path.name + ".new")
    handle = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600 if private else 0o666)
    with os.fdopen(handle, "wb") as file:
        file.write(content)
        if lasting:
            file.flush()
            os.fsync(handle)
    os.replace(new, path)
