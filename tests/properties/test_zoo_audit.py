"""500 lots of the zoo through generator, writer and audit: no audit failure, ever. Four shards for two processes."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
import zoo
from hypothesis import HealthCheck, given, seed, settings

import loopgis
from loopgis import driver
from loopgis.core.errors import NoLayoutError
from loopgis.layout import explain

EXAMPLES = 125


@pytest.mark.parametrize("shard", [0, *(pytest.param(n, marks=pytest.mark.slow) for n in (1, 2, 3))])
def test_no_audit_failure_ever(shard, monkeypatch):
    monkeypatch.setattr(driver, "SPOTS", 1)  # one place per pattern: the pad search itself is tested elsewhere
    monkeypatch.setattr(explain, "smallest_change", lambda *_: "")  # and so is what to change when nothing fits
    seen = {"layouts": 0, "none": 0}
    reasons: list[list[str]] = []

    @seed(1000 + shard)
    @settings(max_examples=EXAMPLES, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(zoo.lots())
    def run(site):
        try:
            result = driver.design(site)
        except NoLayoutError as none:
            reasons.append(none.reasons)
            seen["none"] += 1
            return
        with tempfile.TemporaryDirectory() as folder:
            result.write(Path(folder) / "out", pictures=False)
            findings = loopgis.audit(Path(folder) / "out" / "layouts.gpkg")
        bad = [
            f
            for f in findings
            if f.severity == "error" or f.outcome in {"fail", "pass_thin"} or f.code.startswith("clearance")
        ]
        assert not bad, [f.line() for f in bad[:4]]
        seen["layouts"] += len(result.layouts)

    run()
    assert all(reasons)
    # the zoo must not pass by giving nothing: most lots take a layout
    assert seen["layouts"] > EXAMPLES * 0.3
    assert seen["none"] < EXAMPLES * 0.7
