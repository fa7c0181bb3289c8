#!/usr/bin/env bash
# Installs the browser that the tests of the crew's page run in: Debian's Chromium, with the fonts it needs. Root, or sudo without
# a password, is needed. The tests that need it are left out, and say so, where there is none.
set -euo pipefail

for name in chromium chromium-browser; do
    if command -v "$name" >/dev/null 2>&1; then
        exit 0
    fi
done
if ! command -v apt-get >/dev/null 2>&1; then
    echo "no Chromium here, and no apt-get to install it with: install one by hand" >&2
    exit 1
fi
as_root=()
if [ "$(id -u)" -ne 0 ]; then
    as_root=(sudo -n)
fi
export DEBIAN_FRONTEND=noninteractive
echo "installing Chromium" >&2
"${as_root[@]}" apt-get update -qq >&2
"${as_root[@]}" apt-get install -y -qq --no-install-recommends chromium fonts-liberation >&2
