"""Whatever breaks a render, every file is an earlier one or a whole new one, and a rerun completes."""

from __future__ import annotations

import errno
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import soundfile

from render.session import render_scene
from render.staging import sole_writer
from rooms.errors import InputError, SitzprobeError
from tests.small_scenes import (
    RATE,
    SOLO,
    contents,
    impulse,
    noise,
    rendered,
    run,
    silent_flac,
    write_cues,
    write_scene,
)

PROGRAM = [sys.executable, "-m", "render"]


def two_cues(folder: Path, second: str = "two.wav", top: str = "") -> Path:
    """A scene of two cues of one stem each; the second one's may be long."""
    scene = write_cues(folder, {"one": noise(0.5), "two": noise(0.5, seed=2)}, top=top)
    scene.write_text(scene.read_text().replace('"two.wav"', f'"{second}"'))
    return scene


def with_a_long_cue(folder: Path, top: str = "") -> Path:
    """Its second cue takes twenty minutes: longer to render than any test waits."""
    scene = two_cues(folder, "long.flac", top)
    (folder / "long.flac").write_bytes(silent_flac(1200))
    return scene


def under_way(scene: Path, folder: Path, *options: str) -> subprocess.Popen[str]:
    """Start a render, and return when some sound of a long cue is written."""
    command = [*PROGRAM, "render", str(scene), "-o", str(folder), "--quiet", *options]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=Path(__file__).parent.parent
    )
    deadline = time.monotonic() + 120.0
    while time.monotonic() < deadline and process.poll() is None:
        with suppress(FileNotFoundError):  # a part may become whole between being listed and being looked at
            if any(part.stat().st_size > 5_000_000 for part in folder.rglob("*.part") if part.is_file()):
                return process
        time.sleep(0.02)
    process.kill()
    raise AssertionError(process.communicate())


def litter(folder: Path) -> list[str]:
    """Return what a render must not leave."""
    return [p.name for p in folder.rglob(".*")]


def test_a_killed_render_keeps_the_cues_it_finished(tmp_path: Path, no_figures: None) -> None:
    """After kill −9 the first cue is whole and final, of the second one nothing is, and earlier output is untouched.

    The next render keeps the first, renders the second, and clears up.
    """
    out = tmp_path / "out"
    (out / "mix").mkdir(parents=True)
    (out / "mix" / "two.wav").write_bytes(b"earlier")
    (out / "report.json").write_bytes(b"earlier")
    scene = with_a_long_cue(tmp_path / "scene")
    with under_way(scene, out) as process:
        process.kill()
        process.communicate()
    assert process.returncode == -signal.SIGKILL
    after = {name: data for name, data in contents(out).items() if not name.startswith((".part", ".lock"))}
    assert set(after) == {
        "report.json", "mix/two.wav", "mix/one.wav", "mix/one_pair.wav", "mix/one_pair_left.wav",
        "mix/one_pair_right.wav", "mix/one.json",
    }  # fmt: skip
    assert (after["mix/two.wav"], after["report.json"]) == (b"earlier", b"earlier")
    scene.write_text(scene.read_text().replace("long.flac", "two.wav"))
    done = run("render", scene, "-o", out, "--quiet")
    assert "kept, rendered from the same before: one\n" in done.stdout
    clean = rendered(scene, folder=tmp_path / "clean")
    for folder in (out, clean):
        assert not litter(folder)
    assert {p.relative_to(out): p.read_bytes() for p in out.rglob("*.wav")} == {
        p.relative_to(clean): p.read_bytes() for p in clean.rglob("*.wav")
    }


def test_two_renders_into_one_folder_are_one_too_many(tmp_path: Path, no_figures: None) -> None:
    """The second is refused in a line, exit 1, and disturbs nothing; a quick listen has a folder of its own.

    The lock goes with the process that held it, whatever ended it.
    """
    out = tmp_path / "out"
    scene = with_a_long_cue(tmp_path / "scene")
    other = two_cues(tmp_path / "other")
    with under_way(scene, out) as process:
        done = run("render", other, "-o", out, "--quiet")
        assert (done.exit_code, done.stdout) == (1, "")
        assert done.stderr == (
            f"sitzprobe: {out}: another render is writing there; wait until it is done, or choose another folder\n"
        )
        assert process.poll() is None
        rendered(other, "--quick", folder=out)
        assert list((out / ".part").rglob("*.part"))
        process.kill()
        process.communicate()
    assert (out / ".lock").exists()
    rendered(other, folder=out)
    assert not litter(out)


def test_a_folder_has_one_writer(tmp_path: Path) -> None:
    """Also within one process; free again afterwards, and after a failure."""
    with sole_writer(tmp_path / "out"):
        with pytest.raises(SitzprobeError, match="another render is writing there"), sole_writer(tmp_path / "out"):
            pass
        with sole_writer(tmp_path / "other"):
            pass
    with pytest.raises(KeyError), sole_writer(tmp_path / "out"):
        raise KeyError
    with sole_writer(tmp_path / "out"):
        pass
    assert not litter(tmp_path)


@pytest.mark.parametrize("seconds", [0.005, 0.02, 0.05, 0.1, 0.3, 0.7, 1.2])
def test_ctrl_c_is_one_line_from_the_first_moment(tmp_path: Path, seconds: float) -> None:
    """While libraries are being loaded, too: no traceback, exit 130, nothing left."""
    scene = with_a_long_cue(tmp_path / "scene")
    code = "import os; from render.__main__ import main; os.write(1, b'.'); main()"
    with subprocess.Popen(
        [sys.executable, "-c", code, "render", str(scene), "-o", str(tmp_path / "out"), "--quiet"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=Path(__file__).parent.parent,
    ) as process:
        assert process.stdout is not None
        assert process.stdout.read(1) == b"."
        time.sleep(seconds)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=60)
    assert (process.returncode, out, err) == (130, b"", b"sitzprobe: interrupted\n")
    assert not contents(tmp_path / "out")


@pytest.mark.parametrize("how", ["rewritten", "cut off", "deleted"])
def test_a_stem_that_changes_while_it_is_rendered_is_named(tmp_path: Path, no_figures: None, how: str) -> None:
    """Nothing of the cue is written: who knows what was read. The cue before it stays."""
    scene = two_cues(tmp_path / "scene")
    stem = scene.parent / "two.wav"

    def meddle(what: str, part: float) -> None:
        if what != "rendering 2 cues" or not 0.3 < part < 0.9 or meddled:
            return
        meddled.append(part)
        if how == "rewritten":
            stem.write_bytes(stem.read_bytes())
        elif how == "cut off":
            os.truncate(stem, 20_000)
        else:
            stem.unlink()

    meddled: list[float] = []
    with pytest.raises(InputError) as error:
        render_scene(scene, tmp_path / "out", progress=meddle)
    assert str(error.value) == f"{stem}: changed while cue 'two' was rendered from it; render again"
    assert {p.name for p in (tmp_path / "out").rglob("*") if p.is_file()} == {
        "one.wav", "one_pair.wav", "one_pair_left.wav", "one_pair_right.wav", "one.json"
    }  # fmt: skip


class Filling:
    """A file on a volume that takes so many bytes more."""

    left = 0

    def __init__(self, file: Any) -> None:
        self._file = file

    def write(self, data: Any) -> int:
        size = memoryview(data).nbytes
        if size > Filling.left:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        Filling.left -= size
        return int(self._file.write(data))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Callable[[tuple[str, ...]], tuple[Path, Path]]:
    """Return what renders the same two cues with some options, once each; it returns the scene and the folder."""
    home = tmp_path_factory.mktemp("clean")
    scene = two_cues(home / "scene")

    @cache
    def render(options: tuple[str, ...]) -> tuple[Path, Path]:
        return scene, rendered(scene, *options, folder=home / "_".join(("out", *options)))

    return render


@pytest.mark.parametrize("room", [0, 50, 5_000, 150_000, 900_000, 1_300_000, 1_800_000, 2_500_000])
@pytest.mark.parametrize("options", [(), ("--format", "flac24")], ids=["float", "flac"])
def test_a_full_volume_is_one_line_wherever_it_fills(
    tmp_path: Path,
    no_figures: None,
    monkeypatch: pytest.MonkeyPatch,
    clean: Callable[[tuple[str, ...]], tuple[Path, Path]],
    room: int,
    options: tuple[str, ...],
) -> None:
    """In a header, in samples, in the report: each file is the earlier one or whole; a rerun completes."""
    scene, folder = clean(options)
    whole = contents(folder)
    out = tmp_path / "out"
    shutil.copytree(folder, out)
    for path in out.rglob("*"):
        if path.is_file():
            path.write_bytes(b"earlier")
    opened = Path.open
    with monkeypatch.context() as patch:
        patch.setattr(
            Path,
            "open",
            lambda self, mode="r", *a, **k: (
                Filling(opened(self, mode, *a, **k)) if mode == "w+b" else opened(self, mode, *a, **k)
            ),
        )
        patch.setattr(Filling, "left", room)
        done = run("render", scene, "-o", out, "--quiet", *options)
    if done.exit_code == 0:
        assert room > 1_000_000  # it fitted
    else:
        assert (done.exit_code, done.stdout) == (2, "")
        assert re.fullmatch(
            rf"sitzprobe: cannot write {out}/\S+: No space left on device; free some space or choose another folder\n",
            done.stderr,
        ), done.stderr
    for name, data in contents(out).items():
        assert data == b"earlier" or name.endswith((".json", ".html")) or data == whole[name], name
    assert not litter(out)
    rendered(scene, *options, folder=out)
    assert {n: d for n, d in contents(out).items() if not n.endswith((".json", ".html"))} == {
        n: d for n, d in whole.items() if not n.endswith((".json", ".html"))
    }


def test_a_stem_that_cannot_be_read_to_its_end_is_named_with_the_place(tmp_path: Path, no_figures: None) -> None:
    """Its header and its end are good; in its middle a piece is damaged, as on a failing disk."""
    scene = two_cues(tmp_path / "scene", "two.flac")
    path = scene.parent / "two.flac"
    soundfile.write(path, noise(20.0), RATE)
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 60_000] = bytes(60_000)
    path.write_bytes(data)
    done = run("render", scene, "-o", tmp_path / "out", "--quiet")
    assert done.exit_code == 2
    found = re.fullmatch(rf"sitzprobe: {path}: damaged, can't be read past ([\d.]+) s; export it again\n", done.stderr)
    assert found, done.stderr
    assert 5.0 < float(found[1]) < 15.0
    assert not list((tmp_path / "out").rglob("two*"))
    assert not litter(tmp_path / "out")


def test_a_reading_error_of_the_system_is_one_line(
    tmp_path: Path, no_figures: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The library says only that it couldn't."""
    scene = two_cues(tmp_path / "scene")
    soundfile.write(scene.parent / "two.wav", noise(5.0), RATE, "FLOAT")
    read = soundfile.SoundFile.read

    def failing(self: soundfile.SoundFile, *a: Any, **k: Any) -> Any:
        if Path(self.name).name == "two.wav" and self.tell() > 3 * RATE and self.tell() < 4.5 * RATE:
            raise soundfile.LibsndfileError(2)  # "System error."
        return read(self, *a, **k)

    monkeypatch.setattr(soundfile.SoundFile, "read", failing)
    done = run("render", scene, "-o", tmp_path / "out", "--quiet")
    assert (done.exit_code, done.stdout) == (2, "")
    assert re.fullmatch(
        rf"sitzprobe: {scene.parent}/two\.wav: damaged, can't be read past 4\.\d+ s; export it again\n", done.stderr
    ), done.stderr


@pytest.mark.parametrize("name", ["Überfahrt 2", "第二曲 夜", "a - b", "x" * 80, "é" * 80])
def test_cues_of_any_name_are_rendered_and_kept(tmp_path: Path, no_figures: None, name: str) -> None:
    """Letters of any script, spaces; in the folder, the stem and the cue."""
    home = tmp_path / f"{name[:40]} folder"
    scene = write_cues(home, {name: impulse()})
    folder = rendered(scene)
    assert (folder / "mix" / f"{name}.wav").is_file()
    assert f"kept, rendered from the same before: {name}\n" in run("render", scene, "-o", folder, "--quiet").stdout


def test_names_too_long_for_a_file_system_are_refused_at_once(tmp_path: Path, no_figures: None) -> None:
    """Cue, array and capsule make a file's name together; bytes count, not letters."""
    arrays = f'[arrays."{"夜" * 40}"]\ncapsules = [{{name = "left", at = [0, 0, 2]}}]\n'
    cue = "曲" * 50
    scene = write_scene(
        tmp_path / "scene", {"s": impulse()}, sections=SOLO, arrays=arrays,
        more=f'[cues."{cue}"]\nsolo = "s.wav"\n',
    )  # fmt: skip
    done = run("render", scene, "-o", tmp_path / "out", "--quiet")
    assert done.exit_code == 2
    assert done.stderr == (
        f"sitzprobe: file name '{cue}_{'夜' * 40}_left.wav' would have 280 bytes; allowed: up to 249; "
        "shorten the names of cue, section, array or capsule\n"
    )
    assert not (tmp_path / "out").exists()
    scene.write_text(scene.read_text().replace(cue, "曲" * 39))
    rendered(scene, folder=tmp_path / "out")
