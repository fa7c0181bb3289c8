#!/usr/bin/env bash
# Sets everything up, then ruff, mypy, import-linter and pytest. Run it from anywhere; arguments go to pytest.
# Without arguments: everything but the slow tests, on two processes. With arguments: just those.
# Tests of the crew's page need Chromium: under CI scripts/browser.sh installs it; elsewhere run that yourself, or they are left out.
set -euo pipefail
# shellcheck source=scripts/_env.sh
source "$(dirname -- "${BASH_SOURCE[0]}")/_env.sh"

prepare
if [ -n "${CI:-}" ]; then
    bash "$ROOT/scripts/browser.sh" || say "no Chromium: the tests of the crew's page are left out"
fi
cd -- "$ROOT"
if [ $# -eq 0 ]; then
    set -- -m "not slow" -n 2 --dist worksteal
fi
export MPLBACKEND=Agg
failed=""
step() {
    local name=$1
    shift
    say "== $name"
    "$@" </dev/null || failed="$failed $name"
}
step ruff "$VENV/bin/ruff" check .
step mypy "$VENV/bin/mypy"
step lint-imports "$VENV/bin/lint-imports"

step pytest "$PY" -m pytest "$@" # last, so that the runner's own closing line ends the output

if [ -n "$failed" ]; then
    say "failed:$failed"
    exit 1
fi
