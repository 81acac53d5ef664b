"""In: text from data. Out: the same text made harmless for HTML, templates, scripts and spreadsheets."""

from __future__ import annotations

import html
from typing import Any, Final

_CODES: Final = str.maketrans({character: f"&#{ord(character)};" for character in "\\`${}"})
_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n")


def escape_html(value: object) -> str:
    """Return text that is only text in HTML, in a script template and in a Jinja template.

    The map library compiles text as a template in our own process, so that braces, backticks, dollar signs and
    backslashes are turned into entities too. None and nan give an empty text.
    """
    if value is None or value != value:  # noqa: PLR0124  (nan is not itself)
        return ""
    return html.escape(str(value), quote=True).translate(_CODES)


def escape_cell(value: Any) -> Any:
    """Return a cell value for CSV that no spreadsheet takes for a formula; numbers pass as they are."""
    if isinstance(value, str) and value.lstrip(" ").startswith(_FORMULA_STARTS):
        return "'" + value
    return value
