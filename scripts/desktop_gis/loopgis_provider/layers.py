"""Layers of the project into a GeoPackage that the tool reads (version 1.2, which every reader knows), and rasters as files."""

from __future__ import annotations

import math
import os
from typing import Any, Callable

from qgis.core import (
    NULL,
    QgsCoordinateTransform,
    QgsFeature,
    QgsFeatureRequest,
    QgsField,
    QgsFields,
    QgsGeometry,
    QgsProcessingException,
    QgsProviderRegistry,
    QgsRasterFileWriter,
    QgsRasterPipe,
    QgsRectangle,
    QgsUnitTypes,
    QgsVectorFileWriter,
    QgsWkbTypes,
)
from qgis.PyQt.QtCore import Qt, QVariant

from .columns import number_or_text, plan

MANY_ROWS = 20_000
"""Of a layer with more rows only the surroundings of the lot are taken, as the tool itself does."""
NEAR_M = 1800.0
RASTER_FILE = "site_from_project.tif"


class Exporter:
    """Writes layers into one GeoPackage, one after the other."""

    def __init__(self, path: str, context: Any) -> None:
        """path: the GeoPackage, replaced by the first layer; context: of Processing."""
        self.path, self.context, self.made = path, context, 0

    def write(
        self,
        name: str,
        source: Any,
        meant: dict[str, str],
        *,
        request: Any = None,
        keep: Callable[[Any], bool] = lambda _: True,
    ) -> int:
        """Write what a layer or source holds, its selection or filter observed; gives the number of rows.

        source: with fields(), wkbType(), sourceCrs(), getFeatures(); meant: see columns.plan; keep: whether a feature is wanted.
        Raises QgsProcessingException naming the layer.
        """
        title = source.sourceName()
        if not source.sourceCrs().isValid():
            raise QgsProcessingException(
                f"The layer {title!r} has no coordinate system; set it in the layer's properties."
            )
        own = source.fields()
        columns = plan([f.name() for f in own], meant)
        fields = QgsFields()
        for target, index in columns:
            fields.append(QgsField(target, _kind_of(own.at(index))))
        wkb = QgsWkbTypes.linearType(source.wkbType())
        writer = self._writer(name, fields, wkb, source.sourceCrs())
        rows = 0
        for feature in source.getFeatures(request or QgsFeatureRequest()):
            if not keep(feature):
                continue
            row = QgsFeature(fields)
            row.setGeometry(_straight(feature.geometry()))
            values = [feature.attribute(index) for _, index in columns]
            row.setAttributes([None if v == NULL else number_or_text(_dated(v)) for v in values])
            if not writer.addFeature(row):
                raise QgsProcessingException(f"The layer {title!r} cannot be copied: {writer.errorMessage()}")
            rows += 1
        writer.flushBuffer()
        self.made += 1
        return rows

    def _writer(self, name: str, fields: Any, wkb: Any, crs: Any) -> Any:
        options = QgsVectorFileWriter.SaveVectorOptions()
        options.driverName, options.layerName, options.fileEncoding = "GPKG", name, "UTF-8"
        options.datasourceOptions = ["VERSION=1.2"]
        first = QgsVectorFileWriter.CreateOrOverwriteFile
        options.actionOnExistingFile = QgsVectorFileWriter.CreateOrOverwriteLayer if self.made else first
        writer = QgsVectorFileWriter.create(self.path, fields, wkb, crs, self.context.transformContext(), options)
        if writer.hasError() != QgsVectorFileWriter.NoError:
            raise QgsProcessingException(f"{self.path!r} cannot be written: {writer.errorMessage()}")
        return writer

    def near(self, layer: Any, box: Any, crs: Any) -> Any:
        """Request for a layer: everything, or the surroundings of a box when it has very many rows."""
        request = QgsFeatureRequest()
        if layer.featureCount() > MANY_ROWS:
            there = QgsCoordinateTransform(crs, layer.sourceCrs(), self.context.transformContext())
            request.setFilterRect(there.transformBoundingBox(grown(box, crs)))
        return request


def grown(box: Any, crs: Any) -> Any:
    """A box made wider by what the tool looks at round a lot, and then some."""
    factor = QgsUnitTypes.fromUnitToUnitFactor(QgsUnitTypes.DistanceMeters, crs.mapUnits())
    return box.buffered(NEAR_M * factor)


def _kind_of(field: Any) -> Any:
    """Type to write a column as: whole number, number, else text."""
    if field.type() in (QVariant.Bool, QVariant.Int, QVariant.UInt, QVariant.LongLong):
        return QVariant.LongLong
    return QVariant.Double if field.type() == QVariant.Double else QVariant.String


def _dated(value: Any) -> Any:
    """Dates and times as ISO 8601 text, anything else as it is."""
    return value.toString(Qt.ISODate) if hasattr(value, "toString") else value


def _straight(geometry: Any) -> Any:
    """A geometry with its arcs as short chords; other tools do not read arcs."""
    if geometry.isNull() or not QgsWkbTypes.isCurvedType(geometry.wkbType()):
        return geometry
    return QgsGeometry(geometry.constGet().segmentize())


def raster_place(layer: Any, folder: str, box: Any, crs: Any, context: Any) -> dict[str, str]:
    """Path of an elevation raster, and its CRS when the project overrides the file's; what is no plain file is saved as one.

    box, crs: of the lot; the copy holds its surroundings. Raises QgsProcessingException when it cannot be saved.
    """
    provider = layer.dataProvider()
    if not layer.crs().isValid():
        raise QgsProcessingException(f"The raster {layer.name()!r} has no coordinate system; set it in its properties.")
    if provider.name() == "gdal" and os.path.isfile(layer.source()):
        place = {"path": os.path.abspath(layer.source())}
        if provider.crs() != layer.crs():
            place["crs"] = layer.crs().authid() or layer.crs().toWkt()
        return place
    path = os.path.join(folder, RASTER_FILE)
    there = QgsCoordinateTransform(crs, layer.crs(), context.transformContext())
    window = there.transformBoundingBox(grown(box, crs)).intersect(layer.extent())
    if window.isEmpty():
        raise QgsProcessingException(f"The raster {layer.name()!r} does not reach the lot.")
    window, columns, rows = _on_cells(window, layer)
    pipe, writer = QgsRasterPipe(), QgsRasterFileWriter(path)
    pipe.set(provider.clone())
    error = writer.writeRaster(pipe, columns, rows, window, layer.crs(), context.transformContext())
    if error != QgsRasterFileWriter.NoError:
        raise QgsProcessingException(f"The raster {layer.name()!r} cannot be saved as a file ({error}).")
    return {"path": RASTER_FILE}


def _on_cells(window: Any, layer: Any) -> tuple[Any, int, int]:
    """A window grown to whole cells of a raster, and its columns and rows; of a raster without cells a thousandth of the window."""
    whole, dx, dy = layer.extent(), layer.rasterUnitsPerPixelX(), layer.rasterUnitsPerPixelY()
    if not (dx > 0 and dy > 0):
        return window, 1000, 1000
    west = math.floor((window.xMinimum() - whole.xMinimum()) / dx + 1e-6)
    east = math.ceil((window.xMaximum() - whole.xMinimum()) / dx - 1e-6)
    north = math.floor((whole.yMaximum() - window.yMaximum()) / dy + 1e-6)
    south = math.ceil((whole.yMaximum() - window.yMinimum()) / dy - 1e-6)
    x, y = whole.xMinimum(), whole.yMaximum()
    return QgsRectangle(x + west * dx, y - south * dy, x + east * dx, y - north * dy), east - west, south - north


def file_of(layer: Any) -> str:
    """File that a layer lies in. Raises QgsProcessingException when it has none, or edits that are not saved."""
    if layer.isEditable() and layer.isModified():
        raise QgsProcessingException(f"The layer {layer.name()!r} has edits that are not saved. Save them first.")
    path = QgsProviderRegistry.instance().decodeUri(layer.dataProvider().name(), layer.source()).get("path", "")
    if not path or not os.path.isfile(path):
        raise QgsProcessingException(f"The layer {layer.name()!r} lies in no file. Give a layer of a GeoPackage.")
    return os.path.abspath(path)
