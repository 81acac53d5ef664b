"""In: hashes, documents and words of a delivered plan. Out: findings on what it was made from and what it says."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
import tomllib
from pathlib import Path
from typing import Any, Final

import numpy as np

from tussock.base.columns import LENGTH
from tussock.base.sources import list_parts
from tussock.base.text import show_window
from tussock.review.catalog import list_drafts
from tussock.review.evidence import Evidence
from tussock.review.rows import Row, info, pick_rows, violation, warning

#: No output says this of itself; "meets the loaded rules as mapped" is what a plan can know.
_FORBIDDEN_WORD: Final = re.compile(r"\b(?:non-?)?compliant\b", re.IGNORECASE)
_FEW: Final = 5


def check_hashes(evidence: Evidence) -> list[Row]:
    """Check that every file is, byte by byte, the one that run.json lists."""
    delivered = evidence.delivered
    outputs = delivered.run["outputs"]
    rows = []
    for name, digest in outputs.items():
        found = delivered.hashes.get(name)
        if found is not None and name not in delivered.unread and found != digest:
            note = "changed since the plan was written"
            rows.append(violation(name, f"SHA-256 {found[:16]}...", f"{str(digest)[:16]}...", note))
    rows += [
        violation(name, "not among the outputs of run.json", "its SHA-256")
        for name in delivered.hashes
        if name not in outputs and name != "run.json"
    ]
    return [*rows, info("run.json", f"{len(outputs)} files by their SHA-256")]


def check_run(evidence: Evidence) -> list[Row]:
    """Check that documents can be read, and that run.json repeats them truly: season, units, accuracy, rule sets."""
    run, catalog = evidence.delivered.run, evidence.catalog
    rows = [*catalog.rows, *list_drafts(catalog)]
    options = run.get("options")
    options = options if isinstance(options, dict) else {}
    pairs: list[tuple[str, Any, Any]] = [
        ("site", run.get("site"), catalog.name),
        ("season", run.get("season"), None if catalog.season is None else catalog.season.to_json()),
        ("units", run.get("units"), catalog.units),
        ("options.sliver_area_m2", options.get("sliver_area_m2"), catalog.sliver_area_m2),
    ]
    layers = run.get("layers")
    for layer in layers if isinstance(layers, list) else []:
        name = str(layer.get("name")) if isinstance(layer, dict) else ""
        stated = layer.get("accuracy_m") if isinstance(layer, dict) else None
        pairs.append((f"layers.{name}.accuracy_m", stated or 0.0, catalog.accuracy_m.get(name, 0.0)))
    headers = json.loads(json.dumps([item.ruleset.model_dump(mode="json") for item in catalog.rulesets]))
    pairs.append(("rulesets", run.get("rulesets"), headers))
    rows += [
        violation(f"run.json, {name}", _shorten(found), _shorten(expected), "its own documents say otherwise")
        for name, found, expected in pairs
        if not _alike(found, expected)
    ]
    rows += _check_roles(evidence)
    return [*rows, info("run.json", f"{len(run['documents'])} documents, {len(catalog.rulesets)} rule sets")]


def _alike(found: Any, expected: Any) -> bool:
    if isinstance(found, int | float) and isinstance(expected, int | float):
        return abs(found - expected) <= 1e-9 * max(abs(expected), 1.0)
    return bool(found == expected)


def _shorten(value: Any) -> str:
    return json.dumps(value, default=str)[:120]


def _check_roles(evidence: Evidence) -> list[Row]:
    """Check that every document is among the inputs, where its text has a hash."""
    run = evidence.delivered.run
    inputs = {(item.get("role"), item.get("name")) for item in run["inputs"] if isinstance(item, dict)}
    documents = [(item.get("role"), item.get("name")) for item in run["documents"] if isinstance(item, dict)]
    return [
        violation(f"run.json, {role} {name}", "a document that is not among the inputs", "its SHA-256 among the inputs")
        for role, name in documents
        if (role, name) not in inputs
    ]


def check_rules(evidence: Evidence) -> list[Row]:
    """Check that the layer of zones shows the rules of the documents: distance, effect, season, source."""
    zones = evidence.table("setback_zones")
    pairs = evidence.catalog.setbacks()
    shown = {name: place for place, name in enumerate(zones["setback_id"].tolist())}
    known = {setback.id for _, setback in pairs}
    rows = [
        violation(f"setback_zones, {name}", "a setback of no rule set", "the setbacks of the documents")
        for name in shown
        if name not in known
    ]
    if not pairs:
        note = "no herbicide can be planned: a plan without setbacks cannot be checked"
        rows.append(warning("run.json", "no setback in any document", "at least one rule set", note))
    size = LENGTH.size(evidence.system)
    for ruleset, setback in pairs:
        if setback.id not in shown:
            rows.append(violation(f"setback_zones, {setback.id}", "missing", "a zone for each setback"))
            continue
        row = zones.iloc[shown[setback.id]]
        distance = float("nan") if setback.distance_m is None else setback.distance_m
        if not np.isclose(row["distance_m"], distance, rtol=1e-9, atol=1e-9, equal_nan=True):
            found = f"{row['distance_m'] / size:.6g}"
            rows.append(
                violation(f"setback_zones, {setback.id}, distance", found, f"{distance / size:.6g}", setback.source)
            )
        texts = {
            "ruleset": ruleset.title,
            "effect": setback.effect,
            "season": show_window(setback.season) if setback.season else "",
            "source": setback.source,
        }
        rows += [
            violation(f"setback_zones, {setback.id}, {name}", str(row[name]), expected)
            for name, expected in texts.items()
            if row[name] != expected
        ]
    return [*rows, info("plan.gpkg", f"{len(pairs)} setbacks against their documents")]


def check_words(evidence: Evidence) -> list[Row]:
    """Check that no output calls anything compliant: a plan meets the loaded rules as mapped, or it does not."""
    rows = []
    for name, text in evidence.delivered.texts.items():
        found = _FORBIDDEN_WORD.search(text)
        if found is not None:
            rows.append(violation(name, f"the word {found[0]!r}", "meets the loaded rules as mapped"))
    for name, table in (
        ("units", evidence.units),
        ("patches", evidence.patches),
        ("options", evidence.options),
        ("compliance", evidence.compliance),
    ):
        for column in [
            item for item in ("reason", "verdict", "note", "cautions", "allowed_use") if item in table.columns
        ]:
            hit = table[column].str.contains(_FORBIDDEN_WORD, regex=True).to_numpy(dtype=bool)
            where = f"{name}, {column}"
            rows += pick_rows(
                hit,
                lambda k, where=where: violation(f"{where}, row {k + 1}", "the word 'compliant'", "the words above"),  # type: ignore[misc]
            )
    return [*rows, info("folder", f"{len(evidence.delivered.texts)} pages and the tables of plan.gpkg")]


def check_inputs(evidence: Evidence, site_path: Path) -> list[Row]:
    """Check that the files which the site file names now are those that the plan was made from."""
    run = evidence.delivered.run
    if not site_path.is_file():
        return [violation(site_path.name, "no such file", "the site file of the plan")]
    folder = site_path.parent
    rows: list[Row] = []
    count = 0
    for item in run["inputs"]:
        role, name, digest = (
            (str(item.get(key)) for key in ("role", "name", "sha256")) if isinstance(item, dict) else ("",) * 3
        )
        path = site_path if role == "site" else folder / name
        found = _hash_input(path)
        if found is None and role == "rules":
            rows += _check_packaged(run, name, digest)
        elif role == "approval" and (evidence.delivered.folder / name).is_file():
            rows += _check_earlier(evidence, name, digest)
        elif found is None:
            rows.append(violation(f"{role}, {name}", "no such file beside the site file", "the input of the plan"))
        elif found != digest:
            note = "changed since the plan was made"
            rows.append(violation(f"{role}, {name}", f"SHA-256 {found[:16]}...", f"{digest[:16]}...", note))
        count += 1
    for document in run["documents"]:
        rows += _check_content(document, site_path, folder)
    return [*rows, info(site_path.name, f"{count} inputs by their SHA-256, documents by their content")]


def _check_earlier(evidence: Evidence, name: str, digest: str) -> list[Row]:
    """Say where a plan was compared with another approval than the one in its folder now."""
    if _hash_input(evidence.delivered.folder / name) == digest:
        return []
    return [info(f"approval, {name}", "the plan was compared with an earlier approval than the one in its folder")]


def _hash_input(path: Path) -> str | None:
    """Return the SHA-256 of a file; of one in parts that of the lines which sha256sum prints for them."""
    parts = sorted(list_parts(path), key=lambda part: part.name) if path.exists() else []
    digests = [(hashlib.sha256(part.read_bytes()).hexdigest(), part.name) for part in parts if part.is_file()]
    if not digests:
        return None
    if len(digests) == 1 and not path.is_dir():
        return digests[0][0]
    return hashlib.sha256("".join(f"{digest}  {name}\n" for digest, name in digests).encode()).hexdigest()


def _check_packaged(run: Any, name: str, digest: str) -> list[Row]:
    """Check a rule set that comes with the package: it has no file beside the site, so its content has the hash."""
    contents = [item.get("content") for item in run["documents"] if isinstance(item, dict) and item.get("name") == name]
    for content in contents:
        if hashlib.sha256(json.dumps(content, sort_keys=True, default=str).encode()).hexdigest() == digest:
            return []
    return [violation(f"rules, {name}", "content that has not the hash among the inputs", f"{digest[:16]}...")]


def _check_content(document: Any, site_path: Path, folder: Path) -> list[Row]:
    """Compare the content of a document in run.json with the file, key by key."""
    if not isinstance(document, dict):
        return [violation("run.json, documents", repr(document)[:60], "a document")]
    role, name = str(document.get("role")), str(document.get("name"))
    path = site_path if role == "site" else folder / name
    if not path.is_file():
        return []
    try:
        content = _to_json(tomllib.loads(path.read_bytes().decode("utf-8-sig")))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        return [violation(name, f"no TOML ({error})", "the input of the plan")]
    found = list(_find_changes(content, document.get("content"), ""))
    shown = [
        violation(f"run.json, {role} {name}, {key}", _shorten(two), _shorten(one)) for key, one, two in found[:_FEW]
    ]
    if len(found) > _FEW:
        shown.append(violation(f"run.json, {role} {name}", f"{len(found) - _FEW} more keys differ", "the file"))
    return shown


def _find_changes(one: Any, two: Any, key: str) -> list[tuple[str, Any, Any]]:
    if isinstance(one, dict) and isinstance(two, dict):
        return [
            change
            for name in dict.fromkeys([*one, *two])
            for change in _find_changes(one.get(name), two.get(name), f"{key}.{name}".lstrip("."))
        ]
    if isinstance(one, list) and isinstance(two, list) and len(one) == len(two):
        return [
            change
            for place, pair in enumerate(zip(one, two, strict=True))
            for change in _find_changes(*pair, f"{key}[{place + 1}]")
        ]
    if isinstance(one, str) and isinstance(two, str) and Path(one).is_absolute() and Path(one).name == two:
        return []  # the plan keeps no folders of the machine it was made on
    return [] if one == two else [(key, one, two)]


def _to_json(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _to_json(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_to_json(item) for item in value]
    return value.isoformat() if isinstance(value, dt.date | dt.time) else value
