"""In: true areas, rules, overlaps. Out: `Zoned`: patches cut into units, with the setbacks in force on each.

Cells with many patches are cut in parts, one after another with the memory of one, or on a dask scheduler; see `parts`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import numpy as np

from tussock.base.errors import Fault, InputError
from tussock.base.findings import Finding, findings_table
from tussock.base.kinds import RULED_LAYERS, find_look_out_m, speaks_of_water
from tussock.base.stages import Cell, Measured, Repaired, Site, Zoned
from tussock.wording.outlines import DRAW_ANEW, describe_set_aside
from tussock.zone.cluster import run_on_dask
from tussock.zone.features import Groups
from tussock.zone.layer import draw_setback_zones
from tussock.zone.nearness import MOST_ROWS, choose_rows
from tussock.zone.origin import find_origin, shift_cell
from tussock.zone.parts import PART_PATCHES, SENT_PATCHES, count_parts, split_part
from tussock.zone.rules import BoundRule
from tussock.zone.shared import find_shared_units
from tussock.zone.slopes import add_slope_distances
from tussock.zone.units import Part, PartUnits, bind_part, zone_part

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

Tell = Callable[[str], None]


def zone_patches(
    site: Site,
    repaired: Repaired,
    measured: Measured,
    *,
    partition_size: int | None = None,
    scheduler: str | None = None,
    tell: Tell | None = None,
) -> Zoned:
    """Cut patches into treatment units by the setbacks, earlier applications, shared ground and reach.

    Parameters
    ----------
    site
        Rule sets, treatments, sliver area.
    repaired
        Layers (for their accuracy) and overlaps.
    measured
        Patches in cells, with true areas.
    partition_size
        Most patches that are cut together; by default `PART_PATCHES`, on a scheduler `SENT_PATCHES`. The result does
        not depend on it.
    scheduler
        Address of a dask scheduler to cut on; by default the parts are cut here, one after another.
    tell
        Called with a line for each part done, where there are several.

    Returns
    -------
    Zoned
        Units tile their patch; a point nearer to a feature than a setback is never in a unit without it.

    Raises
    ------
    InputError
        A rule needs a column that a layer does not have; the partition size is not a positive number.
    CutError
        The work of a scheduler was lost.
    MissingExtraError
        A scheduler is named and dask is not installed.
    """
    size = partition_size if partition_size is not None else PART_PATCHES if scheduler is None else SENT_PATCHES
    if size < 1:
        raise InputError(Fault("partition size", str(size), "no positive number", "give the most patches of one part"))
    wholes = [_make_whole(site, repaired, measured, cell) for cell in measured.cells]
    made = [Groups(whole.cell.most_scale) for whole in wholes]
    bound = [bind_part(whole, groups) for whole, groups in zip(wholes, made, strict=True)]
    units, patches, tables = _join(_run(wholes, made, size, scheduler, tell), measured, len(site.setbacks()))
    nearness, reach, unruled = tables
    zones, drawing = draw_setback_zones(site, list(zip(bound, wholes, strict=True)))
    told = [*_describe_rules(site, repaired, bound), *_describe_aside(patches["set_aside"]), *drawing]
    return Zoned(
        patches=patches,
        units=units,
        nearness=add_slope_distances(nearness, site, units["patch_id"], measured.patches),
        reach=reach,
        zones=zones,
        shared=find_shared_units(units, repaired.overlaps, site.options.sliver_area_m2),
        unruled=unruled,
        findings=findings_table(told),
    )


def _make_whole(site: Site, repaired: Repaired, measured: Measured, cell: Cell) -> Part:
    """Return a whole cell as one part."""
    layers = repaired.layers
    accuracy = {
        name: (layers[name].accuracy_m or 0.0) if name in layers else 0.0
        for name in ("infestations", "water", "receptors")
    }
    pairs = zip(repaired.overlaps["patch_a"], repaired.overlaps["patch_b"], strict=True)
    own = cell.patches.index
    origin = find_origin(cell)
    return Part(
        cell=shift_cell(cell, origin),
        origin=origin,
        patches=measured.patches.loc[own],
        setbacks=tuple(site.setbacks()),
        treatments=site.treatments or (),
        accuracy_m={str(name): value for name, value in accuracy.items()},
        paths={str(name): layer.path for name, layer in layers.items()},
        overlaps=tuple(pair for pair in pairs if pair[0] in own or pair[1] in own),
        sliver_area_m2=site.options.sliver_area_m2,
        every_row=len(measured.patches) * len(site.setbacks()) <= MOST_ROWS,
        rulesets=site.rulesets,
        look_out_m={
            name: find_look_out_m(layers[name].frame, name, site.rulesets) for name in RULED_LAYERS if name in layers
        },
    )


def _run(
    wholes: list[Part], made: list[Groups], size: int, scheduler: str | None, tell: Tell | None
) -> Iterator[PartUnits]:
    """Cut all parts; they come in any order."""
    total = sum(count_parts(len(whole.cell.patches), size) for whole in wholes)
    say = tell if tell is not None and total > 1 else _say_nothing
    if scheduler is not None:
        jobs = (part for whole in wholes for part in split_part(whole, size))
        results: Iterator[PartUnits] = run_on_dask(zone_part, jobs, scheduler)
    else:
        results = (
            zone_part(part, groups if part is whole else None)
            for whole, groups in zip(wholes, made, strict=True)
            for part in split_part(whole, size)
        )
    for number, result in enumerate(results, start=1):
        say(f"part {number} of {total} is cut")
        yield result


def _join(
    results: Iterator[PartUnits], measured: Measured, rules: int
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, list[pd.DataFrame]]:
    """Put parts together: units and patches in the order of the patches, what was measured in that of the units."""
    import geopandas as gpd
    import pandas as pd

    parts = list(results)
    crs, order = measured.patches.crs, {name: place for place, name in enumerate(measured.patches.index)}
    units = pd.concat([part.units for part in parts])
    units = units.sort_values("patch_id", key=lambda ids: ids.map(order), kind="stable")
    patches = pd.concat([part.patches for part in parts]).loc[measured.patches.index]
    nearness = pd.concat([part.nearness for part in parts], ignore_index=True)
    if len(units) * rules > MOST_ROWS:
        nearness = nearness.iloc[choose_rows(nearness)]
    reach = pd.concat([part.reach for part in parts], ignore_index=True)
    unruled = pd.concat([part.unruled for part in parts], ignore_index=True)
    tables = [_sort_by_unit(table, units.index) for table in (nearness, reach, unruled)]
    return gpd.GeoDataFrame(units, crs=crs), gpd.GeoDataFrame(patches, crs=crs), tables


def _sort_by_unit(table: pd.DataFrame, order: pd.Index[str]) -> pd.DataFrame:
    """Return a table with the rows of one unit after those of another, in the order of the units."""
    import pandas as pd

    rank = pd.Series(np.arange(len(order)), index=order)
    by_unit = np.argsort(rank.reindex(table["unit_id"]).to_numpy(), kind="stable")
    return table.iloc[by_unit].reset_index(drop=True)


def _describe_aside(reasons: pd.Series[str]) -> list[Finding]:
    """Name the patches that could not be cut."""
    done = f"set aside: nothing is planned there; {DRAW_ANEW}"
    told = reasons[reasons != ""].items()
    return [Finding("zone", "infestations", str(name), describe_set_aside(why), done) for name, why in told]


def _describe_rules(site: Site, repaired: Repaired, bound: list[list[BoundRule]]) -> list[Finding]:
    """Say which rules met no feature, and where a layer stands for another line than a rule asks for."""
    findings = []
    for place, (_, setback) in enumerate(site.setbacks()):
        groups = [rules[place].group for rules in bound]
        if all(group is not None and not len(group) for group in groups):
            done = "in force nowhere on this site; check the kinds if that surprises"
            findings.append(Finding("zone", "rules", setback.id, "no mapped feature is meant by it", done, "info"))
        layer = repaired.layers.get(setback.source_filter.layer) if setback.source_filter else None
        if setback.datum and layer is not None and layer.datum and setback.datum.casefold() != layer.datum.casefold():
            what = f'the rule runs from "{setback.datum}", the layer {layer.name} shows "{layer.datum}"'
            done = "measured from the mapped line; check in the field"
            findings.append(Finding("zone", "rules", setback.id, what, done))
    if not speaks_of_water(site.rulesets, repaired.layers["water"].frame["kind"]):
        done = "no herbicide is planned: a plan without setbacks cannot be checked"
        what = "no loaded rule speaks of water" if site.setbacks() else "no rule is loaded"
        findings.append(Finding("zone", "rules", "catalog.rules", what, done))
    return findings


def _say_nothing(_: str) -> None:
    """Take a line and say nothing."""
