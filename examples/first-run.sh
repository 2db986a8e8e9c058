#!/bin/sh
# From a fresh checkout to a finished rehearsal: makes a virtual environment in .venv, installs Otherroof into it and
# plays a first copy, a day of changes, a second copy and two restores, all on this machine.
# Needs python3 (3.11 or later) and python3-venv. No root; nothing outside this folder and a temporary one is touched.
# Arguments go to the rehearsal: `sh examples/first-run.sh --keep /tmp/rehearsal` leaves everything there to look at.
set -eu
cd "$(dirname "$0")/.."
venv="${OTHERROOF_VENV:-.venv}"

if ! command -v python3 >/dev/null; then
    echo "first-run: python3 is not installed; on Debian: apt install python3 python3-venv" >&2
    exit 2
fi
if ! python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))'; then
    echo "first-run: Python 3.11 or later is needed, this is $(python3 --version)" >&2
    exit 2
fi
if [ ! -x "$venv/bin/pip" ]; then
    echo "first-run: making a virtual environment in $venv"
    if ! python3 -m venv "$venv"; then
        echo "first-run: this did not work; on Debian: apt install python3-venv" >&2
        exit 2
    fi
fi
echo "first-run: installing Otherroof and what it needs into $venv"
"$venv/bin/pip" install --quiet --disable-pip-version-check .
echo "first-run: rehearsing"
exec "$venv/bin/otherroof" rehearse "$@"
