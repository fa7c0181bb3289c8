"""The heat of a layout on one sheet: all the years, the last one by month, shares, what the length hangs on, the lot line."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from loopgis.core.units import FT_M, kelvin_text, length_text, temperature_text
from loopgis.layout.heat_case import GPM_M3_S
from loopgis.sheets import figure, tokens
from loopgis.sheets.plan_frame import frame

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from loopgis.layout.heat import Heat
    from loopgis.layout.model import Layout
    from loopgis.site.model import Site

    Array = NDArray[np.float64]

WIDTH_IN, HEIGHT_IN = 17.0, 11.0
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
MOST_BARS = 26
"""Bores shown one by one; with more of them, only the least and the most used."""
LEAST_CHANGE_K = 0.05


def draw_heat(path: Path, site: Site, layout: Layout) -> Path:
    """Draw the sheet of a layout with heat as PNG (150 dpi) or PDF by suffix, 17 x 11 in; OSError when it cannot be written."""
    figure.save(compose(site, layout), path)
    return path


def compose(site: Site, layout: Layout) -> Any:
    """The sheet as a matplotlib figure. Raises ValueError for a layout without heat."""
    heat = layout.heat
    if heat is None:
        raise ValueError(layout.layout_id)
    sheet = figure.sheet(WIDTH_IN, HEIGHT_IN)
    units = site.spec.units
    frame(sheet, site, layout, "heat in the ground")
    _years(sheet.add_axes((0.05, 0.60, 0.52, 0.30)), heat, units)
    _last_year(sheet.add_axes((0.635, 0.60, 0.345, 0.30)), heat, units)
    _tornado(sheet.add_axes((0.165, 0.145, 0.255, 0.345)), heat, units)
    _shares(sheet.add_axes((0.475, 0.145, 0.195, 0.345)), layout, heat)
    _lot_line(sheet.add_axes((0.715, 0.145, 0.265, 0.345)), layout, heat, units)
    _words(sheet, heat, units)
    return sheet


def _degrees(celsius: Array | float, units: str) -> Any:
    value = np.asarray(celsius, dtype=float)
    return value * 1.8 + 32 if units == "us" else value


def _plain(axes: Any, title: str, up: str = "") -> None:
    """Title, label and spines as on the other sheets."""
    axes.set_title(title, fontsize=figure.LARGE - 0.5, loc="left", family=figure.FONT, fontweight="bold", pad=7)
    axes.set_ylabel(up, fontsize=figure.NORMAL, family=figure.FONT)
    axes.tick_params(labelsize=figure.NORMAL, length=3, pad=2)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _limits(axes: Any, heat: Heat, units: str, shown: tuple[float, float]) -> None:
    """The limits as dashed lines where they lie near what is shown, and both in words over the chart."""
    limits = heat.case.limits
    low, high = axes.get_ylim()
    room = 0.35 * (shown[1] - shown[0]) + (3 if units == "us" else 2)
    for value in (limits.least_c, limits.most_c):
        y = float(_degrees(value, units))
        if shown[0] - room <= y <= shown[1] + room:
            axes.axhline(y, color=tokens.TEXT, lw=1.2, ls=(0, tokens.TARGET_DASH), zorder=4)
            low, high = min(low, y - 0.12 * room), max(high, y + 0.12 * room)
    axes.set_ylim(low, high)
    text = f"limits {temperature_text(limits.least_c, units)} and {temperature_text(limits.most_c, units)}, dashed where in view"
    words = {"fontsize": figure.NORMAL, "family": figure.FONT, "color": tokens.TEXT_SOFT}
    axes.text(1.0, 1.025, text, transform=axes.transAxes, ha="right", va="bottom", **words)


def _years(axes: Any, heat: Heat, units: str) -> None:
    c = heat.course
    t = np.arange(1, len(c.mean_c) + 1) / 12
    low, high = np.fmin(c.mean_c, c.heating_c), np.fmax(c.mean_c, c.cooling_c)
    axes.fill_between(t, _degrees(low, units), _degrees(high, units), color=tokens.COVER_BAND, lw=0, zorder=1)
    axes.plot(t, _degrees(c.mean_c, units), color=tokens.INK, lw=1.3, zorder=5)
    _extremes(axes, t, c.heating_c, units, least=True)
    _extremes(axes, t, c.cooling_c, units, least=False)
    _plain(axes, f"Entering water over {heat.case.years} years", "°F" if units == "us" else "°C")
    axes.set_xlim(0, heat.case.years)
    axes.set_xlabel("years of operation, from January on", fontsize=figure.NORMAL, family=figure.FONT)
    axes.xaxis.get_major_locator().set_params(integer=True)
    axes.grid(axis="y", color="#e4dfd7", lw=0.6)
    _limits(axes, heat, units, (float(np.min(_degrees(low, units))), float(np.max(_degrees(high, units)))))


def _extremes(axes: Any, t: Array, values: Array, units: str, *, least: bool) -> None:
    """The hardest peak of every year."""
    found = []
    for year in values.reshape(-1, 12):
        known = np.flatnonzero(np.isfinite(year))
        found.append(known[np.argmin(year[known]) if least else np.argmax(year[known])] if len(known) else -1)
    at = np.array([12 * n + k for n, k in enumerate(found) if k >= 0], dtype=int)
    face = tokens.INK if least else tokens.PAPER
    axes.plot(
        t[at], _degrees(values[at], units), "v" if least else "^", ms=5, mfc=face, mec=tokens.INK, mew=0.9, ls="none", zorder=6
    )  # fmt: skip


def _last_year(axes: Any, heat: Heat, units: str) -> None:
    c, x = heat.course, np.arange(1, 13)
    mean, hot, cold = (_degrees(v[-12:], units) for v in (c.mean_c, c.heating_c, c.cooling_c))
    ground = _degrees(heat.undisturbed_c, units)
    axes.plot(x, ground, color=tokens.CLOSED, lw=1.4, ls=(0, (5, 2)), label="ground along the bores, undisturbed")
    axes.plot(x, mean, color=tokens.INK, lw=1.8, label="entering water, month's mean load")
    axes.plot(x, hot, "v", ms=7, color=tokens.INK, label=f"after {heat.case.peak_s / 3600:g} h of heating peak")
    axes.plot(x, cold, "^", ms=7, mfc=tokens.PAPER, mec=tokens.INK, mew=1.2, label="after the cooling peak")
    _plain(axes, f"Year {heat.case.years}, end of each month")
    axes.set_xticks(x, MONTHS)
    axes.grid(axis="y", color="#e4dfd7", lw=0.6)
    every = np.concatenate([mean, hot, cold, ground])
    low, high = float(np.nanmin(every)), float(np.nanmax(every))
    axes.set_ylim(low - 0.08 * (high - low), high + 0.42 * (high - low))
    axes.legend(loc="upper left", frameon=False, prop={"family": figure.FONT, "size": figure.NORMAL})
    _limits(axes, heat, units, (low, high))


def _tornado(axes: Any, heat: Heat, units: str) -> None:
    """Needed length with one thing changed at a time, the widest on top; what is drawn, and the honest interval."""
    base, interval = heat.needed_m, heat.interval_m
    needed = f": {length_text(base, units, 0)} needed" if base else ""
    _plain(axes, f"What the needed length hangs on{needed}")
    if not base or interval is None:
        text = "No length is needed." if base == 0 else "No length of this kind of loop keeps the limits."
        axes.text(0.02, 0.8, text, transform=axes.transAxes, fontsize=figure.NORMAL, family=figure.FONT)
        axes.set_xticks([])
        axes.set_yticks([])
        return
    factor = FT_M if units == "us" else 1.0
    rows = [
        (w, [None if f is None else f * heat.offered_m / factor for f in (w.low_factor, w.high_factor)])
        for w in heat.what_ifs
    ]
    far = 1.35 * max([v for _, pair in rows for v in pair if v is not None] + [base / factor])
    spans = [(w, far if a is None else a, far if b is None else b) for w, (a, b) in rows]
    spans.sort(key=lambda r: abs(r[1] - r[2]))
    middle = base / factor
    for n, (w, worse, better) in enumerate(spans):
        axes.barh(n, worse - middle, left=middle, height=0.5, color=tokens.INK, zorder=3)
        axes.barh(
            n, better - middle, left=middle, height=0.5, color=tokens.PAPER, edgecolor=tokens.INK, lw=1.2, zorder=3
        )
        words: dict[str, Any] = {"fontsize": figure.SMALL, "family": figure.FONT, "va": "bottom", "zorder": 8}
        words.update(color=tokens.TEXT_SOFT, bbox={"fc": tokens.PAPER, "ec": "none", "pad": 0.6, "alpha": 0.9})
        none = " (no length would do)" if w.low_factor is None else ""
        low, high = w.said(units)
        axes.text(middle, n + 0.28, f" {low}{none}", ha="left", **words)
        axes.text(middle, n + 0.28, f"{high} ", ha="right", **words)
    axes.set_yticks(range(len(spans)), [w.name for w, _, _ in spans])
    _interval(axes, interval, len(spans), factor, far)
    axes.axvline(middle, color=tokens.INK, lw=1.2, zorder=4)
    axes.axvline(heat.offered_m / factor, color=tokens.TEXT, lw=1.6, ls=(0, (1, 1.5)), zorder=5)
    axes.text(
        heat.offered_m / factor, len(spans) + 0.62, f"drawn {length_text(heat.offered_m, units, 0)}", ha="center", va="bottom",
        fontsize=figure.NORMAL, family=figure.FONT, fontweight="bold",
    )  # fmt: skip
    left = min([b for _, a, b in spans] + [interval[0] / factor, heat.offered_m / factor])
    right = max([a for _, a, b in spans] + [(interval[1] or 0) / factor, heat.offered_m / factor])
    pad = 0.16 * (right - left)
    axes.set_xlim(left - pad, right + pad)
    axes.set_ylim(-0.6, len(spans) + 1.0)
    axes.set_xlabel(
        f"needed length of bore, {'ft' if units == 'us' else 'm'}", fontsize=figure.NORMAL, family=figure.FONT
    )
    axes.grid(axis="x", color="#e4dfd7", lw=0.6, zorder=0)


def _interval(axes: Any, interval: tuple[float, float | None], row: int, factor: float, far: float) -> None:
    low, high = interval[0] / factor, far if interval[1] is None else interval[1] / factor
    axes.plot([low, high], [row, row], color=tokens.INK, lw=1.6, zorder=4)
    axes.plot([low], [row], "|", ms=10, mew=1.6, color=tokens.INK, zorder=4)
    axes.plot([high], [row], "|" if interval[1] is not None else ">", ms=10, mew=1.6, color=tokens.INK, zorder=4)
    axes.set_yticks([*axes.get_yticks(), row], [*(t.get_text() for t in axes.get_yticklabels()), "usual uncertainty"])


def _shares(axes: Any, layout: Layout, heat: Heat) -> None:
    """Share of heat against share of length: above one, a bore works harder than a metre of its neighbours."""
    length = heat.loop.spectrum.length_m / heat.loop.spectrum.length_m.sum()
    order = np.arange(len(length))
    if len(order) > MOST_BARS:
        ranked = np.argsort(heat.shares / length)
        order = np.sort(np.r_[ranked[: MOST_BARS // 2], ranked[-(MOST_BARS // 2) :]])
    names = [layout.bores[i].bore_id for i in order]
    y = np.arange(len(order))[::-1]
    axes.barh(y, 100 * heat.shares[order], height=0.62, color=tokens.INK, zorder=3, label="of the heat")
    axes.plot(
        100 * length[order],
        y,
        "|",
        ms=11,
        mew=2.0,
        color=tokens.OUTCOME["pass_thin"].colour,
        zorder=4,
        label="of the length",
    )
    _plain(axes, "Share of each bore")
    axes.set_yticks(y, names)
    if len(order) > 14:
        axes.tick_params(axis="y", labelsize=figure.SMALL)
    axes.set_xlabel("per cent of the last year", fontsize=figure.NORMAL, family=figure.FONT)
    axes.set_ylim(-0.7, len(order) - 0.3 + 0.14 * len(order))
    axes.legend(
        loc="upper right", ncols=2, frameon=False, prop={"family": figure.FONT, "size": figure.SMALL}, borderaxespad=0
    )


def _lot_line(axes: Any, layout: Layout, heat: Heat, units: str) -> None:
    """Lot and bores, and along the lot line discs as large as the change there."""
    line = heat.lot_line
    closed = np.vstack([line.xy, line.xy[:1]])
    axes.plot(closed[:, 0], closed[:, 1], color="black", lw=1.2, ls=(0, (6, 1.5, 1, 1.5, 1, 1.5)), zorder=3)
    for b in layout.bores:
        axes.plot(b.x_m, b.y_m, color=tokens.INK, lw=1.2, zorder=4)
    change = line.change_k
    top = float(np.max(np.abs(change)))
    for warm, face in ((True, tokens.INK), (False, tokens.PAPER)):
        k = np.flatnonzero((change > 0) == warm)
        k = k[np.abs(change[k]) > LEAST_CHANGE_K]
        if len(k):
            size = 8 + 110 * np.abs(change[k]) / max(top, 0.5)
            axes.scatter(line.xy[k, 0], line.xy[k, 1], s=size, fc=face, ec=tokens.INK, lw=1.0, zorder=5)
    axes.set_aspect("equal", anchor="NW")
    axes.set_xticks([])
    axes.set_yticks([])
    for side in axes.spines.values():
        side.set_visible(False)
    axes.set_title(
        f"Change along the lot line, year {heat.case.years}", fontsize=figure.LARGE - 0.5, loc="left", family=figure.FONT,
        fontweight="bold", pad=7,
    )  # fmt: skip
    worst = int(np.argmax(np.abs(change)))
    depth = length_text(line.depth_m, units, 0)
    text = f"at {depth} deep, at most {kelvin_text(float(change[worst]), units, 2)} against untouched ground"
    if top > LEAST_CHANGE_K:
        text += "\nring: colder, disc: warmer; as large as the change"
        out = line.xy[worst] - line.xy.mean(axis=0)
        away = 24 * out / max(float(np.hypot(*out)), 1e-9)
        axes.annotate(
            kelvin_text(float(change[worst]), units, 2), line.xy[worst], xytext=(float(away[0]), float(away[1])),
            textcoords="offset points", ha="center", va="center", fontsize=figure.NORMAL, family=figure.FONT, zorder=7,
            fontweight="bold",
        )  # fmt: skip
    axes.text(
        0.0,
        -0.02,
        text,
        transform=axes.transAxes,
        va="top",
        fontsize=figure.SMALL + 0.5,
        family=figure.FONT,
        color=tokens.TEXT_SOFT,
    )


def _words(sheet: Any, heat: Heat, units: str) -> None:
    """What the pictures rest on, in one line above them."""
    case = heat.case
    flow = f"{case.flow_m3_s / GPM_M3_S:.3g} gpm" if units == "us" else f"{case.flow_m3_s * 1000:.2f} l/s"
    mean = temperature_text(case.wave.mean_c, units)
    if case.offset_k:
        mean += f" and {kelvin_text(case.offset_k, units, 1)} learned in operation"
    parts = [
        f"ground {case.k_w_mk:.2f} W/(m K), {case.wave.diffusivity_m2_s * 1e6:.2f} mm²/s, mean {mean}",
        f"fill {case.section.k_fill_w_mk:.2f} W/(m K)",
        f"bore resistance {heat.bore_mk_w:.3f} m K/W",
        f"{case.fluid.text}, {flow} over {len(heat.loop.paths)} bores, Reynolds {heat.reynolds[heat.needed.governs]:.0f}",
    ]
    words = {
        "fontsize": figure.NORMAL + 0.5,
        "va": "center",
        "family": figure.FONT,
        "color": tokens.TEXT_SOFT,
        "parse_math": False,
    }
    sheet.text(0.015, 0.945, ";  ".join(parts) + ".", **words)
