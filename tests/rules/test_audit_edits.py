"""What somebody takes out of a file of ours is missed."""

from __future__ import annotations

import sqlite3
from contextlib import closing

import pytest
import shapely
import zoo

import loopgis
from loopgis import driver
from loopgis.site.model import Feature


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    well = Feature(feature_id="well-1", kind="water_well", geometry=shapely.Point(58, 50))
    result = driver.design(zoo.site(shapely.box(-45, -40, 45, 40), features=(well,), bores=2, patterns=("fan",)))
    folder = tmp_path_factory.mktemp("edits") / "out"
    result.write(folder, pictures=False)
    return folder / "layouts.gpkg"


@pytest.mark.parametrize(
    ("edit", "code"),
    [
        ("DELETE FROM features WHERE kind = 'water_well'", "clearance-orphan"),
        ("DELETE FROM rods WHERE rod > 5", "rods-gap"),
        ("DELETE FROM rods WHERE rod = 4", "rods-gap"),
    ],
)
def test_a_row_taken_out_is_told(written, tmp_path, edit, code):
    copy = tmp_path / "edited.gpkg"
    copy.write_bytes(written.read_bytes())
    assert code not in {f.code for f in loopgis.audit(copy)}
    with closing(sqlite3.connect(copy)) as db, db:
        db.execute(edit)
    assert code in {f.code for f in loopgis.audit(copy)}
