"""In: texts, tables and small maps. Out: pages of a PDF, set line by line so that thousands of rows take seconds."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from tussock.deliver.report_maps import KINDS, LOOKS, SIDE, FindingMap, place_label
from tussock.deliver.sheets_layout import clean, load_fonts

MARGIN_PT: Final = 34.0
_HEAD_PT: Final = 22.0
_FOOT_PT: Final = 16.0
_ROW_PT: Final = 8.0
_TEXT_PT: Final = 9.5
_PAD_PT: Final = 2.5
_LEADING: Final = 1.22


@dataclass(frozen=True)
class Column:
    """A column of a table: its head, its share of the width, and whether it holds numbers."""

    head: str
    share: float
    number: bool = False


@dataclass(frozen=True)
class Front:
    """What stands on every page: title, line at the foot, paper [pt]."""

    title: str
    foot: str
    width: float
    height: float


@dataclass
class Pages:
    """Sets flowing text, tables and maps on pages; ``save`` numbers them and writes the file.

    Every page is a list of drawing calls, so that the number of pages is known when they are drawn.
    """

    front: Front
    calls: list[list[tuple[str, tuple[Any, ...]]]] = field(default_factory=list)
    y: float = 0.0

    def __post_init__(self) -> None:
        """Begin with the first page."""
        self.break_page()

    @property
    def inner(self) -> float:
        """Width between the margins [pt]."""
        return self.front.width - 2 * MARGIN_PT

    def break_page(self) -> None:
        """Go on at the top of a new page."""
        self.calls.append([])
        self.y = self.front.height - MARGIN_PT - _HEAD_PT

    def need(self, height: float) -> bool:
        """Break the page where that much height is not left; tell whether it did."""
        if self.y - height >= MARGIN_PT + _FOOT_PT:
            return False
        self.break_page()
        return True

    def put(self, kind: str, *values: Any) -> None:
        """Draw something on the present page."""
        self.calls[-1].append((kind, values))

    def heading(self, text: str, size: float = 13.0, keep: float = 0.0) -> None:
        """Set a heading that keeps a few lines below it, or what a table needs there for its first row [pt]."""
        self.need(max(size * 5, keep))
        self.y -= size * 1.5
        self.put("text", MARGIN_PT, self.y, text, size, True, "start")
        self.y -= size * 0.5
        self.put("line", MARGIN_PT, self.y, MARGIN_PT + self.inner, self.y, 1.2)
        self.y -= size * 0.3

    def text(self, words: str, *, size: float = _TEXT_PT, bold: bool = False, width: float | None = None) -> None:
        """Set a paragraph."""
        for line in wrap(words, bold, size, self.inner if width is None else width):
            self.need(size * _LEADING)
            self.y -= size * _LEADING
            self.put("text", MARGIN_PT, self.y + size * 0.22, line, size, bold, "start")
        self.y -= size * 0.45

    def table(
        self,
        columns: Sequence[Column],
        rows: Iterable[Sequence[str]],
        *,
        heavy: Iterable[bool] = (),
        height: float = 0.0,
        size: float = _ROW_PT,
    ) -> None:
        """Set a table; its head stands on every page that it takes.

        Parameters
        ----------
        columns
            Heads and widths.
        rows
            Cells as text.
        heavy
            Which rows are set bold.
        height
            Least height of a row, for blanks that are filled in by hand [pt].
        size
            Of the letters [pt].
        """
        total = sum(column.share for column in columns)
        widths = [column.share / total * self.inner for column in columns]
        head = [wrap(column.head, True, size, wide - 2 * _PAD_PT) for column, wide in zip(columns, widths, strict=True)]
        head_height = self._height(head, size)
        self.need(head_height + size * 4)
        self._row(columns, widths, head, head_height, size, bold=True, shade=True)
        flags = iter(heavy)
        for row in rows:
            strong = next(flags, False)
            cells = [wrap(text, strong, size, wide - 2 * _PAD_PT) for text, wide in zip(row, widths, strict=True)]
            while cells is not None:
                cells, rest = self._fit(cells, size)
                if self.need(max(self._height(cells, size), height)):
                    self._row(columns, widths, head, head_height, size, bold=True, shade=True)
                self._row(columns, widths, cells, max(self._height(cells, size), height), size, bold=strong)
                cells = rest
        self.y -= size * 0.8

    def _fit(self, cells: list[list[str]], size: float) -> tuple[list[list[str]], Any]:
        """Return the lines of a row that fit on a whole page, and the rest of it."""
        room = self.front.height - 2 * MARGIN_PT - _HEAD_PT - _FOOT_PT - 6 * size
        most = max(int(room / (size * _LEADING)), 1)
        if max(len(lines) for lines in cells) <= most:
            return cells, None
        return [lines[:most] for lines in cells], [lines[most:] or [""] for lines in cells]

    def _height(self, cells: list[list[str]], size: float) -> float:
        return max(len(lines) for lines in cells) * size * _LEADING + 2 * _PAD_PT

    def _row(
        self,
        columns: Sequence[Column],
        widths: Sequence[float],
        cells: list[list[str]],
        height: float,
        size: float,
        *,
        bold: bool = False,
        shade: bool = False,
    ) -> None:
        x = MARGIN_PT
        if shade:
            self.put("shade", x, self.y - height, self.inner, height)
        for column, wide, lines in zip(columns, widths, cells, strict=True):
            for number, line in enumerate(lines):
                if line:
                    y = self.y - _PAD_PT - (number + 0.8) * size * _LEADING
                    at, anchor = (x + wide - _PAD_PT, "end") if column.number else (x + _PAD_PT, "start")
                    self.put("text", at, y, line, size, bold, anchor)
            x += wide
        edges = [MARGIN_PT]
        for wide in widths:
            edges.append(edges[-1] + wide)
        self.put("grid", edges, self.y, self.y - height)
        self.y -= height

    def maps(self, findings: Sequence[FindingMap], across: int = 4) -> None:
        """Set small maps side by side, each with its caption."""
        gap = 12.0
        side = (self.inner - gap * (across - 1)) / across
        for start in range(0, len(findings), across):
            row = findings[start : start + across]
            captions = [
                wrap(item.title, True, _ROW_PT, side) + wrap(item.caption, False, _ROW_PT, side) for item in row
            ]
            below = max(len(lines) for lines in captions) * _ROW_PT * _LEADING + 8
            self.need(side + below)
            self.y -= side
            for number, (item, lines) in enumerate(zip(row, captions, strict=True)):
                x = MARGIN_PT + number * (side + gap)
                self.put("map", x, self.y, side, item)
                first = len(wrap(item.title, True, _ROW_PT, side))
                for place, line in enumerate(lines):
                    y = self.y - (place + 1) * _ROW_PT * _LEADING
                    self.put("text", x, y, line, _ROW_PT, place < first, "start")
            self.y -= below

    def save(self, path: Path, author: str) -> None:
        """Write the file; the same pages give the same bytes."""
        from reportlab.pdfgen.canvas import Canvas

        front = self.front
        canvas = Canvas(str(path), pagesize=(front.width, front.height), invariant=1, pageCompression=1)
        canvas.setTitle(clean(front.title))
        canvas.setAuthor(clean(author))
        canvas.setCreator("Tussock")
        for number, calls in enumerate(self.calls):
            _draw_frame(canvas, front, f"Page {number + 1} of {len(self.calls)}")
            for kind, values in calls:
                _DRAW[kind](canvas, *values)
            canvas.showPage()
        canvas.save()


@lru_cache(maxsize=100_000)
def _width(word: str, font: str, size: float) -> float:
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return float(stringWidth(word, font, size))


@lru_cache(maxsize=20_000)
def _wrap(text: str, bold: bool, size: float, width: float) -> tuple[str, ...]:
    fonts = load_fonts()
    font = fonts.bold if bold else fonts.regular
    lines: list[str] = []
    for part in map(clean, text.split("\n")):
        line = ""
        for word in part.split(" "):
            piece = word
            while _width(piece, font, size) > width and len(piece) > 1:  # a word wider than its column is broken
                count = max(int(len(piece) * width / _width(piece, font, size)), 1)
                while count > 1 and _width(piece[:count], font, size) > width:
                    count -= 1
                if line:
                    lines.append(line)
                    line = ""
                hyphen = piece.rfind("-", 1, count) + 1
                count = hyphen or count
                lines.append(piece[:count])
                piece = piece[count:]
            joined = f"{line} {piece}" if line else piece
            if line and _width(joined, font, size) > width:
                lines.append(line)
                line = piece
            else:
                line = joined
        lines.append(line)
    return tuple(lines)


def wrap(text: str, bold: bool, size: float, width: float) -> list[str]:
    """Return a text in lines of at most a width [pt], in letters that the font has."""
    return list(_wrap(str(text), bold, size, round(width, 2)))


def _draw_frame(canvas: Any, front: Front, page: str) -> None:
    fonts = load_fonts()
    top = front.height - MARGIN_PT
    canvas.setFont(fonts.bold, 9)
    canvas.drawString(MARGIN_PT, top - 8, clean(front.title))
    canvas.setFont(fonts.regular, 8)
    canvas.drawRightString(front.width - MARGIN_PT, top - 8, page)
    canvas.setLineWidth(0.5)
    canvas.line(MARGIN_PT, top - 13, front.width - MARGIN_PT, top - 13)
    canvas.drawString(MARGIN_PT, MARGIN_PT - 4, clean(front.foot))


def _draw_text(canvas: Any, x: float, y: float, words: str, size: float, bold: bool, anchor: str) -> None:
    fonts = load_fonts()
    canvas.setFont(fonts.bold if bold else fonts.regular, size)
    canvas.setFillGray(0)
    draw = {"start": canvas.drawString, "end": canvas.drawRightString, "middle": canvas.drawCentredString}[anchor]
    draw(round(x, 2), round(y, 2), words)


def _draw_line(canvas: Any, x0: float, y0: float, x1: float, y1: float, width: float) -> None:
    canvas.setLineWidth(width)
    canvas.line(x0, y0, x1, y1)


def _draw_shade(canvas: Any, x: float, y: float, width: float, height: float) -> None:
    canvas.setFillGray(0.9)
    canvas.rect(x, y, width, height, stroke=0, fill=1)


def _draw_grid(canvas: Any, edges: list[float], top: float, low: float) -> None:
    canvas.setLineWidth(0.4)
    canvas.setStrokeGray(0.4)
    path = canvas.beginPath()
    path.rect(edges[0], low, edges[-1] - edges[0], top - low)
    for x in edges[1:-1]:
        path.moveTo(x, top)
        path.lineTo(x, low)
    canvas.drawPath(path)
    canvas.setStrokeGray(0)


def _draw_map(canvas: Any, x: float, y: float, side: float, finding: FindingMap) -> None:
    """Draw a map with its lower left corner at a place."""
    canvas.saveState()
    frame = canvas.beginPath()
    frame.rect(x, y, side, side)
    canvas.clipPath(frame, stroke=0, fill=0)
    canvas.translate(x, y)
    canvas.scale(side / SIDE, side / SIDE)
    canvas.setLineJoin(1)
    for kind in KINDS:
        _draw_kind(canvas, finding, kind)
    _draw_signs(canvas, finding)
    canvas.restoreState()
    canvas.setLineWidth(0.8)
    canvas.rect(x, y, side, side)


def _draw_kind(canvas: Any, finding: FindingMap, kind: str) -> None:
    fill, line, width, dash = LOOKS[kind]
    path = canvas.beginPath()
    for trace in [item for item in finding.traces if item.kind == kind]:
        path.moveTo(*trace.points[0])
        for point in trace.points[1:]:
            path.lineTo(*point)
        if trace.closed:
            path.close()
    canvas.setLineWidth(width)
    canvas.setStrokeGray(line)
    canvas.setDash(*([list(dash)] if dash else [[]]))
    canvas.setFillGray(1 if fill is None else fill)
    canvas.drawPath(path, stroke=1, fill=int(fill is not None), fillMode=0)
    canvas.setDash([])


def _draw_signs(canvas: Any, finding: FindingMap) -> None:
    """Draw the way between the nearest points, the scale bar and the arrow to the north."""
    canvas.setStrokeGray(0)
    canvas.setLineWidth(1.2)
    (x0, y0), (x1, y1) = finding.pair
    canvas.line(x0, y0, x1, y1)
    for x, y, grey in ((x0, y0, 1), (x1, y1, 0)):
        canvas.setFillGray(grey)
        canvas.circle(x, y, 3, stroke=1, fill=1)
    length, words = finding.bar
    for points in ([(8, 14), (8, 10), (8 + length, 10), (8 + length, 14)], [(SIDE - 16, 181), (SIDE - 12, 187)]):
        for start, end in pairwise(points):
            canvas.line(*start, *end)
    canvas.line(SIDE - 12, 173, SIDE - 12, 187)
    canvas.line(SIDE - 8, 181, SIDE - 12, 187)
    x, y, anchor = place_label(finding)
    for at, height, text, side in (
        (x, y - 4, finding.distance, anchor),
        (8 + length / 2, 17, words, "middle"),
        (SIDE - 12, 162, "N", "middle"),
    ):
        _draw_label(canvas, at, height, clean(text), side)


def _draw_label(canvas: Any, x: float, y: float, words: str, anchor: str) -> None:
    """Write on a white ground."""
    size = 12.0
    wide = _width(words, load_fonts().regular, size)
    left = {"start": x, "middle": x - wide / 2, "end": x - wide}[anchor]
    canvas.setFillGray(1)
    canvas.rect(left - 1, y - 2, wide + 2, size, stroke=0, fill=1)
    _draw_text(canvas, x, y, words, size, False, anchor)


_DRAW: Final[dict[str, Callable[..., None]]] = {
    "text": _draw_text,
    "line": _draw_line,
    "shade": _draw_shade,
    "grid": _draw_grid,
    "map": _draw_map,
}
