"""In: a style. Out: the same as an OGC Styled Layer Descriptor 1.0 document (OGC 02-070; filters after OGC 02-059)."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Callable, Sequence
from typing import Final, TypeAlias

from tussock.deliver.styles import Condition, Look, Rule, Shape, Style
from tussock.deliver.webmap_style import Pattern

_Draw: TypeAlias = Callable[[ET.Element, Look], None]

SLD: Final = "http://www.opengis.net/sld"
OGC: Final = "http://www.opengis.net/ogc"
_XSI: Final = "http://www.w3.org/2001/XMLSchema-instance"
_SCHEMA: Final = f"{SLD} http://schemas.opengis.net/sld/1.0.0/StyledLayerDescriptor.xsd"

#: Marks that make up a hatching: name, whether filled, size in pixels. The standard knows circle, square, triangle,
#: star, cross and x; the shapes that draw a line across their tile are known to the programs that fill with marks.
_MARKS: Final[dict[Pattern, tuple[str, bool, int]]] = {
    "lines": ("shape://horline", False, 8),
    "upright": ("shape://vertline", False, 8),
    "diagonal": ("shape://slash", False, 8),
    "cross": ("shape://times", False, 8),
    "dots": ("circle", True, 4),
    "rings": ("circle", False, 6),
}


def write_sld(style: Style) -> str:
    """Return a style as a document of one named layer.

    Parameters
    ----------
    style
        What to write.

    Returns
    -------
    str
        XML text with its declaration.
    """
    root = ET.Element("StyledLayerDescriptor", {"version": "1.0.0", "xmlns": SLD, "xmlns:ogc": OGC})
    root.set("xmlns:xsi", _XSI)
    root.set("xsi:schemaLocation", _SCHEMA)
    layer = ET.SubElement(root, "NamedLayer")
    _add(layer, "Name", style.layer)
    user = ET.SubElement(layer, "UserStyle")
    _add(user, "Name", style.layer)
    _add(user, "Title", style.about)
    _add(user, "IsDefault", "1")
    shapes = dict.fromkeys(rule.shape for rule in style.rules)
    for shape in shapes:  # a layer with several kinds of shape has a part for each, as the standard provides
        part = ET.SubElement(user, "FeatureTypeStyle")
        if style.mixed:
            _add(part, "SemanticTypeIdentifier", f"generic:{shape.lower()}")
        rules = [rule for rule in style.rules if rule.shape == shape]
        for rule in rules:
            _add_rule(part, rule, [other for other in rules if other.conditions])
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _add(parent: ET.Element, tag: str, text: str) -> None:
    ET.SubElement(parent, tag).text = text


def _add_rule(parent: ET.Element, rule: Rule, others: list[Rule]) -> None:
    element = ET.SubElement(parent, "Rule")
    _add(element, "Name", rule.label)
    _add(element, "Title", rule.label)
    if rule.rest and others:  # not an ElseFilter: there are readers that take it for "every row"
        none = ET.SubElement(ET.SubElement(element, "ogc:Filter"), "ogc:Not")
        either = none if len(others) == 1 else ET.SubElement(none, "ogc:Or")
        for other in others:
            _add_conditions(either, other.conditions)
    elif rule.conditions:
        _add_conditions(ET.SubElement(element, "ogc:Filter"), rule.conditions)
    draw: dict[Shape, _Draw] = {"Polygon": _add_polygon, "Line": _add_line, "Point": _add_point}
    draw[rule.shape](element, rule.look)


def _add_conditions(parent: ET.Element, conditions: Sequence[Condition]) -> None:
    joint = parent if len(conditions) == 1 else ET.SubElement(parent, "ogc:And")
    for condition in conditions:
        _add_condition(joint, condition)


def _add_condition(parent: ET.Element, condition: Condition) -> None:
    holder = ET.SubElement(parent, "ogc:Not") if condition.negated else parent
    if condition.test == "is":
        test, literal = ET.SubElement(holder, "ogc:PropertyIsEqualTo"), condition.value
    else:
        signs = {"wildCard": "*", "singleChar": "?", "escape": "\\"}
        test = ET.SubElement(holder, "ogc:PropertyIsLike", signs)
        literal = "?*"
    _add(test, "ogc:PropertyName", condition.column)
    _add(test, "ogc:Literal", literal)


def _add_polygon(rule: ET.Element, look: Look) -> None:
    if look.pattern == "plain" or look.fill:
        symbol = ET.SubElement(rule, "PolygonSymbolizer")
        if look.fill:
            _add_parameters(ET.SubElement(symbol, "Fill"), {"fill": look.fill})
        _add_stroke(symbol, look)
    if look.pattern != "plain":
        symbol = ET.SubElement(rule, "PolygonSymbolizer")
        _add_hatching(ET.SubElement(symbol, "Fill"), look)
        _add_stroke(symbol, look)


def _add_hatching(fill: ET.Element, look: Look) -> None:
    name, filled, size = _MARKS[look.pattern]
    graphic = ET.SubElement(ET.SubElement(fill, "GraphicFill"), "Graphic")
    mark = ET.SubElement(graphic, "Mark")
    _add(mark, "WellKnownName", name)
    if filled:
        _add_parameters(ET.SubElement(mark, "Fill"), {"fill": look.ink})
    else:
        _add_parameters(ET.SubElement(mark, "Stroke"), {"stroke": look.ink, "stroke-width": "1"})
    _add(graphic, "Size", str(size))


def _add_line(rule: ET.Element, look: Look) -> None:
    _add_stroke(ET.SubElement(rule, "LineSymbolizer"), look)


def _add_point(rule: ET.Element, look: Look) -> None:
    graphic = ET.SubElement(ET.SubElement(rule, "PointSymbolizer"), "Graphic")
    mark = ET.SubElement(graphic, "Mark")
    _add(mark, "WellKnownName", look.mark)
    _add_parameters(ET.SubElement(mark, "Fill"), {"fill": look.fill or "#FFFFFF"})
    _add_stroke(mark, look)
    _add(graphic, "Size", f"{look.size:g}")


def _add_stroke(parent: ET.Element, look: Look) -> None:
    parameters = {"stroke": look.line, "stroke-width": f"{look.width:g}"}
    if look.dash:
        parameters["stroke-dasharray"] = " ".join(f"{size:g}" for size in look.dash)
    _add_parameters(ET.SubElement(parent, "Stroke"), parameters)


def _add_parameters(parent: ET.Element, parameters: dict[str, str]) -> None:
    for name, value in parameters.items():
        ET.SubElement(parent, "CssParameter", {"name": name}).text = value
