"""The checklist is data, the review stands alone, and whatever happens in a check becomes a finding."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

import tussock.review
from tussock.review import folder as checks
from tussock.review.checklist import CHECKLIST, Check
from tussock.review.delivered import Delivered
from tussock.review.rows import COLUMNS, MOST_ROWS, info, pick_rows, rows_table, violation

#: Tables of values with their sources, and the words of a rule, which plan and review read alike; no decision and no
#: calculation stands in them.
SHARED_VALUES = (
    "tussock.trade.actives",
    "tussock.trade.methods",
    "tussock.trade.places",
    "tussock.trade.record_fields",
    "tussock.trade.times",
    "tussock.wording.rules",
)
MODULES = sorted(Path(tussock.review.__file__).parent.glob("*.py"))


def test_every_check_says_what_it_proves_and_who_asks_for_it():
    assert len({check.id for check in CHECKLIST}) == len(CHECKLIST) >= 20
    for check in CHECKLIST:
        assert all((check.title, check.proves, check.source)), check.id


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_the_review_uses_no_line_of_what_made_the_plan(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    names = [node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
    names += [alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names]
    own = [name for name in names if name.split(".")[0] == "tussock"]
    assert all(name.startswith(("tussock.base", "tussock.review")) or name in SHARED_VALUES for name in own), own
    assert "tussock.base.geodesy" not in own


def test_a_review_has_the_columns_that_were_promised(delivered: Delivered) -> None:
    table = checks.run_checks(delivered, only={"hashes", "words"})
    assert tuple(table.columns) == COLUMNS == ("check", "level", "where", "found", "expected", "note")
    assert set(table["level"]) == {"info"}
    assert list(dict.fromkeys(table["check"])) == ["files", "hashes", "words", "inputs"]


def test_a_check_that_stumbles_is_a_violation(delivered: Delivered, monkeypatch: pytest.MonkeyPatch) -> None:
    def stumble(_: object) -> list[object]:
        raise ZeroDivisionError("by nothing")

    broken = Check("broken", "a broken check", "nothing", "nobody", (), stumble)  # type: ignore[arg-type]
    monkeypatch.setattr(checks, "CHECKLIST", (broken,))
    table = checks.run_checks(delivered)
    own = table[table["check"] == "broken"]
    assert own["level"].tolist() == ["violation"]
    assert "ZeroDivisionError: by nothing" in own["found"].iloc[0]


def test_many_findings_of_a_kind_are_counted_and_the_worst_come_first():
    worst = np.arange(100.0)
    rows = pick_rows(np.ones(100, dtype=bool), lambda k: violation(str(k), "x"), worst)
    assert rows[0].where == "99"
    assert len(rows) == MOST_ROWS + 1
    assert rows[-1].found == "60 more"
    assert rows[-1].level == "violation"


def test_an_empty_table_keeps_its_columns():
    assert list(rows_table([]).columns) == list(COLUMNS)
    assert rows_table([("a", info("b", "c"))]).iloc[0].tolist() == ["a", "info", "b", "c", "", ""]
