"""What must be found again, tied with two tapes to fixed points: corners of buildings, and of the lot where those will not do.

Two tapes of error e that cross under the angle a fix a place to e / sin a, root mean square along either of two square directions
(D: covariance e^2 (A'A)^-1 of the unit directions A, its trace is 2 e^2 / sin^2 a). Which two points serve best is the measure of
`costs`: a house choice, no source. Distances are computed from the map; where a building is drawn wrong they are wrong.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopgis.field.book import Fixed, Tie

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from numpy.typing import NDArray

    from loopgis.field.book import BuiltBore

    Array = NDArray[np.float64]
    Places = Callable[[Array], Array]

TAPE_M = 0.03
"""Error of a tape over a lawn (from memory)."""
LEAST_DEG, MOST_DEG = 30.0, 150.0
"""Tapes must cross between these (from memory: any surveying text asks for 30 to 150 degrees)."""
TAPE_LENGTH_M = 30.0
"""A tape is so long (a common length, from memory); longer ties are a makeshift."""
PER_METRE = 0.0005
"""What a metre of tape costs, in metres of error: half a millimetre, house choice, no source."""
SAME_M = 0.3
"""Corners nearer than this are one; a corner nearer than this to what is tied says nothing of the direction."""
BEND_DEG = 20.0
"""A vertex that turns less is no corner that anybody finds on site: house choice, no source."""
OCTANTS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
AS_PLANNED = ", as planned, not measured"
"""What nobody recorded lies where the plan has it, or not."""
CARRIED_M = 0.2
"""An exit that lies farther beyond the last reading was not measured."""
CARRIED_SHARE = 0.15
"""Error of a path that is carried on, as a share of how far: house choice, no source."""
LOT_WORDS = "lot corners are taken from the map, they are no survey marks"


@dataclass(frozen=True, kw_only=True)
class Place:
    """Something to find again. what: entry, exit, end, header, wall; depth_m: below ground; error_m: of it, without the tapes."""

    what: str
    words: str
    bore_id: str
    x: float
    y: float
    depth_m: float | None
    error_m: float


@dataclass(frozen=True, kw_only=True)
class Corner:
    """A point that stays. corner_of: building or lot."""

    name: str
    corner_of: str
    x: float
    y: float


def places(
    bores: Iterable[BuiltBore],
    *,
    header: Array | None = None,
    header_depth_m: float | None = None,
    wall: Array | None = None,
    header_error_m: float = 0.0,
) -> tuple[Place, ...]:
    """What must be found again: ways in and out of drilled bores, ends of holes that were given up, header ends, wall penetration.

    header: (n, 2) run from the pad to the building, its last point the wall penetration unless `wall` (2,) is given;
    header_error_m: of its places. Of a bore that was begun, where its head was last.
    """
    found: list[Place] = []
    for bore in bores:
        leg = bore.leg
        rods = leg.rods if leg is not None and bore.state == "drilled" else ()
        named = [("entry", f"entry of {bore.bore_id}", rods[0])] if rods else []
        carried = _carried(bore) if rods else None
        if rods and carried is None:
            named.append(("exit", f"exit of {bore.bore_id}", rods[-1]))
        if bore.state == "begun" and leg is not None and leg.rods:
            named.append(("end", f"head of {bore.bore_id}, begun", leg.rods[-1]))
        named += [
            ("end", f"end of hole {dead.number} of {bore.bore_id}, given up", dead.rods[-1])
            for dead in bore.legs
            if dead.abandoned and dead.rods
        ]
        found += [
            _place(what, words, bore.bore_id, rod.x, rod.y, depth_m=rod.depth_m, error_m=rod.error_m)
            for what, words, rod in named
        ]
        if carried is not None:
            found.append(carried)
    ends: list[tuple[str, str, Array]] = []
    if header is not None and len(header):
        ends.append(("header", f"header at the pad{AS_PLANNED}", np.asarray(header[0], dtype=float)))
        if wall is not None:
            ends.append(("header", f"header at the building{AS_PLANNED}", np.asarray(header[-1], dtype=float)))
        else:
            wall = np.asarray(header[-1], dtype=float)
    if wall is not None:
        ends.append(("wall", f"pipes through the wall{AS_PLANNED}", np.asarray(wall, dtype=float)))
    for k, (what, words, xy) in enumerate(ends):
        if any(float(np.hypot(*(xy - other))) <= 0.05 for _, _, other in ends[k + 1 :]):
            continue  # the wall stays when the header's end is the same place
        x, y = (float(v) for v in xy)
        found.append(_place(what, words, "", x, y, depth_m=header_depth_m, error_m=header_error_m))
    return tuple(found)


def _carried(bore: BuiltBore) -> Place | None:
    """The exit of a bore whose path was carried on beyond its last reading; None where the last reading is the exit."""
    leg = bore.leg
    if leg is None or not leg.rods or not len(leg.line):
        return None
    last = leg.rods[-1]
    beyond = float(np.linalg.norm(leg.line[-1] - [last.x, last.y, last.z_m]))
    if not beyond > CARRIED_M:
        return None
    x, y = (float(v) for v in leg.line[-1, :2])
    words = f"exit of {bore.bore_id}, not measured: carried on from the last reading"
    error = math.hypot(last.error_m, CARRIED_SHARE * beyond)
    return _place("exit", words, bore.bore_id, x, y, depth_m=0.0, error_m=error)


def _place(what: str, words: str, bore_id: str, x: float, y: float, *, depth_m: float | None, error_m: float) -> Place:
    known = None if depth_m is None or not math.isfinite(depth_m) else depth_m
    return Place(what=what, words=words, bore_id=bore_id, x=x, y=y, depth_m=known, error_m=error_m)


# corners


def corners(
    buildings: Sequence[Array], parcel: Sequence[Array], names: Sequence[str] | None = None
) -> tuple[Corner, ...]:
    """Every corner with a name of its own: those of buildings first, then of the lot; corners at one place once.

    buildings, parcel: rings (n, 2), closed or not, either way round; names: of the buildings, by default "house" for one and
    "building 1", "building 2" for more. Corners are named by the octant in which they lie from the building's centre, those that
    share one by a letter too, clockwise from north; corners of the lot by number in the order of the ring.
    """
    called = list(names) if names is not None else _names(len(buildings))
    twice = Counter(called)
    counted: Counter[str] = Counter()
    found: list[Corner] = []
    for ring, plain in zip(buildings, called, strict=True):
        counted[plain] += 1
        name = f"{plain} {counted[plain]}" if twice[plain] > 1 else plain
        xy = _vertices(ring)
        if len(xy) < 3:
            continue
        sides = _octants(xy, _centre(ring))
        for (x, y), side in zip(xy, sides, strict=True):
            _add(found, Corner(name=f"{name} corner {side}", corner_of="building", x=float(x), y=float(y)))
    number = 0
    for ring in parcel:
        for x, y in _vertices(ring):
            number += 1
            _add(found, Corner(name=f"lot corner {number}", corner_of="lot", x=float(x), y=float(y)))
    return tuple(found)


def _names(count: int) -> list[str]:
    return ["house"] if count == 1 else [f"building {i + 1}" for i in range(count)]


def _add(found: list[Corner], corner: Corner) -> None:
    """Keep a corner unless there is one at its place."""
    if all(math.hypot(corner.x - c.x, corner.y - c.y) >= SAME_M for c in found):
        found.append(corner)


def _open(ring: Array) -> Array:
    """A ring without repeated vertices, the last of them not the first again."""
    xy: Array = np.asarray(ring, dtype=float).reshape(-1, np.shape(ring)[-1])[:, :2]
    xy = xy[np.isfinite(xy).all(axis=1)]
    if len(xy):
        xy = xy[np.hypot(*(xy - np.roll(xy, 1, axis=0)).T) > 1e-9]
    return xy


def _vertices(ring: Array) -> Array:
    """Vertices that turn enough to be found on site."""
    xy = _open(ring)
    if len(xy) < 3:
        return xy[:0]
    before, after = xy - np.roll(xy, 1, axis=0), np.roll(xy, -1, axis=0) - xy
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    turn = np.degrees(np.arctan2(np.abs(cross), (before * after).sum(axis=1)))
    kept: Array = xy[turn >= BEND_DEG]
    return kept


def _centre(ring: Array) -> Array:
    """Centre of a ring's area; of its vertices when it has none."""
    xy = _open(ring)
    own = xy - xy.mean(axis=0)
    nxt = np.roll(own, -1, axis=0)
    cross = own[:, 0] * nxt[:, 1] - own[:, 1] * nxt[:, 0]
    if abs(cross.sum()) < 1e-9:
        mean: Array = xy.mean(axis=0)
        return mean
    centre: Array = xy.mean(axis=0) + ((own + nxt) * cross[:, None]).sum(axis=0) / (3 * cross.sum())
    return centre


def _octants(xy: Array, centre: Array) -> list[str]:
    """Name of each corner by the octant in which it lies, with a letter where that is shared."""
    bearing = np.degrees(np.arctan2(xy[:, 0] - centre[0], xy[:, 1] - centre[1])) % 360
    side = [octant(float(b)) for b in bearing]
    shared = Counter(side)
    order = sorted(range(len(xy)), key=lambda i: (round((float(bearing[i]) + 22.5) % 360, 6), i))
    letters: Counter[str] = Counter()
    names = list(side)
    for i in order:
        if shared[side[i]] > 1:
            names[i] = f"{side[i]}-{letter(letters[side[i]])}"
            letters[side[i]] += 1
    return names


def octant(bearing_deg: float) -> str:
    """Name of the octant of a bearing, clockwise from north.

    >>> octant(0.0), octant(100.0), octant(338.0), octant(337.0)
    ('N', 'E', 'N', 'NW')
    """
    return OCTANTS[int(((bearing_deg + 22.5) % 360) // 45)]


def letter(number: int) -> str:
    """The how-manieth mark, counted from 0: A to Z, AA, AB ...

    >>> letter(0), letter(25), letter(26), letter(702)
    ('A', 'Z', 'AA', 'AAA')
    """
    text = ""
    while number >= 0:
        text = chr(ord("A") + number % 26) + text
        number = number // 26 - 1
    return text


# the choice


def ties(
    found: Sequence[Place],
    *,
    buildings: Sequence[Array],
    parcel: Sequence[Array],
    to_file: Places,
    to_lonlat: Places,
    names: Sequence[str] | None = None,
) -> tuple[Tie, ...]:
    """A tie for every place, marked A, B, ... in their order; empty when there are no two corners.

    buildings, parcel, names: as `corners` takes them; to_file, to_lonlat: places (n, 2) of the frame in the GeoPackage's system and
    in longitude and latitude. A tie's error is that of the place itself and of both tapes together. Where only lot corners serve,
    or tapes cross badly or are long, its words say so.
    """
    points = corners(buildings, parcel, names)
    if not found or len(points) < 2:
        return ()
    xy = np.array([[p.x, p.y] for p in found])
    at = np.array([[c.x, c.y] for c in points])
    lot = np.array([c.corner_of == "lot" for c in points])
    seen = _seen(xy, at, buildings)
    file_xy, lonlat = (np.asarray(way(xy), dtype=float) for way in (to_file, to_lonlat))
    made = []
    for k, place in enumerate(found):
        first, second = _best(xy[k], at, lot, seen[k])  # buildings' corners stand before the lot's
        angle = crossing_deg(xy[k], at[first], at[second])
        fixed = [
            Fixed(name=c.name, corner_of=c.corner_of, x=c.x, y=c.y, distance_m=float(np.hypot(*(xy[k] - at[n]))))
            for n, c in ((first, points[first]), (second, points[second]))
        ]
        tapes = min(TAPE_M / max(math.sin(math.radians(angle)), 1e-6), max(f.distance_m for f in fixed))
        made.append(
            Tie(
                what=place.what,
                mark=letter(k),
                words="; ".join(
                    [place.words, *_reserve(fixed, angle, seen_both=bool(seen[k, first] and seen[k, second]))]
                ),
                bore_id=place.bore_id,
                x=place.x,
                y=place.y,
                lon=float(lonlat[k, 0]),
                lat=float(lonlat[k, 1]),
                file_x=float(file_xy[k, 0]),
                file_y=float(file_xy[k, 1]),
                depth_m=place.depth_m,
                error_m=math.hypot(place.error_m, tapes),
                first=fixed[0],
                second=fixed[1],
            )
        )
    return tuple(made)


def _reserve(fixed: Sequence[Fixed], angle: float, *, seen_both: bool) -> list[str]:
    """What is not as it should be with a tie."""
    told = [LOT_WORDS] if any(f.corner_of == "lot" for f in fixed) else []
    told += [] if LEAST_DEG <= angle <= MOST_DEG else ["the tapes cross badly"]
    told += [] if seen_both else ["a building stands in the way of a tape"]
    return told


def crossing_deg(place: Array, one: Array, other: Array) -> float:
    """Angle under which tapes from two corners cross at a place, degrees 0 to 180.

    >>> crossing_deg(np.array([0.0, 0.0]), np.array([3.0, 0.0]), np.array([0.0, -2.0]))
    90.0
    """
    a, b = one - place, other - place
    return math.degrees(math.atan2(abs(float(a[0] * b[1] - a[1] * b[0])), float(a @ b)))


def costs(place: Array, at: Array, lot: NDArray[np.bool_], seen: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Every pair of corners (m, 2) and how badly it serves a place (m, 4), least is best, the first column that differs decides.

    at: (n, 2) corners; lot: (n,) those of the lot; seen: (n,) those that a tape reaches. Columns: 2 for tapes that cross badly and
    1 for a building in the way; corners of the lot; a tape beyond TAPE_LENGTH_M; metres, TAPE_M / sin of the angle and PER_METRE
    of both tapes. Two corners of a building with long tapes come before one of the lot: those of the lot are on the map only.
    """
    i, j = np.triu_indices(len(at), 1)
    a, b = at[i] - place, at[j] - place
    angle = np.arctan2(np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), (a * b).sum(axis=1))
    long = np.column_stack([np.hypot(*a.T), np.hypot(*b.T)])
    slack = 1e-7  # a square lot turned by rounding is a square lot
    crossing = (angle >= math.radians(LEAST_DEG) - slack) & (angle <= math.radians(MOST_DEG) + slack)
    crossing &= long.min(axis=1) >= SAME_M
    metres = TAPE_M / np.maximum(np.sin(angle), 1e-6) + PER_METRE * long.sum(axis=1)
    columns = (
        2 * ~crossing + 1 * ~(seen[i] & seen[j]),
        lot[i].astype(int) + lot[j].astype(int),
        long.max(axis=1) > TAPE_LENGTH_M + slack,
        np.round(metres, 7),
    )
    return np.column_stack([i, j]), np.column_stack(columns).astype(float)


def _best(place: Array, at: Array, lot: NDArray[np.bool_], seen: NDArray[np.bool_]) -> tuple[int, int]:
    """The two corners that serve best; of equal ones those that come first."""
    pairs, cost = costs(place, at, lot, seen)
    i, j = pairs[np.lexsort((*pairs.T[::-1], *cost.T[::-1]))[0]]
    return int(i), int(j)


def _seen(xy: Array, at: Array, buildings: Sequence[Array]) -> NDArray[np.bool_]:
    """Whether a tape (place, corner) passes no building; along a wall counts as free, and what is drawn inside lies on the wall."""
    import shapely  # noqa: PLC0415 - only where something is tied

    free = np.ones((len(xy), len(at)), dtype=bool)
    for ring in (_open(r) for r in buildings):
        if len(ring) < 3:
            continue
        shape = shapely.make_valid(shapely.Polygon(ring))
        inside = shapely.intersects(shape, shapely.points(xy))
        wall = shapely.get_coordinates(shapely.shortest_line(shapely.boundary(shape), shapely.points(xy)))[::2]
        start = np.where(inside[:, None], wall, xy)
        tapes = np.stack(np.broadcast_arrays(start[:, None, :], at[None, :, :]), axis=2)
        free &= ~shapely.intersects(shapely.linestrings(tapes), shape.buffer(-0.1))
    return free


def circles(first: Fixed, second: Fixed) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """The two places at which both tapes meet, right and left of the line from the first point to the second, None without.

    What a person with two tapes finds; `side` says which of both it is.
    """
    ax, ay, bx, by = first.x, first.y, second.x, second.y
    apart = math.hypot(bx - ax, by - ay)
    if apart < 1e-9:
        return None
    along = (first.distance_m**2 - second.distance_m**2 + apart**2) / (2 * apart)
    out2 = first.distance_m**2 - along**2
    if out2 < -1e-6 * max(1.0, first.distance_m**2):
        return None
    out = math.sqrt(max(out2, 0.0))
    ux, uy = (bx - ax) / apart, (by - ay) / apart
    foot = (ax + along * ux, ay + along * uy)
    return (foot[0] + out * uy, foot[1] - out * ux), (foot[0] - out * uy, foot[1] + out * ux)


def side(tie: Tie) -> str:
    """On which side of the line through both fixed points it lies, as an octant: the tapes meet on the other side too."""
    ax, ay, bx, by = tie.first.x, tie.first.y, tie.second.x, tie.second.y
    right = (tie.x - ax) * (by - ay) - (tie.y - ay) * (bx - ax) > 0
    dx, dy = (by - ay, ax - bx) if right else (ay - by, bx - ax)
    return octant(math.degrees(math.atan2(dx, dy)) % 360)
