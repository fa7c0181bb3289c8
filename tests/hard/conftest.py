"""Lets tests import the makers of sites, layouts and towns that stand with the tests of other rooms."""

import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1] / room) for room in ("screen", "sheets")]
