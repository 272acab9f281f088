#!/bin/sh
# Set up Ossicle with what its tests need, and run them all. Arguments go to pytest in place of the usual ones.
#   sh scripts/test.sh
#   sh scripts/test.sh tests/account -x
set -eu
cd "$(dirname "$0")/.."
venv=${OSSICLE_VENV:-.venv}
sh scripts/setup.sh --dev

if grep -rqs --include='*.py' 'mark\.browser' tests && ! command -v chromium >/dev/null 2>&1; then
    if [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null 2>&1; then
        printf 'Installing chromium for the browser tests ...\n' >&2
        apt-get update -qq && apt-get install -y -qq chromium >/dev/null
    else
        printf 'Chromium is missing, so the browser tests will be skipped; install it as root: apt-get install chromium.\n' >&2
    fi
fi

# The catalogue is tested on SQLite and on PostgreSQL; the tests start a server of their own from its programs.
if ! command -v initdb >/dev/null 2>&1 && ! ls /usr/lib/postgresql/*/bin/initdb >/dev/null 2>&1; then
    if [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null 2>&1; then
        printf 'Installing postgresql for the tests of the catalogue ...\n' >&2
        apt-get update -qq && apt-get install -y -qq postgresql >/dev/null
    else
        printf 'PostgreSQL is missing, so its tests will be skipped; install it as root: apt-get install postgresql.\n' >&2
    fi
fi

# The real volumes come from package registries; without npm their tests are skipped, but CI must run them.
if [ "${CI:-}" = true ] && ! command -v npm >/dev/null 2>&1 && [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null 2>&1; then
    printf 'Installing npm to fetch the real volumes ...\n' >&2
    apt-get update -qq && apt-get install -y -qq npm >/dev/null
fi

# ONNX Runtime reports its use to its makers unless told not to.
export ORT_DISABLE_TELEMETRY=1
# One thread a worker, so that two workers fill two cores.
for pool in OMP_NUM_THREADS OPENBLAS_NUM_THREADS MKL_NUM_THREADS NUMEXPR_NUM_THREADS; do
    export "$pool=1"
done
if [ "$#" -gt 0 ]; then
    exec "$venv/bin/python" -m pytest "$@"
fi
exec "$venv/bin/python" -m pytest -q -n 2 --dist loadfile --no-loadscope-reorder
