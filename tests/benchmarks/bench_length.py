"""Memory and speed of cues of any length, and whether the samples are right: python tests/benchmarks/bench_length.py

Renders scenes with sparse stems (a second of noise, then rests) from FLAC files to all files, each in a process of its
own, and prints peak memory and speed; then compares passages of the files with a double-precision convolution of the
same stems by SciPy. By default 1, 10, 60 and 120 minutes of 5 stems through 12 capsules, which needs 31 GB of disk for
a while; other cases are MINUTES SECTIONS FORMAT on the command line, with a spot for each section and seven or four
capsules more: `bench_length.py 120 20 float32` is two hours through 24 capsules, in 45 GB.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import fftconvolve

RATE = 48000
SECOND_MEAN = 5  # one second of sound in so many, on average
MIX_GAIN = 12.0  # dB: the loudest file peaks some 8 dB below full scale
PASSAGE = RATE
RENDER = """
import sys
from pathlib import Path
from render.session import render_scene
render_scene(Path(sys.argv[1]), Path(sys.argv[2]), encoding=sys.argv[3], notice=print)
"""


def write_scene(folder: Path, minutes: float, sections: int) -> Path:
    """Write stems and a scene of them: rows of five before the conductor, spots, a main array and an ambience pair."""
    tables = [f'title = "{minutes:g} minutes"\n[hall]\npreset = "scoring-stage"\n[mix]\ngain = {MIX_GAIN}\n']
    for n in range(sections):
        generator = np.random.default_rng(n)
        rest, tone = np.zeros(RATE), generator.standard_normal(RATE)
        with soundfile.SoundFile(folder / f"s{n}.flac", "w", RATE, 1, "PCM_24") as file:
            for second in range(round(60 * minutes)):
                sounds = second == 0 or generator.uniform() < 1.0 / SECOND_MEAN
                file.write(10 ** (generator.uniform(-50.0, -30.0) / 20) * tone if sounds else rest)
        place = [3.0 * (n % 5 - 2), 2.0 + 1.5 * (n // 5), 0.0]
        tables.append(f'[sections.s{n}]\ninstrument = "omni"\nplayers = 4\nposition = {place}\nstem = "s{n}.flac"\n')
    main = "tree" if sections == 5 else "spaced-pair"
    presets = {"main": main, "spots": "spots", "ambience": "ambience-pair"}
    if sections == 5:
        presets["outriggers"] = "outriggers"
    tables += [f'[arrays.{name}]\npreset = "{preset}"\n' for name, preset in presets.items()]
    scene = folder / "length.toml"
    scene.write_text("\n".join(tables), encoding="utf-8")
    return scene


def difference_db(scene_path: Path, folder: Path) -> float:
    """Return the largest difference of four passages from SciPy's convolution, in dB re the peak of the same file.

    At the start, in two places between, and over the end of the music; the mix, and a capsule of every array.
    """
    from render.console import set_console
    from render.scene_file import read_scene
    from rooms.responses import compute_responses

    scene_file = read_scene(scene_path)
    console = set_console(scene_file, compute_responses(scene_file.scene(RATE)))
    responses = console.responses.astype(np.float64)
    capsules = [part.start for part in console.channels.values()]
    wanted = np.concatenate([console.law.astype(np.float64) @ responses, responses[:, capsules]], axis=1)
    stems = [scene_path.parent / f"{section}.flac" for section in console.sections]
    names = ["length", *("length_" + "_".join(console.capsules[m]) for m in capsules)]
    channels = [slice(0, 2), *(slice(2 + n, 3 + n) for n in range(len(capsules)))]
    music, reach = soundfile.info(stems[0]).frames, responses.shape[2]
    peaks = {file["path"]: file["peak_dbfs"] for file in json.loads((folder / "report.json").read_text())["files"]}
    worst = -np.inf
    for begin in (0, music // 3, music * 2 // 3, music - PASSAGE // 2):
        total = np.zeros((len(wanted[0]), PASSAGE))
        for stem, of_stem in zip(stems, wanted, strict=True):
            total += sounding(stem, begin, reach, of_stem)
        for name, rows in zip(names, channels, strict=True):
            file = f"mix/{name}.wav"
            got, _ = soundfile.read(folder / file, PASSAGE, begin, always_2d=True)
            error = np.abs(got.T - total[rows]).max()
            worst = max(worst, 20 * np.log10(max(error, 1e-30)) - peaks[file])
    return worst


def sounding(stem: Path, begin: int, reach: int, responses: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what a stem sounds like from a sample on for `PASSAGE` samples, (channels, PASSAGE)."""
    first = max(begin - reach + 1, 0)
    dry, _ = soundfile.read(stem, begin + PASSAGE - first, first)
    heard = fftconvolve(np.atleast_2d(dry), responses, axes=1)[:, begin - first : begin - first + PASSAGE]
    return np.pad(heard, ((0, 0), (0, PASSAGE - heard.shape[1])))


def measure(minutes: float, sections: int, encoding: str) -> None:
    """Render one scene and print what it took and how right it is."""
    with tempfile.TemporaryDirectory() as home:
        scene, out = write_scene(Path(home), minutes, sections), Path(home) / "out"
        begin = time.perf_counter()
        subprocess.run([sys.executable, "-c", RENDER, str(scene), str(out), encoding], check=True)
        took = time.perf_counter() - begin
        report = json.loads((out / "report.json").read_text())
        timing, files = report["timing"], report["files"]
        ends = {file["samples"] for file in files}
        peak = max(file["peak_dbfs"] for file in files)
        print(
            f"{minutes:g} min, {sections} stems, {len(files)} files of {', '.join(f'{e / RATE:.3f}' for e in ends)} s, "
            f"{encoding}: {took:.0f} s in all, rendering {timing['realtime_factor']:.0f} x real time, "
            f"peak {timing['peak_memory_mib']:.0f} MiB; loudest {peak:.1f} dBFS",
            flush=True,
        )
        print(f"  passages against SciPy in double precision: {difference_db(scene, out):.1f} dB", flush=True)


def main(arguments: list[str]) -> None:
    """Print two lines a case."""
    if arguments:
        minutes, sections, encoding = arguments
        measure(float(minutes), int(sections), encoding)
        return
    measure(0.1, 5, "float32")  # compiles or loads
    for length in (1, 10, 60, 120):
        measure(length, 5, "float32")


if __name__ == "__main__":
    main(sys.argv[1:])
