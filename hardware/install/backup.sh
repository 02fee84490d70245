#!/usr/bin/env bash
# A whole copy of the journal while the run goes on: backup.sh RUN TARGET-FOLDER
set -euo pipefail
[ $# = 2 ] || { echo "backup.sh RUN TARGET-FOLDER" >&2; exit 2; }
[ -f "$1/journal.sqlite" ] || { echo "$1 holds no journal.sqlite" >&2; exit 5; }
mkdir -p "$2"
target="$2/journal-$(date -u +%Y%m%dT%H%M%SZ).sqlite"
[ ! -e "$target" ] || { echo "$target is there already; wait a second" >&2; exit 5; }
sqlite3 "$1/journal.sqlite" ".timeout 5000" ".backup '$target.part'"
[ "$(sqlite3 "$target.part" 'PRAGMA integrity_check')" = ok ] || { echo "The copy is not whole." >&2; exit 5; }
sync "$target.part"
mv "$target.part" "$target"
sha256sum "$target"
