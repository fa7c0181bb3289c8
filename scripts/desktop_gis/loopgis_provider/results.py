"""Results into the project: the layers of a GeoPackage in groups, with the styles that the file itself holds."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path
from typing import TYPE_CHECKING, Any

from qgis.core import QgsApplication, QgsDefaultValue, QgsProviderRegistry, QgsVectorLayer
from qgis.PyQt.QtCore import QThread

if TYPE_CHECKING:
    from collections.abc import Sequence

OF_A_LAYOUT = ("exits", "crossings", "rods", "bores", "headers", "pads")
"""Layers shown for each layout, from the top of the map down."""
OF_THE_LOT = ("zones",)


def can_load(project: Any) -> bool:
    """Whether layers may be added now: there is a project, and this is the thread that owns it."""
    return project is not None and QThread.currentThread() == QgsApplication.instance().thread()


def content(path: str) -> tuple[list[str], list[tuple[str, str]]]:
    """Layers of a GeoPackage that hold rows and a style, and its layouts as (id, title), as-built first, then by rank."""
    with contextlib.closing(sqlite3.connect(Path(path).resolve().as_uri() + "?mode=ro", uri=True)) as db:
        rows = db.execute(
            "SELECT DISTINCT f_table_name FROM layer_styles JOIN gpkg_geometry_columns ON table_name = f_table_name"
        ).fetchall()
        names = [n for (n,) in rows if db.execute(f"SELECT 1 FROM {_quoted(n)} LIMIT 1").fetchone()]  # noqa: S608 - quoted
        tables = {t for (t,) in db.execute("SELECT table_name FROM gpkg_contents")}
        found = (
            db.execute("SELECT layout_id, rank FROM layouts ORDER BY rank").fetchall() if "layouts" in tables else []
        )
    return names, [(i, i if rank is None else f"{i}, rank {rank}") for i, rank in found]


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


class Loader:
    """Puts the layers of one GeoPackage into a group of the project's layer tree."""

    def __init__(self, project: Any, path: str, title: str, feedback: Any) -> None:
        """title: of the group, made on top of the tree; feedback: of Processing, told of styles that did not load."""
        self.project, self.path, self.feedback = project, path, feedback
        self.group = project.layerTreeRoot().insertGroup(0, title)
        self.loaded: list[str] = []

    def flat(self, names: Sequence[str], group: Any = None, layout_id: str = "", *, tick: bool = True) -> None:
        """Some layers into a group, the first on top; layout_id: only rows of it."""
        where = self.group if group is None else group
        for name in names:
            layer = self._layer(name, layout_id)
            if layer is not None:
                self.project.addMapLayer(layer, False)
                node = where.addLayer(layer)
                node.setExpanded(False)
                node.setItemVisibilityChecked(tick)
                self.loaded.append(name)

    def by_layout(self, names: Sequence[str], layouts: Sequence[tuple[str, str]]) -> None:
        """A group for each layout, only the first one switched on."""
        for number, (layout_id, title) in enumerate(layouts):
            group = self.group.addGroup(title)
            self.flat(names, group, layout_id)
            group.setExpanded(number == 0)
            group.setItemVisibilityChecked(number == 0)

    def _layer(self, name: str, layout_id: str) -> Any:
        uri = QgsProviderRegistry.instance().encodeUri("ogr", {"path": self.path, "layerName": name})
        if (
            layout_id
        ):  # in the address: QgsVectorLayer.setSubsetString on a second layer of one file broke the first in 3.22
            uri += '|subset="layout_id" = \'' + layout_id.replace("'", "''") + "'"
        layer = QgsVectorLayer(uri, name, "ogr")
        if not layer.isValid():
            self.feedback.reportError(f"the layer {name} of {self.path} cannot be opened")
            return None
        if layout_id and layer.featureCount() == 0:
            return None
        said, styled = layer.loadDefaultStyle()
        if layout_id and name == "bores":  # what is drawn anew belongs here, else the filter would hide it
            quoted = "'" + layout_id.replace("'", "''") + "'"
            layer.setDefaultValueDefinition(layer.fields().indexOf("layout_id"), QgsDefaultValue(quoted))
        if not styled:
            self.feedback.reportError(f"the style of the layer {name} did not load: {said}")
        return layer


def load(project: Any, path: str, title: str, feedback: Any, on_top: Sequence[str] = ()) -> list[str]:
    """Layers of a result into the project; gives their names. on_top: layers of all layouts, above the groups of each."""
    names, layouts = content(path)
    loader = Loader(project, path, title, feedback)
    loader.flat([n for n in on_top if n in names])
    mine = [n for n in OF_A_LAYOUT if n in names]
    if len(layouts) > 1:
        loader.by_layout(mine, layouts)
    else:
        loader.flat(mine)
    loader.flat([n for n in OF_THE_LOT if n in names])
    return loader.loaded
