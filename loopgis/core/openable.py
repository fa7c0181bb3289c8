"""What may be handed to a GIS library: ordinary files that hold data themselves.

GDAL looks at the content, not at the name. A file called parcel.gpkg that holds the XML of a virtual layer makes it read other
files, run a query on a database or fetch from the network; a pipe among the files of a shapefile makes it wait for ever; a zip of
a few kilobytes unpacks to a disk full. So the first bytes of a file, what lies beside it under the same name and what a zip
declares are looked at before anything is opened. Source: the GDAL driver documentation of OGR VRT, VRT, WFS, WMS, WCS, MRF, STACTA,
GTI, GDALG and OGC API, from memory; tests/hard/test_paths.py holds that no request leaves the machine.
"""

from __future__ import annotations

import os
import stat
import zipfile
import zlib
from typing import TYPE_CHECKING

from loopgis.core import limits
from loopgis.core.errors import InputError

if TYPE_CHECKING:
    from pathlib import Path

_RASTERS = frozenset(
    [
        "GTiff",
        "AAIGrid",
        "GRASSASCIIGrid",
        "HFA",
        "USGSDEM",
        "SRTMHGT",
        "EHdr",
        "GSAG",
        "GSBG",
        "GS7BG",
        "XYZ",
        "GPKG",
        "ENVI",
        "DTED",
        "JP2OpenJPEG",
        "netCDF",
        "SAGA",
        "PNG",
        "JPEG",
    ]
)
"""Formats of elevation rasters that hold their cells themselves; VRT, WMS and the like are left out on purpose."""
_REACHING = {
    b"<ogrvrtdatasource": "a virtual layer",
    b"<vrtdataset": "a virtual raster",
    b"<gdal_wms": "the address of a map server",
    b"<wms_tile_service": "the address of a map server",
    b"<wmt_ms_capabilities": "the address of a map server",
    b"<wms_capabilities": "the address of a map server",
    b"<wcs_gdal": "the address of a coverage server",
    b"<ogrwfsdatasource": "the address of a feature server",
    b"<mrf_meta": "a raster kept elsewhere",
    b"<gdaltileindexdataset": "an index of other rasters",
    b"gdal_streamed_alg": "a command for GDAL",
    b"stac_version": "a catalogue of other files",
    b"stac_extensions": "a catalogue of other files",
}
"""Marks, in small letters, of files that point elsewhere, and what they are."""
_HEAD = 8192
_ADDRESSES = {".moaw", ".wms", ".wcs", ".vrt"}
_GZIP = b"\x1f\x8b"
_ZIP = b"PK\x03\x04"


def check(path: Path, name: str) -> None:
    """Raise InputError when a file or folder, or what lies beside it, is nothing to hand to a GIS library; name: for the message.

    What is not there at all is left to whoever reads it. Raises OSError when the place cannot be looked at.
    """
    os.environ.setdefault("GML_DOWNLOAD_SCHEMA", "NO")  # a saved answer of a server names where its schema lies
    if path.is_dir():
        _check_folder(path, name)
        return
    if path.exists() and not path.is_file():
        raise InputError(name, "is no ordinary file", "name a file on disk")
    _check_content(path, name)
    _check_beside(path, name)


def check_format(driver: str, name: str) -> None:
    """Raise InputError for a raster whose format, as GDAL calls it, is none in which cells lie in the file itself."""
    if driver not in _RASTERS:
        raise InputError(name, f"is in the format {driver}, which is not read", "save it as GeoTIFF")


def _check_folder(folder: Path, name: str) -> None:
    """Every item of a folder that is to be read as a layer is an ordinary file or a folder."""
    if not folder.resolve().name:
        raise InputError(name, "is the root of the disk, no GIS layer", "name the file of the layer")
    most = limits.most("files")
    total = 0
    with os.scandir(folder) as items:
        for number, item in enumerate(items, 1):
            _ordinary(item, name)
            if number > most:
                what = f"holds more than {most:,.0f} files"
                raise limits.too_much(name, what, "name the file of the layer", "files", number * 10)
            total += item.stat().st_size
    limits.check_bytes(total, name, "layer_mb", "cut out the surroundings of the lot first")


def _check_beside(path: Path, name: str) -> None:
    """Files of the same name with other endings, which GDAL reads along, are ordinary too and point to nothing else."""
    stem = path.stem.lower()
    try:
        with os.scandir(path.parent) as items:
            beside = [i for i in items if i.name.lower().startswith(stem) and i.name != path.name]
    except PermissionError:  # files in a folder that may not be listed can be opened all the same
        return
    for item in beside:
        low = item.name.lower()
        if not low.startswith((f"{stem}.", f"{path.name.lower()}-")):
            continue
        _ordinary(item, name)
        if low.endswith((".ovr", ".msk")):
            with open(item.path, "rb") as stream:  # noqa: PTH123 - the path of an entry of scandir
                _check_head(stream.read(_HEAD), f"{name}: {item.name}")


def _ordinary(item: os.DirEntry[str], name: str) -> None:
    """InputError for a pipe, a socket or a device. A link that leads nowhere is as good as no file."""
    try:
        mode = item.stat().st_mode
    except OSError:
        return
    if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
        raise InputError(name, f"{_shown(item.name)} is no ordinary file", "take it away, or copy the data elsewhere")


def _check_content(path: Path, name: str) -> None:
    """The file itself, and what a zip declares."""
    if path.suffix.lower() in _ADDRESSES:
        what = f"is a {path.suffix.lower()} file, which only points to data elsewhere"
        raise InputError(name, what, "give the data themselves, e.g. saved as GeoPackage or GeoTIFF")
    with path.open("rb") as stream:
        head = stream.read(_HEAD)
    if head.startswith(_GZIP):
        raise InputError(name, "is packed with gzip", "unpack it first")
    if head.startswith(_ZIP):
        _check_zip(path, name)
        return
    _check_head(head, name)


def _check_head(head: bytes, name: str) -> None:
    """InputError when the first bytes are those of a file that points elsewhere."""
    text = head.replace(b"\0", b"").lower()
    if b"<!entity" in text:
        raise InputError(name, "is XML with entities of its own", "save it again without them, e.g. as GeoPackage")
    for mark, what in _REACHING.items():
        if mark in text:
            remedy = "give the data themselves, e.g. saved as GeoPackage or GeoTIFF"
            raise InputError(name, f"is {what}; files that point elsewhere are not followed", remedy)


def _check_zip(path: Path, name: str) -> None:
    """InputError for a zip of too much or too many, with names outside of itself, or with files that point elsewhere."""
    try:
        with zipfile.ZipFile(path) as pack:
            items = pack.infolist()
            most = limits.most("files")
            if len(items) > most:
                raise limits.too_much(name, f"holds {len(items):,} files", "pack the layer alone", "files", len(items))
            size_mb, most_mb = sum(i.file_size for i in items) / 1e6, limits.most("layer_mb")
            if size_mb > most_mb:
                what = f"unpacks to {size_mb / 1000:,.1f} GB"
                raise limits.too_much(name, what, "cut out the surroundings of the lot first", "layer_mb", size_mb)
            for item in items:
                parts = item.filename.replace("\\", "/").split("/")
                if ".." in parts or item.filename.startswith(("/", "\\")):
                    what = f"holds {_shown(item.filename)}, a name outside of it"
                    raise InputError(name, what, "pack it anew without such names")
                if item.flag_bits & 1:
                    raise InputError(name, "is locked with a password", "unpack it first")
                if not item.is_dir():
                    with pack.open(item) as stream:
                        _check_head(stream.read(_HEAD), f"{name}: {_shown(item.filename)}")
    except (zipfile.BadZipFile, NotImplementedError, ValueError, EOFError, OSError, RuntimeError, zlib.error):
        raise InputError(name, "is no readable zip file", "copy the file again, or unpack it first") from None


def _shown(text: str) -> str:
    """A name of somebody's on one line of a terminal."""
    line = "".join(c if c.isprintable() else "?" for c in text[:80])
    return repr(line)
