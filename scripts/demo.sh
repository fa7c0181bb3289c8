#!/usr/bin/env bash
# Sets everything up on a machine that has only Python, then lays out the demo lot. Run it from anywhere.
# More arguments go to `loopgis layout`, e.g. scripts/demo.sh --units metric
set -euo pipefail
# shellcheck source=scripts/_env.sh
source "$(dirname -- "${BASH_SOURCE[0]}")/_env.sh"

prepare
cd -- "$ROOT"
"$VENV/bin/loopgis" layout data/suburban/site.toml -o out/suburban --overwrite "$@" </dev/null
cat <<DONE

Written to $ROOT/out/suburban:
  review.html    ranked layouts side by side: open it in a browser
  layouts.gpkg   every bore, rod, zone and crossing: open it in a desktop GIS
  summary.json   the figures, for other programs
  L-01-order.csv what to order for a layout
Next: $VENV/bin/loopgis drill out/suburban/layouts.gpkg -o out/crew                  (drill sheets and stake-out files)
      $VENV/bin/loopgis layout data/suburban/site_pad.toml -o out/suburban_pad   (pad fixed beside the house)
      $VENV/bin/loopgis layout data/corner/site.toml -o out/corner               (tight corner lot, in feet)
      $VENV/bin/loopgis layout data/school/site.toml -o out/school               (44 bores; takes longer)
DONE
