"""In: a delivered folder. Out: the findings of a review, recomputed from the files alone."""

from __future__ import annotations

from collections.abc import Callable, Collection
from pathlib import Path
from typing import TYPE_CHECKING

from tussock.review.catalog import Catalog, read_catalog
from tussock.review.checklist import CHECKLIST
from tussock.review.delivered import Delivered
from tussock.review.evidence import Evidence
from tussock.review.loading import load_folder
from tussock.review.origins import check_inputs
from tussock.review.rows import Row, info, rows_table, violation

if TYPE_CHECKING:
    import pandas as pd

#: Checks whose findings are made on the way in, and with the site file at hand.
FILES_CHECK = "files"
INPUTS_CHECK = "inputs"


def review_folder(folder: Path, site_path: Path | None) -> pd.DataFrame:
    """Review a delivered plan on its own path.

    Distances, areas, doses, yearly totals and sums are worked out anew from the files, by none of the code that made
    them.

    Parameters
    ----------
    folder
        What a plan was written into.
    site_path
        Site file to compare the inputs with; None to review the folder by itself.

    Returns
    -------
    DataFrame
        One row for each finding: ``check, level, where, found, expected, note``; ``level`` is ``violation``,
        ``warning`` or ``info``. Each check that ran has a row of level info that says what it looked at. A file that
        cannot be used is a violation, and what rests on it is a row "not checked".
    """
    return run_checks(load_folder(Path(folder)), None if site_path is None else Path(site_path))


def run_checks(
    delivered: Delivered, site_path: Path | None = None, only: Collection[str] | None = None
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
    if site_path is None:
        rows.append((INPUTS_CHECK, info("inputs", "not checked: no site file was given")))
    else:
        rows += [(INPUTS_CHECK, row) for row in _run(lambda one: check_inputs(one, site_path), evidence)]
    return rows_table(rows)


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
