"""In: rows of the plan's tables. Out: the words and figures that a crew reads: volumes, loads, times, distances."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from tussock.base import columns as c
from tussock.base.columns import UnitSystem
from tussock.base.records import Closure, Operations, Treatment
from tussock.base.stages import PlanTables
from tussock.base.text import show_length, show_window
from tussock.trade.methods import find_reach_m
from tussock.trade.mixing import Mix, count_loads, split_mix

Row = Mapping[str, Any]

_MINUTE_S: Final = 60
_HOUR_S: Final = 3600
_FEW_FL_OZ: Final = 16.0
UNKNOWN: Final = "not known"


def is_known(value: Any) -> bool:
    """Tell whether a cell holds something: not None, nan, NA or an empty text."""
    return value is not None and str(value) not in ("", "nan", "<NA>", "None", "NaT")


def cut_text(value: Any, most: int = 36) -> str:
    """Return text for a narrow cell, the end of a long one cut; it stands in full on the sheet of its patch."""
    text = str(value) if is_known(value) else ""
    return text if len(text) <= most else f"{text[: most - 3].rstrip()}..."


def split_reasons(text: Any, treatment_ids: Iterable[str]) -> list[str]:
    """Return the reasons in a cell one by one: a new one starts where a candidate is named.

    Examples
    --------
    >>> split_reasons("a: too near; a boat would help; b: no date", ["a", "b"])
    ['a: too near; a boat would help', 'b: no date']
    """
    if not is_known(text):
        return []
    starts = tuple(f"{name}: " for name in treatment_ids)
    reasons: list[str] = []
    for part in str(text).split("; "):
        if reasons and not part.startswith(starts):
            reasons[-1] += f"; {part}"
        else:
            reasons.append(part)
    return reasons


def figures(value: float, digits: int = 3) -> str:
    """Return a number to some significant digits, without an exponent.

    Examples
    --------
    >>> figures(12345.0), figures(0.012345)
    ('12,300', '0.0123')
    """
    if not math.isfinite(value):
        return UNKNOWN
    rounded = float(f"{value:.{digits}g}")
    places = max(0, digits - 1 - math.floor(math.log10(abs(rounded)))) if rounded else 0
    text = f"{rounded:,.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def read_si(row: Row, stem: str, quantity: c.Quantity, system: UnitSystem) -> float:
    """Return a cell of a shown table in SI; nan where it is blank."""
    value: Any = row.get(f"{stem}_{quantity.suffix(system)}")
    return float(value) * quantity.size(system) if is_known(value) else math.nan


def show_cell(row: Row, stem: str, quantity: c.Quantity, system: UnitSystem, digits: int = 3) -> str:
    """Return a cell with its unit, or that it is not known."""
    value: Any = row.get(f"{stem}_{quantity.suffix(system)}")
    if not is_known(value):
        return UNKNOWN
    return f"{figures(float(value), digits)} {_UNIT_WORDS.get(quantity.suffix(system), quantity.suffix(system))}"


_UNIT_WORDS: Final = {
    "gal": "gal",
    "fl_oz": "fl oz",
    "l": "L",
    "ml": "mL",
    "lb_per_acre": "lb/acre",
    "kg_per_ha": "kg/ha",
    "gal_per_acre": "gal/acre",
    "l_per_ha": "L/ha",
    "hours": "h",
}


def show_volume(size_l: float, system: UnitSystem) -> str:
    """Return a volume as a crew measures it: gallons or fluid ounces (few of them in mL too), litres or mL.

    Examples
    --------
    >>> show_volume(3.785411784, "us"), show_volume(0.1, "us"), show_volume(0.25, "metric")
    ('1 gal', '3.38 fl oz (100 mL)', '250 mL')
    """
    if not math.isfinite(size_l):
        return UNKNOWN
    if system == "metric":
        return f"{figures(size_l)} L" if size_l >= 1 else f"{figures(size_l * 1000)} mL"
    if size_l >= c.LIQUID.us_size * (1 - 1e-9):
        return f"{figures(size_l / c.LIQUID.us_size)} gal"
    ounces = size_l / c.SMALL_LIQUID.us_size
    text = f"{figures(ounces)} fl oz"
    return f"{text} ({figures(size_l * 1000)} mL)" if 0 < ounces < _FEW_FL_OZ else text


def show_poured(size_l: float, system: UnitSystem) -> str:
    """Return a volume in one unit: what is less than any mark on a cup for ounces in mL.

    Examples
    --------
    >>> show_poured(0.0379, "us"), show_poured(0.0016, "us")
    ('1.28 fl oz', '1.6 mL')
    """
    if 0 < size_l < _CUP_MARK_L:
        return f"{figures(size_l * 1000)} mL"
    return show_volume(size_l, system).split(" (")[0]


def show_measured(size_l: float, system: UnitSystem) -> str:
    """Return a volume of product: in ounces and mL, only in mL where it is less than any mark on a cup for ounces."""
    return show_poured(size_l, system) if 0 < size_l < _CUP_MARK_L else show_volume(size_l, system)


_CUP_MARK_L: Final = 0.015


def show_total(row: Row, stem: str, system: UnitSystem) -> str:
    """Return the volume in a cell, in gallons or fluid ounces, litres or mL, whichever reads better."""
    return show_volume(read_si(row, stem, c.LIQUID, system), system).split(" (")[0]


def show_seconds(seconds: float) -> str:
    """Return a time with the nozzle open, as seconds and as minutes or hours.

    Examples
    --------
    >>> show_seconds(447.2), show_seconds(7.4), show_seconds(4000.0)
    ('447 s (7 min 27 s)', '7.4 s', '4,000 s (1 h 7 min)')
    """
    if not math.isfinite(seconds):
        return UNKNOWN
    if seconds < _MINUTE_S:
        return f"{figures(seconds, 2)} s"
    whole = round(seconds)
    if whole < _HOUR_S:
        return f"{whole:,} s ({whole // _MINUTE_S} min {whole % _MINUTE_S} s)"
    minutes = round(seconds / _MINUTE_S)
    return f"{whole:,} s ({minutes // _MINUTE_S} h {minutes % _MINUTE_S} min)"


@dataclass(frozen=True)
class Recipe:
    """What the mix of one unit is made of: shares of its volume; the carrier is the rest."""

    product: float
    dye: float = 0.0
    adjuvant: float = 0.0
    partners: tuple[tuple[str, float], ...] = ()


def read_recipe(unit: Row, treatment: Treatment, partners: Mapping[str, float]) -> Recipe:
    """Return the mix of a unit as the plan has it: a yearly limit may have made it weaker than the treatment's own.

    Parameters
    ----------
    unit
        Row of the units, with ``concentration_pct``.
    treatment
        Dye, adjuvant, and which partners there are.
    partners
        Share of each partner on the unit, see `list_partners`; nan for one that is not there.
    """
    share = float(unit["concentration_pct"]) / 100 if is_known(unit["concentration_pct"]) else math.nan
    shares = tuple((item.product, partners.get(item.product, math.nan)) for item in treatment.tank_mix)
    return Recipe(share, treatment.dye or 0.0, treatment.adjuvant or 0.0, shares)


def list_partners(plan: PlanTables) -> dict[str, dict[str, float]]:
    """Return the share of the mix of each partner in the tank, by unit."""
    table = plan.relations["unit_products"]
    table = table[table["role"] == "partner"]
    partners: dict[str, dict[str, float]] = {}
    for unit_id, product_id, share in zip(table["unit_id"], table["product_id"], table["share_pct"], strict=True):
        partners.setdefault(str(unit_id), {})[str(product_id)] = float(share) / 100
    return partners


@dataclass(frozen=True)
class Load:
    """A filling of the equipment: how often, and what goes in [L]; a partner's product is not in ``mix``."""

    label: str
    count: int
    mix: Mix
    partners_l: tuple[float, ...] = ()


def list_loads(spray_l: float, capacity_l: float | None, recipe: Recipe) -> list[Load]:
    """Return what goes into each full load and into the last one.

    Parameters
    ----------
    spray_l
        Mix that the unit needs [L].
    capacity_l
        What the equipment holds [L]; None where the operations file does not say: one load then.
    recipe
        Shares of the mix.

    Returns
    -------
    list of Load
        Empty where the volume or a share is not known, or nothing is mixed.
    """
    shares = [recipe.product, *(share for _, share in recipe.partners)]
    if not (math.isfinite(spray_l) and spray_l > 0 and all(math.isfinite(share) for share in shares)):
        return []
    count, last_l = count_loads(spray_l, capacity_l) if capacity_l is not None else (1, spray_l)
    full = count if capacity_l is not None and abs(last_l - capacity_l) < capacity_l * 1e-9 else count - 1
    loads = []
    if full and capacity_l is not None:
        loads.append(_fill("Full load", full, capacity_l, recipe))
    if full < count:
        loads.append(_fill("Last load" if full else "One load", 1, last_l, recipe))
    return loads


def _fill(label: str, count: int, mix_l: float, recipe: Recipe) -> Load:
    """Return a filling; what a tank-mix partner takes is taken from the carrier."""
    shares = [share for _, share in recipe.partners]
    mix = split_mix(mix_l, recipe.product, dye=recipe.dye, adjuvant=recipe.adjuvant + sum(shares))
    own = Mix(mix.product_l, mix.carrier_l, mix.dye_l, mix_l * recipe.adjuvant)
    return Load(label, count, own, tuple(mix_l * share for share in shares))


def find_capacity_l(operations: Operations | None, treatment: Treatment) -> float | None:
    """Return what the equipment of a treatment holds [L]; None where that is not known."""
    if operations is None or treatment.equipment is None:
        return None
    return next((item.capacity_l for item in operations.equipment if item.id == treatment.equipment), None)


def describe_dose(treatment: Treatment, system: UnitSystem) -> list[str]:
    """Return what is put where, for the methods that work stem by stem."""

    def volume(size_l: float) -> str:
        return show_volume(size_l, system)

    def small(size_m: float) -> str:
        return _show_small(size_m, system)

    def length(size_m: float) -> str:
        return show_length(size_m, system)

    said: tuple[tuple[float | None, Callable[[float], str], str], ...] = (
        (treatment.dose_per_stem_l, volume, "{} for each stem"),
        (treatment.dose_per_cut_l, volume, "{} in each cut"),
        (treatment.cut_per_diameter_m, small, "one cut for each {} of stem diameter, at least one"),
        (treatment.cut_spacing_m, small, "cuts {} apart around the stem, centre to centre"),
        (treatment.ring_width_m, small, "wet the outer {} of the stump only"),
        (treatment.dose_per_ring_area_l_per_m2, volume, "{} of mix for each m2 of that ring"),
        (treatment.band_height_m, small, "wet a band of {} up from the ground, all around"),
        (treatment.dose_per_bark_area_l_per_m2, volume, "{} of mix for each m2 of that bark"),
        (treatment.treat_within_s, lambda size_s: figures(size_s / _MINUTE_S), "treat within {} minutes of the cut"),
        (find_reach_m(treatment) if treatment.delivery == "spot" else None, length, "throw {} at most"),
        (None if treatment.delivery == "spot" else treatment.reach_m, length, "reach {} at most"),
    )
    return [words.format(show(size)) for size, show, words in said if size is not None]


def _show_small(size_m: float, system: UnitSystem) -> str:
    return f"{figures(size_m / 0.0254)} in" if system == "us" else f"{figures(size_m * 100)} cm"


def describe_place(row: Row, system: UnitSystem) -> str:
    """Return how far a unit is from a feature."""
    achieved = read_si(row, "achieved", c.LENGTH, system)
    if math.isnan(achieved):
        return f"holds on {row['feature']}"
    return f"on {row['feature']}" if achieved == 0 else f"{show_length(achieved, system)} from {row['feature']}"


def list_closures(closures: Iterable[Closure]) -> list[tuple[str, str, str]]:
    """Return days on which the site is closed: name, days with what lifts them, reason and source."""
    rows = []
    for item in closures:
        days = show_window(item.season) + (", unless surveyed" if item.unless_surveyed else "")
        rows.append((item.id, days, f"{item.reason} [{item.source}]"))
    return rows
