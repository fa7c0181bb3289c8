"""Every algorithm of the provider, in the order of the work."""

from __future__ import annotations

from .site_steps import Check, Layout
from .steps import AsBuilt, Drill, Score, Setbacks, Tablet

ALGORITHMS = (Check, Layout, Score, Setbacks, Tablet, Drill, AsBuilt)
