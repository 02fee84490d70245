"""What SQLite says of a file that it cannot write or read, in plain words."""

import sqlite3

# Primary result codes (SQLite, "Result and Error Codes"); the extended codes carry them in their low byte.
_WORDS = {
    sqlite3.SQLITE_FULL: "the disk is full",
    sqlite3.SQLITE_READONLY: "the file or its file system is read-only",
    sqlite3.SQLITE_IOERR: "the disk failed to read or write",
    sqlite3.SQLITE_BUSY: "another program is holding the file",
    sqlite3.SQLITE_LOCKED: "another program is holding the file",
    sqlite3.SQLITE_CORRUPT: "the file is damaged",
    sqlite3.SQLITE_NOTADB: "the file is damaged or no journal at all",
    sqlite3.SQLITE_CANTOPEN: "the file cannot be opened",
    sqlite3.SQLITE_PERM: "this user may not use the file",
    sqlite3.SQLITE_CONSTRAINT: "another program has written into this journal",
}


def cause_of(error: sqlite3.Error) -> str:
    """What went wrong, and in brackets what SQLite calls it."""
    code = getattr(error, "sqlite_errorcode", None)  # absent where the module itself refused
    words = None if code is None else _WORDS.get(code & 0xFF)
    return str(error) if words is None else f"{words} ({error})"
