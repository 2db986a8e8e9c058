#!/bin/sh
# Installs what the tests need (system packages too, where this runs as root on a Debian system) and runs them all.
# Arguments go to pytest: `sh tests/run.sh tests/unit -k guard`. Without any, the lab, which mostly waits for time-outs
# and the like, runs beside the other tests, and its report comes after theirs.
set -eu
cd "$(dirname "$0")/.."
venv="${OTHERROOF_VENV:-.venv}"

wanted="systemd openssh-server openssh-client wireguard-tools wireguard-go nftables iproute2 iputils-ping acl attr mmdebstrap shellcheck faketime chromium man-db groff-base mandoc bash bash-completion zsh fish"
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
[ $# -eq 0 ] || exec "$venv/bin/python" -m pytest "$@"

told=$(mktemp)
"$venv/bin/python" -m pytest tests/lab >"$told" 2>&1 &
lab=$!
trap 'kill "$lab" 2>/dev/null || :; rm -f "$told"' EXIT
trap 'exit 130' INT TERM
failed=0
"$venv/bin/python" -m pytest --ignore=tests/lab || failed=$?
echo "the lab goes on; its report follows"
wait "$lab" || failed=$?
cat "$told"
exit "$failed"
