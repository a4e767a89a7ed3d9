"""Nothing is rendered twice, and nothing that isn't current passes for it."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

import render.sidecar
from tests.small_scenes import (
    ARRAYS,
    RATE,
    contents,
    noise,
    rendered,
    report_of,
    run,
    write_scene,
)

pytestmark = pytest.mark.usefixtures("no_figures")
CUES = '[cues.one]\nleft = "left.wav"\nright = "right.wav"\n[cues.two]\nright = "right.wav"\n'


@pytest.fixture
def scene(tmp_path: Path) -> Path:
    """Two cues; the stem of the right section plays in both."""
    return two_cues(tmp_path / "scene")


def two_cues(folder: Path) -> Path:
    path = write_scene(folder, {"left": noise(0.5), "right": noise(0.5, seed=2)}, more="[mix]\ngain = 0.0\n" + CUES)
    path.write_text(path.read_text().replace('stem = "left.wav"\n', "").replace('stem = "right.wav"\n', ""))
    return path


def kept(scene: Path, *options: str) -> set[str]:
    """Render, and return the cues that were kept from before."""
    done = run("render", scene, "-o", scene.parent / "out", "--quiet", *options)
    assert done.exit_code == 0, done.output
    lines = [line for line in done.stdout.splitlines() if line.startswith("kept, ")]
    return set(lines[0].split(": ")[1].split(", ")) if lines else set()


def audio(scene: Path) -> dict[str, tuple[bytes, int]]:
    """Return every audio file with its bytes and when it was written."""
    folder = scene.parent / "out"
    return {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.rglob("*.wav")}


def replaced(old: str, new: str) -> Callable[[Path], object]:
    """Return what changes a scene's text."""
    return lambda scene: scene.write_text(scene.read_text().replace(old, new, 1))


def test_a_second_render_of_the_same_writes_no_audio_and_reports_all_of_it(scene: Path) -> None:
    """The files are left alone; the report has the same numbers, taken from the sidecars, and no speed."""
    assert kept(scene, "--stems") == set()
    first, files = report_of(scene.parent / "out"), audio(scene)
    assert kept(scene, "--stems") == {"one", "two"}
    second = report_of(scene.parent / "out")
    assert audio(scene) == files
    assert second["files"] == first["files"]
    assert {file["path"].split("/")[1].split("_")[0].split(".")[0] for file in second["files"]} == {"one", "two"}
    assert second["timing"]["realtime_factor"] is None
    assert first["timing"]["realtime_factor"] > 0.0


def test_force_renders_what_is_current(scene: Path) -> None:
    """All cues, or the one that is picked; to the same bytes."""
    kept(scene)
    files = audio(scene)
    assert kept(scene, "--force") == set()
    assert {name: data for name, (data, _) in audio(scene).items()} == {n: data for n, (data, _) in files.items()}
    assert all(audio(scene)[name][1] > written for name, (_, written) in files.items())
    files = audio(scene)
    assert kept(scene, "--force", "--cue", "two") == set()
    assert {name for name, found in audio(scene).items() if found != files[name]} == {
        "two.wav", "two_pair.wav", "two_pair_left.wav", "two_pair_right.wav"
    }  # fmt: skip


IMMATERIAL: dict[str, Callable[[Path], object]] = {
    "a title": replaced("[hall]", 'title = "New"\n[hall]'),
    "a comment": replaced("[hall]", "# a remark\n[hall]"),
    "a gain that says what it was": replaced("gain = 0.0", "gain = 0"),
    "another cue": lambda s: s.write_text(s.read_text() + '[cues.three]\nleft = "right.wav"\n'),
    "a muted array": lambda s: s.write_text(
        s.read_text() + '[arrays.room]\nmute = true\ncapsules = [{name = "left", at = [0, 1, 2]}]\n'
    ),
    "a stem touched": lambda s: os.utime(s.parent / "left.wav", ns=(1, 1)),
    "a stem copied over itself": lambda s: (
        shutil.copy(s.parent / "left.wav", s.parent / "copy.wav"),
        os.replace(s.parent / "copy.wav", s.parent / "left.wav"),
    ),
    "a stem of another name": lambda s: (
        (s.parent / "left.wav").rename(s.parent / "renamed.wav"),
        replaced('"left.wav"', '"renamed.wav"')(s),
    ),
    "a stem in another format": lambda s: (
        soundfile.write(s.parent / "left.aiff", soundfile.read(s.parent / "left.wav")[0], RATE, "FLOAT"),
        replaced('"left.wav"', '"left.aiff"')(s),
    ),
}


@pytest.mark.parametrize("change", IMMATERIAL)
def test_what_changes_no_sample_renders_nothing_again(scene: Path, change: str) -> None:
    """And the next render doesn't even look into stems that were looked into once."""
    kept(scene)
    files = audio(scene)
    IMMATERIAL[change](scene)
    assert {"one", "two"} <= kept(scene)
    assert {name: found for name, found in audio(scene).items() if name in files} == files


def test_stems_are_looked_into_only_when_they_were_touched(scene: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Once: the sidecar takes the new stamp."""
    kept(scene)
    os.utime(scene.parent / "left.wav", ns=(1, 1))
    assert kept(scene) == {"one", "two"}
    monkeypatch.setattr(render.sidecar, "read_voices", None)
    assert kept(scene) == {"one", "two"}


def other_sample(path: Path) -> None:
    """Change one sample of a stem by one bit; length, size and the time it says it was changed stay."""
    was = path.stat()
    samples, rate = soundfile.read(path, dtype="float32")
    samples[5000] = np.nextafter(samples[5000], np.float32(1.0))
    soundfile.write(path, samples, rate, "FLOAT")
    os.utime(path, ns=(was.st_atime_ns, was.st_mtime_ns))
    assert path.stat().st_size == was.st_size


MATERIAL: dict[str, tuple[Callable[[Path], object], set[str]]] = {
    "one bit of a stem of one cue": (lambda s: other_sample(s.parent / "left.wav"), {"two"}),
    "one bit of a stem of both": (lambda s: other_sample(s.parent / "right.wav"), set()),
    "the mix's gain": (replaced("gain = 0.0", "gain = 0.1"), set()),
    "the mix's offset": (replaced("gain = 0.0", "gain = 0.0\noffset = 0.001"), set()),
    "the seed": (replaced("[hall]", "seed = 2\n[hall]"), set()),
    "the rate": (replaced("[hall]", "sample_rate = 44100\n[hall]"), set()),
    "a wall": (replaced("absorption = [0.5", "absorption = [0.4"), set()),
    "a capsule": (replaced("at = [-0.5", "at = [-0.6"), set()),
    "an array's name": (replaced("arrays.pair", "arrays.main"), set()),
    "a delay": (replaced("[arrays.pair]", "[arrays.pair]\ndelay = 0.01"), set()),
    "another array": (
        lambda s: s.write_text(s.read_text() + ARRAYS.replace("pair", "room").replace("0.5", "0.7")),
        set(),
    ),
    "a stem's start": (replaced('left = "left.wav"', 'left = {stem = "left.wav", start = 0.1}'), {"two"}),
    "a section less": (replaced('[cues.one]\nleft = "left.wav"\n', "[cues.one]\n"), {"two"}),
}


@pytest.mark.parametrize("change", MATERIAL)
def test_what_changes_a_sample_renders_the_cues_it_changes(scene: Path, change: str) -> None:
    """No more of them and no fewer; then everything is current again."""
    kept(scene)
    alter, still = MATERIAL[change]
    alter(scene)
    assert kept(scene) == still
    assert kept(scene) == {"one", "two"}


@pytest.mark.parametrize("options", [("--stems",), ("--format", "pcm24"), ("--format", "pcm16")])
def test_other_options_render_again(scene: Path, options: tuple[str, ...]) -> None:
    """Other files, or other samples in them."""
    kept(scene)
    assert kept(scene, *options) == set()
    assert kept(scene, *options) == {"one", "two"}


def test_another_version_renders_again(scene: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of this package or of a library that computes samples."""
    kept(scene)
    engine = render.sidecar._engine()
    for other in (("9.9", *engine[1:]), (engine[0], "other code", engine[2]), (*engine[:2], ["numpy 99"])):
        with monkeypatch.context() as patch:
            patch.setattr(render.sidecar, "_engine", lambda other=other: other)
            assert kept(scene) == set()
        kept(scene)


SPOILT: dict[str, Callable[[Path], object]] = {
    "deleted": lambda p: p.unlink(),
    "emptied": lambda p: p.write_bytes(b""),
    "changed in place": lambda p: p.write_bytes(p.read_bytes()[:-4] + b"\1\2\3\4"),
    "made a folder": lambda p: (p.unlink(), p.mkdir(), p.rmdir()),
}


@pytest.mark.parametrize(
    ("name", "how"),
    [*(("one.wav", how) for how in SPOILT), ("one_pair_left.wav", "changed in place"), ("one.json", "deleted")],
)
def test_a_cue_whose_files_are_not_as_they_were_written_is_rendered_again(scene: Path, name: str, how: str) -> None:
    """The mix, a capsule, the sidecar itself; the other cue is kept, and all bytes come back."""
    kept(scene)
    before = {n: data for n, data in contents(scene.parent / "out").items() if n.endswith(".wav")}
    SPOILT[how](scene.parent / "out" / "mix" / name)
    assert kept(scene) == {"two"}
    assert {n: data for n, data in contents(scene.parent / "out").items() if n.endswith(".wav")} == before


@pytest.mark.parametrize("text", ["", "[]", '{"cue": 1}', "\0"])
def test_a_sidecar_that_is_none_is_no_reason_to_fail(scene: Path, text: str) -> None:
    """The cue is rendered."""
    kept(scene)
    (scene.parent / "out" / "mix" / "one.json").write_text(text)
    assert kept(scene) == {"two"}


def test_a_copy_of_the_folder_is_current_too(scene: Path) -> None:
    """With its times, as file managers and backups copy; stems and files alike."""
    kept(scene)
    shutil.copytree(scene.parent, scene.parent.parent / "elsewhere")
    assert kept(scene.parent.parent / "elsewhere" / "scene.toml") == {"one", "two"}


def test_a_picked_cue_leaves_the_others_and_the_report_says_what_it_has(scene: Path) -> None:
    """It names a cue that isn't there, and covers the one that is; picked twice is picked once."""
    assert kept(scene, "--cue", "two", "--cue", "two") == set()
    report = report_of(scene.parent / "out")
    assert {file["path"] for file in report["files"]} == {
        "mix/two.wav", "mix/two_pair.wav", "mix/two_pair_left.wav", "mix/two_pair_right.wav"
    }  # fmt: skip
    assert report["warnings"] == ["cue 'one' has not been rendered from this scene; this report leaves it out"]
    assert kept(scene, "--cue", "one") == set()
    report = report_of(scene.parent / "out")
    assert len(report["files"]) == 8
    assert report["warnings"] == []
    assert kept(scene) == {"one", "two"}


def test_a_misspelt_cue_is_one_line_with_the_nearest(scene: Path) -> None:
    """Before anything is written."""
    done = run("render", scene, "-o", scene.parent / "out", "--cue", "twoo", "--quiet")
    assert (done.exit_code, done.stdout) == (2, "")
    assert done.stderr == f"sitzprobe: {scene}: unknown cue 'twoo'; did you mean 'two'?\n"
    assert not (scene.parent / "out").exists()


def test_warnings_of_kept_cues_are_told_again(scene: Path) -> None:
    """A silent stem is no less silent for having been rendered before."""
    soundfile.write(scene.parent / "left.wav", np.zeros(RATE // 2), RATE, "FLOAT")
    kept(scene)
    first = report_of(scene.parent / "out")["warnings"]
    assert any("left: silent" in warning for warning in first)
    assert kept(scene) == {"one", "two"}
    assert report_of(scene.parent / "out")["warnings"] == first


def test_the_sidecar_says_what_the_cue_was_rendered_from(scene: Path) -> None:
    """Beside the cue's files, in plain JSON: its stems, and each file with its numbers."""
    rendered(scene, folder=scene.parent / "out")
    found = json.loads((scene.parent / "out" / "mix" / "one.json").read_text(encoding="utf-8"))
    assert found["cue"] == "one"
    assert [name for name, _ in found["stems"]] == ["left.wav", "right.wav"]
    assert [file for file, _ in found["files"]] == report_of(scene.parent / "out")["files"][:4]
    assert found["files"][0][1]["size"] == (scene.parent / "out" / "mix" / "one.wav").stat().st_size
