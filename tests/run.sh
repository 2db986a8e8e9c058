#!/bin/sh
# Installs what the tests need (system packages too, where this runs as root on a Debian system) and runs them.
#
#   sh tests/run.sh                       all of them
#   sh tests/run.sh --quick               without what is marked `lab` or `slow`
#   sh tests/run.sh tests/unit -k guard   arguments go to pytest; after --quick too
#
# Without arguments the lab, which mostly waits for time-outs and the like, runs beside the other tests, and its report
# comes after theirs. Several processes share the tests of each part: a file at a time, in the lab a test at a time but for
# those that are marked `together`.
set -eu
cd "$(dirname "$0")/.."
venv="${OTHERROOF_VENV:-.venv}"
lab_processes=6
# Two more than there are processors, since many tests wait for a disk.
processes=$(($(nproc) < 7 ? $(nproc) + 2 : 8))

wanted="systemd openssh-server openssh-client wireguard-tools wireguard-go nftables iproute2 iputils-ping acl attr mmdebstrap shellcheck faketime chromium man-db groff-base mandoc bash bash-completion zsh fish xfsprogs btrfs-progs dosfstools exfatprogs exfat-fuse openssl jq git unicode-data sqlite3 strace"
if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null; then
    missing=""
    for package in $wanted; do
        dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'ok installed' || missing="$missing $package"
    done
    if [ -n "$missing" ]; then
        echo "installing:$missing"
        apt-get update -qq
        # policy-rc.d keeps the packages from starting servers on this machine.
        # shellcheck disable=SC2086
        RUNLEVEL=1 DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing >/dev/null
    fi
fi

if [ ! -x "$venv/bin/python" ]; then
    python3 -m venv "$venv"
fi
stamp="$venv/.otherroof-installed"
if [ ! -e "$stamp" ] || [ pyproject.toml -nt "$stamp" ]; then
    "$venv/bin/pip" install --quiet --editable '.[tests]'
    touch "$stamp"
fi

# What several processes and hundreds of short-lived ones import is compiled once, even on a machine that is set to leave
# no compiled files behind: they lie in the environment, not in the tree.
unset PYTHONDONTWRITEBYTECODE
PYTHONPYCACHEPREFIX="$(cd "$venv" && pwd)/compiled"
export PYTHONPYCACHEPREFIX

# kB of memory that are free for what is needed now.
available() { awk '$1 == "MemAvailable:" { kb = $2 } END { print kb + 0 }' /proc/meminfo; }

# Whether a folder keeps what a disk keeps.
keeps_all() { setfattr -n user.kept -v yes "$1" 2>/dev/null; }

# A folder for what tests write: on a memory disk if there is one with room, since making and removing hundreds of
# thousands of small files takes a disk's file system a fifth of all the processor time. $1: kB that are to be free.
folder_for_tests() {
    memory=/dev/shm
    free=$(df -Pk "$memory" 2>/dev/null | awk 'NR == 2 { print $4 }')
    [ -w "$memory" ] && [ "${free:-0}" -ge "$1" ] && [ "$(available)" -ge "$1" ] || memory="${TMPDIR:-/tmp}"
    mktemp -d "$memory/otherroof-tests.XXXXXX"
}

# --no-loadscope-reorder: the order is ours (tests/conftest.py).
if [ "${1:-}" = --quick ]; then
    shift
    export OTHERROOF_QUICK=1  # fewer examples, no waiting for the disk (tests/conftest.py)
    place=$(folder_for_tests 500000)
    trap 'rm -rf "$place"' EXIT
    trap 'exit 130' INT TERM
    failed=0
    "$venv/bin/python" -m pytest --ignore=tests/lab -m "not slow and not lab" -n "$processes" --dist loadfile --no-loadscope-reorder --basetemp "$place/tests" "$@" || failed=$?
    exit "$failed"
fi
[ $# -eq 0 ] || exec "$venv/bin/python" -m pytest "$@"

# What tests write lies in memory if there is plenty of it and it keeps what a disk keeps. A disk without a journal looks
# at each inode that was freed within the last minute before it gives out another: a quarter of a rehearsal's processor time.
told=$(mktemp)
own=$(folder_for_tests 6000000)
if ! keeps_all "$own"; then
    rmdir "$own"
    own=$(mktemp -d)
fi
place=""
lab=""
end_lab() {
    [ -z "$lab" ] || kill "$lab" 2>/dev/null || :
    if [ -n "$place" ]; then
        umount -l "$place" 2>/dev/null || :
        rmdir "$place" || :
    fi
    rm -rf "$told" "$own"
}
trap end_lab EXIT
trap 'exit 130' INT TERM
# The lab has a mount of its own: it makes whole systems, and no devices can be made in /dev/shm.
if [ "$(id -u)" = 0 ] && [ "$(available)" -gt 12000000 ]; then
    place=$(mktemp -d /run/otherroof-tests.XXXXXX)
    if mount -t tmpfs -o size=8g,mode=755 otherroof-tests "$place" && keeps_all "$place"; then
        mkdir -m 1777 "$place/tmp"
    fi
fi
if [ -d "${place:-none}/tmp" ]; then
    set -- env TMPDIR="$place/tmp" OTHERROOF_LAB="$place/lab"
fi
"$@" "$venv/bin/python" -m pytest tests/lab -n "$lab_processes" --dist loadgroup --no-loadscope-reorder >"$told" 2>&1 &
lab=$!
failed=0
"$venv/bin/python" -m pytest --ignore=tests/lab -n "$processes" --dist loadfile --no-loadscope-reorder --basetemp "$own/tests" || failed=$?
echo "the lab goes on; its report follows"
wait "$lab" || failed=$?
lab=""
cat "$told"
exit "$failed"
