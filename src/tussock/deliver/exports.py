"""In: a delivered folder, or a plan. Out: the same plan in the formats of other programs, all files or none.

Every export reads plan.gpkg, so that what is exported is what was delivered.
"""

from __future__ import annotations

import difflib
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from tussock.base.errors import Fault, InputError, OutputError
from tussock.base.stages import PlanTables
from tussock.deliver.exports_handheld import write_gpx, write_kml
from tussock.deliver.exports_shapefile import write_shapefiles
from tussock.deliver.exports_source import GEOPACKAGE, Source, read_source
from tussock.deliver.exports_web import write_geojson, write_geoparquet

#: Writer of each format, by its name.
FORMATS: Final[dict[str, Callable[[Source, Path], None]]] = {
    "geoparquet": write_geoparquet,
    "geojson": write_geojson,
    "kml": write_kml,
    "gpx": write_gpx,
    "shapefile": write_shapefiles,
}
#: Goes with every export: the cautions that a format has no place for.
WORDS_FILE: Final = "read_first.txt"
_NOT_PUBLIC: Final = "Not for the public: places of protected plants, where the site has them, are not left out."


def export_folder(folder: Path, formats: Sequence[str], out: Path, *, replace: bool = False) -> list[Path]:
    """Export a delivered plan.

    Parameters
    ----------
    folder
        What `Plan.write` wrote.
    formats
        Names out of `FORMATS`.
    out
        Folder for the files; made if it is not there.
    replace
        Whether files of the same name in it are replaced.

    Returns
    -------
    list of Path
        The files, in order of their names; ``read_first.txt`` with the cautions is one of them.

    Raises
    ------
    InputError
        A format is not known, or the folder holds no plan.
    OutputError
        A file of that name is there already, or the folder cannot be written.
    MissingExtraError
        A format needs a package that is not installed.
    """
    writers = [_find_writer(name) for name in dict.fromkeys(formats)]
    source = read_source(folder)
    try:
        out.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".tussock-", dir=out) as work:
            for write in writers:
                write(source, Path(work))
            (Path(work) / WORDS_FILE).write_text(_say_words(source), encoding="utf-8", newline="\n")
            return _move_in(Path(work), out, replace=replace)
    except OutputError:
        raise
    except OSError as error:
        raise OutputError(f"{out} cannot be written: {error.strerror or error}; name a folder you may write") from error


def export_plan(plan: PlanTables, formats: Sequence[str], out: Path, *, replace: bool = False) -> list[Path]:
    """Export a plan that need not be delivered; see `export_folder`."""
    from tussock.deliver.geopackage import write_geopackage

    for name in formats:
        _find_writer(name)
    with tempfile.TemporaryDirectory(prefix="tussock-") as work:
        write_geopackage(plan, Path(work) / GEOPACKAGE)
        return export_folder(Path(work), formats, out, replace=replace)


def _find_writer(name: str) -> Callable[[Source, Path], None]:
    if name not in FORMATS:
        near = difflib.get_close_matches(name.casefold(), FORMATS, n=1)
        meant = f'did you mean "{near[0]}"? ' if near else ""
        raise InputError(Fault("export", "format", f'"{name}"', f"{meant}one of {', '.join(FORMATS)}"))
    return FORMATS[name]


def _say_words(source: Source) -> str:
    head = f"{source.name}, season {source.season}: exported from {GEOPACKAGE}"
    return "\n".join([head, _NOT_PUBLIC, "", *source.words, ""])


def _move_in(work: Path, out: Path, *, replace: bool) -> list[Path]:
    names = sorted(path.name for path in work.iterdir())
    there = [name for name in names if name != WORDS_FILE and (out / name).exists()]
    if there and not replace:
        raise OutputError(
            f"{out}: {', '.join(there)} there already; name another folder, or replace what is there (--replace)"
        )
    return [(work / name).replace(out / name) for name in names]
