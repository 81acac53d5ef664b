"""In: SI sizes, dates. Out: short texts in the units of the site, days with their month by name, for every output."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Final

from tussock.base import columns as c
from tussock.base.days import Season, Span, Window, read_month_day

_MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


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


def show_date(day: dt.date | str) -> str:
    """Return a date with its month by name; a text that is no ISO date stays as it is.

    Examples
    --------
    >>> show_date("2027-07-05"), show_date(dt.date(2028, 2, 29)), show_date("soon")
    ('5 Jul 2027', '29 Feb 2028', 'soon')
    """
    if isinstance(day, str):
        try:
            day = dt.date.fromisoformat(day)
        except ValueError:
            return str(day)
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def show_dates(first: dt.date | str | None, last: dt.date | str | None) -> str:
    """Return a span of dates, the year once where both have it; "no dates" for blanks.

    Examples
    --------
    >>> show_dates("2027-07-15", "2027-09-30"), show_dates("2026-12-15", "2027-01-31"), show_dates("", "")
    ('15 Jul to 30 Sep 2027', '15 Dec 2026 to 31 Jan 2027', 'no dates')
    >>> show_dates("2027-07-15", "2027-07-15")
    '15 Jul 2027'
    """
    if not first or not last:
        return "no dates"
    start, end = show_date(first), show_date(last)
    year = end[-5:]
    return end if start == end else f"{start.removesuffix(year)} to {end}"


def show_runs(runs: Sequence[Span]) -> str:
    """Return several spans of dates, the year once where all have it.

    Examples
    --------
    >>> show_runs([(dt.date(2027, 1, 1), dt.date(2027, 1, 31)), (dt.date(2027, 12, 15), dt.date(2027, 12, 31))])
    '1 Jan to 31 Jan and 15 Dec to 31 Dec 2027'
    """
    texts = [show_dates(*run) for run in runs]
    if len({day.year for run in runs for day in run}) == 1:
        texts[:-1] = [text[:-5] for text in texts[:-1]]
    return " and ".join(texts) or "no dates"


def show_validity(first: dt.date | None, last: dt.date | None) -> str:
    """Return the dates that a rule set stands for, either of which may be missing.

    Examples
    --------
    >>> show_validity(dt.date(2026, 10, 1), None), show_validity(None, dt.date(2028, 3, 31)), show_validity(None, None)
    ('from 1 Oct 2026 on', 'to 31 Mar 2028', 'no dates stated')
    """
    if first is not None and last is not None:
        return show_dates(first, last)
    if first is not None:
        return f"from {show_date(first)} on"
    return "no dates stated" if last is None else f"to {show_date(last)}"


def show_window(window: Window) -> str:
    """Return a window of the year.

    Examples
    --------
    >>> show_window(("12-15", "01-31"))
    '15 Dec to 31 Jan'
    """
    return " to ".join(f"{day} {_MONTHS[month - 1]}" for month, day in map(read_month_day, window))


def show_season(season: Season) -> str:
    """Return the name of a season, with its dates where the name is not that of a calendar year.

    Examples
    --------
    >>> show_season(Season(dt.date(2026, 10, 1), dt.date(2027, 9, 30), "2026/27"))
    '2026/27 (1 Oct 2026 to 30 Sep 2027)'
    """
    return season.name if season.is_year else f"{season.name} ({show_dates(season.first, season.last)})"
