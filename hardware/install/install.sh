#!/usr/bin/env bash
# From a fresh Debian system to a running chamber. --dry-run prints each step and does none.
set -euo pipefail

here=$(cd "$(dirname "$0")" && pwd)
source_of_release=$(cd "$here/../.." && pwd)
release="" board_serial="" simulated=no dry=no roll_back=no
prefix=${WARDIAN_PREFIX:-}  # a folder instead of /, for trying --roll-back without root: no user of the system is needed

usage() {
    cat <<'USAGE'
install.sh --release NAME [--source DIR-OR-WHEEL] [--board-serial TEXT] [--simulated] [--dry-run]
install.sh --roll-back NAME [--dry-run]

  --release NAME       folder of this release under /opt/wardian/releases, such as 0.1.0
  --source PATH        checkout or wheel to install from; default: the checkout this script is in
  --board-serial TEXT  ID_SERIAL_SHORT of the board's USB plug, for the name /dev/wardian-board
  --simulated          a trial on a simulated chamber: no board, no pins
  --roll-back NAME     go back, or forward, to a release that is still there
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
[ -z "$prefix" ] || [ "$roll_back" = yes ] || { echo "WARDIAN_PREFIX is for --roll-back alone." >&2; exit 2; }
[ "$dry" = yes ] || [ -n "$prefix" ] || [ "$(id -u)" = 0 ] || { echo "Only root can install; --dry-run shows what would be done." >&2; exit 2; }

releases=$prefix/opt/wardian/releases current=$prefix/opt/wardian/current
settings=$prefix/etc/wardian records=$prefix/var/lib/wardian/run
folder=$releases/$release
former=$(readlink "$current" || true)
services=(wardian-run.service wardian-serve.service wardian-alerts.service)

step() { echo; echo "# $1"; }
do_it() {
    printf '%q ' "$@"; echo
    if [ "$dry" = no ]; then "$@"; fi
}
as_wardian() { if [ -n "$prefix" ]; then nice "$@"; else nice runuser -u wardian -- "$@"; fi; }
# a running service manager is asked only where there is one (not in a system that is being prepared)
manager_runs() { [ "$dry" = yes ] || [ -d "$prefix/run/systemd/system" ]; }
ask_manager() { if manager_runs; then do_it systemctl "$@"; fi; }
put_new() {  # a file that people change is never written over
    if [ -e "$2" ]; then echo "$2 is kept as it is"; else do_it install -m 0644 "$1" "$2"; fi
}

try_release() {  # what it said to a failed trial is left in $told
    step "Try release $release: a quarter of an hour of your plan in virtual time, and the records of the run under way"
    local rehearse=("$folder/bin/wardian" rehearse "$settings/plan.toml" --chamber "$settings/chamber.toml" --days 0.01 --json --out)
    local status=("$folder/bin/wardian" status "$records") trial well=yes
    printf '%q ' "${rehearse[@]}" /tmp/trial; echo
    printf '%q ' "${status[@]}"; echo
    if [ "$dry" = yes ]; then return 0; fi
    [ -x "$folder/bin/wardian" ] || { told="$folder/bin/wardian is not there"; return 1; }
    trial=$(as_wardian mktemp -d) || { told="the user wardian has no room for a trial in /tmp"; return 1; }
    told=$(as_wardian "${rehearse[@]}" "$trial/run" 2>&1) || well=no
    if [ "$well" = yes ] && [ -e "$records/journal.sqlite" ]; then told=$(as_wardian "${status[@]}" 2>&1) || well=no; fi
    as_wardian rm -r "$trial"
    [ "$well" = yes ]
}

point_to() {  # the units of a release come with it; the link is replaced whole or not at all
    local units=("${services[@]/#/$1/share/wardian/units/}")
    if [ "$dry" = no ]; then units=("$1"/share/wardian/units/*.service); fi  # an older release may have fewer
    if [ "$dry" = yes ] || [ -e "${units[0]}" ]; then
        do_it install -m 0644 -D --target-directory="$prefix/etc/systemd/system" "${units[@]}"
    fi
    do_it sync
    do_it ln -sfn "$1" "$current.new"
    do_it mv -T "$current.new" "$current"
    do_it install -d "$prefix/usr/local/bin"
    do_it ln -sfn "$current/bin/wardian" "$prefix/usr/local/bin/wardian"
    ask_manager daemon-reload
}

came_up() {  # only services that run are begun anew; the run counts as started when it has taken its first reading
    ask_manager try-restart "${services[@]}" || return 1
    if manager_runs && [ "$was_active" = yes ]; then do_it systemctl is-active --quiet wardian-run.service; fi
}

switch_to_release() {
    step "Switch to release $release"
    was_active=no
    if [ "$dry" = no ] && manager_runs && systemctl is-active --quiet wardian-run.service; then was_active=yes; fi
    point_to "$folder"
    if ! came_up; then
        if [ -z "$former" ]; then echo "Release $release did not come up: journalctl --unit wardian-run" >&2; exit 4; fi
        point_to "$former"
        ask_manager restart "${services[@]}" || true
        echo "Release $release did not come up (journalctl --unit wardian-run says why). Back to $(basename "$former")." >&2
        exit 4
    fi
    [ "$dry" = yes ] || echo "Releases kept, until you delete one by hand: $(cd "$releases" && echo *) ($(du -sh "$releases" | cut -f 1) together); in use: $release"
}

refuse() {
    echo "Release $release does not start with your files and records. Its last words: $(tail -n 1 <<<"$told")" >&2
    [ -z "$former" ] || echo "Nothing was switched: release $(basename "$former") stays in use." >&2
    exit 4
}

if [ "$roll_back" = yes ]; then
    [ "$dry" = yes ] || [ -d "$folder" ] || { echo "$folder holds no release; there are: $(ls "$releases")" >&2; exit 3; }
    try_release || refuse
    switch_to_release
    echo "Flash the board again if its limits differ: wardian check says so."
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
extras=board,page,alerts,flash
[ "$simulated" = no ] || extras=page,alerts
do_it install -d -m 0755 "$releases"
[ "$dry" = yes ] || trap 'rm -rf "$folder"; echo "Release $release was not finished and is removed." >&2' EXIT
do_it python3 -m venv "$folder"
do_it "$folder/bin/pip" install --quiet "$source_of_release[$extras]"
do_it install -D -m 0644 "$here/../INSTALL.md" "$folder/share/wardian/INSTALL.md"
do_it install -D -m 0644 --target-directory="$folder/share/wardian/units" "${services[@]/#/$here/}"

step "Plan and chamber file, examples to be changed; records in a folder that survives an update"
do_it install -d -m 0755 "$settings"
put_new "$here/../../config/skerry-light.plan.toml" "$settings/plan.toml"
put_new "$here/../../config/skerry-light.chamber.toml" "$settings/chamber.toml"
if [ "$simulated" = yes ] && [ ! -e /etc/wardian/environment ]; then
    echo "WARDIAN_RUN_OPTIONS=--simulated > /etc/wardian/environment"
    if [ "$dry" = no ]; then echo "WARDIAN_RUN_OPTIONS=--simulated" > /etc/wardian/environment; fi
fi
do_it install -d -m 0750 -o wardian -g wardian /var/lib/wardian /etc/wardian/chamber.calibrations

step "The board's name, the log's bounds"
if [ -n "$board_serial" ]; then
    echo "60-wardian.rules with $board_serial > /etc/udev/rules.d/60-wardian.rules"
    do_it install -d /etc/udev/rules.d
    if [ "$dry" = no ]; then sed "s/BOARD_SERIAL/$board_serial/" "$here/60-wardian.rules" > /etc/udev/rules.d/60-wardian.rules; fi
    if [ "$dry" = yes ] || [ -d /run/systemd/system ]; then do_it udevadm control --reload; do_it udevadm trigger --subsystem-match=tty; fi
elif [ "$simulated" = no ]; then
    echo "No --board-serial: the chamber file must name the board's port by /dev/serial/by-id/..."
fi
do_it install -D -m 0644 "$here/wardian-journald.conf" /etc/systemd/journald.conf.d/wardian.conf

try_release || refuse
[ "$dry" = yes ] || trap - EXIT
switch_to_release
do_it systemctl enable systemd-timesyncd.service

if [ -n "$former" ]; then exit 0; fi
step "Next"
if [ "$simulated" = yes ]; then
    do_it systemctl enable "${services[@]}"
    ask_manager start "${services[@]}"
else
    echo "Flash the board (hardware/install/flash.sh), change /etc/wardian/chamber.toml to your chamber, then:"
    echo "wardian check --chamber /etc/wardian/chamber.toml"
    echo "systemctl enable --now ${services[*]}"
fi
