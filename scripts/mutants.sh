#!/usr/bin/env bash
# How many small slips would the tests notice: draws a seeded sample of mutants of one package and tells the score (scripts/mutants.py).
# Usage: scripts/mutants.sh bore|ground|rules [--seed 1] [--count 100] [--quick]. Takes half an hour to an hour of one core.
# Works in a copy (MUTANTS_DIR, default a temporary folder that is removed) with an environment of its own beside it.
set -euo pipefail
# shellcheck source=scripts/_env.sh
source "$(dirname -- "${BASH_SOURCE[0]}")/_env.sh"

if [ -n "${MUTANTS_DIR:-}" ]; then
    work=$MUTANTS_DIR/${1:?bore, ground or rules}
    mkdir -p -- "$work"
else
    work=$(mktemp -d)
    trap 'rm -rf "$work"' EXIT
fi
mkdir -p -- "$work/tree"
tar cf - -C "$ROOT" --exclude=__pycache__ loopgis tests data scripts README.md DEVELOPERS.md LICENSE pyproject.toml requirements.lock |
    tar xf - -C "$work/tree"
# shellcheck disable=SC2034
ROOT=$work/tree VENV=$work/venv PY=$work/venv/bin/python
prepare
"$PY" -m pip install --quiet 'mutmut==3.8.1' >&2
cd -- "$work/tree"
export MPLBACKEND=Agg OPENBLAS_NUM_THREADS=1 OMP_NUM_THREADS=1
"$PY" scripts/mutants.py "$@"
