"""In: a delivered plan. Out: findings where what is said twice in it does not agree: layers, words, run.json."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from tussock.base import columns as c
from tussock.base.errors import QuantityError
from tussock.base.units import parse_quantity
from tussock.review.columns import find_places, read_number
from tussock.review.evidence import Evidence
from tussock.review.geometry import RADIUS_M
from tussock.review.rows import Row, info, pick_rows, show_number, violation
from tussock.review.uses_on_ground import find_covered, find_shared
from tussock.wording.rules import describe_forbidden

#: Layer, column as it was read, its size in SI, column as it was used.
_TWICE: Final = (
    ("water", "width_ft", c.LENGTH.us_size, "width_m"),
    ("history", "ae_lb_per_acre", c.DOSE.us_size, "ae_kg_per_ha"),
)
_SIZES: Final = 1e-6
#: Areas in common of two outlines: relative, and of slivers [m2].
_SHARE: Final = 1e-4
_SLIVER_M2: Final = 0.1
#: Columns that name a feature before its name does.
_OTHER_IDS: Final = ("water_id", "receptor_id", "access_id", "feature_id", "id")


def check_repeats(evidence: Evidence) -> list[Row]:
    """Check what a plan says twice: widths, doses, names, overlaps, what rules forbid, options, layers, inputs."""
    rows = [
        *_check_twice(evidence),
        *_check_labels(evidence),
        *_check_overlaps(evidence),
        *_check_shared(evidence),
        *_check_records(evidence),
        *_check_forbids(evidence),
        *_check_options(evidence),
        *_check_layers(evidence),
        *_check_small(evidence),
    ]
    return [*rows, info("folder", "widths, doses, names, overlaps, words of rules, options and layers of run.json")]


def _check_twice(evidence: Evidence) -> list[Row]:
    rows: list[Row] = []
    for layer, told, size, used in _TWICE:
        frame = evidence.delivered.layers.get(layer)
        if frame is None or told not in frame.columns or used not in frame.columns:
            continue
        one, two = read_number(frame, told) * size, read_number(frame, used)
        meant = np.ones(len(frame), dtype=bool)
        if layer == "water":  # only lines have a width; one that is 0 is not known, unless the site says otherwise
            unknown = "width_assumed" in frame.columns and not _is_zero_real(evidence)
            meant = frame.geometry.geom_type.str.contains("Line").to_numpy(dtype=bool)
            meant = meant & ((one > 0) | (read_number(frame, "width_assumed") != 1)) if unknown else meant
            rows += _check_zeros(evidence, meant & (two == 0))
        rows += pick_rows(
            meant & (np.abs(one - two) > _SIZES * np.abs(two)),
            lambda k, layer=layer, told=told, used=used, one=one, two=two, size=size: violation(  # type: ignore[misc]
                f"{layer}, row {k + 1}, {told}",
                show_number(one[k] / size),
                f"{show_number(two[k] / size)}, as {used} says",
            ),
        )
    return rows


def _is_zero_real(evidence: Evidence) -> bool:
    """Tell whether the site says that a width of 0 is none, and not one that is not known."""
    specs = _find_site(evidence).get("layers")
    water = specs.get("water") if isinstance(specs, Mapping) else None
    return isinstance(water, Mapping) and water.get("zero_width") == "none"


def _check_zeros(evidence: Evidence, zero: NDArray[np.bool_]) -> list[Row]:
    """Find lines that were taken without a width although the site does not say that 0 is a width."""
    if _is_zero_real(evidence):
        return []
    return pick_rows(
        zero,
        lambda k: violation(f"water, row {k + 1}, width_m", "0", "a width: 0 stands for one that is not known"),
    )


def _check_labels(evidence: Evidence) -> list[Row]:
    """Check that what distances are said to run from is the name of the feature."""
    rows: list[Row] = []
    for layer in ("water", "receptors", "access"):
        frame = evidence.delivered.layers.get(layer)
        if frame is None or "name" not in frame.columns or "label" not in frame.columns:
            continue
        if any(name in frame.columns for name in _OTHER_IDS):
            continue
        names = frame["name"].where(frame["name"].notna(), "").astype(str).str.split().str.join(" ").tolist()
        labels = frame["label"].astype(str).str.split().str.join(" ").tolist()
        off = np.array([name not in label for name, label in zip(names, labels, strict=True)], dtype=bool)
        rows += pick_rows(
            off,
            lambda k, layer=layer, names=names, labels=labels: violation(  # type: ignore[misc]
                f"{layer}, row {k + 1}, name", names[k], f"the name in its label, {labels[k]}"
            ),
        )
    return rows


def _check_overlaps(evidence: Evidence) -> list[Row]:
    """Check that the layer of overlaps has each pair of patches on one ground, with its area and species."""
    patches = evidence.patches
    layer = evidence.delivered.layers.get("overlaps")
    rows: list[Row] = []
    told: set[tuple[int, int]] = set()
    if layer is not None and {"patch_a", "patch_b", "area_m2", "same_species"} <= set(layer.columns):
        first = find_places(patches["patch_id"], layer["patch_a"].astype(str))
        second = find_places(patches["patch_id"], layer["patch_b"].astype(str))
        known = np.flatnonzero((first >= 0) & (second >= 0))
        if len(known) < len(layer):
            rows.append(violation("overlaps", "a patch that is not there", "the patches of plan.gpkg"))
        one, two = first[known], second[known]
        told = {tuple(sorted(pair)) for pair in zip(one.tolist(), two.tolist(), strict=True)}
        rows += _check_areas(evidence, layer, known, one, two)
    place = evidence.unit_patch
    unit, other, _ = find_shared(evidence)
    pairs = set(zip(place[unit].tolist(), place[other].tolist(), strict=True))
    ids = patches["patch_id"].tolist()
    rows += [
        violation(f"overlaps, {ids[a]} and {ids[b]}", "missing", "each pair of patches on one ground")
        for a, b in sorted(pairs)
        if a < b and (a, b) not in told
    ]
    return rows


def _check_shared(evidence: Evidence) -> list[Row]:
    """Check that the table of shared ground has each two units of two patches on one ground, and the area in common."""
    units, table = evidence.units, evidence.table("unit_shared")
    ids = units["unit_id"].tolist()
    one, two = (find_places(units["unit_id"], table[name]).tolist() for name in ("unit_a", "unit_b"))
    told = {frozenset(pair): k for k, pair in enumerate(zip(one, two, strict=True)) if min(pair) >= 0}
    rows = []
    if len(told) < len(table):
        rows.append(violation("unit_shared", "a unit that is not there, or a pair twice", "each pair of units once"))
    first, second, area = find_shared(evidence)
    least = evidence.catalog.sliver_area_m2 * (1 + _SHARE)
    for a, b, size in zip(first.tolist(), second.tolist(), area.tolist(), strict=True):
        k = told.pop(frozenset((a, b)), -1) if a < b else -2
        where = f"unit_shared, {ids[a]} and {ids[b]}"
        if k == -1 and size > least:
            rows.append(violation(where, "missing", f"{size:.1f} m2 that both stand on"))
        elif k >= 0 and not abs(float(table["area_m2"].iloc[k]) - size) <= _SHARE * size + _SLIVER_M2:
            rows.append(violation(f"{where}, area", f"{table['area_m2'].iloc[k]:.1f} m2", f"{size:.1f} m2"))
    common = _find_common_m2(evidence, [tuple(pair) for pair in told if len(pair) == 2])  # noqa: PLR2004
    rows += [
        violation(f"unit_shared, {ids[a]} and {ids[b]}", "shared ground", f"{size:.1f} m2 in common")
        for (a, b), size in common.items()
        if size < evidence.catalog.sliver_area_m2 * (1 - _SHARE)
    ]
    return rows


def _find_common_m2(evidence: Evidence, pairs: list[tuple[int, ...]]) -> dict[tuple[int, ...], float]:
    one, two = (np.array([pair[k] for pair in pairs], dtype=np.intp) for k in (0, 1))
    area = shapely.area(shapely.intersection(evidence.unit_ground[one], evidence.unit_ground[two]))
    return dict(zip(pairs, (area * evidence.unit_scale[one]).tolist(), strict=True))


def _check_records(evidence: Evidence) -> list[Row]:
    """Check that the table of earlier work names for each unit the records on its ground, and no other."""
    layer, table = evidence.delivered.layers.get("history"), evidence.table("unit_history")
    if layer is None or "label" not in layer.columns:
        return (
            [violation("unit_history", f"{len(table)} rows", "none: the plan has no earlier work")]
            if len(table)
            else []
        )
    ids, labels = evidence.units["unit_id"].tolist(), layer["label"].astype(str).tolist()
    unit, record, area = find_covered(evidence)
    there = {
        (ids[a], labels[b]): size for a, b, size in zip(unit.tolist(), record.tolist(), area.tolist(), strict=True)
    }
    told = set(zip(table["unit_id"], table["record"], strict=True))
    least = evidence.catalog.sliver_area_m2
    rows = [
        violation(f"unit_history, {pair[0]}", f"nothing of {pair[1]}", f"{size:.1f} m2 of it lie there")
        for pair, size in there.items()
        if pair not in told and size > least
    ]
    if len(told) < len(table):
        rows.append(violation("unit_history", "a pair twice", "each pair of unit and record once"))
    touching = set(there) | _find_touching(evidence, ids, labels)
    return rows + [
        violation(f"unit_history, {pair[0]}", str(pair[1]), "records that lie on its ground")
        for pair in sorted(told - touching)
    ]


def _find_touching(evidence: Evidence, ids: list[str], labels: list[str]) -> set[tuple[str, str]]:
    """Return pairs of unit and record that touch at all: ground under the sliver area may have been merged."""
    unit, record = shapely.STRtree(evidence.outlines("history")).query(evidence.unit_ground, predicate="intersects")
    return {(ids[a], labels[b]) for a, b in zip(unit.tolist(), record.tolist(), strict=True)}


def _find_bend_m2(evidence: Evidence, one: Any, two: Any) -> Any:
    """Return the ground in common that cut vertices on the edges of pairs of patches may add or take [m2].

    An edge that is straight in degrees bends away from the shortest way by L2 tan(latitude) / 8 R (the sagitta of a
    circle of latitude); in a projected CRS that is nothing.
    """
    bend = np.zeros(len(evidence.patches))
    if not evidence.crs.is_geographic:
        return bend[one]
    xy, owner = shapely.get_coordinates(evidence.patch_degrees, return_index=True)
    step = np.diff(xy, axis=0)[owner[1:] == owner[:-1]]
    lat = np.radians(xy[1:, 1][owner[1:] == owner[:-1]])
    length = np.radians(np.hypot(step[:, 0] * np.cos(lat), step[:, 1])) * RADIUS_M
    sag = length**2 * np.abs(np.tan(lat)) / (8 * RADIUS_M)
    whose = owner[1:][owner[1:] == owner[:-1]]
    np.maximum.at(bend, whose, sag)
    around = np.bincount(whose, length, minlength=len(bend))
    return np.maximum(bend[one], bend[two]) * np.minimum(around[one], around[two])


def _check_areas(evidence: Evidence, layer: Any, known: Any, one: Any, two: Any) -> list[Row]:
    ground, ids = evidence.patch_ground, evidence.patches["patch_id"].tolist()
    planar = shapely.area(evidence.patch_outline[one])
    scale = np.divide(evidence.patch_area_m2[one], planar, out=np.ones_like(planar), where=planar > 0)
    wanted = shapely.area(shapely.intersection(ground[one], ground[two])) * scale
    found = read_number(layer, "area_m2")[known]
    species = evidence.patches["species"].str.strip().str.casefold().to_numpy(dtype=object)
    same = (species[one] == species[two]) & (species[one] != "")
    said = np.nan_to_num(read_number(layer, "same_species")[known]) > 0
    name = [f"overlaps, {ids[a]} and {ids[b]}" for a, b in zip(one.tolist(), two.tolist(), strict=True)]
    bend = _find_bend_m2(evidence, one, two)
    rows = pick_rows(
        np.abs(found - wanted) > _SHARE * wanted + _SLIVER_M2 + bend,
        lambda k: violation(f"{name[k]}, area_m2", f"{found[k]:.1f}", f"{wanted[k]:.1f}"),
    )
    return rows + pick_rows(
        same != said, lambda k: violation(f"{name[k]}, same_species", str(said[k]).lower(), str(same[k]).lower())
    )


def _check_forbids(evidence: Evidence) -> list[Row]:
    """Check that the layer of zones names what each rule forbids."""
    zones = evidence.table("setback_zones")
    shown = dict(zip(zones["setback_id"].tolist(), zones["forbids"].tolist(), strict=True))
    rows = []
    for _, setback in evidence.catalog.setbacks():
        said = shown.get(setback.id)
        if said is None:
            continue
        wanted = describe_forbidden(setback)
        if said != wanted:
            rows.append(violation(f"setback_zones, {setback.id}, forbids", said or "a blank", wanted or "a blank"))
    return rows


def _find_site(evidence: Evidence) -> Mapping[str, Any]:
    for item in evidence.delivered.run["documents"]:
        if isinstance(item, Mapping) and item.get("role") == "site" and isinstance(item.get("content"), Mapping):
            content: Mapping[str, Any] = item["content"]
            return content
    return {}


def _check_options(evidence: Evidence) -> list[Row]:
    """Check that what run.json says was accepted and closed is what the site document asks for."""
    options = evidence.delivered.run.get("options")
    options = options if isinstance(options, Mapping) else {}
    site = _find_site(evidence)
    header = site.get("site")
    accepted = header.get("accept_out_of_date", []) if isinstance(header, Mapping) else []
    accepted = [accepted] if isinstance(accepted, str) else accepted
    stated = options.get("accept_out_of_date")
    rows = []
    if sorted(map(str, stated or [])) != sorted(map(str, accepted or [])):
        rows.append(violation("run.json, options.accept_out_of_date", str(stated), f"{accepted}, as its site document"))
    closures, wanted = options.get("closures"), site.get("closure", [])
    count = len(closures) if isinstance(closures, list) else 0
    if count != len(wanted):
        rows.append(
            violation("run.json, options.closures", f"{count} closures", f"{len(wanted)}, as its site document")
        )
    return rows


def _check_layers(evidence: Evidence) -> list[Row]:
    """Check datum and default widths of the layers in run.json, and that each layer has its hash among the inputs."""
    run = evidence.delivered.run
    specs = _find_site(evidence).get("layers")
    specs = specs if isinstance(specs, Mapping) else {}
    stated = run.get("layers")
    listed = {
        item.get("name"): item for item in (stated if isinstance(stated, list) else []) if isinstance(item, Mapping)
    }
    roles = {item.get("role") for item in run["inputs"] if isinstance(item, Mapping)}
    rows = []
    for name, spec in specs.items():
        if not isinstance(spec, Mapping):
            continue
        if roles.isdisjoint({f"layer {name}", name}):  # a raster goes by its own name
            rows.append(violation(f"run.json, layer {name}", "not among the inputs", "its SHA-256 among the inputs"))
        item = listed.get(name)
        if item is None:
            continue
        if item.get("datum") != spec.get("datum"):
            rows.append(violation(f"run.json, layers.{name}.datum", str(item.get("datum")), str(spec.get("datum"))))
        widths, wanted = item.get("default_width_m"), spec.get("default_width")
        if not _alike(widths, wanted):
            rows.append(violation(f"run.json, layers.{name}.default_width_m", str(widths), f"{wanted}, as its site"))
    return rows


def _alike(widths: Any, wanted: Any) -> bool:
    widths, wanted = widths or {}, wanted or {}
    if not isinstance(widths, Mapping) or not isinstance(wanted, Mapping) or set(widths) != set(wanted):
        return False
    try:
        sizes = {kind: parse_quantity(str(text), "m") for kind, text in wanted.items()}
        return all(abs(float(widths[kind]) - size) <= _SIZES * size for kind, size in sizes.items())
    except (QuantityError, TypeError, ValueError):
        return False


def _check_small(evidence: Evidence) -> list[Row]:
    """Check the currency of the season, and the patch that the table of hours names for each unit."""
    operations, season = evidence.catalog.operations, evidence.delivered.tables["season"]
    currency = "" if operations is None else operations.currency or ""
    rows = [
        violation("season, cost, unit", unit, currency)
        for item, unit in zip(season["item"].tolist(), season["unit"].tolist(), strict=True)
        if item == "cost" and unit != currency and operations is not None
    ]
    place = evidence.unit_hours_row
    units = evidence.units
    known = np.flatnonzero(place >= 0)
    found = evidence.hours["patch_id"].to_numpy(dtype=object)[place[known]] if len(known) else np.empty(0, object)
    wanted = units["patch_id"].to_numpy(dtype=object)[known]
    ids = units["unit_id"].to_numpy(dtype=object)[known]
    return rows + pick_rows(
        found != wanted, lambda k: violation(f"unit_hours, {ids[k]}, patch_id", str(found[k]), str(wanted[k]))
    )
