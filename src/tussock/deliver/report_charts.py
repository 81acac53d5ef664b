"""In: a plan. Out: its charts as SVG that can stand inside a page: no request, no style for the rest of the page."""

from __future__ import annotations

import re
from dataclasses import dataclass

from tussock.base.errors import InputError, MissingExtraError
from tussock.base.stages import PlanTables
from tussock.deliver.charts import CHARTS, Chart, draw_chart
from tussock.deliver.escape import escape_html


@dataclass(frozen=True)
class PageChart:
    """A chart for a page: its title, its picture; or, without one, what is missing."""

    title: str
    svg: str
    missing: str


def list_charts(plan: PlanTables) -> list[PageChart]:
    """Return the four charts of a plan; one that has nothing to draw, or no library to be drawn with, says so."""
    charts = []
    for name, words in CHARTS.items():
        title = words[0].upper() + words[1:]
        try:
            charts.append(PageChart(title, embed_chart(draw_chart(plan, name)), ""))
        except InputError as error:
            fault = error.faults[0]
            charts.append(PageChart(title, "", f"{fault.found}; {fault.need}"))
        except MissingExtraError as error:
            charts.append(PageChart(title, "", str(error)))
    return charts


def embed_chart(chart: Chart) -> str:
    """Return a chart as an SVG element with ids of its own, without the style and the metadata of a file."""
    text = chart.to_svg()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r"<style[^>]*>.*?</style>", "", text, flags=re.DOTALL)
    prefix = f"chart-{chart.name}-"
    text = re.sub(r'\bid="', f'id="{prefix}', text)
    text = re.sub(r'href="#', f'href="#{prefix}', text)
    text = text.replace("url(#", f"url(#{prefix}")
    label = f'<svg role="img" aria-label="{escape_html(chart.alt)}" class="chart" stroke-linejoin="round" '
    return text.replace("<svg ", label, 1).strip()
