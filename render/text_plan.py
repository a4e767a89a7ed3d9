"""Plans drawn with letters, for a terminal: to scale, a character cell being twice as high as it is wide."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rooms.geometry import Box
from rooms.microphones import Array
from rooms.players import Section
from rooms.surfaces import Patch

__all__ = ["array_elevation", "array_plan", "hall_plan", "letter", "seating_plan"]

COLUMNS = 72
"""Most characters in a line of a drawing; with its margin it fits a terminal of 80."""

ROWS = 36
"""Most lines of a drawing from above."""

SIDE_ROWS = 16
"""Most lines of a drawing from the side."""

ASPECT = 2.0
"""Height of a character cell re its width (common for terminal fonts)."""

SCALES = tuple(step * 10.0**power for power in range(-3, 3) for step in (1, 1.5, 2, 2.5, 3, 4, 5))
"""Lengths in m that a column may stand for."""

SHADES = "░▒·"
"""How parts of a hall's floor that are of another material are filled, in turn."""

CONDUCTOR = "+"

ABOVE = "audience below"

COINCIDENT = 0.15
"""Room around the capsules of an array in m: none is drawn at a finer scale than this asks for."""

LEVEL = 0.3
"""Least part of an aim that lies in the plane of the drawing, for an arrow to be drawn."""

ARROWS = "↑↗→↘↓↙←↖"
"""Directions clockwise, eighth by eighth."""


@dataclass
class _Canvas:
    """Characters on a grid over a rectangle of the plane, in m: x to the right, y up."""

    low: tuple[float, float]
    high: tuple[float, float]
    rows: int = ROWS
    step: float = field(init=False)
    cells: dict[tuple[int, int], str] = field(default_factory=dict, init=False)

    def __post_init__(self) -> None:
        """Take the finest scale at which the rectangle fits."""
        width, height = (b - a for a, b in zip(self.low, self.high, strict=True))
        fits = (s for s in SCALES if width / s <= COLUMNS - 2 and height / (s * ASPECT) <= self.rows - 2)
        self.step = next(fits, SCALES[-1])

    def cell(self, x: float, y: float) -> tuple[int, int]:
        """Return column and row, from the upper left, of a point."""
        return round((x - self.low[0]) / self.step), round((self.high[1] - y) / (self.step * ASPECT))

    def put(self, x: float, y: float, text: str) -> None:
        """Write text from a point to the right."""
        column, row = self.cell(x, y)
        for offset, character in enumerate(text):
            self.cells[column + offset, row] = character

    def fill(self, low: Sequence[float], high: Sequence[float], character: str) -> None:
        """Fill a rectangle."""
        (left, bottom), (right, top) = self.cell(low[0], low[1]), self.cell(high[0], high[1])
        self.cells.update({(c, r): character for c in range(left, right + 1) for r in range(top, bottom + 1)})

    def frame(self, low: Sequence[float], high: Sequence[float], lines: str) -> None:
        """Draw a rectangle with lines given as ``─│┌┐└┘``."""
        (left, bottom), (right, top) = self.cell(low[0], low[1]), self.cell(high[0], high[1])
        for column in range(left, right + 1):
            self.cells[column, top] = self.cells[column, bottom] = lines[0]
        for row in range(top, bottom + 1):
            self.cells[left, row] = self.cells[right, row] = lines[1]
        corners = ((left, top), (right, top), (left, bottom), (right, bottom))
        self.cells.update(zip(corners, lines[2:], strict=True))

    def lines(self) -> dict[int, str]:
        """Return the lines of the drawing by their row, from the first to the last that holds anything."""
        left = min(column for column, _ in self.cells)
        right = max(column for column, _ in self.cells)
        top, bottom = min(row for _, row in self.cells), max(row for _, row in self.cells)
        columns = range(left, right + 1)
        return {r: "".join(self.cells.get((c, r), " ") for c in columns).rstrip() for r in range(top, bottom + 1)}

    def scale(self) -> str:
        """Return the scale in words."""
        return f"one column is {self.step:g} m, one line {self.step * ASPECT:g} m"


def letter(index: int) -> str:
    """Return the one character a section or capsule is drawn with: A … Z, then a … z, then 0 … 9."""
    characters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789"
    return characters[index % len(characters)]


def hall_plan(box: Box, patches: Iterable[Patch], stage: tuple[Sequence[float], Sequence[float]] | None) -> list[str]:
    """Draw a hall from above: walls, what lies on its floor, the conductor and the stage.

    Parameters
    ----------
    box : Box
        Its shape.
    patches : iterable of Patch
        Those on the floor are filled.
    stage : tuple, optional
        Low and high corner of the suggested stage in m; dashed.

    Returns
    -------
    list of str
        The drawing's lines, its scale and what it shows.
    """
    lower, upper = box.lower.tolist(), box.upper.tolist()
    canvas = _Canvas((lower[0], lower[1]), (upper[0], upper[1]))
    key = [f"{CONDUCTOR} conductor"]
    shades: dict[str, str] = {}
    for patch in patches:
        if patch.surface == "floor":
            shade = shades.setdefault(patch.material.name, SHADES[len(shades) % len(SHADES)])
            canvas.fill(patch.low, patch.high, shade)
    if stage is not None:
        canvas.frame(stage[0], stage[1], "╌╎┌┐└┘")
        key.append("╌ stage")
    canvas.frame((lower[0], lower[1]), (upper[0], upper[1]), "─│┌┐└┘")
    canvas.put(0.0, 0.0, CONDUCTOR)
    parts = [f"{shade} {name}" for name, shade in shades.items()]
    return [*canvas.lines().values(), f"{canvas.scale()}; {ABOVE}", ", ".join(key), *parts]


def seating_plan(sections: Sequence[Section], conducted: bool = True) -> list[str]:
    """Draw a seating plan from above: a letter for every player, sections in turn, and who or what all look to.

    Returns
    -------
    list of str
        The drawing's lines and its scale.
    """
    middle = "conductor" if conducted else "what all look to"
    players = {letter(i): [p.position[:2] for p in section.players] for i, section in enumerate(sections)}
    canvas = _around([(0.0, 0.0), *(point for points in players.values() for point in points)])
    canvas.put(0.0, 0.0, CONDUCTOR)
    for mark, points in players.items():
        for x, y in points:
            canvas.put(x, y, mark)
    return [*canvas.lines().values(), f"{canvas.scale()}; {ABOVE}, {CONDUCTOR} {middle}"]


def array_plan(array: Array) -> list[str]:
    """Draw an array from above: a letter for each capsule, an arrow where one with a direction aims.

    Returns
    -------
    list of str
        The drawing's lines and its scale.
    """
    points = array.positions[:, :2]
    canvas = _around([(float(x), float(y)) for x, y in points], COINCIDENT)
    if np.all((canvas.low <= np.zeros(2)) & (np.zeros(2) <= canvas.high)):
        canvas.put(0.0, 0.0, CONDUCTOR)
    _put_capsules(canvas, array, points, array.axes[:, :2])
    return [*canvas.lines().values(), f"{canvas.scale()}; {ABOVE}"]


def array_elevation(array: Array) -> list[str]:
    """Draw an array from the audience's right, over the stage floor and the conductor, with heights above the stage.

    Returns
    -------
    list of str
        The drawing's lines and its scale.
    """
    points = array.positions[:, 1:]
    reach = [*points[:, 0].tolist(), -1.0, 1.0]
    canvas = _Canvas((min(reach), 0.0), (max(reach), max(float(points[:, 1].max()), 2.0)), SIDE_ROWS)
    columns = range(canvas.cell(canvas.low[0], 0.0)[0], canvas.cell(canvas.high[0], 0.0)[0] + 1)
    floor = canvas.cell(0.0, 0.0)[1]
    canvas.cells.update({(column, floor): "─" for column in columns})
    canvas.put(0.0, 0.0, CONDUCTOR)
    rows = _put_capsules(canvas, array, points, array.axes[:, 1:])
    heights = {row: f"{array.positions[indices[0], 2]:.2f} m" for row, indices in rows.items()}
    drawn = [f"{heights.get(row, ''):>7} {line}".rstrip() for row, line in canvas.lines().items()]
    return [*drawn, f"{canvas.scale()}; audience to the left"]


def _put_capsules(
    canvas: _Canvas, array: Array, points: NDArray[np.float64], axes: NDArray[np.float64]
) -> dict[int, list[int]]:
    """Draw capsules at points (capsules, 2) with their aims (capsules, 2); return which are on each row."""
    cells: dict[tuple[int, int], list[int]] = {}
    rows: dict[int, list[int]] = {}
    for index, point in enumerate(points):
        cell = canvas.cell(*point)
        cells.setdefault(cell, []).append(index)
        rows.setdefault(cell[1], []).append(index)
    free: dict[int, int] = {}  # first column of each row that no letter has, so that neighbours don't hide each other
    runs = []
    for (column, row), indices in sorted(cells.items()):
        start = max(column, free.get(row, column))
        free[row] = start + len(indices)
        runs.append((start, row, indices))
    for column, row, indices in runs:
        for index in indices:
            right, up = axes[index]
            if not array.capsules[index].is_omni and math.hypot(right, up) > LEVEL:
                eighth = round(math.atan2(right, up) / (math.pi / 4)) % 8
                turn = eighth * math.pi / 4
                start = column if right < 0 else column + len(indices) - 1
                canvas.cells[start + round(ASPECT * math.sin(turn)), row - round(math.cos(turn))] = ARROWS[eighth]
    for column, row, indices in runs:
        canvas.cells.update({(column + offset, row): letter(index) for offset, index in enumerate(indices)})
    return rows


def _around(points: Sequence[tuple[float, float]], margin: float = 0.0) -> _Canvas:
    """Return a canvas over points, with a margin in m."""
    low = [min(point[axis] for point in points) - margin for axis in range(2)]
    high = [max(point[axis] for point in points) + margin for axis in range(2)]
    return _Canvas((low[0], low[1]), (high[0], high[1]))
