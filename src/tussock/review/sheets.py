"""In: the PDFs of a folder and the units. Out: findings where a sheet or a paper does not say what is planned."""

from __future__ import annotations

import re
from dataclasses import dataclass
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final

import numpy as np

from tussock.review.evidence import Evidence
from tussock.review.rows import Row, info, pick_rows, violation

FILE: Final = "crew_sheets.pdf"
#: Pages that are read at most; a page takes some 50 ms.
_MOST_PAGES: Final = 1_000
#: Shares on a sheet have four digits.
_SHOWN: Final = 2e-3
#: Head of a page: a long patch id is cut, with three points at its end.
_HEAD: Final = re.compile(r"Patch (?P<patch>.+)\s+Sheet (?P<number>[0-9]+) of [0-9]+, page")
_CUT: Final = "..."


@dataclass
class _Sheet:
    """The sheet of a patch: the id in its head, and the text of its pages, all white space left out."""

    head: str
    text: str = ""

    def is_of(self, name: str) -> bool:
        """Tell whether the head is that of a patch, be it cut; its id without white space."""
        return self.head == name or (self.head.endswith(_CUT) and name.startswith(self.head.removesuffix(_CUT)))


#: Papers that are signed or filled in, and the title on the first page of each.
_PAPERS: Final = {
    "compliance.pdf": "Review of the loaded rules",
    "proposal.pdf": "Proposal",
    "record.pdf": "As-applied record",
}
_NUMBERED: Final = re.compile(r"Page [0-9,]+ of ([0-9,]+)", re.IGNORECASE)


def check_sheets(evidence: Evidence) -> list[Row]:
    """Check that the sheet of each patch names every planned unit, and that each paper is the one of this plan."""
    return [*_check_papers(evidence), *_check_crew_sheets(evidence)]


def _check_papers(evidence: Evidence) -> list[Row]:
    """Check title, site, season and number of pages of what is signed or filled in; the hash holds the rest."""
    delivered, catalog = evidence.delivered, evidence.catalog
    names = [name for name in _PAPERS if name in delivered.hashes and name not in delivered.unread]
    if not names or find_spec("pypdf") is None:
        return []
    rows = []
    for name in names:
        try:
            reader: Any = import_module("pypdf").PdfReader(delivered.folder / name)
            text = str(reader.pages[0].extract_text())
        except Exception as error:  # noqa: BLE001  (a damaged file can make the reader raise anything)
            rows.append(_describe_damage(name, error))
            continue
        plain = _join(text)
        missing = [
            words
            for words in (_PAPERS[name], catalog.name, f"season {catalog.season}")
            if words.isascii() and _join(words) not in plain
        ]
        if missing:
            rows.append(violation(name, f"nothing of {', '.join(missing)} on its first page", "the paper of this plan"))
        stated = _NUMBERED.search(text)
        if stated is not None and int(stated[1].replace(",", "")) != len(reader.pages):
            rows.append(violation(name, f"{len(reader.pages)} pages", f"{stated[1]}, as its first page says"))
    return [*rows, info("folder", f"{len(names)} papers by title, site, season and pages; the rest by their hash")]


def _describe_damage(name: str, error: Exception) -> Row:
    text = " ".join(str(error).split())[:120] or type(error).__name__
    return violation(name, f"cannot be read as a PDF ({text})", "the file as the plan wrote it")


def _check_crew_sheets(evidence: Evidence) -> list[Row]:
    """Check that the sheet of each patch names every planned unit, and its product at the share of the mix."""
    delivered = evidence.delivered
    if FILE not in delivered.hashes or FILE in delivered.unread:
        return [info(FILE, "not checked: it is not there")]
    if find_spec("pypdf") is None:
        return [info(FILE, "by its hash alone: the package pypdf is not installed")]
    try:
        sheets, pages = _read_sheets(delivered.folder / FILE, delivered.hashes[FILE])
    except Exception as error:  # noqa: BLE001  (a damaged file can make the reader raise anything)
        return [_describe_damage(FILE, error)]
    if pages > _MOST_PAGES:
        return [info(FILE, f"by its hash alone: {pages} pages, {_MOST_PAGES} are read at most")]
    units = evidence.units
    planned = (units["status"] == "planned").to_numpy()
    columns = ("unit_id", "patch_id", "product_id", "concentration_pct")
    faults = [
        _find_fault(sheets, *values) if works else ""
        for works, values in zip(
            planned.tolist(), zip(*(units[name].tolist() for name in columns), strict=True), strict=True
        )
    ]
    ids = units["unit_id"].to_numpy()
    rows = pick_rows(
        np.array([bool(fault) for fault in faults], dtype=bool),
        lambda k: violation(
            f"{FILE}, unit {ids[k]}", faults[k], "what is planned on the unit, on the sheet of its patch"
        ),
    )
    return [*rows, info(FILE, f"{int(planned.sum())} planned units on {pages} pages")]


#: The sheets read last, by the hash of their file: a folder that is reviewed again is not read again.
_LAST: Final[dict[str, tuple[list[_Sheet], int]]] = {}


def _read_sheets(path: Path, digest: str) -> tuple[list[_Sheet], int]:
    """Return the sheets of the patches, and the number of pages."""
    if digest not in _LAST:
        read = _read_pages(path)
        _LAST.clear()
        _LAST[digest] = read
    return _LAST[digest]


def _read_pages(path: Path) -> tuple[list[_Sheet], int]:
    reader: Any = import_module("pypdf").PdfReader(path)
    sheets: dict[int, _Sheet] = {}
    if len(reader.pages) > _MOST_PAGES:
        return [], len(reader.pages)
    for page in reader.pages:
        text = str(page.extract_text())
        match = _HEAD.match(text)
        if match is not None:
            sheets.setdefault(int(match["number"]), _Sheet(_join(match["patch"]))).text += _join(text)
    return list(sheets.values()), len(reader.pages)


def _join(text: str) -> str:
    return "".join(text.split())


def _find_fault(sheets: list[_Sheet], unit_id: str, patch_id: str, product_id: str, share_pct: float) -> str:
    """Return what a sheet lacks; an empty text where it lacks nothing, or where its font may print another letter."""
    if not (unit_id + patch_id + product_id).isascii():
        return ""
    name = _join(patch_id)
    own = [sheet for sheet in sheets if sheet.is_of(name)]  # several where long ids were cut to one
    if not own:
        return f"no sheet of patch {patch_id}"
    text = next((sheet.text for sheet in own if f"Unit{_join(unit_id)}:" in sheet.text), None)
    if text is None:
        return "not on it"
    if not product_id:
        return ""
    shares = re.findall(re.escape(_join(product_id)) + r"([0-9]+(?:\.[0-9]+)?)%", text)
    shares += ["100"] * (f"{_join(product_id)}undiluted" in text)
    if not any(abs(float(share) - share_pct) <= _SHOWN * share_pct for share in shares):
        return f"nothing of {product_id} at {share_pct:.4g} % of the mix"
    return ""
