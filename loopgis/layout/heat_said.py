"""A heat case as a plain document and back, so that a file can be evaluated again without the site file that it was made from."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from loopgis.core.errors import InputError, RangeError
from loopgis.ground.loads import CopTable, Loads
from loopgis.ground.loop import SIDES, Section
from loopgis.ground.sizing import Limits
from loopgis.ground.temperature import Wave
from loopgis.hydraulics.fluid import Fluid
from loopgis.layout.heat_case import HeatCase

if TYPE_CHECKING:
    from collections.abc import Mapping


def heat_said(case: HeatCase) -> dict[str, Any]:
    """The case as JSON takes it, all digits kept; loads by month (their hours are not needed for what `heat.study` finds)."""
    whole = {f.name: getattr(case, f.name) for f in fields(case)}
    return {k: _said(v) for k, v in (whole | {"loads": case.loads.by_month()}).items()}


def _said(value: object) -> object:
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: _said(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, dict):
        return {str(k): _said(v) for k, v in value.items()}
    if isinstance(value, np.ndarray):
        return [float(v) for v in value]
    if isinstance(value, (tuple, list)):
        return [_said(v) for v in value]
    return value.item() if isinstance(value, np.generic) else value


def case_from(said: Mapping[str, Any], where: str) -> HeatCase:
    """The case of a document that `heat_said` made. Raises InputError, naming `where`, for anything else."""
    try:
        return HeatCase(
            wave=Wave(**said["wave"]),
            section=Section(**said["section"]),
            fluid=Fluid(**said["fluid"]),
            loads=Loads(**{name: np.array(said["loads"][name], dtype=float) for name in _LOADS}),
            cop={side: _cop(said["cop"][side]) for side in SIDES},
            limits=Limits(**said["limits"]),
            k_w_mk=float(said["k_w_mk"]),
            flow_m3_s=float(said["flow_m3_s"]),
            years=int(said["years"]),
            peak_s=float(said["peak_s"]),
            offset_k=float(said["offset_k"]),
            in_series=int(said["in_series"]),
        )
    except (KeyError, TypeError, ValueError, RangeError) as error:
        what = f"its heat case cannot be read ({type(error).__name__} {error})"
        raise InputError(where, what, "run loopgis score on the file, and take what it writes") from None


_LOADS = tuple(f.name for f in fields(Loads))


def _cop(said: Mapping[str, Any]) -> CopTable:
    return CopTable(
        tuple(float(v) for v in said["temperatures_c"]), tuple(float(v) for v in said["cops"]), str(said["source"])
    )
