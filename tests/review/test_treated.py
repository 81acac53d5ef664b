"""Treated ground from the field against the plan: what was not planned, not treated, too near, too much."""

from __future__ import annotations

import shutil
from dataclasses import replace
from functools import cache
from pathlib import Path

import geopandas as gpd
import pytest
import shapely
from pyproj import Geod

import tussock
from field_site import TREATMENTS, pick, plan_field, used, write_ground
from review.random_sites import deliver_quickly
from site_factory import ACRE_M2, FOOT_M, PRODUCTS, feet_box, local_crs
from tussock.review.folder import bring, run_checks
from tussock.review.loading import load_folder

FT2_PER_ACRE = 43_560  # NIST Handbook 44, Appendix C


@pytest.fixture(scope="module")
def field(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The plan: nothing within 15 ft of the pond, a spot spray on the other 85 ft x 100 ft."""
    folder = tmp_path_factory.mktemp("field")
    plan = plan_field(folder)
    assert plan.units["status"].tolist() == ["no_option", "planned"]
    return deliver_quickly(plan, folder / "plan")


load_once = cache(load_folder)


def compare(field: Path, path: Path, accuracy: str | None = "3 m", **more):
    """The comparison alone; `test_the_review_takes_it_in` runs it with all other checks."""
    return run_checks(load_once(field), only=["approval"], brought=bring(treated=path, accuracy=accuracy, **more))


# ---- a 15 ft rule and positions that are true to 3 m (9.84 ft)


def test_twelve_feet_inside_is_a_violation_and_five_feet_cannot_be_told(field: Path, tmp_path: Path) -> None:
    rows = [used(feet_box(0, 3, 40, 80), name="a"), used(feet_box(50, 10, 90, 80), name="b")]
    table = compare(field, write_ground(tmp_path / "t.gpkg", rows))
    strips = [item for item in pick(table, "treated", "violation") if "POND-15" in item[0]]
    assert len(strips) == 1
    assert strips[0][0].startswith("treated row 1 (a)")
    assert "12.0 ft inside the strip" in strips[0][1]  # by hand: 15 - 3
    assert strips[0][2].startswith("beyond the error")
    doubts = [item for item in pick(table, "treated", "warning") if "POND-15" in item[0]]
    assert len(doubts) == 1
    assert doubts[0][0].startswith("treated row 2 (b)")
    assert "5.0 ft inside the strip" in doubts[0][1]  # by hand: 15 - 10
    assert doubts[0][2].startswith("within the error: it cannot be told, check in the field")


@pytest.mark.parametrize(
    ("edge_ft", "level"),
    [(5.1, "violation"), (5.2, "warning"), (14.9, "warning"), (15.1, None)],  # 15 - 9.8425 = 5.1575 ft
)
def test_the_verdict_turns_at_the_error_and_at_the_rule(field: Path, tmp_path: Path, edge_ft: float, level) -> None:
    table = compare(field, write_ground(tmp_path / "t.gpkg", [used(feet_box(10, edge_ft, 60, 80))]))
    found = {name: [x for x in pick(table, "treated", name) if "POND-15" in x[0]] for name in ("violation", "warning")}
    assert {name for name, rows in found.items() if rows} == ({level} if level else set())


def test_the_error_of_each_feature_counts(field: Path, tmp_path: Path) -> None:
    rows = [used(feet_box(0, 10, 40, 80), accuracy_ft=3.0), used(feet_box(50, 10, 90, 80), accuracy_ft=6.0)]
    table = compare(field, write_ground(tmp_path / "t.gpkg", rows), accuracy=None)
    assert [x[0][:13] for x in pick(table, "treated", "violation") if "POND" in x[0]] == ["treated row 1"]
    assert [x[0][:13] for x in pick(table, "treated", "warning") if "POND" in x[0]] == ["treated row 2"]


def test_the_error_of_the_water_adds_to_it(tmp_path: Path) -> None:
    plan = plan_field(tmp_path / "site", layer_lines={"water": 'accuracy = "10 ft"'})
    folder = deliver_quickly(plan, tmp_path / "plan")
    table = compare(folder, write_ground(tmp_path / "t.gpkg", [used(feet_box(0, 3, 40, 80))]))
    doubts = [x for x in pick(table, "treated", "warning") if "POND-15" in x[0]]
    assert "12.0 ft inside" in doubts[0][1]  # 12 ft are within 9.84 + 10 ft
    assert not [x for x in pick(table, "treated", "violation") if "POND-15" in x[0]]


def test_what_the_rule_does_not_forbid_may_stand_in_the_strip(field: Path, tmp_path: Path) -> None:
    rows = [used(feet_box(0, 3, 40, 80), method="wick")]
    table = compare(field, write_ground(tmp_path / "t.gpkg", rows))
    assert not [x for x in pick(table, "treated", "violation") if "POND-15" in x[0]]


def test_distances_are_those_of_a_geodesic(field: Path, tmp_path: Path) -> None:
    """The depth said is 15 ft less the geodesic from the ground to the pond, by a library of its own."""
    path = write_ground(tmp_path / "t.gpkg", [used(feet_box(20, 3, 60, 80))], crs="EPSG:4326")
    near = shapely.Point(40 * FOOT_M, 3 * FOOT_M), shapely.Point(40 * FOOT_M, 0)
    lonlat = gpd.GeoSeries(near, crs=local_crs()).to_crs("EPSG:4326")
    _, _, away = Geod(ellps="WGS84").inv(lonlat[0].x, lonlat[0].y, lonlat[1].x, lonlat[1].y)
    strips = [x for x in pick(compare(field, path), "treated", "violation") if "POND-15" in x[0]]
    assert f"{15 - away / FOOT_M:.1f} ft inside" in strips[0][1]


def test_the_review_takes_it_in(field: Path, tmp_path: Path) -> None:
    path = write_ground(tmp_path / "t.gpkg", [used(feet_box(0, 3, 40, 80))])
    table = tussock.review_plan(field, treated=path, accuracy="3 m")
    assert set(table[table["level"] == "violation"]["check"]) == {"treated"}


# ---- ground


def test_ground_that_was_not_planned_is_measured(field: Path, tmp_path: Path) -> None:
    rows = [used(feet_box(200, 300, 300, 400))]
    found = pick(compare(field, write_ground(tmp_path / "t.gpkg", rows)), "treated", "violation")
    assert found[0][1] == f"{10_000 / FT2_PER_ACRE:.3g} acre treated that was not planned"
    assert found[0][2] == f"{10_000 / FT2_PER_ACRE:.3g} acre of it beyond the error"


def test_ground_that_was_not_planned_within_the_error_asks_for_a_field_check(field: Path, tmp_path: Path) -> None:
    rows = [used(feet_box(40, 20, 108, 100))]  # 8 ft over the patch's edge; the error is 9.84 ft
    table = compare(field, write_ground(tmp_path / "t.gpkg", rows))
    assert not pick(table, "treated", "violation")
    found = [item for item in pick(table, "treated", "warning") if "not planned" in item[1]]
    assert "cannot be told" in found[0][2]


def test_planned_ground_that_was_left_out_is_measured(field: Path, tmp_path: Path) -> None:
    rows = [used(feet_box(0, 15, 40, 100))]
    table = compare(field, write_ground(tmp_path / "t.gpkg", rows), accuracy="1 ft")
    found = [item for item in pick(table, "treated", "warning") if item[0] == "unit P1-02"]
    left = 60 * 85 / FT2_PER_ACRE
    assert found[0][1].startswith(f"{left:.3g} acre of ")
    beyond = float(found[0][2].split()[0]) * FT2_PER_ACRE
    assert beyond == pytest.approx(59 * 85, rel=2e-3)


def test_a_unit_that_nobody_went_to_is_named(field: Path, tmp_path: Path) -> None:
    table = compare(field, write_ground(tmp_path / "t.gpkg", [used(feet_box(200, 300, 300, 400))]))
    assert ("unit P1-02", f"not treated, {8500 / FT2_PER_ACRE:.3g} acre", "") in pick(table, "treated", "warning")


def test_treating_as_planned_finds_nothing(field: Path, tmp_path: Path) -> None:
    units = gpd.read_file(field / "plan.gpkg", layer="units").iloc[[1]]
    rows = [used(units.geometry.iloc[0], unit_id="P1-02", product_fl_oz=float(units["product_fl_oz"].iloc[0]))]
    table = compare(field, write_ground(tmp_path / "t.gpkg", rows))
    assert not pick(table, "treated", "violation")
    assert not pick(table, "treated", "warning")


# ---- tracks and points


def test_a_track_has_the_width_that_was_treated(field: Path, tmp_path: Path) -> None:
    track = shapely.LineString([(10 * FOOT_M, 50 * FOOT_M), (90 * FOOT_M, 50 * FOOT_M)])
    path = write_ground(tmp_path / "t.geojson", [used(track)], crs="EPSG:4326", driver="GeoJSON")
    table = compare(field, path, swath="20 ft")
    text = next(item[1] for item in pick(table, "treated", "info") if "features" in item[1])
    area = 80 * 20 + 3.141592653589793 * 10**2  # a strip of 20 ft with round ends
    assert float(text.split(", ")[1].split()[0]) * FT2_PER_ACRE == pytest.approx(area, rel=5e-3)


@pytest.mark.parametrize(("kind", "count"), [("track", 1), ("points", 9)])
def test_a_gpx_file_is_read(field: Path, tmp_path: Path, kind: str, count: int) -> None:
    line = [(10 * FOOT_M * step, 40 * FOOT_M) for step in range(1, 10)]
    shapes = [shapely.LineString(line)] if kind == "track" else [shapely.Point(xy) for xy in line]
    frame = gpd.GeoDataFrame({"geometry": shapes}, crs=local_crs()).to_crs("EPSG:4326")
    path = tmp_path / "walk.gpx"
    layer = "tracks" if kind == "track" else "waypoints"
    if kind == "track":
        frame["geometry"] = [shapely.MultiLineString([item]) for item in frame.geometry]
    frame.to_file(path, driver="GPX", layer=layer, engine="pyogrio")
    table = compare(field, path, swath="20 ft")
    assert any(f"{count} features" in item[1] for item in pick(table, "treated", "info"))
    assert not pick(table, "treated", "violation")


def test_a_track_over_the_strip_is_found(field: Path, tmp_path: Path) -> None:
    track = shapely.LineString([(10 * FOOT_M, 12 * FOOT_M), (90 * FOOT_M, 12 * FOOT_M)])
    table = compare(field, write_ground(tmp_path / "t.gpkg", [used(track)]), accuracy="1 ft", swath="20 ft")
    found = [x for x in pick(table, "treated", "violation") if "POND-15" in x[0]]
    assert "13.0 ft inside" in found[0][1]  # 12 ft away less 10 ft of swath leaves 2 of 15


# ---- what was used, and how much


def test_another_product_than_planned_is_a_violation(field: Path, tmp_path: Path) -> None:
    rows = [used(feet_box(0, 20, 100, 95), product_id="glyphosate-upland")]
    found = pick(compare(field, write_ground(tmp_path / "t.gpkg", rows)), "treated", "violation")
    assert [item[1] for item in found] == ["product glyphosate-upland"]


def test_a_product_that_no_catalog_has_is_a_violation(field: Path, tmp_path: Path) -> None:
    rows = [used(feet_box(0, 20, 100, 95), product_id="unheard-of")]
    found = pick(compare(field, write_ground(tmp_path / "t.gpkg", rows)), "treated", "violation")
    assert ("treated row 1", "product unheard-of", "no label to check it by") in found


@pytest.mark.parametrize(("share", "said"), [(1.04, False), (1.06, True)])
def test_a_rate_above_the_plan_is_said(field: Path, tmp_path: Path, share: float, said: bool) -> None:
    shape = feet_box(0, 16, 100, 100)
    planned_gal_per_acre = 50 * 0.02  # 50 gal/acre of a 2 % mix
    fl_oz = planned_gal_per_acre * 128 * 8400 / FT2_PER_ACRE * share
    table = compare(field, write_ground(tmp_path / "t.gpkg", [used(shape, product_fl_oz=fl_oz)]))
    found = [item for item in pick(table, "treated", "warning") if "above the planned rate" in item[2]]
    assert bool(found) is said


def test_a_rate_above_the_label_is_a_violation(tmp_path: Path) -> None:
    products = PRODUCTS.replace('limit_per_year = "8 lb/acre"', 'limit_per_application = "4 lb/acre"', 1)
    folder = deliver_quickly(plan_field(tmp_path / "site", products=products), tmp_path / "plan")
    gal = 1.01 * 8400 / FT2_PER_ACRE  # 1.01 gal/acre of 4 lb/gal: 4.04 lb/acre
    rows = [used(feet_box(0, 16, 100, 100), product_gal=gal)]
    found = pick(compare(folder, write_ground(tmp_path / "t.gpkg", rows)), "treated", "violation")
    assert [item[2] for item in found] == ["above the label's limit for one application of glyphosate-aquatic"]


def test_what_was_used_is_taken_as_planned_where_it_is_not_stated(field: Path, tmp_path: Path) -> None:
    rows = [{"geometry": feet_box(0, 3, 40, 80)}]
    found = pick(compare(field, write_ground(tmp_path / "t.gpkg", rows)), "treated", "violation")
    assert any("taken as planned on P1-02" in item[2] and "12.0 ft inside" in item[1] for item in found)


def test_ground_over_two_treatments_without_a_statement_asks_for_one(tmp_path: Path) -> None:
    wick = TREATMENTS + TREATMENTS.replace('"spot"', '"wick"').replace("foliar_spot", "wick").replace(
        "2 %", "33 %"
    ).replace("preference = 1", "preference = 2").replace("50 gal/acre", "3 gal/acre")
    plan = plan_field(tmp_path / "site", treatments=wick)
    assert plan.units["treatment_id"].tolist() == ["wick", "spot"]
    folder = deliver_quickly(plan, tmp_path / "plan")
    table = compare(folder, write_ground(tmp_path / "t.gpkg", [{"geometry": feet_box(0, 0, 100, 100)}]))
    assert not pick(table, "treated", "violation")
    asked = [item for item in pick(table, "treated", "warning") if "not stated" in item[1]]
    assert asked[0][2] == "each part is taken as planned on its unit"


def test_the_season_of_a_rule_is_that_of_the_day_of_the_work(tmp_path: Path) -> None:
    from field_site import RULES

    rules = RULES.replace("forbids =", 'season = ["03-01", "08-31"]\nforbids =')
    folder = deliver_quickly(plan_field(tmp_path / "site", rules=rules), tmp_path / "plan")
    for day, count in (("2027-08-20", 1), ("2027-09-10", 0)):
        rows = [used(feet_box(0, 3, 40, 80), date=day)]
        table = compare(folder, write_ground(tmp_path / f"{day}.gpkg", rows))
        assert len([x for x in pick(table, "treated", "violation") if "POND-15" in x[0]]) == count


# ---- bad input: one clear finding each


def bad(field: Path, path: Path, **more) -> tuple[str, str, str]:
    table = compare(field, path, **({"accuracy": None} | more))
    found = pick(table, "treated", "violation")
    assert len(found) == 1, found
    assert not table["found"].str.contains("could not be done").any()
    assert not pick(table, "treated", "info")  # nothing says that it was compared
    return found[0]


def test_a_file_that_is_not_there(field: Path, tmp_path: Path) -> None:
    assert bad(field, tmp_path / "no.gpkg", accuracy="3 m")[1] == "no such file"


@pytest.mark.parametrize("content", [b"", b"\x89PNG\r\n\x1a\n", b"SQLite format 3\x00 cut short"])
def test_a_file_that_is_empty_or_foreign_or_cut_short(field: Path, tmp_path: Path, content: bytes) -> None:
    (tmp_path / "t.gpkg").write_bytes(content)
    assert bad(field, tmp_path / "t.gpkg", accuracy="3 m")[1].startswith("a file that cannot be ")


def test_no_accuracy_no_swath_no_date_and_no_features(field: Path, tmp_path: Path) -> None:
    box, line = feet_box(0, 20, 40, 80), shapely.LineString([(0, 5), (5, 5)])
    path = write_ground(tmp_path / "a.gpkg", [used(box)])
    assert bad(field, path)[0] == "a.gpkg, accuracy, row 1"
    path = write_ground(tmp_path / "b.gpkg", [used(line)])
    assert bad(field, path, accuracy="3 m")[0] == "b.gpkg, swath, row 1"
    path = write_ground(tmp_path / "c.gpkg", [used(box, date="7/14/2027")])
    assert bad(field, path, accuracy="3 m")[0] == "c.gpkg, date, row 1"
    path = write_ground(tmp_path / "d.gpkg", [used(box, accuracy_m=-1.0)])
    assert bad(field, path)[0].startswith("d.gpkg, accuracy")
    gpd.GeoDataFrame({"name": []}, geometry=[], crs=local_crs()).to_file(tmp_path / "e.gpkg", engine="pyogrio")
    assert bad(field, tmp_path / "e.gpkg", accuracy="3 m")[1] == "no features"


def test_a_file_of_two_layers_asks_which(field: Path, tmp_path: Path) -> None:
    path = write_ground(tmp_path / "t.gpkg", [used(feet_box(0, 20, 40, 80))], layer="one")
    write_ground(path, [used(feet_box(0, 20, 40, 80))], layer="two")
    assert bad(field, path, accuracy="3 m")[1] == "2 layers in the file"
    table = compare(field, path, treated_layer="two")
    assert any("1 features" in item[1] for item in pick(table, "treated", "info"))


def test_a_file_without_a_crs(field: Path, tmp_path: Path) -> None:
    path = write_ground(tmp_path / "t.shp", [used(feet_box(0, 20, 40, 80))])
    path.with_suffix(".prj").unlink()
    assert bad(field, tmp_path / "t.shp", accuracy="3 m")[0] == "t.shp, CRS"


def test_an_accuracy_that_is_no_length(field: Path, tmp_path: Path) -> None:
    path = write_ground(tmp_path / "t.gpkg", [used(feet_box(0, 20, 40, 80))])
    with pytest.raises(tussock.InputError, match="treated ground: accuracy"):
        compare(field, path, accuracy="3")


def test_a_bow_tie_from_the_field_is_measured_by_its_two_lobes(field: Path, tmp_path: Path) -> None:
    from site_factory import feet

    tie = feet((0, 20), (100, 95), (100, 20), (0, 95))
    table = compare(field, write_ground(tmp_path / "t.gpkg", [used(tie)]))
    text = next(item[1] for item in pick(table, "treated", "info") if "features" in item[1])
    assert float(text.split(", ")[1].split()[0]) * ACRE_M2 / FOOT_M**2 == pytest.approx(100 * 75 / 2, rel=2e-3)


def test_ground_whose_approval_does_not_hold_is_a_violation(field: Path, tmp_path: Path) -> None:
    """Approved, changed afterwards, and treated all the same."""
    folder = Path(shutil.copytree(field, tmp_path / "plan"))
    tussock.approve_plan(folder, approved_by="A. Reviewer", date="2027-04-01")
    path = write_ground(tmp_path / "t.gpkg", [used(feet_box(0, 20, 100, 95))])
    assert not pick(compare(folder, path), "treated", "violation")
    delivered = load_folder(folder)
    units = delivered.layers["units"].copy()
    units["concentration_pct"] *= 1.01
    edited = replace(delivered, layers={**delivered.layers, "units": units})
    table = run_checks(edited, only=["approval"], brought=bring(treated=path, accuracy="3 m"))
    assert ("treated row 1", "treated on patch P1, changed since approval", "") in pick(table, "treated", "violation")
