"""A file that is there whole or not at all: written beside its place, then put there in one step (POSIX rename)."""

import os
from pathlib import Path

NEW = ".new"  # ends the name of a file that is still being written


def write_whole(path: Path, content: bytes, *, lasting: bool = False, private: bool = False) -> None:
    """Put ``content`` at ``path``; where that fails (OSError) the old file stands.

    ``lasting`` waits until the disk has it, so that it outlives a power cut; ``private`` keeps it from other users.
    """
    new = path.with_name(path.name + NEW)
    handle = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600 if private else 0o666)
    with os.fdopen(handle, "wb") as file:
        file.write(content)
        if lasting:
            file.flush()
            os.fsync(handle)
    os.replace(new, path)


def write_new(path: Path, content: bytes) -> None:
    """Put ``content`` where nothing is yet, for good: after a power cut it is there whole or not at all.

    FileExistsError where something is there already, or is being written by another process; OSError where the disk
    fails, and then nothing is there.
    """
    new = path.with_name(path.name + NEW)
    handle = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)  # whoever has this name may write the other
    written = new
    try:
        with os.fdopen(handle, "wb") as file:
            if path.exists():
                raise FileExistsError(path)
            file.write(content)
            file.flush()
            os.fsync(handle)
        os.replace(new, path)
        written = path
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)  # so that the name outlives a power cut too
        finally:
            os.close(folder)
    except BaseException:
        written.unlink(missing_ok=True)
        raise
