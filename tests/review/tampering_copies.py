"""More ways to falsify a delivered plan: pages, forms, workbook, calendar, overlaps, reasons, points, run.json."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

#: Name of each change to the files of a folder, the check that must find it, and the function.
FILE_CHANGES: dict[str, tuple[str, Callable[[Path], None]]] = {}


def falsifies_files(check: str) -> Callable[[Callable[[Path], None]], Callable[[Path], None]]:
    """Register a change with the check that has to find it."""

    def register(function: Callable[[Path], None]) -> Callable[[Path], None]:
        FILE_CHANGES[function.__name__] = check, function
        return function

    return register


def edit_csv(path: Path, edit: Callable[[list[dict[str, str]]], Any]) -> None:
    """Change rows of a CSV file."""
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    heads = list(rows[0])
    edit(rows)
    text = io.StringIO()
    writer = csv.DictWriter(text, heads, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    path.write_text(text.getvalue(), encoding="utf-8")


def edit_text(path: Path, pattern: str, new: str, count: int = 1) -> None:
    """Change what a pattern finds in a page."""
    text = path.read_text(encoding="utf-8")
    changed = re.sub(pattern, new, text, count=count)
    assert changed != text, pattern
    path.write_bytes(changed.encode("utf-8"))


def edit_run(path: Path, edit: Callable[[dict[str, Any]], Any]) -> None:
    """Change run.json."""
    run = json.loads((path / "run.json").read_bytes())
    edit(run)
    (path / "run.json").write_text(json.dumps(run), encoding="utf-8")


def _set_cell(file: str, column: str, value: str, row: int = 0) -> Callable[[Path], None]:
    def falsify(folder: Path) -> None:
        def edit(rows: list[dict[str, str]]) -> None:
            assert rows[row][column] != value
            rows[row][column] = value

        edit_csv(folder / file, edit)

    falsify.__name__ = f"{file.partition('.')[0]}_{column}"
    return falsify


for _column, _value in {
    "setbacks": "",
    "nearest_water_ft": "900",
    "concentration_pct": "51",
    "form": "acid",
    "infested_acre": "0.1",
    "patches": "B01",
    "growth_form": "tree",
    "applications": "3",
    "equipment": "aircraft",
    "carrier": "diesel",
    "licence": "A-123",
    "purpose": "no water near",
}.items():
    falsifies_files("forms")(_set_cell("proposal.csv", _column, _value))
for _column, _value in {
    "reentry": "none",
    "location": "45.421336 N 94.103588 W",
    "species": "nothing",
    "form": "acid",
    "restricted_use": "yes",
    "patch_id": "C03",
}.items():
    falsifies_files("forms")(_set_cell("record.csv", _column, _value))
falsifies_files("work")(_set_cell("bid_schedule.csv", "quantity", "9", 3))
falsifies_files("work")(_set_cell("bid_schedule.csv", "unit_price", "1", 3))


@falsifies_files("work")
def day_moved_in_the_calendar_file(folder: Path) -> None:
    """A crew day is a month early in season.ics alone."""
    edit_text(folder / "season.ics", r"DTSTART;VALUE=DATE:202705", "DTSTART;VALUE=DATE:202704")


def _edit_workbook(sheet: str, edit: Callable[[Any], None], what: str = "") -> Callable[[Path], None]:
    def falsify(folder: Path) -> None:
        import openpyxl

        book = openpyxl.load_workbook(folder / "plan.xlsx")
        edit(book[sheet])
        book.save(folder / "plan.xlsx")

    falsify.__name__ = "_".join(["workbook", *sheet.lower().split(), *what.split()])
    return falsify


def _double_first_mix(page: Any) -> None:
    page.cell(2, 6).value *= 2


def _weaken_first_day(page: Any) -> None:
    """The first mix of the first day at half its strength: everything that is filled from it gets the other dose."""
    names = [cell.value for cell in page[1]]
    page.cell(2, names.index("product_fl_oz") + 1).value /= 2


def _add_dye(page: Any) -> None:
    """Dye comes into a mix of one day that its units do not have: the crew fills from this sheet."""
    names = [cell.value for cell in page[1]]
    page.cell(2, names.index("dye_fl_oz") + 1).value = 64.0


def _move_first_day(page: Any) -> None:
    page.cell(2, 3).value = "2027-01-01"


def _set_money(page: Any) -> None:
    page.cell(2, 3).value = 1


def _set_season(page: Any) -> None:
    page.cell(3, 3).value = "2031"


falsifies_files("work")(_edit_workbook("Money", _set_money))
falsifies_files("work")(_edit_workbook("Assumptions", _set_season))
falsifies_files("work")(_edit_workbook("Loads by unit", _double_first_mix))
falsifies_files("work")(_edit_workbook("Loads by day", _weaken_first_day))
falsifies_files("work")(_edit_workbook("Loads by day", _add_dye, "dye"))
falsifies_files("work")(_edit_workbook("Calendar", _move_first_day))
falsifies_files("work")(_edit_workbook("Findings", lambda page: page.delete_rows(2, 20)))


@falsifies_files("work")
def sheet_added_to_the_workbook(folder: Path) -> None:
    """A sheet says what no plan says."""
    import openpyxl

    book = openpyxl.load_workbook(folder / "plan.xlsx")
    book.create_sheet("Approved").append(["all rules met"])
    book.save(folder / "plan.xlsx")


@falsifies_files("pages")
def verdict_on_the_page_softened(folder: Path) -> None:
    """A field check becomes a pass in compliance.html alone."""
    edit_text(folder / "compliance.html", r'<span class="v doubt">within error: field check</span></td><td class="from">',
              '<span class="v good">meets the loaded rules as mapped</span></td><td class="from">')  # fmt: skip


@falsifies_files("pages")
def distance_on_the_page_raised(folder: Path) -> None:
    """A distance is ten times as far in compliance.html alone."""
    edit_text(folder / "compliance.html", r'<td class="n">13\.1</td><td class="n">13\.1</td>',
              '<td class="n">131.0</td><td class="n">13.1</td>')  # fmt: skip


@falsifies_files("pages")
def pair_struck_off_the_page(folder: Path) -> None:
    """A pair of unit and setback is missing from compliance.html."""
    edit_text(folder / "compliance.html", r'<tr><th scope="row">A01-01</th><td class="rule">.*?</tr>', "")


@falsifies_files("pages")
def refusals_struck_off_the_page(folder: Path) -> None:
    """compliance.html no longer tells why units have no treatment."""
    edit_text(folder / "compliance.html", r'(?s)<h2 id="h-refused">.*?(?=<h2 id="h-totals">)', "")


@falsifies_files("pages")
def caution_on_the_page_reversed(folder: Path) -> None:
    """A caution says the opposite."""
    edit_text(folder / "compliance.html", "this plan never widens it", "this plan may widen it", 9)


@falsifies_files("pages")
def caution_taken_off_the_map(folder: Path) -> None:
    """The map says that no label applies."""
    edit_text(folder / "map.html", "The label on the container is the law", "No label applies", 99)


@falsifies_files("pages")
def script_added_to_the_page(folder: Path) -> None:
    """compliance.html runs a script, which could show anything."""
    edit_text(folder / "compliance.html", "</body>", "<script>document.title = 'approved'</script></body>")


@falsifies_files("pages")
def unit_moved_on_the_map(folder: Path) -> None:
    """One vertex of a patch and its unit lies elsewhere in map.html alone."""
    edit_text(folder / "map.html", r'("shape":\s*\[\{"a":\s*\[\[\[-?\d+)', r"\g<1>9", 1)


@falsifies_files("pages")
def product_renamed_on_the_map(folder: Path) -> None:
    """The map names another product."""
    edit_text(folder / "map.html", "triclopyr-ester-oil", "triclopyr-amine-aquatic", 999)


@falsifies_files("files")
def paper_forgotten(folder: Path) -> None:
    """The report to be signed is deleted, and taken off the list of outputs."""
    (folder / "compliance.pdf").unlink()
    edit_run(folder, lambda run: run["outputs"].pop("compliance.pdf"))


@falsifies_files("files")
def budget_said_to_be_left_out(folder: Path) -> None:
    """A file that is always written is said to be left out."""
    (folder / "product_budget.csv").unlink()
    edit_run(folder, lambda run: (run["outputs"].pop("product_budget.csv"),
                                  run["left_out"].update({"product_budget.csv": "too large"})))  # fmt: skip


@falsifies_files("sheets")
def paper_of_another_kind(folder: Path) -> None:
    """The report to be signed is the proposal under another name."""
    shutil.copy(folder / "proposal.pdf", folder / "compliance.pdf")


@falsifies_files("sheets")
def pages_taken_out_of_the_report(folder: Path) -> None:
    """The report to be signed ends after its first page."""
    import pypdf

    writer = pypdf.PdfWriter()
    writer.add_page(pypdf.PdfReader(folder / "compliance.pdf").pages[0])
    writer.write(folder / "compliance.pdf")


@falsifies_files("work")
def findings_erased_from_the_run_file(folder: Path) -> None:
    """run.json tells of no repair and no warning."""
    edit_run(folder, lambda run: run.update(findings=[]))


@falsifies_files("work")
def cautions_erased_from_the_run_file(folder: Path) -> None:
    """run.json has no caution."""
    edit_run(folder, lambda run: run.update(cautions=[]))


@falsifies_files("repeats")
def rule_set_said_to_be_accepted(folder: Path) -> None:
    """run.json says that the user accepted a set outside its dates."""
    edit_run(folder, lambda run: run["options"].update(accept_out_of_date=["x"]))


@falsifies_files("repeats")
def bank_said_to_be_the_line(folder: Path) -> None:
    """run.json says that water was mapped to bankfull."""
    edit_run(folder, lambda run: [item.update(datum="bankfull") for item in run["layers"] if item["name"] == "water"])


@falsifies_files("repeats")
def layer_taken_off_the_inputs(folder: Path) -> None:
    """The water layer has no hash among the inputs."""
    edit_run(folder, lambda run: run.update(inputs=[i for i in run["inputs"] if i["role"] != "layer water"]))


@falsifies_files("tables")
def column_added_to_a_csv_file(folder: Path) -> None:
    """A budget has a column that the plan has not."""
    path = folder / "unit_budget.csv"
    head, *lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join([f"{head},approved_rate", *(f"{line},9" for line in lines)]) + "\n", encoding="utf-8")
