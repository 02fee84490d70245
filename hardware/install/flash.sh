#!/usr/bin/env bash
# Puts the board's program on a microcontroller that runs MicroPython and compares the checksum of its limits with ours.
# The jumper X1 must have been on at power-on: otherwise the program runs and no tool can talk to the interpreter.
set -euo pipefail

port="" dry=no commission=no compare=no
while [ $# -gt 0 ]; do
    case "$1" in
        --dry-run) dry=yes; shift ;;
        --commission) commission=yes; shift ;;
        --compare) compare=yes; shift ;;
        -h|--help) echo "flash.sh PORT [--commission | --compare] [--dry-run]   (--compare copies nothing)"; exit 0 ;;
        -*) echo "$1 is not known; see --help" >&2; exit 2 ;;
        *) port=$1; shift ;;
    esac
done
[ -n "$port" ] || { echo "Name the port, such as /dev/wardian-board; see --help" >&2; exit 2; }

python=${PYTHON:-/opt/wardian/current/bin/python}
command -v "$python" >/dev/null || { echo "$python is not there: install first, or name another in PYTHON" >&2; exit 3; }
program=$("$python" -c 'import firmware_bridge, pathlib; print(pathlib.Path(firmware_bridge.__file__).parent)')
ask='from firmware_bridge import limits, messages; print(limits.PROTOCOL, messages.LIMITS_CHECKSUM)'
ours=$("$python" -c "$ask")
work=$(mktemp -d)
trap 'rm -r "$work"' EXIT
do_it() {
    printf '%q ' "$@"; echo
    if [ "$dry" = no ]; then "$@"; fi
}

echo "Program: $program"
echo "Protocol and checksum of the limits on this computer: $ours"
board=("$python" -m mpremote connect "$port")
if [ "$compare" = no ]; then
    make_folder='import os; "firmware_bridge" in os.listdir() or os.mkdir("firmware_bridge")'
    modules=()
    for name in __init__ limits interlocks messages board wire; do modules+=("$program/$name.py"); done
    copies=(fs cp "${modules[@]}" :firmware_bridge/ + fs cp "$program/main.py" :main.py)
    if [ "$commission" = yes ]; then
        : > "$work/commission"
        copies+=(+ fs cp "$work/commission" :commission)
    fi
    do_it "${board[@]}" resume exec "$make_folder" + "${copies[@]}"
fi
# without "resume" the interpreter begins anew: what it imported at power-on, before the copying, is not what it has now
printf '%q ' "${board[@]}" exec "$ask"; echo
[ "$dry" = no ] || exit 0
theirs=$("${board[@]}" exec "$ask" | tr -d '\r')
echo "Protocol and checksum of the limits on the board: $theirs"
if [ "$ours" != "$theirs" ]; then
    echo "The board holds other limits than this computer: records without water. Flash it." >&2
    exit 1
fi
echo "They are the same. Pull the plug, take X1 off, plug in again."
