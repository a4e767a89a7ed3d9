"""Sidecars: beside a cue's files, what they were rendered from, so that nothing is rendered twice."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, ValidationError

import render
import rooms
from render.console import Console
from render.cue_plan import CuePlan
from render.export import Encoding, write_text
from render.report import WrittenFile
from render.voices import read_voices

__all__ = [
    "Sidecar",
    "SoundHash",
    "Stamp",
    "console_digest",
    "current_sidecar",
    "make_sidecar",
    "settings_digest",
    "sidecar_path",
    "stamp",
    "unmodified",
    "write_sidecar",
]

_LIBRARIES = ("numpy", "scipy", "numba", "soundfile", "soxr")
"""Those whose arithmetic reaches the samples."""


class _Part(BaseModel):
    """What all parts of a sidecar share."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Stamp(_Part):
    """How a file looks from outside; who writes to it changes that.

    Parameters
    ----------
    size : int
        Bytes.
    modified_ns, changed_ns : int
        When its contents, and when anything about it last changed, as the file system says, in ns.
    """

    size: int
    modified_ns: int
    changed_ns: int


class Sidecar(_Part):
    """What a cue's files were rendered from, and what they are.

    Parameters
    ----------
    cue : str
        The cue.
    settings : str
        Digest of all that decides the samples but the stems' own.
    sound : str
        Digest of the stems' samples as they were heard.
    stems : tuple
        Name and stamp of each stem's file.
    files : tuple
        What the report says of each file, in its order, and its stamp.
    warnings : tuple of str
        What was noted.
    """

    cue: str
    settings: str
    sound: str
    stems: tuple[tuple[str, Stamp], ...]
    files: tuple[tuple[WrittenFile, Stamp], ...]
    warnings: tuple[str, ...]


class SoundHash:
    """Digests what voices play while it streams by."""

    def __init__(self) -> None:
        self._hash = hashlib.sha256()

    def hear(self, block: NDArray[np.float32]) -> None:
        """Take the next (voices, n) samples."""
        self._hash.update(_bytes(block))

    @property
    def digest(self) -> str:
        """The digest of all that was heard."""
        return self._hash.hexdigest()


def stamp(path: Path) -> Stamp:
    """Return a file's stamp; `OSError` if there is none."""
    found = path.stat()
    return Stamp(size=found.st_size, modified_ns=found.st_mtime_ns, changed_ns=found.st_ctime_ns)


def unmodified(path: Path, was: Stamp) -> bool:
    """Return whether a file has the contents it had; a change of something else, its owner say, is no matter."""
    try:
        now = stamp(path)
    except OSError:
        return False
    return path.is_file() and (now.size, now.modified_ns) == (was.size, was.modified_ns)


def sidecar_path(folder: Path, cue: str) -> Path:
    """Return where a cue's sidecar is."""
    return folder / "mix" / f"{cue}.json"


def console_digest(console: Console) -> str:
    """Return a digest of all a console does: responses with every gain and delay, and the sums they go to."""
    found = hashlib.sha256()
    for field in fields(console):
        value = getattr(console, field.name)
        found.update(f"{field.name} {getattr(value, 'shape', '')}".encode())
        found.update(_bytes(value) if isinstance(value, np.ndarray) else repr(value).encode())
    return found.hexdigest()


def settings_digest(plan: CuePlan, console: str, encoding: Encoding, seed: int) -> str:
    """Return a digest of all that decides the samples of a cue's files but those of its stems.

    Parameters
    ----------
    plan : CuePlan
        The cue.
    console : str
        Digest of its console.
    encoding : str
        Of the files; see `render.export.Encoding`.
    seed : int
        Of the dither.
    """
    voices = [(voice.section, voice.channels, voice.late, voice.samples) for voice in plan.voices]
    files = [(file.name, file.channels) for file in plan.files]
    output = plan.output.model_dump()
    given = (_engine(), console, voices, files, plan.rate, plan.start, plan.first, plan.last, output, encoding, seed)
    return hashlib.sha256(json.dumps(given).encode()).hexdigest()


def make_sidecar(
    plan: CuePlan,
    settings: str,
    sound: str,
    stamps: Mapping[Path, Stamp],
    folder: Path,
    files: Sequence[WrittenFile],
    warnings: Sequence[str],
) -> Sidecar:
    """Return the sidecar of a cue whose files are in the folder under their final names."""
    return Sidecar(
        cue=plan.name,
        settings=settings,
        sound=sound,
        stems=tuple((path.name, stamps[path]) for path in _paths(plan)),
        files=tuple((file, stamp(folder / file.path)) for file in files),
        warnings=tuple(warnings),
    )


def write_sidecar(folder: Path, sidecar: Sidecar) -> None:
    """Write a sidecar beside its cue's files; `InputError` if it can't be written."""
    write_text(sidecar_path(folder, sidecar.cue), sidecar.model_dump_json(indent=2) + "\n")


def current_sidecar(plan: CuePlan, settings: str, stamps: Mapping[Path, Stamp], folder: Path) -> Sidecar | None:
    """Return a cue's sidecar if its files are whole and are what a render would give; else None.

    Stems whose stamps are other ones are read and compared by their samples; alike, the sidecar gets the new stamps.

    Raises
    ------
    InputError
        If a stem can't be read, or the sidecar not be written.
    """
    try:
        found = Sidecar.model_validate_json(sidecar_path(folder, plan.name).read_bytes())
    except (OSError, ValidationError):
        return None
    if found.settings != settings or not all(unmodified(folder / file.path, was) for file, was in found.files):
        return None
    stems = tuple((path.name, stamps[path]) for path in _paths(plan))
    if stems == found.stems:
        return found
    sound = SoundHash()
    for block in read_voices(plan.voices, plan.rate):
        sound.hear(block)
    if sound.digest != found.sound:
        return None
    renewed = found.model_copy(update={"stems": stems})
    write_sidecar(folder, renewed)
    return renewed


def _bytes(array: NDArray[Any]) -> memoryview:
    """Return an array's bytes in order."""
    return np.ascontiguousarray(array).reshape(-1).view(np.uint8).data


def _paths(plan: CuePlan) -> Iterable[Path]:
    """Return the files of a cue's stems, each once."""
    return dict.fromkeys(voice.path for voice in plan.voices)


@cache
def _engine() -> tuple[Any, ...]:
    """Return what else samples depend on: this package's version and code, and the libraries' versions."""
    code = hashlib.sha256()
    for package in (rooms, render):
        for path in sorted(Path(next(iter(package.__path__))).glob("*.py")):
            code.update(path.read_bytes())
    return version("sitzprobe"), code.hexdigest(), [f"{name} {version(name)}" for name in _LIBRARIES]
