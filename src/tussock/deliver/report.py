"""In: a plan. Out: compliance.csv, every unit and setback; compliance.html, what a reviewer reads and signs."""

from __future__ import annotations

import csv
from importlib import resources
from pathlib import Path
from typing import Final

from tussock.base.stages import PlanTables
from tussock.deliver.report_charts import list_charts
from tussock.deliver.report_content import describe_plan
from tussock.deliver.report_maps import to_svg
from tussock.deliver.tables import csv_text, list_cells

_TEMPLATE: Final = "compliance.html.jinja"


def write_report(plan: PlanTables, html_path: Path, csv_path: Path) -> None:
    """Write the report on rules: a table for machines, a page for the reviewer.

    Parameters
    ----------
    plan
        A whole plan.
    html_path
        The page: one file, no script, no request to anywhere; text from data is only text in it.
    csv_path
        The table, one row for each unit and setback: columns of the contract, then the nearest points in degrees.
        UTF-8, lines end with LF, numbers with 12 significant digits, missing values blank.
    """
    _write_table(plan, csv_path)
    html_path.write_bytes(render_page(plan).encode("utf-8"))


def render_page(plan: PlanTables) -> str:
    """Return the page as HTML."""
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    source = resources.files("tussock.deliver").joinpath("templates", _TEMPLATE).read_text(encoding="utf-8")
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True
    )
    content = describe_plan(plan)
    content["maps"] = [(item.title, item.caption, Markup(to_svg(item))) for item in content["maps"]]  # noqa: S704  (escaped there)
    content["charts"] = [(item.title, Markup(item.svg), item.missing) for item in list_charts(plan)]  # noqa: S704  (escaped there)
    return environment.from_string(source).render(content)


def _write_table(plan: PlanTables, path: Path) -> None:
    cells = list_cells(plan.compliance)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow([csv_text(name) for name in cells])
        for row in zip(*cells.values(), strict=True):
            writer.writerow([csv_text(cell) for cell in row])
