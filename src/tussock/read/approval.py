"""In: the approval file that a site names. Out: what was approved, its document, a finding on how far to trust it."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

from tussock.base.approval import APPROVAL_FILE, Approval, read_approval, say_approved
from tussock.base.errors import Fault, InputError, MissingInputError
from tussock.base.findings import Finding, findings_table, join_findings
from tussock.base.stages import Document, Site

_ROLE = "approval"


def read_site_approval(
    name: str | None, folder: Path, where: str
) -> tuple[Approval | None, list[Document], list[Finding]]:
    """Read the approval that a site file names.

    Parameters
    ----------
    name
        Value of ``site.approval``; None where the key is not there.
    folder
        Folder of the site file.
    where
        Name of the site file, for messages.

    Raises
    ------
    InputError
        No such file, or one that is cut short, edited, or whose signature does not hold.
    """
    if name is None:
        return None, [], []
    path = folder / name
    if not path.is_file():
        need = f"name an {APPROVAL_FILE} that `tussock approve` wrote, or leave the key out"
        raise MissingInputError(Fault(where, "site.approval", f'"{name}", no such file', need))
    return _read(path, name)


def add_approval(site: Site, folder: Path) -> Site:
    """Return a site with the approval that lies in a plan folder; the site as it is where there is none.

    An approval that the site file names goes first.

    Parameters
    ----------
    site
        What was read.
    folder
        Folder that the plan will be written into.

    Raises
    ------
    InputError
        The approval there is cut short, edited, or its signature does not hold.
    """
    path = folder / APPROVAL_FILE
    if site.approval is not None or not path.is_file():
        return site
    approval, documents, findings = _read(path, APPROVAL_FILE)
    return replace(
        site,
        approval=approval,
        documents=(*site.documents, *documents),
        findings=join_findings([site.findings, findings_table(findings)]),
    )


def _read(path: Path, name: str) -> tuple[Approval, list[Document], list[Finding]]:
    data = path.read_bytes()
    approval, fault = read_approval(data)
    if approval is None:
        found = "" if fault is None else fault.found
        need = "give the file as it was signed off, or take it away to plan without an approval"
        raise InputError(Fault(name, "approval", found, need))
    what = f"it {say_approved(approval)}"
    finding = Finding(
        "read",
        "approval",
        name,
        what,
        "patches are compared with it",
        "warning" if approval.signature is None else "info",
    )
    return approval, [Document(_ROLE, name, hashlib.sha256(data).hexdigest())], [finding]
