"""Pictures of the bundled presets for the catalogue's page: every hall, seating plan and array, drawn to scale.

The same presets give the same bytes: fixed size, the library's own font, no dates.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable

import matplotlib.style
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.patches import Patch as Swatch
from matplotlib.patches import Rectangle
from matplotlib.typing import ColorType
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from render.figures import STYLE
from render.preset_sheet import BAND_COLUMNS, in_hall, over_plan, reverberation, seated_alone
from render.stage_plan import (
    BLUE,
    GREEN,
    INK,
    ORANGE,
    PURPLE,
    SKY,
    VERMILLION,
    YELLOW,
    draw_capsule,
    draw_dots,
    draw_elevation,
    draw_scale_bar,
    draw_stage_plan,
    label_points,
    section_key,
)
from rooms import catalogue
from rooms.microphones import Array
from rooms.surfaces import Hall
from rooms.tables import HallTable

__all__ = ["PICTURED", "draw_halls", "draw_preset", "preset_digest"]

DPI = 110
COLOURS = 96
"""Different colours in a file; more can't be told apart in line drawings."""

RATE = 48000
"""Hz; nothing drawn depends on it."""

PARTS: tuple[ColorType, ...] = (ORANGE, SKY, GREEN, YELLOW, PURPLE, VERMILLION)
"""Fills of what lies on a floor, in the order of its patches."""

LARGEST = 0.8
"""Inches that a metre of a seating plan takes at most."""

WIDE = 2.5
"""Half extent in m from which on an array over the stage is drawn among the players."""

NEAR = 9.0
"""m; an array that hangs closer behind the conductor is drawn with the players, not in the whole hall."""


def draw_preset(kind: str, name: str) -> bytes:
    """Draw a bundled preset.

    Parameters
    ----------
    kind : str
        One of `PICTURED`.
    name : str
        Which.

    Returns
    -------
    bytes
        A PNG file; a text in it, "preset", is `preset_digest`.
    """
    with matplotlib.style.context(["default", STYLE]):
        return _png(PICTURED[kind](name), preset_digest(kind, name))


def preset_digest(kind: str, name: str) -> str:
    """Return a digest of what a bundled preset's file says, by which a picture tells that it is of that.

    Keys that it leaves out don't count, so that a new one makes no picture old.
    """
    return hashlib.sha256(catalogue.load(kind, name).model_dump_json(exclude_unset=True).encode()).hexdigest()


def draw_halls() -> bytes:
    """Draw the plans of all bundled halls to one scale, the smallest first; returns as `draw_preset` does."""
    with matplotlib.style.context(["default", STYLE]):
        return _png(_halls_figure(), " ".join(preset_digest("halls", name) for name in catalogue.names("halls")))


def _png(figure: Figure, digest: str) -> bytes:
    """Return a figure, its empty margins cut off, as a PNG file of few colours."""
    info = PngInfo()
    info.add_text("preset", digest)
    FigureCanvasAgg(figure)
    drawn, file = io.BytesIO(), io.BytesIO()
    figure.savefig(drawn, format="png", dpi=DPI, bbox_inches="tight", pad_inches=0.08)
    picture = Image.open(drawn).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
    picture.save(file, format="PNG", optimize=True, pnginfo=info)
    return file.getvalue()


def _axes(figure: Figure, x: float, y: float, wide: float, tall: float) -> Axes:
    """Return axes at a place in inches from the lower left."""
    width, height = figure.get_size_inches()
    return figure.add_axes((x / width, y / height, wide / width, tall / height), anchor="NW")


def _hall_table(name: str) -> HallTable:
    """Return what a hall's file says."""
    return catalogue.resolve(HallTable(preset=name))


def _hall_figure(name: str) -> Figure:
    """Lay out a hall's plan on the left, its side and how long it rings on the right (lengths in inches)."""
    scene = in_hall(name).scene(RATE)
    hall = scene.hall
    width, depth, height = hall.box.size
    materials = list(dict.fromkeys(patch.material.name for patch in hall.patches if patch.surface == "floor"))
    scale = min(4.4 / depth, 3.6 / width)
    plan_width, plan_height = scale * width, scale * depth
    key_height, title = 0.2 * len(materials) + 0.25, 0.35
    side_width = 5.2
    side_height = min(side_width * height / depth, 2.4)
    chart_height = 1.6
    column = max(plan_width, 2.7)
    total = max(title + plan_height + key_height, 2 * title + side_height + chart_height + 1.05)
    figure = Figure(figsize=(column + side_width + 1.2, total))
    plan = _axes(figure, 0.15, total - title - plan_height, plan_width, plan_height)
    _draw_floor_plan(plan, hall)
    draw_dots(plan, scene, axis=0, other=1)
    draw_scale_bar(plan, 5.0 if width > 10 else 2.0)
    plan.set_title(f"{width:g} m wide, {depth:g} m deep")
    key = [Swatch(facecolor=_tint(PARTS[i]), edgecolor=INK, linewidth=0.5, label=m) for i, m in enumerate(materials)]
    below = _axes(figure, 0.15, total - title - plan_height - key_height, column, key_height)
    below.set_axis_off()
    below.legend(handles=key, loc="upper left", bbox_to_anchor=(-0.02, 1.0), borderaxespad=0.0, fontsize=8)
    left = column + 0.75
    side = _axes(figure, left, total - title - side_height, side_width, side_height)
    draw_elevation(side, scene).set_title(f"{height:g} m high, from the audience's right")
    side.set(xlabel="")
    chart = total - 2 * title - side_height - 0.45 - chart_height
    _draw_reverberation(_axes(figure, left, chart, side_width, chart_height), name)
    return figure


def _tint(colour: ColorType) -> tuple[float, float, float]:
    """Return a colour mixed with white, to lie under marks."""
    red, green, blue = (0.3 * part + 0.7 for part in to_rgb(colour))
    return red, green, blue


def _draw_floor_plan(axes: Axes, hall: Hall) -> None:
    """Draw a hall from above: walls, what lies on its floor, the stage dashed, the conductor."""
    lower, upper = hall.box.lower, hall.box.upper
    axes.set(xlim=(lower[0] - 0.2, upper[0] + 0.2), ylim=(lower[1] - 0.2, upper[1] + 0.2), aspect="equal")
    axes.set_axis_off()
    walls = Rectangle((lower[0], lower[1]), *(upper - lower)[:2], facecolor="white", edgecolor=INK, linewidth=1.6)
    axes.add_patch(walls)
    colours: dict[str, ColorType] = {}
    for patch in hall.patches:
        if patch.surface == "floor":
            colour = colours.setdefault(patch.material.name, PARTS[len(colours) % len(PARTS)])
            size = np.subtract(patch.high, patch.low)
            axes.add_patch(Rectangle(patch.low, *size, facecolor=_tint(colour), edgecolor=INK, linewidth=0.4))
    stage = _hall_table(hall.name).stage
    if stage is not None:
        size = (stage.x[1] - stage.x[0], stage.y[1] - stage.y[0])
        dashes = (0, (4, 3))
        axes.add_patch(Rectangle((stage.x[0], stage.y[0]), *size, fill=False, edgecolor=INK, linestyle=dashes))
    axes.plot(0, 0, "+", color=INK, markersize=7, markeredgewidth=1.3, zorder=6)


def _draw_reverberation(axes: Axes, name: str) -> None:
    """Draw T30 by octave band, full and empty."""
    times = reverberation(name, _hall_table(name))
    looks = zip(times.items(), ((BLUE, "o", "-"), (VERMILLION, "s", "--")), strict=False)
    for (label, values), (colour, marker, line) in looks:
        axes.plot(BAND_COLUMNS, values, line, marker=marker, color=colour, markersize=5, label=label)
    axes.set(
        ylim=(0.0, 1.12 * max(max(values) for values in times.values())), ylabel="T30 (s)", xlabel="octave band (Hz)"
    )
    axes.grid(axis="y", color="#000000", alpha=0.1, linewidth=0.6)
    axes.set_title("Reverberation time")
    axes.legend(loc="lower left", fontsize=8, ncols=2)


def _seating_figure(name: str) -> Figure:
    """Lay out a seating plan and its key (lengths in inches)."""
    scene = seated_alone(name).scene(RATE)
    key = section_key(scene.sections)
    probe = draw_stage_plan(Figure(figsize=(6.0, 6.0)).add_axes((0.0, 0.0, 1.0, 1.0)), scene)
    width, height = (float(np.ptp(limits)) for limits in (probe.get_xlim(), probe.get_ylim()))
    wide = min(7.4, 5.0 * width / height, LARGEST * width)
    tall = wide * height / width
    column = 2.3
    total = max(tall, 0.22 * len(key) + 0.3) + 0.7
    figure = Figure(figsize=(wide + column + 0.9, total))
    draw_stage_plan(_axes(figure, 0.6, total - 0.15 - tall, wide, tall), scene)
    legend = _axes(figure, wide + 0.8, total - 0.15 - 1.0, column, 1.0)
    legend.set_axis_off()
    legend.legend(handles=key, loc="upper left", borderaxespad=0.0, fontsize=8.5)
    return figure


def _array_figure(name: str) -> Figure:
    """Lay out an array from above and, in the usual hall over the usual plan, from the side (lengths in inches)."""
    scene = over_plan(name).scene(RATE)
    array = scene.arrays[0]
    (_, y), half = _window(array)
    over_stage = y > -NEAR
    figure = Figure(figsize=(12.0, 5.0))
    if half > WIDE and over_stage:
        plan, gap = _axes(figure, 0.5, 0.5, 5.0, 4.0), 6.0
        draw_stage_plan(plan, scene)
    else:
        plan, gap = _axes(figure, 0.5, 1.5, 3.0, 3.0), 4.3
        _draw_array(plan, array)
    plan.set_title("From above")
    side = _axes(figure, gap, 1.5, 5.2, 3.0)
    draw_elevation(side, scene, close=over_stage).set_title("From the audience's right")
    return figure


def _window(array: Array) -> tuple[tuple[float, float], float]:
    """Return the middle of an array from above and half its extent in m."""
    low, high = array.positions[:, :2].min(axis=0), array.positions[:, :2].max(axis=0)
    x, y = ((low + high) / 2.0).tolist()
    return (x, y), float((high - low).max()) / 2.0


def _draw_array(axes: Axes, array: Array) -> None:
    """Draw the capsules of an array from above, large."""
    (x, y), half = _window(array)
    reach = max(1.6 * half, 0.1)
    axes.set(xlim=(x - reach, x + reach), ylim=(y - reach, y + reach), aspect="equal")
    axes.set(xlabel="x (m), to the audience's right", ylabel="y (m), upstage")
    axes.grid(color="#000000", alpha=0.07, linewidth=0.6)
    axes.locator_params(nbins=5)
    names: dict[tuple[float, ...], str] = {}
    for capsule in array.capsules:
        draw_capsule(axes, array.purpose, capsule, 0.3 * reach)
        place = tuple(np.round(capsule.position[:2], 3).tolist())
        names[place] = f"{names[place]}, {capsule.name}" if place in names else capsule.name
    points = list(names)
    texts = list(names.values())
    if abs(x) < reach and abs(y) < reach:
        axes.plot(0, 0, "+", color=INK, markersize=9, markeredgewidth=1.4)
        points, texts = [(0.0, 0.0), *points], ["conductor", *texts]
    tips = [tuple((c.position + 0.3 * reach * c.axis)[:2]) for c in array.capsules]
    bar = draw_scale_bar(axes, _round_length(reach / 2.0))
    label_points(axes, points, texts, obstacles=[*points, *tips, *bar])


def _round_length(length: float) -> float:
    """Return the largest of 1, 2 and 5 times a power of ten that is not above a length."""
    power = 10.0 ** np.floor(np.log10(length))
    return float(power * max(step for step in (1, 2, 5) if step * power <= length * (1.0 + 1e-9)))


def _halls_figure() -> Figure:
    """Lay out the plans of all halls in rows, each with its name, volume and T30 (lengths in inches)."""
    halls = sorted((catalogue.hall(name) for name in catalogue.names("halls")), key=lambda hall: hall.box.volume)
    scale, across, gap, words = 0.05, 10.5, 0.15, 0.55
    rows: list[list[tuple[float, Hall]]] = [[]]
    x = 0.0
    for hall in halls:
        wide = max(scale * hall.box.size[0], 1.35)
        if x + wide > across:
            rows.append([])
            x = 0.0
        rows[-1].append((x, hall))
        x += wide + gap
    heights = [max(scale * hall.box.size[1] for _, hall in row) + words for row in rows]
    total = sum(heights) + 0.2 * len(rows) + 0.4
    figure = Figure(figsize=(across + 0.3, total))
    top = total
    for row, height in zip(rows, heights, strict=True):
        for x, hall in row:
            wide, tall = scale * hall.box.size[0], scale * hall.box.size[1]
            axes = _axes(figure, x + 0.15, top - words - tall, wide, tall)
            _draw_floor_plan(axes, hall)
            times = next(iter(reverberation(hall.name, _hall_table(hall.name)).values()))
            text = f"{hall.name}\n{hall.box.volume:.0f} m³, {np.mean(times[3:5]):.1f} s"
            axes.text(0.0, 1.0 + 0.06 / tall, text, transform=axes.transAxes, fontsize=7.5, va="bottom")
        top -= height + 0.2
    bar = _axes(figure, 0.15, 0.0, 12.0 * scale, 0.4)
    bar.set(xlim=(0.0, 12.0), ylim=(0.0, 0.4 / scale))
    bar.set_axis_off()
    draw_scale_bar(bar, 10.0)
    return figure


PICTURED: dict[str, Callable[[str], Figure]] = {
    "halls": _hall_figure,
    "seating": _seating_figure,
    "arrays": _array_figure,
}
"""How kinds that have pictures are drawn."""
