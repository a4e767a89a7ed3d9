"""What can go wrong, in one line each: what, where, found, allowed, nearest valid name."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

__all__ = ["FileError", "InputError", "SitzprobeError", "did_you_mean", "nearest"]


class SitzprobeError(Exception):
    """Root of all errors raised on purpose; its text is one line a user can act on."""


class InputError(SitzprobeError, ValueError):
    """Something the user gave (a scene, a preset, a stem, an output folder) can't be used.

    Parameters
    ----------
    text : str
        The one line.
    at : tuple of str
        Keys of the scene's table it is about, such as ``("sections", "cellos")``, where that is known; who knows the
        file adds its line.
    """

    def __init__(self, text: str, at: tuple[str, ...] = ()) -> None:
        super().__init__(text)
        self.at = at


class FileError(InputError):
    """Something in a file can't be used; its text begins with the file, and nobody puts another place before it."""


def nearest(name: str, allowed: Iterable[str]) -> str | None:
    """Return the allowed name most like the one given, or None where none is alike."""
    return next(iter(difflib.get_close_matches(name, sorted(allowed), n=1)), None)


def did_you_mean(name: str, allowed: Iterable[str]) -> str:
    """Return the tail of an error line for a name that isn't among the allowed ones.

    Parameters
    ----------
    name : str
        The name that was given.
    allowed : iterable of str
        The names that exist.

    Returns
    -------
    str
        ``"did you mean 'x'?"`` for the nearest name where one is near, else the list of allowed names.
    """
    names = sorted(allowed)
    near = nearest(name, names)
    if near is not None:
        return f"did you mean '{near}'?"
    return f"allowed: {', '.join(names)}" if names else "none exists"
