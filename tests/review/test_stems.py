"""Stems by diameter class and stems mapped as points: what units state of them is worked out anew from the folder."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import shapely

from review.random_sites import deliver_quickly
from review.tampering import edit_layer, edit_run, edit_table, first
from site_factory import Sites, feet_box, local_crs
from tussock.review.delivered import Delivered
from tussock.review.folder import run_checks
from tussock.review.loading import load_folder

RULES = """
[ruleset]
title = "rules for tests (invented)"
authority = "nobody"
source = "invented for tests"
read_by = "nobody"
status = "checked"

[[setback]]
id = "R"
from = { layer = "water" }
distance = "50 ft"
forbids = { delivery = "broadcast" }
source = "invented for tests"
"""

PRODUCTS = """
[[product]]
id = "glyphosate-aquatic"
active = "glyphosate"
form = "salt"
strength = "4 lb/gal"
aquatic_label = true
methods = { stem_injection = ["50 %", "100 %"] }
source = "invented for tests"
"""

#: One cut for each 3 in of diameter, 1 mL in each: stems of 4 in take 2 cuts, of 10 in 4.
TREATMENTS = """
[[treatment]]
id = "injection"
growth_form = ["tree"]
method = "stem_injection"
product = "glyphosate-aquatic"
concentration = "100 %"
dose_per_cut = "1 mL"
cut_per_diameter = "3 in"
preference = 1
source = "invented for tests"
"""


def write(folder: Path, stems: str, *, points: list[Any] | None = None) -> Delivered:
    """A patch of 200 ft x 100 ft that a setback cuts in two halves, with a stem table or stems as points."""
    patch = {"geometry": feet_box(0, 0, 200, 100), "patch_id": "P1", "species": "black locust", "growth_form": "tree"}
    water = [{"geometry": feet_box(0, -50, 200, 0), "kind": "pond", "state": "wet"}]
    path = Sites(folder).write(
        [patch | {"cover_pct": "100"}],
        water=water,
        rules=RULES,
        products=PRODUCTS,
        treatments=TREATMENTS,
    )
    if points is not None:
        gpd.GeoDataFrame(points, geometry="geometry", crs=local_crs()).to_file(folder / "stems.gpkg", layer="stems")
        stems = "stems.gpkg"
    with path.open("a", encoding="utf-8") as file:
        file.write(f'\n[layers.stems]\npath = "{stems}"\n')
    import tussock

    return load_folder(deliver_quickly(tussock.make_plan(tussock.read_site(path)), folder / "plan"))


@pytest.fixture(scope="module")
def by_class(tmp_path_factory: pytest.TempPathFactory) -> Delivered:
    """40 stems of 4 in and 20 of 10 in: half of each on each of two units of the same size."""
    folder = tmp_path_factory.mktemp("classes")
    (folder / "stems.csv").write_text("patch_id,stem_diameter_in,stem_count\nP1,4,40\nP1,10,20\n", encoding="utf-8")
    return write(folder, "stems.csv")


@pytest.fixture(scope="module")
def by_point(tmp_path_factory: pytest.TempPathFactory) -> Delivered:
    """Three stems of 4 in near the pond, two of 10 in away from it."""
    folder = tmp_path_factory.mktemp("points")
    rows = [
        {
            "geometry": shapely.affinity.scale(shapely.Point(x, y), 0.3048, 0.3048, origin=(0, 0)),
            "stem_diameter_in": size,
        }
        for x, y, size in ((10, 10, 4.0), (50, 20, 4.0), (90, 30, 4.0), (30, 70, 10.0), (150, 80, 10.0))
    ]
    return write(folder, "", points=rows)


def find_violations(delivered: Delivered, check: str = "doses") -> list[str]:
    """Where a check found a violation."""
    table = run_checks(delivered, only={check})
    assert not table["found"].str.contains("could not be done").any(), table.to_string()
    return table.loc[(table["check"] == check) & (table["level"] == "violation"), "where"].tolist()


def test_the_figures_by_hand(by_class: Delivered, by_point: Delivered) -> None:
    """By class: 20 x 2 + 10 x 4 = 80 cuts a unit, 80 mL. By point: 3 x 2 = 6 cuts and 2 x 4 = 8 cuts."""
    units = by_class.layers["units"]
    assert units["stems"].tolist() == [30, 30]
    assert units["cuts"].tolist() == [80, 80]
    assert (units["spray_gal"] * 3785.411784).tolist() == pytest.approx([80, 80])
    drawn = by_point.layers["units"].sort_values("nearest_water_ft")
    assert drawn["stems"].tolist() == [3, 2]
    assert drawn["cuts"].tolist() == [6, 8]


@pytest.mark.parametrize("which", ["by_class", "by_point"])
def test_a_clean_plan_has_no_finding(which: str, request: pytest.FixtureRequest) -> None:
    table = run_checks(request.getfixturevalue(which))
    assert table[table["level"] == "violation"].to_dict("records") == []


def scale(name: str, factor: float) -> Any:
    """Change one number of the first unit with cuts."""

    def edit(units: gpd.GeoDataFrame) -> None:
        place = units.index[first(units["cuts"] > 0)]
        units.loc[place, name] = units.loc[place, name] * factor

    return edit


@pytest.mark.parametrize("which", ["by_class", "by_point"])
@pytest.mark.parametrize(
    ("name", "factor"), [("cuts", 0.5), ("stems", 3), ("spray_gal", 1.02), ("ae_lb_per_acre", 1.01)]
)
def test_an_amount_that_stems_do_not_give_is_found(
    which: str, name: str, factor: float, request: pytest.FixtureRequest
) -> None:
    delivered = edit_layer(request.getfixturevalue(which), "units", scale(name, factor))
    assert any(name.split("_", maxsplit=1)[0] in where for where in find_violations(delivered)), name


@pytest.mark.parametrize("which", ["by_class", "by_point"])
def test_stems_changed_in_the_table_are_found(which: str, request: pytest.FixtureRequest) -> None:
    def edit(stems: Any) -> None:
        stems["stem_count"] = stems["stem_count"] * 2

    assert find_violations(edit_table(request.getfixturevalue(which), "stems", edit))


def test_a_stem_moved_across_the_setback_is_found(by_point: Delivered) -> None:
    def edit(stems: Any) -> None:
        stems.loc[0, ["lon", "lat"]] = stems.loc[4, ["lon", "lat"]].tolist()

    assert find_violations(edit_table(by_point, "stems", edit))


def test_a_diameter_changed_in_the_table_is_found(by_class: Delivered) -> None:
    def edit(stems: Any) -> None:
        stems.loc[stems["stem_diameter_in"] == 4, "stem_diameter_in"] = 7.0

    assert any("cuts" in where for where in find_violations(edit_table(by_class, "stems", edit)))


def test_a_diameter_outside_the_window_makes_the_candidate_wrong(by_class: Delivered) -> None:
    def edit(run: dict[str, Any]) -> None:
        rows = next(item["content"] for item in run["documents"] if item["role"] == "treatments")["treatment"]
        rows[0]["stem_diameter"] = ["2 in", "8 in"]

    assert find_violations(edit_run(by_class, edit), "choices")
