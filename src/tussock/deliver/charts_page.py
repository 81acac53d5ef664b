"""In: a plan. Out: charts.html: the charts of the season on one page that fetches nothing, with their figures."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from tussock.base.errors import InputError
from tussock.base.stages import PlanTables
from tussock.deliver.cautions import NOT_READY, list_cautions
from tussock.deliver.charts import CHARTS, Chart, draw_chart
from tussock.deliver.escape import escape_html
from tussock.deliver.tables import cell_values

_STYLE: Final = (
    "body{font:16px/1.5 sans-serif;max-width:60rem;margin:1rem auto;padding:0 1rem;color:#1a1a1a;background:#fff}"
    "img{max-width:100%;height:auto}table{border-collapse:collapse}td,th{border:1px solid #767676;padding:.1rem .5rem;"
    "text-align:right}th{text-align:left}.note{border:2px solid #1a1a1a;padding:.4rem .8rem;font-weight:bold}"
    "details{margin:.5rem 0 2rem}@media print{details{display:none}}"
)
_POLICY: Final = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"


def write_charts(plan: PlanTables, path: Path) -> None:
    """Write the charts of a plan as one page.

    A chart that the plan has nothing for is named, with what is missing.

    Parameters
    ----------
    plan
        A whole plan.
    path
        File to write.

    Raises
    ------
    MissingExtraError
        The package matplotlib is not installed.
    """
    parts = []
    for name in CHARTS:
        try:
            parts.append(_show_chart(draw_chart(plan, name)))
        except InputError as error:
            fault = error.faults[0]
            title = escape_html(CHARTS[name].capitalize())
            parts.append(f"<h2>{title}</h2><p>Not drawn: {escape_html(fault.found)}; {escape_html(fault.need)}.</p>")
    cautions = "".join(f"<li>{escape_html(line)}</li>" for line in list_cautions(plan))
    title = escape_html(f"{plan.site.name}: charts of season {plan.site.season}")
    path.write_text(
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'
        f'<meta name="viewport" content="width=device-width,initial-scale=1"><style>{_STYLE}</style></head>\n'
        f'<body><main><h1>{title}</h1><p class="note">{escape_html(NOT_READY)}</p>\n'
        + "\n".join(parts)
        + f"\n<h2>Cautions</h2><ul>{cautions}</ul></main></body></html>\n",
        encoding="utf-8",
        newline="\n",
    )


def _show_chart(chart: Chart) -> str:
    table = chart.table.reset_index()
    heads = "".join(f'<th scope="col">{escape_html(name)}</th>' for name in table.columns)
    columns = [cell_values(table[name]) for name in table.columns]
    rows = "".join(
        "<tr>" + "".join(f"<td>{escape_html(_show(cell))}</td>" for cell in row) + "</tr>"
        for row in zip(*columns, strict=True)
    )
    return (
        f"<h2>{escape_html(chart.title)}</h2>{chart._repr_html_()}"
        f"<details><summary>Figures</summary><table><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table></details>"
    )


def _show(cell: object) -> object:
    return f"{cell:.4g}" if isinstance(cell, float) else cell
