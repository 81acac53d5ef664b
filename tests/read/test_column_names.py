"""Columns under the mapper's own names: what may be mapped, and what rides along where it has the name of a result."""

from __future__ import annotations

import geopandas as gpd
import openpyxl
import pandas as pd
import pytest

import tussock
from site_factory import Sites, feet_box
from tussock.base.errors import InputError

TREATMENTS = """
[[treatment]]
id = "dig-up"
growth_form = ["herbaceous"]
method = "dig"
"""
SQUARE = {"growth_form": "herbaceous", "cover_pct": 50, "geometry": feet_box(0, 0, 208.71, 208.71)}


@pytest.mark.parametrize(
    ("columns", "key", "need"),
    [
        ('{ banana = "notes" }', "columns.banana", "write one of patch_id, species, growth_form"),
        ('{ ID = "patch_id" }', "columns.ID", 'write our name first, columns = { patch_id = "ID" }'),
        ('{ growth_frm = "notes" }', "columns.growth_frm", '"growth_form" is meant'),
        ('{ species = "taxon" }', "columns.species", "it has patch_id, notes, ID"),
    ],
)
def test_a_mapping_that_maps_nothing_is_refused(tmp_path, columns, key, need):
    rows = [{"patch_id": "A", "notes": "by the gate", "ID": "7", **SQUARE}]
    path = Sites(tmp_path).write(rows, layer_lines={"infestations": f"columns = {columns}"})
    with pytest.raises(InputError, match="found") as caught:
        tussock.read_site(path)
    faults = [str(fault) for fault in caught.value.faults]
    assert len(faults) == 1
    assert key in faults[0]
    assert need in faults[0]


def test_a_column_that_brings_a_distance_can_be_mapped(tmp_path):
    rows = [{"patch_id": "A", **SQUARE}]
    trees = [{"kind": "tree", "name": "oak", "HT": 40.0, "geometry": feet_box(0, 0, 1, 1)}]
    lines = {"receptors": 'columns = { height_ft = "HT" }'}
    site = tussock.read_site(Sites(tmp_path).write(rows, receptors=trees, layer_lines=lines))
    assert site.layers["receptors"].frame["height_ft"].tolist() == [40.0]


def test_a_width_of_a_receptor_is_no_width_of_a_stream(tmp_path):
    """A fence of 3 m and a text that is no number: the well stands 100 ft off, and no width shortens that."""
    well = {"kind": "well", "width_m": "3 m", "width_assumed": "no", "geometry": feet_box(308.71, 0, 310, 1)}
    plan = Sites(tmp_path).plan([{"patch_id": "A", **SQUARE}], receptors=[well], treatments=TREATMENTS)
    assert plan.patches["nearest_receptor_ft"].iloc[0] == pytest.approx(100, abs=0.01)
    assert "kept as width_assumed_in_file" in plan.findings["done"].tolist()


def test_columns_named_like_results_ride_along_and_results_stay_ours(tmp_path):
    # One acre (208.71 ft squared = 43,559.9 ft2 of 43,560) with the mapper's own figures under our names.
    own = {
        "status": "confirmed in June",
        "cost": 120.5,
        "reason": "seed source",
        "cost_low": 100.0,
        "Area_acre": 9.0,
        "spray_gal": "none",
        "notes": "by the gate",
    }
    folder = tmp_path / "out"
    plan = Sites(tmp_path).plan([{"patch_id": "A", **SQUARE, **own}], treatments=TREATMENTS)
    plan.write(folder)
    patch = plan.patches.iloc[0]
    assert patch["status"] == "planned"
    assert patch["area_acre"] == pytest.approx(1.0, abs=1e-4)
    kept = {"notes": own["notes"]} | {f"{name}_in_file": value for name, value in own.items() if name != "notes"}
    tables = {
        "plan.patches": plan.patches,
        "plan.gpkg": gpd.read_file(folder / "plan.gpkg", layer="patches"),
        "patch_budget.csv": pd.read_csv(folder / "patch_budget.csv"),
    }
    for where, table in tables.items():
        assert {name: table[name].iloc[0] for name in kept} == kept, where
    sheet = openpyxl.load_workbook(folder / "plan.xlsx")["Patches"]
    cells = {cell.value for row in sheet.iter_rows() for cell in row}
    assert {"confirmed in June", "seed source", "by the gate"} <= cells
    told = plan.findings[plan.findings["stage"] == "read"]
    assert set(told["done"]) == {f"kept as {name}" for name in kept if name != "notes"}
    assert tussock.review_plan(folder).query("level == 'violation'").empty
