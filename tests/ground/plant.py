"""Made-up loops for the tests of simulation and sizing."""

from __future__ import annotations

import numpy as np

from loopgis.ground.loads import TYPICAL_COOLING, TYPICAL_HEATING, from_hours
from loopgis.ground.loop import Loop, Section
from loopgis.ground.spectrum import spectrum
from loopgis.ground.temperature import Wave

SECTION = Section(
    bore_radius_m=0.0635,
    pipe_outer_radius_m=0.0167,
    pipe_inner_radius_m=0.0137,
    half_spacing_m=0.0185,
    k_fill_w_mk=0.9,
    k_pipe_w_mk=0.4,
)
WAVE = Wave(mean_c=10.0, amplitude_k=11.0, coldest_day=35, diffusivity_m2_s=0.7e-6)


def fan(count=6, level=55.0, turn=14.0, depth=4.5):
    """Slanted bores that fan out from one pad."""
    paths = []
    for n in range(count):
        a = np.radians(turn * n)
        r = np.array([3.0, 18.0, 18.0 + level, 33.0 + level])
        paths.append(np.column_stack([r * np.cos(a), r * np.sin(a), [0.0, -depth, -depth, 0.0]]))
    return paths


def plant(paths=None, *, heating_kw=9.0, cooling_kw=6.0, years=20, **more) -> Loop:
    """A loop that more or less carries its house."""
    paths = fan() if paths is None else paths
    loads = from_hours(
        heating_peak_w=1000 * heating_kw,
        cooling_peak_w=1000 * cooling_kw,
        heating_hours=1900 if heating_kw else 0,
        cooling_hours=700 if cooling_kw else 0,
        wave=WAVE,
    )
    values = {
        "paths": tuple(paths),
        "spectrum": spectrum(paths, bore_radius_m=SECTION.bore_radius_m),
        "wave": WAVE,
        "k_w_mk": 1.6,
        "section": SECTION,
        "film_mk_w": {"heating": 0.08, "cooling": 0.02},
        "capacity_w_k": 2200 / len(paths),
        "loads": loads,
        "cop": {"heating": TYPICAL_HEATING, "cooling": TYPICAL_COOLING},
        "years": years,
    }
    return Loop(**{**values, **more})
