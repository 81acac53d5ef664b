"""In: a plan. Out: its files: GeoPackage, tables, workbook, map, crew sheets, compliance report.

The writers are loaded when they are called: maps, PDF and workbooks bring heavy libraries.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from tussock.base.stages import PlanTables

if TYPE_CHECKING:
    import folium

__all__ = ["deliver_plan", "draw_map"]


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
