"""In: the path of one file of a plan. Out: what it holds; one that is damaged, foreign or locked raises."""

from __future__ import annotations

import csv
import hashlib
import sqlite3
import zipfile
from contextlib import closing
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeAlias

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

Sheets: TypeAlias = dict[str, list[tuple[Any, ...]]]

_START: Final = 64
_TAIL: Final = 2048


@dataclass(frozen=True)
class Glance:
    """A file seen from outside: its SHA-256, its first and its last bytes."""

    sha256: str
    start: bytes
    tail: bytes


def glance_at(path: Path) -> Glance:
    """Return the hash and both ends of a file."""
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
        file.seek(0)
        start = file.read(_START)
        file.seek(max(path.stat().st_size - _TAIL, 0))
        return Glance(digest, start, file.read())


def _open_database(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=0)


def list_contents(path: Path) -> list[str]:
    """Return the layers and tables of a GeoPackage whose pages are sound."""
    with closing(_open_database(path)) as database:
        names = [str(name) for (name,) in database.execute("SELECT table_name FROM gpkg_contents")]
        (verdict,) = database.execute("PRAGMA quick_check(1)").fetchone()
    if verdict != "ok":
        raise ValueError(str(verdict))
    return names


def read_layer(path: Path, name: str) -> gpd.GeoDataFrame:
    """Return a layer of a GeoPackage, its outlines under the name geometry."""
    import geopandas as gpd
    import pyogrio

    frame = pyogrio.read_dataframe(path, layer=name, use_arrow=False)
    if not isinstance(frame, gpd.GeoDataFrame):
        raise TypeError("a table without geometry where a layer is needed")
    return frame if frame.geometry.name == "geometry" else frame.rename_geometry("geometry")


def read_table(path: Path, name: str) -> pd.DataFrame:
    """Return a table of a GeoPackage in the order that it was written."""
    import pandas as pd

    with closing(_open_database(path)) as database:
        # the name is one of our own constants
        frame = pd.read_sql_query(f'SELECT * FROM "{name}" ORDER BY rowid', database)
    return frame.drop(columns="fid", errors="ignore")


def read_csv(path: Path) -> pd.DataFrame:
    """Return a CSV file with every cell as text."""
    import pandas as pd

    with path.open(encoding="utf-8", newline="") as file:
        lines = list(csv.reader(file, strict=True))
    if not lines:
        raise ValueError("no row")
    width = len(lines[0])
    uneven = next((place for place, line in enumerate(lines) if len(line) != width), None)
    if uneven is not None:
        raise ValueError(f"row {uneven + 1} has {len(lines[uneven])} cells, the first row {width}: cut short?")
    return pd.DataFrame(lines[1:], columns=lines[0], dtype="str")


def read_text(path: Path) -> str:
    """Return a page as text."""
    return path.read_bytes().decode("utf-8")


def read_workbook(path: Path) -> Sheets:
    """Return the sheets of a workbook as rows of cells; ImportError where openpyxl is not installed."""
    openpyxl: Any = import_module("openpyxl")
    with zipfile.ZipFile(path) as archive:
        if archive.testzip() is not None:
            raise ValueError("a part does not match its checksum")
    with closing(openpyxl.load_workbook(path, read_only=True)) as book:
        return {page.title: list(page.iter_rows(values_only=True)) for page in book.worksheets}
