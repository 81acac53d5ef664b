"""In: the layers of a plan. Out: how a desktop GIS draws them, as rows of the table ``layer_styles`` in plan.gpkg.

The table is the open convention by which a GeoPackage, like a database, carries the styles of its own layers: one row
for each layer, one of them its default. Each row holds the style twice: as OGC Styled Layer Descriptor 1.0 (OGC 02-070,
filters after OGC 02-059), which many programs read, and in the form that desktop GIS takes it from when it opens the
file. Both are written from the same records (`Rule`), so that they cannot tell different things.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from tussock.base.records import LOOK
from tussock.base.stages import PlanTables
from tussock.base.verdicts import OUT_OF_REACH
from tussock.deliver.webmap_style import BLACK, BLUE, CLASSES, PLACES, Pattern

Shape: TypeAlias = Literal["Polygon", "Line", "Point"]

_INK: Final = "#1A1A1A"
_WATER: Final = "#D3E6F3"
_ACCESS: Final = "#5A4632"
_ZONE: Final = "#AA3C00"


@dataclass(frozen=True)
class Condition:
    """One test of a column.

    Parameters
    ----------
    column
        Name of the column.
    test
        ``"is"``: the text is the value; ``"filled"``: it is not blank.
    value
        What is looked for; blank for ``"filled"``.
    negated
        Whether the test must fail.
    """

    column: str
    test: Literal["is", "filled"]
    value: str = ""
    negated: bool = False


@dataclass(frozen=True)
class Look:
    """How a shape is drawn. Widths and sizes are pixels; a blank colour is none.

    Parameters
    ----------
    fill
        Colour inside.
    pattern, ink
        Hatching over it and its colour.
    line, width, dash
        Outline, or the line itself.
    mark, size
        Symbol of a point: a well-known name of the standard.
    """

    fill: str = ""
    pattern: Pattern = "plain"
    ink: str = _INK
    line: str = _INK
    width: float = 1.0
    dash: tuple[float, ...] = ()
    mark: str = "circle"
    size: float = 9.0


@dataclass(frozen=True)
class Rule:
    """One line of the legend: which rows (all conditions hold; ``rest``: no other rule took them), of which shape."""

    label: str
    look: Look
    conditions: tuple[Condition, ...] = ()
    shape: Shape = "Polygon"
    rest: bool = False


@dataclass(frozen=True)
class Style:
    """The style of one layer; ``mixed`` where the layer holds more than one kind of shape."""

    layer: str
    about: str
    rules: tuple[Rule, ...]
    mixed: bool = False


def list_styles(plan: PlanTables) -> list[Style]:
    """Return a style for each layer that a plan writes.

    Units have the colours and hatchings of the map; a unit without a treatment is never drawn as if it were treated.

    Parameters
    ----------
    plan
        Plan whose layers are written.

    Returns
    -------
    list of Style
        ``units, patches, setback_zones, overlaps`` and those of ``water, receptors, access, history`` that it has.
    """
    styles = [
        Style("units", "Treatment units by what the loaded rules leave open", _list_unit_rules(plan)),
        Style("patches", "Outlines of the patches", (Rule("Patch", Look(line=BLACK, width=2.5)),)),
        Style("setback_zones", "Ground that a setback covers", _list_zone_rules(plan)),
        Style("overlaps", "Ground that two patches share", (Rule("Shared", Look(pattern="rings", dash=(2, 2))),)),
    ]
    return [*styles, *(_FEATURES[name] for name in plan.features if name in _FEATURES)]


def _list_unit_rules(plan: PlanTables) -> tuple[Rule, ...]:
    """Return a rule for each class of the map, by the same decisions as `webmap_style.find_class`."""
    planned = Condition("status", "is", "planned")
    looked, treated = Condition("method", "is", LOOK), Condition("method", "is", LOOK, negated=True)
    untreated = Condition("status", "is", "planned", negated=True)
    counted = Condition("area_counted_with", "filled")
    apart = Condition("area_counted_with", "filled", negated=True)
    far = Condition("reached", "is", OUT_OF_REACH)
    near = Condition("reached", "is", OUT_OF_REACH, negated=True)
    uses = ("open", "aquatic-labelled only", "hand methods only", "no herbicide")
    if plan.site.treatments is None:  # a plan without treatments says what is open, and treats nothing
        return (*(_class_rule(use, Condition("allowed_use", "is", use)) for use in uses), _class_rule("no option"))
    closed = Condition("allowed_use", "is", "no herbicide")
    return (
        *(_class_rule(use, planned, treated, Condition("allowed_use", "is", use)) for use in uses),
        _class_rule(LOOK, looked),
        _class_rule("no herbicide", untreated, apart, near, closed, suffix=", untreated"),
        _class_rule("counted elsewhere", untreated, counted),
        _class_rule(OUT_OF_REACH, untreated, apart, far),
        _class_rule("no option"),
    )


def _class_rule(key: str, *conditions: Condition, suffix: str = "") -> Rule:
    """Return the rule of one class; without conditions it takes what no other rule took."""
    item = CLASSES[PLACES[key]]
    return Rule(item.label + suffix, Look(item.colour, item.pattern), conditions, rest=not conditions)


def _list_zone_rules(plan: PlanTables) -> tuple[Rule, ...]:
    """Return a dashed outline for each effect of a setback that the plan has; for zones of no effect known, one too."""
    looks = {
        "forbids": ("Work limited or forbidden", Look(line=_ZONE, width=1.5, dash=(7, 3))),
        "permit": ("Permit needed", Look(line=BLACK, width=1.2, dash=(2, 3))),
        "notify": ("Notice needed", Look(line=BLACK, width=1.2, dash=(9, 3, 2, 3))),
        "no_mixing": ("No mixing or loading", Look(line=BLUE, width=1.2, dash=(12, 4))),
    }
    there = set(plan.setback_zones["effect"])
    shown = [(key, *item) for key, item in looks.items() if key in there]
    rules = [Rule(label, look, (Condition("effect", "is", key),)) for key, label, look in shown]
    return (*rules, Rule("Other setback", Look(line=_ZONE, dash=(4, 4)), rest=True))


def _feature_style(layer: str, about: str, label: str, polygon: Look, line: Look, point: Look) -> Style:
    shapes: Sequence[tuple[Shape, Look]] = (("Polygon", polygon), ("Line", line), ("Point", point))
    return Style(layer, about, tuple(Rule(label, look, shape=shape) for shape, look in shapes), mixed=True)


_FEATURES: Final = {
    "water": _feature_style(
        "water",
        "Water as mapped",
        "Water",
        Look(_WATER, line=BLUE, width=1.5),
        Look(line=BLUE, width=2.5),
        Look(_WATER, line=BLUE, mark="circle"),
    ),
    "receptors": _feature_style(
        "receptors",
        "What setbacks protect",
        "Receptor",
        Look(pattern="dots", line=BLACK, width=1.5),
        Look(line=BLACK, width=2),
        Look("#FFFFFF", line=BLACK, width=1.5, mark="triangle", size=12),
    ),
    "access": _feature_style(
        "access",
        "Where vehicles park and crews can stand",
        "Access",
        Look("#E8DFD3", line=_ACCESS),
        Look(line=_ACCESS, width=2, dash=(8, 3)),
        Look("#FFFFFF", line=_ACCESS, width=1.5, mark="square", size=10),
    ),
    "history": Style(
        "history",
        "Ground treated earlier",
        (Rule("Treated earlier", Look(pattern="lines", ink="#707070", line="#707070", dash=(3, 3))),),
    ),
}
