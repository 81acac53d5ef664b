"""In: a delivered plan. Out: KML for globes and phones, GPX for handhelds: outlines by name, with what to know."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import shapely

from tussock.base.records import LOOK
from tussock.base.verdicts import OUT_OF_REACH
from tussock.deliver.cautions import CAUTIONS, NOT_READY
from tussock.deliver.escape import escape_html
from tussock.deliver.exports_source import Source, clean_xml, find_lonlat
from tussock.deliver.tables import Cell, csv_text, list_cells
from tussock.deliver.webmap_style import CLASSES, PLACES

if TYPE_CHECKING:
    import geopandas as gpd

KML: Final = "http://www.opengis.net/kml/2.2"
GPX: Final = "http://www.topografix.com/GPX/1/1"
#: Namespace of our own elements in the extensions; a name, no address.
PLAN: Final = "urn:tussock:plan"
#: Layers of outlines, the column of their names, and the heading of their folder.
_OUTLINES: Final = (("patches", "patch_id", "Patches"), ("units", "unit_id", "Treatment units"))
_WORDS: Final = f"{NOT_READY}. {CAUTIONS[0]} {CAUTIONS[2]}"
_PATCH_STYLE: Final = "patch"
_UNTREATED: Final = "no option"


def write_kml(source: Source, folder: Path) -> None:
    """Write plan.kml: a folder of patches and one of units, coloured by what the rules leave open.

    Programs show a description as HTML, so its texts are escaped for HTML first, and then, as all texts, for XML.
    """
    root = ET.Element("kml", {"xmlns": KML})
    document = ET.SubElement(root, "Document")
    _add(document, "name", f"{source.name}, season {source.season}")
    _add(document, "description", "<br>".join(escape_html(line) for line in source.words))
    for key, colour, width, opacity in _list_kml_styles():
        entry = ET.SubElement(document, "Style", {"id": key})
        line = ET.SubElement(entry, "LineStyle")
        _add(line, "color", _turn_colour("#000000", 255))
        _add(line, "width", str(width))
        _add(ET.SubElement(entry, "PolyStyle"), "color", _turn_colour(colour, opacity))
    for layer, key, heading in _OUTLINES:
        part = ET.SubElement(document, "Folder")
        _add(part, "name", heading)
        for row, shape in _list_rows(source.layers[layer]):
            if shape is not None:
                style = _find_style(row, has_treatments=source.has_treatments) if layer == "units" else _PATCH_STYLE
                _add_placemark(part, str(row[key]), style, row, shape)
    text = ET.tostring(root, encoding="unicode", short_empty_elements=True)
    (folder / "plan.kml").write_text(f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n', "utf-8", newline="\n")


def _list_kml_styles() -> Iterator[tuple[str, str, float, int]]:
    yield _PATCH_STYLE, "#FFFFFF", 3, 0
    for place, item in enumerate(CLASSES):
        yield f"class-{place}", item.colour, 1, 190


def _turn_colour(colour: str, opacity: int) -> str:
    """Return a colour #RRGGBB as the format has it: opacity, blue, green, red."""
    red, green, blue = colour[1:3], colour[3:5], colour[5:7]
    return f"{opacity:02x}{blue}{green}{red}".lower()


def _list_rows(frame: gpd.GeoDataFrame) -> Iterator[tuple[dict[str, Cell], Any]]:
    cells = list_cells(frame)
    for row, shape in zip(zip(*cells.values(), strict=True), find_lonlat(frame), strict=True):
        yield dict(zip(cells, row, strict=True)), shape


def _add(parent: ET.Element, tag: str, text: str) -> None:
    ET.SubElement(parent, tag).text = clean_xml(text)


def _add_placemark(part: ET.Element, name: str, style: str, row: dict[str, Cell], shape: Any) -> None:
    place = ET.SubElement(part, "Placemark")
    _add(place, "name", name)
    _add(place, "description", _describe(row))
    _add(place, "styleUrl", f"#{style}")
    extended = ET.SubElement(place, "ExtendedData")
    for column, value in row.items():
        if value is not None and value != "":
            data = ET.SubElement(extended, "Data", {"name": clean_xml(column)})
            _add(data, "value", _show(value))
    group = ET.SubElement(place, "MultiGeometry")
    for polygon in shapely.get_parts(shape):
        if polygon.geom_type == "Polygon":
            _add_polygon(group, polygon)


def _find_style(row: dict[str, Cell], *, has_treatments: bool) -> str:
    """Return the style of a unit, by the same decisions as the map: untreated ground never looks treated."""
    use = str(row["allowed_use"]) if str(row["allowed_use"]) in PLACES else _UNTREATED
    if row["method"] == LOOK:
        return f"class-{PLACES[LOOK]}"
    if row["status"] == "planned" or not has_treatments:
        return f"class-{PLACES[use]}"
    if row["area_counted_with"]:
        use = "counted elsewhere"
    elif row["reached"] == OUT_OF_REACH:
        use = OUT_OF_REACH
    elif use != "no herbicide":
        use = _UNTREATED
    return f"class-{PLACES[use]}"


def _describe(row: dict[str, Cell]) -> str:
    """Return the figures of a row as HTML."""
    shown = [(column, value) for column, value in row.items() if value is not None and value != ""]
    return "<br>".join(f"<b>{escape_html(column)}</b>: {escape_html(_show(value))}" for column, value in shown)


def _show(value: Cell) -> str:
    """Return a cell as text; a number as in the tables. Nothing here is a spreadsheet: texts stay as they are."""
    return value if isinstance(value, str) else csv_text(value)


def _add_polygon(group: ET.Element, polygon: Any) -> None:
    element = ET.SubElement(group, "Polygon")
    _add(element, "tessellate", "1")
    for tag, rings in (("outerBoundaryIs", [polygon.exterior]), ("innerBoundaryIs", polygon.interiors)):
        for ring in rings:
            points = " ".join(f"{x:.7f},{y:.7f}" for x, y in shapely.get_coordinates(ring).tolist())
            _add(ET.SubElement(ET.SubElement(element, tag), "LinearRing"), "coordinates", points)


def write_gpx(source: Source, folder: Path) -> None:
    """Write patches.gpx and units.gpx: each outline a track by the name of its id, each ring a segment.

    The format has no areas and few fields: figures and texts ride in its extensions, under their full names. The usual
    driver is not used: it writes a text that begins and ends as a tag into the extensions as it is.
    """
    for layer, key, _ in _OUTLINES:
        root = ET.Element("gpx", {"version": "1.1", "creator": "tussock", "xmlns": GPX, "xmlns:plan": PLAN})
        about = ET.SubElement(root, "metadata")
        _add(about, "name", f"{source.name}, season {source.season}: {layer}")
        _add(about, "desc", " ".join(source.words))
        for row, shape in _list_rows(source.layers[layer]):
            if shape is not None:
                _add_track(root, layer, str(row[key]), row, shape)
        text = ET.tostring(root, encoding="unicode")
        content = f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'
        (folder / f"{layer}.gpx").write_text(content, "utf-8", newline="\n")


def _add_track(root: ET.Element, layer: str, name: str, row: dict[str, Cell], shape: Any) -> None:
    track = ET.SubElement(root, "trk")
    names = ("status", "species") if layer == "patches" else ("status", "allowed_use", "method", "product_id")
    _add(track, "name", name)
    _add(track, "cmt", _WORDS)
    _add(track, "desc", ", ".join(str(row[column]) for column in names if row.get(column)))
    _add(track, "type", layer)
    extensions = ET.SubElement(track, "extensions")
    tags: set[str] = set()
    for column, value in row.items():
        tag = _fit_tag(column, tags)
        tags.add(tag)
        if value is not None:
            _add(extensions, f"plan:{tag}", _show(value))
    for part in shapely.get_parts(shape):
        for ring in (part.exterior, *part.interiors):
            segment = ET.SubElement(track, "trkseg")
            for x, y in shapely.get_coordinates(ring).tolist():
                ET.SubElement(segment, "trkpt", {"lat": f"{y:.7f}", "lon": f"{x:.7f}"})


def _fit_tag(name: str, taken: set[str]) -> str:
    """Return a column name as the name of an XML element, in full; another one where it is taken."""
    tag = "".join(letter if letter.isalnum() or letter in "_-." else "_" for letter in name)
    tag = tag if tag[:1].isalpha() or tag[:1] == "_" else f"_{tag}"
    while tag in taken:
        tag += "_in_file"
    return tag
