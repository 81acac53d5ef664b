"""In: SI sizes. Out: short texts in the units of the site, for reasons and labels."""

from __future__ import annotations

from tussock.base import columns as c


def show(size: float, quantity: c.Quantity, system: c.UnitSystem, digits: int = 3) -> str:
    """Return a size with its unit, to some significant digits.

    Examples
    --------
    >>> from tussock.base.columns import LENGTH
    >>> show(12.893, LENGTH, "us")
    '42.3 ft'
    """
    unit = quantity.suffix(system).replace("_per_", "/").replace("fl_oz", "fl oz").replace("l/ha", "L/ha")
    return f"{size / quantity.size(system):.{digits}g} {unit}"


def show_length(size_m: float, system: c.UnitSystem) -> str:
    """Return a distance to a tenth of a foot, or to a centimetre."""
    return f"{size_m / c.LENGTH.us_size:.1f} ft" if system == "us" else f"{size_m:.2f} m"


def show_dose(size_kg_per_ha: float, system: c.UnitSystem, *, unit: bool = True) -> str:
    """Return a dose of acid equivalent for an area."""
    number = f"{size_kg_per_ha / c.DOSE.size(system):.4g}"
    return f"{number} {'lb' if system == 'us' else 'kg'} ae/{'acre' if system == 'us' else 'ha'}" if unit else number


def join_words(words: list[str], most: int = 6) -> str:
    """Return words joined by commas, the rest counted."""
    return ", ".join(words[:most]) + (f" and {len(words) - most} more" if len(words) > most else "")


def show_count(count: int, noun: str) -> str:
    """Return a count with its noun: one patch, 2 patches.

    >>> show_count(1, "patch"), show_count(2, "patch"), show_count(0, "unit")
    ('1 patch', '2 patches', '0 units')
    """
    ending = "" if count == 1 else "es" if noun.endswith("ch") else "s"
    return f"{count} {noun}{ending}"
