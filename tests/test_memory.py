"""The memory of a render is told before it starts."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from render import memory
from tests.small_scenes import noise, run, without_figures, write_scene

RENDER = """
import sys
from dataclasses import replace
from pathlib import Path
import numpy as np, soundfile
from render.console import Console
from render.cues import CuePlan, cue_files, write_cue
from render.memory import predicted_peak_mib
from render.scene_file import OutputTable
from render.stems import probe
from render.voices import Voice

folder, voices, capsules, samples = Path(sys.argv[1]), *map(int, sys.argv[2:5])
stems, held = sys.argv[5] == "stems", sys.argv[6] == "held"
names = [f"s{n}" for n in range(voices)]
for name in names:
    soundfile.write(folder / f"{name}.wav", np.full(600_000, 0.01), 48000, "FLOAT")
for name in ("mix", "stems"):
    (folder / name).mkdir()
responses = np.full((voices, capsules, samples), 1e-3, np.float32)
computed = responses.copy()  # as a render holds them
law = np.ones((2, capsules), np.float32)
capsule_names = [str(n) for n in range(capsules)]
console = Console(responses, law, {"a": slice(0, capsules)}, tuple(names), tuple(("a", c) for c in capsule_names), 0.0)
files = cue_files("cue", {"a": capsule_names}, names if stems else ())
players = tuple(Voice(name, probe(folder / f"{name}.wav"), (0,), 0, 600_000) for name in names)
output = OutputTable() if held else OutputTable(tail=1.0)
plan = CuePlan("cue", players, console, files, 48000, 0, 0, 0, stems=stems, output=output)
plan = replace(plan, last=plan.latest_end)
predicted = predicted_peak_mib(plan)
write_cue(plan, folder, "float32", 1, lambda done: None)
peak = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
print(predicted, int(peak.split()[1]) / 1024)
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the system doesn't tell a process's peak memory")
@pytest.mark.parametrize(
    "what",
    [
        pytest.param((2, 4, 30_000, "mix", "cut"), id="a few short responses"),
        pytest.param((5, 12, 120_000, "mix", "held"), id="sixty responses of 2.5 s, the tail held"),
        pytest.param((5, 12, 120_000, "stems", "cut"), id="sections apart"),
        pytest.param((4, 8, 400_000, "mix", "held"), id="long responses"),
    ],
)
def test_the_predicted_memory_is_within_30_percent_of_what_a_process_holds(tmp_path: Path, what: tuple) -> None:
    """The system's own count of the process's peak."""
    command = [sys.executable, "-c", RENDER, str(tmp_path), *map(str, what)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    predicted, held = map(float, done.stdout.split())
    assert predicted == pytest.approx(held, rel=0.3)


def test_a_render_that_takes_much_says_so_in_one_line_and_in_its_report(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On stderr before it starts; a render that takes less says nothing."""
    without_figures(monkeypatch)
    scene = write_scene(tmp_path / "a", {"left": noise(), "right": noise()})
    assert "memory" not in run("render", scene, "--output", tmp_path / "small").stderr
    monkeypatch.setattr(memory, "LARGE_MIB", 1.0)
    done = run("render", scene, "--output", tmp_path / "large", "--quiet")
    first, *others = done.stderr.splitlines()
    assert first.startswith("cue 'a': takes about ")
    assert first.endswith(" MiB of memory")
    assert f"warning: {first}" in others
