"""Stems by diameter class, as a table or as points. Figures are worked by hand; labels are invented."""

from __future__ import annotations

import math

import geopandas as gpd
import numpy as np
import pytest
import shapely

import tussock
from site_factory import FOOT_M, NO_RULES, feet_box, local_crs
from tussock.prescribe import prescribe_units
from tussock.prescribe.stand import take_share
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


# ---- limits for an area are held against the ground that the stems stand on

#: 200 ft x 217.8 ft: 43,560 ft2 = 1 acre; a setback at half of the depth leaves two units of half an acre.
ACRE = [TREES[0] | {"geometry": feet_box(0, 0, 200, 217.8)}]
POND = [{"kind": "pond", "state": "wet", "geometry": feet_box(-500, -300, 700, 0)}]
HALVES = (
    NO_RULES
    + '[[setback]]\nid = "HALF"\nfrom = { layer = "water" }\ndistance = "108.9 ft"\n'
    + 'forbids = { delivery = "broadcast" }\nsource = "invented"\n'
)
LIMITED = """
[[product]]
id = "glyphosate-aquatic"
active = "glyphosate"
form = "salt"
strength = "4 lb/gal"
aquatic_label = true
methods = { stem_injection = ["50 %", "100 %"], cut_stump = ["50 %", "100 %"] }
LIMIT
source = "invented for tests"
"""
FIVE_ML = INJECT.replace('dose_per_cut = "1 mL"\ncut_per_diameter = "3 in"', 'dose_per_stem = "5 mL"')


def write_points(places, sizes=None):
    def write(folder):
        points = [shapely.Point(x * FOOT_M, y * FOOT_M) for x, y in places]
        gpd.GeoDataFrame({"stem_diameter_in": sizes or [4.0] * len(points)}, geometry=points, crs=local_crs()).to_file(
            folder / "stems.gpkg"
        )

    return write


#: 130 stems in the half near the pond.
NEAR_POND = write_points([(10 + 13 * (k % 13), 10 + 9 * (k // 13)) for k in range(130)])


def run_halves(prescriber, limit, treatments, stems=NEAR_POND):
    result = run(
        prescriber,
        stems,
        ACRE,
        rules=HALVES,
        water=POND,
        products=LIMITED.replace("LIMIT", limit),
        treatments=treatments,
    )
    return result.units.set_index("setbacks"), result.options


def test_a_stem_limit_is_held_where_the_stems_stand(prescriber):
    """130 on half an acre are 260/acre, not the patch's 130 (87 % of 150): 150 x 0.5 = 75 stems, 55 wait; 75 x 5 mL."""
    units, _ = run_halves(prescriber, 'limit_stems_per_year = "150/acre"', FIVE_ML)
    near = units.loc["HALF"]
    assert (near["stems"], near["annual_limit_used_pct"]) == (75, 100)
    assert near["spray_l"] == pytest.approx(0.375)
    assert "260 stems/acre of 150 stems/acre" in near["reason"]
    assert "55 stems left over" in near["reason"]
    assert units.loc[""]["stems"] == 0


def test_a_dose_of_stems_is_held_where_they_stand(prescriber):
    """130 x 5 mL = 650 mL = 0.1717 gal x 4 lb = 0.687 lb: on their half acre 1.374 lb/acre, over the limit of 1."""
    units, options = run_halves(prescriber, 'limit_per_year = "1 lb/acre"', FIVE_ML)
    assert units.loc["HALF"]["status"] == "no_option"
    assert (options["verdict"] == "refused").sum() == 1
    reason = options.loc[options["verdict"] == "refused", "reason"].iloc[0]
    assert "annual limit of glyphosate: 1.374 of 1 lb ae/acre" in reason


def test_up_to_the_limit_means_the_stems_that_the_ground_may_have(prescriber):
    """1 lb/acre on half an acre: 0.5 lb / 4 lb/gal = 473.2 mL, 94 stems of 5 mL; 36 wait."""
    units, _ = run_halves(prescriber, 'limit_per_year = "1 lb/acre"', FIVE_ML + "up_to_limit = true\n")
    near = units.loc["HALF"]
    assert near["stems"] == 94
    assert near["spray_l"] == pytest.approx(0.470)
    assert "36 stems left over" in near["reason"]


def test_stems_that_fit_on_their_own_unit_are_treated_there(prescriber):
    """4 in near the pond, 12 in beyond: a treatment for 2 to 6 in is for the near unit only."""
    stems = write_points([(20, 30), (50, 60), (100, 150)], [4.0, 4.0, 12.0])
    units, _ = run_halves(prescriber, "", FIVE_ML + 'stem_diameter = ["2 in", "6 in"]\n', stems)
    assert (units.loc["HALF"]["stems"], units.loc[""]["status"]) == (2, "no_option")
    assert "100 % of the stems are not (12 in)" in units.loc[""]["reason"]


@pytest.mark.parametrize(
    ("share", "most_l", "taken"),
    [
        (0.4, 0.0084, (1, 0)),  # one stem; the thick one takes 10 mL, over 8.4 mL: the thin one
        (0.7, 0.0147, (1, 1)),  # two stems of 20 mL would be over 14.7 mL; largest remainders give one of each, 11 mL
        (0.7, math.inf, (1, 1)),  # 0.7 of three stems: two; the largest remainders
        (1.0, math.inf, (1, 2)),
    ],
)
def test_stems_taken_keep_the_limit_in_whole_stems(share, most_l, taken):
    """One stem of 1 mL, two of 10 mL: 21 mL in all."""
    assert tuple(take_share(np.array([1, 2]), share, np.array([0.001, 0.010]), most_l)) == taken


GROUND = """
[[treatment]]
id = "stump"
growth_form = ["tree"]
method = "cut_stump"
product = "glyphosate-aquatic"
concentration = "50 %"
spray_volume = "2 gal/acre"
"""


def test_a_stem_limit_never_thins_a_mix_that_is_dosed_by_ground(prescriber):
    """260 of 150 stems/acre: the mix stays at 50 %, the label's least, and the stumps are refused."""
    units, _ = run_halves(prescriber, 'limit_stems_per_year = "150/acre"', GROUND)
    near = units.loc["HALF"]
    assert near["status"] == "no_option"
    assert "260 stems/acre of 150 stems/acre a year, and the dose is stated for the ground" in near["reason"]
    assert units.loc[""]["concentration_pct"] == 50


def test_a_stem_limit_without_mapped_stems_is_not_taken_for_kept(prescriber):
    products = LIMITED.replace("LIMIT", 'limit_stems_per_year = "150/acre"')
    result = prescriber.run([{"growth_form": "tree"}], treatments=GROUND, products=products)
    assert result.units["status"].iloc[0] == "no_option"
    assert "150 stems/acre a year, and no stems are mapped; unlock: give stems_per_acre" in result.options["reason"][0]
