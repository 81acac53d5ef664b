"""In: TOML text and what a record refused in it. Out: faults with file, line, key path and the key that is meant."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final, TypeVar

from pydantic import BaseModel, ValidationError

from tussock.base.errors import Fault, InputError, MissingInputError

ModelT = TypeVar("ModelT", bound=BaseModel)
KeyPath = tuple[str | int, ...]

_HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?")
#: A file that some editors begin with a byte order mark is read all the same.
_MARK: Final = "\ufeff"
#: What a refusal of pydantic asks for, in the words of a TOML file.
_NEEDS: Final = {
    "string_type": 'write a text in quotes, such as "..."',
    "bool_type": "write true or false, without quotes",
    "bool_parsing": "write true or false, without quotes",
    "int_type": "write a whole number, without quotes",
    "int_parsing": "write a whole number, without quotes",
    "int_from_float": "write a whole number",
    "float_type": "write a number, without quotes",
    "float_parsing": "write a number, without quotes",
    "finite_number": "write a number that is finite",
    "date_type": "write a day without quotes, such as 2027-05-17",
    "date_parsing": "write a day without quotes, such as 2027-05-17",
    "date_from_datetime_parsing": "write a day without quotes, such as 2027-05-17",
    "dict_type": "write a table, such as { key = value }",
    "model_type": "write a table, such as { key = value }",
}
_KEY = re.compile(r"\s*([A-Za-z0-9_\-\.\"']+)\s*=")


def read_toml(path: Path, where: str) -> tuple[dict[str, Any], str]:
    """Return the content of a TOML file and its text.

    Raises
    ------
    MissingInputError
        There is no such file.
    InputError
        It is a folder, not TOML, or not UTF-8.
    """
    if path.is_dir():
        raise InputError(Fault(where, "file", "a folder", "name the TOML file in it"))
    if not path.is_file():
        raise MissingInputError(
            Fault(where, "file", "nothing at that path", f"put the file at {path} or mend the path")
        )
    data = path.read_bytes()
    try:
        text = data.decode("utf-8")
        return tomllib.loads(text.removeprefix(_MARK)), text
    except UnicodeDecodeError as error:
        number = data.count(b"\n", 0, error.start) + 1
        found = "characters that are not UTF-8"
        raise InputError(Fault(where, "file", found, "save the file as UTF-8 in your editor", number)) from error
    except tomllib.TOMLDecodeError as error:
        match = re.search(r"at line (\d+)", str(error))
        line = int(match[1]) if match else None
        need = _mend(str(error), "" if line is None else "".join(text.splitlines()[line - 1 : line]))
        raise InputError(Fault(where, "file", f"no valid TOML ({error})", need, line)) from error


def _mend(message: str, line: str) -> str:
    """Return what to do about a line that is no TOML."""
    if "overwrite" in message:
        return "this key stands there twice: keep one"
    if re.search("[\u201c\u201d\u2018\u2019]", line):
        return 'mend that line: write straight quotes, "..."'
    if "\\" in line:
        return "mend that line: write paths with / in place of \\"
    if re.search(r"=\s*[+-]?\d+,\d", line):
        return "mend that line: write a decimal point, 1.5 and not 1,5"
    if re.search(r"=\s*[^\s\"'\[{#]+\s*[^\s\"'#]*", line) and not re.search(r"=\s*[\"'\[{]", line):
        return 'mend that line: texts, and quantities with their unit, stand in quotes, such as "3 m"'
    return "mend that line, or the one before"


def find_line(text: str, path: KeyPath) -> int | None:
    """Return the line of a key path in TOML text, or of the nearest parent that stands on a line of its own."""
    seen: dict[str, int] = {}
    table: KeyPath = ()
    lines: dict[KeyPath, int] = {}
    for number, line in enumerate(text.removeprefix(_MARK).splitlines(), start=1):
        header = _HEADER.fullmatch(line)
        if header is not None:
            names = tuple(part.strip().strip("\"'") for part in header[2].split("."))
            table = names
            if header[1] == "[[":
                seen[header[2]] = seen.get(header[2], -1) + 1
                table = (*names, seen[header[2]])
                lines.setdefault(names, number)
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
    refused = sorted(error.errors(include_url=False), key=lambda item: item["type"] != "extra_forbidden")
    for item in refused:  # a key spelled wrongly first: it says why another one is missing
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
    kind, value = item["type"], item["input"]
    if kind == "extra_forbidden":
        known = _known_keys(model, path)
        return "a key that is not known", _meant(str(path[-1]), known)
    if kind == "missing":
        return "nothing", f'add "{path[-1]}"'
    if kind == "value_error":
        found, _, need = item["msg"].removeprefix("Value error, ").partition("; ")
        return found, need or "mend it"
    return "a table" if isinstance(value, dict) else repr(value), _find_need(item, path)


def _find_need(item: Any, path: KeyPath) -> str:
    """Return what a value of the wrong kind has to be, in the words of a TOML file."""
    kind = item["type"]
    if kind == "tuple_type" and isinstance(item["input"], dict):
        return f"write it in double brackets, [[{path[-1]}]], once for each"
    if kind == "literal_error":
        return f"write one of {item['ctx']['expected']}"
    message: str = item["msg"].replace("Input should be", "it must be")
    return _NEEDS.get(kind, message[:1].lower() + message[1:])


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
