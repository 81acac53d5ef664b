"""Bad input gives one clear error: file, row or key, found, what to do. Exit code 2, earlier output untouched."""

from __future__ import annotations

import subprocess
import sys

import geopandas as gpd
import pytest
import shapely

import tussock
from site_factory import NO_RULES, PRODUCTS, feet_box

PATCH = {
    "patch_id": "P1",
    "species": "reed",
    "growth_form": "herbaceous",
    "cover_pct": 50,
    "geometry": feet_box(0, 0, 90, 90),
}
TREATMENT = """
[[treatment]]
id = "spot"
growth_form = ["herbaceous"]
method = "foliar_spot"
product = "glyphosate-aquatic"
concentration = "2 %"
spray_volume = "20 gal/acre"
"""
SETBACK = '[[setback]]\nid = "A"\nfrom = { layer = "water" }\nforbids = {}\nsource = "invented"\n'


def fail(site_file):
    """Read and plan; return the error."""
    with pytest.raises(tussock.InputError, match=r"found|need") as caught:
        tussock.make_plan(tussock.read_site(site_file))
    return caught.value


def edit(path, old, new):
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


def test_missing_site_file(tmp_path):
    with pytest.raises(tussock.MissingInputError, match=r"nowhere\.toml: file: found nothing at that path"):
        tussock.read_site(tmp_path / "nowhere.toml")


def test_missing_layer_file(sites):
    path = sites.write([PATCH])
    (sites.folder / "water.gpkg").unlink()
    error = fail(path)
    assert isinstance(error, FileNotFoundError)
    assert "water.gpkg: layers.water.path: found no such file" in str(error)


def test_missing_layer_in_a_file(sites):
    path = sites.write([PATCH], layer_lines={"infestations": 'layer = "patches_2027"'})
    assert 'no layer "patches_2027"; name one of its layers: infestations' in str(fail(path))


def test_file_with_several_layers_needs_a_name(sites):
    path = sites.write([PATCH])
    frame = gpd.GeoDataFrame([PATCH], geometry="geometry", crs=26915)
    frame.to_file(sites.folder / "infestations.gpkg", layer="second")
    assert "2 layers in the file; add layer = one of infestations, second" in str(fail(path))


def test_layer_that_the_site_file_leaves_out(sites):
    path = sites.write([PATCH])
    edit(path, '[layers.water]\npath = "water.gpkg"', "")
    assert 'layers.water: found nothing; add "water"' in str(fail(path))


def test_empty_infestations(sites):
    path = sites.write([])
    columns = {"patch_id": [], "geometry": []}
    gpd.GeoDataFrame(columns, geometry="geometry", crs=26915).to_file(
        sites.folder / "infestations.gpkg", geometry_type="Polygon"
    )
    assert "found an empty layer; draw at least one patch" in str(fail(path))


def test_duplicate_patch_id(sites):
    error = fail(sites.write([PATCH, PATCH | {"geometry": feet_box(200, 0, 290, 90)}]))
    assert 'row 2, column "patch_id": found "P1" twice; row 1 has it too' in str(error)


def test_patch_without_outline(sites):
    path = sites.write([PATCH, PATCH | {"patch_id": "P2", "geometry": None}])
    assert 'row 2 (patch_id "P2"): found no geometry' in str(fail(path))


def test_patch_drawn_as_a_point(sites):
    path = sites.write([PATCH | {"geometry": shapely.Point(0, 0)}])
    assert "found a Point; infestations are polygons" in str(fail(path))


@pytest.mark.parametrize(
    ("distance", "message"),
    [
        ('distance = "100 furlongs"', 'the unknown unit "furlongs"'),
        ('distance = "-5 ft"', r"below 0 m"),
        ('distance = "5 gal"', "of another kind"),
        ("distance = 100", "without a unit"),
        ('distance = "nan ft"', "not one number and one unit"),
        ("", 'setback[1] ("A").distance: found nothing; add "distance"'),
    ],
)
def test_distance_of_a_rule(sites, distance, message):
    error = fail(sites.write([PATCH], rules=NO_RULES + SETBACK + distance))
    assert message in str(error)
    assert "rules0.toml, line" in str(error)
    assert 'setback[1] ("A")' in str(error)


def test_rule_with_two_effects(sites):
    error = fail(sites.write([PATCH], rules=NO_RULES + SETBACK + 'distance = "5 ft"\npermit = "somebody"'))
    assert "forbids and permit; give exactly one" in str(error)


def test_two_setbacks_with_one_id(sites):
    rules = NO_RULES + (SETBACK + 'distance = "5 ft"\n') * 2
    assert '"A" twice; give each setback an id of its own' in str(fail(sites.write([PATCH], rules=rules)))


def test_unknown_product_in_a_treatment(sites):
    treatments = TREATMENT.replace("glyphosate-aquatic", "glyphosate-acuatic")
    error = fail(sites.write([PATCH], treatments=treatments))
    assert 'treatments.toml, line 6: treatment "spot", product: found "glyphosate-acuatic"' in str(error)
    assert "name one of glyphosate-aquatic" in str(error)


def test_misspelt_key_says_which_is_meant(sites):
    path = sites.write([PATCH])
    edit(path, "season = 2027", "seasn = 2027")
    error = str(fail(path))
    assert 'site.toml, line 3: site.seasn: found a key that is not known; "season" is meant?' in error
    assert 'add "season"' in error


def test_misspelt_key_of_a_product(sites):
    error = fail(sites.write([PATCH], products=PRODUCTS.replace("limit_per_year", "limit_per_yer", 1)))
    assert '"limit_per_year" is meant?' in str(error)
    assert 'product[1] ("glyphosate-aquatic").limit_per_yer' in str(error)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('concentration = "2 %"', 'concentration = "110 %"', "more than the whole"),
        ('concentration = "2 %"', 'concentration = "2 gal"', "where a share is needed"),
        ('spray_volume = "20 gal/acre"', 'spray_volume = "20 lb/acre"', "of another kind"),
        ('spray_volume = "20 gal/acre"', 'spray_volume = "20 oz/acre"', '"oz" is a weight; for volume write "fl oz"'),
        ('spray_volume = "20 gal/acre"', 'spray_volume = "1 1/2 gal/acre"', "1.5, not 1 1/2"),
        (
            'spray_volume = "20 gal/acre"',
            'season = ["09-31", "10-15"]\nspray_volume = "20 gal/acre"',
            "a day that does not exist",
        ),
        ('product = "glyphosate-aquatic"\n', "", "no product for the herbicide method"),
        ('method = "foliar_spot"', 'method = "folar_spot"', "'foliar_spot'"),
    ],
)
def test_treatment_values(sites, old, new, message):
    assert old in TREATMENT
    assert message in str(fail(sites.write([PATCH], treatments=TREATMENT.replace(old, new))))


@pytest.mark.parametrize(
    ("column", "value", "message"),
    [
        ("stem_count", -4, "zero or more"),
        ("stem_diameter_in", 0.0, "above zero"),
        ("growth_form", "grass", "herbaceous, vine, shrub, tree"),
        ("cover_pct", "110 %", "cover is from 0 to 100 %"),
    ],
)
def test_patch_values(sites, column, value, message):
    error = str(fail(sites.write([PATCH | {column: value}])))
    assert 'row 1 (patch_id "P1")' in error
    assert column in error
    assert message in error


def test_every_fault_is_collected(sites):
    rows = [
        PATCH | {"stem_count": -1},
        PATCH | {"patch_id": "P2", "stem_diameter_in": -2.0, "geometry": feet_box(200, 0, 290, 90)},
    ]
    error = fail(sites.write(rows))
    assert len(error.faults) == 2


def test_rule_set_out_of_date_is_refused_and_can_be_accepted_by_name(sites):
    rules = NO_RULES + "valid_to = 2026-12-31\n"
    error = fail(sites.write([PATCH], rules=rules))
    assert "season 2027" in str(error)
    accepted = sites.write([PATCH], rules=rules, site='accept_out_of_date = ["rules for tests (invented)"]')
    plan = tussock.make_plan(tussock.read_site(accepted))
    assert plan.findings["done"].str.contains("accept_out_of_date").any()


def test_water_on_another_continent(sites):
    path = sites.write([PATCH])
    far = gpd.GeoDataFrame({"kind": ["pond"]}, geometry=[shapely.box(24.0, 60.0, 24.1, 60.1)], crs=4326)
    far.to_file(sites.folder / "water.gpkg", layer="water")
    error = str(fail(path))
    assert "60.000 to 60.100 north" in error
    assert "the patches are at 44.9" in error


def test_swapped_coordinates_are_named(sites):
    path = sites.write([PATCH])
    swapped = gpd.GeoDataFrame({"kind": ["pond"]}, geometry=[shapely.box(44.9, -89.1, 45.0, -89.0)], crs=4326)
    swapped.to_file(sites.folder / "water.gpkg", layer="water")
    assert "look swapped (latitude first)" in str(fail(path))


def test_centreline_of_a_kind_without_default_width(sites):
    line = shapely.LineString([(0, -100), (50, -100)])
    error = str(fail(sites.write([PATCH], water=[{"kind": "moat", "geometry": line}])))
    assert "a line without width" in error
    assert "default_width = { moat =" in error


def run(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "tussock", *map(str, arguments)], capture_output=True, text=True, check=False
    )


def test_command_line_gives_two_lines_at_most_and_exit_code_2(sites):
    path = sites.write([PATCH | {"stem_count": -1, "stem_diameter_in": -1.0}])
    result = run("plan", path, "--out", sites.folder / "out", "--quiet")
    assert result.returncode == 2
    assert 1 <= len(result.stderr.strip().splitlines()) <= 2
    assert "Traceback" not in result.stderr
    assert not (sites.folder / "out").exists()


def test_failed_run_leaves_the_earlier_plan_untouched(sites):
    path = sites.write([PATCH], treatments=TREATMENT)
    out = sites.folder / "out"
    assert run("plan", path, "--out", out, "--quiet").returncode == 0
    before = {item.name: item.read_bytes() for item in out.iterdir()}
    edit(path, "season = 2027", 'season = "soon"')
    assert run("plan", path, "--out", out, "--quiet").returncode == 2
    assert {item.name: item.read_bytes() for item in out.iterdir()} == before


def test_no_input_file_is_changed(sites):
    path = sites.write([PATCH], treatments=TREATMENT)
    before = {item.name: item.read_bytes() for item in sites.folder.iterdir() if item.is_file()}
    assert run("plan", path, "--out", sites.folder / "out", "--quiet").returncode == 0
    assert {item.name: item.read_bytes() for item in sites.folder.iterdir() if item.is_file()} == before
