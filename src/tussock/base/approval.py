"""In: the bytes of an approval file. Out: what was approved, checked against its own hashes; every fault in words.

The file is JSON: ``approval`` is what was approved, ``sha256`` the hash of its text form (`base.fingerprint.to_text`),
``signature`` an Ed25519 signature over the same text, or null. A hash shows that nothing was changed by accident; only
a signature shows that nobody else wrote it.
"""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from tussock.base import signing
from tussock.base.days import Season
from tussock.base.errors import MissingExtraError
from tussock.base.fingerprint import DECIMALS, Content, Fingerprint, hash_content, to_text
from tussock.base.records import SeasonDates

APPROVAL_FILE: Final = "approval.json"
FORMAT: Final = 2
NOT_SIGNED: Final = "not signed: anyone can write this file"
#: What is said wherever nobody brought a key that the signature could be checked against, as when a plan is made.
UNCHECKED: Final = "signature not checked"
NOT_PROVEN: Final = f"{UNCHECKED} against a key got from the approver: whose key signed, the file cannot prove"
_AS_SIGNED: Final = "the file as it was signed off"
_TEXT_KEYS: Final = ("site", "approved_by", "office", "date", "key", "datum")
_PRINT_KEYS: Final = {"patch_id": str, "unit_ids": list, "sha256": str, "ground": dict}
_GROUND_KEYS: Final = {"outline": list, "species": str, "growth_form": str, "units": list}
_NUMBER_ENDS: Final = ("_pct", "_per_ha", "_l", "_kg", "stems", "cuts")
_RULESET_KEYS: Final = {"title": str, "authority": str, "sha256": str}


@dataclass(frozen=True)
class ApprovalFault:
    """One thing that is wrong with an approval file: what was found, and what is expected."""

    found: str
    expected: str = _AS_SIGNED


@dataclass(frozen=True)
class Approval:
    """What was approved, and how far the file can be trusted.

    Attributes
    ----------
    content
        What was hashed and signed: ``approved_by, office, date, site, season, datum, files, patches, rulesets, key``;
        ``files`` are the SHA-256 of every file of the folder by its path there, the approval itself apart.
    signature
        ``algorithm, key, public_key, signature``; None where the file is not signed.
    """

    content: Content
    signature: Mapping[str, str] | None = None

    @property
    def prints(self) -> list[Fingerprint]:
        """Fingerprints of the patches approved."""
        return [
            Fingerprint(item["patch_id"], tuple(item["unit_ids"]), item["ground"], item["sha256"])
            for item in self.content["patches"]
        ]

    @property
    def who(self) -> str:
        """Approver, office and date in one line."""
        said = [self.content["approved_by"], self.content["office"], self.content["date"]]
        return ", ".join(part for part in said if part)


def make_content(
    prints: Iterable[Fingerprint],
    rulesets: Sequence[Content],
    *,
    site: str,
    season: Season,
    datum: str,
    files: Mapping[str, str],
    approved_by: str,
    office: str,
    date: str,
    key: str,
) -> Content:
    """Return what an approver signs off."""
    return {
        "format": FORMAT,
        "site": site,
        "season": season.to_json(),
        "approved_by": approved_by,
        "office": office,
        "date": date,
        "key": key,
        "datum": datum,
        "grid_degrees": 10.0**-DECIMALS,
        "files": dict(files),
        "patches": [
            {"patch_id": item.patch_id, "unit_ids": list(item.unit_ids), "sha256": item.sha256, "ground": item.ground}
            for item in prints
        ],
        "rulesets": list(rulesets),
    }


def write_approval(content: Content, signature: Mapping[str, str] | None) -> bytes:
    """Return the bytes of an approval file; the same content gives the same bytes."""
    from tussock import __version__

    document = {
        "tussock": __version__,
        "about": [
            "What was approved on each patch: its outline, its units, what is done there, and the setbacks in force.",
            "sha256 is the SHA-256 of the text form of what it stands beside: JSON, keys sorted, ASCII, no blanks.",
            "files has the SHA-256 of every file of the folder, as sha256sum takes it.",
            "Outlines are in degrees of the datum, rounded to 1e-9 degree (0.1 mm); prices and hours are not approved.",
            NOT_SIGNED if signature is None else f"signed ({signature['algorithm']}) with the key {signature['key']}",
        ],
        "approval": content,
        "sha256": hash_content(content),
        "signature": None if signature is None else dict(signature),
    }
    return json.dumps(document, indent=0, sort_keys=True, ensure_ascii=True, allow_nan=False).encode("ascii") + b"\n"


def read_approval(data: bytes) -> tuple[Approval | None, ApprovalFault | None]:
    """Read an approval file.

    Parameters
    ----------
    data
        Its bytes.

    Returns
    -------
    tuple of Approval and ApprovalFault
        The approval, or None where it cannot be used, with the first thing that is wrong; a signature that does not
        hold is a fault and not an approval.
    """
    try:
        document: Any = json.loads(data)
    except (ValueError, RecursionError):
        cut = data.lstrip()[:1] == b"{"
        return None, ApprovalFault("cut short, or edited: no JSON any more" if cut else "no approval file")
    if not isinstance(document, dict) or not isinstance(document.get("approval"), dict):
        return None, ApprovalFault("no approval file", "what `tussock approve` writes")
    content = document["approval"]
    if content.get("format") != FORMAT:
        known = f"format {FORMAT}: approve the plan anew, or use the version that wrote it"
        return None, ApprovalFault(f"an approval of format {content.get('format')!r}", known)
    fault = _check_form(content) or _check_hashes(content, document.get("sha256"))
    if fault is None:
        fault = _check_signature(content, document.get("signature"))
    return (None, fault) if fault else (Approval(content, document.get("signature")), None)


def _check_form(content: Content) -> ApprovalFault | None:
    lists = [key for key in ("patches", "rulesets") if not isinstance(content.get(key), list)]
    texts = [key for key in _TEXT_KEYS if not isinstance(content.get(key), str)]
    if lists or texts or not _is_season(content.get("season")):
        return ApprovalFault(f"without {', '.join([*lists, *texts]) or 'season'}, or of another kind")
    files = content.get("files")
    if not isinstance(files, dict) or not all(isinstance(digest, str) for digest in files.values()):
        return ApprovalFault("without the hashes of the files, or of another kind")
    for key, wanted in (("patches", _PRINT_KEYS), ("rulesets", _RULESET_KEYS)):
        for place, item in enumerate(content[key], start=1):
            if not _has_keys(item, wanted) or (key == "patches" and not _is_ground(item["ground"])):
                return ApprovalFault(f"{key}, row {place}: keys are missing or of another kind")
    return None


def _is_season(item: Any) -> bool:
    try:
        return isinstance(item, dict) and SeasonDates.model_validate(item).season().to_json() == item
    except ValueError:
        return False


def _has_keys(item: Any, wanted: Mapping[str, type]) -> bool:
    return isinstance(item, dict) and all(isinstance(item.get(key), kind) for key, kind in wanted.items())


def _is_ground(ground: Content) -> bool:
    """Tell whether a patch's content has the form that a comparison needs."""
    if not _has_keys(ground, _GROUND_KEYS):
        return False
    return (
        _is_outline(ground["outline"]) and _is_number(ground.get("cover_pct")) and all(map(_is_unit, ground["units"]))
    )


def _is_unit(unit: Any) -> bool:
    """Tell whether a unit's content has the form that a comparison needs."""
    if not _has_keys(unit, {"outline": list, "setbacks": list, "tank_mix": list}) or not _is_outline(unit["outline"]):
        return False
    partners = [item for item in unit["tank_mix"] if not isinstance(item, str)]
    return (
        all(_is_number(value) for key, value in unit.items() if key.endswith(_NUMBER_ENDS))
        and (unit.get("product") is None or isinstance(unit["product"], dict))
        and all(isinstance(item, dict) and _is_number(item.get("required_m")) for item in unit["setbacks"])
        and all(isinstance(item, dict) and _is_number(item.get("share_pct")) for item in partners)
    )


def _is_number(value: Any) -> bool:
    return value is None or (isinstance(value, int | float) and not isinstance(value, bool))


def _is_outline(outline: Any) -> bool:
    """Tell whether something is the coordinates of a multipolygon."""
    try:
        return all(
            len(ring) > 3 and all(len(pair) == 2 and all(isinstance(v, float | int) for v in pair) for pair in ring)  # noqa: PLR2004
            for polygon in outline
            for ring in polygon
        )
    except TypeError:
        return False


def _check_hashes(content: Content, stated: Any) -> ApprovalFault | None:
    for item in content["patches"]:
        if hash_content(item["ground"]) != item["sha256"]:
            return ApprovalFault(f"the fingerprint of patch {item['patch_id']} is not that of its content: edited")
    if hash_content(content) != stated:
        return ApprovalFault("content that has not the SHA-256 stated: edited since it was signed off")
    return None


def _check_signature(content: Content, signature: Any) -> ApprovalFault | None:
    """Return what is wrong with a signature; None where it holds, where there is none, or where it cannot be tried."""
    if signature is None:
        return ApprovalFault(f"no signature, though it names the key {content['key']}") if content["key"] else None
    if not isinstance(signature, dict) or signature.get("algorithm") != signing.ALGORITHM:
        return ApprovalFault("a signature of a kind that is not known", f"an {signing.ALGORITHM} signature")
    try:
        raw, public = (base64.b64decode(str(signature.get(key)), validate=True) for key in ("signature", "public_key"))
    except (binascii.Error, ValueError):
        return ApprovalFault("a signature that cannot be read")
    if signing.find_key_mark(public) != content["key"] or signature.get("key") != content["key"]:
        return ApprovalFault(
            f"a signature by the key {signing.find_key_mark(public)}", f"one by the key {content['key'] or 'none'}"
        )
    try:
        return None if signing.holds(to_text(content), raw, public) else ApprovalFault("a signature that does not hold")
    except MissingExtraError:
        return None  # the caller says that it was not tried: see describe_trust


def describe_trust(approval: Approval, trusted: bytes | None = None) -> tuple[bool, str]:
    """Return how far an approval can be trusted.

    Parameters
    ----------
    approval
        What `read_approval` returned.
    trusted
        Public key (32 bytes) that the reader got from the approver by another way.

    Returns
    -------
    tuple of bool and str
        Whether the signature is proven to be the trusted one's, and the words for it.
    """
    if approval.signature is None:
        return False, NOT_SIGNED
    key = approval.content["key"]
    if not signing.can_sign():
        return False, f'{UNCHECKED}, by {key}: pip install "tussock[sign]"'
    if trusted is None:
        return False, f"{NOT_PROVEN}: {key}"
    if signing.find_key_mark(trusted) != key:
        return False, f"signed by another key: {key}, the trusted one is {signing.find_key_mark(trusted)}"
    return True, f"signed by the trusted key {key}"


def say_approved(approval: Approval, trusted: bytes | None = None) -> str:
    """Say who approved, as a fact only where a trusted key proves it: the one place that words it.

    Parameters
    ----------
    approval, trusted
        As `describe_trust`.
    """
    proven, trust = describe_trust(approval, trusted)
    return f"{'approved' if proven else 'says it was approved'} by {approval.who}; {trust}"
