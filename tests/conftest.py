"""Lets tests import the zoo and other helpers that stand beside them."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
