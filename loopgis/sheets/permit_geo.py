"""Georeference of plan sheets: an ISO 32000-2 viewport with a GEO measure on every map page; a GIS lays the PDF in place by it."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from pathlib import Path

    from loopgis.sheets.permit_book import PermitBook
    from loopgis.sheets.permit_plan import MapView

DIGITS = 12
"""Decimals of degrees in the PDF: a tenth of a micrometre; as floats they would be cut to 5 cm (facts, gis section 4)."""


def georeference(path: Path, views: dict[int, MapView], book: PermitBook) -> None:
    """Add viewports to the map pages of a PDF, in place. views: by page index, counted from 0."""
    import pikepdf  # noqa: PLC0415

    with pikepdf.open(path, allow_overwriting_input=True) as pdf:
        for index, view in views.items():
            pdf.pages[index].obj["/VP"] = pdf.make_indirect(pikepdf.Array([_viewport(pikepdf, view, book)]))
        if "/Info" in pdf.trailer:
            for key in ("/CreationDate", "/ModDate", "/Producer", "/Creator"):
                if key in pdf.docinfo:
                    del pdf.docinfo[key]
        pdf.docinfo["/Title"] = f"{book.site}, layout {book.layout_id}".strip(", ")
        pdf.save(path, deterministic_id=True)


def _viewport(pikepdf: Any, view: MapView, book: PermitBook) -> Any:
    """Viewport dictionary of one map window: where it stands on the page, and the latitudes and longitudes of its corners."""
    square = (0, 0, 0, 1, 1, 1, 1, 0)
    corners = corners_lat_lon(view, book)
    measure = pikepdf.Dictionary(
        Type=pikepdf.Name.Measure,
        Subtype=pikepdf.Name.GEO,
        Bounds=pikepdf.Array(square),
        LPTS=pikepdf.Array(square),
        GPTS=pikepdf.Array([round(Decimal(repr(float(v))), DIGITS) for v in corners.ravel()]),
        GCS=pikepdf.Dictionary(Type=pikepdf.Name.PROJCS, WKT=pikepdf.String(book.frame_wkt)),
    )
    return pikepdf.Dictionary(
        Type=pikepdf.Name.Viewport,
        Name=pikepdf.String("map"),
        BBox=pikepdf.Array([round(Decimal(repr(float(v))), 6) for v in view.bbox_pt]),
        Measure=measure,
    )


def corners_lat_lon(view: MapView, book: PermitBook) -> np.ndarray[Any, np.dtype[np.float64]]:
    """(4, 2) latitude and longitude, degrees of the lot's own datum, of the window's corners: lower left, then clockwise."""
    from pyproj import CRS, Transformer  # noqa: PLC0415

    frame = CRS.from_wkt(book.frame_wkt)
    west, south, east, north = view.bounds_m
    way = Transformer.from_crs(frame, frame.geodetic_crs, always_xy=True)
    lon, lat = way.transform([west, west, east, east], [south, north, north, south])
    return np.column_stack([lat, lon])
