"""In: a unit's status and allowed use. Out: its class on the map, with a colour and a hatching that reads in grey."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, Literal, TypeAlias

from tussock.base.records import LOOK
from tussock.base.stages import PlanTables
from tussock.base.verdicts import OUT_OF_REACH

Pattern: TypeAlias = Literal["plain", "lines", "diagonal", "cross", "upright", "dots", "rings"]

# Colours: Okabe M., Ito K. (2008), "Color Universal Design (CUD): how to make figures and presentations that are
# friendly to colorblind people". The hatchings are ours, one for each class, so that the map reads without colour.
GREEN: Final = "#009E73"
SKY: Final = "#56B4E9"
ORANGE: Final = "#E69F00"
VERMILLION: Final = "#D55E00"
PURPLE: Final = "#CC79A7"
YELLOW: Final = "#F0E442"
BLUE: Final = "#0072B2"
BLACK: Final = "#000000"
GREY: Final = "#BBBBBB"


@dataclass(frozen=True)
class UnitClass:
    """How one class of units is drawn and named."""

    key: str
    label: str
    colour: str
    pattern: Pattern


CLASSES: Final = (
    UnitClass("open", "Open", GREEN, "plain"),
    UnitClass("aquatic-labelled only", "Aquatic-labelled products only", SKY, "lines"),
    UnitClass("hand methods only", "Hand methods only", ORANGE, "diagonal"),
    UnitClass("no herbicide", "No herbicide", VERMILLION, "cross"),
    UnitClass("no option", "No treatment found", GREY, "dots"),
    UnitClass(OUT_OF_REACH, "Out of reach of the crew", PURPLE, "upright"),
    UnitClass(LOOK, "Look only: found empty", "#FFFFFF", "plain"),
    UnitClass("counted elsewhere", "Shared ground, counted with another patch", YELLOW, "rings"),
    UnitClass("withheld", "Details withheld", "#FFFFFF", "rings"),
)
PLACES: Final = {item.key: place for place, item in enumerate(CLASSES)}

#: Status of a unit whose details a public map leaves out.
WITHHELD: Final = "withheld"


def find_class(plan: PlanTables, unit: dict[str, Any]) -> int:
    """Return the place of a unit's class in `CLASSES`.

    A unit with a treatment is classed by what the rules leave open there. One without is classed by why: out of reach,
    counted with another patch, or no option; so that ground left untreated is never drawn as if it were treated.
    """
    if unit["status"] == WITHHELD:
        return PLACES["withheld"]
    if unit["method"] == LOOK:
        return PLACES[LOOK]
    use = PLACES.get(str(unit["allowed_use"]), PLACES["no option"])
    if unit["status"] == "planned" or plan.site.treatments is None:
        return use
    if unit["area_counted_with"]:
        return PLACES["counted elsewhere"]
    if unit["reached"] == OUT_OF_REACH:
        return PLACES[OUT_OF_REACH]
    return use if use == PLACES["no herbicide"] else PLACES["no option"]
