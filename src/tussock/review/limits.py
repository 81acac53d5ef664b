"""In: uses of each active on each piece of ground. Out: findings on limits of the label."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.columns import DOSE
from tussock.base.records import STEM_METHODS
from tussock.base.text import show_dose
from tussock.review.columns import find_places
from tussock.review.evidence import Evidence
from tussock.review.ground import AREA_TOLERANCE
from tussock.review.rows import Row, info, pick_rows, violation
from tussock.review.uses_on_ground import Ledger, find_shared
from tussock.trade.actives import key_active, name_active

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

_SLACK: Final = 1e-6
_DAY_S: Final = 86_400.0
#: Ground in common with a record of earlier work under this, and under half of the unit, is a shared edge [m2].
_EDGE_M2: Final = 0.05
#: Two outlines of one species with this share of their joint ground in common are likely one patch drawn twice.
_LIKELY_SAME: Final = 0.8


def check_limits(evidence: Evidence) -> list[Row]:
    """Check the label's limits: for one application and, with earlier work and other patches, for the year."""
    ledger = Ledger(evidence)
    years = [ledger.in_year(*year) for year in _list_years(evidence)]
    by_year = [row for year in years for row in (*_check_doses(evidence, year), *_check_counts(evidence, year))]
    rows = [
        *_check_records(evidence),
        *dict.fromkeys(by_year),
        *_check_intervals(evidence, ledger),
        *_check_used(evidence, years),
    ]
    records = evidence.delivered.layers.get("history")
    count = 0 if records is None else len(records)
    text = f"{len(ledger.applied)} doses, {count} records of earlier work, {len(ledger.shared[0]) // 2} shared pieces"
    return [*rows, info("plan.gpkg", text)]


def _list_years(evidence: Evidence) -> list[tuple[tuple[str, str], BoolArray]]:
    """Return the label years that each limit for a year must hold in, with the units whose open days touch them.

    The season for every unit, and each calendar year that a unit may be worked in: a label seldom says which it means.
    """
    season, codes = evidence.catalog.season, evidence.unit_dates
    every = np.ones(len(codes), dtype=bool)
    if season is None:
        return [(("", "9999"), every)]
    years = [((season.first.isoformat(), season.last.isoformat()), every)]
    for number in range(season.first.year, season.last.year + 1):
        hits = [
            runs is None or any(run.first.year <= number <= run.last.year for run in runs)
            for runs in evidence.date_runs
        ]
        years.append(((f"{number}-01-01", f"{number}-12-31"), np.array(hits, dtype=bool)[codes]))
    return years if years[0][0] != years[-1][0] else years[:1]


def _check_records(evidence: Evidence) -> list[Row]:
    """Check that each record of earlier work is of an active that is known, and of that of the product it names."""
    if "history" not in evidence.delivered.layers:
        return []
    products, own = evidence.catalog.products, evidence.catalog.active_names
    rows = []
    for place, (product_id, written) in enumerate(zip(evidence.record_product, evidence.record_written, strict=True)):
        named, product = name_active(written, own), products.get(product_id)
        where = f"history, row {place + 1}, active"
        if named is None and (written or product is None):
            rows.append(violation(where, written or "a blank", "an active that is known", "it is counted as written"))
        elif named is not None and product is not None and key_active(named) != key_active(product.active):
            rows.append(violation(where, written, f"{product.active}, as {product_id} is", "counted as its product"))
    return pick_rows(np.ones(len(rows), dtype=bool), lambda k: rows[k])


def _list_limits(evidence: Evidence, product_id: pd.Series[str], field: str) -> FloatArray:
    """Return a limit of the product of each row, inf where it has none."""
    limits = {name: getattr(product, field) for name, product in evidence.catalog.products.items()}
    values = [limits.get(name) for name in product_id.tolist()]
    return np.array([np.inf if value is None else float(value) for value in values], dtype=np.float64)


def _find_grounds(evidence: Evidence, ledger: Ledger, field: str) -> pd.DataFrame:
    """Return the pieces of ground of each application, each with the strictest of the labels used there."""
    own, others, records = (
        _list_limits(evidence, table["product_id"], field) for table in (ledger.applied, ledger.others, ledger.records)
    )
    grounds = ledger.list_grounds(others, records)
    entry = grounds["entry"].to_numpy(dtype=np.intp)
    return grounds.assign(limit=np.minimum(grounds["limit"], own[entry]))


def _pick_worst(grounds: pd.DataFrame, amount: FloatArray) -> pd.DataFrame:
    """Return for each application the piece of ground where the amount takes most of its limit, in their order."""
    ranked = grounds.assign(amount=amount, share=amount / grounds["limit"].to_numpy())
    ranked = ranked.sort_values(["entry", "share", "amount"], kind="stable")
    return ranked.drop_duplicates("entry", keep="last").reset_index(drop=True)


def _name(evidence: Evidence, applied: pd.DataFrame, row: int) -> str:
    return f"unit {evidence.units['unit_id'].iloc[int(applied['unit'].iloc[row])]}, {applied['product_id'].iloc[row]}"


def _check_doses(evidence: Evidence, ledger: Ledger) -> list[Row]:
    """Check the doses of each active for one application, and of all uses on each piece of ground for the year."""
    applied, system = ledger.applied, evidence.system
    own, tank = applied["dose"].to_numpy(dtype=float), applied["tank"].to_numpy(dtype=float)
    before = ledger.sum_records("dose")
    year = _find_year(evidence, ledger)
    others = year["dose"].to_numpy()
    once = _list_limits(evidence, applied["product_id"], "limit_per_application_kg_per_ha")
    rows: list[Row] = []
    for name, amount, limit in (
        ("one application", tank, once),
        ("the year", year["amount"].to_numpy(), year["limit"].to_numpy()),
    ):

        def describe(k: int, name: str = name, amount: FloatArray = amount, limit: FloatArray = limit) -> Row:
            found = f"{show_dose(amount[k], system)} of {applied['active'].iloc[k]}"
            if name == "the year":
                parts = (("planned", tank), ("earlier", before), ("other patches", others))
                size = DOSE.size(system)
                found += f" ({', '.join(f'{word} {part[k] / size:.4g}' for word, part in parts if part[k] > 0)})"
            return violation(_name(evidence, applied, k), found, f"at most {show_dose(limit[k], system)} in {name}")

        rows += pick_rows((amount > limit * (1 + _SLACK)) & (own > 0), describe, amount / limit)
    return rows


def _find_year(evidence: Evidence, ledger: Ledger) -> pd.DataFrame:
    """Return for each application the piece of its ground that takes most of its yearly limit of acid equivalent."""
    grounds = _find_grounds(evidence, ledger, "limit_per_year_kg_per_ha")
    here = ledger.applied["tank"].to_numpy(dtype=float) + ledger.sum_records("dose")
    entry = grounds["entry"].to_numpy(dtype=np.intp)
    return _pick_worst(grounds, here[entry] + grounds["dose"].to_numpy())


def _check_counts(evidence: Evidence, ledger: Ledger) -> list[Row]:
    """Check limits in stems, and the number of applications."""
    applied = ledger.applied
    rows = [*_check_stems(evidence, ledger), *_check_mapped(evidence, ledger)]
    done = _count_applications(ledger)
    number = _list_limits(evidence, applied["product_id"], "max_applications_per_year")
    return rows + pick_rows(
        done > number,
        lambda k: violation(
            _name(evidence, applied, k), f"{done[k]:.0f} applications on one ground", f"at most {number[k]:.0f} a year"
        ),
    )


def _check_stems(evidence: Evidence, ledger: Ledger) -> list[Row]:
    """Check limits in stems; where one is used up, nothing else of the active may stand on that ground."""
    applied = ledger.applied
    grounds = _find_grounds(evidence, ledger, "limit_stems_per_year_per_ha")
    own = applied["stems"].to_numpy(dtype=float)
    records = ledger.records.assign(plain=(ledger.records["stems"] <= 0).astype(float))
    plain = np.bincount(records["entry"].to_numpy(dtype=np.intp), records["plain"], minlength=len(own)) + (own <= 0)
    entry = grounds["entry"].to_numpy(dtype=np.intp)
    total = (own + ledger.sum_records("stems"))[entry] + grounds["stems"].to_numpy()
    most = grounds["limit"].to_numpy()
    over = total > most * (1 + AREA_TOLERANCE)
    beside = (plain[entry] + grounds["plain"].to_numpy() > 0) & (total >= most * (1 - AREA_TOLERANCE)) & ~over
    told = [
        np.unique(entry[fault & (applied["dose"].to_numpy()[entry] > 0)]) for fault in (over & (own[entry] > 0), beside)
    ]
    worst = _pick_worst(grounds, total)
    amount, limit = worst["amount"].to_numpy(), worst["limit"].to_numpy()
    rows = pick_rows(
        np.isin(np.arange(len(own)), told[0]),
        lambda k: violation(
            _name(evidence, applied, k), f"{amount[k]:.5g} stems/ha", f"at most {limit[k]:.5g} stems/ha in the year"
        ),
        amount,
    )
    return rows + pick_rows(
        np.isin(np.arange(len(own)), told[1]),
        lambda k: violation(
            _name(evidence, applied, k),
            f"{amount[k]:.5g} stems/ha and another use of {applied['active'].iloc[k]} on one ground",
            f"nothing else where a limit of {limit[k]:.5g} stems/ha is used up",
        ),
    )


def _check_mapped(evidence: Evidence, ledger: Ledger) -> list[Row]:
    """Check that stems are mapped where a limit counts them."""
    applied = ledger.applied
    grounds = _find_grounds(evidence, ledger, "limit_stems_per_year_per_ha")
    most = grounds.groupby("entry")["limit"].min().to_numpy(dtype=float)
    unit, treatment = (applied[name].to_numpy(dtype=np.intp) for name in ("unit", "treatment"))
    by_stem = np.array([item.method in STEM_METHODS for item in evidence.treatments] + [False])[treatment]
    unknown = np.isnan(np.r_[evidence.stand.per_ha, np.nan])[evidence.unit_patch[unit]]
    return pick_rows(
        by_stem & unknown & np.isfinite(most),
        lambda k: violation(_name(evidence, applied, k), "no stems are mapped", f"at most {most[k]:.5g} stems/ha"),
    )


def _count_applications(ledger: Ledger) -> FloatArray:
    """Count the applications of the product of each row on the piece of its ground that gets most of them."""
    names = ledger.applied["product_id"]
    records, others = ledger.records, ledger.others
    same = records["product_id"].eq("") | records["product_id"].eq(records["entry"].map(names))
    count: FloatArray = 1.0 + np.bincount(
        records.loc[same, "entry"].to_numpy(dtype=np.intp), minlength=len(names)
    ).astype(np.float64)
    alike = others[others["product_id"].eq(others["entry"].map(names))]
    most = alike.groupby(["entry", "piece"])["unit"].nunique().groupby("entry").max()
    count[most.index.to_numpy(dtype=np.intp)] += most.to_numpy()
    return count


def _check_intervals(evidence: Evidence, ledger: Ledger) -> list[Row]:
    """Check that no day that work may stand on is nearer to a record of earlier work, of any year, than the label says.

    Nothing is planned before a record of the season either: what was applied then is done.
    """
    applied, rows = ledger.applied, []
    waits = {name: product.min_interval_s for name, product in evidence.catalog.products.items()}
    season = evidence.catalog.season
    for record in ledger.records.to_dict("records"):
        entry, unit = int(record["entry"]), int(record["unit"])
        wait = waits.get(str(applied["product_id"].iloc[entry]))
        if wait is None:
            continue
        runs, name = evidence.date_runs[evidence.unit_dates[unit]], _name(evidence, applied, entry)
        try:
            date = dt.date.fromisoformat(str(record["date"]))
        except ValueError:
            rows.append(violation(name, f"a record of {record['date']!r}", "a date"))
            continue
        if runs is None:  # said of the dates of the unit
            continue
        first, last = min(run.first for run in runs), max(run.last for run in runs)
        if season is not None and date > season.last:
            if (date - last).days * _DAY_S < wait:
                rows.append(violation(name, f"to {last}", f"the interval before the record of {date}"))
        elif (first - date).days * _DAY_S < wait:
            again = date + dt.timedelta(seconds=wait)
            rows.append(violation(name, f"from {first}", f"not before {again}, the interval after {date}"))
    return rows


def _check_used(evidence: Evidence, years: Sequence[Ledger]) -> list[Row]:
    """Check the share of the yearly limit that a unit says is used, earlier work and other patches counted."""
    unit = years[0].applied["unit"].to_numpy(dtype=np.intp)
    least, most = np.full((2, len(evidence.units)), np.nan)
    for ledger in years:
        year, stems = _find_year(evidence, ledger), _find_stems_used(evidence, ledger)
        by_dose = np.where(np.isfinite(year["limit"]), year["share"], np.nan)
        np.fmax.at(least, unit, np.fmax(by_dose, stems) * 100)
        # the plan takes units for standing together where each two of them do
        np.fmax.at(most, unit, _find_most_pct(evidence, ledger))
    most = np.fmax(most, least)
    found = evidence.units["annual_limit_used_pct"].to_numpy()
    fits = (found >= least * (1 - AREA_TOLERANCE)) & (found <= most * (1 + AREA_TOLERANCE))
    ids = evidence.units["unit_id"].to_numpy()
    return pick_rows(
        ~fits & ~(np.isnan(found) & (np.isnan(least) | (least == 0))),
        lambda k: violation(f"unit {ids[k]}, annual_limit_used_pct", f"{found[k]:.6g} %", f"{least[k]:.6g} %"),
    )


def _find_stems_used(evidence: Evidence, ledger: Ledger) -> FloatArray:
    """Return the share of a limit in stems that all uses take on the ground of each application by stems, else nan."""
    own = ledger.applied["stems"].to_numpy(dtype=float)
    grounds = _find_grounds(evidence, ledger, "limit_stems_per_year_per_ha")
    entry = grounds["entry"].to_numpy(dtype=np.intp)
    worst = _pick_worst(grounds, (own + ledger.sum_records("stems"))[entry] + grounds["stems"].to_numpy())
    used = np.minimum(worst["share"].to_numpy(dtype=float), 1.0)
    return np.where((own > 0) & np.isfinite(worst["limit"].to_numpy()), used, np.nan)


def _find_most_pct(evidence: Evidence, ledger: Ledger) -> FloatArray:
    """Return the share of the yearly limit if the largest use of each other patch stood on one piece [%]."""
    others = ledger.others.sort_values("dose", ascending=False).drop_duplicates(["entry", "patch"])
    summed = np.bincount(others["entry"].to_numpy(dtype=np.intp), others["dose"], minlength=len(ledger.applied))
    limit = _find_grounds(evidence, ledger, "limit_per_year_kg_per_ha").groupby("entry")["limit"].min().to_numpy()
    total = ledger.applied["tank"].to_numpy(dtype=float) + ledger.sum_records("dose") + summed
    return np.where(np.isfinite(limit), total / limit * 100, np.nan)


def check_overlaps(evidence: Evidence) -> list[Row]:
    """Check that ground which two patches of one species share is planned once."""
    first, second, area = find_shared(evidence)
    once = first < second
    first, second, area = first[once], second[once], area[once]
    species = evidence.patches["species"].str.casefold().to_numpy(dtype=object)
    place = evidence.unit_patch
    units = evidence.units
    planned = (units["status"] == "planned").to_numpy()
    same = (species[place[first]] == species[place[second]]) & (species[place[first]] != "")
    twice = same & planned[first] & planned[second]
    ids = units["unit_id"].to_numpy()
    rows = pick_rows(
        twice,
        lambda k: violation(
            f"units {ids[first[k]]} and {ids[second[k]]}", f"{area[k]:.1f} m2 planned twice for one species", "once"
        ),
        area,
    )
    rows += _check_counted(evidence)
    return [*rows, info("plan.gpkg", f"{len(first)} shared pieces of two patches")]


def _check_counted(evidence: Evidence) -> list[Row]:
    """Check that a unit counted with another patch lies on its ground, or is the same patch drawn twice."""
    units, patches = evidence.units, evidence.patches
    claimed = np.flatnonzero((units["area_counted_with"] != "").to_numpy())
    other = find_places(patches["patch_id"], units["area_counted_with"].iloc[claimed])
    ids = units["unit_id"].to_numpy()
    rows = pick_rows(
        (other < 0) | (other == evidence.unit_patch[claimed]),
        lambda k: violation(
            f"unit {ids[claimed[k]]}", f"counted with {units['area_counted_with'].iloc[claimed[k]]!r}", "another patch"
        ),
    )
    claimed, other = claimed[other >= 0], other[other >= 0]
    own = evidence.patch_ground[evidence.unit_patch[claimed]]
    far = evidence.patch_ground[other]
    outline = evidence.unit_ground[claimed]
    left = shapely.area(shapely.difference(outline, far)) * evidence.unit_scale[claimed]
    joint = shapely.area(shapely.union(own, far))
    alike = shapely.area(shapely.intersection(own, far)) >= _LIKELY_SAME * joint * (1 - _SLACK)
    most = evidence.catalog.sliver_area_m2 + 0.01 * evidence.unit_area_m2[claimed]
    return rows + pick_rows(
        (left > most) & ~alike,
        lambda k: violation(
            f"unit {ids[claimed[k]]}",
            f"counted with {units['area_counted_with'].iloc[claimed[k]]}, {left[k]:.1f} m2 off its ground",
            "on the ground of that patch",
        ),
        left,
    )
