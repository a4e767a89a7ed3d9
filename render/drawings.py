"""Drawings for pages, as SVG that follows the page's colours: a stage from above, a stereo image, curves over time.

As in the figures, no colour carries a meaning alone: letters, numbers, shapes and dashes say the same.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from matplotlib.colors import to_hex
from numpy.typing import NDArray

from render.pages import page
from render.stage_plan import (
    BLUE,
    GREEN,
    ORANGE,
    PURPLE,
    SEAT,
    SKY,
    STAND,
    VERMILLION,
    ink_on,
    section_colour,
    section_letter,
)
from rooms.localisation import LOUDSPEAKER_AZIMUTH
from rooms.microphones import Array
from rooms.scene import Scene

__all__ = [
    "Curve",
    "Marks",
    "Placed",
    "curve_drawing",
    "image_drawing",
    "in_window",
    "line_style",
    "section_mark",
    "stage_drawing",
    "stage_window",
]

Marks = Mapping[str, tuple[str, str, str]]
"""`section_mark` of every section, by its name."""

Window = tuple[float, float, float, float]
"""What a stage shows: least x and y, greatest x and y in m."""

MARGIN = 1.3
"""What a stage shows around its players, in m."""

REACH = 3.0
"""How far from the players a microphone may hang to be drawn, in m."""

LINES = ("currentColor", *(to_hex(colour) for colour in (BLUE, VERMILLION, GREEN, PURPLE, ORANGE, SKY)))
DASHES = ("none", "9 4", "2 3", "9 3 2 3", "14 5", "5 2", "2 6")

SIZE = (300.0, 170.0)
"""Width and height of a drawing of curves, without what stands around it."""

ROW = 20.0
"""Height that a section has in a drawing of an image."""


@dataclass(frozen=True)
class Placed:
    """Where a section is heard between the loudspeakers, in degrees, positive to the right.

    Parameters
    ----------
    section : str
        Its name.
    azimuth, left, right : float
        Its middle and its outermost players.
    measured : float, optional
        Its middle as it was measured from sound.
    """

    section: str
    azimuth: float
    left: float
    right: float
    measured: float | None = None


@dataclass(frozen=True, eq=False)
class Curve:
    """One line of a drawing.

    Parameters
    ----------
    name : str
        What it is of.
    x, y : ndarray, shape (points,)
        In the units of the drawing's axes; NaN leaves a gap.
    """

    name: str
    x: NDArray[np.float64]
    y: NDArray[np.float64]


def section_mark(index: int) -> tuple[str, str, str]:
    """Return letter, fill and the letter's colour of a section by its place in the scene."""
    colour = section_colour(index)
    return section_letter(index), to_hex(colour), ink_on(colour)


def line_style(index: int) -> tuple[str, str]:
    """Return colour and dashes of a line by its place; no two of the first 49 are alike."""
    return LINES[index % len(LINES)], DASHES[(index + index // len(LINES)) % len(DASHES)]


def stage_window(scenes: Sequence[Scene]) -> Window:
    """Return what drawings of several stages must show to have one scale."""
    seats = np.concatenate([np.zeros((1, 3)), *(s.positions for scene in scenes for s in scene.sections)])[:, :2]
    low, high = seats.min(axis=0), seats.max(axis=0)
    hung = np.concatenate([np.zeros((1, 3)), *(a.positions for scene in scenes for a in scene.arrays)])[:, :2]
    near = hung[np.all((hung > low - REACH) & (hung < high + REACH), axis=1)]
    low, high = np.minimum(low, near.min(axis=0)) - MARGIN, np.maximum(high, near.max(axis=0)) + MARGIN
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def in_window(array: Array, window: Window) -> bool:
    """Return whether any of an array's capsules is drawn."""
    left, low, right, high = window
    x, y = array.positions[:, 0], array.positions[:, 1]
    return bool(np.any((x > left) & (x < right) & (y > low) & (y < high)))


def stage_drawing(
    scene: Scene,
    marks: Marks,
    window: Window,
    label: str,
) -> Markup:
    """Draw a stage from above to scale: chairs, stands, the conductor and the microphones over them.

    Parameters
    ----------
    scene : Scene
    marks : Marks
    window : Window
    label : str
        What it shows, for who can't see it.
    """
    left, low, right, high = window
    chairs = [
        {"x": p.position[0], "y": -p.position[1], "facing": p.facing, "mark": marks[section.name]}
        for section in scene.sections
        for p in section.players
    ]
    stands = []
    for section in scene.sections:
        for desk in section.desks:
            ahead = np.sum([np.exp(1j * np.radians(p.facing)) for p in desk])
            x, y = np.mean([p.position[:2] for p in desk], axis=0)
            stands.append({"x": float(x), "y": float(-y), "facing": float(np.degrees(np.angle(ahead)))})
    capsules = [
        {"x": x, "y": -y, "purpose": array.purpose, "name": array.name}
        for array in scene.arrays
        for x, y, _ in array.positions.tolist()
        if left < x < right and low < y < high
    ]
    return Markup(
        page(
            "stage.svg.j2",
            chairs=chairs,
            stands=stands,
            capsules=capsules,
            conducted=scene.conducted,
            box=(left, -high, right - left, high - low),
            bar=(right - 2.4, -low - 0.35),
            seat=SEAT,
            stand=STAND,
            label=label,
        )
    )


def image_drawing(image: Sequence[Placed], marks: Marks, label: str) -> Markup:
    """Draw where sections are heard between two loudspeakers, each on a line of its own with its letter.

    Parameters
    ----------
    image : sequence of Placed
    marks : Marks
    label : str
        What it shows, for who can't see it.
    """
    return Markup(page("image.svg.j2", image=image, marks=marks, half=LOUDSPEAKER_AZIMUTH, line=ROW, label=label))


def curve_drawing(
    curves: Sequence[Curve],
    x_ticks: Mapping[float, str],
    y_ticks: Sequence[float],
    x_name: str,
    y_name: str,
    label: str,
) -> Markup:
    """Draw curves over each other, the first and the last tick being the ends of an axis.

    Parameters
    ----------
    curves : sequence of Curve
        Drawn with `line_style` by their order.
    x_ticks : mapping of float to str
        What stands where on the axis, ascending.
    y_ticks : sequence of float
        Ascending.
    x_name, y_name : str
        What the axes show, with unit.
    label : str
        What it shows, for who can't see it.
    """
    width, height = SIZE
    start, end = min(x_ticks), max(x_ticks)
    low, high = y_ticks[0], y_ticks[-1]
    lines = [
        {
            "name": curve.name,
            "style": line_style(index),
            "points": _path(
                (curve.x - start) / (end - start) * width, (high - curve.y) / (high - low) * height, height
            ),
        }
        for index, curve in enumerate(curves)
    ]
    x_at = [(text, (x - start) / (end - start) * width) for x, text in x_ticks.items()]
    y_at = [(y, (high - y) / (high - low) * height) for y in y_ticks]
    axes = {"x_at": x_at, "y_at": y_at, "x_name": x_name, "y_name": y_name}
    return Markup(page("curves.svg.j2", lines=lines, width=width, height=height, label=label, **axes))


def _path(x: NDArray[np.float64], y: NDArray[np.float64], height: float) -> str:
    """Return a path through points, cut at the axes' upper and lower end; broken where a point is unknown."""
    points, pen = [], "M"
    for px, py in zip(x.tolist(), y.tolist(), strict=True):
        if not np.isfinite(py) or not 0.0 <= px <= SIZE[0] + 1e-6:
            pen = "M"
            continue
        points.append(f"{pen}{px:.1f} {min(max(py, 0.0), height):.1f}")
        pen = "L" if py <= height else "M"
    return "".join(points)
