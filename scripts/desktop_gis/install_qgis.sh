#!/usr/bin/env bash
# Installs QGIS with its Python and tools on Debian or Ubuntu, for the tests of this folder: 270 MB to fetch, 1.2 GB on the disk.
# Needs root. Where it is there already, nothing happens.
set -euo pipefail
if command -v qgis_process.bin >/dev/null || command -v qgis_process >/dev/null; then
    echo "QGIS is there already"
    exit 0
fi
command -v apt-get >/dev/null || { echo "no apt-get here: install QGIS 3.22 or later by hand" >&2; exit 1; }
[ "$(id -u)" = 0 ] || { echo "run it as root: sudo $0" >&2; exit 1; }
export DEBIAN_FRONTEND=noninteractive
apt-get update -q
apt-get install -y -q --no-install-recommends qgis python3-qgis qgis-providers
