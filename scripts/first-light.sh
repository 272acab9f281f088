#!/bin/sh
# Set up Ossicle, make an invented practice specimen, read it, print its account.
#   sh scripts/first-light.sh [PRESET]
set -eu
cd "$(dirname "$0")/.."
preset=${1:-carnivore-like-juvenile}
venv=${OSSICLE_VENV:-.venv}
sh scripts/setup.sh
# ONNX Runtime reports its use to its makers unless told not to.
export ORT_DISABLE_TELEMETRY=1
if [ ! -d "practice/$preset" ]; then
    "$venv/bin/ossicle" practice make "$preset" --out "practice/$preset"
fi
"$venv/bin/ossicle" read "practice/$preset/slices" --out "reading/$preset"
printf '\nThe account as a page: %s\n' "$(pwd)/reading/$preset/account.html"
