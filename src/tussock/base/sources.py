"""In: the path of a layer's file. Out: a private copy of it that one named driver reads, and the SHA-256 of every part.

GDAL picks a driver by what a file holds, whatever its name: a `.geojson` can be a virtual layer that reads another
file, or a service that is fetched over the network. So a file is copied with the parts that belong to it, its content
is checked to be what its name says, and only then it is opened. What is hashed is the copy: the bytes that were read.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import sqlite3
import stat
import tempfile
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from xml.parsers import expat

from tussock.base.errors import Fault, InputError, MissingExtraError, MissingInputError

OUTSIDE_OPTION: Final = "--allow-outside"
#: A file is read in pieces of this many bytes.
_PIECE: Final = 1 << 20
_ADDRESS: Final = re.compile(r"^[a-z][a-z0-9+.-]+://|^/vsi", re.IGNORECASE)
_GEOJSON_TYPES: Final = {
    "FeatureCollection",
    "Feature",
    "Point",
    "MultiPoint",
    "LineString",
    "MultiLineString",
    "Polygon",
    "MultiPolygon",
    "GeometryCollection",
}
#: Encodings in which the signs of XML are those of ASCII.
_ENCODINGS: Final = re.compile(r"utf-?8|us-ascii|iso-8859-\d+|windows-125\d", re.IGNORECASE)
#: Files of a file geodatabase, after its open description.
_GDB_FILES: Final = re.compile(r"gdb|timestamps|a[0-9a-f]{8}\.(gdbtable|gdbtablx|gdbindexes|freelist|spx|atx)", re.I)


class _NotThatError(Exception):
    """A file holds something else than its name says; the text says what was found."""


@dataclass(frozen=True)
class _Format:
    """A format that is read: its name, its drivers, what belongs to it, and the check of what it holds.

    ``endings`` replace the file's own ending, ``tails`` follow its whole name; ``prefix`` makes GDAL try one driver.
    """

    name: str
    drivers: tuple[str, ...]
    check: Callable[[Path], None]
    endings: tuple[str, ...] = ()
    tails: tuple[str, ...] = ()
    prefix: str = ""


@dataclass(frozen=True)
class SourceCopy:
    """A private copy of a layer's file.

    Attributes
    ----------
    path
        The copy; ``address`` is what GDAL opens.
    address
        The path, or the path behind the name of the one driver that shall read it.
    form
        Name of its format.
    drivers
        Names of the drivers that may read it; none where GDAL does not (GeoParquet).
    sha256
        Of a file by itself its SHA-256; of several parts that of the lines ``SHA-256, two blanks, name`` of all parts
        in the order of their names, each with a line end, as ``sha256sum`` prints them.
    parts
        SHA-256 of each part by its name; empty where the file is one.
    """

    path: Path
    address: str
    form: str
    drivers: tuple[str, ...]
    sha256: str
    parts: Mapping[str, str]


def find_inside(folder: Path, name: str, key: str, *, allow_outside: bool) -> Path:
    """Return the path of a file that a site file names, links followed.

    Parameters
    ----------
    folder
        Folder of the site file.
    name
        Path as the site file has it.
    key
        Its key, for messages.
    allow_outside
        Whether the file may lie outside the folder.

    Raises
    ------
    MissingInputError
        An address of a network, a path into a virtual file system, or no such file.
    InputError
        A file outside the folder, be it by ``..``, from the root, or by a link.
    """
    if _ADDRESS.match(name):
        need = "download the file and name the copy: nothing is fetched, and no archive is looked into"
        raise MissingInputError(Fault(name, key, "no such file: an address, not a file on this machine", need))
    path = (folder / name).resolve()
    if not path.exists():
        raise MissingInputError(Fault(name, key, "no such file", f"put the file at {folder / name} or mend the path"))
    if not (path.is_file() or (path.is_dir() and path.suffix.casefold() == ".gdb")):
        raise MissingInputError(Fault(name, key, "no file, but a folder or a device", "name the file in it"))
    _refuse_outside(path, folder, name, key, allow_outside)
    return path


def _refuse_outside(path: Path, folder: Path, where: str, key: str, allow_outside: bool) -> None:
    if not allow_outside and not is_inside(path, folder):
        need = f"copy it there; or, where you trust the site file, allow it: {OUTSIDE_OPTION}, or allow_outside=True"
        raise InputError(Fault(where, key, "a file outside the folder of the site file", need))


def is_inside(path: Path, folder: Path) -> bool:
    """Tell whether a path lies in a folder, links followed."""
    return path.resolve().is_relative_to(folder.resolve())


def list_parts(path: Path) -> list[Path]:
    """Return the files that belong to a layer's file, itself first; those of a file geodatabase by name."""
    form = _FORMATS.get(path.suffix.casefold())
    if path.is_dir():
        return sorted(item for item in path.iterdir() if _GDB_FILES.fullmatch(item.name))
    if form is None or not (form.endings or form.tails):
        return [path]
    wanted = {path.name + tail for tail in form.tails}
    beside = [
        item
        for item in path.parent.iterdir()
        if item.name in wanted or (item.stem == path.stem and item.suffix.casefold() in form.endings)
    ]
    return [path, *sorted(item for item in beside if item.is_file())]


@contextmanager
def open_copy(path: Path, where: str, key: str, within: Path | None = None) -> Iterator[SourceCopy]:
    """Copy a layer's file with its parts, check what it holds, and hand out the copy; it is gone afterwards.

    Parameters
    ----------
    path
        A file, or a file geodatabase (a folder).
    where, key
        File and key for messages.
    within
        Folder that no part may lie outside of, links followed; None where they may.

    Raises
    ------
    InputError
        A format that is not read, a file that holds something else than its name says, that points to other files or
        addresses, or that changes while it is read.
    """
    form = _find_format(path, where, key)
    parts = list_parts(path)
    if within is not None:
        for part in parts:
            _refuse_outside(part.resolve(), within, f"{where}, {part.name}", key, allow_outside=False)
    with tempfile.TemporaryDirectory(prefix="tussock-", ignore_cleanup_errors=True) as folder:
        copied = _copy(path, parts, Path(folder), where, key)
        hashes = {item.name: hash_file(item) for item in copied}
        main = Path(folder) / path.name
        _check(form, main, where, key)
        several = len(hashes) > 1 or path.is_dir()
        digest = join_hashes(hashes) if several else next(iter(hashes.values()))
        yield SourceCopy(main, f"{form.prefix}{main}", form.name, form.drivers, digest, hashes if several else {})


def check_source(path: Path, key: str) -> None:
    """Refuse a layer's file that is not what its name says, where it stands.

    Raises
    ------
    InputError
        As `open_copy`.
    """
    _check(_find_format(path, path.name, key), path, path.name, key)


def _find_format(path: Path, where: str, key: str) -> _Format:
    form = _FORMATS.get(path.suffix.casefold())
    if form is None:
        found = f'a file "{path.suffix}"' if path.suffix else "a file without an ending"
        raise InputError(Fault(where, key, found, f"save it as one of {list_formats()}"))
    return form


def _check(form: _Format, path: Path, where: str, key: str) -> None:
    try:
        form.check(path)
    except _NotThatError as error:
        need = f"save it anew as {form.name}; formats that are read: {list_formats()}"
        raise InputError(Fault(where, key, f"a file that cannot be opened as {form.name}: {error}", need)) from None


def join_hashes(hashes: Mapping[str, str]) -> str:
    """Return one SHA-256 for several files: that of the lines which ``sha256sum`` prints for them, by name."""
    lines = "".join(f"{hashes[name]}  {name}\n" for name in sorted(hashes))
    return hashlib.sha256(lines.encode()).hexdigest()


def list_formats() -> str:
    """Return the formats that are read, in words."""
    names = dict.fromkeys(
        f"{form.name} ({ending})" for ending, form in _FORMATS.items() if ending not in _OTHER_ENDINGS
    )
    return ", ".join(names)


def _copy(path: Path, parts: Sequence[Path], folder: Path, where: str, key: str) -> list[Path]:
    """Copy the parts; refuse a file that another program writes to meanwhile."""
    target = folder / path.name if path.is_dir() else folder
    target.mkdir(exist_ok=True)
    try:
        before = [read_stamp(part) for part in parts]
        copied = [Path(shutil.copyfile(part, target / part.name)) for part in parts]
        same = before == [read_stamp(part) for part in parts] and parts == list_parts(path)
    except OSError as error:
        need = "check that you may read it, and that the folder for temporary files has room"
        raise InputError(
            Fault(where, key, f"a file that cannot be opened ({error.strerror or error})", need)
        ) from error
    if not same:
        raise InputError(Fault(where, key, "a file that changes while it is read", "close it in other programs"))
    return copied


def read_stamp(path: Path) -> tuple[int, ...]:
    """Return what changes when a file is written to or replaced: device, inode, size, times [ns].

    Raises
    ------
    OSError
        It is no plain file, or cannot be seen.
    """
    seen = path.stat()
    if not stat.S_ISREG(seen.st_mode):
        raise OSError("no plain file")
    return seen.st_dev, seen.st_ino, seen.st_size, seen.st_mtime_ns, seen.st_ctime_ns


def hash_file(path: Path) -> str:
    """Return the SHA-256 of a file as hexadecimal text."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


# ---- what a file must hold


def _expect_start(*starts: bytes) -> Callable[[Path], None]:
    def check(path: Path) -> None:
        with path.open("rb") as file:
            found = file.read(max(map(len, starts)))
        if not found.startswith(starts):
            raise _NotThatError(f"it begins with {found!r}" if found else "it is empty")

    return check


def check_database(path: Path) -> None:
    """Refuse a file that is no SQLite database, as every GeoPackage is; GDAL would open it as something else.

    Raises
    ------
    ValueError
        It begins otherwise.
    """
    try:
        _expect_start(b"SQLite format 3\0")(path)
    except _NotThatError as error:
        raise ValueError(f"no GeoPackage: {error}") from None


def _check_geopackage(path: Path) -> None:
    _expect_start(b"SQLite format 3\0")(path)
    if len(list_parts(path)) == 1:
        return
    try:  # changes that another program left beside the file go into the copy
        with closing(sqlite3.connect(path)) as database:
            database.execute("PRAGMA trusted_schema = OFF")
            database.execute("PRAGMA journal_mode = DELETE").fetchone()
            database.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.Error as error:
        raise _NotThatError(str(error)) from None


def _check_geojson(path: Path) -> None:
    def keep_type(pairs: list[tuple[str, Any]]) -> Any:
        """Return the type of an object and nothing else, so that a large file takes little memory."""
        found = dict(pairs)
        if len(found) != len(pairs) and len({"type", "crs"} & found.keys()):
            raise _NotThatError("an object that has a key twice")
        crs = found.get("crs")
        if isinstance(crs, _Seen) and str(crs.kind).casefold() not in ("name", "epsg"):
            raise _NotThatError(f'a "crs" of type {crs.kind!r}, which points to another file')
        return _Seen(found.get("type"))

    try:
        text = path.read_bytes().decode("utf-8-sig")
        seen = json.loads(text, object_pairs_hook=keep_type)
    except (ValueError, RecursionError) as error:
        raise _NotThatError(f"no JSON ({error})") from None
    if not isinstance(seen, _Seen) or seen.kind not in _GEOJSON_TYPES:
        raise _NotThatError(f"an object of type {getattr(seen, 'kind', None)!r}")


@dataclass(frozen=True)
class _Seen:
    """What is kept of a JSON object: its type."""

    kind: Any


def _expect_root(*roots: str) -> Callable[[Path], None]:
    """Return a check of an XML file: sound, one of these elements around all others, nothing declared of its own."""

    def check(path: Path) -> None:
        found = _read_root(path)
        if found not in roots:
            raise _NotThatError(f"an element <{found}> around all others")

    return check


def _read_root(path: Path, refused: Sequence[str] = ()) -> str:
    """Read an XML file to its end and return the name of its root without its prefix."""
    names: list[str] = []

    def start(name: str, _: Mapping[str, str]) -> None:
        own = name.rpartition(":")[2]
        if own in refused:
            raise _NotThatError(f"<{name}>, which points to another file")
        if not names:
            names.append(own)

    def declare(*_: Any) -> None:
        raise _NotThatError("a document type of its own")

    def begin(_: str, encoding: str | None, __: int) -> None:
        if encoding is not None and not _ENCODINGS.fullmatch(encoding):
            raise _NotThatError(f"the encoding {encoding}")

    parser = expat.ParserCreate()
    parser.StartElementHandler = start
    parser.StartDoctypeDeclHandler = declare
    parser.XmlDeclHandler = begin
    try:
        with path.open("rb") as file:
            if file.read(2) in (b"\xff\xfe", b"\xfe\xff"):
                raise _NotThatError("the encoding UTF-16")
            file.seek(0)
            while piece := file.read(_PIECE):
                parser.Parse(piece, False)
            parser.Parse(b"", True)
    except expat.ExpatError as error:
        raise _NotThatError(f"no XML ({error})") from None
    return names[0]


def _check_gml(path: Path) -> None:
    _expect_root("FeatureCollection")(path)
    for part in list_parts(path)[1:]:
        _read_root(part, refused=("include", "redefine", "override"))


def _check_text(path: Path) -> None:
    with path.open("rb") as file:
        if b"\0" in file.read(_PIECE):
            raise _NotThatError("it holds no text")


def _check_folder(path: Path) -> None:
    if not path.is_dir() or not (path / "a00000001.gdbtable").is_file():
        raise _NotThatError("no folder with the tables of one")


_GEOJSON: Final = _Format("GeoJSON", ("GeoJSON",), _check_geojson, prefix="GeoJSON:")
_PARQUET: Final = _Format("GeoParquet", (), _expect_start(b"PAR1"))
#: Formats that are read, by the ending of their files; of each the drivers of GDAL that may read it.
_FORMATS: Final[Mapping[str, _Format]] = {
    ".gpkg": _Format("GeoPackage", ("GPKG",), _check_geopackage, tails=("-wal", "-journal")),
    ".shp": _Format(
        "Shapefile", ("ESRI Shapefile",), _expect_start(b"\0\0\x27\x0a"), endings=(".shx", ".dbf", ".prj", ".cpg")
    ),
    ".gdb": _Format("file geodatabase", ("OpenFileGDB",), _check_folder),
    ".geojson": _GEOJSON,
    ".json": _GEOJSON,
    ".fgb": _Format("FlatGeobuf", ("FlatGeobuf",), _expect_start(b"fgb\x03fgb")),
    ".gml": _Format("GML", ("GML",), _check_gml, endings=(".xsd",)),
    ".kml": _Format("KML", ("LIBKML", "KML"), _expect_root("kml")),
    ".gpx": _Format("GPX", ("GPX",), _expect_root("gpx")),
    ".csv": _Format("CSV", ("CSV",), _check_text, endings=(".csvt",), prefix="CSV:"),
    ".parquet": _PARQUET,
    ".geoparquet": _PARQUET,
}
_OTHER_ENDINGS: Final = (".json", ".geoparquet")


# ---- what GDAL makes of it


def list_layers(copy: SourceCopy, where: str, key: str) -> list[str]:
    """Return the names of the layers of a copy that GDAL reads.

    Raises
    ------
    InputError
        GDAL opens it by another driver than its format's.
    pyogrio.errors.DataSourceError
        It cannot be opened.
    """
    import pyogrio

    names = [str(item) for item in pyogrio.list_layers(copy.address)[:, 0]]
    driver = pyogrio.read_info(copy.address, layer=names[0])["driver"] if names else None
    if driver is not None and driver not in copy.drivers:
        raise InputError(Fault(where, key, f"a file that GDAL opens as {driver}", f"save it as {copy.form}"))
    return names


@contextmanager
def open_geotiff(path: Path) -> Iterator[Any]:
    """Open a GeoTIFF for reading: by its own driver, from this file alone and none beside it.

    Raises
    ------
    OSError
        No GeoTIFF.
    InputError
        It names another file for its overviews.
    MissingExtraError
        The package rasterio is not installed.
    """
    try:
        import rasterio
    except ImportError as error:
        raise MissingExtraError('a GeoTIFF needs the package rasterio: pip install "tussock[raster]"') from error
    alone = {"GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR", "GDAL_PAM_ENABLED": "NO"}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
        warnings.filterwarnings("ignore", "Use `@` matmul", PendingDeprecationWarning)  # rasterio's own use of affine
        with rasterio.Env(**alone), rasterio.open(path, driver="GTiff") as raster:
            elsewhere = raster.tags(ns="OVERVIEWS").get("OVERVIEW_FILE")
            if elsewhere is not None:
                need = "write its overviews into the file itself"
                raise InputError(Fault(path.name, "overviews", f'another file, "{elsewhere}"', need))
            yield raster
