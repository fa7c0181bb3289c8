# Sourced by demo.sh, test.sh: finds a Python, makes .venv from requirements.lock, installs the package itself.
# Nothing is needed from the machine but Python 3.11 to 3.13 with its venv module. Sets ROOT, VENV, PY.
# LOOPGIS_VENV puts the environment somewhere else than .venv in the repository.
# shellcheck shell=bash

ROOT=$(cd -- "$(dirname -- "${BASH_SOURCE[0]}")/.." && pwd -P)
VENV=${LOOPGIS_VENV:-$ROOT/.venv}
PY=$VENV/bin/python
export PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_NO_INPUT=1 PYTHONNOUSERSITE=1
unset PYTHONHOME PYTHONPATH

say() { printf '%s\n' "$*" >&2; }

die() {
    say "error: $*"
    exit 1
}

# The pinned wheels exist for these versions; a newer Python would start compiling GDAL.
version_ok() { "$1" -c 'import sys; sys.exit(not (3, 11) <= sys.version_info[:2] <= (3, 13))' >/dev/null 2>&1; }

has_venv() { "$1" -c 'import ensurepip, venv' >/dev/null 2>&1; }

# Prints the first Python that fits; a name on PATH may be a launcher that fails, so each one is run.
find_python() {
    local name no_venv=""
    for name in python3.11 python3.12 python3.13 python3; do
        version_ok "$name" || continue
        if has_venv "$name"; then
            command -v "$name"
            return 0
        fi
        no_venv=${no_venv:-$name}
    done
    if [ -n "$no_venv" ]; then
        die "$no_venv has no venv module. On Debian or Ubuntu: apt-get install python3-venv"
    fi
    die "no Python 3.11, 3.12 or 3.13 found on PATH (tried python3.11, python3.12, python3.13, python3)"
}

# One line that changes when the lock file, the package's own metadata or its place changes.
stamp() {
    "$PY" - "$ROOT" <<'PYTHON'
import hashlib, pathlib, sys
root = pathlib.Path(sys.argv[1])
both = b"".join((root / name).read_bytes() for name in ("requirements.lock", "pyproject.toml"))
print(hashlib.sha256(both).hexdigest(), root)
PYTHON
}

make_venv() {
    if version_ok "$PY"; then
        return 0
    fi
    if [ -e "$VENV" ] && [ ! -f "$VENV/pyvenv.cfg" ]; then
        die "$VENV exists and is no virtual environment: move it away, or set LOOPGIS_VENV to another place"
    fi
    local base
    base=$(find_python)
    say "making $VENV with $base"
    "$base" -m venv --clear "$VENV"
}

install_locked() {
    local wanted
    wanted=$(stamp)
    if [ -f "$VENV/loopgis.stamp" ] && [ "$(cat "$VENV/loopgis.stamp")" = "$wanted" ]; then
        return 0
    fi
    say "installing what requirements.lock pins"
    rm -f "$VENV/loopgis.stamp"
    "$PY" -m pip install --quiet --no-deps --require-hashes --only-binary :all: -r "$ROOT/requirements.lock" >&2
    "$PY" -m pip install --quiet --no-deps --no-build-isolation --editable "$ROOT" >&2
    printf '%s\n' "$wanted" >"$VENV/loopgis.stamp"
}

prepare() {
    make_venv
    install_locked
}
