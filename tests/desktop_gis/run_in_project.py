"""Runs one algorithm of the plugin in a project without a window, draws what it loaded, and says so as one line of JSON.

Belongs to the Python of the desktop GIS: /usr/bin/python3 run_in_project.py loopgis:layout '{"PARCEL": ...}' picture.png
Exit code 1 when a layer is invalid, a style is not the one of the file, nothing was loaded, or the picture is blank.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import sqlite3
import sys
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "scripts" / "desktop_gis"), "/usr/share/qgis/python", "/usr/share/qgis/python/plugins"]

from qgis.core import (  # noqa: E402
    QgsApplication,
    QgsCoordinateTransform,
    QgsMapRendererParallelJob,
    QgsMapSettings,
    QgsProcessingFeedback,
    QgsProject,
    QgsProviderRegistry,
)
from qgis.PyQt.QtCore import QSize  # noqa: E402
from qgis.PyQt.QtGui import QColor  # noqa: E402

HALO_M = 8


class Heard(QgsProcessingFeedback):
    """Keeps what was said."""

    def __init__(self):
        super().__init__(False)  # noqa: FBT003
        self.errors, self.warnings, self.percent = [], [], []
        self.progressChanged.connect(self.percent.append)

    def reportError(self, error, fatalError=False):  # noqa: FBT002, N802, N803
        self.errors.append(error)

    def pushWarning(self, warning):  # noqa: N802
        self.warnings.append(warning)


def stored_renderer(layer):
    """Kind of renderer that the style in the layer's own file asks for."""
    parts = QgsProviderRegistry.instance().decodeUri("ogr", layer.source())
    with contextlib.closing(sqlite3.connect(parts["path"])) as db:
        found = db.execute("SELECT styleQML FROM layer_styles WHERE f_table_name = ?", (parts["layerName"],)).fetchone()
    return re.search(r'<renderer-v2[^>]*\btype="(\w+)"', found[0]).group(1) if found else ""


def tree(group, depth=0):
    """Lines of the layer tree."""
    lines = []
    for node in group.children():
        lines.append("  " * depth + ("[x] " if node.itemVisibilityChecked() else "[ ] ") + node.name())
        if hasattr(node, "children") and not hasattr(node, "layer"):
            lines += tree(node, depth + 1)
    return lines


def picture(project, path, size):
    """Draw what is switched on, round the layers that were loaded. Gives the number of colours."""
    root = project.layerTreeRoot()
    layers = [n.layer() for n in root.findLayers() if n.isVisible()]
    settings = QgsMapSettings()
    settings.setLayers(layers)
    settings.setDestinationCrs(layers[0].crs())
    settings.setTransformContext(project.transformContext())
    settings.setBackgroundColor(QColor("white"))
    settings.setOutputSize(QSize(*size))
    settings.setOutputDpi(110)
    named = [y for y in layers if y.name() in ("bores", "holes", "parcel")] or layers
    box = None
    for layer in named:
        there = QgsCoordinateTransform(layer.crs(), layers[0].crs(), project).transformBoundingBox(layer.extent())
        box = there if box is None else box
        box.combineExtentWith(there)
    settings.setExtent(box.buffered(HALO_M))
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    image = job.renderedImage()
    image.save(path)
    faults = [f"{e.layerID}: {e.message}" for e in job.errors()]
    colours = {image.pixel(x, y) for x in range(0, image.width(), 3) for y in range(0, image.height(), 3)}
    return len(colours), faults


def main(name, parameters, path):
    """Everything, in one project."""
    app = QgsApplication([], False)  # noqa: FBT003
    app.initQgis()
    import processing
    from loopgis_provider.provider import LoopgisProvider
    from processing.core.Processing import Processing

    Processing.initialize()
    provider = LoopgisProvider()
    QgsApplication.processingRegistry().addProvider(provider)
    project, heard = QgsProject.instance(), Heard()
    made = processing.run(name, parameters, feedback=heard)
    layers = list(project.mapLayers().values())
    bad = [y.name() for y in layers if not y.isValid()]
    unstyled = [y.name() for y in layers if y.renderer().type() != stored_renderer(y)]
    colours, faults = picture(project, path, (1500, 1200)) if layers else (0, [])
    said = {
        "made": made,
        "errors": heard.errors,
        "tree": tree(project.layerTreeRoot()),
        "rows": {y.name(): y.featureCount() for y in layers},
        "invalid": bad,
        "unstyled": unstyled,
        "colours": colours,
        "faults": faults,
        "percent": [round(p) for p in heard.percent][-3:],
        "goes_back": any(b < a for a, b in zip(heard.percent, heard.percent[1:], strict=False)),
    }
    sys.stdout.write(json.dumps(said, default=str, ensure_ascii=True) + "\n")
    ok = layers and not (bad or unstyled or faults) and colours > 8
    sys.stdout.flush()
    os._exit(0 if ok else 1)  # the host's own tear-down may crash after the work is done


if __name__ == "__main__":
    main(sys.argv[1], json.loads(sys.argv[2]), sys.argv[3])
