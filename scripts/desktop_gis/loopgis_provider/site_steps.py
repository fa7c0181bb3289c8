"""The two steps that begin with a site: layers and figures into a site file, then check or layout."""

from __future__ import annotations

import os
import tempfile
from typing import Any

from qgis.core import (
    QgsExpression,
    QgsFeatureRequest,
    QgsProcessing,
    QgsProcessingException,
    QgsProcessingOutputFile,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterEnum,
    QgsProcessingParameterExpression,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterFile,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterNumber,
    QgsProcessingParameterPoint,
    QgsProcessingParameterRasterLayer,
    QgsRectangle,
)

from .fields import DEMAND_NEEDS, DEPTH_UNITS, ELEVATION_UNITS, FIELDS, KINDS, Field
from .layers import Exporter, raster_place
from .site_file import SiteFileError, document, listed
from .steps import Step, choice, number, rare, rules_of, text

SITE_TOML, SITE_GPKG = "site_from_project.toml", "site_from_project.gpkg"
SAYS = "Written by the desktop-GIS plugin of loopgis from the layers of a project; replaced by its next run into this folder."
COLUMNS = (("KIND", "kind"), ("DEPTH", "depth"), ("QUALITY", "quality"), ("LABEL", "label"))


class SiteStep(Step):
    """A step on a site: either a site file that is there, or layers."""

    def site_inputs(self) -> None:
        """Parameters of a site."""
        own = "Site file, instead of everything below"
        self.add(
            QgsProcessingParameterFeatureSource("PARCEL", "Lot", [QgsProcessing.TypeVectorPolygon], optional=True),
            QgsProcessingParameterExpression(
                "PARCEL_FILTER", "Which lot, where the layer holds several", None, "PARCEL", optional=True
            ),
            QgsProcessingParameterFeatureSource(
                "BUILDINGS", "Buildings", [QgsProcessing.TypeVectorAnyGeometry], optional=True
            ),
            QgsProcessingParameterMultipleLayers(
                "FEATURES", "Everything else on or under the ground", QgsProcessing.TypeVectorAnyGeometry, optional=True
            ),
            text("KIND", "Column with the kind (a layer without it: its name is the kind)", "kind"),
            text("DEPTH", "Column with the depth", "depth"),
            choice("DEPTH_UNIT", "Unit of the depths", DEPTH_UNITS),
            rare(text("QUALITY", "Column with the ASCE 38 quality level", "quality")),
            rare(text("LABEL", "Column with a name to show", "label")),
            QgsProcessingParameterRasterLayer("ELEVATION", "Elevation of the ground", optional=True),
            choice("ELEVATION_UNIT", "Unit of the elevation (none: as the raster says)", ELEVATION_UNITS),
            text("RULES", "Rule files: ids such as house, us-mn, or whole paths", "house"),
            QgsProcessingParameterPoint(
                "PAD", "Pad: where the rig stands (none: the best is looked for)", optional=True
            ),
            rare(QgsProcessingParameterPoint("ENTRY", "Where the header enters the building", optional=True)),
            rare(
                QgsProcessingParameterFile("TICKET", "Answers to the one-call ticket", extension="csv", optional=True)
            ),
            rare(QgsProcessingParameterFile("KEEP", "As-built with bores to keep", extension="gpkg", optional=True)),
            text("NAME", "Name of the site"),
        )
        for field in FIELDS:
            parameter = _parameter(field)
            self.addParameter(rare(parameter) if field.advanced else parameter)
        self.add(rare(QgsProcessingParameterFile("SITE", own, extension="toml", optional=True)))

    def site(self, parameters: Any, context: Any, feedback: Any, folder: str) -> str:
        """Path of the site file: the one that was given, or one written into a folder with everything that it names."""
        given = self.said(parameters, "SITE", context)
        if given:
            return os.path.abspath(given)
        lot = self.parameterAsSource(parameters, "PARCEL", context)
        if lot is None:
            raise QgsProcessingException("No lot was given: choose a polygon layer with the lot in it, or a site file.")
        path = os.path.join(folder, SITE_TOML)
        _free(folder, overwrite=not self.replaces or self.parameterAsBool(parameters, "OVERWRITE", context))
        try:
            tables, features = self._tables(parameters, context, lot, folder)
            written = document(tables, features, says=SAYS)
            with open(path, "w", encoding="utf-8", newline="\n") as stream:
                stream.write(written)
        except SiteFileError as error:
            raise QgsProcessingException(str(error)) from None
        except OSError as error:
            raise QgsProcessingException(f"{path!r} cannot be written: {error.strerror}") from None
        feedback.pushInfo(f"site file: {path}")
        return path

    def _tables(
        self,
        parameters: Any,
        context: Any,
        lot: Any,
        folder: str,
    ) -> tuple[dict[str, dict[str, Any]], list[dict[str, Any]]]:
        """Tables of the site file and its features; the layers are written on the way."""
        out = Exporter(os.path.join(folder, SITE_GPKG), context)
        box, crs = self._lot(parameters, context, lot, out), lot.sourceCrs()
        site: dict[str, Any] = {
            "name": self.said(parameters, "NAME", context),
            "parcel": {"path": SITE_GPKG, "layer": "parcel"},
            "rules": rules_of(self.said(parameters, "RULES", context)),
            "units": self.said(parameters, "UNITS", context),
            "elevation_unit": self.said(parameters, "ELEVATION_UNIT", context),
        }
        buildings = self.parameterAsSource(parameters, "BUILDINGS", context)
        if buildings is not None:
            out.write("buildings", buildings, self._meant(parameters, context), request=out.near(buildings, box, crs))
            site["buildings"] = {"path": SITE_GPKG, "layer": "buildings"}
        raster = self.parameterAsRasterLayer(parameters, "ELEVATION", context)
        if raster is not None:
            site["elevation"] = raster_place(raster, folder, box, crs, context)
        if ticket := self.said(parameters, "TICKET", context):
            site["ticket"] = os.path.abspath(ticket)
        tables = {"site": site, "pad": {}, **self._figures(parameters, context)}
        for name, key in (("PAD", "at"), ("ENTRY", "entry")):
            if parameters.get(name):
                point = self.parameterAsPoint(parameters, name, context, crs)
                tables["pad"][key] = [point.x(), point.y()]
        if keep := self.said(parameters, "KEEP", context):
            tables.setdefault("layout", {})["keep"] = os.path.abspath(keep)
        return tables, self._features(parameters, context, out, box, crs)

    def _lot(self, parameters: Any, context: Any, lot: Any, out: Exporter) -> Any:
        """Write the one lot and give its box."""
        request = QgsFeatureRequest()
        wanted = self.said(parameters, "PARCEL_FILTER", context)
        if wanted:
            if QgsExpression(wanted).hasParserError():
                raise QgsProcessingException(f"{wanted!r} picks no lot: {QgsExpression(wanted).parserErrorString()}")
            request.setFilterExpression(wanted)
        box = QgsRectangle()

        def keep(feature: Any) -> bool:
            box.combineExtentWith(feature.geometry().boundingBox())
            return True

        rows = out.write("parcel", lot, {}, request=request, keep=keep)
        if rows != 1:
            how = "Select the one that is meant and tick 'Selected features only', or write which one it is."
            what = "no lot" if rows == 0 else f"{rows} lots"
            raise QgsProcessingException(f"The layer {lot.sourceName()!r} gives {what} where one is wanted. {how}")
        return box

    def _meant(self, parameters: Any, context: Any) -> dict[str, str]:
        """Columns by what they mean."""
        named = {key: self.said(parameters, name, context) for name, key in COLUMNS}
        return {key: name for key, name in named.items() if name}

    def _features(self, parameters: Any, context: Any, out: Exporter, box: Any, crs: Any) -> list[dict[str, Any]]:
        """Write every layer of features; a row of the site file each."""
        meant, rows = self._meant(parameters, context), []
        layers = self.parameterAsLayerList(parameters, "FEATURES", context)
        unit = self.said(parameters, "DEPTH_UNIT", context)
        seen = {f.name().lower() for layer in layers for f in layer.fields()}
        for key, name in meant.items():
            if layers and name.lower() != key and name.lower() not in seen:
                raise QgsProcessingException(f"No layer of features has a column {name!r} ({key}).")
        for count, layer in enumerate(layers, 1):
            name = f"features_{count}"
            source = _Named(layer)
            written = out.write(name, source, meant, request=out.near(source, box, crs))
            has_kind = meant.get("kind", "kind").lower() in {f.name().lower() for f in layer.fields()}
            by_name = layer.name().rpartition(" \u2014 ")[2].strip().lower().replace(" ", "_")
            if not has_kind and by_name not in KINDS:
                how = f"Name the column, or give the layer the name of what it holds: {', '.join(KINDS)}."
                raise QgsProcessingException(f"The layer {layer.name()!r} has no column for its kind. {how}")
            kind = by_name if by_name in KINDS and not (has_kind and written) else ""
            rows.append({"kind": kind, "path": {"path": SITE_GPKG, "layer": name}, "depth_unit": unit})
        return rows

    def _figures(self, parameters: Any, context: Any) -> dict[str, dict[str, Any]]:
        """Values of FIELDS by table; no demand without a peak."""
        tables: dict[str, dict[str, Any]] = {}
        bare = not any(self.said(parameters, n, context) for n in DEMAND_NEEDS)
        for field in FIELDS:
            value = self._value(parameters, context, field)
            if value not in (None, "", []) and not (bare and field.table == "demand"):
                tables.setdefault(field.table, {})[field.key] = value
        return tables

    def _value(self, parameters: Any, context: Any, field: Field) -> Any:
        """What was filled in for a field."""
        if field.whole:
            given = parameters.get(field.parameter)
            return None if given in (None, "") else self.parameterAsInt(parameters, field.parameter, context)
        if field.choices and field.many:
            return [c for c in self.parameterAsEnumStrings(parameters, field.parameter, context) if c]
        written = self.said(parameters, field.parameter, context)
        return listed(written) if field.many else written


class _Named:
    """A layer with the few calls that a source of features has."""

    def __init__(self, layer: Any) -> None:
        """Take the calls over."""
        self.fields, self.wkbType, self.sourceCrs = layer.fields, layer.wkbType, layer.crs
        self.getFeatures, self.featureCount, self.sourceName = layer.getFeatures, layer.featureCount, layer.name


def _parameter(field: Field) -> Any:
    """Form of one field."""
    if field.whole:
        return number(field.parameter, field.label)
    if field.choices and field.many:
        return QgsProcessingParameterEnum(
            field.parameter, field.label, list(field.choices), allowMultiple=True, optional=True, usesStaticStrings=True
        )
    return choice(field.parameter, field.label, field.choices) if field.choices else text(field.parameter, field.label)


def _free(folder: str, *, overwrite: bool) -> None:
    """Make the folder. Raises QgsProcessingException when a site file is there that may not, or was not ours to, be replaced."""
    path = os.path.join(folder, SITE_TOML)
    try:
        os.makedirs(folder, exist_ok=True)
        if os.path.exists(path):
            with open(path, encoding="utf-8", errors="replace") as stream:
                ours = stream.readline().strip() == f"# {SAYS}"
            if not (ours and overwrite):
                how = (
                    "Tick 'Replace results', or name another folder."
                    if ours
                    else "This plugin did not write it: give it as site file, or name another folder."
                )
                raise QgsProcessingException(f"{path!r} is there already. {how}")
    except OSError as error:
        raise QgsProcessingException(f"{folder!r} cannot be used: {error.strerror}") from None


class Check(SiteStep):
    """loopgis check."""

    verb = "check"
    title = "Check a site"
    loads = replaces = False
    help = (
        "Reads the lot, buildings, features, elevation and rules, and prints all findings at once. Nothing is written but the "
        "site file, into a temporary folder. Exit code 3: the site cannot be used."
    )

    def inputs(self) -> None:
        """The site."""
        self.site_inputs()
        self.addOutput(QgsProcessingOutputFile("SITE_FILE", "Site file"))

    def call(self, parameters: Any, context: Any, feedback: Any) -> list[str]:
        """Words of the command line."""
        folder = "" if self.said(parameters, "SITE", context) else tempfile.mkdtemp(prefix="loopgis_")
        site = self.site(parameters, context, feedback, folder)
        self.made = {"SITE_FILE": site}
        return [*self.common(parameters, context), "--", site]


class Layout(SiteStep):
    """loopgis layout."""

    verb = "layout"
    title = "Lay out bores"
    help = (
        "Ranked bore layouts for a lot: fan and parallel bores from the given or the best pads. Loads a group for each layout, the "
        "best one switched on. The site file is kept beside the results; more keys can be written there, and the file given as "
        "site file next time. When nothing fits, the reasons are told."
    )

    def inputs(self) -> None:
        """The site, effort, and a folder."""
        self.site_inputs()
        effort = "Work spent on choosing with a proof, 0 to 100"
        self.add(
            rare(
                QgsProcessingParameterNumber("EFFORT", effort, QgsProcessingParameterNumber.Integer, 1, False, 0, 100)
            ),
            rare(QgsProcessingParameterBoolean("PICTURES", "Pictures and the review page", True)),
            QgsProcessingParameterFolderDestination("OUTPUT", "Folder for the results"),
        )
        self.addOutput(QgsProcessingOutputFile("GPKG", "Layouts"))
        self.addOutput(QgsProcessingOutputFile("REVIEW", "Review page"))
        self.addOutput(QgsProcessingOutputFile("SITE_FILE", "Site file"))

    def call(self, parameters: Any, context: Any, feedback: Any) -> list[str]:
        """Words of the command line."""
        folder = self.place(parameters, "OUTPUT", context)
        site = self.site(parameters, context, feedback, folder)
        self.made = {"OUTPUT": folder, "GPKG": os.path.join(folder, "layouts.gpkg"), "SITE_FILE": site}
        words = [f"--output={folder}", f"--effort={self.parameterAsInt(parameters, 'EFFORT', context)}"]
        if self.parameterAsBool(parameters, "PICTURES", context):
            self.made["REVIEW"] = os.path.join(folder, "review.html")
        else:
            words.append("--no-pictures")
        return [*words, *self.common(parameters, context), "--", site]
