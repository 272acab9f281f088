#!/bin/sh
# Make the virtual environment .venv with the versions of uv.lock.
#   sh scripts/setup.sh          what Ossicle needs to run
#   sh scripts/setup.sh --dev    and what its tests and checks need (the groups dev and train)
# OSSICLE_VENV names another place for it.
set -eu
cd "$(dirname "$0")/.."
venv=${OSSICLE_VENV:-.venv}

say() { printf '%s\n' "$*" >&2; }

python=
for name in python3 python3.13 python3.12 python3.11; do
    if command -v "$name" >/dev/null 2>&1 &&
        "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
        python=$name
        break
    fi
done
if [ -z "$python" ]; then
    say "Python 3.11 or later was not found; install it (on Debian 12: apt-get install python3 python3-venv) and run this again."
    exit 2
fi

if ! "$python" -c 'import ensurepip, venv' 2>/dev/null; then
    if [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null 2>&1; then
        say "Installing python3-venv ..."
        apt-get update -qq && apt-get install -y -qq python3-venv >/dev/null
    else
        say "Python's venv module is missing; install it (on Debian: apt-get install python3-venv, as root) and run this again."
        exit 2
    fi
fi

if [ ! -x "$venv/bin/python" ]; then
    say "Making $venv ..."
    "$python" -m venv "$venv"
fi
# uv reads the lock file; it is kept in the environment that it fills, and asks the index that pip asks.
if [ ! -x "$venv/bin/uv" ]; then
    "$venv/bin/python" -m pip install --quiet --quiet --disable-pip-version-check uv
fi
VIRTUAL_ENV=$(cd "$venv" && pwd)
UV_PYTHON_DOWNLOADS=never
export VIRTUAL_ENV UV_PYTHON_DOWNLOADS
say "Installing Ossicle and what it needs into $venv ..."
if [ -f uv.lock ]; then
    if [ "${1:-}" = --dev ]; then
        "$venv/bin/uv" sync --quiet --locked --active --inexact --group train
    else
        "$venv/bin/uv" sync --quiet --locked --active --inexact --no-dev
    fi
elif [ "${1:-}" = --dev ]; then
    "$venv/bin/uv" pip install --quiet --editable . --group dev --group train
else
    "$venv/bin/uv" pip install --quiet --editable .
fi
