"""In: a plan. Out: its files: GeoPackage, tables, workbook, map, crew sheets, compliance report."""

from __future__ import annotations

from tussock.deliver.folder import deliver_plan
from tussock.deliver.webmap import draw_map

__all__ = ["deliver_plan", "draw_map"]
