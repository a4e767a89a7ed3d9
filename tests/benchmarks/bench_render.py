"""Time a cue from stems on disk to files on disk, and its memory: python tests/benchmarks/bench_render.py [seconds]

Five mono stems into twelve capsules in four arrays, responses of decaying noise of 2.5, 3.5 and 8 s, at 48 kHz; by
default 3 minutes. Loudness and true peak of all stereo files are measured, integers dithered. Each case runs in a
process of its own and prints its peak memory and the ratio to the convolution alone in that run; then the plain route
to the capsules' files in 32-bit float: stems read whole, scipy.signal.oaconvolve in single precision and soundfile, one
stem through one capsule measured and multiplied.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile

SAMPLE_RATE = 48000
SECTIONS = ("violins-1", "violins-2", "violas", "cellos", "basses")
ARRAYS = {"main": 3, "outriggers": 2, "spots": 5, "ambience": 2}
CASES = (("float32", False), ("pcm24", False), ("flac24", False), ("float32", True))
RESPONSES_S = (2.5, 3.5, 8.0)


def write_stems(folder: Path, seconds: float) -> None:
    """Write noise whose level wanders over 30 dB, as music's does."""
    for index, section in enumerate(SECTIONS):
        generator = np.random.default_rng(index)
        with soundfile.SoundFile(folder / f"{section}.wav", "w", SAMPLE_RATE, 1, "PCM_24") as file:
            for _ in range(round(seconds)):
                level = 10 ** (generator.uniform(-50, -20) / 20)
                file.write(level * generator.standard_normal(SAMPLE_RATE))


def render(folder: Path, seconds: float, response_s: float, encoding: str, stems: bool) -> None:
    """Render the cue and print what it took; the parent calls this in a process of its own."""
    from render.console import Console
    from render.convolve import convolve
    from render.cue_plan import CuePlan, cue_files
    from render.cues import write_cue
    from render.scene_file import OutputTable
    from render.stems import probe
    from render.voices import Voice, read_voices

    samples = round(response_s * SAMPLE_RATE)
    capsules = sum(ARRAYS.values())
    decay = np.exp(-6.9 * np.arange(samples) / samples).astype(np.float32)
    decay *= 1.7 / np.sqrt(samples)
    responses = np.random.default_rng(9).standard_normal((len(SECTIONS), capsules, samples), np.float32) * decay
    ends = np.cumsum(list(ARRAYS.values()))
    channels = {name: slice(end - count, end) for (name, count), end in zip(ARRAYS.items(), ends.tolist(), strict=True)}
    names = {name: [f"{n + 1}" for n in range(count)] for name, count in ARRAYS.items()}
    law = np.stack([np.cos(angles := np.linspace(0, np.pi / 2, capsules)), np.sin(angles)]).astype(np.float32)
    console = Console(
        responses, law, channels, SECTIONS, tuple((array, c) for array, cs in names.items() for c in cs), 0.0
    )
    length = round(seconds) * SAMPLE_RATE
    voices = tuple(Voice(section, probe(folder / f"{section}.wav"), (0,), 0, length) for section in SECTIONS)
    for _ in convolve([np.zeros((len(SECTIONS), 1), np.float32)], responses[:, :, :2000]):
        pass  # compiles or loads
    begin = time.perf_counter()
    for _ in convolve(read_voices(voices, SAMPLE_RATE), responses):
        pass
    convolved = time.perf_counter() - begin
    files = cue_files("cue", names, SECTIONS if stems else (), ending=".flac" if encoding == "flac24" else ".wav")
    for name in ("mix", "stems"):
        (folder / name).mkdir(exist_ok=True)
    plan = CuePlan("cue", voices, console, files, SAMPLE_RATE, 0, 0, 0, stems=stems, output=OutputTable(tail=2.0))
    plan = replace(plan, last=plan.latest_end)
    begin = time.perf_counter()
    write_cue(plan, folder, encoding, 1, lambda _samples: None)
    took = time.perf_counter() - begin
    (held,) = (line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
    print(
        f"{response_s:g} s responses, {encoding}{', section stems' if stems else ''}, {len(files)} files: "
        f"{took:.2f} s, {seconds / took:.0f}x real time; convolution with reading alone "
        f"{convolved:.2f} s ({seconds / convolved:.0f}x), {took / convolved:.2f} times it; "
        f"peak {int(held.split()[1]) / 1024:.0f} MiB",
        flush=True,
    )


def plainly(folder: Path, response_s: float) -> float:
    """Return the time in s that the plain route takes to all capsules' files."""
    from scipy.signal import oaconvolve

    response = np.random.default_rng(9).standard_normal(round(response_s * SAMPLE_RATE), np.float32)
    begin = time.perf_counter()
    stem, _ = soundfile.read(folder / f"{SECTIONS[0]}.wav", dtype="float32")
    read = time.perf_counter()
    heard = oaconvolve(stem, response)
    convolved = time.perf_counter()
    soundfile.write(folder / "plain.wav", heard, SAMPLE_RATE, "FLOAT")
    written = time.perf_counter()
    capsules = sum(ARRAYS.values())
    return len(SECTIONS) * (read - begin + capsules * (convolved - read)) + capsules * (written - convolved)


def main(seconds: float) -> None:
    """Print one line a case."""
    with tempfile.TemporaryDirectory() as folder:
        write_stems(Path(folder), seconds)
        for response_s in RESPONSES_S:
            for encoding, stems in CASES:
                given = [folder, str(seconds), str(response_s), encoding, str(int(stems))]
                subprocess.run([sys.executable, __file__, *given], check=True)
            took = plainly(Path(folder), response_s)
            print(f"{response_s:g} s responses, plainly, capsules alone: {took:.1f} s", flush=True)


if __name__ == "__main__":
    if len(sys.argv) > 2:
        render(Path(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3]), sys.argv[4], sys.argv[5] == "1")
    else:
        main(float(sys.argv[1]) if len(sys.argv) > 1 else 180.0)
