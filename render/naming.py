"""From names of sound files to sections and cues: which file is whose, by a pattern such as ``{cue}_{section}*``."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from itertools import pairwise
from pathlib import Path

from rooms.toml_reader import ALLOWED

__all__ = ["NAME", "SOUND_SUFFIXES", "NamedFiles", "check_pattern", "named_files"]

SOUND_SUFFIXES = frozenset({".wav", ".wave", ".rf64", ".flac", ".aif", ".aiff", ".aifc", ".ogg", ".oga"})
"""What names of sound files end in, in lower case."""

SEPARATORS = r"[ _.\-]"
NAME = r"[^\W_][\w '’&+,-]*"
"""How sections, arrays and cues may be called: files are named after them."""

ALIKE = 0.75
"""From 0 to 1: how much a part of a name must be like a section's to be taken for a slip of the pen."""


@dataclass(frozen=True)
class NamedFiles:
    """What the names of a folder's sound files say.

    Attributes
    ----------
    files : dict of str to dict of str to Path
        The file of each section by cue, cues in natural order.
    notes : tuple of str
        A line for each file that is left out.
    faults : tuple of str
        A line for each thing that must be settled before anything is rendered.
    """

    files: dict[str, dict[str, Path]]
    notes: tuple[str, ...]
    faults: tuple[str, ...]


@dataclass(frozen=True)
class _Reading:
    """One way to understand a file's name: whose it is, and where the section stands in it."""

    cue: str
    section: str
    start: int
    end: int


def check_pattern(pattern: str) -> str:
    """Return a pattern, or raise `ValueError` with what is wrong with it."""
    fields = re.findall(r"\{[^{}]*\}|[{}]", pattern)
    unknown = next((field for field in fields if field not in ("{section}", "{cue}")), None)
    if unknown is not None:
        raise ValueError(f"found '{unknown}' in '{pattern}'; allowed: {{section}}, {{cue}}, * and ?")
    if fields.count("{section}") != 1 or fields.count("{cue}") > 1:
        raise ValueError(f"found '{pattern}'; it needs {{section}} once, and {{cue}} once or not at all")
    if pattern.startswith("/") or ".." in pattern.split("/"):
        raise ValueError(f"found '{pattern}'; a pattern lies in the folder; name another as folder")
    return pattern


def named_files(
    folder: Path,
    pattern: str,
    sections: Sequence[str],
    cues: Sequence[str],
    given: Mapping[tuple[str, str], Path],
) -> NamedFiles:
    """Find out whose the sound files in a folder are.

    Parameters
    ----------
    folder : Path
        Where they are.
    pattern : str
        A path in the folder with ``{section}`` and perhaps ``{cue}``; ``*`` stands for any text within a name, ``?``
        for one character. Case doesn't matter, and spaces, ``_``, ``-`` and ``.`` are all alike; before and
        after a section's numbers they may be missing. Without the suffix of a sound file it stands for all of them.
    sections : sequence of str
        The scene's.
    cues : sequence of str
        Those the scene lists; a name that can be read in two ways belongs to one of them. Without ``{cue}`` in the
        pattern, the only one.
    given : mapping of (cue, section) to Path
        Stems the scene names itself: other files of theirs are passed over.

    Returns
    -------
    NamedFiles
        Where two sections fit in the same place, the longer name counts (violins-1 before violins).
    """
    if not folder.is_dir():
        return NamedFiles({}, (), (f"{folder}: {'is a file' if folder.exists() else 'no such folder'}",))
    expressions = {section: _expressions(pattern, section) for section in sections}
    names = {_key(cue): cue for cue in cues} if "{cue}" in pattern else {"": cues[0]}
    listed = frozenset(names)
    found: dict[tuple[str, str], list[Path]] = {}
    notes: list[str] = []
    faults: list[str] = []
    for path in _sound_files(folder, pattern):
        if path in given.values():
            continue
        readings = _readings(_spelt(path.relative_to(folder).with_suffix("").as_posix()), expressions, listed)
        if not readings:
            notes.append(f"{path} isn't used: it is named like no section{_near(path.stem, sections)}")
        elif len(readings) > 1:
            told = " or ".join(f"section '{r.section}'" + (f" of cue '{r.cue}'" if r.cue else "") for r in readings)
            faults.append(f"{path} may be {told}; name it as a stem, or make the pattern say more")
        elif readings[0].cue and not re.fullmatch(NAME, readings[0].cue):
            allowed = ALLOWED["string_pattern_mismatch"]
            notes.append(f"{path} isn't used: no cue can be called '{readings[0].cue}'; allowed: {allowed}")
        else:
            (reading,) = readings
            cue = names.setdefault(_key(reading.cue), reading.cue)
            if (cue, reading.section) not in given:
                found.setdefault((cue, reading.section), []).append(path)
    for (cue, section), several in found.items():
        if len(several) > 1:
            told = ", ".join(path.relative_to(folder).as_posix() for path in several)
            faults.append(
                f"{len(several)} files may be the stem of section '{section}' of cue '{cue}': {told}; "
                "name one of them as its stem"
            )
    if not found and not faults and not given:
        faults.append(f"no sound file in {folder} is named '{pattern}'" + (f"; {notes[0]}" if notes else ""))
    files = {
        cue: {section: found[cue, section][0] for section in sections if (cue, section) in found}
        for cue in sorted({cue for cue, _ in found}, key=_natural)
    }
    return NamedFiles(files, tuple(notes), tuple(faults))


def _sound_files(folder: Path, pattern: str) -> list[Path]:
    """Return the sound files as deep in a folder as the pattern says, in natural order; hidden ones are none."""
    ending = "." + pattern.rpartition(".")[2].lower()
    allowed = {ending} if ending in SOUND_SUFFIXES else SOUND_SUFFIXES
    paths = folder.glob("/".join(["*"] * (pattern.count("/") + 1)))
    return sorted(
        (
            path
            for path in paths
            if path.suffix.lower() in allowed
            and path.is_file()
            and not any(part.startswith(".") for part in path.relative_to(folder).parts)
        ),
        key=lambda path: (_natural(path.relative_to(folder).with_suffix("").as_posix()), path.suffix),
    )


def _expressions(pattern: str, section: str) -> tuple[re.Pattern[str], re.Pattern[str]]:
    """Return two expressions for a section's files: one takes as little as it can for the cue, one as much."""
    head, _, ending = pattern.rpartition(".")
    if ending == "*" or f".{ending.lower()}" in SOUND_SUFFIXES:
        pattern = head
    parts = re.split(rf"(\{{section\}}|\{{cue\}}|[*?/]|{SEPARATORS}+)", _spelt(pattern))
    plain = {"*": "[^/]*", "?": "[^/]", "/": "/", "{section}": f"(?P<section>{_name(section)})"}
    both = []
    for much in ("[^/]*?", "[^/]*"):
        known = {**plain, "{cue}": rf"(?P<cue>[^\W_](?:{much}[^/ _.\-])?)"}
        text = "".join(
            known.get(part) or (f"{SEPARATORS}+" if re.fullmatch(f"{SEPARATORS}+", part) else re.escape(part))
            for part in parts
        )
        both.append(re.compile(text, re.IGNORECASE))
    return both[0], both[1]


def _name(section: str) -> str:
    """Return an expression for a section's name, with any separators, that doesn't match within a word or number."""
    words = _words(section)
    letter, digit = r"[^\W\d_]", r"\d"
    before, after = (digit if word.isdigit() else letter for word in (words[0], words[-1]))
    text = re.escape(words[0])
    for one, other in pairwise(words):
        missing = one.isdigit() != other.isdigit()  # as in violins1
        text += SEPARATORS + ("*" if missing else "+") + re.escape(other)
    return f"(?<!{before}){text}(?!{after})"


def _readings(
    name: str, expressions: Mapping[str, tuple[re.Pattern[str], re.Pattern[str]]], cues: Collection[str]
) -> list[_Reading]:
    """Return the ways to understand a file's name; more than one if it is ambiguous."""
    found: dict[tuple[str, str], _Reading] = {}
    for section, both in expressions.items():
        for expression in both:
            match = expression.fullmatch(name)
            if match:
                cue = match.groupdict().get("cue", "")
                found.setdefault((_key(cue), section), _Reading(cue, section, *match.span("section")))
    listed = {key: reading for key, reading in found.items() if key[0] in cues}
    readings = list((listed or found).values())
    return [r for r in readings if not any(_within(r, other) for other in readings)]


def _within(one: _Reading, other: _Reading) -> bool:
    """Tell whether a reading's section is but a part of another's."""
    return other.start <= one.start and one.end <= other.end and other.end - other.start > one.end - one.start


def _near(stem: str, sections: Sequence[str]) -> str:
    """Return the tail of a note on a file that is named like no section: the one that was perhaps meant."""
    words = _words(stem)
    runs = [_key(" ".join(words[a:b])) for a in range(len(words)) for b in range(a + 1, min(a + 5, len(words) + 1))]
    alike = [(SequenceMatcher(None, run, _key(name)).ratio(), name) for run in runs for name in sections]
    ratio, name = max(alike, default=(0.0, ""))
    return f"; did you mean '{name}'?" if ratio >= ALIKE else ""


def _spelt(text: str) -> str:
    """Return text with its accents composed: some file systems take them apart."""
    return unicodedata.normalize("NFC", text)


def _words(name: str) -> list[str]:
    """Return the letters and the numbers of a name."""
    return re.findall(r"\d+|[^\d _.\-/]+", _spelt(name))


def _key(name: str) -> str:
    """Return what names have in common that differ in case and separators."""
    return "-".join(_words(name)).casefold()


def _natural(name: str) -> list[tuple[int, str]]:
    """Return a key that sorts 1m2 before 1m10."""
    return [(int(word), "") if word.isdecimal() else (-1, word.casefold()) for word in _words(name)]
