"""Scenes that render in a second, written from a line, shared by the tests of rendering."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result
from numpy.typing import NDArray

from render import figures
from render.cli import main

RATE = 48000
"""Hz; of stems, where nothing else is said."""

SURFACES = ("floor", "ceiling", "stage-wall", "house-wall", "left-wall", "right-wall")
SIZE = (10.0, 12.0, 6.0)
"""m; a large room, and short responses."""

SECTIONS = """\
[sections.left]
instrument = "omni"
position = [-2.0, 2.0, 0.0]
[sections.right]
instrument = "omni"
position = [2.0, 2.0, 0.0]
"""
SOLO = """\
[sections.solo]
instrument = "omni"
position = [-2.0, 2.0, 0.0]
"""
ARRAYS = """\
[arrays.pair]
capsules = [{name = "left", at = [-0.5, 0, 2]}, {name = "right", at = [0.5, 0, 2]}]
"""


def hall_text(absorption: float = 0.5, scattering: float = 0.3) -> str:
    """Return the tables of a box whose surfaces are all alike."""
    surface = f"{{absorption = {[absorption] * 9}, scattering = {[scattering] * 9}}}"
    walls = "\n".join(f"{name} = {surface}" for name in SURFACES)
    return f"[hall]\nsize = {list(SIZE)}\nconductor = [5.0, 5.0]\n[hall.surfaces]\n{walls}\n"


def write_scene(
    folder: Path,
    stems: Mapping[str, NDArray[np.floating]],
    *,
    top: str = "",
    hall: str = "",
    sections: str = SECTIONS,
    arrays: str = ARRAYS,
    more: str = "",
    rate: int = RATE,
) -> Path:
    """Write a scene and its stems, one a section, (samples,) or (channels, samples); return the scene's path."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, samples in stems.items():
        sections = sections.replace(f"[sections.{name}]\n", f'[sections.{name}]\nstem = "{name}.wav"\n')
        soundfile.write(folder / f"{name}.wav", np.asarray(samples).T, rate, "FLOAT")
    path = folder / "scene.toml"
    path.write_text("\n".join((top, hall or hall_text(), sections, arrays, more)), encoding="utf-8")
    return path


def write_cues(
    folder: Path, stems: Mapping[str, NDArray[np.floating]], *, top: str = "", mix_gain: float = 0.0
) -> Path:
    """Write a scene of a solo section with a cue for every stem, of its name; return the scene's path."""
    cues = "".join(f'[cues."{name}"]\nsolo = "{name}.wav"\n' for name in stems)
    return write_scene(folder, stems, sections=SOLO, top=top, more=f"[mix]\ngain = {mix_gain}\n{cues}")


def noise(seconds: float = 0.25, rate: int = RATE, seed: int = 1) -> NDArray[np.float32]:
    """Return white noise at about −30 dBFS."""
    return (0.03 * np.random.default_rng(seed).standard_normal(round(seconds * rate))).astype(np.float32)


@cache
def silent_flac(seconds: int) -> bytes:
    """Return a FLAC file of so much silence: long ones take a while to write."""
    file = BytesIO()
    soundfile.write(file, np.zeros(RATE * seconds, np.int16), RATE, format="FLAC")
    return file.getvalue()


def impulse(at: int = 0, samples: int = 1000, amplitude: float = 1.0) -> NDArray[np.float32]:
    """Return one sample of an amplitude in silence."""
    signal = np.zeros(samples, np.float32)
    signal[at] = amplitude
    return signal


def run(*arguments: str | Path) -> Result:
    """Run the command line in this process."""
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def rendered(scene: Path, *options: str, folder: Path | None = None) -> Path:
    """Render a scene, which must succeed, beside it; return the folder."""
    folder = folder or scene.parent / "out"
    done = run("render", scene, "-o", folder, "--quiet", *options)
    assert done.exit_code == 0, done.output
    return folder


def heard(path: Path) -> NDArray[np.float64]:
    """Return a file's samples, (channels, samples)."""
    samples, _ = soundfile.read(path, dtype="float64", always_2d=True)
    return np.ascontiguousarray(samples.T)


def report_of(folder: Path) -> dict[str, Any]:
    """Return a render's report."""
    found: dict[str, Any] = json.loads((folder / "report.json").read_text(encoding="utf-8"))
    return found


def contents(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder with its bytes."""
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def below(found: NDArray[np.floating], wanted: NDArray[np.floating]) -> float:
    """Return the largest difference in dB re the peak of what was wanted."""
    return 20.0 * np.log10(max(np.abs(found - wanted).max(), 1e-30) / np.abs(wanted).max())


def without_figures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Draw no pictures, which take most of the time of a small render and have tests of their own."""
    monkeypatch.setattr(figures, "save_figures", lambda *_arguments: [])


def with_time_reference(path: Path, samples: int) -> None:
    """Put a bext chunk with a time reference before the data of a wave file (EBU Tech 3285, at byte 338)."""
    data = path.read_bytes()
    body = bytes(338) + samples.to_bytes(8, "little") + (1).to_bytes(2, "little") + bytes(254)
    chunk = b"bext" + len(body).to_bytes(4, "little") + body
    data = data[:12] + chunk + data[12:]
    path.write_bytes(data[:4] + (len(data) - 8).to_bytes(4, "little") + data[8:])


def time_reference(path: Path) -> int:
    """Return the time reference of a wave file, 0 without one."""
    data = path.read_bytes()[:2000]
    at = data.find(b"bext")
    return int.from_bytes(data[at + 8 + 338 : at + 8 + 346], "little") if at >= 0 else 0
