"""In: a folder that a plan was written into. Out: `Delivered`, with a finding for each file that is amiss."""

from __future__ import annotations

import json
import sqlite3
import warnings
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from tussock.base.approval import APPROVAL_FILE
from tussock.review import readers
from tussock.review.delivered import (
    CSV_FILES,
    FILES,
    FORMS,
    LAYERS,
    MORE_LAYERS,
    MORE_TABLES,
    NEVER_LEFT_OUT,
    TABLES,
    WRITTEN,
    Delivered,
)
from tussock.review.rows import Row, info, violation, warning

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

ResultT = TypeVar("ResultT")

#: Format of plan folders that this review knows how to read.
KNOWN_FORMAT: Final = 1
RUN_FILE: Final = "run.json"
GEOPACKAGE: Final = "plan.gpkg"
WORKBOOK: Final = "plan.xlsx"
#: Files that a database plays back into plan.gpkg when it is opened next.
PLAYED_BACK: Final = (f"{GEOPACKAGE}-wal", f"{GEOPACKAGE}-journal")
#: What the start and the end of each kind of file look like; b"" where anything goes.
_MARKS: Final = {
    ".gpkg": (b"SQLite format 3\x00", b""),
    ".xlsx": (b"PK", b""),
    ".pdf": (b"%PDF-", b"%%EOF"),
    ".html": (b"<", b"</html>"),
}
_AS_WRITTEN: Final = "the file as the plan wrote it"


class _Loader:
    """Collects what a folder holds; whatever goes wrong becomes a finding."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.rows: list[Row] = []
        self.unread: dict[str, str] = {}
        self.hashes: dict[str, str] = {}

    def refuse(self, name: str, found: str, expected: str = _AS_WRITTEN) -> None:
        """Note that a file cannot be used."""
        self.unread[name] = found
        self.rows.append(violation(name, found, expected, "what rests on it is not checked"))

    def attempt(self, name: str, read: Callable[[], ResultT]) -> ResultT | None:
        """Return what a reader returns; whatever a damaged file makes it raise is one finding, and None."""
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # a damaged file makes GDAL warn as well as fail
                return read()
        except Exception as error:  # noqa: BLE001  (a foreign file can make a reader raise anything)
            if isinstance(error, sqlite3.OperationalError) and "locked" in str(error):
                self.refuse(name, "locked by another program", "close the file there and review again")
                return None
            text = " ".join(str(error).split())[:200] or type(error).__name__
            self.refuse(name, f"cannot be read ({text})", _AS_WRITTEN)
            return None

    def usable(self, name: str) -> bool:
        """Tell whether a file is there and was not refused."""
        return name in self.hashes and name not in self.unread

    def finish(self, **parts: Any) -> Delivered:
        """Return what was loaded."""
        found: dict[str, Any] = {"hashes": self.hashes, "unread": self.unread, "rows": tuple(self.rows)}
        return Delivered(folder=self.folder, **found, **parts)


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
        return loader.finish()
    run = _read_run(loader)
    if run is None:
        return loader.finish()
    _check_files(loader, run)
    layers, tables = _read_geopackage(loader) if loader.usable(GEOPACKAGE) else ({}, {})
    pages = [name for name in loader.hashes if name.endswith(".html")]
    return loader.finish(
        run=run,
        layers=layers,
        tables=tables,
        csv=_read_each(loader, list(CSV_FILES), readers.read_csv),
        sheets=_read_workbook(loader) if loader.usable(WORKBOOK) else None,
        texts=_read_each(loader, pages, readers.read_text),
    )


def _read_run(loader: _Loader) -> dict[str, Any] | None:
    """Return run.json; None where it is not there or not one that this review can read."""
    path = loader.folder / RUN_FILE
    what = "the file that says how the plan was made"
    if not path.is_file():
        loader.refuse(RUN_FILE, "missing", what)
        return None
    content: Any = loader.attempt(RUN_FILE, lambda: json.loads(path.read_bytes()))
    if RUN_FILE in loader.unread:
        return None
    if not isinstance(content, dict) or "tussock" not in content:
        loader.refuse(RUN_FILE, "not a run file", what)
        return None
    if content.get("format") != KNOWN_FORMAT or isinstance(content["format"], bool):
        loader.refuse(RUN_FILE, *_describe_format(content))
        return None
    needed = {"documents": list, "inputs": list, "outputs": dict, "crs": dict}
    missing = [key for key, kind in needed.items() if not isinstance(content.get(key), kind)]
    if missing:
        loader.refuse(RUN_FILE, f"without {', '.join(missing)}", what)
        return None
    return content


def _describe_format(content: dict[str, Any]) -> tuple[str, str]:
    """Say which format a folder has that cannot be read, and what to do."""
    given, version = content.get("format"), content["tussock"]
    here = f"format {KNOWN_FORMAT}"
    if given is None:
        return f"a plan of version {version}, older than {here}", f"{here}: make the plan anew with this version"
    if isinstance(given, int) and not isinstance(given, bool) and given > KNOWN_FORMAT:
        return f"a plan of version {version}, format {given}, newer than {here}", f"{here}: review it with that version"
    return f"a plan of version {version}, format {given!r}", f"{here}: make the plan anew with this version"


def _check_files(loader: _Loader, run: dict[str, Any]) -> None:
    """Look at every file from outside: missing, empty, cut short, foreign, and those that are not of the plan."""
    left_out = run.get("left_out")
    left_out = left_out if isinstance(left_out, dict) else {}
    treated = any(isinstance(item, dict) and item.get("role") == "treatments" for item in run["documents"])
    wanted = dict.fromkeys([*FILES, *WRITTEN, *(FORMS if treated else ()), *map(str, run["outputs"])])
    for name in wanted:
        path = loader.folder / name
        if Path(name).name != name:
            loader.refuse(name, "a path in the list of outputs", "the name of a file in the folder")
        elif path.is_file():
            _check_file(loader, path)
        elif name in left_out:
            say = violation if name in NEVER_LEFT_OUT else warning
            loader.rows.append(say(name, "not checked: left out when the plan was written", "", str(left_out[name])))
        else:
            loader.refuse(name, "missing")
    for item in sorted(loader.folder.iterdir()):
        if item.name in PLAYED_BACK and item.stat().st_size:
            found = f"changes that the hash of {GEOPACKAGE} does not hold"
            loader.rows.append(violation(item.name, found, "none", "close it in other programs and review again"))
        elif item.name not in wanted and item.name != APPROVAL_FILE:
            note = "not of the plan, not checked; take it out of the folder before it is passed on"
            loader.rows.append(warning(item.name, "a file that run.json does not list", "", note))


def _check_file(loader: _Loader, path: Path) -> None:
    head, end = _MARKS.get(path.suffix, (b"", b""))
    if path.stat().st_size == 0:
        loader.refuse(path.name, "an empty file")
        return
    seen = loader.attempt(path.name, lambda: readers.glance_at(path))
    if seen is None:
        return
    loader.hashes[path.name] = seen.sha256
    if not seen.start.lstrip().startswith(head):
        found = f"a foreign file (it starts with {seen.start[:8]!r})"
        loader.refuse(path.name, found, f"a {path.suffix[1:]} file")
    elif end not in seen.tail:
        loader.refuse(path.name, "cut short", f"a file that ends with {end.decode()}")


def _read_geopackage(loader: _Loader) -> tuple[dict[str, gpd.GeoDataFrame], dict[str, pd.DataFrame]]:
    path = loader.folder / GEOPACKAGE
    names = loader.attempt(GEOPACKAGE, lambda: readers.list_contents(path))
    layers: dict[str, gpd.GeoDataFrame] = {}
    tables: dict[str, pd.DataFrame] = {}
    known = {*LAYERS, *MORE_LAYERS, *TABLES, *MORE_TABLES, "layer_styles"}
    for name in sorted(set(names or ()) - known):
        note = "someone may take it for what was planned; take it out of the file"
        loader.rows.append(violation(f"{GEOPACKAGE}, {name}", "a layer or table that no plan has", "", note))
    for name in () if names is None else (*LAYERS, *MORE_LAYERS, *TABLES, *MORE_TABLES):
        where = f"{GEOPACKAGE}, {name}"
        if name not in (names or ()):
            if name not in (*MORE_LAYERS, *MORE_TABLES):
                loader.refuse(where, "missing", "the layer or table as the plan wrote it")
            continue
        if name in (*TABLES, *MORE_TABLES):
            table = loader.attempt(where, lambda name=name: readers.read_table(path, name))  # type: ignore[misc]
            tables |= {} if table is None else {name: table}
        else:
            layer = loader.attempt(where, lambda name=name: readers.read_layer(path, name))  # type: ignore[misc]
            layers |= {} if layer is None else {name: layer}
    return layers, tables


def _read_each(loader: _Loader, names: list[str], read: Callable[[Path], ResultT]) -> dict[str, ResultT]:
    """Read the files that can be used."""
    found = {}
    for name in [item for item in names if loader.usable(item)]:
        content = loader.attempt(name, lambda name=name: read(loader.folder / name))  # type: ignore[misc]
        if content is not None:
            found[name] = content
    return found


def _read_workbook(loader: _Loader) -> readers.Sheets | None:
    """Return the sheets of the workbook; None where it cannot be read."""
    if find_spec("openpyxl") is None:
        loader.rows.append(info(WORKBOOK, "not checked: the package openpyxl is not installed"))
        return None
    return loader.attempt(WORKBOOK, lambda: readers.read_workbook(loader.folder / WORKBOOK))
