#!/usr/bin/env bash
# Puts the board's program on a microcontroller that runs MicroPython and shows the checksum of its limits.
# The jumper X1 must have been on at power-on: otherwise the program runs and no tool can talk to the interpreter.
set -euo pipefail

port="" dry=no commission=no
while [ $# -gt 0 ]; do
    case "$1" in
        --dry-run) dry=yes; shift ;;
        --commission) commission=yes; shift ;;
        -h|--help) echo "flash.sh PORT [--commission] [--dry-run]"; exit 0 ;;
        -*) echo "$1 is not known; see --help" >&2; exit 2 ;;
        *) port=$1; shift ;;
    esac
done
[ -n "$port" ] || { echo "Name the port, such as /dev/wardian-board; see --help" >&2; exit 2; }

python=${PYTHON:-/opt/wardian/current/bin/python}
program=$("$python" -c 'import firmware_bridge, pathlib; print(pathlib.Path(firmware_bridge.__file__).parent)')
checksum=$("$python" -c 'from firmware_bridge import limits, messages; print(limits.PROTOCOL, messages.LIMITS_CHECKSUM)')
work=$(mktemp -d)
trap 'rm -r "$work"' EXIT
do_it() {
    printf '%q ' "$@"; echo
    if [ "$dry" = no ]; then "$@"; fi
}

echo "Program: $program"
echo "Protocol and checksum of the limits on this computer: $checksum"
board=("$python" -m mpremote connect "$port" resume)
if [ "$dry" = yes ]; then do_it "${board[@]}" fs mkdir firmware_bridge; else "${board[@]}" fs mkdir firmware_bridge 2>/dev/null || true; fi
for name in __init__ limits interlocks messages board wire; do
    do_it "${board[@]}" fs cp "$program/$name.py" ":firmware_bridge/$name.py"
done
do_it "${board[@]}" fs cp "$program/main.py" :main.py
if [ "$commission" = yes ]; then
    : > "$work/commission"
    do_it "${board[@]}" fs cp "$work/commission" :commission
fi
echo "On the board:"
do_it "${board[@]}" exec 'from firmware_bridge import limits, messages; print(limits.PROTOCOL, messages.LIMITS_CHECKSUM)'
echo "Both lines of numbers must be the same. Pull the plug, take X1 off, plug in again."
