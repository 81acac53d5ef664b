"""In: texts and tables. Out: blocks of a printed page (paragraphs, tables), and pages that they are set on.

What a crew acts on is 12 pt, what stands behind it 10 pt or more. All is black on white or on light grey, so that a
copier keeps it.
"""

from __future__ import annotations

import importlib.util
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any, Final, TypeAlias
from xml.sax.saxutils import escape

from tussock import __version__
from tussock.base.errors import MissingExtraError
from tussock.deliver.sheets_text import HasGlyph, clean_text, turn_line

#: A piece of a paragraph: text from data, or a pair ("b", text) that is printed bold.
Piece: TypeAlias = object
Flow: TypeAlias = Any

#: Letters of what a crew acts on, of what it looks up, of what stands behind it [pt].
ACT_PT: Final = 12.0
BODY_PT: Final = 11.0
SMALL_PT: Final = 10.0
MARGIN_PT: Final = 30.0
_LEADING: Final = 1.2
_FALLBACK: Final = "The font here has Latin letters only (install matplotlib for more): others are printed as [U+code]."
_WIDE: Final = "Letters that the font does not have are printed as [U+code]."


@dataclass(frozen=True)
class Fonts:
    """A font in two weights, and which characters it has."""

    regular: str
    bold: str
    has_glyph: HasGlyph = field(compare=False)
    note: str = ""


@dataclass(frozen=True)
class Block:
    """Flowables that stay on one page where they fit on one; ``new_page`` starts on a page of its own."""

    flows: tuple[Flow, ...]
    new_page: bool = False


@dataclass(frozen=True)
class Paper:
    """A page: its size and the room inside margins, head and foot [pt]."""

    width: float
    height: float
    head: float
    foot: float = 17.0

    @property
    def inner_width(self) -> float:
        """Width between the margins [pt]."""
        return self.width - 2 * MARGIN_PT

    @property
    def inner_height(self) -> float:
        """Height between head and foot [pt]."""
        return self.height - 2 * MARGIN_PT - self.head - self.foot


def require_reportlab() -> None:
    """Check that the PDF library is there.

    Raises
    ------
    MissingExtraError
        It is not; the message says how to install it.
    """
    if importlib.util.find_spec("reportlab") is None:
        raise MissingExtraError('crew sheets need the package reportlab: pip install "tussock[pdf]"')


@lru_cache(maxsize=1)
def load_fonts() -> Fonts:
    """Return the widest font at hand: the one that matplotlib ships, else Helvetica, which every reader has."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = _find_matplotlib_fonts()
    if folder is None:
        return Fonts("Helvetica", "Helvetica-Bold", _is_western, _FALLBACK)
    names = ("TussockSans", "TussockSans-Bold")
    faces = []
    for name, file in zip(names, ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf"), strict=True):
        font = TTFont(name, str(folder / file))
        pdfmetrics.registerFont(font)
        faces.append(font.face.charToGlyph)
    pdfmetrics.registerFontFamily(names[0], normal=names[0], bold=names[1], italic=names[0], boldItalic=names[1])
    common = set(faces[0]) & set(faces[1])
    return Fonts(*names, lambda character: ord(character) in common, _WIDE)


def open_canvas(path: Path, paper: Paper, title: str) -> Any:
    """Begin a PDF file: the same pages give the same bytes."""
    from reportlab.pdfgen.canvas import Canvas

    canvas = Canvas(
        str(path),
        pagesize=(paper.width, paper.height),
        invariant=1,
        lang="en",
        pageCompression=1,
        initialFontName=load_fonts().regular,
    )
    canvas.setTitle(clean(title))
    canvas.setAuthor(f"Tussock {__version__}")
    return canvas


def _find_matplotlib_fonts() -> Path | None:
    """Return the folder of matplotlib's fonts without importing it (a quarter of a second)."""
    found = importlib.util.find_spec("matplotlib")
    if found is None or found.origin is None:
        return None
    folder = Path(found.origin).parent / "mpl-data" / "fonts" / "ttf"
    return folder if (folder / "DejaVuSans.ttf").is_file() and (folder / "DejaVuSans-Bold.ttf").is_file() else None


def _is_western(character: str) -> bool:
    try:
        character.encode("cp1252")
    except UnicodeEncodeError:
        return False
    return True


def bold(value: object) -> tuple[str, object]:
    """Mark a piece as bold."""
    return "b", value


def clean(value: object) -> str:
    """Return text that the font can print, for drawing on the canvas."""
    return turn_line(clean_text(value, load_fonts().has_glyph))


def mark_up(pieces: Iterable[Piece]) -> str:
    """Return pieces as the paragraph's markup, all text escaped."""
    has_glyph, parts = load_fonts().has_glyph, []
    for piece in pieces:
        strong = isinstance(piece, tuple)
        text = str(piece[1] if isinstance(piece, tuple) else piece)
        edges = (" " if text[:1] == " " else "", " " if len(text) > 1 and text[-1] == " " else "")
        inner = escape(clean_text(text, has_glyph))
        inner = f"{edges[0]}{inner}{edges[1]}"
        parts.append(f"<b>{inner}</b>" if strong else inner)
    return "".join(parts)


def para(*pieces: Piece, size: float = BODY_PT, white: bool = False, align: int = 0, anchor: str = "") -> Flow:
    """Return a paragraph that wraps at its column.

    Parameters
    ----------
    pieces
        Texts, and texts marked by `bold`.
    size
        Size of the letters [pt].
    white
        White letters, for a black heading.
    align
        0 left, 1 centre, 2 right.
    anchor
        Name of a place in the document that the paragraph links to.
    """
    from reportlab.lib.styles import ParagraphStyle

    fonts = load_fonts()
    style = ParagraphStyle(
        "body",
        fontName=fonts.regular,
        fontSize=size,
        leading=size * _LEADING,
        textColor="white" if white else "black",
        alignment=align,
        splitLongWords=1,
    )
    text = mark_up(pieces)
    if anchor:
        text = f'<link href="#{anchor}">{text}</link>'
    return _turning_paragraph()(text, style)


@lru_cache(maxsize=1)
def _turning_paragraph() -> Any:
    """Return a paragraph class that turns right-to-left words in each line once the lines are broken."""
    from reportlab.platypus import Paragraph

    class TurningParagraph(Paragraph):  # type: ignore[misc]  # the library has no types
        _turned = False
        _broken_at = -1.0

        def wrap(self, wide: float, high: float) -> tuple[float, float]:
            if wide != self._broken_at:  # a table asks for the height of each cell several times
                super().wrap(wide, high)
                self._broken_at, self._turned = wide, False
            return wide, self.height

        def draw(self) -> None:
            if not self._turned:
                self._turned = True
                _turn_lines(self.blPara)
            super().draw()

    return TurningParagraph


def _turn_lines(broken: Any) -> None:
    """Turn right-to-left words in the broken lines of a paragraph, in place."""
    for line in broken.lines:
        if broken.kind == 0:
            words = line[1]
            text = " ".join(words)
            turned = turn_line(text)
            if turned != text:
                words[:] = turned.split(" ")
        else:
            for fragment in line.words:
                if isinstance(getattr(fragment, "text", None), str):
                    fragment.text = turn_line(fragment.text)


def heading(text: str, size: float = 12.5) -> Flow:
    """Return a heading over a rule."""
    return table([[para(bold(text), size=size)]], [None], lines="under", pad=(4, 1.5))


def bar(*pieces: Piece, size: float = 12.0) -> Flow:
    """Return a heading in white on black."""
    return table([[para(*pieces, size=size, white=True)]], [None], lines="none", fill="black", pad=(3, 4))


def table(
    rows: Sequence[Sequence[Any]],
    widths: Sequence[float | None],
    *,
    lines: str = "grid",
    head: bool = False,
    fill: str | None = None,
    pad: tuple[float, float] = (3, 3),
    heights: Sequence[float | None] | None = None,
    sides: float = 4.0,
    align: str = "LEFT",
    across: bool = False,
    whole_rows: bool = False,
) -> Flow:
    """Return a table that may break between and inside rows; its head is repeated.

    Parameters
    ----------
    rows
        Cells: paragraphs or lists of flowables.
    widths
        Width of each column [pt]; None shares out what is left.
    lines
        ``"grid"``, ``"rows"``, ``"under"`` or ``"none"``.
    head
        Whether the first row is a head.
    fill
        Background of the whole table.
    pad
        Room above and below each cell [pt].
    heights
        Height of each row [pt]; None fits the text.
    sides
        Room left and right in each cell [pt].
    align
        Where it stands in a cell that is wider: ``"LEFT"`` or ``"CENTER"``.
    across
        Whether the first cell of the first row runs across all columns.
    whole_rows
        Whether it breaks inside a row only where that row is taller than a page.
    """
    from reportlab.platypus import Table

    style: list[tuple[Any, ...]] = [
        ("FONT", (0, 0), (-1, -1), load_fonts().regular),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("TOPPADDING", (0, 0), (-1, -1), pad[0]),
        ("BOTTOMPADDING", (0, 0), (-1, -1), pad[1]),
        ("LEFTPADDING", (0, 0), (-1, -1), sides),
        ("RIGHTPADDING", (0, 0), (-1, -1), sides),
        *_RULES[lines],
    ]
    if fill is not None:
        style.append(("BACKGROUND", (0, 0), (-1, -1), fill))
    if head:
        style.append(("BACKGROUND", (0, 0), (-1, 0), _LIGHT))
    if across:
        style.append(("SPAN", (0, 0), (-1, 0)))
    return Table(
        [list(row) for row in rows],
        colWidths=list(widths),
        rowHeights=None if heights is None else list(heights),
        style=style,
        repeatRows=int(head),
        splitInRow=int(not whole_rows),
        hAlign=align,
    )


_LIGHT: Final = (0.88, 0.88, 0.88)
_RULES: Final[dict[str, list[tuple[Any, ...]]]] = {
    "grid": [("GRID", (0, 0), (-1, -1), 0.75, "black")],
    "rows": [("LINEBELOW", (0, 0), (-1, -1), 0.5, (0.45, 0.45, 0.45)), ("BOX", (0, 0), (-1, -1), 0.75, "black")],
    "under": [("LINEBELOW", (0, -1), (-1, -1), 1.2, "black")],
    "none": [],
}


def share_widths(total: float, parts: Sequence[float]) -> list[float]:
    """Return column widths in the proportion of ``parts`` that fill ``total`` [pt]."""
    whole = sum(parts)
    return [total * part / whole for part in parts]


def facts_table(rows: Iterable[tuple[str, Sequence[Piece] | Flow]], width: float, label_width: float = 96.0) -> Flow:
    """Return a table of a label and its text, one fact in a row."""
    cells = []
    for label, content in rows:
        cells.append([para(bold(label)), content if _is_flow(content) else para(*content)])
    return table(cells, [label_width, width - label_width], lines="rows", pad=(0.5, 2.5))


def _is_flow(content: Any) -> bool:
    """Tell whether a cell holds flowables already, one or a list of them."""
    return hasattr(content[0] if isinstance(content, list) and content else content, "wrapOn")


def measure(flows: Iterable[Flow], wide: float, high: float = 1e4) -> float:
    """Return the height of flowables one below the other [pt], in a column of a width [pt]."""
    return float(sum(flow.wrapOn(None, wide, high)[1] for flow in flows))


def set_pages(blocks: Sequence[Block], paper: Paper) -> list[list[tuple[Flow, float]]]:
    """Set blocks on pages.

    Parameters
    ----------
    blocks
        In reading order.
    paper
        Room on a page.

    Returns
    -------
    list
        For each page its flowables, each with the distance of its top from the top of the room [pt].
    """
    pages: list[list[tuple[Flow, float]]] = [[]]
    used = 0.0
    for block in blocks:
        tall = measure(block.flows, paper.inner_width, paper.inner_height)
        overflows = used + tall > paper.inner_height
        if pages[-1] and (block.new_page or (overflows and tall <= paper.inner_height)):
            pages.append([])
            used = 0.0
        used = _set_flows(list(block.flows), paper, pages, used)
    return pages


def _set_flows(waiting: list[Flow], paper: Paper, pages: list[list[tuple[Flow, float]]], used: float) -> float:
    """Set flowables one below the other, broken over pages where need be; return the height used on the last page."""
    while waiting:
        flow = waiting.pop(0)
        left = paper.inner_height - used
        tall = flow.wrap(paper.inner_width, left)[1]
        after = waiting[0].wrap(paper.inner_width, left)[1] if waiting else 0.0
        lonely = len(waiting) > 0 and tall < _HEADING_PT and tall + min(after, _HEADING_PT) > left
        if tall <= left and not lonely:
            pages[-1].append((flow, used))
            used += tall
            continue
        parts = flow.split(paper.inner_width, left) if left > _HEADING_PT and not lonely else []
        if len(parts) > 1:
            waiting[:0] = parts
        elif pages[-1]:
            waiting.insert(0, flow)
            pages.append([])
            used = 0.0
        elif getattr(flow, "splitInRow", 1) == 0:  # a row taller than a page: it breaks after all
            flow.splitInRow = 1
            waiting.insert(0, flow)
        else:
            pages[-1].append((_shrink(flow, paper), 0.0))
            used = paper.inner_height
    return used


def _shrink(flow: Flow, paper: Paper) -> Flow:
    """Return a flowable that cannot be broken, made smaller until it fits on one page."""
    from reportlab.platypus import KeepInFrame

    return KeepInFrame(paper.inner_width, paper.inner_height, [flow], mode="shrink")


_HEADING_PT: Final = 40.0


def input_marks(documents: Iterable[Any]) -> str:
    """Return the site file and rule files with the start of their hashes, for the foot of each page."""
    marks = [
        f"{os.path.basename(item.name)} {item.sha256[:8]}"  # noqa: PTH119  (a name as printed, not a path to open)
        for item in documents
        if item.role in ("site", "rules")
    ]
    return ", ".join(dict.fromkeys(marks))
