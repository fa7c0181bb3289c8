"""What stands on a drawn page: words with the boxes they cover, and whether they lie on each other or leave the paper."""

from __future__ import annotations

import unicodedata

import numpy as np

MARGIN_IN = 0.3


def shown(figure):
    """All texts that show, ticks included, without the halos under them."""
    found = list(figure.texts)
    for axes in figure.axes:
        found += [t for t in axes.texts if t.get_gid() != "halo"]
        if not axes.axison:
            continue
        for axis, (low, high) in ((axes.xaxis, sorted(axes.get_xlim())), (axes.yaxis, sorted(axes.get_ylim()))):
            ticks = zip(axis.get_ticklocs(), axis.get_ticklabels(), strict=True)
            found += [label for at, label in ticks if low <= at <= high]
    return [t for t in found if t.get_text().strip() and t.get_visible()]


def boxes(figure):
    """(words, left, low, right, high) in inches from the lower left corner."""
    renderer = figure.canvas.get_renderer()
    made = []
    for text in shown(figure):
        b = text.get_window_extent(renderer)
        made.append((text.get_text(), *(v / figure.dpi for v in (b.x0, b.y0, b.x1, b.y1))))
    return made


def overlaps(found, air_in=0.014):
    """Pairs of words whose boxes overlap by more than the air that a line of type has."""
    left, low, right, high = np.array([b[1:] for b in found]).T
    hit = (
        (left[:, None] < right[None] - air_in)
        & (right[:, None] > left[None] + air_in)
        & (low[:, None] < high[None] - air_in)
        & (high[:, None] > low[None] + air_in)
    )
    return [(found[a][0], found[b][0]) for a, b in np.argwhere(np.triu(hit, 1))]


def outside(found, figure):
    """Words that leave the margins of the page."""
    wide, tall = figure.get_size_inches()
    return [
        b[0]
        for b in found
        if b[1] < MARGIN_IN or b[3] > wide - MARGIN_IN or b[2] < MARGIN_IN - 0.05 or b[4] > tall - MARGIN_IN + 0.05
    ]


def words(figure):
    """Everything that is written, with single blanks."""
    return " ".join(" ".join(t.get_text() for t in shown(figure)).split())


def harmless(figure):
    """Every text as it is: no mathematics, no controls, nothing that turns a line around, no halves of pairs."""
    for t in figure.findobj(lambda o: hasattr(o, "get_parse_math")):
        if "$" in t.get_text():
            assert not t.get_parse_math(), t.get_text()
        assert not [c for c in t.get_text().replace("\n", "") if unicodedata.category(c) in {"Cc", "Cf", "Cs"}]
