"""The seating chart: chairs, stands and microphones to scale, from above and from the side.

Sections are told apart by letter and colour, arrays by the shape of their mark.
"""

from __future__ import annotations

import string
from collections.abc import Sequence
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.patheffects import withStroke
from numpy.typing import NDArray

from rooms.microphones import Array, Capsule
from rooms.players import Section
from rooms.scene import Scene
from rooms.units import BAND_NAMES

__all__ = [
    "capsule_label",
    "draw_capsule",
    "draw_dots",
    "draw_elevation",
    "draw_hall_plan",
    "draw_scale_bar",
    "draw_stage_plan",
    "ink_on",
    "label_points",
    "section_colour",
    "section_key",
    "section_letter",
    "stage_figure",
]

INK = "#1a1a1a"
FAINT = "#8a8a8a"
OUTSIDE = "#e9e9e6"
BLACK, ORANGE, SKY, GREEN, YELLOW, BLUE, VERMILLION, PURPLE = mpl.color_sequences["okabe_ito"]
SECTION_COLOURS = (BLUE, ORANGE, GREEN, VERMILLION, SKY, PURPLE, YELLOW)
MARKERS = {"main": "o", "outriggers": "s", "spot": "^", "ambience": "D", "surround": "p"}

SEAT = 0.45
"""Side of a chair's seat in m (common practice, no source)."""

STAND = (0.5, 0.75)
"""A music stand's width and its distance in front of the player's centre, in m (common practice, no source)."""

POLAR = 0.55
"""Radius of a polar pattern on the plan in m, on its axis."""

ARROW = 0.9 / 0.55
"""Length of the arrow along a capsule's axis re that radius."""

REACH = 3.0
"""How far around the players the stage plan shows, in m."""


def draw_stage_plan(axes: Axes, scene: Scene) -> Axes:
    """Draw the stage from above: walls, chairs, stands, conductor and the microphones over it.

    Without a conductor a cross marks the place all look to. Capsules of one array alone go by their own names.

    Parameters
    ----------
    axes : Axes
    scene : Scene

    Returns
    -------
    Axes
    """
    low, high = _stage_zone(scene)
    _draw_floor(axes, scene)
    axes.set(xlim=(low[0], high[0]), ylim=(low[1], high[1]), aspect="equal")
    axes.set(xlabel="x (m), to the audience's right", ylabel="y (m), upstage")
    axes.grid(color="#000000", alpha=0.07, linewidth=0.6)
    for index, section in enumerate(scene.sections):
        _draw_section(axes, index, section)
    if scene.conducted:
        axes.add_patch(Rectangle((-0.5, -0.5), 1.0, 1.0, facecolor="white", edgecolor=INK, linewidth=1.2, zorder=3))
    axes.plot(0, 0, marker="+", color=INK, markersize=9, markeredgewidth=1.4, zorder=4)
    shown = [
        (array, capsule)
        for array, capsule in scene.capsules
        if np.all((np.array(capsule.position[:2]) > low) & (np.array(capsule.position[:2]) < high))
    ]
    for array, capsule in shown:
        draw_capsule(axes, array.purpose, capsule)
    seats = [p.position[:2] for s in scene.sections for p in s.players]
    points = [c.position[:2] for _, c in shown]
    alone = len({array.name for array, _ in shown}) == 1
    names = [capsule.name if alone else capsule_label(array, capsule) for array, capsule in shown]
    podium = [(x, y) for x in (-0.5, 0.0, 0.5) for y in (-0.5, 0.0, 0.5)]
    bar = draw_scale_bar(axes, 2.0)
    if scene.conducted:
        points, names = [(0.0, -0.5), *points], ["conductor", *names]
    label_points(axes, points, names, obstacles=[*seats, *points, *podium, *bar])
    axes.text(0.015, 0.02, "audience below", transform=axes.transAxes, va="bottom", fontsize=8, color="#555555")
    return axes


def draw_hall_plan(axes: Axes, scene: Scene) -> Axes:
    """Draw the whole hall from above: its walls, the stage plan's frame, players and arrays; return the axes."""
    lower, upper = scene.hall.box.lower, scene.hall.box.upper
    _draw_floor(axes, scene)
    axes.set(xlim=(lower[0] - 0.8, upper[0] + 0.8), ylim=(lower[1] - 0.8, upper[1] + 0.8), aspect="equal")
    low, high = _stage_zone(scene)
    axes.add_patch(
        Rectangle((low[0], low[1]), *(high - low), fill=False, edgecolor=FAINT, linestyle=(0, (4, 3)), linewidth=0.9)
    )
    draw_dots(axes, scene, axis=0, other=1)
    axes.text(lower[0] + 0.8, lower[1] + 0.6, "audience", va="bottom", fontsize=8)
    draw_scale_bar(axes, 5.0)
    axes.set_axis_off()
    return axes


def draw_elevation(axes: Axes, scene: Scene, *, close: bool = False) -> Axes:
    """Draw the hall from the audience's right: heights of players and microphones.

    Parameters
    ----------
    axes : Axes
    scene : Scene
    close : bool
        Only the players and what hangs over them or before them, not the whole hall.

    Returns
    -------
    Axes
    """
    lower, upper = scene.hall.box.lower, scene.hall.box.upper
    axes.set_facecolor(OUTSIDE)
    axes.add_patch(
        Rectangle((lower[1], lower[2]), *(upper - lower)[1:], facecolor="white", edgecolor=INK, linewidth=1.6)
    )
    low, high = lower[1:] - 0.6, upper[1:] + 0.6
    if close:
        places = [*(s.positions for s in scene.sections), *(a.positions for a in scene.arrays)]
        shown = np.concatenate([[[0.0, 0.0, 0.0]], *places])[:, 1:]
        low, high = np.maximum(low, shown.min(axis=0) - 1.5), np.minimum(high, shown.max(axis=0) + 1.5)
    axes.set(xlim=(low[0], high[0]), ylim=(low[1], high[1]), aspect="equal")
    axes.set(xlabel="y (m): audience to the left, upstage to the right", ylabel="z (m)")
    axes.grid(color="#000000", alpha=0.07, linewidth=0.6)
    for section in scene.sections:
        risers = section.positions[:, 2] - section.instrument.height - lower[2]
        for y, height in zip(section.positions[:, 1], risers, strict=True):
            if height > 0.01:
                axes.add_patch(Rectangle((y - 0.6, lower[2]), 1.2, height, facecolor="#d9d4c8", zorder=1))
    draw_dots(axes, scene, axis=1, other=2)
    labels: dict[str, Sequence[float]] = {}  # one for what hangs at one height
    for array, capsule in scene.capsules:
        y, z = capsule.position[1:]
        axes.plot([y, y], [lower[2], z], color=FAINT, linewidth=0.7, linestyle=(0, (2, 2)), zorder=1.5)
        if not capsule.is_omni:
            _draw_arrow(axes, (y, z), capsule.axis[1:] * 0.9)
        labels.setdefault(f"{array.name} {z:.1f} m", (y, z))
    seats = [p.position[1:] for s in scene.sections for p in s.players]
    points = [capsule.position[1:] for _, capsule in scene.capsules]
    floor = [(y, lower[2]) for y in np.arange(lower[1], upper[1], 0.3)]
    label_points(axes, list(labels.values()), list(labels), obstacles=[*seats, *points, *floor])
    return axes


def stage_figure(scene: Scene) -> Figure:
    """Lay out plan, key, whole hall and elevation on one sheet, each to its own scale (lengths in inches).

    Parameters
    ----------
    scene : Scene

    Returns
    -------
    Figure
    """
    width, left, right, title = 10.5, 0.65, 0.15, 0.4
    low, high = _stage_zone(scene)
    size = scene.hall.box.size
    key = _key(scene)
    plan_width, key_height = 6.7, 0.215 * len(key) + 0.15
    column = width - left - plan_width - right - 0.3
    plan_height = min(plan_width * float((high - low)[1] / (high - low)[0]), 8.0)
    hall_height = min(column * size[1] / size[0], max(2.3, plan_height - key_height - title))
    row = max(plan_height, key_height + title + hall_height)
    side_width = width - left - right
    side_height = min(side_width * size[2] / size[1], 3.4)
    foot, between = 0.55, 0.95
    height = foot + side_height + between + row + title
    figure = Figure(figsize=(width, height))

    def place(x: float, y: float, wide: float, tall: float) -> Axes:
        return figure.add_axes((x / width, y / height, wide / width, tall / height), anchor="NW")

    top = height - title
    draw_stage_plan(place(left, top - plan_height, plan_width, plan_height), scene).set_title("Stage from above")
    side = place(left, foot, side_width, side_height)
    draw_elevation(side, scene).set_title(
        f"Hall from the audience's right: {size[0]:g} m wide, {size[1]:g} m deep, {size[2]:g} m high"
    )
    column_left = left + plan_width + 0.3
    legend = place(column_left, top - key_height, column, key_height)
    legend.set_axis_off()
    legend.set_title("Key")
    legend.legend(handles=key, loc="upper left", bbox_to_anchor=(-0.04, 1.0), borderaxespad=0.0, fontsize=8.5)
    hall = place(column_left, top - key_height - title - hall_height, column, hall_height)
    draw_hall_plan(hall, scene).set_title("Whole hall (dashed: plan)")
    return figure


def _stage_zone(scene: Scene) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the corners of what the stage plan shows: players, conductor and what hangs near them."""
    seats = np.concatenate([np.zeros((1, 3)), *(s.positions for s in scene.sections)])[:, :2]
    low, high = seats.min(axis=0), seats.max(axis=0)
    near = [
        position
        for array in scene.arrays
        for position in array.positions[:, :2]
        if np.all((position > low - REACH) & (position < high + REACH))
    ]
    points = np.array([*seats, *near])
    box = scene.hall.box
    return (
        np.maximum(points.min(axis=0) - 1.3, box.lower[:2] - 0.4),
        np.minimum(points.max(axis=0) + 1.3, box.upper[:2] + 0.4),
    )


def _draw_floor(axes: Axes, scene: Scene) -> None:
    lower, upper = scene.hall.box.lower, scene.hall.box.upper
    axes.set_facecolor(OUTSIDE)
    axes.add_patch(
        Rectangle((lower[0], lower[1]), *(upper - lower)[:2], facecolor="white", edgecolor=INK, linewidth=1.6, zorder=0)
    )


def section_letter(index: int) -> str:
    """Return a section's letter: A … Z, then AA, BB and so on."""
    return string.ascii_uppercase[index % 26] * (1 + index // 26)


def section_colour(index: int) -> tuple[float, float, float]:
    """Return a section's colour as red, green and blue, 0 to 1."""
    return to_rgb(SECTION_COLOURS[index % len(SECTION_COLOURS)])


def ink_on(colour: tuple[float, float, float]) -> str:
    """Return black or white, whichever reads better on a colour (relative luminance of WCAG 2)."""
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in colour]
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return "white" if 1.05 / (luminance + 0.05) > (luminance + 0.05) / 0.05 else "black"


def _turned(shape: NDArray[np.float64], facing: float, at: Sequence[float]) -> NDArray[np.float64]:
    """Return points (n, 2), given as (to the right, ahead) of a player, in the plan's coordinates."""
    a = np.radians(facing)
    return np.asarray(shape @ np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]) + np.asarray(at[:2]))


def _draw_section(axes: Axes, index: int, section: Section) -> None:
    """Draw chairs, each with its back rest and letter, and the music stands; who has none stands up."""
    h = SEAT / 2
    seat = np.array([[-h, -h], [-h, 0.8 * h], [-0.8 * h, h], [0.8 * h, h], [h, 0.8 * h], [h, -h]])
    back = np.array([[-1.15 * h, -1.25 * h], [1.15 * h, -1.25 * h]])
    stand = np.array([[-STAND[0] / 2, STAND[1]], [STAND[0] / 2, STAND[1]]])
    colour = section_colour(index)
    players = section.players
    seats = [_turned(seat, p.facing, p.position) for p in players]
    backs = [_turned(back, p.facing, p.position) for p in players]
    stands = []
    for desk in section.desks:
        ahead = np.sum([np.exp(1j * np.radians(p.facing)) for p in desk])
        facing = float(np.degrees(np.angle(ahead)))
        middle = np.mean([p.position[:2] for p in desk], axis=0)
        stands.append(_turned(stand, facing, middle))
    axes.add_collection(PolyCollection(seats, facecolors=[colour], edgecolors=INK, linewidths=0.8, zorder=3))
    if section.stand != "none":
        axes.add_collection(LineCollection(backs, colors=INK, linewidths=2.0, zorder=3))
    axes.add_collection(LineCollection(stands, colors="#555555", linewidths=2.2, zorder=2.5, capstyle="butt"))
    for player in players:
        axes.text(
            *player.position[:2],
            section_letter(index),
            ha="center",
            va="center_baseline",
            fontsize=7.5 if len(section_letter(index)) == 1 else 6,
            fontweight="bold",
            color=ink_on(colour),
            zorder=4,
            clip_on=True,
        )


def draw_capsule(axes: Axes, purpose: str, capsule: Capsule, polar: float = POLAR) -> None:
    """Draw a microphone from above: polar pattern around its aim, an arrow along it, the mark of its purpose.

    Parameters
    ----------
    axes : Axes
    purpose : str
        Its array's.
    capsule : Capsule
    polar : float
        Radius of the pattern on its axis in m.
    """
    angle = np.radians(np.arange(0, 361, 5))
    part = float(capsule.pressure_parts[BAND_NAMES.index("1000")])
    reach = polar * np.abs(part + (1.0 - part) * np.cos(angle))
    pattern = np.stack([reach * np.sin(angle), reach * np.cos(angle)], axis=1)
    outline = _turned(pattern, capsule.aim[0], capsule.position)
    axes.fill(*outline.T, facecolor="#00000014", edgecolor="#00000099", linewidth=0.7, zorder=5)
    if not capsule.is_omni:
        _draw_arrow(axes, capsule.position[:2], capsule.axis[:2] * (ARROW * polar))
    axes.plot(
        *capsule.position[:2],
        MARKERS[purpose],
        color=INK,
        markersize=5,
        markeredgecolor="white",
        markeredgewidth=0.7,
        zorder=7,
    )


def _draw_arrow(axes: Axes, start: Sequence[float], step: NDArray[np.float64]) -> None:
    if np.linalg.norm(step) * _inches_per_metre(axes) > 0.05:
        end = (float(start[0] + step[0]), float(start[1] + step[1]))
        style: dict[str, Any] = {
            "arrowstyle": "-|>",
            "color": INK,
            "linewidth": 0.9,
            "shrinkA": 0,
            "shrinkB": 0,
            "mutation_scale": 8,
        }
        axes.annotate("", xy=end, xytext=(start[0], start[1]), arrowprops=style, zorder=6, annotation_clip=True)


def draw_dots(axes: Axes, scene: Scene, axis: int, other: int) -> None:
    """Draw players and capsules as marks on two of their coordinates."""
    for index, section in enumerate(scene.sections):
        axes.plot(
            section.positions[:, axis],
            section.positions[:, other],
            "o",
            color=section_colour(index),
            markersize=4,
            markeredgecolor=INK,
            markeredgewidth=0.4,
            zorder=3,
        )
    for array in scene.arrays:
        axes.plot(
            array.positions[:, axis],
            array.positions[:, other],
            MARKERS[array.purpose],
            color=INK,
            markersize=5,
            markeredgecolor="white",
            markeredgewidth=0.7,
            zorder=5,
        )


def draw_scale_bar(axes: Axes, length: float) -> list[tuple[float, float]]:
    """Draw a bar of ``length`` m in the lower right corner; return points along it and its text."""
    right, low = axes.get_xlim()[1], axes.get_ylim()[0]
    scale = _inches_per_metre(axes)
    x, y = right - 0.25 / scale - length, low + 0.18 / scale
    tick = 0.04 / scale
    axes.plot(
        [x, x, x, x + length, x + length, x + length],
        [y + tick, y - tick, y, y, y - tick, y + tick],
        color=INK,
        linewidth=1.4,
        zorder=8,
    )
    axes.text(x + length / 2, y + 1.5 * tick, f"{length:g} m", ha="center", va="bottom", fontsize=8, zorder=8)
    return [(x + share * length, y + above * tick) for share in (0.0, 0.25, 0.5, 0.75, 1.0) for above in (0.0, 3.0)]


def capsule_label(array: Array, capsule: Capsule) -> str:
    """Return how a picture names a capsule: its array, and its own name where the array has several."""
    return array.name if len(array.capsules) == 1 else f"{array.name} {capsule.name}"


def section_key(sections: Sequence[Section]) -> list[Line2D]:
    """Return what the chairs mean: letter and colour of each section, with its players."""
    return [
        Line2D(
            [],
            [],
            linestyle="",
            marker="s",
            markersize=10,
            markerfacecolor=section_colour(i),
            markeredgecolor=INK,
            label=f"{section_letter(i)}  {section.name}: {len(section.players)}",
        )
        for i, section in enumerate(sections)
    ]


def _key(scene: Scene) -> list[Line2D]:
    """Return what the marks mean: sections with their players, arrays with what they are for."""
    handles = section_key(scene.sections)
    handles.append(Line2D([], [], linestyle="-", color="#555555", linewidth=2.2, label="music stand"))
    for purpose in dict.fromkeys(array.purpose for array in scene.arrays):
        mark: dict[str, Any] = {"marker": MARKERS[purpose], "markersize": 6, "markeredgecolor": "white"}
        handles.append(Line2D([], [], linestyle="", color=INK, label=f"microphone: {purpose}", **mark))
    return handles


def _inches_per_metre(axes: Axes) -> float:
    """Return the scale of axes with equal aspect."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    place = axes.get_position(original=True)
    width, height = figure.get_size_inches() * [place.width, place.height]
    return float(min(width / np.ptp(axes.get_xlim()), height / np.ptp(axes.get_ylim())))


def label_points(
    axes: Axes,
    points: Sequence[Sequence[float]],
    texts: Sequence[str],
    *,
    obstacles: Sequence[Sequence[float]],
    fontsize: float = 7.5,
) -> None:
    """Write each text near its point where it covers least of the obstacles and of earlier texts.

    Works in inches: a text's box is estimated at 0.58 em a character, a mark's at 0.2 in.
    """
    scale = _inches_per_metre(axes)
    low = np.array([axes.get_xlim()[0], axes.get_ylim()[0]])
    edge = np.array([np.ptp(axes.get_xlim()), np.ptp(axes.get_ylim())]) * scale
    marks = (np.array(obstacles, dtype=np.float64) - low) * scale
    boxes = [np.concatenate([marks - 0.1, marks + 0.1], axis=1)]
    angles = np.radians(np.arange(0, 360, 22.5))
    for point, text in zip(points, texts, strict=True):
        half = np.array([0.58 * fontsize * len(text) / 72, 1.25 * fontsize / 72]) / 2
        anchor = (np.array(point, dtype=np.float64)[:2] - low) * scale
        distance = np.repeat([0.12, 0.3, 0.5, 0.75, 1.0], angles.size)
        turn = np.tile(angles, 5)
        toward = np.stack([np.sin(turn), np.cos(turn)], axis=1)
        centres = anchor + toward * (distance[:, None] + half)
        candidates = np.concatenate([centres - half, centres + half], axis=1)
        others = np.concatenate(boxes)
        overlap = np.prod(
            np.maximum(
                np.minimum(candidates[:, None, 2:], others[None, :, 2:])
                - np.maximum(candidates[:, None, :2], others[None, :, :2]),
                0.0,
            ),
            axis=2,
        ).sum(axis=1)
        outside = np.any((candidates[:, :2] < 0.03) | (candidates[:, 2:] > edge - 0.03), axis=1)
        best = int(np.argmin(overlap + 0.01 * distance + 10.0 * outside))
        boxes.append(candidates[best : best + 1])
        x, y = centres[best] / scale + low
        if distance[best] > 0.2:
            near = np.clip(anchor, candidates[best, :2], candidates[best, 2:]) / scale + low
            axes.plot([point[0], near[0]], [point[1], near[1]], color=INK, linewidth=0.6, zorder=6)
        halo = withStroke(linewidth=2.5, foreground="white", alpha=0.85)
        axes.text(x, y, text, ha="center", va="center", fontsize=fontsize, path_effects=[halo], zorder=8)
