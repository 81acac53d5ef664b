"""Files that another program holds open or has saved again: one clear finding, and no false alarm on the values."""

from __future__ import annotations

import shutil
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path

import pytest

from tussock.review.folder import review_folder

OFFICE = shutil.which("soffice")


@pytest.fixture
def folder(sample_folder: Path, tmp_path: Path) -> Path:
    """A copy of the delivered plan that another program may work on."""
    return Path(shutil.copytree(sample_folder, tmp_path / "plan"))


@pytest.fixture
def held(folder: Path) -> Iterator[Path]:
    """A plan whose GeoPackage another process holds in a write transaction, as an editor does while it saves."""
    code = textwrap.dedent(
        """
        import sqlite3, sys
        database = sqlite3.connect(sys.argv[1], isolation_level=None)
        database.execute("BEGIN EXCLUSIVE")
        print("held", flush=True)
        sys.stdin.read()
        """
    )
    command = [sys.executable, "-c", code, str(folder / "plan.gpkg")]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        assert other.stdout.readline().strip() == "held"
        yield folder
        assert other.stdin is not None
        other.stdin.close()


def test_a_write_transaction_of_another_process_is_one_finding(held: Path) -> None:
    table = review_folder(held, None)
    bad = table[table["level"] == "violation"]
    assert bad["where"].tolist() == ["plan.gpkg"]
    assert "locked by another program" in bad["found"].iloc[0]
    assert "close the file there and review again" in bad["expected"].iloc[0]
    assert not table["found"].str.contains("could not be done").any()


def test_a_write_transaction_that_has_not_yet_written_hides_nothing(folder: Path) -> None:
    """A reserved lock lets others read: the review reads what is on disk, and finds it sound."""
    import sqlite3
    from contextlib import closing

    with closing(sqlite3.connect(folder / "plan.gpkg", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        table = review_folder(folder, None)
        other.execute("ROLLBACK")
    assert table[table["level"] == "violation"].to_dict("records") == []


@pytest.mark.skipif(OFFICE is None, reason="saves the workbook with an office program, not installed")
def test_a_workbook_saved_by_an_office_program_differs_in_its_hash_alone(folder: Path, tmp_path: Path) -> None:
    profile = (tmp_path / "profile").as_uri()
    out = tmp_path / "saved"
    command = [
        str(OFFICE),
        f"-env:UserInstallation={profile}",
        "--headless",
        "--convert-to",
        "xlsx:Calc MS Excel 2007 XML",
    ]
    subprocess.run(
        [*command, "--outdir", str(out), str(folder / "plan.xlsx")], check=True, capture_output=True, timeout=240
    )
    before = (folder / "plan.xlsx").read_bytes()
    shutil.copy(out / "plan.xlsx", folder / "plan.xlsx")
    assert (folder / "plan.xlsx").read_bytes() != before
    table = review_folder(folder, None)
    bad = table[table["level"] == "violation"]
    assert bad["where"].tolist() == ["plan.xlsx"], bad.to_string()
    assert bad["check"].tolist() == ["hashes"]
