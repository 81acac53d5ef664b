"""In: a delivered folder. Out: the findings of a review, recomputed from the files alone."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tussock.base.errors import Fault, InputError, QuantityError
from tussock.base.units import parse_quantity
from tussock.review.approval import APPROVAL_CHECK, approve_folder, check_approval
from tussock.review.catalog import Catalog, read_catalog
from tussock.review.checklist import CHECKLIST
from tussock.review.delivered import Delivered
from tussock.review.evidence import Evidence
from tussock.review.inputs import check_layers
from tussock.review.loading import load_folder
from tussock.review.origins import check_inputs
from tussock.review.records import RECORDS_CHECK, RecordSource, check_records
from tussock.review.records_forms import FORMS_CHECK, check_forms
from tussock.review.rows import Row, info, rows_table, violation
from tussock.review.treated import CHECK_NEEDS, TREATED_CHECK, check_treated
from tussock.review.treated_files import TreatedSource

if TYPE_CHECKING:
    import pandas as pd

#: Checks whose findings are made on the way in, and with the site file at hand.
FILES_CHECK = "files"
INPUTS_CHECK = "inputs"


@dataclass(frozen=True)
class Brought:
    """What a reviewer brings along: the approver's public key, treated ground, filled records.

    ``allow_outside`` says that layers of the site file may lie outside its folder.
    """

    trusted_key: Path | None = None
    treated: TreatedSource | None = None
    records: RecordSource | None = None
    allow_outside: bool = False


def review_folder(folder: Path, site_path: Path | None, brought: Brought | None = None) -> pd.DataFrame:
    """Review a delivered plan on its own path.

    Distances, areas, doses, yearly totals and sums are worked out anew from the files, by none of the code that made
    them.

    Parameters
    ----------
    folder
        What a plan was written into.
    site_path
        Site file to compare the inputs with; None to review the folder by itself.
    brought
        Key, treated ground and records to compare the plan with.

    Returns
    -------
    DataFrame
        One row for each finding: ``check, level, where, found, expected, note``; ``level`` is ``violation``,
        ``warning`` or ``info``. Each check that ran has a row of level info that says what it looked at. A file that
        cannot be used is a violation, and what rests on it is a row "not checked".
    """
    site = None if site_path is None else Path(site_path)
    return run_checks(load_folder(Path(folder)), site, brought=brought)


def bring(
    *,
    trusted_key: Path | None = None,
    treated: Path | None = None,
    treated_layer: str | None = None,
    accuracy: str | None = None,
    swath: str | None = None,
    records: Path | None = None,
    date_format: str | None = None,
    allow_outside: bool = False,
) -> Brought:
    """Return what a reviewer brings along, lengths read from their texts.

    Raises
    ------
    InputError
        A length cannot be read.
    """
    sizes: dict[str, float | None] = {}
    for name, text in (("accuracy", accuracy), ("swath", swath)):
        try:
            sizes[name] = None if text is None else parse_quantity(text, "m")
        except QuantityError as error:
            raise InputError(Fault("treated ground", name, str(error), 'write a length, such as "3 m"')) from error
    ground = None if treated is None else TreatedSource(treated, treated_layer, sizes["accuracy"], sizes["swath"])
    filled = None if records is None else RecordSource(records, date_format)
    return Brought(trusted_key, ground, filled, allow_outside)


def approve_reviewed(folder: Path, *, despite_violations: bool = False, **signed: Any) -> Path:
    """Review a folder, and write its approval where nothing is amiss or the approver accepts what is.

    Raises
    ------
    InputError
        The review finds violations, or the folder cannot be used; see `approve_folder`.
    """
    delivered = load_folder(folder)
    if not despite_violations and delivered.run:
        table = run_checks(delivered, only=[check.id for check in CHECKLIST])
        bad = table[table["level"] == "violation"]
        if len(bad):
            first = bad.iloc[0]
            found = f"{len(bad)} violations, the first: {first['check']}: {first['where']}, {first['found']}"
            need = "mend them, or ask to approve despite them; `tussock review` lists them"
            raise InputError(Fault(str(folder), "review", found, need))
    return approve_folder(folder, delivered, **signed)


def run_checks(
    delivered: Delivered,
    site_path: Path | None = None,
    only: Collection[str] | None = None,
    brought: Brought | None = None,
) -> pd.DataFrame:
    """Run the checklist on what was loaded.

    Parameters
    ----------
    delivered
        What `load_folder` returned.
    site_path
        Site file to compare the inputs with.
    only
        Ids of the checks to run; all by default.
    brought
        What the reviewer brings along.

    Returns
    -------
    DataFrame
        As `review_folder`.
    """
    rows: list[tuple[str, Row]] = [(FILES_CHECK, row) for row in delivered.rows]
    if not delivered.run:
        return rows_table([*rows, (FILES_CHECK, info(delivered.folder.name, "nothing else was checked"))])
    if not rows:
        rows.append((FILES_CHECK, info("folder", f"{len(delivered.hashes)} files, all there and readable")))
    catalog = read_catalog(delivered.run["documents"])
    evidence = Evidence(delivered, catalog)
    lost = _find_lost(delivered, catalog)
    for check in [item for item in CHECKLIST if only is None or item.id in only]:
        missing = [need for need in check.needs if need in lost]
        if missing:
            found = f"not checked: without {', '.join(missing)}"
            rows.append((check.id, info("folder", found, "", check.title)))
        else:
            rows += [(check.id, row) for row in _run(check.run, evidence)]
    brought = brought or Brought()
    if only is None or APPROVAL_CHECK in only:
        rows += _check_brought(evidence, brought, lost, site_path)
    if site_path is None:
        rows.append((INPUTS_CHECK, info("inputs", "not checked: no site file was given")))
    else:
        outside = brought.allow_outside
        rows += [(INPUTS_CHECK, row) for row in _run(lambda one: check_inputs(one, site_path), evidence)]
        rows += [
            (INPUTS_CHECK, row)
            for row in _run(lambda one: check_layers(one, site_path, allow_outside=outside), evidence)
        ]
    return rows_table(rows)


def _check_brought(
    evidence: Evidence, brought: Brought, lost: set[str], site_path: Path | None
) -> list[tuple[str, Row]]:
    """Run the checks on the approval and on what the reviewer brings along."""
    approval = _run(lambda one: check_approval(one, brought.trusted_key, site_path), evidence)
    rows = [(APPROVAL_CHECK, row) for row in approval]
    if not set(CHECK_NEEDS) & lost:
        rows += [(FORMS_CHECK, row) for row in _run(check_forms, evidence)]
    treated, records = brought.treated, brought.records
    asked: dict[str, Callable[[Evidence], list[Row]]] = {}
    if treated is not None:
        asked[TREATED_CHECK] = lambda one: check_treated(one, treated)
    if records is not None:
        asked[RECORDS_CHECK] = lambda one: check_records(one, records)
    missing = sorted(set(CHECK_NEEDS) & lost)
    for check, run in asked.items():
        if missing:
            rows.append((check, violation("folder", f"not checked: without {', '.join(missing)}", "a whole plan")))
        else:
            rows += [(check, row) for row in _run_on_file(run, evidence)]
    return rows


def _run_on_file(check: Callable[[Evidence], list[Row]], evidence: Evidence) -> list[Row]:
    """Run a check on a file that was brought along; each fault of that file is a finding."""

    def guarded(one: Evidence) -> list[Row]:
        try:
            return check(one)
        except InputError as error:
            return [
                violation(f"{fault.where}, {fault.what}", f"{fault.found}", fault.need, "not compared with the plan")
                for fault in error.faults
            ]

    return _run(guarded, evidence)


def _find_lost(delivered: Delivered, catalog: Catalog) -> set[str]:
    """Return what checks may need and cannot have."""
    lost = set(delivered.unread)
    held = {f"plan.gpkg, {name}" for name in (*delivered.layers, *delivered.tables)} | set(delivered.csv)
    wanted = {need for check in CHECKLIST for need in check.needs} - {"documents"}
    lost |= wanted - held - {"crs"}
    if any(frame.crs is None for frame in delivered.layers.values()):
        lost.add("crs")
    return lost if catalog.complete else lost | {"documents"}


def _run(check: Callable[[Evidence], list[Row]], evidence: Evidence) -> list[Row]:
    """Run one check; whatever a doctored folder makes it stumble over is a finding, not a crash."""
    try:
        return check(evidence)
    except Exception as error:  # noqa: BLE001  (a review never ends in a traceback, and never takes a crash for a pass)
        text = " ".join(str(error).split())[:200]
        return [
            violation(
                "folder", f"the check could not be done: {type(error).__name__}: {text}", "a plan as it was written"
            )
        ]
