"""In: a folder that a plan was written into. Out: `Delivered`: its tables and outlines as the files hold them.

Nothing that stands in the folder makes this fail: what cannot be read is one finding, and what rests on it is not
checked.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tussock.review.rows import Row

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

#: Layers of plan.gpkg that every plan has, and those that it has where the site has them.
LAYERS: Final = ("patches", "units", "setback_zones", "water")
MORE_LAYERS: Final = ("receptors", "access", "history", "overlaps")
#: Tables of plan.gpkg without geometry that every plan has, and those that it has where there is something in them.
TABLES: Final = (
    "options",
    "compliance",
    "season",
    "unit_setbacks",
    "unit_checks",
    "unit_history",
    "unit_shared",
    "unit_products",
)
MORE_TABLES: Final = ("unit_hours", "unit_windows", "stems", "kinds", "unruled", "permits", "findings", "about")
#: CSV files, and the table that each repeats.
CSV_FILES: Final[Mapping[str, str]] = {
    "patch_budget.csv": "patches",
    "unit_budget.csv": "units",
    "product_budget.csv": "product_budget",
    "compliance.csv": "compliance",
}
#: Files that a plan folder has in any case; the others are those that run.json lists.
FILES: Final = ("plan.gpkg", *CSV_FILES, "map.html", "compliance.html", "run.json")
#: Files that it has too, unless run.json says why one was left out.
WRITTEN: Final = ("plan.xlsx", "crew_sheets.pdf", "compliance.pdf", "charts.html")
#: Files that need no extra package, so that none is ever left out.
NEVER_LEFT_OUT: Final = ("plan.gpkg", "patch_budget.csv", "unit_budget.csv", "product_budget.csv", "run.json")
#: Files of a plan with treatments.
FORMS: Final = ("proposal.csv", "proposal.pdf", "record.csv", "record.pdf")


@dataclass(frozen=True)
class Delivered:
    """What a plan folder holds.

    Attributes
    ----------
    folder
        The folder.
    run
        Content of run.json; empty where it could not be read.
    layers, tables
        Layers and tables of plan.gpkg, as they stand there.
    csv
        CSV files, every cell as text.
    sheets
        Sheets of plan.xlsx, every cell as it stands; None where the workbook was not read.
    texts
        HTML files, as text.
    hashes
        SHA-256 of each file that is there and not empty.
    unread
        What could not be read: name of a file, layer or table, and why.
    rows
        Findings made on the way.
    """

    folder: Path
    run: Mapping[str, Any] = field(default_factory=dict)
    layers: Mapping[str, gpd.GeoDataFrame] = field(default_factory=dict)
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    csv: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    sheets: Mapping[str, list[tuple[Any, ...]]] | None = None
    texts: Mapping[str, str] = field(default_factory=dict)
    hashes: Mapping[str, str] = field(default_factory=dict)
    unread: Mapping[str, str] = field(default_factory=dict)
    rows: tuple[Row, ...] = ()
