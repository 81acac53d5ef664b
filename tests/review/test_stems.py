"""Stems by diameter class and stems mapped as points: what units state of them is worked out anew from the folder."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import shapely

from review.random_sites import deliver_quickly
from review.tampering import content_of, edit_layer, edit_run, edit_table, first
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


def write(
    folder: Path,
    stems: str,
    *,
    points: list[Any] | None = None,
    products: str = PRODUCTS,
    treatments: str = TREATMENTS,
    depth_ft: float = 100,
) -> Delivered:
    """A patch of 200 ft x 100 ft that a setback cuts in two halves, with a stem table or stems as points."""
    ground = feet_box(0, 0, 200, depth_ft)
    patch = {"geometry": ground, "patch_id": "P1", "species": "black locust", "growth_form": "tree"}
    water = [{"geometry": feet_box(0, -50, 200, 0), "kind": "pond", "state": "wet"}]
    path = Sites(folder).write(
        [patch | {"cover_pct": "100"}],
        water=water,
        rules=RULES.replace("50 ft", f"{depth_ft / 2} ft"),
        products=products,
        treatments=treatments,
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


# ---- limits on the ground that the stems stand on

LIMITED = PRODUCTS.replace("source =", 'limit_stems_per_year = "150/acre"\nlimit_per_year = "1 lb/acre"\nsource =')
FIVE_ML = TREATMENTS.replace('dose_per_cut = "1 mL"\ncut_per_diameter = "3 in"', 'dose_per_stem = "5 mL"')
#: Of 5 mL at 4 lb/gal: 0.0052834 lb a stem.
LB_A_STEM = 5 / 3785.411784 * 4


@pytest.fixture(scope="module")
def limited(tmp_path_factory: pytest.TempPathFactory) -> Delivered:
    """An acre in two halves, 60 stems in the near one: 120/acre, 0.634 lb/acre; over the whole 60/acre, 0.317."""
    folder = tmp_path_factory.mktemp("limited")
    places = [(10 + 18 * (k % 10), 10 + 12 * (k // 10)) for k in range(60)]
    rows = [
        {
            "geometry": shapely.affinity.scale(shapely.Point(*place), 0.3048, 0.3048, origin=(0, 0)),
            "stem_diameter_in": 4.0,
        }
        for place in places
    ]
    return write(folder, "", points=rows, products=LIMITED, treatments=FIVE_ML, depth_ft=217.8)


def set_near(delivered: Delivered, **values: float) -> Delivered:
    """Write numbers into the unit near the pond."""

    def edit(units: gpd.GeoDataFrame) -> None:
        place = units.index[first(units["stems"] > 0)]
        for name, value in values.items():
            units.loc[place, name] = value

    return edit_layer(delivered, "units", edit)


def _list_products(run: dict[str, Any]) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = content_of(run, "products")["product"]
    return rows


def lower_limit(delivered: Delivered, name: str, limit: str) -> Delivered:
    """State a lower limit on the label than the plan was made by."""

    def edit(run: dict[str, Any]) -> None:
        _list_products(run)[0][name] = limit

    return edit_run(delivered, edit)


def test_stems_on_their_ground_within_the_limits_pass(limited: Delivered) -> None:
    near = limited.layers["units"].set_index("setbacks").loc["R"]
    assert near["ae_lb_per_acre"] == pytest.approx(60 * LB_A_STEM / 0.5, rel=1e-5)
    assert near["annual_limit_used_pct"] == pytest.approx(80, rel=1e-5)  # 120 of 150 stems; 0.634 of 1 lb is less
    table = run_checks(limited)
    assert table[table["level"] == "violation"].to_dict("records") == []


def test_a_dose_told_by_the_mean_of_the_patch_is_found(limited: Delivered) -> None:
    mean = set_near(limited, ae_lb_per_acre=60 * LB_A_STEM, annual_limit_used_pct=40)
    assert "unit P1-01, stems" in find_violations(mean)  # 60 stems stand there, and half of them give that dose
    unlimited = edit_run(mean, lambda run: [row.pop("limit_stems_per_year") for row in _list_products(run)])
    # no limit could have left any out, and the table of products still has the dose as it was
    expected = ["unit P1-01, ae_kg_per_ha", "unit_products, P1-01, glyphosate-aquatic, ae_kg_per_ha"]
    assert find_violations(unlimited) == expected


@pytest.mark.parametrize(("name", "limit"), [("limit_stems_per_year", "100/acre"), ("limit_per_year", "0.5 lb/acre")])
def test_a_limit_that_only_the_mean_of_the_patch_keeps_is_found(limited: Delivered, name: str, limit: str) -> None:
    """60 stems/acre and 0.317 lb/acre over the whole patch keep them; 120 and 0.634 on the ground do not."""
    found = run_checks(lower_limit(limited, name, limit), only={"limits"})
    expected = {"limit_stems_per_year": "296.5", "limit_per_year": "0.634 lb ae/acre"}[name]
    assert any(expected in text for text in found.loc[found["level"] == "violation", "found"])


GROUND = """
[[treatment]]
id = "stump"
growth_form = ["tree"]
method = "cut_stump"
product = "glyphosate-aquatic"
concentration = "50 %"
spray_volume = "2 gal/acre"
preference = 1
source = "invented for tests"
"""


def test_a_mix_thinned_for_a_stem_limit_is_found(tmp_path: Path) -> None:
    """40 stems on 200 ft x 100 ft are 87/acre; of 50/acre a share of 0.574: 28.7 % instead of the label's least 50 %."""
    (tmp_path / "stems.csv").write_text("patch_id,stem_diameter_in,stem_count\nP1,4,40\n", encoding="utf-8")
    products = LIMITED.replace("stem_injection", "cut_stump").replace("1 lb/acre", "8 lb/acre")
    plan = write(tmp_path, "stems.csv", products=products, treatments=GROUND)
    table = run_checks(plan)
    assert table[table["level"] == "violation"].to_dict("records") == []
    over = run_checks(lower_limit(plan, "limit_stems_per_year", "50/acre"), only={"limits"})
    # 40 stems on 200 x 100 / 43,560 acre are 87.12/acre: x 2.47105 = 215.28/ha
    assert "215.28 stems/ha" in over.loc[over["level"] == "violation", "found"].tolist()

    def thin(units: gpd.GeoDataFrame) -> None:
        for name in ("concentration_pct", "product_fl_oz", "ae_lb", "ae_lb_per_acre"):
            units[name] *= 50 / 87.12

    thinned = lower_limit(edit_layer(plan, "units", thin), "limit_stems_per_year", "50/acre")
    assert find_violations(thinned, "label") == ["unit P1-01", "unit P1-02"]


def test_a_stem_limit_without_stems_is_found(tmp_path: Path) -> None:
    (tmp_path / "stems.csv").write_text("patch_id,stem_diameter_in,stem_count\nP1,4,40\n", encoding="utf-8")
    products = PRODUCTS.replace("stem_injection", "cut_stump")
    plan = write(tmp_path, "stems.csv", products=products, treatments=GROUND)
    blank = edit_table(plan, "stems", lambda stems: stems.iloc[:0])
    assert not find_violations(blank, "limits")
    found = run_checks(lower_limit(blank, "limit_stems_per_year", "150/acre"), only={"limits"})
    assert set(found.loc[found["level"] == "violation", "found"]) == {"no stems are mapped"}
