"""In: a plan and a folder. Out: the folder with every file of the plan; or, where a step fails, the folder as it was.

The files are written into a working folder on the same disk, which takes the place of the earlier one once all of them
are there (`deliver/exchange.py`).
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeAlias

from tussock.base.errors import Fault, InputError, MissingExtraError, OutputError
from tussock.base.sources import hash_file
from tussock.base.stages import BACKGROUND, PlanTables
from tussock.deliver.exchange import Work, open_work, put_in_place, recover_target
from tussock.deliver.proposal import PROPOSAL_FILE
from tussock.deliver.proposal_page import PROPOSAL_PDF
from tussock.deliver.records import RECORD_FILE
from tussock.deliver.records_page import RECORD_PDF
from tussock.deliver.report_pdf import REPORT_PDF
from tussock.deliver.runfile import RUN_FILE, write_run_file
from tussock.deliver.schedule import BID_FILE, CALENDAR_FILE, write_bid_schedule, write_calendar

Tell: TypeAlias = Callable[[str], None]

#: Every file of a plan; the bid schedule and the calendar only where the operations file asks for them, the public map
#: only where the site file does.
FILES: Final = (
    "plan.gpkg",
    "patch_budget.csv",
    "unit_budget.csv",
    "product_budget.csv",
    "plan.xlsx",
    "map.html",
    "crew_sheets.pdf",
    "compliance.html",
    "compliance.csv",
    "charts.html",
    "map_public.html",
    BID_FILE,
    CALENDAR_FILE,
    PROPOSAL_FILE,
    PROPOSAL_PDF,
    RECORD_FILE,
    RECORD_PDF,
    REPORT_PDF,
    RUN_FILE,
)
#: What an open reader leaves beside a GeoPackage; left there it would be played back into the new one.
_COMPANIONS: Final = ("plan.gpkg-wal", "plan.gpkg-shm", "plan.gpkg-journal")


@dataclass(frozen=True)
class _Step:
    """One writer: the files that it writes, and the call that writes them."""

    files: tuple[str, ...]
    write: Callable[[], object]


def deliver_plan(plan: PlanTables, folder: Path, tell: Tell) -> Path:
    """Write a plan into a folder: all of it, or nothing.

    Parameters
    ----------
    plan
        What to write.
    folder
        Made if it is not there. Files of an earlier plan in it are replaced, other files are left alone and named.
    tell
        Called with a line for each step, each file left out, and each file left alone.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    OutputError
        The folder is a file, cannot be written, or holds a file of the same name that no earlier plan wrote.
    WrittenError
        Stopped by hand after the plan was in place.
    """
    target = folder.resolve()
    for line in recover_target(target):
        tell(line)
    earlier = _find_earlier(target, folder)
    drop = {name for name in FILES if name in earlier} | set(_COMPANIONS)
    with _standing_in(target), _fault_for(folder), open_work(target) as work:
        _tell_changed(target, earlier, tell)
        _write_files(plan, work.new, folder, tell)
        put_in_place(work, drop)
        _tell_rest(target, folder, work, tell)
    return folder


def check_folder(folder: Path) -> None:
    """Refuse a folder that a plan could not be written into, before the plan is made; undo what a dead run left in it.

    Raises
    ------
    OutputError
        The folder is a file, or holds a file of the same name that no earlier plan wrote.
    """
    recover_target(folder.resolve())
    _find_earlier(folder.resolve(), folder)


def _write_files(plan: PlanTables, new: Path, folder: Path, tell: Tell) -> None:
    """Call each writer in turn; one that needs a package that is not there is left out and said.

    ``new`` is where the files are written, ``folder`` what the user called the place they are for.
    """
    left_out: dict[str, str] = {}
    for step in _list_steps(plan, new):
        tell(f"writing {', '.join(step.files)}")
        try:
            step.write()
        except OutputError as error:
            raise OutputError(str(error).replace(str(new), str(folder))) from error
        except MissingExtraError as error:
            for name in step.files:
                (new / name).unlink(missing_ok=True)
                left_out[name] = str(error)
                tell(f"left out: {name}; {error}")
    _check_background(plan)
    tell(f"writing {RUN_FILE}")
    write_run_file(plan, new / RUN_FILE, left_out)


def _check_background(plan: PlanTables) -> None:
    """Refuse a plan whose map shows another picture than the one that was hashed when the site was read."""
    for item in plan.site.documents:
        if item.role == BACKGROUND and hash_file(plan.site.path.parent / item.name) != item.sha256:
            found = "a file that changed since the site was read"
            raise InputError(Fault(item.name, "site.map_background", found, "plan anew"))


def _list_steps(plan: PlanTables, folder: Path) -> list[_Step]:
    from tussock.deliver import (
        charts_page,
        geopackage,
        proposal,
        proposal_page,
        records,
        records_page,
        report,
        report_pdf,
        sheets,
        tables,
        webmap,
        workbook,
    )

    gpkg, patches, units, products, xlsx, html_map, pdf, html, compliance, charts, public, bid, calendar, *_ = FILES
    ground = plan.site.options.map_background
    base = None if ground is None else plan.site.path.parent / ground
    steps = [
        _Step((gpkg,), lambda: geopackage.write_geopackage(plan, folder / gpkg)),
        _Step((patches, units, products), lambda: tables.write_tables(plan, folder)),
        _Step((xlsx,), lambda: workbook.write_workbook(plan, folder / xlsx)),
        _Step((html_map,), lambda: webmap.write_map(plan, folder / html_map, base=base)),
        _Step((pdf,), lambda: sheets.write_sheets(plan, folder / pdf)),
        _Step((html, compliance), lambda: report.write_report(plan, folder / html, folder / compliance)),
        _Step((REPORT_PDF,), lambda: report_pdf.write_report_pdf(plan, folder / REPORT_PDF)),
        _Step((charts,), lambda: charts_page.write_charts(plan, folder / charts)),
    ]
    if plan.site.treatments is not None:
        steps += [
            _Step((PROPOSAL_FILE,), lambda: proposal.write_proposal(plan, folder / PROPOSAL_FILE)),
            _Step((PROPOSAL_PDF,), lambda: proposal_page.write_proposal_pdf(plan, folder / PROPOSAL_PDF)),
            _Step((RECORD_FILE,), lambda: records.write_record(plan, folder / RECORD_FILE)),
            _Step((RECORD_PDF,), lambda: records_page.write_record_pdf(plan, folder / RECORD_PDF)),
        ]
    if plan.site.options.public_map:
        steps.append(_Step((public,), lambda: webmap.write_map(plan, folder / public, public=True, base=base)))
    if len(plan.work.get("bid_schedule", ())):
        steps.append(_Step((bid,), lambda: write_bid_schedule(plan, folder / bid)))
    if len(plan.work.get("calendar", ())):
        steps.append(_Step((calendar,), lambda: write_calendar(plan, folder / calendar)))
    return steps


def _find_earlier(target: Path, folder: Path) -> dict[str, str]:
    """Return name and SHA-256 of the files that an earlier plan wrote here; refuse to overwrite any other.

    Raises
    ------
    OutputError
        The target or a folder above it is a file, or it holds a file under one of our names that no run file lists.
    """
    first = next(item for item in (target, *target.parents) if item.exists())
    if not first.is_dir():
        shown = folder if first == target else first
        raise OutputError(f"{shown} is a file: name a folder for the plan, or move the file away")
    if not target.exists():
        return {}
    earlier = _read_run_file(target / RUN_FILE)
    foreign = [name for name in FILES if (target / name).exists() and name not in earlier]
    if foreign:
        raise OutputError(
            f"{folder}: {', '.join(foreign)} there already, and no {RUN_FILE} of an earlier plan lists it: "
            "name another folder, or move it away"
        )
    return earlier


def _read_run_file(path: Path) -> dict[str, str]:
    """Return the outputs that a run file of ours lists; none where it is missing or not ours."""
    try:
        content: Any = json.loads(path.read_bytes())
        outputs = content["outputs"]
        return {str(name): str(outputs[name]) for name in outputs} | {RUN_FILE: ""} if content["tussock"] else {}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


@contextmanager
def _fault_for(folder: Path) -> Iterator[None]:
    """Turn what the operating system says into one error that names the folder and what to do."""
    try:
        yield
    except (OutputError, FileNotFoundError):  # said already; or a file of the program is missing, no fault of the disk
        raise
    except OSError as error:
        raise OutputError(
            f"{folder} cannot be written: {error.strerror or error}; name a folder that you may write to, on a disk "
            "with room, and close its files in other programs; nothing was changed in it"
        ) from error


@contextmanager
def _standing_in(target: Path) -> Iterator[None]:
    """Enter the folder anew at the end where the process stands in it: another folder has its name then."""
    here = Path.cwd()
    try:
        yield
    finally:
        if here.is_relative_to(target):
            with suppress(OSError):
                os.chdir(here)


def _tell_changed(target: Path, earlier: dict[str, str], tell: Tell) -> None:
    """Name the files of the earlier plan that someone has edited since: they are replaced like the others."""
    for name in FILES[:-1]:
        if name in earlier and (target / name).is_file() and hash_file(target / name) != earlier[name]:
            tell(f"{name} was changed since it was written and is replaced")


def _tell_rest(target: Path, folder: Path, work: Work, tell: Tell) -> None:
    """Name what was left alone: files in the folder that are not of the plan."""
    foreign = sorted(item.name for item in target.iterdir() if item.name not in FILES and item != work.folder)
    if foreign:
        tell(f"left alone in {folder}: {', '.join(foreign)}")
