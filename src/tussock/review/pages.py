"""In: compliance.html and map.html as text. Out: findings where a page says otherwise than plan.gpkg and run.json."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Mapping
from html.parser import HTMLParser
from typing import Any, Final

import numpy as np
import shapely

from tussock.base.text import show_length
from tussock.review.evidence import Evidence
from tussock.review.geometry import move_to_degrees
from tussock.review.rows import Row, info, pick_rows, violation

PAGE: Final = "compliance.html"
MAP: Final = "map.html"
#: First heads of the tables of pairs, of verdicts, of rule sets and of units without a treatment.
_PAIRS: Final = ("Unit", "Rule")
_VERDICTS: Final = ("Verdict", "Pairs", "Units")
_RULESETS: Final = ("Title", "Authority")
_PAIR_CELLS: Final = 10
#: The map stores 1e-7 degree; a vertex stands off by half of it, and by rounding.
_STEP_DEG: Final = 1e-7
_DATA: Final = re.compile(r'<script type="application/json" id="plan-data">(.*?)</script>', re.DOTALL)


class _Reader(HTMLParser):
    """Collects the tables of a page, row by row, and its text."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tables: list[list[list[str]]] = []
        self.words: list[str] = []
        self.open_table = self.open_cell = self.silent = False
        self.scripts = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:  # noqa: ARG002
        if tag == "table":
            self.tables.append([])
            self.open_table = True
        elif tag == "tr" and self.open_table:
            self.tables[-1].append([])
        elif tag in ("td", "th") and self.open_table and self.tables[-1]:
            self.tables[-1][-1].append("")
            self.open_cell = True
        elif tag == "br" and self.open_cell:
            self.tables[-1][-1][-1] += " "
        elif tag in ("script", "style"):
            self.silent = True
            self.scripts += tag == "script"

    def handle_endtag(self, tag: str) -> None:
        if tag == "table":
            self.open_table = self.open_cell = False
        elif tag in ("td", "th"):
            self.open_cell = False
        elif tag in ("script", "style"):
            self.silent = False

    def handle_data(self, data: str) -> None:
        if self.open_cell:
            self.tables[-1][-1][-1] += data
        if not self.silent:
            self.words.append(data)


def check_pages(evidence: Evidence) -> list[Row]:
    """Check that the page for the reviewer and the map say what plan.gpkg holds."""
    texts = evidence.delivered.texts
    rows = _check_page(evidence, texts[PAGE]) if PAGE in texts else []
    if MAP in texts:
        reader = _Reader()
        reader.feed(texts[MAP])
        rows += _check_map(evidence, texts[MAP])
        rows += _check_said(evidence, " ".join(reader.words), MAP, findings=False)
    return [*rows, info("folder", f"{sum(name in texts for name in (PAGE, MAP))} pages against plan.gpkg")]


def _check_page(evidence: Evidence, text: str) -> list[Row]:
    reader = _Reader()
    reader.feed(text)
    scripts = [violation(PAGE, "a script", "a page without any, as the plan wrote it")] if reader.scripts else []
    tables = [(tuple(table[0]), table[1:]) for table in reader.tables if table]
    rows = _check_pairs(evidence, [row for head, body in tables if head[:2] == _PAIRS for row in body])
    rows += _check_counts(evidence, [row for head, body in tables if head[:3] == _VERDICTS for row in body])
    rows += _check_rulesets(evidence, [row for head, body in tables if head[:2] == _RULESETS for row in body])
    rows += _check_refused(evidence, [row for head, body in tables if head[:1] == ("Unit",) for row in body])
    return [*scripts, *rows, *_check_said(evidence, " ".join(reader.words), PAGE)]


def _tidy(text: Any) -> str:
    return " ".join(str(text).split())


def _check_pairs(evidence: Evidence, body: list[list[str]]) -> list[Row]:
    """Check that each pair of unit and setback stands on the page once, with the figures and words of the table."""
    table = evidence.compliance
    drafts = {item.ruleset.title for item in evidence.catalog.rulesets if item.ruleset.status == "draft"}
    shown: dict[tuple[str, str], list[str]] = {}
    count: Counter[tuple[str, str]] = Counter()
    for row in body:
        if len(row) == _PAIR_CELLS:
            key = _tidy(row[0]), _tidy(row[1])
            shown[key] = [_tidy(cell) for cell in row[2:]]
            count[key] += 1
    rows = []
    columns = ("unit_id", "setback_id", "ruleset", "required_m", "achieved_m", "error_m", "distance_verdict",
               "verdict", "feature", "note", "source")  # fmt: skip
    for unit, rule, title, *cells in zip(*(table[name].tolist() for name in columns), strict=True):
        name = f"{rule} DRAFT" if title in drafts else str(rule)
        key = _tidy(unit), _tidy(name)
        figures = [_show(evidence, size) for size in cells[:3]]
        expected = [*figures, *map(_tidy, cells[3:])]
        where = f"{PAGE}, unit {unit}, setback {rule}"
        if count[key] != 1:
            rows.append(violation(where, f"{count[key]} rows", "one row for each unit and setback"))
        elif shown[key] != expected:
            place = next(k for k, pair in enumerate(zip(shown[key], expected, strict=True)) if pair[0] != pair[1])
            rows.append(violation(f"{where}, {columns[place + 3].removesuffix('_m')}", shown[key][place][:80],
                                  f"{expected[place][:80] or 'a blank'}, as in plan.gpkg"))  # fmt: skip
        count.pop(key, None)
    rows += [
        violation(f"{PAGE}, unit {key[0]}, setback {key[1]}", "a row of no pair of the plan", "the pairs of plan.gpkg")
        for key in count
    ]
    return _cap(rows)


def _cap(rows: list[Row]) -> list[Row]:
    return pick_rows(np.ones(len(rows), dtype=bool), lambda k: rows[k])


def _show(evidence: Evidence, size_m: float) -> str:
    return "" if np.isnan(size_m) or np.isinf(size_m) else show_length(size_m, evidence.system).split()[0]


def _check_counts(evidence: Evidence, body: list[list[str]]) -> list[Row]:
    """Check how many pairs and units the page counts for each verdict."""
    table = evidence.compliance
    found = {_tidy(row[0]): [_tidy(cell).replace(",", "") for cell in row[1:3]] for row in body}
    rows = []
    for verdict, own in table.groupby("verdict"):
        expected = [str(len(own)), str(own["unit_id"].nunique())]
        said = found.get(str(verdict), ["0", "0"])
        if said != expected:
            where = f"{PAGE}, verdict {verdict}"
            rows.append(violation(where, f"{said[0]} pairs, {said[1]} units", f"{expected[0]}, {expected[1]}"))
    return rows


def _check_rulesets(evidence: Evidence, body: list[list[str]]) -> list[Row]:
    """Check that the page lists the rule sets that were loaded, with authority and status."""
    found = [(_tidy(row[0]), _tidy(row[1]), _tidy(row[3])) for row in body if len(row) > 3]  # noqa: PLR2004
    expected = [
        (_tidy(item.ruleset.title), _tidy(item.ruleset.authority), item.ruleset.status)
        for item in evidence.catalog.rulesets
    ]
    rows = []
    for title, authority, status in expected:
        own = [row for row in found if row[0] == title]
        if len(own) != 1 or own[0][1] != authority or not own[0][2].casefold().startswith(status):
            said = "; ".join(" / ".join(row[1:]) for row in own) or "missing"
            rows.append(violation(f"{PAGE}, rule set {title}", said, f"{authority} / {status}"))
    rows += [
        violation(f"{PAGE}, rule set {row[0]}", "not in run.json", "the rule sets that were loaded")
        for row in found
        if row[0] not in {title for title, _, _ in expected}
    ]
    return rows


def _check_refused(evidence: Evidence, body: list[list[str]]) -> list[Row]:
    """Check that each unit without a treatment stands on the page with its reasons."""
    units = evidence.units
    said: dict[str, list[str]] = {}
    for row in body:
        if len(row) != _PAIR_CELLS:
            said.setdefault(_tidy(row[0]), []).append("".join("".join(row[1:]).split()))
    bare = units[units["status"] == "no_option"]
    rows = []
    for unit, reason in zip(bare["unit_id"].tolist(), bare["reason"].tolist(), strict=True):
        parts = ["".join(part.split()) for part in str(reason).split("; ") if part.strip()]
        if not any(all(part in text for part in parts) for text in said.get(_tidy(unit), [])):
            rows.append(violation(f"{PAGE}, unit {unit}", "without its reasons for no treatment", str(reason)[:80]))
    return _cap(rows)


def _check_said(evidence: Evidence, words: str, page: str, *, findings: bool = True) -> list[Row]:
    """Check that a page carries the cautions, and the findings, of run.json."""
    run = evidence.delivered.run
    cautions = run.get("cautions")
    told = run.get("findings") if findings else None
    wanted = [("caution", str(text)) for text in (cautions if isinstance(cautions, list) else [])]
    wanted += [
        ("finding", str(item.get("what", "")))
        for item in (told if isinstance(told, list) else [])
        if isinstance(item, Mapping)
    ]
    plain = "".join(words.split())
    return _cap(
        [
            violation(f"{page}, {kind}", "missing", text[:120])
            for kind, text in wanted
            if "".join(text.split()) not in plain
        ]
    )


def _check_map(evidence: Evidence, text: str) -> list[Row]:
    """Check that the map shows each unit with its outline, its product and its class."""
    match = _DATA.search(text)
    if match is None:
        return [violation(MAP, "no data of the plan", "the map as the plan wrote it")]
    data = json.loads(match[1])
    units, texts = data["units"], data["texts"]
    place = {str(name): k for k, name in enumerate(units["id"])}
    rows: list[Row] = []
    for column, key in (("product_id", "product"), ("status", "status"), ("allowed_use", "use")):
        for unit, wanted in zip(evidence.units["unit_id"].tolist(), evidence.units[column].tolist(), strict=True):
            k = place.get(unit)
            found = None if k is None else str(texts[units[key][k]])
            if found is not None and found != wanted:
                rows.append(violation(f"{MAP}, unit {unit}, {column}", found or "a blank", f"{wanted or 'a blank'}"))
    known = set(evidence.units["unit_id"].tolist())
    rows += [
        violation(f"{MAP}, unit {name}", "no unit of the plan", "the units") for name in place if name not in known
    ]
    for layer, key, outlines in (
        ("units", "unit_id", move_to_degrees(evidence.unit_outline, evidence.crs)),
        ("patches", "patch_id", move_to_degrees(evidence.patch_outline, evidence.delivered.layers["patches"].crs)),
    ):
        rows += _check_shapes(data[layer], getattr(evidence, layer)[key].tolist(), outlines, key.removesuffix("_id"))
    return _cap(rows)


def _check_shapes(drawn: Mapping[str, Any], ids: list[str], outlines: Any, what: str) -> list[Row]:
    """Check the vertices that the map draws against those of an outline in degrees, shape by shape."""
    place = {str(name): k for k, name in enumerate(drawn["id"])}
    rows = []
    for name, outline in zip(ids, outlines, strict=True):
        if name not in place:
            rows.append(violation(f"{MAP}, {what} {name}", "not on it", f"every {what}"))
            continue
        found = _unpack(drawn["shape"][place[name]])
        wanted = np.vstack([np.empty((0, 2)), *(shapely.get_coordinates(ring)[:-1] for ring in _list_rings(outline))])
        if len(found) != len(wanted) or len(found) == 0:
            off = len(found) != len(wanted)
        else:
            turn = np.abs(found - wanted)
            turn[:, 0] = np.minimum(turn[:, 0], np.abs(turn[:, 0] - 360.0))
            off = bool((turn > _STEP_DEG).any())
        if off:
            rows.append(violation(f"{MAP}, {what} {name}", "drawn elsewhere than in plan.gpkg", "its outline"))
    return rows


def _list_rings(shape: Any) -> list[Any]:
    return [ring for part in shapely.get_parts(shape) for ring in (part.exterior, *part.interiors)]


def _unpack(shape: Mapping[str, Any]) -> Any:
    """Return the vertices of the polygons of a packed shape in degrees, shape (n, 2)."""
    rings = [np.cumsum(np.reshape(ring, (-1, 2)), axis=0) for part in shape.get("a", ()) for ring in part]
    return np.vstack([np.empty((0, 2)), *rings]) * _STEP_DEG
