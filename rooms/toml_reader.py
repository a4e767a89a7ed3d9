"""Read TOML files and check them against tables; every problem becomes one line with file and line number."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from rooms.errors import FileError, did_you_mean, nearest
from rooms.units import BAND_NAMES

__all__ = ["Location", "TomlFile", "parse_toml", "read_toml", "validate"]

Location = tuple[str | int, ...]
"""Keys and indices from the top of a file to a value."""

M = TypeVar("M", bound=BaseModel)

SINGULAR = {
    "sections": "section",
    "arrays": "array",
    "cues": "cue",
    "materials": "material",
    "instruments": "instrument",
    "surfaces": "surface",
    "capsules": "capsule",
}
"""How a table of named or numbered things is called when one of them is meant."""

PER_BAND = ("absorption", "scattering", "directivity_index")
"""Keys of lists with one value per octave band."""

ALLOWED = {
    "float_type": "a number",
    "int_type": "a whole number",
    "finite_number": "a finite number",
    "string_type": "text in quotes",
    "string_too_short": "at least one character",
    "bool_type": "true or false",
    "tuple_type": "a list in brackets",
    "dict_type": "a table",
    "model_type": "a table",
    "string_pattern_mismatch": "letters, digits, spaces and any of -_'’&+, – a letter or digit first",
    "greater_than": "above {gt:g}",
    "greater_than_equal": "{ge:g} and above",
    "less_than": "below {lt:g}",
    "less_than_equal": "{le:g} and below",
}
"""What is allowed, by pydantic's type of error."""


@dataclass(frozen=True)
class TomlFile:
    """A parsed file that still knows its lines.

    Parameters
    ----------
    path : Path
        Where it was read from.
    text : str
        Its whole text.
    data : mapping
        The parsed tables.
    """

    path: Path
    text: str
    data: Mapping[str, Any]

    def place(self, at: Location = ()) -> str:
        """Return ``file:line`` of a value, or of the nearest table around it, for the head of an error line."""
        while at:
            line = _find_line(self.text, at)
            if line is not None:
                return f"{self.path}:{line}"
            at = at[:-1]
        return str(self.path)

    def error(self, at: Location, text: str) -> FileError:
        """Return the error of a value in this file, headed by its file, line and key in words."""
        words = _words(at, self.data)
        return FileError(": ".join(part for part in (self.place(at), words, text) if part))


def read_toml(path: Path) -> TomlFile:
    """Read and parse a TOML file.

    Parameters
    ----------
    path : Path
        A UTF-8 text file, with or without byte-order mark.

    Raises
    ------
    FileError
        If it is missing, a folder, unreadable, not UTF-8 or not TOML.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise FileError(f"{path}: no such file{_nearby(path)}") from None
    except IsADirectoryError:
        raise FileError(f"{path}: is a folder; give the scene file in it") from None
    except UnicodeDecodeError as error:
        raise FileError(f"{path}: byte {error.start + 1} is not UTF-8; save the file as UTF-8 text") from None
    except (OSError, ValueError) as error:  # ValueError: a null character in the path
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise FileError(f"{path}: can't be read: {reason}") from None
    return parse_toml(path, text)


def parse_toml(path: Path, text: str) -> TomlFile:
    """Parse text as the file it is, or will be, at a path.

    Raises
    ------
    FileError
        If it is not TOML.
    """
    try:
        return TomlFile(path, text, tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise FileError(_syntax_error(path, text, str(error))) from None
    except RecursionError:
        raise FileError(f"{path}: tables or lists are nested too deeply") from None


def validate(model: type[M], data: Mapping[str, Any], file: TomlFile, at: Location = ()) -> M:
    """Check data against a table.

    Parameters
    ----------
    model : type
        The table.
    data : mapping
        Parsed values.
    file : TomlFile
        The file the values come from.
    at : tuple
        Where in the file ``data`` stands.

    Returns
    -------
    model
        The checked table.

    Raises
    ------
    FileError
        With the first problem in one line, and how many more there are.
    """
    try:
        return model.model_validate(data)
    except ValidationError as error:
        # An unknown key first: it is often the reason why another seems to be missing.
        problems = sorted(error.errors(include_url=False), key=lambda p: p["type"] != "extra_forbidden")
        # A list with one bad value is also reported as one value too short.
        inner = {p["loc"][:-1] for p in problems}
        problems = [p for p in problems if p["type"] != "too_short" or p["loc"] not in inner]
        first = _describe(problems[0], model, data)
        more = f"; and {len(problems) - 1} more" if len(problems) > 1 else ""
        raise file.error(at + first[0], first[1] + more) from None


def _describe(problem: ErrorDetails, model: type[BaseModel], data: Mapping[str, Any]) -> tuple[Location, str]:
    """Return where a problem is in the data and a plain sentence about it."""
    kind, found, limits = problem["type"], problem["input"], problem.get("ctx", {})
    at = _existing(problem["loc"], data)
    if kind == "extra_forbidden":
        return at, f"unknown key; {did_you_mean(str(at[-1]), _keys(model, at[:-1]))}"
    if kind == "missing" and isinstance(problem["loc"][-1], int):
        length = max(len(get_args(kind)) for kind in _types(model, at))
        return at, f"found {_text(_value(at, data))}; {length} values are needed"
    if kind == "missing":
        return at, f"key '{problem['loc'][-1]}' is missing"
    if kind in ("too_short", "too_long"):
        needed = limits.get("min_length", limits.get("max_length"))
        return at, f"found {limits['actual_length']} values; {needed} are needed"
    if kind == "literal_error":
        allowed = re.findall(r"'([^']*)'", str(limits["expected"]))
        hint = f"allowed: {', '.join(allowed)}" if str(found).isdigit() else did_you_mean(str(found), allowed)
        return at, f"found {_text(found)}; {hint}"
    if kind == "value_error":
        return at, str(limits["error"])
    allowed_text = ALLOWED[kind].format(**limits) if kind in ALLOWED else problem["msg"]
    return at, f"found {_text(found)}; allowed: {allowed_text}"


def _existing(loc: Iterable[str | int], data: Any) -> Location:
    """Return the part of a pydantic location that exists in the data; it also holds names of types and the like."""
    at: list[str | int] = []
    for key in loc:
        inside_table = isinstance(data, Mapping) and key in data
        inside_list = isinstance(data, list) and isinstance(key, int) and key < len(data)
        if inside_table or inside_list:
            at.append(key)
            data = data[key]
    return tuple(at)


def _value(at: Location, data: Any) -> Any:
    """Return the value at a location that exists."""
    for key in at:
        data = data[key]
    return data


def _keys(model: type[BaseModel], at: Location) -> set[str]:
    """Return the keys that the table at a location may have."""
    tables = [kind for kind in _types(model, at) if isinstance(kind, type) and issubclass(kind, BaseModel)]
    return {key for table in tables for key in table.model_fields}


def _types(model: type[BaseModel], at: Location) -> list[Any]:
    """Return the types that a value at a location may have."""
    types: list[Any] = [model]
    for key in at:
        types = [inner for outer in types for inner in _inner(outer, key)]
    return _plain(types)


def _inner(outer: Any, key: str | int) -> list[Any]:
    """Return the types that a key or index of a type may hold."""
    found: list[Any] = []
    for kind in _plain([outer]):
        if get_origin(kind) is dict:
            found.append(get_args(kind)[1])
        elif get_origin(kind) is tuple:
            found.append(get_args(kind)[0])
        elif isinstance(kind, type) and issubclass(kind, BaseModel) and key in kind.model_fields:
            found.append(kind.model_fields[str(key)].annotation)
    return found


def _plain(types: Iterable[Any]) -> list[Any]:
    """Return types without annotations and unions around them."""
    plain: list[Any] = []
    for kind in types:
        if get_origin(kind) is Annotated:
            plain += _plain(get_args(kind)[:1])
        elif get_origin(kind) in (Union, UnionType):
            plain += _plain(get_args(kind))
        else:
            plain.append(kind)
    return plain


def _words(at: Location, data: Any) -> str:
    """Return a location in words: ``section 'cellos': players``."""
    words: list[str] = []
    keys = list(at)
    while keys:
        key = keys.pop(0)
        inside = data.get(key) if isinstance(data, Mapping) else None
        if key in SINGULAR and keys:
            name = keys.pop(0)
            inside = _value((name,), inside) if _existing((name,), inside) else None
            if isinstance(name, int):
                named = inside.get("name") if isinstance(inside, Mapping) else None
                words.append(f"{SINGULAR[str(key)]} {name + 1}" + (f" '{named}'" if named else ""))
            else:
                words.append(f"{SINGULAR[str(key)]} '{name}'")
        elif isinstance(key, int):
            words[-1] += f" at {BAND_NAMES[key]} Hz" if words[-1] in PER_BAND else f"[{key + 1}]"
        else:
            words.append(str(key))
        data = inside
    return ": ".join(words)


def _text(value: Any) -> str:
    """Return a found value as text of bounded length."""
    if isinstance(value, bool):
        return str(value).lower()
    text = repr(value) if not isinstance(value, float) else f"{value:g}"
    return text if len(text) <= 60 else text[:57] + "…"


def _find_line(text: str, at: Location) -> int | None:
    """Return the first line by whose end a key exists, reading growing parts of the file; None if it never does.

    A list that is still open at the end of the line is closed to make the part readable.
    """
    names = [key for key in at if isinstance(key, str)]
    if not names:
        return None
    lines = text.splitlines(keepends=True)
    for number, line in enumerate(lines, start=1):
        if names[-1] not in line and not isinstance(at[-1], int):
            continue
        for closing in ("", "]", "]]"):
            try:
                data = tomllib.loads("".join(lines[:number]) + closing)
            except tomllib.TOMLDecodeError:
                continue
            if _existing(at, data) == at:
                return number
            break
    return None


def _syntax_error(path: Path, text: str, message: str) -> str:
    """Return a line about text that is not TOML, with advice on the slips that are common."""
    found = re.search(r"^(.*) \(at (?:line (\d+), column (\d+)|end of document)\)$", message)
    lines = text.splitlines()
    number = int(found[2]) if found and found[2] else len(lines)
    line = lines[number - 1] if 0 < number <= len(lines) else ""
    reason = found[1] if found else message
    twice = re.search(r"Cannot declare \((.*?),?\) twice", reason)
    if twice:
        keys = tuple(part.strip().strip("'\"") for part in twice[1].split(","))
        return f"{path}:{number}: {_words(keys, {})} is there twice; each needs a name of its own"
    if "Cannot overwrite" in reason:
        return f"{path}:{number}: this key is there twice: {line.strip()}"
    if re.search(r"=\s*[-+]?\d+,\d+\s*(#.*)?$", line):
        return f"{path}:{number}: decimals are written with a point, not a comma: {line.split('#')[0].strip()}"
    if re.search(r"end of a table declaration|'=' after a key", reason) and re.search(r"[^\x00-\x7f]|\w +\w", line):
        return f"{path}:{number}: a name with a space, or with letters beyond a to z, stands in quotes: {line.strip()}"
    if re.search(r'"[^"]*\\', line):
        return f"{path}:{number}: write paths with forward slashes, or in single quotes: {line.strip()}"
    return f"{path}:{number}: not valid TOML: {reason[:1].lower()}{reason[1:]}: {line.strip()}"


def _nearby(path: Path) -> str:
    """Return the name of a similar file beside a missing one, as the tail of an error line."""
    try:
        beside = [entry.name for entry in path.parent.iterdir() if entry.suffix == ".toml"]
    except OSError:
        return ""
    near = nearest(path.name, beside)
    return "" if near is None else f"; did you mean '{near}'?"
