"""What to order for a layout: pipe, fittings, fill, fluid, wire. Amounts in SI with their unit beside them.

Pipe in the bores is that of the layer `bores` (twice the drilled length); the rest of a circuit is told by itself, so that the
list adds up against the GeoPackage.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from loopgis.core.errors import RangeError
from loopgis.core.units import force_text, length_text, temperature_text
from loopgis.hydraulics.charge import COILS_M, SLACK_SHARE, coils
from loopgis.layout.drilling import LEGS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopgis.bore.model import Bore
    from loopgis.layout.drilling import Drill
    from loopgis.layout.model import Header
    from loopgis.layout.plumbing import Plumbing
    from loopgis.site.model import Site

WALL_M = 1.524
"""Pipe with antifreeze within 5 ft of a wall is insulated, R-2 at least (S: UFGS)."""
OPENING = "opening of about 2 ft by 2 ft where a header is bored in, or a sleeve with a compression seal"
"""Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Material:
    """One line of the list. amount in `unit` ("m", "m3", "kg", "pieces"); basis: how it comes about."""

    item: str
    size: str
    amount: float
    unit: str
    basis: str


def materials(
    site: Site, bores: Sequence[Bore], drills: Sequence[Drill], header: Header | None, plumbing: Plumbing
) -> tuple[Material, ...]:
    """The list of a layout; only what is still to be put in: bores that are in the ground already count for the header alone."""
    new = [b for b in bores if not b.in_ground]
    dr = site.spec.pipe.dr
    size = f"{plumbing.size} DR {dr:g}"
    told = [*_pipe(new, plumbing, size, site.spec.units), *_header(plumbing, dr), *_fittings(new, plumbing, dr)]
    told += _fill(site, new, drills)
    told += _fluid(plumbing, site.spec.units)
    trench = 0.0 if header is None else header.length_m
    wire = sum(b.length_m for b in new) + trench
    told.append(Material(item="tracer wire", size="", amount=wire, unit="m", basis="along every bore and the trench"))
    if trench > 0:
        told += [
            Material(item="marking tape", size="", amount=trench, unit="m", basis="over the header trench"),
            Material(
                item="pipe insulation",
                size="R-2 or more",
                amount=2 * WALL_M,
                unit="m",
                basis="both header pipes within 5 ft of the wall (UFGS)",
            ),
            Material(item="wall penetration", size="", amount=1, unit="pieces", basis=OPENING),
        ]
    link = next((d.pull.margin.weak_link_n for d in drills if d.pull is not None), None)
    if link is not None:
        told.append(
            Material(
                item="weak link",
                size=force_text(link, site.spec.units),
                amount=1,
                unit="pieces",
                basis="safe pull of one pipe, between swivel and pulling head",
            )
        )
    return tuple(told)


def _pipe(new: Sequence[Bore], plumbing: Plumbing, size: str, units: str) -> list[Material]:
    """Loop pipe: in the bores, beyond them, and the coils that every leg can be cut from whole."""
    if not new:
        return []
    inside = sum(LEGS * b.length_m for b in new)
    names = {b.bore_id for b in new}
    own = sum(c.pipe_m for c in plumbing.circuits if set(c.bores) <= names)
    rest = max(own - inside, 0.0)
    told = [
        Material(item="loop pipe in the bores", size=size, amount=inside, unit="m", basis="twice the drilled length"),
        Material(
            item="loop pipe beyond the bores", size=size, amount=rest, unit="m", basis="surplus and tails to the tees"
        ),
    ]
    slack = inside * SLACK_SHARE
    told.append(
        Material(
            item="loop pipe, slack", size=size, amount=slack, unit="m", basis=f"{100 * SLACK_SHARE:g} % of the bores"
        )
    )
    each = rest / (LEGS * len(new))
    legs = [b.length_m * (1 + SLACK_SHARE) + each for b in new for _ in range(LEGS)]
    try:
        bought = coils(circuits_m=legs)
    except RangeError:
        longest = max(COILS_M)
        asked = length_text(max(legs), units, 0)
        basis = f"a leg is longer than the usual {length_text(longest, units, 0)}: ask for coils of {asked}"
        return [*told, Material(item="coils", size=size, amount=len(legs), unit="pieces", basis=basis)]
    counts = Counter(round(c.length_m, 2) for c in bought.coils)
    for length, count in sorted(counts.items()):
        basis = f"of {length_text(length, units, 0)}; every leg is cut whole"
        told.append(Material(item="coils", size=size, amount=count, unit="pieces", basis=basis))
    return told


def _header(plumbing: Plumbing, dr: float) -> list[Material]:
    by_size: dict[str, float] = {}
    for s in plumbing.spans:
        by_size[s.size] = by_size.get(s.size, 0.0) + s.length_m
    return [
        Material(item="header pipe", size=f"{name} DR {dr:g}", amount=length, unit="m", basis="supply and return")
        for name, length in sorted(by_size.items())
    ]


def _fittings(new: Sequence[Bore], plumbing: Plumbing, dr: float) -> list[Material]:
    size = f"{plumbing.size} DR {dr:g}"
    tees = 2 * len(plumbing.circuits)
    told = [
        Material(item="U-bend", size=size, amount=len(new), unit="pieces", basis="one in every bore"),
        Material(item="tee or manifold port", size=size, amount=tees, unit="pieces", basis="two for every circuit"),
    ]
    for side in ("supply", "return"):
        spans = [s for s in plumbing.spans if s.side == side]
        steps = Counter(tuple(sorted((a.size, b.size))) for a, b in pairwise(spans) if a.size != b.size)
        told += [
            Material(item="reducer", size=f"{a} x {b}", amount=n, unit="pieces", basis=f"in the {side} header")
            for (a, b), n in sorted(steps.items())
        ]
    return told


def _fill(site: Site, new: Sequence[Bore], drills: Sequence[Drill]) -> list[Material]:
    grout = sum(d.cost.grout_m3 for d in drills if d.cost is not None)
    told = []
    if grout > 0:
        told.append(
            Material(item=site.spec.bore.fill, size="", amount=grout, unit="m3", basis="holes less the pipes in them")
        )
    fluid = sum(d.volumes.fluid_m3 for d in drills if d.volumes is not None)
    if fluid > 0 and new:
        told.append(
            Material(item="drilling mud", size="", amount=fluid, unit="m3", basis="to mix while drilling and reaming")
        )
    return told


def _fluid(plumbing: Plumbing, units: str) -> list[Material]:
    c = plumbing.charge
    told = [
        Material(
            item="water", size="", amount=c.water_m3, unit="m3", basis="for the loop, without the heat pump and hoses"
        )
    ]
    if c.antifreeze_m3 > 0:
        share = f"{100 * c.mass_share:.3g} % by mass, {100 * c.volume_share:.3g} % by volume"
        told.insert(
            0,
            Material(
                item="antifreeze, pure",
                size="",
                amount=c.antifreeze_m3,
                unit="m3",
                basis=f"{share}; begins to freeze at {temperature_text(c.freeze_c, units)}",
            ),
        )
    return told


def ordered_pipe_m(order: Sequence[Material]) -> float:
    """All pipe on the list, slack and header included."""
    return sum(m.amount for m in order if m.unit == "m" and (m.item.startswith("loop pipe") or m.item == "header pipe"))
