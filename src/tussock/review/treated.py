"""In: a plan and treated ground from the field. Out: findings: not planned, not treated, too near, too much.

All distances and areas are worked out here, with the review's own geometry; a finding says whether the error of the
positions could explain it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base.approved import AS_APPROVED
from tussock.base.columns import AREA
from tussock.base.records import DELIVERY
from tussock.base.text import join_words, show, show_length, show_season
from tussock.review.approval import find_states
from tussock.review.evidence import Evidence
from tussock.review.geometry import fill, find_geodesic_area_m2, move_outlines, rebuild, split_site
from tussock.review.measured import Measured
from tussock.review.rows import Row, info, pick_rows, violation, warning
from tussock.review.setbacks import find_closed, find_label
from tussock.review.tanks import find_forbidden
from tussock.review.treated_amounts import check_amounts
from tussock.review.treated_files import Treated, TreatedSource, read_treated

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

TREATED_CHECK: Final = "treated"
#: Without these a comparison with the field cannot be made.
CHECK_NEEDS: Final = ("plan.gpkg, patches", "plan.gpkg, units", "plan.gpkg, water", "crs", "documents")
#: Ground under this is a shared edge or rounding [m2].
_EDGE_M2: Final = 0.5
_EDGE_M: Final = 0.01
_EDGE_DEGREES: Final = 2e-7
#: Ground of a unit that may be left out before it is said, as a share of the unit.
_LEFT: Final = 0.01
_FIELD_CHECK: Final = "within the error: it cannot be told, check in the field"
_BEYOND: Final = "beyond the error"


def check_treated(evidence: Evidence, source: TreatedSource) -> list[Row]:
    """Compare treated ground with the plan.

    Parameters
    ----------
    evidence
        The plan.
    source
        The file from the field.
    """
    treated = read_treated(source)
    used = _find_used(evidence, treated)
    rows = [warning(name, "no outline", "treated ground", "left out") for name in treated.without]
    rows += _check_season(evidence, treated)
    rows += _check_planned(evidence, treated, used)
    rows += _check_left(evidence, treated)
    rows += _check_strips(evidence, treated, used)
    rows += check_amounts(evidence, treated, used.unit.tolist(), used.product)
    area = find_geodesic_area_m2(treated.outline)
    errors = treated.table["accuracy_m"]
    seen = (
        f"{len(treated.outline)} features, {show(float(area.sum()), AREA, evidence.system, 4)}, "
        f"error {show_length(float(errors.min()), evidence.system)} to "
        f"{show_length(float(errors.max()), evidence.system)}"
    )
    return [*rows, info(source.path.name, seen)]


class _Used:
    """What was used on each feature: the unit that most of it lies on, product, method, and whether they are stated.

    Attributes
    ----------
    unit
        Place of that unit; -1 where it lies on no unit.
    product, method
        Stated, else as planned on that unit; blank where neither is known.
    stated
        Whether the file states product and method.
    touched
        Places of the planned units that it lies on by more than an edge, most ground first.
    """

    def __init__(self, unit: IntArray, product: list[str], method: list[str], stated: BoolArray, touched: Any) -> None:
        self.unit = unit
        self.product = product
        self.method = method
        self.stated = stated
        self.touched: list[list[int]] = touched


def _find_used(evidence: Evidence, treated: Treated) -> _Used:
    units = evidence.units
    ids = units["unit_id"].tolist()
    ground = _unit_degrees(evidence)
    touched, main = [], np.full(len(treated.outline), -1, dtype=np.intp)
    tree = shapely.STRtree(ground)
    planned = (units["treatment_id"] != "").to_numpy()
    for place, outline in enumerate(treated.outline):
        near = np.sort(tree.query(outline, predicate="intersects"))
        common = find_geodesic_area_m2(shapely.intersection(ground[near], outline)) if len(near) else np.empty(0)
        order = near[np.argsort(-common, kind="stable")][: int((common > _EDGE_M2).sum())]
        touched.append([int(item) for item in order])
        named = treated.table["unit_id"].iloc[place]
        chosen = [item for item in order if planned[item]] or list(order)
        if named in ids:
            main[place] = ids.index(named)
        elif chosen:
            main[place] = int(chosen[0])
    stated = ((treated.table["product_id"] != "") & (treated.table["method"] != "")).to_numpy()
    product = _fill_in(treated.table["product_id"].tolist(), units["product_id"].tolist(), main)
    method = _fill_in(treated.table["method"].tolist(), units["method"].tolist(), main)
    return _Used(main, product, method, stated, touched)


def _fill_in(stated: list[str], planned: list[str], unit: IntArray) -> list[str]:
    return [text or (planned[place] if place >= 0 else "") for text, place in zip(stated, unit.tolist(), strict=True)]


def _unit_degrees(evidence: Evidence) -> NDArray[Any]:
    return rebuild(fill(evidence.unit_degrees))


# ---- ground


def _subtract(
    outlines: NDArray[Any], others: NDArray[Any], error_m: FloatArray, other_error_m: FloatArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """Return the area of each outline that no other covers, and that none covers within its error either [m2].

    Parameters
    ----------
    outlines, others
        Polygons in degrees.
    error_m
        Error that each outline is compared with.
    other_error_m
        Error of each of the others instead.
    """
    left, beyond = np.zeros(len(outlines)), np.zeros(len(outlines))
    solid = np.flatnonzero(~shapely.is_empty(outlines))
    points = shapely.get_coordinates(shapely.point_on_surface(outlines[solid]))
    tree = shapely.STRtree(others)
    for part in split_site(points[:, 0], points[:, 1]):
        members = solid[part.members]
        local = move_outlines(outlines[members], part.to_local)
        pad = 1e-5 * (float(np.max(error_m if other_error_m is None else other_error_m, initial=0.0)) + 1.0) * 4
        near = np.unique(tree.query(_pad_box(outlines[members], pad)))
        moved = move_outlines(others[near], part.to_local)
        index = shapely.STRtree(moved)
        for member, shape in zip(members.tolist(), local, strict=True):
            reach = error_m[member] if other_error_m is None else float(np.max(other_error_m, initial=0.0))
            close = np.sort(index.query(shape, predicate="dwithin", distance=reach))
            grow = np.full(len(close), reach) if other_error_m is None else other_error_m[near[close]]
            rest = shapely.difference(shape, shapely.union_all(shapely.buffer(moved[close], _EDGE_M)))
            far = shapely.difference(shape, shapely.union_all(shapely.buffer(moved[close], grow + _EDGE_M)))
            pieces = move_outlines(np.array([rest, far], dtype=object), part.to_degrees)
            left[member], beyond[member] = find_geodesic_area_m2(pieces)
    return left, beyond


def _pad_box(outlines: NDArray[Any], pad: float) -> Any:
    """Return the box around outlines in degrees, with a rim."""
    west, south, east, north = shapely.total_bounds(outlines)
    return shapely.box(west - pad * 10, south - pad, east + pad * 10, north + pad)


def _check_season(evidence: Evidence, treated: Treated) -> list[Row]:
    """Check that stated dates are of the season: day and month may have been taken for one another."""
    season = evidence.catalog.season
    if season is None:
        return []
    return [
        violation(f"{label}, date", date, f"a day of season {show_season(season)}")
        for label, date in zip(treated.table["label"], treated.table["date"], strict=True)
        if date and not season.first.isoformat() <= date <= season.last.isoformat()
    ]


def _check_planned(evidence: Evidence, treated: Treated, used: _Used) -> list[Row]:
    """Find treated ground that the plan does not treat, and ground whose approval does not hold."""
    planned = (evidence.units["treatment_id"] != "").to_numpy()
    error = treated.table["accuracy_m"].to_numpy(dtype=float)
    outside, beyond = _subtract(treated.outline, _unit_degrees(evidence)[planned], error)
    system = evidence.system

    def describe(row: int) -> tuple[str, str, str]:
        where = f"{treated.table['label'].iloc[row]}{_name_units(evidence, used.touched[row], planned)}"
        text = f"{show(outside[row], AREA, system)} treated that was not planned"
        return where, text, "ground that the plan treats"

    sure = beyond > _EDGE_M2
    rows = pick_rows(
        sure,
        lambda k: violation(*describe(k), f"{show(beyond[k], AREA, system)} of it {_BEYOND}"),
        beyond,
    )
    rows += pick_rows(~sure & (outside > _EDGE_M2), lambda k: warning(*describe(k), _FIELD_CHECK), outside)
    states = find_states(evidence)
    patches = evidence.units["patch_id"].tolist()
    for row, touched in enumerate(used.touched if states is not None else ()):
        names = dict.fromkeys(patches[place] for place in touched)
        for name in [name for name in names if (states or {}).get(name) not in (None, AS_APPROVED)]:
            found = f"treated on patch {name}, {(states or {})[name]}"
            rows.append(violation(str(treated.table["label"].iloc[row]), found, "ground that was approved"))
    return rows


def _name_units(evidence: Evidence, touched: list[int], planned: BoolArray) -> str:
    names = [str(evidence.units["unit_id"].iloc[place]) for place in touched if not planned[place]]
    return f", on {join_words(names)} (nothing planned)" if names else ""


def _check_left(evidence: Evidence, treated: Treated) -> list[Row]:
    """Find planned ground that was not treated."""
    planned = np.flatnonzero((evidence.units["treatment_id"] != "").to_numpy())
    outline = _unit_degrees(evidence)[planned]
    error = treated.table["accuracy_m"].to_numpy(dtype=float)
    left, beyond = _subtract(outline, treated.outline, np.zeros(len(planned)), error)
    area = find_geodesic_area_m2(outline)
    ids, system = evidence.units["unit_id"].to_numpy()[planned], evidence.system
    whole = left >= area * (1 - 1e-9) - _EDGE_M2
    some = (beyond > np.maximum(_LEFT * area, _EDGE_M2)) & ~whole

    def describe(k: int) -> Row:
        size = show(area[k], AREA, system)
        if whole[k]:
            return warning(f"unit {ids[k]}", f"not treated, {size}", "planned ground treated")
        note = f"{show(beyond[k], AREA, system)} of it {_BEYOND}"
        return warning(f"unit {ids[k]}", f"{show(left[k], AREA, system)} of {size} not treated", size, note)

    return pick_rows(whole | some, describe, left)


# ---- setbacks


def _check_strips(evidence: Evidence, treated: Treated, used: _Used) -> list[Row]:
    """Find treated ground inside a setback that forbids what was used, and say whether the error could explain it."""
    pieces, owner, units, assumed = _cut_by_use(evidence, treated, used)
    field = _as_plan(evidence, pieces, units)
    error = treated.table["accuracy_m"].to_numpy(dtype=float)[owner]
    labels = treated.table["label"].to_numpy(dtype=object)[owner]
    rows: list[Row] = []
    clear = 0
    for item in field.measured:
        if item.setback.forbids is None:
            continue
        any_work = item.setback.forbids.work == "all"  # also where the file does not say what was done
        forbidden = (find_forbidden(field, item.setback) | any_work) & find_closed(field, item)
        doubt = error + item.error_m
        depth = np.full(len(pieces), np.inf) if item.anywhere else item.required_m - item.distance_m
        inside = forbidden & (depth > _EDGE_M) & (item.anywhere | item.meant)
        sure = inside & (depth > doubt)
        clear += int((forbidden & ~inside).sum())
        describe = _describer(field, item, labels, doubt, assumed)
        rows += pick_rows(sure, lambda k, describe=describe: violation(*describe(k, _BEYOND)), depth)  # type: ignore[misc]
        rows += pick_rows(
            inside & ~sure,
            lambda k, describe=describe: warning(*describe(k, _FIELD_CHECK)),  # type: ignore[misc]
            depth,
        )
    unknown = [str(labels[k]) for k in range(len(pieces)) if not units["product_id"].iloc[k] and _is_chemical(units, k)]
    rows += [
        warning(name, "not known what was used", "product_id and method in the file", "setbacks not checked")
        for name in dict.fromkeys(unknown)
    ]
    mixed = [k for k, touched in enumerate(used.touched) if not used.stated[k] and _differ(evidence, touched)]
    rows += [
        warning(
            str(treated.table["label"].iloc[k]),
            "product and method not stated, on units planned with several",
            "product_id and method in the file",
            "each part is taken as planned on its unit",
        )
        for k in mixed
    ]
    return [*rows, info("setbacks", f"{clear} pairs of treated ground and setback that forbids what was used: clear")]


def _is_chemical(units: Any, k: int) -> bool:
    method = units["method"].iloc[k]
    return bool(DELIVERY.get(method, "spot") != "none")


def _differ(evidence: Evidence, touched: list[int]) -> bool:
    names = {evidence.units["treatment_id"].iloc[place] for place in touched} - {""}
    return len(names) > 1


def _cut_by_use(evidence: Evidence, treated: Treated, used: _Used) -> tuple[NDArray[Any], IntArray, Any, list[str]]:
    """Cut features that do not state what was used by the units planned with something else than most of them.

    Returns
    -------
    tuple
        Pieces in degrees, the feature of each, a table of what was used with the columns of units, and a note.
    """
    import pandas as pd

    ground = _unit_degrees(evidence)
    units = evidence.units
    pieces, owner, records, notes = [], [], [], []
    for row, outline in enumerate(treated.outline):
        main = int(used.unit[row])
        own = units["treatment_id"].iloc[main] if main >= 0 else ""
        rest = outline
        if not used.stated[row]:
            for place in used.touched[row]:
                if units["treatment_id"].iloc[place] not in ("", own):
                    pieces.append(shapely.intersection(outline, ground[place]))
                    owner.append(row)
                    records.append(_record(evidence, treated, row, place, as_planned=True, used=used))
                    notes.append(f"taken as planned on {units['unit_id'].iloc[place]}")
                    rest = shapely.difference(rest, shapely.buffer(ground[place], _EDGE_DEGREES))
        pieces.append(rest)
        owner.append(row)
        records.append(_record(evidence, treated, row, main, as_planned=False, used=used))
        taken = "" if used.stated[row] or main < 0 else f"taken as planned on {units['unit_id'].iloc[main]}"
        notes.append(taken)
    return np.array(pieces, dtype=object), np.array(owner, dtype=np.intp), pd.DataFrame(records), notes


def _record(evidence: Evidence, treated: Treated, row: int, place: int, *, as_planned: bool, used: _Used) -> Any:
    """Return what was used on a piece, with the columns of units."""
    units = evidence.units
    day = treated.table["date"].iloc[row]
    planned = units.iloc[place] if place >= 0 else None
    product = planned["product_id"] if as_planned and planned is not None else used.product[row]
    method = planned["method"] if as_planned and planned is not None else used.method[row]
    same = planned is not None and (product, method) == (planned["product_id"], planned["method"])
    return {
        "unit_id": treated.table["label"].iloc[row],
        "product_id": product,
        "method": method,
        "treatment_id": planned["treatment_id"] if same and planned is not None else "",
        "season_from": day or (planned["season_from"] if planned is not None else ""),
        "season_to": day or (planned["season_to"] if planned is not None else ""),
    }


def _as_plan(evidence: Evidence, pieces: NDArray[Any], records: Any) -> Evidence:
    """Return evidence whose units are the treated pieces, so that they are measured like units."""
    import geopandas as gpd

    frame = gpd.GeoDataFrame(records, geometry=list(pieces), crs="EPSG:4326")
    mark = "area_ha" if evidence.system == "metric" else "area_acre"
    frame = frame.assign(**{mark: np.nan, "patch_id": "", "setbacks": "", "status": "planned", "reason": ""})
    delivered = replace(evidence.delivered, layers={**evidence.delivered.layers, "units": frame})
    accuracy = {**evidence.catalog.accuracy_m, "infestations": 0.0}
    return Evidence(delivered, replace(evidence.catalog, accuracy_m=accuracy))


def _describer(field: Evidence, item: Measured, labels: NDArray[Any], doubt: FloatArray, notes: list[str]) -> Any:
    def describe(k: int, verdict: str) -> tuple[str, str, str, str]:
        row, system = field.units.iloc[k], field.system
        what = " by ".join(filter(None, (row["product_id"], row["method"].replace("_", " ")))) or "work"
        where = f"{labels[k]}, setback {item.setback.id}"
        note = "; ".join(text for text in (verdict, notes[k], item.setback.source) if text)
        if item.anywhere:
            return where, what, "nowhere on the site", note
        depth = show_length(float(item.required_m[k] - max(item.distance_m[k], 0.0)), system)
        on = ", on the feature itself" if item.on[k] else ""
        found = f"{what}, {depth} inside the strip along {find_label(field, item, k)}{on}"
        error = show_length(float(doubt[k]), system)
        return where, found, f"{show_length(float(item.required_m[k]), system)} away, error {error}", note

    return describe
