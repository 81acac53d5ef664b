"""In: a style. Out: the same in the form that desktop GIS takes from ``layer_styles`` when it opens a GeoPackage.

The form is the XML that such programs keep in the column ``styleQML``: rules with expressions, and symbols as layers
of properties. The properties are written in the older of its two notations, which all versions read.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Callable
from typing import Final, TypeAlias

from tussock.deliver.styles import Condition, Look, Rule, Shape, Style

Props: TypeAlias = dict[str, str]

_DOCTYPE: Final = "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
_KINDS: Final[dict[Shape, str]] = {"Polygon": "fill", "Line": "line", "Point": "marker"}
#: Angle of the lines of a hatching [degrees].
_ANGLES: Final = {"lines": (0,), "upright": (90,), "diagonal": (45,), "cross": (45, 135)}
_GAP: Final = "9"


def write_desktop_style(style: Style) -> str:
    """Return a style in the form of desktop GIS."""
    root = ET.Element("qgis", {"version": "3.22.0", "styleCategories": "Symbology"})
    renderer = ET.SubElement(root, "renderer-v2", {"type": "RuleRenderer", "symbollevels": "0", "forceraster": "0"})
    rules = ET.SubElement(renderer, "rules", {"key": "root"})
    symbols = ET.SubElement(renderer, "symbols")
    for place, rule in enumerate(style.rules):
        entry = ET.SubElement(rules, "rule", {"key": f"rule-{place}", "symbol": str(place), "label": rule.label})
        expression = _express(style, rule)
        if expression:
            entry.set("filter", expression)
        _add_symbol(symbols, rule, str(place))
    ET.indent(root)
    return _DOCTYPE + ET.tostring(root, encoding="unicode") + "\n"


def _express(style: Style, rule: Rule) -> str:
    """Return the expression of the rows that a rule draws."""
    if rule.rest:
        return "ELSE"
    parts = [_express_condition(condition) for condition in rule.conditions]
    if style.mixed:
        parts.append(f"geometry_type($geometry) = '{rule.shape}'")
    return " AND ".join(parts)


def _express_condition(condition: Condition) -> str:
    column = '"' + condition.column.replace('"', '""') + '"'
    value = "'" + condition.value.replace("'", "''") + "'"
    text = {
        "is": f"coalesce({column}, '') = {value}",
        "filled": f"coalesce({column}, '') <> ''",
    }[condition.test]
    return f"NOT ({text})" if condition.negated else text


def _add_symbol(symbols: ET.Element, rule: Rule, name: str) -> None:
    symbol = ET.SubElement(symbols, "symbol", {"type": _KINDS[rule.shape], "name": name, "alpha": "1"})
    draw: dict[Shape, Callable[[ET.Element, Look, str], None]] = {
        "Polygon": _draw_polygon,
        "Line": _draw_line,
        "Point": _draw_point,
    }
    draw[rule.shape](symbol, rule.look, name)


def _add_layer(symbol: ET.Element, kind: str, props: Props) -> ET.Element:
    layer = ET.SubElement(symbol, "layer", {"class": kind, "enabled": "1", "locked": "0", "pass": "0"})
    for key, value in sorted(props.items()):
        ET.SubElement(layer, "prop", {"k": key, "v": value})
    return layer


def _draw_polygon(symbol: ET.Element, look: Look, name: str) -> None:
    if look.fill:
        _add_layer(symbol, "SimpleFill", {"style": "solid", "color": _mix(look.fill), "outline_style": "no"})
    for angle in _ANGLES.get(look.pattern, ()):
        props = {"angle": str(angle), "distance": _GAP, "distance_unit": "Pixel", "offset": "0"}
        layer = _add_layer(symbol, "LinePatternFill", props)
        part = ET.SubElement(layer, "symbol", {"type": "line", "name": f"@{name}@{len(symbol) - 1}", "alpha": "1"})
        _add_layer(part, "SimpleLine", _line_props(Look(line=look.ink)))
    if look.pattern in ("dots", "rings"):
        _draw_dots(symbol, look, name)
    _add_layer(symbol, "SimpleLine", _line_props(look))


def _draw_dots(symbol: ET.Element, look: Look, name: str) -> None:
    props = {"displacement_x": "4.5", "displacement_x_unit": "Pixel"}
    for axis in ("distance_x", "distance_y"):
        props |= {axis: _GAP, f"{axis}_unit": "Pixel"}
    layer = _add_layer(symbol, "PointPatternFill", props)
    part = ET.SubElement(layer, "symbol", {"type": "marker", "name": f"@{name}@{len(symbol) - 1}", "alpha": "1"})
    filled = look.pattern == "dots"
    colour = _mix(look.ink) if filled else "0,0,0,0"
    _add_layer(part, "SimpleMarker", _marker_props("circle", "3" if filled else "4", colour, Look(line=look.ink)))


def _draw_line(symbol: ET.Element, look: Look, _: str) -> None:
    _add_layer(symbol, "SimpleLine", _line_props(look))


def _draw_point(symbol: ET.Element, look: Look, _: str) -> None:
    fill = _mix(look.fill or "#FFFFFF")
    _add_layer(symbol, "SimpleMarker", _marker_props(look.mark, f"{look.size:g}", fill, look))


def _line_props(look: Look) -> Props:
    props = {
        "line_color": _mix(look.line),
        "line_style": "solid",
        "line_width": f"{look.width:g}",
        "line_width_unit": "Pixel",
        "joinstyle": "round",
        "capstyle": "flat",
    }
    if look.dash:
        dash = ";".join(f"{size:g}" for size in look.dash)
        props |= {"use_custom_dash": "1", "customdash": dash, "customdash_unit": "Pixel"}
    return props


def _marker_props(mark: str, size: str, fill: str, look: Look) -> Props:
    return {
        "name": mark,
        "size": size,
        "size_unit": "Pixel",
        "color": fill,
        "outline_color": _mix(look.line),
        "outline_style": "solid",
        "outline_width": f"{look.width:g}",
        "outline_width_unit": "Pixel",
    }


def _mix(colour: str) -> str:
    """Return a colour #RRGGBB as red, green, blue and opacity."""
    red, green, blue = bytes.fromhex(colour.removeprefix("#"))
    return f"{red},{green},{blue},255"
