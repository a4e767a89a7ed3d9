"""The acoustic scene: a hall, the sections seated in it and the arrays that hear them, checked as a whole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

import numpy as np

from rooms.errors import InputError
from rooms.microphones import Array, Capsule
from rooms.players import Section
from rooms.surfaces import Hall

__all__ = ["CLEARANCE", "Scene"]

CLEARANCE = 0.1
"""Least distance in m between a capsule and a player, and between either and a surface."""


@dataclass(frozen=True)
class Scene:
    """Everything that decides the responses.

    Parameters
    ----------
    hall : Hall
        The room.
    sections : tuple of Section
        Who plays; at least one, names differ.
    arrays : tuple of Array
        Who hears; at least one, names differ.
    sample_rate : int
        Hz.
    seed : int
        Everything random follows from it.
    conducted : bool
        Whether a conductor stands in the origin; for pictures.

    Raises
    ------
    InputError
        If a name is used twice, a player or capsule stands outside the hall or in a surface, or a capsule stands in
        a player.
    """

    hall: Hall
    sections: tuple[Section, ...]
    arrays: tuple[Array, ...]
    sample_rate: int
    seed: int = 1
    conducted: bool = True

    def __post_init__(self) -> None:
        _need_names("section", [s.name for s in self.sections])
        _need_names("array", [a.name for a in self.arrays])
        box = self.hall.box
        for section in self.sections:
            for number, (point, fits) in enumerate(
                zip(section.positions, box.inside(section.positions, CLEARANCE), strict=True), start=1
            ):
                if not fits:
                    raise InputError(
                        f"section '{section.name}': player {number} of {len(section.players)} at {_text(point)} m "
                        f"is outside the hall or in a surface ({box.describe_range()}); "
                        "move the section or widen the hall",
                        at=("sections", section.name),
                    )
        for array in self.arrays:
            for capsule, fits in zip(array.capsules, box.inside(array.positions, CLEARANCE), strict=True):
                if not fits:
                    raise InputError(
                        f"array '{array.name}': capsule '{capsule.name}' at {_text(capsule.position)} m is outside the "
                        f"hall or in a surface ({box.describe_range()}); move the array or widen the hall",
                        at=("arrays", array.name),
                    )
                for section in self.sections:
                    gap = np.linalg.norm(section.positions - np.array(capsule.position), axis=1)
                    if gap.min() < CLEARANCE:
                        raise InputError(
                            f"array '{array.name}': capsule '{capsule.name}' at {_text(capsule.position)} m is on top "
                            f"of player {int(gap.argmin()) + 1} of section '{section.name}'; "
                            f"at least {CLEARANCE:g} m between them is needed",
                            at=("arrays", array.name),
                        )

    @property
    def capsules(self) -> tuple[tuple[Array, Capsule], ...]:
        """All capsules with their arrays, in the order every response uses."""
        return tuple((array, capsule) for array in self.arrays for capsule in array.capsules)

    @property
    def places(self) -> tuple[slice, ...]:
        """Where each array's capsules are among all."""
        ends = list(accumulate(len(array.capsules) for array in self.arrays))
        return tuple(slice(end - len(array.capsules), end) for array, end in zip(self.arrays, ends, strict=True))


def _need_names(kind: str, names: list[str]) -> None:
    """Refuse an empty list and a name used twice."""
    if not names:
        raise InputError(f"the scene has no {kind}s; at least 1 is needed")
    double = next((n for n in names if names.count(n) > 1), None)
    if double is not None:
        raise InputError(f"two {kind}s are named '{double}'; each needs a name of its own")


def _text(point: Sequence[float]) -> str:
    """Return coordinates as text."""
    return "[" + ", ".join(f"{float(v):.2f}" for v in point) + "]"
