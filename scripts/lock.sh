#!/usr/bin/env bash
# Writes requirements.lock anew from pyproject.toml: every package of the project and its dev extra, what the build needs,
# all pinned with hashes. Run it after a change of dependencies, then scripts/test.sh, and commit both files.
set -euo pipefail
# shellcheck source=scripts/_env.sh
source "$(dirname -- "${BASH_SOURCE[0]}")/_env.sh"

# gdal-utils names `gdal` as its dependency, which would have to be compiled against a system GDAL. Its GeoPackage
# validator needs none of it, so it is pinned here by hand and installed like all others with --no-deps.
NO_DEPS='gdal-utils>=3.10,<4'

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
base=$(find_python)
"$base" -m venv "$work/venv"
"$work/venv/bin/python" -m pip install --quiet 'pip-tools>=7.4,<8'

cd -- "$ROOT"
CUSTOM_COMPILE_COMMAND=scripts/lock.sh "$work/venv/bin/pip-compile" --quiet --strip-extras --generate-hashes \
    --allow-unsafe --no-emit-index-url --no-emit-trusted-host --no-emit-find-links --extra dev \
    --build-deps-for editable --output-file "$work/compiled.lock" pyproject.toml
"$work/venv/bin/python" -m pip download --quiet --no-deps --only-binary :all: --dest "$work/wheels" "$NO_DEPS"

"$work/venv/bin/python" - "$work" "$ROOT/requirements.lock" <<'PYTHON'
import hashlib, pathlib, sys
work, lock = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2])
(wheel,) = (work / "wheels").glob("*.whl")
name, version = wheel.name.split("-")[:2]
digest = hashlib.sha256(wheel.read_bytes()).hexdigest()
header = """\
# Every package of loopgis and its dev extra, pinned with hashes; made by scripts/lock.sh, never edited by hand.
# Install: python -m pip install --no-deps --require-hashes -r requirements.lock   (scripts/_env.sh does it)
# --no-deps matters: gdal-utils, the last block, names `gdal`, which is neither needed nor wanted here.
"""
block = f"""\
{name.replace("_", "-")}=={version} \\
    --hash=sha256:{digest}
    # via scripts/lock.sh, without its dependency
"""
lock.write_text(header + (work / "compiled.lock").read_text() + block)
PYTHON
say "wrote $ROOT/requirements.lock"
