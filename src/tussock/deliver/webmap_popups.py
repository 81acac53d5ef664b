"""In: rows of the plan's tables. Out: the lines of text that the map shows for a unit, a patch, a rule or a feature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from tussock.base import columns as c
from tussock.base.approval import UNCHECKED
from tussock.base.days import Span
from tussock.base.records import Product, Setback
from tussock.base.stages import PlanTables
from tussock.base.text import show_runs
from tussock.deliver.webmap_figures import UNKNOWN, is_blank, show_figure, show_length, show_short, unit_word
from tussock.trade.methods import METHODS
from tussock.wording.outlines import DRAW_ANEW, describe_set_aside
from tussock.wording.rules import describe_effect, describe_season

if TYPE_CHECKING:
    import pandas as pd

Row = dict[str, Any]


class Texts:
    """Every text of the map once, by number; number 0 is the empty text."""

    def __init__(self) -> None:
        self._places: dict[str, int] = {"": 0}

    def add(self, text: Any) -> int:
        """Return the number of a text; blank values are the empty text."""
        return self._places.setdefault("" if is_blank(text) else str(text), len(self._places))

    def add_all(self, texts: list[str]) -> list[int]:
        """Return the numbers of several texts."""
        return [self.add(text) for text in texts]

    def listed(self) -> list[str]:
        """Return all texts in the order of their numbers."""
        return list(self._places)


@dataclass(frozen=True)
class Line:
    """One line of a unit's or patch's budget: its label, its column and how the figure is shown."""

    label: str
    stem: str
    show: str
    quantity: c.Quantity | None = None
    word: str = ""
    amount: bool = False

    def column(self, system: c.UnitSystem) -> str:
        """Return the column's name in the plan's tables."""
        return self.stem if self.quantity is None else f"{self.stem}_{self.quantity.suffix(system)}"

    def text(self, row: Row, system: c.UnitSystem) -> str:
        """Return the figure with its unit; empty where the table has none."""
        figure = show_figure(row.get(self.column(system)), self.show)
        word = self.word or ("" if self.quantity is None else unit_word(self.quantity, system))
        return f"{figure} {word}".strip() if figure else ""

    def span(self, row: Row, system: c.UnitSystem) -> str:
        """Return the range that the cover leaves, such as " (0.1 to 0.5)"; empty where there is none."""
        tail = "" if self.quantity is None else f"_{self.quantity.suffix(system)}"
        low, high = (show_figure(row.get(f"{self.stem}_{end}{tail}"), self.show) for end in ("low", "high"))
        return "" if low == high or not (low and high) else f" ({low} to {high})"


#: ``amount``: blank on a planned unit means that the cover is not known, and the map says so.
UNIT_LINES: Final = (
    Line("Area", "area", "area", c.AREA),
    Line("Infested area", "infested", "area", c.AREA, amount=True),
    Line("Spray volume", "spray", "liquid", c.LIQUID, amount=True),
    Line("Spray rate", "spray", "rate", c.RATE),
    Line("Product volume", "product", "small liquid", c.SMALL_LIQUID, amount=True),
    Line("Dye", "dye", "small liquid", c.SMALL_LIQUID),
    Line("Adjuvant", "adjuvant", "small liquid", c.SMALL_LIQUID),
    Line("Acid equivalent (ae)", "ae", "mass", c.MASS, amount=True),
    Line("Dose on treated ground", "ae", "dose", c.DOSE),
    Line("Annual limit used", "annual_limit_used_pct", "share", word="%"),
    Line("Spray time", "spray", "seconds", c.SECONDS, word="s"),
    Line("Stems", "stems", "count"),
    Line("Injection cuts", "cuts", "count"),
    Line("Loads", "loads", "count"),
    Line("Crew time", "crew", "hours", c.HOURS, word="h", amount=True),
    Line("Cost", "cost", "money", amount=True),
)
#: What a unit without a treatment, or with one that uses no herbicide, has nothing to say about.
_GROUND: Final = ("Area", "Infested area")
_MONEY: Final = ("Crew time", "Cost")
_ZERO_MEANS_NONE: Final = (
    "Spray volume",
    "Product volume",
    "Dye",
    "Adjuvant",
    "Acid equivalent (ae)",
    "Dose on treated ground",
    "Loads",
)

PATCH_LINES: Final = (
    Line("Area", "area", "area", c.AREA),
    Line("Infested area", "infested", "area", c.AREA),
    Line("Nearest water", "nearest_water", "length", c.LENGTH),
    Line("Nearest receptor", "nearest_receptor", "length", c.LENGTH),
    Line("Spray volume", "spray", "liquid", c.LIQUID),
    Line("Product volume", "product", "liquid", c.LIQUID),
    Line("Acid equivalent (ae)", "ae", "mass", c.MASS),
    Line("Crew time", "crew", "hours", c.HOURS, word="h"),
    Line("Cost", "cost", "money"),
)


def list_amounts(plan: PlanTables, unit: Row) -> list[str]:
    """Return the texts of `UNIT_LINES` for one unit; empty where a line does not apply."""
    system = plan.site.options.units
    planned = unit["status"] == "planned"
    currency = _find_currency(plan)
    texts = []
    for line in UNIT_LINES:
        text = line.text(unit, system)
        if not planned and line.label not in _GROUND:
            text = ""
        elif line.amount and not text and (line.label not in _MONEY or plan.site.operations is not None):
            text = UNKNOWN
        elif line.label in _ZERO_MEANS_NONE and unit.get(line.column(system)) == 0:
            text = ""
        if text not in ("", UNKNOWN):
            text = f"{text} {currency}".strip() if line.label == "Cost" else text + line.span(unit, system)
        texts.append(text)
    return texts


#: How a reason begins that says nothing of the place: the candidate is for another plant.
_OTHER_PLANT: Final = "not for this plant"
Candidates = tuple[list[tuple[str, str, str]], int]


def list_candidates(plan: PlanTables) -> dict[str, Candidates]:
    """Return what was judged on each unit besides the treatment chosen, by unit.

    Returns
    -------
    dict
        For each unit its other candidates as treatment, verdict and reason, and how many more are for other plants.
    """
    found: dict[str, Candidates] = {}
    columns = (plan.options[name] for name in ("unit_id", "treatment_id", "verdict", "reason"))
    for unit_id, treatment_id, verdict, reason in zip(*columns, strict=True):
        if verdict == "chosen":
            continue
        rows, others = found.get(unit_id, ([], 0))
        if str(reason).startswith(_OTHER_PLANT):
            found[unit_id] = (rows, others + 1)
        else:
            words = "" if is_blank(reason) else str(reason).removeprefix("allowed, ")
            found[unit_id] = ([*rows, (str(treatment_id), str(verdict), words)], others)
    return found


def list_treatment(plan: PlanTables, unit: Row, runs: tuple[Span, ...]) -> list[tuple[str, str]]:
    """Return what is done on a unit, as labels and texts; nothing where it has no treatment."""
    if unit["status"] != "planned":
        return []
    product = plan.site.products.get(str(unit["product_id"]))
    treatment = next((item for item in plan.site.treatments or () if item.id == unit["treatment_id"]), None)
    lines = [("Treatment", str(unit["treatment_id"])), ("Method", say_method(unit["method"]))]
    if product is not None:
        lines += [("Product", f"{product.id} ({product.active}, {product.form})"), ("Mix", _say_mix(unit))]
    lines += [("Tank mix", str(unit.get("tank_mix") or "")), ("Dates", show_runs(runs) if runs else "")]
    if treatment is not None and treatment.note:
        lines.append(("Note", treatment.note))
    return [line for line in lines if line[1]]


def list_patch(plan: PlanTables, patch: Row, *, public: bool) -> list[tuple[str, str]]:
    """Return the lines of a patch: plant, areas with their range, amounts, and the mapper's own columns."""
    system = plan.site.options.units
    lines = [("Plant", str(patch["species"])), ("Growth form", str(patch["growth_form"])), ("Cover", _say_cover(patch))]
    for line in PATCH_LINES:
        text = line.text(patch, system)
        if line.label == "Cost" and text:
            text = f"{text} {_find_currency(plan)}".strip()
        text += line.span(patch, system) if text else ""
        if not (public and line.label == "Nearest receptor"):
            lines.append((line.label, text))
    lines.append(("Status", str(patch["status"])))
    why = patch["set_aside"]
    lines.append(("Set aside", "" if is_blank(why) else f"{describe_set_aside(str(why))}; {DRAW_ANEW}"))
    lines.append(("Approval", say_approval(patch, full=not public)))
    own = [] if public else list_own_columns(patch, c.shown_names(c.PATCHES, system))
    return [line for line in lines if not is_blank(line[1])] + own


def say_approval(patch: Row, *, full: bool) -> str:
    """Return how a patch stands to its approval, with what changed where that may be shown; blank without one."""
    state, change = str(patch.get("approval") or ""), str(patch.get("approval_change") or "")
    if not state:
        return ""
    return f"{state}: {change} ({UNCHECKED})" if change and full else f"{state} ({UNCHECKED})"


def list_own_columns(row: Row, known: list[str]) -> list[tuple[str, str]]:
    """Return the columns that rode along from the user's file."""
    return [
        (str(name), _say_value(value))
        for name, value in row.items()
        if name not in known and name != "geometry" and not is_blank(value)
    ]


def list_product(product: Product) -> list[tuple[str, str]]:
    """Return the label lines of a product that a crew works by."""
    lines = [
        ("Product", f"{product.id}: {product.active}, {product.form}"),
        ("Aquatic label", "yes" if product.aquatic_label else "no"),
        ("Signal word", product.signal_word),
        ("Protective equipment", "; ".join(product.ppe)),
        ("Re-entry", product.reentry),
        ("Wind", product.wind),
        ("Temperature", product.temperature),
        ("Rain", product.rain),
        ("Source", product.source),
    ]
    return [(label, text) for label, text in lines if text]


def describe_rule(plan: PlanTables, setback: Setback) -> str:
    """Return how far a rule reaches, what it forbids or asks for, and when."""
    season = f", {describe_season(setback)}" if setback.season else ""
    return f"{describe_distance(plan, setback)}: {describe_effect(setback)}{season}"


def describe_distance(plan: PlanTables, setback: Setback) -> str:
    """Return a rule's distance in words."""
    if setback.distance == "anywhere":
        return "whole site"
    if setback.distance_m is None:
        return "a distance of each feature's own"
    if setback.distance_m == 0:
        return "on the feature itself"
    system = plan.site.options.units
    return f"within {show_length(setback.distance_m / c.LENGTH.size(system), system, short=True)}"


def list_setbacks(plan: PlanTables) -> pd.DataFrame:
    """Return one row for each unit and setback in force: ``unit_id, setback_id, feature, text, verdict``.

    ``text`` is the distance measured and the distance required, as the compliance table has them.
    """
    system = plan.site.options.units
    required, achieved, error = (f"{stem}_{c.LENGTH.suffix(system)}" for stem in ("required", "achieved", "error"))
    force = plan.relations["unit_setbacks"][["unit_id", "setback_id"]].sort_values(["unit_id", "setback_id"])
    wanted = ["unit_id", "setback_id", "feature", required, achieved, error, "distance_verdict", "verdict"]
    if force.empty:
        bare: pd.DataFrame = force.assign(feature="", text="", verdict="")
        return bare
    joined: pd.DataFrame = force.merge(plan.compliance[wanted], on=["unit_id", "setback_id"], how="left")
    texts = []
    for need, have, doubt, place in zip(
        joined[required], joined[achieved], joined[error], joined["distance_verdict"], strict=True
    ):
        texts.append(_say_distance(need, have, doubt, str(place), system))
    shown: pd.DataFrame = joined.assign(text=texts)[["unit_id", "setback_id", "feature", "text", "verdict"]]
    return shown


def list_checks(plan: PlanTables) -> dict[str, list[str]]:
    """Return the setbacks whose distance wants a check in the field, sorted, by unit."""
    table = plan.relations["unit_checks"].drop_duplicates().sort_values("setback_id")
    checks: dict[str, list[str]] = {}
    for unit_id, setback_id in zip(table["unit_id"], table["setback_id"], strict=True):
        checks.setdefault(str(unit_id), []).append(str(setback_id))
    return checks


def _say_distance(need: Any, have: Any, doubt: Any, place: str, system: c.UnitSystem) -> str:
    if is_blank(have):
        return "" if is_blank(need) else f"{show_length(need, system, short=True)} required"
    text = f"{show_length(have, system)} away"
    if not is_blank(need):
        text += f", {show_length(need, system, short=True)} required"
    return f"{text}, within the mapping error of {show_length(doubt, system)}" if place == "within error" else text


def split_reasons(text: Any, starts: tuple[str, ...]) -> list[str]:
    """Split texts that were joined by "; ", where each begins with one of some words; others stay with the one before.

    Examples
    --------
    >>> split_reasons("wick: too far; a boat would do; boom: wet", ("wick: ", "boom: "))
    ['wick: too far; a boat would do', 'boom: wet']
    """
    if is_blank(text):
        return []
    parts: list[str] = []
    for piece in str(text).split("; "):
        if not parts or piece.startswith(starts):
            parts.append(piece)
        else:
            parts[-1] += f"; {piece}"
    return parts


CAUTION_STARTS: Final = ("condition (", "permit (", "notify (", "no mixing or filling here (", "by boat, ")


def say_method(method: Any) -> str:
    """Return a method's name as people say it, the same as on the crew's sheets; empty where there is none."""
    name = str(method)
    return METHODS[name].title if name in METHODS else name


def _say_mix(unit: Row) -> str:
    share = show_short(unit["concentration_pct"], "share")
    return f"{share} % by volume in {unit['carrier']}" if share and unit["carrier"] else f"{share} %" if share else ""


def _say_cover(patch: Row) -> str:
    likely = show_short(patch["cover_pct"], "share")
    if not likely:
        return UNKNOWN
    low, high = (show_short(patch[name], "share") for name in ("cover_low_pct", "cover_high_pct"))
    return f"{likely} %" if low == high else f"{likely} % ({low} to {high} %)"


def _say_value(value: Any) -> str:
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _find_currency(plan: PlanTables) -> str:
    return (plan.site.operations.currency if plan.site.operations else None) or ""
