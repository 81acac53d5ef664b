"""In: a plan and the id of a patch. Out: all that the plan says about that one patch, to look at in a notebook."""

from __future__ import annotations

import difflib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from tussock.base.errors import Fault, InputError
from tussock.base.stages import PlanTables
from tussock.deliver.cautions import CAUTIONS, NOT_READY
from tussock.deliver.escape import escape_html
from tussock.deliver.tables import csv_text, list_cells

if TYPE_CHECKING:
    import folium
    import geopandas as gpd
    import pandas as pd

_SHOWN: Final = ("unit_id", "status", "allowed_use", "method", "product_id", "season_from", "season_to", "reason")
_FIGURES: Final = ("area_", "infested_", "spray_", "product_", "crew_", "cost")
_NOT_SHOWN: Final = ("_low", "_high", "product_id", "spray_seconds", "_per_", "product_cost", "area_counted")
_NEAR: Final = 3


@dataclass(frozen=True)
class PatchView:
    """One patch of a plan; it shows itself in a notebook: a map of it, and a table of its units.

    Attributes
    ----------
    patch, units
        Its rows of the plan, as GeoDataFrames.
    options, compliance
        Every candidate judged on its units; every distance measured for them.
    map
        The map of the plan with this patch alone, zoomed to it.
    """

    patch: gpd.GeoDataFrame
    units: gpd.GeoDataFrame
    options: pd.DataFrame
    compliance: pd.DataFrame
    map: folium.Map

    def _repr_html_(self) -> str:
        """Return table and map for a notebook."""
        row = self.patch.iloc[0]
        title = f"Patch {row['patch_id']}: {row['species']}, {row['status']}"
        words = f"{NOT_READY}. {CAUTIONS[0]}"
        table = _show_units(self.units)
        return f"<h3>{escape_html(title)}</h3><p>{escape_html(words)}</p>{table}{self.map._repr_html_()}"


def view_patch(plan: PlanTables, patch_id: str) -> PatchView:
    """Return all that a plan says about one patch.

    Parameters
    ----------
    plan
        What `tussock.make_plan` returned.
    patch_id
        Its id, as the mapper gave it.

    Raises
    ------
    InputError
        The plan has no such patch; those of a similar name are listed.
    """
    from tussock.deliver.webmap import draw_map

    ids = [str(item) for item in plan.patches["patch_id"]]
    if str(patch_id) not in ids:
        near = difflib.get_close_matches(str(patch_id), ids, n=_NEAR, cutoff=0.5) or ids[:_NEAR]
        listed = ", ".join(f'"{item}"' for item in near)
        raise InputError(
            Fault("plan", "patch_id", f'"{patch_id}"', f"no such patch among {len(ids)}; such as {listed}")
        )
    mine = plan.units["patch_id"].astype(str) == str(patch_id)
    units = plan.units[mine].reset_index(drop=True)
    alone = replace(
        plan,
        patches=_pick(plan.patches, "patch_id", [patch_id]),
        units=units,
        options=_pick(plan.options, "unit_id", units["unit_id"]),
        compliance=_pick(plan.compliance, "unit_id", units["unit_id"]),
    )
    return PatchView(alone.patches, units, alone.options, alone.compliance, draw_map(alone))


def _pick(frame: Any, column: str, values: Any) -> Any:
    return frame[frame[column].astype(str).isin([str(value) for value in values])].reset_index(drop=True)


def _show_units(units: gpd.GeoDataFrame) -> str:
    names = sorted((name for name in units.columns if _is_shown(str(name))), key=lambda name: name == "reason")
    cells = list_cells(units[[*names]])
    heads = "".join(f"<th>{escape_html(name)}</th>" for name in cells)
    rows = "".join(
        "<tr>" + "".join(f"<td>{escape_html(_show(cell))}</td>" for cell in row) + "</tr>"
        for row in zip(*cells.values(), strict=True)
    )
    return f"<table><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>"


def _is_shown(name: str) -> bool:
    return name in _SHOWN or (name.startswith(_FIGURES) and not any(part in name for part in _NOT_SHOWN))


def _show(cell: Any) -> str:
    if isinstance(cell, float):
        return f"{cell:.4g}"
    return cell if isinstance(cell, str) else csv_text(cell)
