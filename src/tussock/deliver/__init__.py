"""In: a plan. Out: its files: GeoPackage, tables, workbook, map, crew sheets, compliance report.

The writers are loaded when they are called: maps, PDF and workbooks bring heavy libraries.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tussock.base.stages import PlanTables

if TYPE_CHECKING:
    import folium

    from tussock.deliver.charts import Chart
    from tussock.deliver.patch_view import PatchView

__all__ = ["check_folder", "deliver_plan", "draw_chart", "draw_map", "export_folder", "export_plan", "view_patch"]


def check_folder(folder: Path) -> None:
    """Refuse a folder that a plan could not be written into; see `folder.check_folder`."""
    from tussock.deliver import folder as writer

    writer.check_folder(folder)


def deliver_plan(plan: PlanTables, folder: Path, tell: Callable[[str], None]) -> Path:
    """Write a plan into a folder, all of it or nothing, and return the folder.

    Raises
    ------
    OutputError
        The folder cannot be written.
    """
    from tussock.deliver import folder as writer

    return writer.deliver_plan(plan, folder, tell)


def draw_map(plan: PlanTables, *, public: bool = False, base: Path | None = None) -> folium.Map:
    """Return the map of a plan.

    Parameters
    ----------
    plan
        The plan.
    public
        Leave protected receptors out, and every edge and figure that would give their place away.
    base
        A GeoTIFF or MBTiles file to show underneath; it is taken into the page.
    """
    from tussock.deliver import webmap

    return webmap.draw_map(plan, public=public, base=base)


def export_folder(folder: Path, formats: Sequence[str], out: Path, *, replace: bool = False) -> list[Path]:
    """Export a delivered folder to the formats of other programs; see `exports.export_folder`."""
    from tussock.deliver import exports

    return exports.export_folder(folder, formats, out, replace=replace)


def export_plan(plan: PlanTables, formats: Sequence[str], out: Path, *, replace: bool = False) -> list[Path]:
    """Export a plan that need not be delivered; see `exports.export_folder`."""
    from tussock.deliver import exports

    return exports.export_plan(plan, formats, out, replace=replace)


def draw_chart(plan: PlanTables, name: str) -> Chart:
    """Draw a chart of a plan; see `charts.draw_chart`."""
    from tussock.deliver import charts

    return charts.draw_chart(plan, name)


def view_patch(plan: PlanTables, patch_id: str) -> PatchView:
    """Return all that a plan says about one patch; see `patch_view.view_patch`."""
    from tussock.deliver import patch_view

    return patch_view.view_patch(plan, patch_id)
