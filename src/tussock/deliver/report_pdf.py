"""In: a plan. Out: compliance.pdf: the page for the reviewer on paper, to be read, filled in and signed."""

from __future__ import annotations

from itertools import chain
from pathlib import Path
from typing import Any, Final

from tussock import __version__
from tussock.base.stages import PlanTables
from tussock.base.verdicts import FAILS, FIELD_CHECK, NOT_CHECKED
from tussock.deliver.report_content import describe_plan
from tussock.deliver.report_pages import Column, Front, Pages
from tussock.deliver.report_rows import PairGroup, split_met_rows
from tussock.deliver.sheets_layout import require_reportlab

REPORT_PDF: Final = "compliance.pdf"
#: Letter and A4, on their side [pt].
_LETTER: Final = (792.0, 612.0)
_A4: Final = (841.8898, 595.2756)
#: Pairs that are printed at most; the others stand in compliance.csv, and the page says how many they are.
MOST_PAIRS: Final = 4000
#: Room that the signature and its blanks take, and a heading with a row of maps [pt].
_SIGNATURE_PT: Final = 190.0
_MAPS_PT: Final = 290.0
#: Room of the plan's own table, and of a heading with the first row of the tasks, that names many units [pt].
_ABOUT_PT: Final = 170.0
_TASKS_PT: Final = 200.0
#: Letters of the annex [pt], and pairs beside each other in it.
_ANNEX_PT: Final = 6.5
_ANNEX_ACROSS: Final = 4
_HEAVY: Final = (FAILS, NOT_CHECKED, FIELD_CHECK)


def write_report_pdf(plan: PlanTables, path: Path) -> None:
    """Write the report on rules as a PDF that is signed on its first page.

    Letter paper on its side for a site in US units, A4 for a metric one; black on white, every line vector. The same
    plan gives the same bytes.

    Parameters
    ----------
    plan
        A whole plan.
    path
        File to write.

    Raises
    ------
    MissingExtraError
        The package reportlab is not installed.
    """
    require_reportlab()
    content = describe_plan(plan)
    size = _LETTER if plan.site.options.units == "us" else _A4
    title = f"Review of the loaded rules: {plan.site.name}, season {plan.site.season}"
    pages = Pages(Front(title, f"Tussock {__version__}. {content['not_ready']}.", *size))
    for section in (
        _set_front,
        _set_decide,
        _set_tasks,
        _set_rules,
        _set_refusals,
        _set_totals,
        _set_pairs,
        _set_end,
        _set_annex,
    ):
        section(pages, content)
    pages.save(path, plan.site.name)


def _set_front(pages: Pages, content: dict[str, Any]) -> None:
    pages.heading(f"Review of the loaded rules: {content['site']}, season {content['season']}", 16)
    pages.text(content["not_ready"], bold=True, size=11)
    for line in content["summary"]:
        pages.text(line, size=10.5)
    pages.table(
        [
            Column("Verdict", 2),
            Column("Pairs", 0.6, number=True),
            Column("Units", 0.6, number=True),
            Column("Means", 6),
        ],
        [[row["name"], f"{row['rows']:,}", f"{row['units']:,}", row["meaning"]] for row in content["verdicts"]],
        heavy=[row["name"] in _HEAVY and row["rows"] > 0 for row in content["verdicts"]],
        size=9,
    )
    pages.need(_SIGNATURE_PT)
    pages.heading("Signature of the reviewer")
    pages.text(
        "The signature says that the rule sets listed here were compared with the documents in force, and the pairs to "
        "decide were decided."
    )
    pages.table([Column(content["not_ready"], 2), Column("", 5)], [[name, ""] for name in content["blanks"]], height=26)
    pages.need(_ABOUT_PT)
    pages.table([Column("The plan", 1.4), Column("", 8)], [list(row) for row in content["about"]])


def _list_pair_columns(content: dict[str, Any]) -> list[Column]:
    length = content["length"]
    return [
        Column("Unit", 1.0),
        Column("Rule", 1.6),
        Column(f"Required [{length}]", 0.95, number=True),
        Column(f"Achieved [{length}]", 0.95, number=True),
        Column(f"Error [{length}]", 0.7, number=True),
        Column("Verdict", 1.9),
        Column("From", 1.8),
        Column("What follows", 2.8),
        Column("Clause and source", 2.0),
    ]


def _list_pair_cells(row: dict[str, str]) -> list[str]:
    rule = f"{row['rule']} {row['draft']}".strip()
    names = ("required", "achieved", "error", "verdict", "feature", "note", "source")
    return [row["unit"], rule, *(row[name] for name in names)]


def _set_decide(pages: Pages, content: dict[str, Any]) -> None:
    pages.heading("Pairs to decide, the worst first")
    rows = content["decide"]
    if not rows:
        pages.text("None: no pair fails, is unchecked or lies within the error.")
        return
    shown = rows[:MOST_PAIRS]
    pages.table(
        _list_pair_columns(content), map(_list_pair_cells, shown), heavy=[row["look"] == "bad" for row in shown]
    )
    if len(rows) > len(shown):
        pages.text(f"{len(rows) - len(shown):,} more stand in compliance.csv.", bold=True)
    if content["maps"]:
        left = content["maps_left"]
        more = f" {left:,} more findings have no map here." if left else ""
        pages.need(_MAPS_PT)
        pages.heading("Maps of these findings")
        pages.text(content["maps_legend"] + more)
        pages.maps(content["maps"])


def _set_tasks(pages: Pages, content: dict[str, Any]) -> None:
    pages.heading("Permits, notices, places to keep mixing away from", keep=_TASKS_PT)
    if not content["tasks"]:
        pages.text("The loaded rules ask for none.")
        return
    pages.table(
        [
            Column("Kind", 1.1),
            Column("Rule", 1.3),
            Column("What", 2.5),
            Column("Units", 3.2),
            Column("Features", 2.5),
            Column("Source", 1.5),
            Column("Done (date, initials)", 1.1),
        ],
        [
            [row["kind"], row["id"], row["text"], f"{row['count']}: {row['units']}", row["features"], row["source"], ""]
            for row in content["tasks"]
        ],
    )
    if content["permits"]:
        pages.text("Permits and notices, with what the rule sets count", bold=True)
        pages.table(
            [
                Column("Kind", 0.7),
                Column("Rule", 1.3),
                Column("What", 2.6),
                Column("Units", 0.65, number=True),
                Column("Treated water", 1.0, number=True),
                Column("Shoreline", 1.0, number=True),
                Column("Repeats", 1.3),
                Column("Earlier applications counted in", 1.25, number=True),
                Column("Granted or told (number, date)", 1.6),
                Column("Source", 1.5),
            ],
            [
                [
                    *(row[name] for name in ("kind", "id", "what", "units", "water", "shore", "repeats", "earlier")),
                    "",
                    row["source"],
                ]
                for row in content["permits"]
            ],
            height=22,
        )


def _set_rules(pages: Pages, content: dict[str, Any]) -> None:
    pages.heading("Rule sets and rules that were loaded")
    if not content["rulesets"]:
        pages.text("No rule set was loaded.", bold=True)
        _set_kinds(pages, content)
        return
    pages.table(
        [
            Column("Title", 2.2),
            Column("Authority", 1.6),
            Column("Valid", 1.6),
            Column("Status", 1.2),
            Column("Read by", 1.0),
            Column("Rules", 0.5, number=True),
            Column("Source", 2.5),
        ],
        [
            [
                row["title"],
                row["authority"],
                row["valid"] + (" (accepted outside these dates by the user)" if row["out_of_date"] else ""),
                row["status"],
                row["read_by"],
                str(row["rules"]),
                "; ".join(text for text in (row["source"], row["listing"]) if text),
            ]
            for row in content["rulesets"]
        ],
        heavy=[row["draft"] for row in content["rulesets"]],
    )
    pages.table(
        [
            Column("Rule", 1.4),
            Column("Distance", 1.0),
            Column("From", 2.2),
            Column("What it forbids or asks for", 2.8),
            Column("In force", 0.9),
            Column("Conditions", 1.6),
            Column("On", 0.9),
            Column("Source", 2.0),
        ],
        [
            [
                row["id"] + (" DRAFT" if row["draft"] else ""),
                row["distance"],
                row["features"] + (f"; runs from {row['datum']}" if row["datum"] else ""),
                row["means"],
                row["season"],
                "; ".join(row["conditions"]),
                row["in_force"],
                row["source"],
            ]
            for row in content["rules"]
        ],
    )
    if content["listed"]:
        pages.text("Combinations that a listing set permits; every other one is refused", bold=True)
        pages.table([Column("Rule set", 2), Column("Combination", 3), Column("Source", 3)], content["listed"])
    _set_kinds(pages, content)
    if content["closures"]:
        pages.text("Days on which the site is closed", bold=True)
        pages.table([Column("Closed", 1), Column("Days", 2), Column("Why, and source", 4)], content["closures"])


def _set_kinds(pages: Pages, content: dict[str, Any]) -> None:
    if content["kinds"]:
        pages.text(content["kinds_title"], bold=True)
        pages.table(
            [
                Column("Layer", 1),
                Column("Kind", 1.5),
                Column("Taken as", 1.2),
                Column("Features", 0.8, number=True),
                Column("Rules", 5),
                Column("State", 1.5),
            ],
            [
                [row[name] for name in ("layer", "given", "taken", "count", "rules", "state")]
                for row in content["kinds"]
            ],
            heavy=[row["bare"] for row in content["kinds"]],
        )
    if content["unruled"]:
        pages.text(content["unruled_title"], bold=True)
        pages.table(
            [
                Column("Unit", 1),
                Column("Layer", 1),
                Column("Kind", 1.5),
                Column("Feature", 3),
                Column("Distance", 1, number=True),
                Column("Looked for within", 1, number=True),
            ],
            content["unruled"],
        )


def _set_refusals(pages: Pages, content: dict[str, Any]) -> None:
    pages.heading("Refusals")
    if not content["refused"]:
        pages.text("Every unit has a treatment.")
    else:
        pages.text("Units left without a treatment, and every reason that decided it", bold=True)
        pages.table(
            [
                Column("Unit", 0.9),
                Column(f"Area [{content['area']}]", 0.6, number=True),
                Column("Rules leave", 1.2),
                Column("Reasons", 6),
                Column("A way without herbicide", 2),
            ],
            [
                [row["unit"], row["area"], row["use"], "\n".join(row["reasons"]), row["other_way"]]
                for row in content["refused"]
            ],
        )
    count = sum(len(group["rows"]) for group in content["candidates"])
    if count:
        pages.text(f"Candidates refused on a unit although they are for its plant: {count:,}", bold=True)
        rows = [list(row) for group in content["candidates"] for row in group["rows"]][:MOST_PAIRS]
        pages.table([Column("Unit", 0.9), Column("Candidate", 1.6), Column("Why it was refused", 7)], rows)
        if count > len(rows):
            pages.text(f"{count - len(rows):,} more stand in plan.gpkg, table options.", bold=True)


def _set_totals(pages: Pages, content: dict[str, Any]) -> None:
    pages.heading("Yearly totals by active and ground, earlier work counted in")
    pages.text(f"{content['records']} Doses are acid equivalent (ae) on the treated ground.")
    if not content["actives"]:
        pages.text("No herbicide is planned.")
        return
    pages.table(
        [
            Column("Active", 1.5),
            Column("Planned, ae", 1.0, number=True),
            Column("Earlier this year, ae", 1.0, number=True),
            Column("Together, ae", 1.0, number=True),
            Column("Highest total on one ground", 2.2),
            Column("Limit of the label", 1.2, number=True),
            Column("Used", 0.8, number=True),
        ],
        [
            [row[name] for name in ("active", "planned", "earlier", "total", "highest", "limit", "used")]
            for row in content["actives"]
        ],
    )
    grounds = [*content["grounds"], *content["other_grounds"]]
    shown = grounds[:MOST_PAIRS]
    pages.text(f"By ground, the fullest limit first [{content['dose']}]", bold=True)
    pages.table(
        [
            Column("Unit", 0.9),
            Column("Active (product)", 2.2),
            *(
                Column(name, 0.8, number=True)
                for name in ("Planned", "Earlier", "Other patches", "Total", "Limit", "Used")
            ),
            Column("Earlier records and other units", 3.4),
        ],
        [
            [
                row["unit"],
                row["active"],
                *(row[name] for name in ("planned", "earlier", "others")),
                row["total"] + (" OVER" if row["over"] else ""),
                row["limit"],
                row["used"],
                "; ".join(text for text in (row["uses"], row["mind"]) if text),
            ]
            for row in shown
        ],
        heavy=[row["over"] for row in shown],
    )
    if len(grounds) > len(shown):
        pages.text(f"{len(grounds) - len(shown):,} more units stand in unit_budget.csv.", bold=True)


def _set_pairs(pages: Pages, content: dict[str, Any]) -> None:
    """Set what is met and in force row by row, the rest summed up by rule; the annex has each pair in small print."""
    near, groups = split_met_rows(content["met"], [row for group in content["clear"] for row in group["rows"]])
    if not near and not groups:
        pages.heading("All other pairs of unit and rule")
        pages.text("None.")
        return
    if near:
        pages.heading("Rules in force that the planned treatment meets")
        pages.text("The smallest margin first. Rules for the whole site stand in the table that follows.")
        shown = near[:MOST_PAIRS]
        pages.table(_list_pair_columns(content), map(_list_pair_cells, shown), size=7.5)
        if len(near) > len(shown):
            pages.text(f"{len(near) - len(shown):,} more pairs stand in compliance.csv.", bold=True)
    if groups:
        pages.heading("All other pairs, summed up by rule and verdict")
        pages.text("Clear of the rule, in force on the whole site, to do, or not applicable. The annex has each pair.")
        pages.table(_list_sum_columns(content), map(_list_sum_cells, groups))


def _list_sum_columns(content: dict[str, Any]) -> list[Column]:
    length = content["length"]
    return [
        Column("Rule", 1.6),
        Column(f"Required [{length}]", 0.8, number=True),
        Column("Verdict", 1.9),
        Column("Pairs", 0.5, number=True),
        Column("Nearest unit", 0.9),
        Column(f"Achieved [{length}]", 0.8, number=True),
        Column("From", 1.8),
        Column("What follows", 2.0),
        Column("Clause and source", 2.0),
    ]


def _list_sum_cells(group: PairGroup) -> list[str]:
    first, nearest = group.rows[0], group.nearest
    known = nearest["achieved"] != ""
    return [
        f"{first['rule']} {first['draft']}".strip(),
        first["required"],
        first["verdict"],
        f"{len(group.rows):,}",
        nearest["unit"] if known else "",
        nearest["achieved"],
        nearest["feature"],
        first["note"],
        first["source"],
    ]


def _set_annex(pages: Pages, content: dict[str, Any]) -> None:
    """Set each pair that was summed up: one cell for each, the words that pairs have in common above them."""
    _, groups = split_met_rows(content["met"], [row for group in content["clear"] for row in group["rows"]])
    if not groups:
        return
    pages.heading("Annex: every pair that was summed up")
    left = MOST_PAIRS
    for group in groups:
        shown, first = group.rows[:left], group.rows[0]
        if not shown:
            break
        left -= len(shown)
        pages.text(_head_group(content, first), bold=True, size=_ANNEX_PT)
        if first["achieved"] == "":
            pages.text(", ".join(row["unit"] for row in shown), size=_ANNEX_PT)
            continue
        cells = [[row["unit"], row["achieved"], row["feature"]] for row in shown]
        cells += [["", "", ""]] * (-len(cells) % _ANNEX_ACROSS)
        lines = [list(chain(*cells[k : k + _ANNEX_ACROSS])) for k in range(0, len(cells), _ANNEX_ACROSS)]
        heads = [Column("Unit", 1.0), Column(f"[{content['length']}]", 0.8, number=True), Column("From", 2.4)]
        pages.table(heads * _ANNEX_ACROSS, lines, size=_ANNEX_PT)
    more = sum(len(group.rows) for group in groups) - (MOST_PAIRS - left)
    if more > 0:
        pages.text(f"{more:,} more pairs stand in compliance.csv.", bold=True)


def _head_group(content: dict[str, Any], first: dict[str, str]) -> str:
    length = content["length"]
    asked = f"{first['required']} {length} required, error {first['error']} {length}" if first["required"] else ""
    parts = [f"{first['rule']} {first['draft']}".strip(), asked, first["verdict"], first["note"], first["source"]]
    return "; ".join(part for part in parts if part)


def _set_end(pages: Pages, content: dict[str, Any]) -> None:
    if content["overlaps"] or content["findings"]:
        pages.heading("Repairs, overlaps and findings")
    if content["overlaps"]:
        heads = [Column("Patch", 1), Column("And", 1), Column("In common", 1, number=True), Column("What was done", 4)]
        pages.table(heads, content["overlaps"])
    if content["findings"]:
        pages.table(
            [Column("Where", 1.6), Column("What", 3.5), Column("Done", 3.5), Column("Level", 0.7), Column("Step", 0.8)],
            [[row[name] for name in ("where", "what", "done", "level", "stage")] for row in content["findings"]],
        )
    pages.heading("Cautions")
    for text in content["cautions"]:
        pages.text(text)
    pages.heading("Inputs and their hashes")
    pages.table([Column("Role", 1), Column("File", 2), Column("SHA-256", 5)], [list(row) for row in content["inputs"]])
