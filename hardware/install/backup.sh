#!/usr/bin/env bash
# A whole copy of the journal while the run goes on: backup.sh RUN TARGET-FOLDER
set -euo pipefail
[ $# = 2 ] || { echo "backup.sh RUN TARGET-FOLDER" >&2; exit 2; }
[ -f "$1/journal.sqlite" ] || { echo "$1 holds no journal.sqlite" >&2; exit 5; }
mkdir -p "$2"
target="$2/journal-$(date -u +%Y%m%dT%H%M%SZ).sqlite"
[ ! -e "$target" ] || { echo "$target is there already; wait a second" >&2; exit 5; }
python3 - "$1/journal.sqlite" "$target.part" <<'PYTHON'
import sqlite3, sys
source, copy = (sqlite3.connect(path, timeout=10) for path in sys.argv[1:])
source.backup(copy)  # SQLite's own online copy: whole, whatever is written meanwhile
found = copy.execute("PRAGMA integrity_check").fetchone()[0]
sys.exit(0 if found == "ok" else f"The copy is not whole: {found}")
PYTHON
sync "$target.part"
mv "$target.part" "$target"
sha256sum "$target"
