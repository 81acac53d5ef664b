"""In: a delivered folder. Out: its approval, written; or, where one is there, what still holds of it."""

from __future__ import annotations

import datetime as dt
import hashlib
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from tussock.base import signing
from tussock.base.approval import (
    APPROVAL_FILE,
    Approval,
    describe_trust,
    make_content,
    read_approval,
    say_approved,
    write_approval,
)
from tussock.base.approved import AS_APPROVED, Comparison, PatchState, compare_prints, compare_rulesets
from tussock.base.errors import Fault, InputError, OutputError
from tussock.base.fingerprint import Fingerprint, PlanContent, describe_rulesets, take_fingerprints, to_text
from tussock.base.marks import name_datum, read_datum
from tussock.base.sources import hash_file
from tussock.review.catalog import Catalog, read_catalog
from tussock.review.delivered import Delivered
from tussock.review.evidence import Evidence
from tussock.review.loading import PLAYED_BACK
from tussock.review.rows import MOST_ROWS, Row, info, violation, warning

APPROVAL_CHECK: Final = "approval"
_ANEW: Final = "approve it anew before work"


def approve_folder(
    folder: Path,
    delivered: Delivered,
    *,
    approved_by: str,
    date: str,
    office: str = "",
    key: Path | None = None,
    passphrase: str | None = None,
    replace: bool = False,
) -> Path:
    """Write ``approval.json`` into a delivered folder.

    Parameters
    ----------
    folder
        What a plan was written into.
    delivered
        The same folder as loaded.
    approved_by, office
        Who signs it off.
    date
        Day of the approval as ISO text.
    key
        Private key (PEM) to sign with; None for a plain hash.
    passphrase
        Of the key, where it has one.
    replace
        Whether an approval that is there already is replaced.

    Raises
    ------
    InputError
        A name or the date is missing, the folder cannot be used, or the key.
    OutputError
        An approval is there already, or the file cannot be written.
    """
    faults = []
    if not approved_by.strip():
        faults.append(Fault("approval", "approved_by", "nothing", "name the person who approves"))
    try:
        dt.date.fromisoformat(date)
    except ValueError:
        faults.append(Fault("approval", "date", f'"{date}"', 'give the day as "YYYY-MM-DD"'))
    if faults:
        raise InputError(faults)
    target = folder / APPROVAL_FILE
    if target.exists() and not replace:
        raise OutputError(f"{target} is there already: move it away, or replace it with --replace (replace=True)")
    private = None if key is None else signing.read_private_key(key, passphrase)
    refuse_unread(folder, delivered)
    catalog = read_catalog(delivered.run["documents"])
    season = catalog.season
    if season is None:  # a document without one is not complete, and refused above
        raise InputError(Fault("run.json", "site.season", "nothing", "write the plan anew"))
    content = make_content(
        take_prints(delivered, catalog),
        describe_rulesets(catalog.rulesets, _list_rules(delivered.run)),
        site=catalog.name,
        season=season,
        datum=name_datum(delivered.layers["patches"].crs),
        files=hash_whole(folder, delivered),
        approved_by=approved_by.strip(),
        office=office.strip(),
        date=date,
        key="" if private is None else signing.find_public_mark(private),
    )
    signature = None if private is None else signing.sign_text(to_text(content), private)
    _write_beside(target, write_approval(content, signature))
    return target


def refuse_unread(folder: Path, delivered: Delivered) -> None:
    """Refuse a folder that a fingerprint cannot be taken of."""
    needed = ("plan.gpkg, patches", "plan.gpkg, units", "plan.gpkg, compliance")
    held = {f"plan.gpkg, {name}" for name in (*delivered.layers, *delivered.tables)}
    lost = [name for name in needed if name not in held] if delivered.run else ["run.json"]
    if not lost and any(delivered.layers[name].crs is None for name in ("patches", "units")):
        lost = ["a CRS of plan.gpkg"]
    if not lost and not read_catalog(delivered.run["documents"]).complete:
        lost = ["documents of run.json that can be read"]
    if lost:
        need = "approve a folder as `tussock plan` wrote it; `tussock review` says what is wrong with it"
        raise InputError(Fault(str(folder), "plan", f"without {', '.join(lost)}", need))


def _list_rules(run: Mapping[str, Any]) -> list[Any]:
    """Return the contents of the rule sets in run.json, in their order, those that are none apart."""
    listed = [item for item in run["documents"] if isinstance(item, Mapping) and item.get("role") == "rules"]
    return [item["content"] for item in listed if isinstance(item.get("content"), Mapping)]


def take_prints(delivered: Delivered, catalog: Catalog, datum: Any = None) -> list[Fingerprint]:
    """Take the fingerprints of a folder as its GeoPackage and run.json hold it."""
    units = delivered.layers["units"]
    content = PlanContent(
        patches=delivered.layers["patches"],
        units=units,
        compliance=delivered.tables["compliance"],
        products=catalog.products,
        setbacks=catalog.setbacks(),
        system="metric" if "area_ha" in units.columns else "us",
        unit_setbacks=delivered.tables["unit_setbacks"],
        unit_products=delivered.tables["unit_products"],
    )
    return take_fingerprints(content, datum)


def _write_beside(target: Path, data: bytes) -> None:
    """Write a file whole or not at all."""
    try:
        handle, name = tempfile.mkstemp(prefix=".approval-", dir=target.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
            Path(name).chmod(0o644)
            Path(name).replace(target)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise OutputError(f"{target} cannot be written: {error.strerror or error}") from error


def check_approval(evidence: Evidence, trusted: Path | None = None, site_path: Path | None = None) -> list[Row]:
    """Check the approval in a folder: its hashes, its signature, and whether the plan beside it is what was approved.

    Parameters
    ----------
    evidence
        The folder.
    trusted
        Public key (PEM) of the approver, got from him by another way.
    site_path
        Site file: where the folder has no approval, the one that the plan was compared with lies beside it.
    """
    path = _find_file(evidence, site_path)
    if not path.is_file():
        return [*_find_false_marks(evidence), _say_missing(evidence, trusted)]
    data = path.read_bytes()
    if not data:
        return [
            violation(APPROVAL_FILE, "an empty file", "the file as it was signed off", "nothing counts as approved")
        ]
    approval, fault = read_approval(data)
    if approval is None:
        found, expected = ("", "") if fault is None else (fault.found, fault.expected)
        return [violation(APPROVAL_FILE, found, expected, "nothing counts as approved")]
    key, refused, trust = _check_trust(approval, trusted)
    if refused is not None:
        return [refused]
    own = path.parent == evidence.delivered.folder
    rows, states = _compare(evidence, approval, data, binds=own or key is not None)
    count = sum(state.state == AS_APPROVED for state in states)
    said = say_approved(approval, key)
    seen = f"{count} of {len(states)} patches are as {said if key else f'in the approval, which {said}'}"
    return [*rows, *trust, info(APPROVAL_FILE, seen)]


def _find_file(evidence: Evidence, site_path: Path | None) -> Path:
    """Return the approval in the folder; where there is none, the one that the site file names."""
    path = evidence.delivered.folder / APPROVAL_FILE
    if path.is_file() or site_path is None:
        return path
    named = [item.get("name") for item in evidence.delivered.run["inputs"] if isinstance(item, Mapping)
             and item.get("role") == "approval"]  # fmt: skip
    return site_path.parent / str(named[0]) if named else path


def _say_missing(evidence: Evidence, trusted: Path | None) -> Row:
    if trusted is not None:
        return violation(APPROVAL_FILE, "missing", "an approval by the trusted key", "nothing counts as approved")
    if _find_input(evidence.delivered.run) is not None:
        return info(APPROVAL_FILE, "not checked: the approval that patches were compared with is not in the folder")
    return info(APPROVAL_FILE, "no approval in the folder: nothing counts as approved")


def _find_false_marks(evidence: Evidence) -> list[Row]:
    """Find patches that call themselves approved in a plan that was compared with no approval."""
    if _find_input(evidence.delivered.run) is not None:
        return []
    ids, marks = evidence.patches["patch_id"].tolist(), evidence.patches["approval"].tolist()
    return [
        violation(f"patch {name}, approval", mark, "a blank: the plan was compared with no approval")
        for name, mark in zip(ids, marks, strict=True)
        if mark
    ][:MOST_ROWS]


def _check_trust(approval: Approval, trusted: Path | None) -> tuple[bytes | None, Row | None, list[Row]]:
    """Return the trusted key, what refuses an approval, and else what there is to say about its signature."""
    expected = "a signature by the key of the approver, known by another way"
    try:
        key = None if trusted is None else signing.read_public_key(trusted)
    except InputError as error:
        fault = error.faults[0]
        return None, violation(fault.where, fault.found, fault.need, "nothing counts as approved"), []
    except ImportError as error:
        return None, violation(APPROVAL_FILE, str(error), expected, "nothing counts as approved"), []
    proven, words = describe_trust(approval, key)
    if proven:
        return key, None, [info(APPROVAL_FILE, words)]
    if trusted is not None:
        refused = violation(APPROVAL_FILE, words, "a signature by the trusted key", "nothing counts as approved")
        return None, refused, []
    return None, None, [warning(APPROVAL_FILE, words, expected)]


def _find_input(run: Mapping[str, Any]) -> str | None:
    """Return the SHA-256 of the approval that a plan was compared with; None where it was compared with none."""
    listed = [item for item in run["inputs"] if isinstance(item, Mapping) and item.get("role") == "approval"]
    return str(listed[0].get("sha256")) if listed else None


def _compare(
    evidence: Evidence, approval: Approval, data: bytes, *, binds: bool
) -> tuple[list[Row], tuple[PatchState, ...]]:
    """Compare a folder with an approval, which ``binds`` where it lies in the folder or a trusted key signed it.

    What run.json says of itself decides nothing: whoever edits a file can edit that too.
    """
    delivered, content = evidence.delivered, approval.content
    if any(name not in delivered.layers for name in ("patches", "units")) or "compliance" not in delivered.tables:
        return [violation(APPROVAL_FILE, "no layers of patches and units beside it", "the plan that was approved")], ()
    if not evidence.catalog.complete:
        note = "nothing counts as approved"
        return [violation(APPROVAL_FILE, "documents of run.json that cannot be read beside it", "", note)], ()
    told = _find_input(delivered.run) == hashlib.sha256(data).hexdigest()
    now = take_prints(delivered, evidence.catalog, read_datum(content["datum"]))
    compared = compare_prints(approval.prints, now, evidence.system)
    rows = [*_check_whole(delivered.folder, content["files"], binds=binds)]
    rows += _check_states(evidence, compared, told=told)
    say = violation if binds else warning
    rows += [
        say(f"patch {name}", "approved, and no patch of this plan", "every patch that was approved")
        for name in compared.gone
    ]
    rulesets = describe_rulesets(evidence.catalog.rulesets, _list_rules(delivered.run))
    rows += [
        say(f"rule set {title}", what, "the rule sets that were approved", _ANEW)
        for title, what in compare_rulesets(content["rulesets"], rulesets)
    ]
    return rows, compared.states


def hash_folder(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every file of a folder, at any depth, by its path there; the approval itself apart.

    Of a link to a folder it is the SHA-256 of where it points to.
    """
    digests = {}
    for item in sorted(folder.rglob("*")):
        name = item.relative_to(folder).as_posix()
        if item.is_file() and name != APPROVAL_FILE:
            digests[name] = hash_file(item)
        elif item.is_symlink():
            digests[name] = hashlib.sha256(str(item.readlink()).encode()).hexdigest()
    return digests


def hash_whole(folder: Path, delivered: Delivered) -> dict[str, str]:
    """Return the SHA-256 of every file of a folder that is approved; it must be the folder that was reviewed.

    Raises
    ------
    InputError
        A file changed since it was loaded, or another program has plan.gpkg open.
    """
    try:
        digests = hash_folder(folder)
    except OSError as error:
        need = "an approval covers every file of the folder: take out what is not of the plan"
        raise InputError(
            Fault(str(folder), str(error.filename), f"a file that cannot be read ({error})", need)
        ) from error
    changed = sorted(name for name, digest in delivered.hashes.items() if digests.get(name) != digest)
    if changed:
        need = "approve it once nothing writes to it"
        raise InputError(Fault(str(folder), ", ".join(changed), "a file that changed while it was reviewed", need))
    opened = sorted(digests.keys() & set(PLAYED_BACK))
    if opened:
        need = "close plan.gpkg in other programs"
        raise InputError(Fault(str(folder), ", ".join(opened), "changes that plan.gpkg does not hold yet", need))
    return digests


def _check_whole(folder: Path, approved: Mapping[str, str], *, binds: bool) -> list[Row]:
    """Check that the folder holds the files that were approved, each byte of them, and say what came to it since."""
    found = hash_folder(folder)
    changed = [
        (name, "missing" if name not in found else f"SHA-256 {found[name][:16]}...", f"{digest[:16]}..., as approved")
        for name, digest in sorted(approved.items())
        if found.get(name) != digest
    ]
    added = sorted(found.keys() - approved.keys())
    if not binds:
        what = f"approved for another folder: {len(changed)} of its {len(approved)} files are not those in this one"
        return [warning(APPROVAL_FILE, what, "", _ANEW)] if changed or added else []
    rows = [violation(name, what, expected, f"not what was approved; {_ANEW}") for name, what, expected in changed]
    for name in added:
        say = violation if name in PLAYED_BACK else warning
        rows.append(say(name, "a file that came after the approval", "", f"nobody approved it; {_ANEW}"))
    rows.sort(key=lambda row: row.level != "violation")
    if len(rows) > MOST_ROWS:
        more = f"{len(rows) - MOST_ROWS} more files that were not approved"
        return [*rows[:MOST_ROWS], Row(rows[MOST_ROWS].level, APPROVAL_FILE, more, "", _ANEW)]
    return rows


def find_states(evidence: Evidence) -> dict[str, str] | None:
    """Return the state of each patch against the approval in its folder; None where there is none that can be used."""
    path = evidence.delivered.folder / APPROVAL_FILE
    delivered = evidence.delivered
    if not path.is_file() or not evidence.catalog.complete or "compliance" not in delivered.tables:
        return None
    approval, _ = read_approval(path.read_bytes())
    if approval is None:
        return None
    now = take_prints(delivered, evidence.catalog, read_datum(approval.content["datum"]))
    compared = compare_prints(approval.prints, now, evidence.system)
    return {state.patch_id: state.state for state in compared.states}


def _check_states(evidence: Evidence, compared: Comparison, *, told: bool) -> list[Row]:
    """Return a row for each patch that is not as approved: a warning where the plan itself says so."""
    said = evidence.patches["approval"].tolist()
    changes = evidence.patches["approval_change"].tolist()
    rows = []
    for state, mark, change in zip(compared.states, said, changes, strict=True):
        where = f"patch {state.patch_id}"
        if state.state not in (AS_APPROVED, mark):
            note = f"marked {mark!r}; {_ANEW}" if mark else f"and not marked; {_ANEW}"
            rows.append(violation(where, _describe(state), AS_APPROVED, note))
        elif told and (mark != state.state or state.change not in change):
            rows.append(violation(f"{where}, approval", f"{mark}: {change}", _describe(state), "the mark is another"))
        elif state.state != AS_APPROVED:
            rows.append(warning(where, _describe(state), AS_APPROVED, _ANEW))
    return rows


def _describe(state: PatchState) -> str:
    return f"{state.state}: {state.change}" if state.change else state.state
