"""In: the files of the map page (ours, and the map library's from its registry package). Out: texts to inline.

Nothing here comes from data, except what `embed_json` is given. That text is the only way data reaches the page's
scripts, and it holds no character that could end a script, open a tag or be taken for a template.
"""

from __future__ import annotations

import base64
import json
import re
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

_FOLDER: Final = Path(__file__).parent / "assets"
_SCRIPTS: Final = ("map_core.js", "map_draw.js", "map_here.js", "map_panel.js", "map_tools.js")
_IMAGE: Final = re.compile(r"url\((images/[\w.-]+\.png)\)")
_URL_LEFT: Final = re.compile(r"url\((?!['\"]?(?:data:|#))", re.IGNORECASE)
#: Signs that could end a script, open a tag or start a template; inside a JSON string an escape says the same.
_ESCAPES: Final = {ord(sign): f"\\u{ord(sign):04x}" for sign in "<>&'`${}\x7f"}
_STRING: Final = re.compile(r'"(?:[^"\\]|\\.)*"')


def read_asset(name: str) -> str:
    """Return one of our own files."""
    return (_FOLDER / name).read_text("utf-8")


@lru_cache(maxsize=1)
def read_library() -> tuple[str, str]:
    """Return style and script of the map library, with its images inside and nothing left to fetch."""
    from xstatic.pkg import leaflet

    folder = Path(leaflet.BASE_DIR)

    def inline(match: re.Match[str]) -> str:
        image = base64.b64encode((folder / match.group(1)).read_bytes()).decode("ascii")
        return f"url(data:image/png;base64,{image})"

    style = _IMAGE.sub(inline, (folder / "leaflet.css").read_text("utf-8"))
    if _URL_LEFT.search(style):
        raise RuntimeError("the map library's style sheet has an address that is not inlined")
    script = (folder / "leaflet.js").read_text("utf-8")
    return style, re.sub(r"//# sourceMappingURL=\S*", "", script)


def read_scripts() -> str:
    """Return our scripts as one function; it is started by `startMap`."""
    parts = "\n".join(read_asset(name) for name in _SCRIPTS)
    return f"const startMap = (function () {{\n'use strict';\n{parts}\nreturn start;\n}}());\n"


def embed_json(value: Any) -> str:
    r"""Return JSON that stays data wherever it stands: in a script, in HTML, in a template.

    Inside strings ``<``, ``>``, ``&``, braces, dollar signs, quotes of scripts and all that is not ASCII become
    ``\uXXXX``.
    Outside of strings JSON has no two opening braces in a row, since a key comes first.

    Examples
    --------
    >>> print(embed_json({"a": "</script>{{7*7}}"}))
    {"a":"\u003c/script\u003e\u007b\u007b7*7\u007d\u007d"}
    """
    text = json.dumps(value, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    return _STRING.sub(lambda match: match.group().translate(_ESCAPES), text)
