"""Pictures of a scene and its hall: functions that draw results on axes and return the axes.

Colours are Okabe and Ito's for names and viridis for quantities; none carries a meaning alone: letters, markers and
dashes say the same. The same results give the same bytes: fixed size, the library's own font, no dates.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import matplotlib as mpl
import matplotlib.style
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.ticker import NullLocator
from numpy.typing import NDArray

from render.export import write_bytes
from render.mix import main_array
from render.report import Report, centre_capsule
from render.stage_plan import BLACK, BLUE, FAINT, GREEN, INK, PURPLE, VERMILLION, capsule_label, stage_figure
from rooms.agreement import Target
from rooms.geometry import SURFACES
from rooms.images import Reflections
from rooms.measures import DECAY_LIMITS, schroeder_db
from rooms.responses import Responses
from rooms.scene import Scene
from rooms.units import BAND_NAMES, BANDS

__all__ = [
    "STYLE",
    "draw_early_reflections",
    "draw_energy_decay",
    "draw_fitted_decays",
    "draw_reverberation_time",
    "png_bytes",
    "save_figures",
]

DPI = 150
STYLE: dict[str, Any] = {
    "figure.dpi": DPI,
    "font.family": "DejaVu Sans",
    "font.size": 9,
    "axes.titlesize": 11,
    "axes.titlelocation": "left",
    "axes.titleweight": "bold",
    "axes.edgecolor": FAINT,
    "axes.labelcolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "legend.frameon": False,
}

LEVEL_BAND = BAND_NAMES.index("1000")
"""The band whose levels the echogram shows."""

FLOOR_DB = -45.0
"""Lowest level the echogram shows, re the direct sound."""

SPAN_MS = 100.0
"""Last time the echogram shows, after the direct sound."""

NAMED = 12
"""How many of the first reflections carry the names of their surfaces."""


def save_figures(
    report: Report, responses: Responses, reflections: Mapping[str, Reflections], folder: Path
) -> list[Path]:
    """Draw all pictures and write them as PNG files, each whole or not at all.

    Parameters
    ----------
    report : Report
        Measures of the responses.
    responses : Responses
    reflections : mapping of str to Reflections
        From a section's centre to the capsule that `render.report.centre_capsule` names, keyed by section; the first
        is drawn large. At least one.
    folder : Path
        Existing folder.

    Returns
    -------
    list of Path
        stage_plan.png, reverberation_time.png, early_reflections.png and energy_decay.png.
    """
    scene = responses.scene
    with matplotlib.style.context(["default", STYLE]):
        figures = {
            "stage_plan.png": stage_figure(scene),
            "reverberation_time.png": _reverberation_figure(report, main_array(scene.arrays).name),
            "early_reflections.png": _reflections_figure(scene, reflections),
            "energy_decay.png": _decay_figure(report, responses),
        }
        paths = []
        for name, figure in figures.items():
            write_bytes(folder / name, png_bytes(figure))
            paths.append(folder / name)
    return paths


def png_bytes(figure: Figure) -> bytes:
    """Return a picture as PNG; the same picture gives the same bytes."""
    buffer = io.BytesIO()
    FigureCanvasAgg(figure)
    figure.savefig(buffer, format="png", metadata={"Software": None})
    return buffer.getvalue()


# How long the hall rings


def draw_reverberation_time(axes: Axes, report: Report, array: str) -> Axes:
    """Draw reverberation times over octave bands: simulated T30 and EDT, Sabine, Eyring and what was asked.

    Parameters
    ----------
    axes : Axes
    report : Report
    array : str
        The array whose EDT is drawn; close microphones hear little but the direct sound.

    Returns
    -------
    Axes
    """
    hall = report.hall
    predictions: tuple[tuple[str, Mapping[str, float | None], dict[str, Any]], ...] = (
        ("Sabine's prediction", hall.sabine_s, {"color": GREEN, "linestyle": ":", "marker": "^"}),
        ("Eyring's prediction", hall.eyring_s, {"color": PURPLE, "linestyle": "-.", "marker": "D"}),
    )
    for label, prediction, style in predictions:
        axes.plot(BANDS, _row(prediction), label=label, linewidth=1.4, markersize=4.5, **style)
    T30 = np.array([_row(r.T30_s) for r in report.responses])
    EDT = np.array([_row(r.EDT_s) for r in report.responses if r.array == array])
    for values, colour, hatch, label in (
        (EDT, VERMILLION, "////", f"EDT in '{array}': range"),
        (T30, BLUE, None, "T30: range of all responses"),
    ):
        low, _, high = _spread_of(values)
        axes.fill_between(
            BANDS,
            low,
            high,
            facecolor=(*colour, 0.18),
            edgecolor=(*colour, 0.45),
            hatch=hatch,
            linewidth=0.5,
            label=label,
        )
    middle = _spread_of(EDT)[1]
    axes.plot(BANDS, middle, "s--", color=VERMILLION, linewidth=1.6, markersize=5, label=f"EDT in '{array}': median")
    axes.plot(
        BANDS, _row(hall.T30_s), "o-", color=BLUE, linewidth=2.2, markersize=6, label="T30 of the hall, simulated"
    )
    _draw_asked(axes, hall.asked_T30_s)
    axes.set_xscale("log")
    axes.set_xticks(BANDS, [_short(band) for band in BANDS])
    axes.xaxis.set_minor_locator(NullLocator())
    axes.set(xlim=(BANDS[0] / 1.25, BANDS[-1] * 1.25), xlabel="octave band (Hz)", ylabel="reverberation time (s)")
    axes.set_ylim(0, axes.get_ylim()[1] * 1.05)
    axes.grid(color="#000000", alpha=0.12, linewidth=0.6)
    axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), borderaxespad=0.0)
    return axes


def _spread_of(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return minimum, median and maximum over the first axis, shape (3, bands); NaN where nothing is known."""
    result = np.full((3, values.shape[1]), np.nan)
    known = np.isfinite(values).any(axis=0)
    result[:, known] = np.nanquantile(values[:, known], [0.0, 0.5, 1.0], axis=0)
    return result


def _draw_asked(axes: Axes, asked: float | Mapping[str, float | None] | None) -> None:
    """Mark the reverberation time the scene asks for, over the bands it holds for."""
    mark: dict[str, Any] = {"color": BLACK, "linewidth": 3.0, "zorder": 6, "solid_capstyle": "butt"}
    if isinstance(asked, Mapping):
        bands = np.array([float(band) for band, value in asked.items() if value is not None])
        values = np.array([value for value in asked.values() if value is not None])
        axes.plot(bands, values, "x", color=BLACK, markersize=9, markeredgewidth=2.2, zorder=6, label="asked for")
    elif asked is not None:
        axes.plot([500, 1000], [asked, asked], label="asked for: 500 Hz to 1 kHz", **mark)


def _reverberation_figure(report: Report, array: str) -> Figure:
    figure = Figure(figsize=(10.5, 4.8))
    axes = figure.add_axes((0.065, 0.115, 0.65, 0.8))
    draw_reverberation_time(axes, report, array).set_title(f"Reverberation time: {report.hall.name}")
    return figure


def _row(values: Mapping[str, float | None]) -> NDArray[np.float64]:
    """Return one value per band, NaN for none."""
    return np.array([np.nan if values.get(name) is None else values[name] for name in BAND_NAMES], dtype=np.float64)


def _short(band: float) -> str:
    return f"{band / 1000:g}k" if band >= 1000 else f"{band:g}"


# What arrives first


def draw_early_reflections(axes: Axes, reflections: Reflections, *, named: int = NAMED) -> Axes:
    """Draw the echogram of one source and capsule: level over time re the direct sound.

    Parameters
    ----------
    axes : Axes
    reflections : Reflections
        With the direct sound (order 0).
    named : int, optional
        How many of the first reflections carry the names of their surfaces.

    Returns
    -------
    Axes
    """
    direct = int(np.argmin(reflections.order))
    time_ms = 1000.0 * (reflections.time_s - reflections.time_s[direct])
    level = reflections.level_db[:, LEVEL_BAND] - reflections.level_db[direct, LEVEL_BAND]
    shown = (level > FLOOR_DB) & (time_ms <= SPAN_MS)
    time_ms, level = time_ms[shown], level[shown]
    elevation = reflections.elevation_deg[shown]
    colours = _elevation_colours(elevation)
    ends = [[(t, FLOOR_DB), (t, y)] for t, y in zip(time_ms, level, strict=True)]
    axes.add_collection(LineCollection(ends, colors=colours, linewidths=1.4, zorder=2))
    azimuth = np.radians(reflections.azimuth_deg[shown])
    flat = np.cos(np.radians(elevation))
    level_ways = flat > 0.25  # what comes from nearly straight above or below has no bearing
    axes.quiver(
        time_ms[level_ways],
        level[level_ways],
        (flat * np.sin(azimuth))[level_ways],
        (flat * np.cos(azimuth))[level_ways],
        color=colours[level_ways],
        angles="uv",
        units="inches",
        scale_units="inches",
        scale=5.0,
        width=0.018,
        headwidth=5.0,
        headlength=5.5,
        headaxislength=4.5,
        clip_on=False,
        zorder=4,
    )
    axes.scatter(time_ms, level, s=14, c=colours, edgecolors=INK, linewidths=0.4, clip_on=False, zorder=5)
    axes.set(ylim=(FLOOR_DB, 0.0), ylabel="dB re direct")
    axes.grid(color="#000000", alpha=0.12, linewidth=0.6)
    if named:
        chosen = np.arange(time_ms.size)[: named + 1]
        texts = [_surfaces(hits) for hits in reflections.hits[shown][chosen]]
        _label_stems(axes, time_ms[chosen], level[chosen], texts)
    return axes


def _elevation_colours(elevation: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return viridis, without its palest end, from straight below to straight above."""
    return np.asarray(mpl.colormaps["viridis"](0.85 * (elevation + 90.0) / 180.0))


def _surfaces(hits: NDArray[np.int64]) -> str:
    """Return the surfaces of a path in words."""
    names = [
        f"{count} × {name.replace('-', ' ')}" if count > 1 else name.replace("-", " ")
        for name, count in zip(SURFACES, hits.tolist(), strict=True)
        if count
    ]
    return " + ".join(names) if names else "direct"


def _label_stems(axes: Axes, x: NDArray[np.float64], y: NDArray[np.float64], texts: Sequence[str]) -> None:
    """Write a text upright above each stem, moved sideways as little as keeps them apart."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    width = figure.get_figwidth() * axes.get_position(original=True).width
    gap = 0.155 * np.ptp(axes.get_xlim()) / width
    top = axes.get_ylim()[1]
    for at, level, place, text in zip(x, y, _spread(x, gap), texts, strict=True):
        line: dict[str, Any] = {"color": FAINT, "linewidth": 0.6, "clip_on": False, "zorder": 1}
        axes.plot([at, at, place], [level, top + 3.0, top + 7.5], **line)
        axes.text(place, top + 8.3, text, rotation=90, ha="center", va="bottom", fontsize=7.5)


def _spread(x: NDArray[np.float64], gap: float) -> NDArray[np.float64]:
    """Return positions at least ``gap`` apart in the same order, nearest to sorted ``x`` in the least-squares sense.

    With k·gap taken off, that is isotonic regression; pool adjacent violators (Ayer et al. 1955).
    """
    blocks: list[tuple[float, int]] = []
    for value in (x - gap * np.arange(x.size)).tolist():
        mean, count = value, 1
        while blocks and blocks[-1][0] > mean:
            before, weight = blocks.pop()
            mean, count = (mean * count + before * weight) / (count + weight), count + weight
        blocks.append((mean, count))
    pooled = np.concatenate([np.full(count, mean) for mean, count in blocks])
    return np.asarray(pooled + gap * np.arange(x.size))


def _reflections_figure(scene: Scene, reflections: Mapping[str, Reflections]) -> Figure:
    """Draw the first section large and named, the others as strips on the same time axis."""
    first, *others = reflections
    strip, large, foot, gap = 0.9, 2.5, 0.55, 0.4
    texts = [_surfaces(hits) for hits in reflections[first].hits[: NAMED + 1]]
    labels = 1.0 + 0.058 * max(len(text) for text in texts)
    height = labels + large + len(others) * (strip + gap) + foot
    figure = Figure(figsize=(10.5, height))
    left, width = 0.065, 0.8
    top = height - labels - large
    panels = []
    for number, name in enumerate(reflections):
        bottom, tall = (top, large) if number == 0 else (top - number * (strip + gap), strip)
        axes = figure.add_axes((left, bottom / height, width, tall / height))
        axes.set_xlim(-2.0, SPAN_MS)
        draw_early_reflections(axes, reflections[name], named=NAMED if number == 0 else 0)
        axes.text(1.01, 0.98, name, transform=axes.transAxes, ha="left", va="top", fontweight="bold", fontsize=9)
        panels.append(axes)
    for axes in panels[:-1]:
        axes.tick_params(labelbottom=False)
    panels[-1].set_xlabel("time after the direct sound (ms)")
    array, capsule = scene.capsules[centre_capsule(scene)]
    figure.text(
        left,
        1 - 0.12 / height,
        f"Early reflections at 1 kHz, {capsule_label(array, capsule)}",
        va="top",
        fontweight="bold",
        fontsize=11,
    )
    _draw_arrival_key(figure, panels[0])
    return figure


def _draw_arrival_key(figure: Figure, axes: Axes) -> None:
    """Draw what arrows and colours mean, to the right of a panel."""
    axes.text(
        1.01,
        0.82,
        "arrow: where it comes\nfrom, seen from above;\nup is upstage\n\ncolour: elevation",
        transform=axes.transAxes,
        va="top",
        fontsize=7.5,
    )
    place = axes.get_position(original=True)
    bar = figure.add_axes((place.x1 + 0.012, place.y0 + 0.05 * place.height, 0.012, 0.36 * place.height))
    ramp = np.linspace(-90, 90, 64)
    bar.imshow(_elevation_colours(ramp)[:, None, :], origin="lower", extent=(0, 1, -90, 90), aspect="auto")
    bar.set_xticks([])
    bar.yaxis.tick_right()
    bar.set_yticks([-90, 0, 90], ["below", "level", "above"], fontsize=7.5)


# How the sound dies away


def draw_energy_decay(axes: Axes, energy: NDArray[np.float64], bin_s: float, T30_s: Mapping[str, float | None]) -> Axes:
    """Draw decay curves from 125 Hz to 8 kHz and mark the range T30 is read from.

    Parameters
    ----------
    axes : Axes
    energy : ndarray, shape (bands, bins)
        Expected energy.
    bin_s : float
        Width of a bin in s.
    T30_s : mapping
        Reverberation times by band in s, for the key.

    Returns
    -------
    Axes
    """
    upper, lower = (-limit for limit in DECAY_LIMITS["T30_s"])
    axes.axhspan(lower, upper, color="#00000010", zorder=0)
    for level in (upper, lower):
        axes.axhline(level, color=FAINT, linewidth=0.8, zorder=0)
        axes.text(
            0.995,
            level,
            f"{level:.0f} dB ".replace("-", "−"),
            transform=axes.get_yaxis_transform(),
            ha="right",
            va="bottom",
            fontsize=8,
        )
    decay = schroeder_db(energy, bin_s)
    time = bin_s * np.arange(energy.shape[1])
    dashes = ["-", (0, (6, 2)), (0, (3, 1.5)), (0, (1, 1)), (0, (6, 2, 1, 2)), (0, (6, 2, 1, 2, 1, 2)), (0, (10, 3))]
    marks = "osD^vPX"
    last = 0.0
    for k, index in enumerate(range(1, 8)):
        curve = decay[index]
        seen = np.flatnonzero(curve >= -65.0)
        if not seen.size:
            continue
        last = max(last, time[seen[-1]])
        value = T30_s.get(BAND_NAMES[index])
        text = f"{_band_text(BANDS[index])}: T30 " + ("not measurable" if value is None else f"{value:.2f} s")
        where = [int(np.argmin(np.abs(curve[seen] - level))) for level in (-15 - k, -45 - k)]
        axes.plot(
            time[seen],
            curve[seen],
            color=mpl.colormaps["viridis"](0.85 * k / 6),
            linestyle=dashes[k],
            linewidth=1.7,
            marker=marks[k],
            markevery=where,
            markersize=5,
            label=text,
        )
    axes.set(xlim=(0, max(last, bin_s)), ylim=(-65, 2), xlabel="time after emission (s)")
    axes.set_ylabel("energy still to come (dB re all)")
    axes.grid(color="#000000", alpha=0.12, linewidth=0.6)
    axes.legend(
        loc="upper left",
        bbox_to_anchor=(1.01, 1.0),
        borderaxespad=0.0,
        handlelength=4.0,
        title="octave band: T30 of the hall",
    )
    return axes


def draw_fitted_decays(
    axes: Sequence[Axes], target: Target, T_s: NDArray[np.float64], energy: NDArray[np.float64] | None, bin_s: float
) -> None:
    """Draw a recording's decays and those of a room fitted to it, 125 Hz to 4 kHz.

    Parameters
    ----------
    axes : sequence of Axes
        Six.
    target : Target
        What the recording says: a line of its T, and the wedge of the 90 % interval.
    T_s : ndarray, shape (bands,)
        Of the fitted room, in s.
    energy : ndarray, shape (bands, bins), optional
        Its expected energy, whose decay curve is drawn; left out: a line of its T.
    bin_s : float
        Width of a bin in s.
    """
    shown = range(1, 7)
    times = np.concatenate([target.T_s[1:7], T_s[1:7]])
    last = float(np.nanmax(times)) if np.isfinite(times).any() else 1.0
    for on, band in zip(axes, shown, strict=True):
        time = np.linspace(0.0, last, 200)
        asked, low, high = (float(of[band]) for of in (target.T_s, target.T_low_s, target.T_high_s))
        if np.isfinite([low, high]).all():
            on.fill_between(time, -60.0 * time / low, -60.0 * time / high, color="#00000024", linewidth=0)
        if np.isfinite(asked):
            on.plot(time, -60.0 * time / asked, color=BLACK, linewidth=1.8, label=f"recording, T {asked:.2f} s")
        else:
            on.text(0.04, 0.06, "recording: can't be told", transform=on.transAxes)
        if energy is not None:
            level = schroeder_db(energy, bin_s)[band]
            level = level[int(np.argmax(level < -0.01)) :]  # from the first arrival on
            fitted = bin_s * np.arange(len(level)), level
        else:
            fitted = time, -60.0 * time / T_s[band]
        on.plot(*fitted, color=VERMILLION, linestyle=(0, (5, 2)), label=f"fitted room, T {T_s[band]:.2f} s")
        on.set(xlim=(0.0, last), ylim=(-62.0, 2.0), title=_band_text(BANDS[band]))
        on.grid(color="#000000", alpha=0.12, linewidth=0.6)
        on.legend(loc="upper right", fontsize=8)
        on.label_outer()
        on.set_xlabel("time (s)" if band >= 4 else "")
    for on in (axes[0], axes[3]):
        on.set_ylabel("dB")


def _band_text(band: float) -> str:
    return f"{band / 1000:g} kHz" if band >= 1000 else f"{band:g} Hz"


def _decay_figure(report: Report, responses: Responses) -> Figure:
    """Draw the decay of all sections together in the main array, omnidirectional as ISO 3382-1 has it."""
    scene = responses.scene
    array = main_array(scene.arrays)
    heard = [a.name == array.name for a, _ in scene.capsules]
    energy = responses.omni_energy[:, heard].sum(axis=(0, 1))
    figure = Figure(figsize=(10.5, 4.8))
    axes = figure.add_axes((0.065, 0.115, 0.69, 0.8))
    draw_energy_decay(axes, energy, responses.bin_s, report.hall.T30_s)
    axes.set_title(f"Expected energy decay, all sections in '{array.name}'; T30 is read in the shaded range")
    return figure
