"""Styles in plan.gpkg, held against the Styled Layer Descriptor standard 1.0 (OGC 02-070) and the classes of the map."""

from __future__ import annotations

import re
import sqlite3
import xml.etree.ElementTree as ET
from contextlib import closing
from dataclasses import replace

import pytest

from tussock.deliver.geopackage import write_geopackage
from tussock.deliver.styles import list_styles
from tussock.deliver.styles_desktop import write_desktop_style
from tussock.deliver.styles_sld import write_sld
from tussock.deliver.webmap_style import CLASSES, find_class
from tussock.plan import Plan

SLD = "{http://www.opengis.net/sld}"
OGC = "{http://www.opengis.net/ogc}"

# Content of each element and its order, typed in from the schema of the standard (OGC 02-070, annex A); + once or more.
CHILDREN = {
    "StyledLayerDescriptor": "NamedLayer+",
    "NamedLayer": "Name UserStyle+",
    "UserStyle": "Name? Title? Abstract? IsDefault? FeatureTypeStyle+",
    "FeatureTypeStyle": "Name? Title? Abstract? FeatureTypeName? SemanticTypeIdentifier* Rule+",
    "Rule": "Name? Title? Abstract? LegendGraphic? Filter? MinScaleDenominator? MaxScaleDenominator? "
    "(PolygonSymbolizer|LineSymbolizer|PointSymbolizer)+",
    "PolygonSymbolizer": "Geometry? Fill? Stroke?",
    "LineSymbolizer": "Geometry? Stroke?",
    "PointSymbolizer": "Geometry? Graphic?",
    "Fill": "GraphicFill? CssParameter*",
    "Stroke": "CssParameter*",
    "GraphicFill": "Graphic",
    "Graphic": "Mark* Opacity? Size? Rotation?",
    "Mark": "WellKnownName? Fill? Stroke?",
    "Filter": "(And|Or|Not|PropertyIsEqualTo|PropertyIsLike)",
    "And": "(And|Or|Not|PropertyIsEqualTo|PropertyIsLike)+",
    "Or": "(And|Or|Not|PropertyIsEqualTo|PropertyIsLike)+",
    "Not": "(And|Or|Not|PropertyIsEqualTo|PropertyIsLike)",
    "PropertyIsEqualTo": "PropertyName Literal",
    "PropertyIsLike": "PropertyName Literal",
}
FILTER_PARTS = {"Filter", "And", "Or", "Not", "PropertyIsEqualTo", "PropertyIsLike", "PropertyName", "Literal"}


def read_xml(text: str) -> ET.Element:
    return ET.fromstring(text)  # noqa: S314  (our own file)


def local(element: ET.Element) -> str:
    return element.tag.partition("}")[2]


def check_structure(element: ET.Element) -> None:
    name = local(element)
    assert element.tag.startswith(OGC if name in FILTER_PARTS else SLD), element.tag
    if name not in CHILDREN:
        assert not len(element), f"{name} holds elements"
        return
    content = re.sub(r"\w+", lambda word: f"(?:{word[0]};)", CHILDREN[name]).replace(" ", "")
    found = "".join(f"{local(child)};" for child in element)
    assert re.fullmatch(content, found), (name, found)
    for child in element:
        check_structure(child)


@pytest.fixture(scope="module")
def styles(sample_plan: Plan) -> dict[str, ET.Element]:
    return {style.layer: read_xml(write_sld(style)) for style in list_styles(sample_plan)}


@pytest.fixture(scope="module")
def rows(sample_plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> list[dict]:
    path = tmp_path_factory.mktemp("styles") / "plan.gpkg"
    write_geopackage(sample_plan, path)
    with closing(sqlite3.connect(path)) as database:
        database.row_factory = sqlite3.Row
        found = [dict(row) for row in database.execute("SELECT * FROM layer_styles ORDER BY id")]
        columns = dict(database.execute("SELECT table_name, column_name FROM gpkg_geometry_columns").fetchall())
        assert database.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    for row in found:
        assert row["f_geometry_column"] == columns[row["f_table_name"]]
    return found


def holds(condition: ET.Element, row: dict) -> bool:
    """Evaluate a filter as OGC 02-059 says, on one row."""
    name = local(condition)
    if name in ("Filter", "And"):
        return all(holds(child, row) for child in condition)
    if name == "Or":
        return any(holds(child, row) for child in condition)
    if name == "Not":
        return not holds(condition[0], row)
    column, literal = (part.text or "" for part in condition)
    if name == "PropertyIsEqualTo":
        return row[column] == literal
    assert condition.attrib == {"wildCard": "*", "singleChar": "?", "escape": "\\"}
    pattern = re.escape(literal).replace(r"\*", ".*").replace(r"\?", ".")
    return re.fullmatch(pattern, row[column], re.DOTALL) is not None


def find_rules(style: ET.Element, row: dict) -> list[ET.Element]:
    rules = style.iter(f"{SLD}Rule")
    return [rule for rule in rules if (rule.find(f"{OGC}Filter") is None or holds(rule.find(f"{OGC}Filter"), row))]


def test_a_default_style_for_every_layer_that_has_an_outline(rows):
    layers = ["units", "patches", "setback_zones", "overlaps", "water", "receptors", "access", "history"]
    assert [row["f_table_name"] for row in rows] == layers
    assert [row["styleName"] for row in rows] == layers
    assert {row["useAsDefault"] for row in rows} == {1}
    assert {row["update_time"] for row in rows} == {"2027-01-01T00:00:00.000Z"}


def test_columns_are_those_of_the_convention(rows):
    # common practice, no standard: the columns that desktop GIS creates when it saves a style into a GeoPackage
    assert list(rows[0]) == [
        "id",
        "f_table_catalog",
        "f_table_schema",
        "f_table_name",
        "f_geometry_column",
        "styleName",
        "styleQML",
        "styleSLD",
        "useAsDefault",
        "description",
        "owner",
        "ui",
        "update_time",
    ]


@pytest.mark.parametrize(
    "layer", ["units", "patches", "setback_zones", "overlaps", "water", "receptors", "access", "history"]
)
def test_structure_of_the_standard(styles, layer):
    assert styles[layer].get("version") == "1.0.0"
    check_structure(styles[layer])


def test_the_check_of_the_structure_can_fail(styles):
    broken = read_xml(ET.tostring(styles["units"]))
    rule = next(broken.iter(f"{SLD}Rule"))
    rule.append(rule[0])
    with pytest.raises(AssertionError, match="Rule"):
        check_structure(broken)


def test_every_unit_has_the_colour_and_hatching_of_the_map(sample_plan, styles):
    units = sample_plan.units.drop(columns="geometry").astype(object).to_dict("records")
    seen = set()
    for unit in units:
        item = CLASSES[find_class(sample_plan, unit)]
        (rule,) = find_rules(styles["units"], unit)
        assert rule.find(f"{SLD}Title").text.startswith(item.label)
        assert rule.find(f"{SLD}PolygonSymbolizer/{SLD}Fill/{SLD}CssParameter").text == item.colour
        assert (len(rule.findall(f"{SLD}PolygonSymbolizer")) == 2) == (item.pattern != "plain")
        seen.add(item.key)
    assert {"open", "aquatic-labelled only", "hand methods only", "no herbicide", "out of reach"} <= seen


@pytest.mark.parametrize("use", ["open", "aquatic-labelled only", "hand methods only", "no herbicide"])
def test_every_allowed_use_has_a_rule(sample_plan, styles, use):
    row = {"status": "planned", "method": "wick", "allowed_use": use, "reason": "", "area_counted_with": ""}
    (rule,) = find_rules(styles["units"], row)
    label = next(item.label for item in CLASSES if item.key == use)
    assert rule.find(f"{SLD}Title").text == label
    without = write_sld(list_styles(replace(sample_plan, site=replace(sample_plan.site, treatments=None)))[0])
    (scoped,) = find_rules(read_xml(without), row | {"status": "no_option"})
    assert scoped.find(f"{SLD}Title").text == label


def test_ground_without_a_treatment_is_not_drawn_as_open(styles):
    row = {
        "status": "no_option",
        "method": "",
        "allowed_use": "open",
        "reason": "annual limit",
        "area_counted_with": "",
        "reached": "",
    }
    assert [rule.find(f"{SLD}Title").text for rule in find_rules(styles["units"], row)] == ["No treatment found"]


def test_setback_zones_are_dashed_and_patches_are_outlines(styles):
    for symbol in styles["setback_zones"].iter(f"{SLD}PolygonSymbolizer"):
        assert symbol.find(f"{SLD}Fill") is None
        assert symbol.find(f"{SLD}Stroke/{SLD}CssParameter[@name='stroke-dasharray']") is not None
    (symbol,) = styles["patches"].iter(f"{SLD}PolygonSymbolizer")
    assert symbol.find(f"{SLD}Fill") is None


def test_layers_of_several_kinds_of_shape_have_a_part_for_each(styles):
    # OGC 02-070, section 6 (SemanticTypeIdentifier): generic:point, generic:line, generic:polygon
    kinds = [part.text for part in styles["receptors"].iter(f"{SLD}SemanticTypeIdentifier")]
    assert kinds == ["generic:polygon", "generic:line", "generic:point"]


def test_both_forms_tell_the_same_rules(sample_plan, rows):
    for style, row in zip(list_styles(sample_plan), rows, strict=True):
        assert row["styleSLD"] == write_sld(style)
        assert row["styleQML"] == write_desktop_style(style)
        desktop = read_xml(row["styleQML"])
        sld = read_xml(row["styleSLD"])
        labels = [rule.get("label") for rule in desktop.iter("rule")]
        assert labels == [rule.find(f"{SLD}Title").text for rule in sld.iter(f"{SLD}Rule")]
        symbols = {symbol.get("name") for symbol in desktop.findall("renderer-v2/symbols/symbol")}
        assert {rule.get("symbol") for rule in desktop.iter("rule")} == symbols
        for parameter in sld.iter(f"{SLD}CssParameter"):
            if parameter.get("name") in ("fill", "stroke"):
                colour = ",".join(str(part) for part in bytes.fromhex(parameter.text[1:])) + ",255"
                assert colour in row["styleQML"]


def test_the_same_plan_gives_the_same_bytes(small_plan, tmp_path):
    for name in ("a.gpkg", "b.gpkg"):
        write_geopackage(small_plan, tmp_path / name)
    assert (tmp_path / "a.gpkg").read_bytes() == (tmp_path / "b.gpkg").read_bytes()
