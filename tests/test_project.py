"""The project itself: public names, what importing costs in modules, README commands, notebooks."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

import tussock

ROOT = Path(__file__).parents[1]
PUBLIC = [
    "CrsError",
    "CutError",
    "InputError",
    "MissingExtraError",
    "MissingInputError",
    "OutputError",
    "Plan",
    "QuantityError",
    "Site",
    "TussockError",
    "approve_plan",
    "compare_plans",
    "inspect_site",
    "make_plan",
    "parse_quantity",
    "read_site",
    "review_plan",
    "sample_path",
    "write_sample",
]
HEAVY = ("folium", "matplotlib", "reportlab", "xlsxwriter", "highspy", "geopandas", "pint", "dask")


def test_public_names():
    assert sorted(tussock.__all__) == PUBLIC
    for name in PUBLIC:
        assert getattr(tussock, name).__doc__, name


@pytest.mark.parametrize("statement", ["import tussock", "import tussock.cli"])
def test_importing_loads_no_heavy_library(statement):
    code = f"{statement}; import sys; print([name for name in {HEAVY!r} if name in sys.modules])"
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert result.stdout.strip() == "[]"


def test_every_module_says_what_comes_in_and_goes_out():
    for path in (ROOT / "src").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        if path.parent.name == "tussock" and path.name == "__init__.py":
            continue  # the public face says what the package does
        assert text.startswith('"""In: '), path
        assert "Out:" in text.split('"""')[1], path


def block(mark):
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    inside = text.split(f"<!-- {mark} -->")[1].split("<!-- end -->")[0]
    return [line for line in inside.strip().splitlines() if not line.startswith("```")]


@pytest.mark.parametrize("mark", ["plan", "tests"])
def test_readme_commands_are_one_line_and_start_fresh(mark):
    (line,) = block(mark)
    assert line.startswith("python3 -m venv --clear ")
    assert "sample_data/site.toml" in line or line.endswith("-m pytest")


def test_ci_runs_the_readme_command():
    text = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "<!-- tests -->" in text
    assert "README.md" in text


@pytest.mark.parametrize("path", sorted((ROOT / "notebooks").glob("*.ipynb")), ids=lambda path: path.name)
def test_notebook_runs(path, monkeypatch):
    monkeypatch.chdir(ROOT)
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    names: dict[str, object] = {}
    for cell in cells:
        if cell["cell_type"] == "code":
            exec(compile("".join(cell["source"]), path.name, "exec"), names)  # noqa: S102  (our own notebook)
    assert "plan" in names
