"""In: TOML text and what a record refused in it. Out: faults with file, line, key path and the key that is meant."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from tussock.base.errors import Fault, InputError, MissingInputError

ModelT = TypeVar("ModelT", bound=BaseModel)
KeyPath = tuple[str | int, ...]

_HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?")
_KEY = re.compile(r"\s*([A-Za-z0-9_\-\.\"']+)\s*=")


def read_toml(path: Path, where: str) -> tuple[dict[str, Any], str]:
    """Return the content of a TOML file and its text.

    Raises
    ------
    MissingInputError
        There is no such file.
    InputError
        It is not TOML, or not UTF-8.
    """
    if not path.is_file():
        raise MissingInputError(
            Fault(where, "file", "nothing at that path", f"put the file at {path} or mend the path")
        )
    try:
        text = path.read_bytes().decode("utf-8")
        return tomllib.loads(text), text
    except UnicodeDecodeError as error:
        raise InputError(Fault(where, "file", "bytes that are not UTF-8", "save the file as UTF-8")) from error
    except tomllib.TOMLDecodeError as error:
        line = re.search(r"at line (\d+)", str(error))
        number = int(line[1]) if line else None
        raise InputError(Fault(where, "file", f"no valid TOML ({error})", "mend that line", number)) from error


def find_line(text: str, path: KeyPath) -> int | None:
    """Return the line of a key path in TOML text, or of the nearest parent that stands on a line of its own."""
    seen: dict[str, int] = {}
    table: KeyPath = ()
    lines: dict[KeyPath, int] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        header = _HEADER.fullmatch(line)
        if header is not None:
            names = tuple(part.strip().strip("\"'") for part in header[2].split("."))
            table = names
            if header[1] == "[[":
                seen[header[2]] = seen.get(header[2], -1) + 1
                table = (*names, seen[header[2]])
            lines.setdefault(table, number)
            continue
        key = _KEY.match(line)
        if key is not None:
            lines.setdefault((*table, *(part.strip("\"'") for part in key[1].split("."))), number)
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def show_path(path: Iterable[str | int], data: Any = None) -> str:
    """Write a key path as a reader would: ``setback[2].distance``, with the id of the row where it has one."""
    shown = ""
    for part in path:
        if isinstance(part, int):
            data = data[part] if isinstance(data, list | tuple) and part < len(data) else None
            name = data.get("id") if isinstance(data, dict) else None
            shown += f"[{part + 1}]" + (f' ("{name}")' if isinstance(name, str) else "")
        else:
            data = data.get(part) if isinstance(data, dict) else None
            shown += f".{part}" if shown else part
    return shown


def build_record(model: type[ModelT], data: dict[str, Any], where: str, text: str) -> ModelT:
    """Build a record from TOML content.

    Raises
    ------
    InputError
        With every fault of the file: key path, line, what was found and what is needed.
    """
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise InputError(_faults(error, model, data, where, text)) from error


def _faults(error: ValidationError, model: type[BaseModel], data: dict[str, Any], where: str, text: str) -> list[Fault]:
    faults: dict[KeyPath, Fault] = {}
    for item in error.errors(include_url=False):
        path = _trim(item["loc"], data)
        found, need = _explain(item, path, model)
        faults.setdefault(path, Fault(where, show_path(path, data) or "file", found, need, find_line(text, path)))
    return list(faults.values())


def _trim(loc: tuple[str | int, ...], data: Any) -> KeyPath:
    """Keep the parts of an error location that stand in the file (a union adds names of its members)."""
    kept: list[str | int] = []
    for position, part in enumerate(loc):
        inside = (isinstance(data, dict) and part in data) or (
            isinstance(data, list) and isinstance(part, int) and part < len(data)
        )
        if not inside:
            if isinstance(data, dict) and position == len(loc) - 1 and isinstance(part, str):
                kept.append(part)
            break
        kept.append(part)
        data = data[part]
    return tuple(kept)


def _explain(item: Any, path: KeyPath, model: type[BaseModel]) -> tuple[str, str]:
    """Return what was found and what is needed for one refusal."""
    kind, message, value = item["type"], item["msg"], item["input"]
    if kind == "extra_forbidden":
        known = _known_keys(model, path)
        return "a key that is not known", _meant(str(path[-1]), known)
    if kind == "missing":
        return "nothing", f'add "{path[-1]}"'
    if kind == "value_error":
        found, _, need = message.removeprefix("Value error, ").partition("; ")
        return found, need or "mend it"
    return repr(value) if not isinstance(value, dict) else "a table", message[:1].lower() + message[1:]


def _meant(key: str, known: list[str]) -> str:
    close = difflib.get_close_matches(key, known, n=1, cutoff=0.6)
    if close:
        return f'"{close[0]}" is meant? Known here: {", ".join(known)}'
    return f"leave it out; known here: {', '.join(known)}"


def _known_keys(model: Any, path: KeyPath) -> list[str]:
    """Return the keys of the record that a path's last part stands in."""
    for part in path[:-1]:
        if isinstance(part, int) or not hasattr(model, "model_fields"):
            continue
        for name, info in model.model_fields.items():
            if part in (name, info.alias):
                model = _inner_model(info.annotation) or model
    return [info.alias or name for name, info in model.model_fields.items()]


def _inner_model(annotation: Any) -> Any:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        found = _inner_model(inner)
        if found is not None:
            return found
    return None
