"""What was computed before, kept in a folder: found by what it was computed from, bounded in size, safe to share.

An entry is one file of arrays, written under another name and renamed, so that processes that share the folder see
whole entries only. The oldest go when there is no more room.
"""

from __future__ import annotations

import hashlib
import os
import platform
import tempfile
import time
import warnings
import zipfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numba
import numpy as np
import scipy
from numpy.typing import NDArray

from rooms.cores import on_all_cores

__all__ = ["LIMIT_BYTES", "Store", "StoreWarning", "key", "remember", "remember_each"]

LIMIT_BYTES = 2 << 30
"""Most that is kept: some forty scenes of five sections and twelve capsules in a hall of 2 s."""

ABANDONED_S = 3600.0
"""A file under another name is that of a killed process when it is this old."""

_UNFINISHED = ".unfinished-"


class StoreWarning(UserWarning):
    """Something kept is damaged, or can't be kept; what is computed is right all the same."""


@cache
def _engine() -> str:
    """Return what tells this engine from any other that would give other numbers."""
    digest = hashlib.sha256()
    for source in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(source.read_bytes())
    digest.update(" ".join((np.__version__, scipy.__version__, numba.__version__, platform.machine())).encode())
    return digest.hexdigest()


def key(*content: object) -> str:
    """Return the name under which something computed from this content is kept.

    Parameters
    ----------
    *content
        Dataclasses, mappings, sequences, arrays, numbers, text and None, nested at will. This engine's own code and
        the libraries it computes with count, too.

    Raises
    ------
    TypeError
        For anything else.
    """
    digest = hashlib.sha256(_engine().encode())
    _feed(digest, content)
    return digest.hexdigest()


def _feed(digest: hashlib._Hash, content: object) -> None:
    """Take content into account, its type included, so that no two contents read alike."""
    match content:
        case None | bool() | int() | float() | str():
            digest.update(f"{type(content).__name__} {content!r}\n".encode())
        case np.ndarray():
            digest.update(f"array {content.dtype.str} {content.shape}\n".encode())
            digest.update(np.ascontiguousarray(content).tobytes())
        case tuple() | list():
            digest.update(f"sequence {len(content)}\n".encode())
            for item in content:
                _feed(digest, item)
        case Mapping():
            _feed(digest, sorted(content.items()))
        case _ if is_dataclass(content) and not isinstance(content, type):
            digest.update(f"{type(content).__name__} {len(fields(content))}\n".encode())
            for field in fields(content):
                _feed(digest, getattr(content, field.name))
        case _:
            raise TypeError(f"{type(content).__name__} can't be part of a key")


@dataclass(frozen=True)
class Store:
    """A folder of computed arrays.

    Parameters
    ----------
    folder : Path
        Made when the first entry is kept. A folder that can't be written to keeps nothing.
    limit_bytes : int
        Most that is kept.
    """

    folder: Path
    limit_bytes: int = LIMIT_BYTES

    def get(self, name: str) -> dict[str, NDArray[np.generic]] | None:
        """Return the arrays kept under a name, or None; warns if they are damaged."""
        path = self._path(name)
        try:
            with path.open("rb") as file, np.load(file, allow_pickle=False) as entry:
                arrays = {key: entry[key] for key in entry.files}  # each array's checksum is verified
            os.utime(path)
        except (FileNotFoundError, NotADirectoryError):
            return None
        except (OSError, ValueError, EOFError, zipfile.BadZipFile) as error:
            warnings.warn(f"{path} is damaged ({error}); what it held is computed anew", StoreWarning, stacklevel=2)
            path.unlink(missing_ok=True)
            return None
        return arrays

    def put(self, name: str, arrays: Mapping[str, NDArray[np.generic]]) -> None:
        """Keep arrays under a name, and let the oldest entries go if there is no room; warns if it can't."""
        unfinished = None
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            with tempfile.NamedTemporaryFile(dir=self.folder, prefix=_UNFINISHED, delete=False) as file:
                unfinished = Path(file.name)
                np.savez(file, **arrays)  # type: ignore[arg-type]
            unfinished.replace(self._path(name))
        except OSError as error:
            warnings.warn(f"nothing is kept in {self.folder}: {error.strerror}", StoreWarning, stacklevel=2)
            if unfinished is not None:
                unfinished.unlink(missing_ok=True)
            return
        self._make_room()

    def entries(self) -> list[tuple[Path, int, float]]:
        """Return file, size in bytes and time of last use of every entry, the longest unused first."""
        found = []
        for path in self.folder.glob("*.npz"):
            try:
                status = path.stat()
            except FileNotFoundError:  # another process let it go
                continue
            found.append((path, status.st_size, status.st_mtime))
        return sorted(found, key=lambda entry: entry[2])

    def clear(self) -> None:
        """Let all entries go."""
        for path, _, _ in self.entries():
            path.unlink(missing_ok=True)

    def _path(self, name: str) -> Path:
        return self.folder / f"{name}.npz"

    def _make_room(self) -> None:
        """Let the longest unused entries go until the rest fits; remove what killed processes left."""
        for path in self.folder.glob(f"{_UNFINISHED}*"):
            try:
                if path.stat().st_mtime < time.time() - ABANDONED_S:
                    path.unlink()
            except FileNotFoundError:
                continue
        entries = self.entries()
        total = sum(size for _, size, _ in entries)
        for path, size, _ in entries:
            if total <= self.limit_bytes:
                break
            path.unlink(missing_ok=True)
            total -= size


def remember(
    store: Store | None, content: tuple[object, ...], compute: Callable[[], Mapping[str, NDArray[Any]]]
) -> Mapping[str, NDArray[Any]]:
    """Return what a store keeps of this content; else compute it, and keep it if there is a store."""
    return remember_each(store, [content], lambda _which: [compute()])[0]


def remember_each(
    store: Store | None,
    contents: Sequence[tuple[object, ...]],
    compute: Callable[[Sequence[int]], Iterable[Mapping[str, NDArray[Any]]]],
) -> list[Mapping[str, NDArray[Any]]]:
    """Return what a store keeps of these contents; compute those it lacks at once, and keep them if there is a store.

    Parameters
    ----------
    store : Store or None
        Where to look.
    contents : sequence of tuple
        What each of them is computed from, see `key`.
    compute : callable
        From the places of those lacking among ``contents`` to their arrays.
    """
    if store is None:
        return list(compute(range(len(contents))))
    names = [key(*content) for content in contents]
    found: list[Mapping[str, NDArray[Any]] | None] = [*on_all_cores(store.get, names)]
    lacking = [n for n, kept in enumerate(found) if kept is None]
    if lacking:
        for n, computed in zip(lacking, compute(lacking), strict=True):
            found[n] = computed
            store.put(names[n], computed)
    return [kept for kept in found if kept is not None]
