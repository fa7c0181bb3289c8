"""The algorithms of the toolbox, one per step: parameters into words of the command line, a child process, results loaded.

To add a step: a class with `verb`, `inputs` and `call`, and its name in algorithms.py.
"""

from __future__ import annotations

import os
import shlex
from typing import Any

from processing.core.ProcessingConfig import ProcessingConfig
from qgis.core import (
    QgsProcessing,
    QgsProcessingAlgorithm,
    QgsProcessingException,
    QgsProcessingOutputFile,
    QgsProcessingOutputNumber,
    QgsProcessingOutputString,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterEnum,
    QgsProcessingParameterFile,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterNumber,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterString,
    QgsProcessingParameterVectorLayer,
    QgsProcessingUtils,
)

from . import child, results
from .fields import PAPERS, UNITS
from .layers import file_of
from .site_file import SiteFileError, rules_listed

GEOPACKAGES = "GeoPackage (*.gpkg)"


def rare(parameter: Any) -> Any:
    """A parameter that stands behind the button for more."""
    parameter.setFlags(parameter.flags() | QgsProcessingParameterDefinition.FlagAdvanced)
    return parameter


def choice(name: str, label: str, options: tuple[str, ...]) -> Any:
    """One of some texts, or none."""
    return QgsProcessingParameterEnum(name, label, list(options), optional=True, usesStaticStrings=True)


def text(name: str, label: str, default: str = "") -> Any:
    """A text that may be left out."""
    return QgsProcessingParameterString(name, label, defaultValue=default or None, optional=True)


def number(name: str, label: str) -> Any:
    """A whole number that may be left out."""
    return QgsProcessingParameterNumber(name, label, QgsProcessingParameterNumber.Integer, None, True, 0)


class Step(QgsProcessingAlgorithm):
    """What all steps share. Subclasses say what they take, and which words of the command line that makes."""

    verb = ""
    title = ""
    help = ""
    part = ("plan", "Plan")
    loads = True
    replaces = True
    fine = (child.DONE,)
    """Exit codes with which results were written all the same."""

    def __init__(self) -> None:
        """Nothing is known before prepareAlgorithm."""
        super().__init__()
        self.python, self.words, self.made, self.code = "", [], {}, 0

    # -- what the host asks ------------------------------------------------------------------------------------

    def createInstance(self) -> Step:
        """Another one of the same kind."""
        return type(self)()

    def name(self) -> str:
        """Second part of the name, behind "loopgis:"."""
        return self.verb

    def displayName(self) -> str:
        """In the toolbox."""
        return self.title

    def group(self) -> str:
        """Where it stands in the toolbox."""
        return self.part[1]

    def groupId(self) -> str:
        """The same, never translated."""
        return self.part[0]

    def shortHelpString(self) -> str:
        """Beside the form."""
        return (
            self.help
            + "\n\nA planning aid, not a survey and not a sealed design: local code and licensed practice govern."
        )

    def initAlgorithm(self, _configuration: Any = None) -> None:
        """Own parameters, then those of all steps."""
        self.inputs()
        self.addParameter(rare(choice("UNITS", "Units of sheets and talk (none: the site's)", UNITS)))
        if self.replaces:
            self.addParameter(rare(QgsProcessingParameterBoolean("OVERWRITE", "Replace results that are there", False)))
        if self.loads:
            self.addParameter(QgsProcessingParameterBoolean("LOAD", "Load the results with their styles", True))
        self.addParameter(rare(text("PYTHON", "Python that loopgis is installed in (none: that of the settings)")))
        self.addOutput(QgsProcessingOutputNumber("EXIT_CODE", "Exit code of loopgis"))
        self.addOutput(QgsProcessingOutputString("SAID", "What loopgis said"))

    def prepareAlgorithm(self, parameters: Any, context: Any, feedback: Any) -> bool:
        """Find the interpreter and, in the thread that owns the layers, write what the child shall read."""
        try:
            setting = ProcessingConfig.getSetting("LOOPGIS_PYTHON")
            given = self.parameterAsString(parameters, "PYTHON", context)
            self.python = child.interpreter(given, setting, os.environ.get("LOOPGIS_PYTHON"))
            feedback.pushInfo(f"loopgis {child.version_of(self.python, os.environ)} of {self.python}")
            self.words = [self.verb, *self.call(parameters, context, feedback)]
        except child.ChildError as error:
            raise QgsProcessingException(str(error)) from None
        return True

    def processAlgorithm(self, _parameters: Any, _context: Any, feedback: Any) -> dict[str, Any]:
        """Run the child; its lines go to the log as they come."""
        bar = child.Progress(self.verb)

        def tell(line: str, is_error: bool) -> None:  # noqa: FBT001
            feedback.setProgress(bar.after(line) if is_error else bar.percent)
            show(line, feedback)

        try:
            feedback.pushCommandInfo(" ".join(map(shlex.quote, child.command(self.python, self.words))))
            ended = child.run(
                self.python, self.words, environment=os.environ, on_line=tell, canceled=feedback.isCanceled
            )
        except child.CanceledError:
            feedback.reportError("Stopped; nothing was written.")
            return {}
        except child.ChildError as error:
            raise QgsProcessingException(str(error)) from None
        self.code = ended.code
        if ended.code not in self.fine:
            raise QgsProcessingException(child.told(ended))
        if ended.code != child.DONE:
            feedback.reportError(child.told(ended).splitlines()[0] + "; see the lines above. The results were written.")
        feedback.setProgress(100)
        return {**self.made, "EXIT_CODE": ended.code, "SAID": "\n".join(ended.stdout)}

    def postProcessAlgorithm(self, context: Any, feedback: Any) -> dict[str, Any]:
        """Load the results into the project."""
        path = self.made.get("GPKG", "")
        if self.loads and self.wanted and path and os.path.isfile(path) and results.can_load(context.project()):
            loaded = results.load(context.project(), path, self.shown_as(path), feedback, self.on_top())
            feedback.pushInfo(f"loaded: {', '.join(dict.fromkeys(loaded))}")
        return {}

    # -- what a step says --------------------------------------------------------------------------------------

    wanted = True

    def inputs(self) -> None:
        """Add the step's own parameters and outputs."""
        raise NotImplementedError

    def call(self, parameters: Any, context: Any, feedback: Any) -> list[str]:
        """Words behind the verb; results go into `made`, under GPKG what is to be loaded."""
        raise NotImplementedError

    def shown_as(self, path: str) -> str:
        """Name of the group in the layer tree."""
        temporary = os.path.abspath(path).startswith(os.path.abspath(QgsProcessingUtils.tempFolder()))
        folder, file = os.path.split(path)
        return self.title if temporary else f"{self.title}: {os.path.basename(folder)}/{file}"

    def on_top(self) -> tuple[str, ...]:
        """Layers above the groups of the layouts."""
        return ()

    # -- pieces ------------------------------------------------------------------------------------------------

    def add(self, *parameters: Any) -> None:
        """Several parameters at once."""
        for parameter in parameters:
            self.addParameter(parameter)

    def takes_layouts(self, label: str = "Layouts: any layer of the GeoPackage, or the file") -> None:
        """The GeoPackage to work on, and the layout in it."""
        self.add(QgsProcessingParameterVectorLayer("LAYOUTS", label))

    def takes_layout_id(self) -> None:
        """One layout of several."""
        self.add(text("LAYOUT_ID", "Layout, e.g. L-02 (none: the first)"))

    def layouts(self, parameters: Any, context: Any) -> str:
        """File of the layouts."""
        layer = self.parameterAsVectorLayer(parameters, "LAYOUTS", context)
        if layer is None:
            raise QgsProcessingException("No layouts were given: name a layer of a GeoPackage.")
        return file_of(layer)

    def said(self, parameters: Any, name: str, context: Any) -> str:
        """A text, "" when left out."""
        return (self.parameterAsString(parameters, name, context) or "").strip()

    def option(self, flag: str, value: str) -> list[str]:
        """A flag and its value as one word, so that a value may begin with a dash; nothing when there is no value."""
        return [f"{flag}={value}"] if value else []

    def place(self, parameters: Any, name: str, context: Any) -> str:
        """Whole path of an output or input; its folder is made."""
        path = os.path.abspath(self.parameterAsString(parameters, name, context))
        try:
            os.makedirs(os.path.dirname(path), exist_ok=True)
        except OSError as error:
            raise QgsProcessingException(f"The folder of {path!r} cannot be made: {error.strerror}") from None
        return path

    def common(self, parameters: Any, context: Any) -> list[str]:
        """Flags of all steps: the lines of -v make the bar move."""
        self.wanted = self.loads and self.parameterAsBool(parameters, "LOAD", context)
        words = ["-v", *self.option("--units", self.said(parameters, "UNITS", context))]
        if self.replaces and self.parameterAsBool(parameters, "OVERWRITE", context):
            words.append("--overwrite")
        return words


def rules_of(written: str) -> list[str]:
    """Rule files as written. Raises QgsProcessingException for one without its whole path."""
    try:
        return rules_listed(written)
    except SiteFileError as error:
        raise QgsProcessingException(str(error)) from None


def show(line: str, feedback: Any) -> None:
    """A line of the child in the log, errors and warnings as such."""
    word = line.partition(":")[0].strip().lower()
    if word in ("error", "loopgis", "fail"):
        feedback.reportError(line)
    elif word == "warning":
        feedback.pushWarning(line)
    else:
        feedback.pushInfo(line)


class Score(Step):
    """loopgis score."""

    verb = "score"
    title = "Score edited bores"
    fine = (child.DONE, child.NO_LAYOUT)
    help = (
        "Evaluates bores again that were moved, added or deleted by hand. Save the edits of the layer first. The result goes into "
        "another GeoPackage; lines that cannot be drilled are kept in its layer `refused`."
    )

    def inputs(self) -> None:
        """Edited layouts and their site file."""
        self.takes_layouts("Edited layouts: any layer of the GeoPackage, or the file")
        site = "Site file of the layouts (none: site_from_project.toml or site.toml beside them)"
        self.add(
            QgsProcessingParameterFile("SITE", site, extension="toml", optional=True),
            QgsProcessingParameterFileDestination("OUTPUT", "Scored layouts", GEOPACKAGES),
        )
        self.addOutput(QgsProcessingOutputFile("GPKG", "Scored layouts"))

    def call(self, parameters: Any, context: Any, feedback: Any) -> list[str]:  # noqa: ARG002
        """Words of the command line."""
        path, out = self.layouts(parameters, context), self.place(parameters, "OUTPUT", context)
        site = self.said(parameters, "SITE", context)
        if not site:
            beside = [os.path.join(os.path.dirname(path), n) for n in ("site_from_project.toml", "site.toml")]
            site = next((p for p in beside if os.path.isfile(p)), "")
        if not site:
            raise QgsProcessingException("No site file lies beside the layouts; name the one that they were made for.")
        self.made = {"OUTPUT": out, "GPKG": out}
        site_word = self.option("--site", os.path.abspath(site))
        return [*site_word, f"--output={out}", *self.common(parameters, context), "--", path]

    def on_top(self) -> tuple[str, ...]:
        """Bores that cannot be drilled."""
        return ("refused",)


class Setbacks(Step):
    """loopgis setbacks."""

    verb = "setbacks"
    title = "Setbacks and plan set"
    part = ("office", "Office")
    fine = (child.DONE, child.AUDIT_FAILED)
    help = (
        "Measures every bore anew, judges it by rule files, and writes the plan set as PDF with tables and drawing. Works on "
        "anybody's GeoPackage with layers `parcel` and `bores`. A failure is told in the log and by exit code 5; the results "
        "are loaded all the same."
    )

    def inputs(self) -> None:
        """Layouts, rules, paper."""
        self.takes_layouts("Bores: any layer of the GeoPackage, or the file")
        self.takes_layout_id()
        self.add(
            text("RULES", "Rule files: ids such as house, us-mn, or whole paths (none: the file's own)"),
            rare(choice("PAPER", "Paper (none: ledger, or a3 in metres)", PAPERS)),
            rare(text("SCALE", 'Scale of the site plan, e.g. "1 in = 30 ft" or "1:360"')),
            rare(QgsProcessingParameterFile("TITLE", "Words of the title block", extension="toml", optional=True)),
            rare(QgsProcessingParameterRasterLayer("ELEVATION", "Ground, where the file holds none", optional=True)),
            QgsProcessingParameterFileDestination("OUTPUT", "Plan set", "PDF (*.pdf)"),
            QgsProcessingParameterFolderDestination("FILES", "Folder for tables and drawing"),
        )
        self.addOutput(QgsProcessingOutputFile("GPKG", "Setbacks as layers"))

    def call(self, parameters: Any, context: Any, feedback: Any) -> list[str]:  # noqa: ARG002
        """Words of the command line."""
        path = self.layouts(parameters, context)
        out, files = self.place(parameters, "OUTPUT", context), self.place(parameters, "FILES", context)
        words = [f"--rules={r}" for r in rules_of(self.said(parameters, "RULES", context))]
        for flag, name in (("--layout", "LAYOUT_ID"), ("--paper", "PAPER"), ("--scale", "SCALE")):
            words += self.option(flag, self.said(parameters, name, context))
        if title := self.said(parameters, "TITLE", context):
            words.append(f"--title={os.path.abspath(title)}")
        raster = self.parameterAsRasterLayer(parameters, "ELEVATION", context)
        if raster is not None:
            words.append(f"--elevation={file_of(raster)}")
        self.made = {"OUTPUT": out, "FILES": files, "GPKG": os.path.join(files, "setbacks.gpkg")}
        return [*words, f"--output={out}", f"--files={files}", *self.common(parameters, context), "--", path]


class _Bundle(Step):
    """A folder made of one layout; nothing to load."""

    loads = False
    part = ("field", "Field")
    folder = ""

    def inputs(self) -> None:
        """Layouts and a folder."""
        self.takes_layouts()
        self.takes_layout_id()
        self.add(QgsProcessingParameterFolderDestination("OUTPUT", self.folder))

    def call(self, parameters: Any, context: Any, feedback: Any) -> list[str]:  # noqa: ARG002
        """Words of the command line."""
        path, out = self.layouts(parameters, context), self.place(parameters, "OUTPUT", context)
        self.made = {"OUTPUT": out}
        layout = self.option("--layout", self.said(parameters, "LAYOUT_ID", context))
        return [*layout, f"--output={out}", *self.common(parameters, context), "--", path]


class Tablet(_Bundle):
    """loopgis tablet."""

    verb = "tablet"
    title = "Bundle for the crew's tablet"
    folder = "Folder of the bundle"
    help = (
        "Writes one layout as a folder for the crew: a page that records rods without a network, a GeoPackage, stake-out files, "
        "sheets. Bores edited by hand go through Score first."
    )


class Drill(_Bundle):
    """loopgis drill."""

    verb = "drill"
    title = "Drill sheets and stake-out"
    folder = "Folder of the sheets"
    help = (
        "Writes drill sheets as PDF, a page a bore, with rods and stake-out points, GPX, KML, DXF and the white line."
    )


class AsBuilt(Step):
    """loopgis asbuilt."""

    verb = "asbuilt"
    title = "As-built from logs"
    part = ("field", "Field")
    help = (
        "Makes the as-built from what the crew's pages saved, from the crew's GeoPackage, or from spreadsheets as CSV, in any "
        "order. Loads the holes as drilled, their readings and ties, and the planned bores."
    )

    def inputs(self) -> None:
        """Layouts and logs."""
        self.takes_layouts("Planned layouts: any layer of the GeoPackage, or the file")
        self.takes_layout_id()
        self.add(
            QgsProcessingParameterMultipleLayers("LOGS", "Logs (JSON, CSV or GeoPackage)", QgsProcessing.TypeFile),
            rare(choice("LOG_UNITS", "Units of a spreadsheet whose heads tell none", UNITS)),
            rare(text("COLUMNS", 'Columns of a spreadsheet, "Tiefe=depth (m); Stange=rod"')),
            rare(text("RULES", "Rule files: ids, or whole paths (none: the file's own)")),
            QgsProcessingParameterFileDestination("OUTPUT", "As-built", GEOPACKAGES),
        )
        self.addOutput(QgsProcessingOutputFile("GPKG", "As-built"))
        self.addOutput(QgsProcessingOutputFile("SHEET", "As-built sheet"))
        self.addOutput(QgsProcessingOutputFile("OWNER", "Owner's page"))

    def call(self, parameters: Any, context: Any, feedback: Any) -> list[str]:  # noqa: ARG002
        """Words of the command line."""
        path, out = self.layouts(parameters, context), self.place(parameters, "OUTPUT", context)
        logs = [os.path.abspath(p) for p in self.parameterAsFileList(parameters, "LOGS", context) if p]
        if not logs:
            raise QgsProcessingException("No logs were given.")
        words = self.option("--layout", self.said(parameters, "LAYOUT_ID", context))
        words += self.option("--log-units", self.said(parameters, "LOG_UNITS", context))
        columns = self.said(parameters, "COLUMNS", context).replace("\n", ";").split(";")
        words += [f"--column={c.strip()}" for c in columns if c.strip()]
        words += [f"--rules={r}" for r in rules_of(self.said(parameters, "RULES", context))]
        stem = os.path.splitext(out)[0]
        self.made = {"OUTPUT": out, "GPKG": out, "SHEET": f"{stem}_as_built.pdf", "OWNER": f"{stem}_owner.pdf"}
        return [*words, f"--output={out}", *self.common(parameters, context), "--", path, *logs]

    def on_top(self) -> tuple[str, ...]:
        """What was drilled."""
        return ("ties", "readings", "holes")
