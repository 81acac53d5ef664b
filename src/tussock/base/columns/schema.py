"""In: a table with SI columns and its schema. Out: the table under the names and units of the contract."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias

from tussock.base import units as u

if TYPE_CHECKING:
    import pandas as pd

UnitSystem: TypeAlias = Literal["us", "metric"]


@dataclass(frozen=True)
class Quantity:
    """How one kind of quantity is shown: suffix and divisor of the SI size, for US and for metric tables."""

    si: str
    us: str
    us_size: float
    metric: str
    metric_size: float

    def suffix(self, system: UnitSystem) -> str:
        """Return the column suffix of a system."""
        return self.us if system == "us" else self.metric

    def size(self, system: UnitSystem) -> float:
        """Return the SI size of one shown unit."""
        return self.us_size if system == "us" else self.metric_size


AREA: Final = Quantity("m2", "acre", u.ACRE_M2, "ha", u.HECTARE_M2)
LENGTH: Final = Quantity("m", "ft", u.FOOT_M, "m", 1.0)
LIQUID: Final = Quantity("l", "gal", u.GALLON_L, "l", 1.0)
SMALL_LIQUID: Final = Quantity("l", "fl_oz", u.FLUID_OUNCE_L, "ml", 0.001)
MASS: Final = Quantity("kg", "lb", u.POUND_KG, "kg", 1.0)
DOSE: Final = Quantity("kg_per_ha", "lb_per_acre", u.LB_PER_ACRE_KG_PER_HA, "kg_per_ha", 1.0)
DENSITY: Final = Quantity("per_ha", "per_acre", u.HECTARE_M2 / u.ACRE_M2, "per_ha", 1.0)
RATE: Final = Quantity("l_per_ha", "gal_per_acre", u.GALLON_L / (u.ACRE_M2 / u.HECTARE_M2), "l_per_ha", 1.0)
DIAMETER: Final = Quantity("m", "in", u.INCH_M, "cm", 0.01)
SECONDS: Final = Quantity("s", "seconds", 1.0, "seconds", 1.0)
HOURS: Final = Quantity("h", "hours", 1.0, "hours", 1.0)


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    stem
        Name without the unit, such as ``"area"``; the whole name where there is no unit.
    kind
        Type of the values.
    meaning
        One line for readers, written to field comments and data dictionaries.
    quantity
        How the value is shown; None for values without a unit that changes.
    """

    stem: str
    kind: Literal["text", "number", "count", "flag"]
    meaning: str
    quantity: Quantity | None = None

    @property
    def si_name(self) -> str:
        """Name inside the package."""
        return self.stem if self.quantity is None else f"{self.stem}_{self.quantity.si}"

    def shown_name(self, system: UnitSystem) -> str:
        """Name on every table, map and sheet."""
        return self.stem if self.quantity is None else f"{self.stem}_{self.quantity.suffix(system)}"


Schema: TypeAlias = tuple[Column, ...]


def shown_names(schema: Schema, system: UnitSystem) -> list[str]:
    """Return the column names of a table as they are written."""
    return [column.shown_name(system) for column in schema]


def present(frame: pd.DataFrame, schema: Schema, system: UnitSystem) -> pd.DataFrame:
    """Return a table under the names and units of the contract.

    Parameters
    ----------
    frame
        Table with the SI columns of the schema, the first column of the schema as a column or as the index.
        A geometry column and columns that the schema does not know ride along at the end.
    schema
        Columns to write, in order.
    system
        ``"us"`` or ``"metric"``.

    Returns
    -------
    DataFrame (or GeoDataFrame, as ``frame``)
        Numbers divided by the size of the shown unit; the index is a plain range.

    Raises
    ------
    KeyError
        A column of the schema is missing.
    """
    flat = frame if schema[0].si_name in frame.columns else frame.reset_index()
    missing = [column.si_name for column in schema if column.si_name not in flat.columns]
    if missing:
        raise KeyError(f"table without {missing}")
    result: Any = flat[[]].copy()
    for column in schema:
        values: Any = flat[column.si_name]
        size = 1.0 if column.quantity is None else column.quantity.size(system)
        result[column.shown_name(system)] = values if size == 1.0 else values / size
    used = {column.si_name for column in schema}
    for name in flat.columns:
        if name not in used:  # a column of the user's that has one of our names is kept under another
            result[f"{name}_in_file" if name in result.columns else name] = flat[name]
    return type(frame)(result).reset_index(drop=True)
