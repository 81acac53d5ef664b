"""Stems by diameter class, as a table or as points. Figures are worked by hand; labels are invented."""

from __future__ import annotations

import math

import geopandas as gpd
import pytest
import shapely

import tussock
from site_factory import FOOT_M, NO_RULES, feet_box, local_crs
from tussock.prescribe import prescribe_units
from tussock.repair import repair_layers
from tussock.reproject import reproject_layers
from tussock.zone import zone_patches

INJECT = """
[[treatment]]
id = "inject"
growth_form = ["tree"]
method = "stem_injection"
product = "glyphosate-aquatic"
concentration = "100 %"
dose_per_cut = "1 mL"
cut_per_diameter = "3 in"
"""
SIDE_FT = math.sqrt(43560)
TREES = [
    {
        "patch_id": "T",
        "species": "elm",
        "growth_form": "tree",
        "cover_pct": 20,
        "geometry": feet_box(0, 0, SIDE_FT, SIDE_FT),
    }
]


def run(prescriber, write_stems, patches=TREES, **options):
    path = prescriber.sites.write(patches, **({"treatments": INJECT} | options))
    write_stems(prescriber.sites.folder)
    text = path.read_text().replace("[catalog]", '[layers.stems]\npath = "stems.PLACE"\n\n[catalog]')
    name = next(item.name for item in prescriber.sites.folder.iterdir() if item.stem == "stems")
    path.write_text(text.replace("stems.PLACE", name))
    site = tussock.read_site(path)
    repaired = repair_layers(site)
    measured = reproject_layers(site, repaired)
    return prescribe_units(site, repaired, measured, zone_patches(site, repaired, measured))


def write_table(rows, header="patch_id,stem_diameter_in,stem_count"):
    def write(folder):
        (folder / "stems.csv").write_text("\n".join([header, *rows]) + "\n")

    return write


def test_cuts_follow_each_diameter_class(prescriber):
    # one cut for every 3 in, rounded up, at least one (common practice, no source):
    # 10 of 2 in, 5 of 6 in, 4 of 8 in -> 10 x 1 + 5 x 2 + 4 x 3 = 32 cuts of 1 mL
    result = run(prescriber, write_table(["T,2,10", "T,6,5", "T,8,4"]))
    unit = result.units.iloc[0]
    assert (unit["stems"], unit["cuts"]) == (19, 32)
    assert unit["spray_l"] == pytest.approx(0.032)


def test_a_thick_stem_takes_its_cuts(prescriber):
    """15 in at one cut for each 3 in: 5 cuts of 1 mL on each of 30 stems, 150 mL; not one cut and 30 mL."""
    unit = run(prescriber, write_table(["T,15,30"])).units.iloc[0]
    assert (unit["cuts"], unit["spray_l"]) == (150, pytest.approx(0.150))


def test_cuts_are_not_counted_where_no_rule_says_how(prescriber):
    """A dose for the whole stem: 19 x 5 mL; in how many cuts it goes, nobody has said."""
    treatments = INJECT.replace('dose_per_cut = "1 mL"\ncut_per_diameter = "3 in"', 'dose_per_stem = "5 mL"')
    unit = run(prescriber, write_table(["T,2,10", "T,6,9"]), treatments=treatments).units.iloc[0]
    assert unit["spray_l"] == pytest.approx(0.095)
    assert math.isnan(unit["cuts"])


def test_density_rows_count_by_area(prescriber):
    result = run(prescriber, write_table(["T,4,60"], "patch_id,stem_diameter_in,stems_per_acre"))
    assert result.units["stems"].iloc[0] == 60
    assert result.units["cuts"].iloc[0] == 120  # 4 in takes 2 cuts


def test_table_row_of_no_patch_is_a_fault(prescriber):
    with pytest.raises(tussock.InputError, match=r'stems\.csv.*row 2, column "patch_id": found "U"'):
        run(prescriber, write_table(["T,2,10", "U,2,10"]))


def test_row_without_a_number_is_a_fault(prescriber):
    with pytest.raises(tussock.InputError, match="no number of stems"):
        run(prescriber, write_table(["T,2,10", "T,3,"]))


def test_points_are_counted_in_the_unit_they_stand_in(prescriber):
    rules = (
        NO_RULES
        + '[[setback]]\nid = "HALF"\nfrom = { layer = "water" }\ndistance = "100 ft"\n'
        + 'forbids = { delivery = "broadcast" }\nsource = "invented"\n'
    )
    water = [{"kind": "pond", "state": "wet", "geometry": feet_box(-500, -300, 700, 0)}]
    places = [(20, 30), (50, 60), (90, 90), (100, 150), (300, 300)]

    def write(folder):
        points = [shapely.Point(x * FOOT_M, y * FOOT_M) for x, y in places]
        frame = gpd.GeoDataFrame({"stem_diameter_in": [4.0] * 5}, geometry=points, crs=local_crs())
        frame.to_file(folder / "stems.gpkg")

    result = run(prescriber, write, rules=rules, water=water)
    stems = result.units.set_index("setbacks")["stems"]
    assert (stems["HALF"], stems[""]) == (3, 1)  # the last point lies in no patch


def test_stems_outside_every_patch_are_said(prescriber):
    def write(folder):
        frame = gpd.GeoDataFrame(
            {"stem_diameter_in": [4.0, 4.0]}, geometry=[shapely.Point(10, 10), shapely.Point(900, 900)], crs=local_crs()
        )
        frame.to_file(folder / "stems.gpkg")

    path = prescriber.sites.write(TREES)
    write(prescriber.sites.folder)
    path.write_text(path.read_text().replace("[catalog]", '[layers.stems]\npath = "stems.gpkg"\n\n[catalog]'))
    findings = repair_layers(tussock.read_site(path)).findings
    assert findings["what"].str.contains("1 stems lie in no patch").any()


def test_whole_stems_of_units_add_up_to_the_patch(prescriber):
    rules = (
        NO_RULES
        + '[[setback]]\nid = "NEAR"\nfrom = { layer = "water" }\ndistance = "33 ft"\n'
        + 'forbids = { delivery = "broadcast" }\nsource = "invented"\n'
    )
    water = [{"kind": "pond", "state": "wet", "geometry": feet_box(-500, -300, 700, 0)}]
    result = run(prescriber, write_table(["T,2,7", "T,9,4"]), rules=rules, water=water)
    assert len(result.units) == 2
    assert result.units["stems"].sum() == 11
