"""The picture of a layout: plan, profiles, key figures and cautions on one sheet (long lists of profiles on a second)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import shapely

from loopgis.core.units import length_text, temperature_text
from loopgis.sheets import figure, plan_layers, plan_texts, profile_chart, tokens
from loopgis.sheets.plan_frame import frame

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from loopgis.layout.model import Layout
    from loopgis.rules.model import Zone
    from loopgis.site.model import Site

PROFILES_BESIDE = 12
"""With more bores than this the profiles get a sheet of their own."""
WIDTH_IN, HEIGHT_IN = 17.0, 11.0
BOTTOM, TOP = 0.078, 0.948
PROFILE_IN = 1.4
"""Height of a profile on the sheet of profiles."""


def draw_layout(
    path: Path, site: Site, zones: Sequence[Zone], layout: Layout, *, others: Sequence[Layout] = ()
) -> list[Path]:
    """Draw a layout into a PNG (150 dpi) or PDF by suffix, 17 x 11 in; gives the paths written.

    others: layouts drawn lightly beneath for comparison. More than PROFILES_BESIDE bores get their profiles on a second picture,
    <stem>-profiles<suffix>. Raises OSError when the place cannot be written.
    """
    figures = compose(site, zones, layout, others=others)
    names = [path, path.with_name(f"{path.stem}-profiles{path.suffix}")][: len(figures)]
    for name, sheet in zip(names, figures, strict=True):
        figure.save(sheet, name)
    return names


def compose(site: Site, zones: Sequence[Zone], layout: Layout, *, others: Sequence[Layout] = ()) -> list[Any]:
    """The sheets of a layout as matplotlib figures, ready to be saved."""
    many = len(layout.bores) > PROFILES_BESIDE
    first = figure.sheet(WIDTH_IN, HEIGHT_IN)
    split = 0.745 if many else 0.60
    plan = first.add_axes((0.015, BOTTOM, split - 0.015, TOP - BOTTOM))
    _plan(plan, site, zones, layout, others)
    side = (split + 0.012, 0.985 - split - 0.012)
    top = _figures(first, side, site, layout)
    rows = _legend_rows(site, zones, layout, plan, others=bool(others))
    low = _legend(first, side, rows, columns=2 if many else 3)
    frame(first, site, layout, "plan" if many else "plan and profiles")
    if not many:
        columns = 1 if len(layout.bores) <= 6 else 2
        profile_chart.draw(
            first, (side[0], low + 0.012, side[1], top - low - 0.02), site, zones, layout, columns=columns
        )
        return [first]
    return [first, _second(site, zones, layout)]


def _second(site: Site, zones: Sequence[Zone], layout: Layout) -> Any:
    """Sheet of profiles only, as tall as they need."""
    columns = 3
    rows = -(-len(layout.bores) // columns)
    height = max(HEIGHT_IN, rows * PROFILE_IN + 2.0)
    sheet = figure.sheet(WIDTH_IN, height)
    edge, head = 0.85 / height, 0.57 / height
    profile_chart.draw(sheet, (0.015, edge, 0.97, 1 - edge - head), site, zones, layout, columns=columns)
    frame(sheet, site, layout, "profiles")
    return sheet


def _figures(sheet: Any, side: tuple[float, float], site: Site, layout: Layout) -> float:
    """Block of key figures at the top of the side column; gives the height of its lower edge, as a share of the sheet."""
    rows = key_figures(site, layout)
    pitch, half = 0.0185, (len(rows) + 1) // 2
    for n, (name, value) in enumerate(rows):
        column, row = divmod(n, half)
        x, y = side[0] + column * side[1] * 0.5, TOP - 0.012 - row * pitch
        words = {"fontsize": figure.NORMAL + 0.5, "va": "center", "family": figure.FONT, "parse_math": False}
        sheet.text(x, y, name, color=tokens.TEXT_SOFT, **words)
        sheet.text(x + side[1] * 0.46, y, value, ha="right", fontweight="bold", **words)
    return TOP - 0.012 - half * pitch


def key_figures(site: Site, layout: Layout) -> list[tuple[str, str]]:
    """Names and values of the block of figures, in the site's units; a figure that was not computed is a dash."""
    units, e = site.spec.units, layout.evaluation

    def length(value: float | None, digits: int = 0) -> str:
        return "\u2013" if value is None else length_text(value, units, digits)

    heat = layout.heat
    by_heat = heat is not None and site.spec.bore.length_m is None
    return [
        ("score of 100", f"{layout.score:.1f}"),
        ("bores", str(e.bores)),
        ("drilled in all", length(e.total_length_m)),
        ("level run", length(e.level_length_m)),
        ("level run the heat needs" if by_heat else "wanted level run", length(e.wanted_length_m)),
        ("least spacing", length(e.spacing_min_m, 1)),
        ("mean spacing", length(e.spacing_mean_m, 1)),
        ("crossings", str(e.crossings)),
        ("header to the house", length(e.header_length_m)),
        ("coldest water entering", "\u2013" if e.ewt_min_c is None else temperature_text(e.ewt_min_c, units)),
        ("warmest water entering", "\u2013" if e.ewt_max_c is None else temperature_text(e.ewt_max_c, units)),
        ("rows unverified", str(sum(c.outcome == "unverified" for c in layout.clearances))),
    ]


# -- plan ----------------------------------------------------------------------------------------------------------------------


def _plan(axes: Any, site: Site, zones: Sequence[Zone], layout: Layout, others: Sequence[Layout]) -> None:
    bounds = _bounds(axes, site)
    axes.set_xlim(bounds[0], bounds[2])
    axes.set_ylim(bounds[1], bounds[3])
    axes.set_xticks([])
    axes.set_yticks([])
    labels = figure.Labels(axes)
    plan_texts.furniture(axes, site, bounds, labels)
    heights = plan_layers.ground(axes, site, bounds)
    plan_layers.things(axes, site, zones, labels)
    plan_layers.closed_ground(axes, site, zones)
    plan_layers.other_bores(axes, others)
    for other in others:
        plan_layers.pad(axes, other.pad, labels, colour=tokens.INK_LIGHT)
    corners = plan_layers.lot(axes, site, labels)
    plan_layers.pad(axes, layout.pad, labels)
    plan_layers.header(axes, layout, labels)
    plan_layers.bores(axes, layout.bores, site.spec.rig.rod_length_m, labels)
    beside = plan_layers.exits(axes, layout.bores, labels)
    plan_layers.crossings(axes, layout.crossings, labels)
    plan_texts.numbers(labels, beside, corners)
    plan_texts.names(labels, site, zones, layout)
    plan_texts.heights(labels, heights)


def _bounds(axes: Any, site: Site) -> tuple[float, float, float, float]:
    """Lot with a margin, widened to the shape of the axes so that the scale is the same both ways."""
    x0, y0, x1, y1 = site.parcel.bounds
    frame = axes.get_window_extent()
    margin = 0.06 * max(x1 - x0, y1 - y0) + 3
    width, height = x1 - x0 + 2 * margin, y1 - y0 + 2 * margin
    ratio = frame.width / frame.height
    width, height = max(width, height * ratio), max(height, width / ratio)
    cx, cy = (x0 + x1) / 2, (y0 + y1) / 2
    return cx - width / 2, cy - height / 2, cx + width / 2, cy + height / 2


# -- legend --------------------------------------------------------------------------------------------------------------------


def _legend(sheet: Any, side: tuple[float, float], rows: Sequence[Any], *, columns: int) -> float:
    """Legend at the foot of the side column; gives the height of its upper edge, as a share of the sheet."""
    per_column = -(-len(rows) // columns)
    top = BOTTOM + 0.0172 * per_column + 0.012
    sheet.legend(
        handles=rows,
        loc="upper left",
        bbox_to_anchor=(side[0] - 0.004, top),
        ncols=columns,
        frameon=False,
        borderpad=0.2,
        prop={"family": figure.FONT, "size": figure.SMALL},
        labelspacing=0.62,
        columnspacing=1.2,
        handlelength=2.4,
        borderaxespad=0,
    )
    return top


def _legend_rows(site: Site, zones: Sequence[Zone], layout: Layout, plan: Any, *, others: bool) -> list[Any]:
    """A row for everything that is on the sheet, and for nothing else."""
    window = shapely.box(plan.get_xlim()[0], plan.get_ylim()[0], plan.get_xlim()[1], plan.get_ylim()[1])
    seen = {f.kind for f in site.all_features() if shapely.intersects(f.geometry, window)}
    shut = _zone_rows(plan_layers.for_bores(zones))
    return [*_own_rows(layout, others=others), *shut, *_area_rows(seen), *_family_rows(seen)]


def _own_rows(layout: Layout, *, others: bool) -> list[Any]:
    from matplotlib.lines import Line2D  # noqa: PLC0415
    from matplotlib.patches import Patch  # noqa: PLC0415

    rows: list[Any] = [
        Line2D([], [], color=tokens.INK, lw=tokens.LEVEL_WIDTH, label="bore, level run"),
        Line2D([], [], color=tokens.INK, lw=tokens.SLANT_WIDTH, label="bore, slant"),
        Line2D([], [], color=tokens.INK, marker="|", ms=6, lw=tokens.SLANT_WIDTH, label="every fifth rod"),
        *(
            Line2D([], [], marker="o", color="none", mfc=face, mec=tokens.INK, ms=8, mew=1.4, label=label)
            for face, label, there in (
                (tokens.PAPER, "exit, with the bore's number", False),
                (tokens.INK, "exit of a bore in the ground", True),
            )
            if any(b.in_ground == there for b in layout.bores)
        ),
        Patch(fc=tokens.PAPER, ec=tokens.INK, lw=1.2, label="drill pad"),
    ]
    if layout.header is not None:
        rows.append(Line2D([], [], color=tokens.INK, lw=1.4, ls=(0, tokens.HEADER_DASH), label="header to the house"))
    if others:
        rows.append(Line2D([], [], color=tokens.INK_LIGHT, lw=1.1, label="bore of another layout"))
    if layout.crossings:
        rows.append(
            Line2D(
                [],
                [],
                marker="D",
                color="none",
                mfc=tokens.PAPER,
                mec=tokens.TEXT,
                ms=4.2,
                label="crossing: expose first",
            )
        )
    rows.append(Line2D([], [], color="black", lw=1.8, ls=(0, (6, 1.5, 1, 1.5, 1, 1.5)), label="lot line of the map"))
    return rows


def _zone_rows(zones: Sequence[Zone]) -> list[Any]:
    from matplotlib.patches import Patch  # noqa: PLC0415

    rows = []
    if any(z.closed for z in zones):
        rows.append(Patch(fc="none", ec=tokens.CLOSED, lw=0.5, hatch="////", label="closed at every depth"))
    if any(not z.closed for z in zones):
        rows.append(
            Patch(fc="none", ec=tokens.CLOSED, lw=0.5, ls=(0, tokens.ZONE_DASH), hatch="..", label="open below a depth")
        )
    for row in rows:
        row.set_hatch_linewidth(0.35)
    return rows


def _area_rows(seen: set[str]) -> list[Any]:
    """Kinds that are drawn as ground without a letter; kinds that look alike share a row."""
    from matplotlib.patches import Patch  # noqa: PLC0415

    looks: dict[tokens.KindStyle, list[str]] = {}
    for kind in sorted(seen):
        style = tokens.kind_style(kind)
        if not style.letter and kind not in {"water_well", "property_line"}:
            looks.setdefault(style, []).append(kind.replace("_", " "))
    return [
        Patch(fc=s.fill, ec=s.colour, lw=0.9, ls=(0, s.dash) if s.dash else "solid", label=", ".join(kinds)[:40])
        for s, kinds in looks.items()
    ]


def _family_rows(seen: set[str]) -> list[Any]:
    from matplotlib.lines import Line2D  # noqa: PLC0415
    from matplotlib.patches import Patch  # noqa: PLC0415
    from matplotlib.patheffects import Normal, withStroke  # noqa: PLC0415

    used = {tokens.kind_style(k).letter for k in seen} - {""}
    halo = [withStroke(linewidth=tokens.LINE_HALO_WIDTH, foreground=tokens.HALO), Normal()]
    rows: list[Any] = [
        Line2D(
            [],
            [],
            color=colour,
            lw=tokens.LINE_WIDTH,
            path_effects=halo,
            label=f"{letter}  {tokens.FAMILY_WORDS[letter]}",
        )
        for letter, colour in tokens.FAMILY.items()
        if letter in used
    ]
    if rows:
        rows.append(Patch(fc=tokens.CLOSED, alpha=0.25, label="band: place uncertain"))
    return rows
