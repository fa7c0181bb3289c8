"""The README's generated parts are what the program says, and its Python runs."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "scripts"))


def test_generated_parts_are_fresh():
    import refresh_readme

    text = (ROOT / "README.md").read_text("utf-8")
    assert refresh_readme.refreshed(text) == text, "run scripts/refresh_readme.py"


def test_python_of_the_readme_runs(tmp_path):
    text = (ROOT / "README.md").read_text("utf-8")
    code = "\n".join(re.findall(r"```python\n(.*?)```", text, flags=re.DOTALL))
    assert code.count("loopgis.design(site)") == 1
    code = code.replace(
        "loopgis.design(site)", "loopgis.design(site, effort=0)"
    )  # the proof of the choice takes a minute more
    code = code.replace("out/suburban", str(tmp_path / "out")).replace('"scored.gpkg"', f'"{tmp_path}/scored.gpkg"')
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-500:]
    assert "unverified" in done.stdout
    assert (tmp_path / "out" / "layouts.gpkg").exists()
