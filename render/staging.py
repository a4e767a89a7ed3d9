"""Output folders: one writer at a time, and files that appear under their names only when all of a set are whole."""

from __future__ import annotations

import errno
import os
import shutil
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from rooms.errors import InputError, SitzprobeError

if sys.platform != "win32":
    import fcntl

__all__ = ["make_folder", "refuse_long_names", "sole_writer", "staged"]

LONGEST_NAME = 255
"""Bytes in a file's name on the usual file systems of Linux, macOS and Windows (there: UTF-16 units, no more)."""

_PART = ".part"
_LOCK = ".lock"


@contextmanager
def sole_writer(folder: Path) -> Iterator[None]:
    """Keep other renders out of a folder; the system gives it free again whatever ends this process.

    Raises
    ------
    InputError
        If the folder can't be written to.
    SitzprobeError
        If another render holds it.
    """
    make_folder(folder)
    path = folder / _LOCK
    with _naming(folder):
        handle = _held(path, folder)
    try:
        yield
    finally:
        if sys.platform != "win32":
            path.unlink(missing_ok=True)  # while it is held, so that nobody else's goes
        os.close(handle)


def _held(path: Path, folder: Path) -> int:
    """Return a handle of a lock file that is held by it alone."""
    taken = f"{folder}: another render is writing there; wait until it is done, or choose another folder"
    if sys.platform == "win32":
        try:
            return os.open(path, os.O_CREAT | os.O_EXCL | os.O_TEMPORARY)  # vanishes with its holder
        except FileExistsError as error:
            raise SitzprobeError(taken) from error
    while True:
        handle = os.open(path, os.O_CREAT | os.O_RDWR, 0o666)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if path.exists() and os.path.samestat(os.fstat(handle), path.stat()):
                return handle
        except BlockingIOError as error:
            os.close(handle)
            raise SitzprobeError(taken) from error
        except BaseException:
            os.close(handle)
            raise
        os.close(handle)  # its holder removed it between our two calls


@contextmanager
def staged(folder: Path, names: Sequence[str]) -> Iterator[Path]:
    """Yield a folder with empty folders of these names; its files replace those of `folder` when all are written.

    Raises
    ------
    InputError
        If a file can't be written, or a folder is in its place; nothing is replaced then.
    """
    staging = folder / _PART
    shutil.rmtree(staging, ignore_errors=True)  # of a render that was killed
    try:
        make_folder(staging)
        for name in names:
            make_folder(staging / name)
        yield staging
        targets = {path: folder / path.relative_to(staging) for path in staging.rglob("*") if path.is_file()}
        for target in targets.values():
            if target.is_dir():
                raise InputError(f"cannot write {target}: is a folder; rename it or choose another folder")
        with _naming(folder):
            for path, target in targets.items():
                target.parent.mkdir(parents=True, exist_ok=True)
                path.replace(target)
    except InputError as error:
        # The user knows the place a file was meant for, not where it waited.
        error.args = (str(error).replace(str(staging), str(folder)),)
        raise
    finally:
        shutil.rmtree(staging, ignore_errors=True)


def make_folder(folder: Path) -> None:
    """Make a folder that can be written to; `InputError` says why not."""
    with _naming(folder):
        folder.mkdir(parents=True, exist_ok=True)
        trial = folder / ".writable"
        trial.touch()
        trial.unlink()


def refuse_long_names(names: Sequence[str]) -> None:
    """Refuse file names that no usual file system takes, with what is added while they are written.

    Raises
    ------
    InputError
        For the longest one.
    """
    longest = max((Path(name).name for name in names), key=lambda name: len(os.fsencode(name)))
    allowed = LONGEST_NAME - len(f".{_PART}")
    if (found := len(os.fsencode(longest))) > allowed:
        raise InputError(
            f"file name '{longest}' would have {found} bytes; allowed: up to {allowed}; "
            "shorten the names of cue, section, array or capsule"
        )


@contextmanager
def _naming(folder: Path) -> Iterator[None]:
    """Turn the system's error into one line that names the folder and what to do."""
    try:
        yield
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            remedy = "free some space or choose another folder"
        else:
            remedy = "choose a folder you can write to"
        raise InputError(f"cannot write to {folder}: {error.strerror or error}; {remedy}") from error
