#!/usr/bin/env bash
# From a fresh Debian system to a running chamber. --dry-run prints each step and does none.
set -euo pipefail

here=$(cd "$(dirname "$0")" && pwd)
source_of_release=$(cd "$here/../.." && pwd)
release="" board_serial="" simulated=no dry=no roll_back=no

usage() {
    cat <<'USAGE'
install.sh --release NAME [--source DIR-OR-WHEEL] [--board-serial TEXT] [--simulated] [--dry-run]
install.sh --roll-back NAME [--dry-run]

  --release NAME       folder of this release under /opt/wardian/releases, such as 0.1.0
  --source PATH        checkout or wheel to install from; default: the checkout this script is in
  --board-serial TEXT  ID_SERIAL_SHORT of the board's USB plug, for the name /dev/wardian-board
  --simulated          a trial on a simulated chamber: no board, no pins
  --roll-back NAME     go back to a release that is still there
  --dry-run            print what would be done, do nothing
USAGE
}

value_of() { [ $# -ge 2 ] && [ -n "$2" ] || { echo "$1 needs a value; see --help" >&2; exit 2; }; }

while [ $# -gt 0 ]; do
    case "$1" in
        --release) value_of "$@"; release=$2; shift 2 ;;
        --source) value_of "$@"; source_of_release=$2; shift 2 ;;
        --board-serial) value_of "$@"; board_serial=$2; shift 2 ;;
        --simulated) simulated=yes; shift ;;
        --roll-back) value_of "$@"; roll_back=yes; release=$2; shift 2 ;;
        --dry-run) dry=yes; shift ;;
        -h|--help) usage; exit 0 ;;
        *) echo "$1 is not known; see --help" >&2; exit 2 ;;
    esac
done

[[ "$release" =~ ^[0-9A-Za-z][0-9A-Za-z._-]*$ ]] || { echo "--release NAME: letters, digits, dots and dashes; see --help" >&2; exit 2; }
[[ -z "$board_serial" || "$board_serial" =~ ^[0-9A-Za-z._:-]+$ ]] || { echo "--board-serial: letters, digits, dots, colons and dashes" >&2; exit 2; }
[ "$dry" = yes ] || [ "$(id -u)" = 0 ] || { echo "Only root can install; --dry-run shows what would be done." >&2; exit 2; }

step() { echo; echo "# $1"; }
do_it() {
    printf '%q ' "$@"; echo
    if [ "$dry" = no ]; then "$@"; fi
}
# a running service manager is asked only where there is one (not in a system that is being prepared)
ask_manager() { if [ "$dry" = yes ] || [ -d /run/systemd/system ]; then do_it systemctl "$@"; fi; }
put_new() {  # a file that people change is never written over
    if [ -e "$2" ]; then echo "$2 is kept as it is"; else do_it install -m 0644 "$1" "$2"; fi
}

folder=/opt/wardian/releases/$release
switch_to_release() {
    do_it ln -sfn "$folder" /opt/wardian/current.new
    do_it mv -T /opt/wardian/current.new /opt/wardian/current
    do_it ln -sfn /opt/wardian/current/bin/wardian /usr/local/bin/wardian
    ask_manager daemon-reload
    ask_manager restart wardian-run.service wardian-serve.service wardian-alerts.service
}

if [ "$roll_back" = yes ]; then
    [ "$dry" = yes ] || [ -x "$folder/bin/wardian" ] || { echo "$folder holds no release; there are: $(ls /opt/wardian/releases)" >&2; exit 3; }
    step "Back to release $release. Flash the board again if its limits differ: wardian check says so."
    switch_to_release
    exit 0
fi

step "Packages: Python, and time from the network"
do_it apt-get install -y --no-install-recommends python3 python3-venv systemd-timesyncd

step "A user without password, shell or privileges; groups for pins, bus and serial line"
for group in gpio i2c dialout wardian; do
    if [ "$dry" = yes ] || ! getent group "$group" >/dev/null; then do_it groupadd --system "$group"; fi
done
if [ "$dry" = yes ] || ! getent passwd wardian >/dev/null; then
    do_it useradd --system --gid wardian --groups gpio,i2c,dialout --home-dir /var/lib/wardian --no-create-home --shell /usr/sbin/nologin wardian
fi

step "The program, in a folder of its own: nobody but root writes there"
if [ "$dry" = no ] && [ -e "$folder" ]; then echo "$folder is there already; give another name." >&2; exit 3; fi
extras=board,page,alerts
[ "$simulated" = no ] || extras=page,alerts
do_it install -d -m 0755 /opt/wardian/releases
do_it python3 -m venv "$folder"
do_it "$folder/bin/pip" install --quiet "$source_of_release[$extras]"
do_it install -D -m 0644 "$here/../INSTALL.md" "$folder/share/wardian/INSTALL.md"

step "Plan and chamber file, examples to be changed; records in a folder that survives an update"
do_it install -d -m 0755 /etc/wardian
put_new "$here/../../config/skerry-light.plan.toml" /etc/wardian/plan.toml
put_new "$here/../../config/skerry-light.chamber.toml" /etc/wardian/chamber.toml
if [ "$simulated" = yes ] && [ ! -e /etc/wardian/environment ]; then
    echo "WARDIAN_RUN_OPTIONS=--simulated > /etc/wardian/environment"
    if [ "$dry" = no ]; then echo "WARDIAN_RUN_OPTIONS=--simulated" > /etc/wardian/environment; fi
fi
do_it install -d -m 0750 -o wardian -g wardian /var/lib/wardian /etc/wardian/chamber.calibrations

step "The board's name, the log's bounds, the services"
if [ -n "$board_serial" ]; then
    echo "60-wardian.rules with $board_serial > /etc/udev/rules.d/60-wardian.rules"
    if [ "$dry" = no ]; then sed "s/BOARD_SERIAL/$board_serial/" "$here/60-wardian.rules" > /etc/udev/rules.d/60-wardian.rules; fi
    if [ "$dry" = yes ] || [ -d /run/systemd/system ]; then do_it udevadm control --reload; do_it udevadm trigger --subsystem-match=tty; fi
elif [ "$simulated" = no ]; then
    echo "No --board-serial: the chamber file must name the board's port by /dev/serial/by-id/..."
fi
do_it install -D -m 0644 "$here/wardian-journald.conf" /etc/systemd/journald.conf.d/wardian.conf
do_it install -m 0644 "$here/wardian-run.service" "$here/wardian-serve.service" "$here/wardian-alerts.service" /etc/systemd/system/
do_it systemctl enable wardian-run.service wardian-serve.service wardian-alerts.service systemd-timesyncd.service

step "Switch to release $release"
switch_to_release

step "Next"
echo "Flash the board (hardware/install/flash.sh), change /etc/wardian/chamber.toml, then:"
echo "/opt/wardian/current/bin/wardian check --chamber /etc/wardian/chamber.toml"
