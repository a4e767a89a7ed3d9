"""Pictures of every hall of the presets, to be looked at by someone who knows what halls do.

`python tests/gallery.py FOLDER [HALL …]` writes one picture a hall: how its energy decays against theory, what
arrives first, how alike the late field is in two microphones, how dense it is, and what tone each section keeps.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path

import matplotlib as mpl
import matplotlib.style
import numpy as np
import scipy.fft
import scipy.signal
import scipy.special
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import NullFormatter
from numpy.typing import NDArray

from render.figures import STYLE, draw_early_reflections
from render.scene_file import read_scene
from render.stage_plan import BLACK, FAINT, INK, SECTION_COLOURS, VERMILLION
from rooms import catalogue
from rooms.images import early_part, early_reflections
from rooms.measures import schroeder_db
from rooms.noise import diffuse_coherence
from rooms.players import Section
from rooms.responses import Responses, compute_responses
from rooms.scene import Scene
from rooms.tables import HallTable, SeatingTable
from rooms.theory import eyring_s, kuttruff_s
from rooms.units import BAND_NAMES

RATE = 48000
PLAYERS = {"violins-1": 10, "violins-2": 8, "violas": 6, "cellos": 5, "basses": 3}
"""A string orchestra, as large as a large hall's picture needs."""

DRAWN = BAND_NAMES[1:8]
"""Bands whose decay is drawn."""

FREE_PATHS = 0.4
"""Relative variance of free paths for Kuttruff's correction, as in many rooms (Kuttruff 2016, 5.4, from memory)."""

SEGMENT = 4096
"""Samples of a piece of the late field: 12 Hz, and short against any reverberation time."""

ECHO_WINDOW = 0.02
"""s, as Abel and Huang have it."""

CENTRES = 1000.0 * 10.0 ** (np.arange(-10, 11) / 10.0)
"""Third octaves 100 Hz to 10 kHz (IEC 61260-1, base ten)."""


def orchestra(hall: str, players: Mapping[str, int]) -> Scene:
    """Return strings in the first plan that suits a hall, before the tree of three omnis; few in a small plan."""
    room = catalogue.load("halls", hall)
    assert isinstance(room, HallTable)
    plan = room.suits[0]
    seats = catalogue.load("seating", plan)
    assert isinstance(seats, SeatingTable)
    counts = {name: min(players[name], place.players) for name, place in seats.sections.items() if name in players}
    sections = "".join(f"[sections.{name}]\nplayers = {count}\n" for name, count in counts.items())
    text = f'[hall]\npreset = "{hall}"\n[seating]\nplan = "{plan}"\n{sections}[arrays.main]\npreset = "tree"\n'
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "scene.toml"
        path.write_text(text, encoding="utf-8")
        return read_scene(path).scene(RATE)


def draw_decay(axes: Axes, responses: Responses) -> None:
    """Draw the mean decay of every band from an omnidirectional source, and where statistics would have it end."""
    hall = responses.scene.hall
    box = hall.box
    mean = hall.absorption_area / box.areas.sum()
    shape = (box.volume, float(box.areas.sum()), mean, hall.air, hall.speed_of_sound)
    eyring, kuttruff = eyring_s(*shape), kuttruff_s(*shape, FREE_PATHS)
    energy = responses.omni_energy.mean(axis=(0, 1))
    time = responses.bin_s * np.arange(energy.shape[-1])
    decay = schroeder_db(energy, responses.bin_s)
    longest = 0.0
    for band in DRAWN:
        b = BAND_NAMES.index(band)
        colour = mpl.colormaps["viridis"](0.92 * DRAWN.index(band) / (len(DRAWN) - 1))
        level = decay[b]
        seen = level > -62.0
        label = f"{band} Hz: {responses.T30[b]:.2f} s ({eyring[b]:.2f}, {kuttruff[b]:.2f})"
        axes.plot(time[: len(level)][seen], level[seen], color=colour, linewidth=1.6, label=label)
        axes.plot([0.0, eyring[b]], [0.0, -60.0], color=colour, linewidth=0.9, linestyle=(0, (4, 3)))
        axes.plot(kuttruff[b], -60.0, marker="o", color=colour, markersize=5, clip_on=False, zorder=5)
        longest = max(longest, float(time[: len(level)][seen][-1]), float(kuttruff[b]))
    axes.set(xlim=(0.0, 1.02 * longest), ylim=(-60.0, 0.5), xlabel="time after emission (s)", ylabel="energy left (dB)")
    axes.set_title("Decay: engine solid, Eyring dashed, Kuttruff's end a dot")
    axes.legend(title="T30 (Eyring, Kuttruff)", fontsize=8, title_fontsize=8, loc="upper right")


def draw_reflections(axes: Axes, scene: Scene) -> None:
    """Draw the first reflections from the first section to the middle of the tree."""
    section, (array, _) = scene.sections[0], scene.capsules[0]
    centre = array.capsules[1]
    axes.set_xlim(-2.0, 100.0)
    draw_early_reflections(axes, early_reflections(scene.hall, section.centre, centre.position, 0.2), named=7)
    axes.set_xlabel("time after the direct sound (ms)")
    axes.set_title(f"Echogram at 1 kHz, {section.name} to the {centre.name} capsule", pad=128)


def late_coherence(
    responses: Responses, one: int, other: int
) -> tuple[NDArray[np.float64], NDArray[np.complex128], int]:
    """Return frequencies, the late field's complex coherence between two capsules, and from how many pieces.

    Pieces of 85 ms that overlap by half, all sections, each weighed alike, from the mixing time until the shortest
    band is 40 dB down.
    """
    first = round((responses.mixing_time + 0.03) * RATE)
    until = first + round(0.7 * float(np.nanmin(responses.T30[1:6])) * RATE)
    late = responses.samples[:, [one, other], first:until].astype(np.float64)
    pieces = np.lib.stride_tricks.sliding_window_view(late, SEGMENT, axis=-1)[..., :: SEGMENT // 2, :]
    pieces = pieces * scipy.signal.windows.hann(SEGMENT)
    pieces /= np.sqrt(np.mean(pieces**2, axis=-1, keepdims=True))
    x, y = np.moveaxis(scipy.fft.rfft(pieces, axis=-1), 1, 0)
    product = (x * np.conj(y)).sum(axis=(0, 1))
    power = [(np.abs(z) ** 2).sum(axis=(0, 1)) for z in (x, y)]
    frequency = scipy.fft.rfftfreq(SEGMENT, 1.0 / RATE)
    return frequency, product / np.sqrt(power[0] * power[1]), len(late) * pieces.shape[2]


def draw_coherence(axes: Axes, responses: Responses) -> None:
    """Draw the real part of the coherence between left and right of the tree, and what a diffuse field would have."""
    scene = responses.scene
    array = scene.arrays[0]
    frequency, found, pieces = late_coherence(responses, 0, 2)
    chosen = (frequency > 15.0) & (frequency < 1000.0)
    fine = np.linspace(10.0, 1000.0, 1000)
    theory = diffuse_coherence(fine, array.positions, array.axes, array.pressure_parts, scene.hall.speed_of_sound)
    spread = 2.0 / np.sqrt(2.0 * pieces)
    axes.fill_between(
        fine, theory[:, 0, 2].real - spread, theory[:, 0, 2].real + spread, color=SECTION_COLOURS[0], alpha=0.15
    )
    axes.plot(
        fine, theory[:, 0, 2].real, color=SECTION_COLOURS[0], linewidth=1.8, label="sin(kd)/(kd), ±2σ of the count"
    )
    axes.plot(
        frequency[chosen], found[chosen].real, ".", color=BLACK, markersize=4, label=f"late field, {pieces} pieces"
    )
    axes.axhline(0.0, color=FAINT, linewidth=0.8)
    axes.set(
        xscale="log", xlim=(15.0, 1000.0), ylim=(-0.6, 1.05), xlabel="frequency (Hz)", ylabel="coherence, real part"
    )
    axes.set_xticks([20, 50, 100, 200, 500, 1000], ["20", "50", "100", "200", "500", "1k"])
    axes.set_title("Late field between left and right, 2 m apart")
    axes.legend(fontsize=8, loc="upper right")


def echo_density(signals: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return times in s and normalised echo density: the part outside one standard deviation, re that of noise.

    Abel & Huang, "A simple, robust measure of reverberation echo density", AES 121st Convention 2006, equation 4.
    """
    window = scipy.signal.windows.hann(round(ECHO_WINDOW * RATE), sym=False)
    window /= window.sum()
    hop = len(window) // 4
    frames = np.lib.stride_tricks.sliding_window_view(signals, len(window), axis=-1)[..., ::hop, :]
    deviation = np.sqrt(frames**2 @ window)
    density = (np.abs(frames) > deviation[..., None]) @ window / scipy.special.erfc(1.0 / np.sqrt(2.0))
    return (np.arange(density.shape[-1]) * hop + len(window) / 2) / RATE, np.asarray(density)


def draw_echo_density(axes: Axes, responses: Responses) -> None:
    """Draw echo density over time at the tree, every section, and the mixing time."""
    until = round((responses.mixing_time + 0.4) * RATE)
    for section, samples, arrival, colour in zip(
        responses.scene.sections, responses.samples, responses.arrivals, SECTION_COLOURS, strict=False
    ):
        time, density = echo_density(samples[:, :until].astype(np.float64))
        heard = time > arrival.min()
        axes.plot(1000.0 * time[heard], density[:, heard].mean(axis=0), color=colour, linewidth=1.4, label=section.name)
    axes.axhline(1.0, color=FAINT, linewidth=0.8)
    axes.text(2.0, 1.01, "noise", va="bottom", fontsize=8, color=INK)
    mixed = 1000.0 * responses.mixing_time
    axes.axvline(mixed, color=VERMILLION, linewidth=1.2, linestyle=(0, (4, 3)))
    axes.text(mixed, 0.03, f" mixing time {mixed:.0f} ms", fontsize=8, color=INK, va="bottom")
    axes.set(
        xlim=(0.0, 1000.0 * until / RATE), ylim=(0.0, 1.2), xlabel="time after emission (ms)", ylabel="echo density"
    )
    axes.set_title("Echo density, mean of three capsules")
    axes.legend(fontsize=8, loc="lower right")


def third_octaves(samples: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return powers in `CENTRES`, shape (..., 21)."""
    size = 1 << 15
    power = np.abs(scipy.fft.rfft(samples, size, axis=-1)) ** 2
    frequency = scipy.fft.rfftfreq(size, 1.0 / RATE)
    bands = [(frequency >= f / 10**0.05) & (frequency < f * 10**0.05) for f in CENTRES]
    return np.stack([power[..., band].sum(axis=-1) for band in bands], axis=-1)


def section_tone(scene: Scene, section: Section) -> NDArray[np.float64]:
    """Return a section's direct sound re the summed power of its players alone, dB, shape (capsules, 21)."""
    places = np.linalg.norm(section.positions[:, None] - scene.arrays[0].positions, axis=2)
    until = float(places.max()) / scene.hall.speed_of_sound + 0.06
    share = section.share / len(section.players)
    alone = sum(
        third_octaves(early_part(scene, Section(section.name, section.instrument, (player,), share), until)[0])
        for player in section.players
    )
    return np.asarray(10.0 * np.log10(third_octaves(early_part(scene, section, until)[0]) / alone))


def draw_tone(axes: Axes, scene: Scene) -> None:
    """Draw the tone of each section's direct sound at the tree: the mean line, and from least to most."""
    axes.axhspan(-1.0, 1.0, color="#000000", alpha=0.06, linewidth=0.0)
    for section, colour in zip(scene.sections, SECTION_COLOURS, strict=False):
        tone = section_tone(scene, section)
        axes.fill_between(CENTRES, tone.min(axis=0), tone.max(axis=0), color=colour, alpha=0.15, linewidth=0.0)
        label = f"{section.name}, {len(section.players)}"
        axes.plot(CENTRES, tone.mean(axis=0), color=colour, linewidth=1.4, marker="o", markersize=3, label=label)
    axes.set(
        xscale="log",
        xlim=(90.0, 11000.0),
        ylim=(-3.0, 3.0),
        xlabel="third octave (Hz)",
        ylabel="dB re the players alone",
    )
    axes.set_xticks([100, 200, 500, 1000, 2000, 5000, 10000], ["100", "200", "500", "1k", "2k", "5k", "10k"])
    axes.set_title("Tone of the direct sound, least to most of three capsules")
    axes.legend(fontsize=8, loc="upper right", ncols=3)


def draw_hall(name: str, players: Mapping[str, int] = PLAYERS) -> Figure:
    """Return the picture of a hall and a string orchestra in it."""
    scene = orchestra(name, players)
    responses = compute_responses(scene)
    with mpl.style.context([STYLE]):
        figure = Figure(figsize=(14.0, 15.5))
        rows = ((0.735, 0.2), (0.405, 0.155), (0.045, 0.275))  # bottom and height; names stand above the echogram
        panels = [
            [figure.add_axes((left, bottom, 0.425, height if column == 0 or bottom != 0.405 else 0.245))
             for column, left in enumerate((0.055, 0.56))]
            for bottom, height in rows
        ]  # fmt: skip
        box = scene.hall.box
        schroeder = 2000.0 * np.sqrt(float(responses.T30[3:5].mean()) / box.volume)
        figure.suptitle(
            f"{name}: {' × '.join(f'{side:g}' for side in box.size)} m, {box.volume:.0f} m³, "
            f"Schroeder frequency {schroeder:.0f} Hz",
            x=0.06, ha="left", fontsize=14, fontweight="bold",
        )  # fmt: skip
        draw_decay(panels[0][0], responses)
        draw_echo_density(panels[0][1], responses)
        draw_reflections(panels[1][0], scene)
        draw_coherence(panels[1][1], responses)
        draw_tone(panels[2][0], scene)
        draw_levels(panels[2][1], responses)
        for axes in figure.axes:
            axes.xaxis.set_minor_formatter(NullFormatter())
            axes.grid(color="#000000", alpha=0.1, linewidth=0.6)
    return figure


def draw_levels(axes: Axes, responses: Responses) -> None:
    """Draw what each section's response has in each band at the tree: direct sound and all of it, energies."""
    bands = np.arange(len(BAND_NAMES))
    for n, (section, colour) in enumerate(zip(responses.scene.sections, SECTION_COLOURS, strict=False)):
        total = 10.0 * np.log10(responses.energy[n].sum(axis=-1).mean(axis=0))
        axes.plot(bands, total, color=colour, linewidth=1.4, marker="o", markersize=3, label=section.name)
        axes.plot([3.5, 4.5], [responses.direct_db[n].mean()] * 2, color=colour, linewidth=2.5, solid_capstyle="butt")
    axes.set(xlabel="octave band (Hz)", ylabel="dB re direct sound at 1 m")
    axes.set_xticks(bands, [f"{float(b) / 1000:g}k" if float(b) >= 1000 else b for b in BAND_NAMES])
    axes.set_title("Level at the tree; bars at 1 kHz: direct sound alone")
    axes.legend(fontsize=8, ncols=2)


def main(folder: str, *halls: str) -> None:
    """Write the pictures."""
    out = Path(folder)
    out.mkdir(parents=True, exist_ok=True)
    for name in halls or catalogue.names("halls"):
        draw_hall(name).savefig(out / f"{name}.png", dpi=110)
        print(out / f"{name}.png", flush=True)


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit("usage: python tests/gallery.py FOLDER [HALL …]")
    main(*sys.argv[1:])
