"""In: a folder that a plan was written into. Out: `Delivered`, and a finding for each file that is not as it should be."""

from __future__ import annotations

import csv
import hashlib
import json
import sqlite3
import warnings
import zipfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tussock.review.delivered import CSV_FILES, FILES, LAYERS, MORE_LAYERS, TABLES, Delivered
from tussock.review.rows import Row, info, violation, warning

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

#: Versions of plans that this review knows how to read (major and minor).
KNOWN_VERSIONS: Final = ("0.1",)
_SQLITE_HEAD: Final = b"SQLite format 3\x00"
#: What the start and the end of each kind of file look like; b"" where anything goes.
_MARKS: Final = {
    ".gpkg": (_SQLITE_HEAD, b""),
    ".xlsx": (b"PK", b""),
    ".pdf": (b"%PDF-", b"%%EOF"),
    ".html": (b"<", b"</html>"),
}
_TAIL: Final = 2048
_NAME = "run.json"


class _Loader:
    """Collects what a folder holds; every method turns what goes wrong into a finding."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.rows: list[Row] = []
        self.unread: dict[str, str] = {}

    def refuse(self, name: str, found: str, expected: str = "") -> None:
        """Note that a file cannot be used."""
        self.unread[name] = found
        self.rows.append(violation(name, found, expected, "what rests on it is not checked"))

    @contextmanager
    def guard(self, name: str) -> Iterator[None]:
        """Turn whatever a damaged file makes a reader raise into one finding."""
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # a damaged file makes GDAL warn as well as fail
                yield
        except Exception as error:  # noqa: BLE001  (a foreign file can make a reader raise anything)
            text = " ".join(str(error).split())[:200]
            self.refuse(name, f"cannot be read ({text or type(error).__name__})", "a file as the plan wrote it")


def load_folder(folder: Path) -> Delivered:
    """Read a plan folder.

    Parameters
    ----------
    folder
        What a plan was written into.

    Returns
    -------
    Delivered
        Whatever could be read. Missing, empty, cut short, foreign and locked files are findings in ``rows``.
    """
    loader = _Loader(folder)
    if not folder.is_dir():
        loader.refuse(str(folder), "no such folder" if not folder.exists() else "a file", "a folder with a plan")
        return Delivered(folder, unread=loader.unread, rows=tuple(loader.rows))
    run = _read_run(loader)
    if run is None:
        return Delivered(folder, unread=loader.unread, rows=tuple(loader.rows))
    hashes = _check_files(loader, run)
    layers: dict[str, gpd.GeoDataFrame] = {}
    tables: dict[str, pd.DataFrame] = {}
    if "plan.gpkg" in hashes and "plan.gpkg" not in loader.unread:
        layers, tables = _read_geopackage(loader, folder / "plan.gpkg")
    listed = {name: _read_csv(loader, folder / name) for name in CSV_FILES if _usable(loader, hashes, name)}
    sheets = _read_workbook(loader, folder / "plan.xlsx") if _usable(loader, hashes, "plan.xlsx") else None
    texts = {
        name: _read_text(loader, folder / name)
        for name in hashes
        if name.endswith(".html") and name not in loader.unread
    }
    return Delivered(
        folder=folder,
        run=run,
        layers=layers,
        tables=tables,
        csv={name: frame for name, frame in listed.items() if frame is not None},
        sheets=sheets,
        texts=texts,
        hashes=hashes,
        unread=loader.unread,
        rows=tuple(loader.rows),
    )


def _usable(loader: _Loader, hashes: dict[str, str], name: str) -> bool:
    return name in hashes and name not in loader.unread


def _read_run(loader: _Loader) -> dict[str, Any] | None:
    """Return run.json; None where it is not there or not one that this review can read."""
    path = loader.folder / _NAME
    if not path.is_file():
        loader.refuse(_NAME, "missing", "the file that says how the plan was made")
        return None
    content: Any = None
    with loader.guard(_NAME):
        content = json.loads(path.read_bytes())
    if _NAME in loader.unread:
        return None
    if not isinstance(content, dict) or "tussock" not in content:
        loader.refuse(_NAME, "not a run file", "the file that says how the plan was made")
        return None
    version = str(content["tussock"])
    if ".".join(version.split(".")[:2]) not in KNOWN_VERSIONS:
        known = " or ".join(f"{item}.x" for item in KNOWN_VERSIONS)
        loader.refuse(_NAME, f"a plan of version {version}", f"version {known}: make the plan anew, or review it there")
        return None
    needed = {"documents": list, "inputs": list, "outputs": dict, "crs": dict}
    missing = [key for key, kind in needed.items() if not isinstance(content.get(key), kind)]
    if missing:
        loader.refuse(_NAME, f"without {', '.join(missing)}", "a run file as the plan wrote it")
        return None
    return content


def _check_files(loader: _Loader, run: dict[str, Any]) -> dict[str, str]:
    """Return the hash of every file that is there; missing, empty, cut short and foreign ones are findings."""
    left_out = run.get("left_out")
    left_out = left_out if isinstance(left_out, dict) else {}
    wanted = dict.fromkeys([*FILES, *run["outputs"]])
    hashes: dict[str, str] = {}
    for name in wanted:
        path = loader.folder / name
        if Path(name).name != name:
            loader.refuse(name, "a path in the list of outputs", "the name of a file in the folder")
        elif not path.is_file():
            if name in left_out:
                loader.rows.append(
                    info(name, "not checked: left out when the plan was written", "", str(left_out[name]))
                )
            else:
                loader.refuse(name, "missing", "the file as the plan wrote it")
        else:
            _check_file(loader, path, hashes)
    for item in sorted(loader.folder.iterdir()):
        if item.name not in wanted:
            note = "not of the plan, not checked; take it out of the folder before it is passed on"
            loader.rows.append(warning(item.name, "a file that run.json does not list", "", note))
    return hashes


def _check_file(loader: _Loader, path: Path, hashes: dict[str, str]) -> None:
    head, end = _MARKS.get(path.suffix, (b"", b""))
    size = path.stat().st_size
    if size == 0:
        loader.refuse(path.name, "an empty file", "the file as the plan wrote it")
        return
    with loader.guard(path.name), path.open("rb") as file:
        hashes[path.name] = hashlib.file_digest(file, "sha256").hexdigest()
        file.seek(0)
        start = file.read(64).lstrip()
        file.seek(max(size - _TAIL, 0))
        tail = file.read()
    if path.name in loader.unread:
        return
    if not start.startswith(head):
        loader.refuse(path.name, f"a foreign file (it starts with {start[:8]!r})", f"a {path.suffix[1:]} file")
    elif end not in tail:
        loader.refuse(path.name, "cut short", f"a file that ends with {end.decode()}")


def _read_geopackage(loader: _Loader, path: Path) -> tuple[dict[str, gpd.GeoDataFrame], dict[str, pd.DataFrame]]:
    names: list[str] = []
    with loader.guard(path.name):
        try:
            names = _list_contents(path)
        except sqlite3.OperationalError as error:
            if "locked" in str(error):
                loader.refuse(path.name, "locked by another program", "close the file there and review again")
                return {}, {}
            raise
    if path.name in loader.unread:
        return {}, {}
    layers: dict[str, gpd.GeoDataFrame] = {}
    tables: dict[str, pd.DataFrame] = {}
    for name in (*LAYERS, *MORE_LAYERS):
        _take(loader, path, name, names, layers, _read_layer, needed=name in LAYERS)
    for name in TABLES:
        _take(loader, path, name, names, tables, _read_table, needed=True)
    return layers, tables


def _list_contents(path: Path) -> list[str]:
    """Return the tables of a GeoPackage; raises where the file is damaged or locked."""
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=0)) as database:
        names = [str(name) for (name,) in database.execute("SELECT table_name FROM gpkg_contents")]
        (verdict,) = database.execute("PRAGMA quick_check(1)").fetchone()
    if verdict != "ok":
        raise ValueError(str(verdict))
    return names


def _take(
    loader: _Loader,
    path: Path,
    name: str,
    names: list[str],
    taken: dict[str, Any],
    read: Callable[[Path, str], Any],
    *,
    needed: bool,
) -> None:
    """Read one layer or table, where it is there."""
    where = f"{path.name}, {name}"
    if name not in names:
        if needed:
            loader.refuse(where, "missing", "the layer or table as the plan wrote it")
        return
    with loader.guard(where):
        taken[name] = read(path, name)


def _read_layer(path: Path, name: str) -> gpd.GeoDataFrame:
    import geopandas as gpd
    import pyogrio

    frame = pyogrio.read_dataframe(path, layer=name, use_arrow=False)
    if not isinstance(frame, gpd.GeoDataFrame):
        raise TypeError("a table without geometry where a layer is needed")
    if frame.geometry.name != "geometry":
        frame = frame.rename_geometry("geometry")
    return frame


def _read_table(path: Path, name: str) -> pd.DataFrame:
    import pandas as pd

    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=0)) as database:
        # the name is one of our own constants
        return pd.read_sql_query(f'SELECT * FROM "{name}" ORDER BY rowid', database).drop(
            columns="fid", errors="ignore"
        )


def _read_csv(loader: _Loader, path: Path) -> pd.DataFrame | None:
    """Return a CSV file with every cell as text; None where it is no table."""
    import pandas as pd

    frame: pd.DataFrame | None = None
    with loader.guard(path.name):
        with path.open(encoding="utf-8", newline="") as file:
            lines = list(csv.reader(file, strict=True))
        uneven = [place for place, line in enumerate(lines, start=1) if len(line) != len(lines[0])]
        if uneven:
            raise ValueError(
                f"row {uneven[0]} has {len(lines[uneven[0] - 1])} cells, the first row {len(lines[0])}: cut short?"
            )
        frame = pd.DataFrame(lines[1:], columns=lines[0], dtype="str")
    return frame


def _read_text(loader: _Loader, path: Path) -> str:
    text = ""
    with loader.guard(path.name):
        text = path.read_bytes().decode("utf-8")
    return text


def _read_workbook(loader: _Loader, path: Path) -> dict[str, list[tuple[Any, ...]]] | None:
    """Return the sheets of the workbook as rows of cells; None where it cannot be read."""
    try:
        import openpyxl
    except ImportError:
        loader.rows.append(info(path.name, "not checked: the package openpyxl is not installed"))
        return None
    sheets: dict[str, list[tuple[Any, ...]]] | None = None
    with loader.guard(path.name):
        if zipfile.ZipFile(path).testzip() is not None:
            raise ValueError("damaged: a part does not match its checksum")
        with closing(openpyxl.load_workbook(path, read_only=True)) as book:
            sheets = {page.title: list(page.iter_rows(values_only=True)) for page in book.worksheets}
    return sheets
