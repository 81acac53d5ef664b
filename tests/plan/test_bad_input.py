"""Bad input gives one clear error: file, row or key, found, what to do. Exit code 2, earlier output untouched."""

from __future__ import annotations

import re
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


def test_folder_in_place_of_a_site_file(tmp_path):
    with pytest.raises(tussock.InputError, match=r"file: found a folder; name the TOML file in it"):
        tussock.read_site(tmp_path)


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


def test_strength_in_the_wrong_unit(sites):
    # 480 g/L is a usual strength; 480 kg would not go into a liter
    products = PRODUCTS.replace('strength = "4 lb/gal"', 'strength = "480 kg/L"', 1)
    assert 'product[1] ("glyphosate-aquatic").strength: found "480 kg/L", which is 480 kg' in str(
        fail(sites.write([PATCH], products=products))
    )
    products = PRODUCTS.replace('strength = "4 lb/gal"', 'strength_ai = "480 kg/L"\nae_per_ai = "75 %"', 1)
    assert "more than any product weighs" in str(fail(sites.write([PATCH], products=products)))


@pytest.mark.parametrize(
    ("operations", "message"),
    [
        (
            '[crew]\nsource = "x"\n[[crew.role]]\nname = "a"\ncount = 1\nwage = "-4 USD/hour"\n',
            "operations.toml, line 6: crew.role[1].wage",
        ),
        ('[[production]]\nmethod = "mow"\nsource = "x"\n', "production[1]: found neither rate nor stems"),
        (
            '[[production]]\nmethod = "mow"\nrate = "1 acre/hour"\nstems = "9/hour"\nsource = "x"\n',
            "found rate and stems together",
        ),
    ],
)
def test_operations_values(sites, operations, message):
    assert message in str(fail(sites.write([PATCH], operations=operations)))


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


def rewrite(path, change):
    path.write_bytes(change(path.read_bytes()))


def test_file_with_a_byte_order_mark_is_read(sites):
    path = sites.write([PATCH], treatments=TREATMENT)
    for name in ("site.toml", "products.toml", "treatments.toml", "rules0.toml"):
        rewrite(sites.folder / name, lambda data: b"\xef\xbb\xbf" + data)
    plan = tussock.make_plan(tussock.read_site(path))
    out = plan.write(sites.folder / "out")
    findings = tussock.review_plan(out, path)
    assert findings[findings["level"] == "violation"].empty
    edit(path, "season = 2027", "seasn = 2027")
    assert "site.toml, line 3: site.seasn" in str(fail(path))


def test_file_with_windows_line_ends_is_read(sites):
    path = sites.write([PATCH], treatments=TREATMENT)
    rewrite(path, lambda data: data.replace(b"\n", b"\r\n"))
    assert str(tussock.read_site(path).season) == "2027"


def test_text_that_is_not_utf_8_names_the_line(sites):
    path = sites.write([PATCH])
    rewrite(path, lambda data: data.replace(b"test site", "Lärche".encode("cp1252")))
    assert "site.toml, line 2: file: found characters that are not UTF-8; save" in str(fail(path))


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("season = 2027", "season = 2027\nseason = 2028", "line 4: file: found no valid TOML .*twice: keep one"),
        ('name = "test site"', "name = “test site”", "line 2: .*straight quotes"),
        ('path = "water.gpkg"', 'path = "C:\\data\\water.gpkg"', "write paths with /"),
        ('path = "water.gpkg"', 'path = "water.gpkg"\naccuracy = 3 m', 'stand in quotes, such as "3 m"'),
        ('path = "water.gpkg"', 'path = "water.gpkg"\naccuracy = 3,5', "1.5 and not 1,5"),
        ('path = "water.gpkg"', 'path = "water.gpkg"\naccuracy = 3', "found 3 without a unit; .*in quotes"),
        ("season = 2027", "season = 2027.5", "site.season: found 2027.5; write a year from 1900 to 2200"),
        ("season = 2027", 'season = 2027\nunits = "imperial"', "write one of 'us' or 'metric'"),
        ("season = 2027", "season = 2027\ncrs = 26915", "write a text in quotes"),
        ("season = 2027", 'season = 2027\npublic_map = "maybe"', "write true or false"),
        ("season = 2027", "season = 1800", "site.season: found 1800; write a year from 1900"),
        ("season = 2027", 'season = "2027"', "line 3: site.season: found '2027'; write a year .* without quotes"),
        (
            "season = 2027",
            "season = { from = 2027-03-31, to = 2026-10-01 }",
            "line 3: site.season.to: found 2026-10-01, before from, 2027-03-31; give the earlier day in from",
        ),
        (
            "season = 2027",
            "season = { from = 2026-10-01, to = 2027-10-02 }",  # 1 October to 1 October is 366 days
            "site.season.to: found 2027-10-02, 367 days after from, .*; a season has at most 366 days",
        ),
        ("season = 2027", "season = { from = 2026-10-01 }", 'site.season.to: found nothing; add "to"'),
        ("season = 2027", "season = { to = 2026-10-01 }", 'site.season.from: found nothing; add "from"'),
        (
            "season = 2027",
            "season = { from = 2026-10-01, until = 2027-09-30 }",
            "site.season.until: found a key that is not known; .*known here: from, to, name",
        ),
        (
            "season = 2027",
            'season = { from = "1.10.2026", to = 2027-09-30 }',
            "site.season.from: found '1.10.2026'; write a day as year, month and day, such as 2027-05-17",
        ),
        (
            "season = 2027",
            'season = { from = 2027-01-01, to = "2027-02-29" }',
            'site.season.to: found "2027-02-29", a day that does not exist',
        ),
        ("season = 2027", "season = { from = 2027-01-01T00:00:00, to = 2027-02-28 }", "site.season.from: found .*day"),
        ("season = 2027", "season = { from = 20270101, to = 2027-02-28 }", "site.season.from: found 20270101; write"),
        ('path = "water.gpkg"', 'path = "water.gpkg"\ncolumns = "kind"', "write a table"),
        (
            "[layers.infestations]",
            '[layers.infestations]\ncolumns = { growth_frm = "growth_form" }',
            '"growth_form" is meant',
        ),
    ],
)
def test_site_file_values(sites, old, new, message):
    path = sites.write([PATCH])
    edit(path, old, new)
    assert re.search(message, str(fail(path)))


def test_table_in_single_brackets(sites):
    error = str(fail(sites.write([PATCH], products='[product]\nid = "x"\n')))
    assert "products.toml, line 1: product: found a table; write it in double brackets, [[product]]" in error


def test_table_spelled_wrongly_comes_first(sites):
    error = fail(sites.write([PATCH], rules=NO_RULES.replace("[ruleset]", "[rulesets]")))
    assert str(error.faults[0]).startswith('rules0.toml, line 2: rulesets: found a key that is not known; "ruleset" is')


def test_ids_used_twice_name_the_files(sites):
    rules = NO_RULES + SETBACK + 'distance = "5 ft"\n'
    error = str(fail(sites.write([PATCH], rules=[rules, rules.replace("(invented)", "(again)")])))
    assert 'rules1.toml: setback id: found "A" twice, also in rules0.toml' in error
    saw = '[[equipment]]\nid = "saw"\nsource = "x"\n'
    error = str(fail(sites.write([PATCH], operations=saw * 2)))
    assert 'operations.toml: equipment id: found "saw" twice' in error
