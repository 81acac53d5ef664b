"""In: a plan and the name of a chart. Out: the chart: figures, picture and a text that says what it shows."""

from __future__ import annotations

import base64
import difflib
import importlib.util
import io
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tussock.base.errors import Fault, InputError, MissingExtraError, OutputError
from tussock.base.stages import PlanTables
from tussock.deliver.escape import escape_html

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

#: A chart: what it is called, and what it shows.
CHARTS: Final = {
    "hours": "crew hours by week",
    "products": "product by patch",
    "budget": "low, likely and high of the season's totals",
    "cut_line": "patches in order of priority, and where the budget ends",
}
#: Settings that make the picture the same everywhere: no formulas in texts, fixed names inside the file.
_SETTINGS: Final[dict[str, Any]] = {
    "svg.hashsalt": "tussock",
    "svg.fonttype": "path",
    "text.parse_math": False,
    "font.family": "DejaVu Sans",
    "font.size": 11.0,
    "hatch.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
}
_DOTS_PER_INCH: Final = 110


@dataclass(frozen=True)
class Chart:
    """A chart of a plan; it shows itself in a notebook.

    Attributes
    ----------
    name, title
        What it is called and what it shows.
    alt
        What it shows, in words, for whoever cannot see it.
    table
        The figures drawn.
    figure
        The picture, as a matplotlib figure.
    """

    name: str
    title: str
    alt: str
    table: pd.DataFrame
    figure: Figure

    def save(self, path: str | Path) -> Path:
        """Write the picture as ``.svg`` or ``.png``; the same plan gives the same bytes.

        Raises
        ------
        OutputError
            The name ends otherwise, or the file cannot be written.
        """
        path = Path(path)
        kind = path.suffix.casefold()
        if kind not in (".svg", ".png"):
            raise OutputError(f"{path}: a chart is written as .svg or .png; name the file so")
        try:
            path.write_bytes(self._draw(kind[1:]))
        except OSError as error:
            raise OutputError(f"{path} cannot be written: {error.strerror or error}; name another place") from error
        return path

    def to_svg(self) -> str:
        """Return the picture as SVG text."""
        return self._draw("svg").decode()

    def _draw(self, kind: str) -> bytes:
        fixed = {"Date": None, "Title": self.title} if kind == "svg" else {"Software": None, "Title": self.title}
        buffer = io.BytesIO()
        with use_settings():
            self.figure.savefig(buffer, format=kind, dpi=_DOTS_PER_INCH, metadata=fixed)
        return buffer.getvalue()

    def _repr_html_(self) -> str:
        """Return the picture for a notebook, with its words for screen readers."""
        image = base64.b64encode(self._draw("svg")).decode()
        return f'<img alt="{escape_html(self.alt)}" style="max-width:100%" src="data:image/svg+xml;base64,{image}">'


@contextmanager
def use_settings() -> Iterator[None]:
    """Draw with our settings, whatever the user's are; a letter that the font lacks is a box, and no warning."""
    import matplotlib as mpl

    with mpl.rc_context(_SETTINGS), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        yield


def draw_chart(plan: PlanTables, name: str) -> Chart:
    """Draw a chart of a plan.

    Parameters
    ----------
    plan
        What `tussock.make_plan` returned.
    name
        One of `CHARTS`: ``"hours"``, ``"products"``, ``"budget"``, ``"cut_line"``.

    Returns
    -------
    Chart
        Colours that colour-blind people tell apart, each with a hatching of its own, so that it reads in grey.

    Raises
    ------
    InputError
        No chart has that name, or the plan has nothing to draw: what is missing is said.
    MissingExtraError
        The package matplotlib is not installed.
    """
    if name not in CHARTS:
        near = difflib.get_close_matches(str(name).casefold(), CHARTS, n=1)
        meant = f'did you mean "{near[0]}"? ' if near else ""
        raise InputError(Fault("chart", "name", f'"{name}"', f"{meant}one of {', '.join(CHARTS)}"))
    if importlib.util.find_spec("matplotlib") is None:
        raise MissingExtraError('charts need the package matplotlib: pip install "tussock[pdf]"')
    from tussock.deliver import charts_season, charts_totals

    draw: dict[str, Callable[[PlanTables], Chart]] = {
        "hours": charts_season.draw_hours,
        "products": charts_totals.draw_products,
        "budget": charts_totals.draw_budget,
        "cut_line": charts_season.draw_cut_line,
    }
    with use_settings():
        return draw[name](plan)


def nothing_to_draw(name: str, found: str, need: str) -> InputError:
    """Return the error of a plan that has nothing for a chart."""
    return InputError(Fault(f'chart "{name}"', "plan", found, need))
