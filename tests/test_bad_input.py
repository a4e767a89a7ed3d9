"""Whatever is wrong is said in one line, and nothing that was there before is lost."""

from __future__ import annotations

import os
import re
import resource
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.small_scenes import (
    ARRAYS,
    SECTIONS,
    contents,
    hall_text,
    noise,
    run,
    silent_flac,
    without_figures,
    write_scene,
)

COMMAND = Path(sys.executable).with_name("sitzprobe")
STEMS = {"left": noise(), "right": noise(seed=2)}
MUTED = ARRAYS.replace("[arrays.pair]", "[arrays.pair]\nmute = true")


@pytest.fixture
def scene(tmp_path: Path) -> Path:
    """A scene without a fault."""
    return write_scene(tmp_path / "cue", STEMS)


@pytest.fixture
def earlier(tmp_path: Path) -> Path:
    """A folder with what an earlier render may have left, under the names that the next one uses."""
    return earlier_output(tmp_path / "out")


def earlier_output(folder: Path) -> Path:
    names = ("cue.wav", "cue_pair.wav", "cue_pair_left.wav", "cue_pair_right.wav")
    for name in (*(f"mix/{name}" for name in names), "figures/stage_plan.png", "report.json", "report.html"):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(f"earlier {name}".encode())
    return folder


def refused(scene: Path, folder: Path, *options: str) -> str:
    """Render what can't be rendered; return the one line that says why. Nothing in the folder may change."""
    before = contents(folder)
    done = run("render", scene, "-o", folder, "--quiet", *options)
    assert done.exit_code == 2, done.output
    assert done.stdout == ""
    assert done.stderr.startswith("sitzprobe: ")
    assert done.stderr.count("\n") == 1
    assert done.stderr.endswith("\n")
    assert "Traceback" not in done.stderr
    assert contents(folder) == before
    return done.stderr.removeprefix("sitzprobe: ").rstrip("\n")


def at(sections: str, x: float, y: float, z: float = 0.0) -> str:
    """Return the sections' tables with the left one moved."""
    return sections.replace("position = [-2.0, 2.0, 0.0]", f"position = [{x}, {y}, {z}]")


def on_an_arc(keys: str) -> str:
    """Return the sections' tables with the left one on an arc with more keys."""
    arc = f"arc = {{radius = [2, 3], azimuth = [0, 90], {keys}}}"
    return SECTIONS.replace("position = [-2.0, 2.0, 0.0]", arc)


def hung(x: float, y: float, z: float, more: str = "") -> str:
    """Return the tables of an array of one capsule."""
    return f'[arrays.close]\ncapsules = [{{name = "mono", at = [{x}, {y}, {z}]{more}}}]\n'


BAD_SCENES = {
    "invalid TOML": ({"top": "title ="}, r"scene\.toml:1: not valid TOML"),
    "two sections of one name": ({"sections": SECTIONS + SECTIONS}, r"scene\.toml:21: section 'left' is there twice"),
    "names that differ in case": (
        {"sections": SECTIONS + SECTIONS.replace("left", "Left").replace("right", "RIGHT")},
        r"scene\.toml:\d+: section 'Left': differs from section 'left' in case alone",
    ),
    "unknown key at the top": ({"top": "sede = 1"}, r"scene\.toml:1: sede: unknown key; did you mean 'seed'\?$"),
    "unknown key of a section": (
        {"sections": SECTIONS.replace("instrument", "instrumnet", 1)},
        r"scene\.toml:\d+: section 'left': instrumnet: unknown key; did you mean 'instrument'\?$",
    ),
    "unknown hall": ({"hall": '[hall]\npreset = "stone-chruch"'}, r"'stone-chruch'; did you mean 'stone-church'\?$"),
    "unknown array": ({"arrays": '[arrays.main]\npreset = "orft"'}, r"array 'main'.*did you mean 'ortf'\?$"),
    "unknown instrument": (
        {"sections": SECTIONS.replace("omni", "celo", 1)},
        r"section 'left'.*'celo'.*did you mean 'cello'\?$",
    ),
    "piston of no size": (
        {"sections": SECTIONS.replace('"omni"', "{height = 1.0, piston_radius = 0.0}", 1)},
        r"scene\.toml:\d+: section 'left': .*piston_radius: found 0; allowed: above 0",
    ),
    "unknown plan": (
        {"more": '[seating]\nplan = "violins-togehter"'},
        r"'violins-togehter'; did you mean 'violins-together'\?$",
    ),
    "riser below the floor": (
        {"sections": on_an_arc("riser = -0.2")},
        r"scene\.toml:\d+: section 'left': arc: riser: found -0\.2; allowed: 0 and above",
    ),
    "row step of text": (
        {"sections": on_an_arc('riser_step = "x"')},
        r"scene\.toml:\d+: section 'left': arc: riser_step: found 'x'; allowed: a number",
    ),
    "player through the ceiling": (
        {"sections": on_an_arc("riser = 5.0")},
        r"scene\.toml:\d+: section 'left': player 1 of 1 at .* is outside the hall",
    ),
    "audience of some": (
        {"hall": hall_text().replace("[hall]\n", '[hall]\naudience = "half"\n')},
        r"scene\.toml:\d+: hall: audience: found 'half'; allowed: empty, full$",
    ),
    "no seats to leave": (
        {"hall": hall_text().replace("[hall]\n", '[hall]\naudience = "empty"\n')},
        r"scene\.toml:\d+: audience: no patch of this hall says what it is when empty",
    ),
    "misspelt material of an empty patch": (
        {"hall": '[hall]\npreset = "chamber-studio"\naudience = "empty"\npatches = [{surface = "floor", x = [-1, 1], '
         'y = [-2, 2], material = "audience-with-aisles", empty = "wooden-chair-empty"}]'},
        r"scene\.toml:\d+: patch 1: unknown material 'wooden-chair-empty'; did you mean 'wooden-chairs-empty'",
    ),
    "stage in the cellar": (
        {"hall": hall_text().replace("[hall]\n", "[hall]\nstage_height = -1.0\n")},
        r"scene\.toml:\d+: hall: stage_height: found -1; allowed: 0 and above",
    ),
    "unknown material": (
        {"hall": hall_text().replace("floor = {", 'floor = "marbel-floor" # {')},
        r"'marbel-floor'; did you mean 'marble-floor'\?$",
    ),
    "absorption above 1": (
        {"hall": hall_text().replace("absorption = [0.5,", "absorption = [1.5,", 1)},
        r"scene\.toml:\d+: .*floor.*absorption.*1\.5.*1",
    ),
    "absorption below 0": (
        {"hall": hall_text().replace("absorption = [0.5,", "absorption = [-0.1,", 1)},
        r"scene\.toml:\d+: .*floor.*absorption.*-0\.1.*0",
    ),
    "eight values of absorption": (
        {"hall": hall_text().replace("absorption = [0.5,", "absorption = [", 1)},
        r"scene\.toml:\d+: .*floor.*absorption.*(9|nine)",
    ),
    "not a number": ({"more": "[mix]\ngain = nan"}, r"scene\.toml:\d+: .*gain.*finite"),
    "text for a number": ({"more": '[mix]\ngain = "loud"'}, r"scene\.toml:\d+: .*gain.*loud.*number"),
    "section outside": (
        {"sections": at(SECTIONS, -8.0, 2.0)},
        r"section 'left': player 1 of 1 at \[-8\.00, 2\.00, 1\.50\] m is outside .*x -5 to 5, y -7 to 5, z 0 to 6 m",
    ),
    "section in a wall": ({"sections": at(SECTIONS, -4.95, 2.0)}, r"section 'left': player 1 .* or in a surface"),
    "capsule outside": ({"arrays": hung(0, 0, 9)}, r"array 'close': capsule 'mono' at \[0\.00, 0\.00, 9\.00\] m is"),
    "capsule in the ceiling": ({"arrays": hung(0, 0, 5.95)}, r"array 'close': capsule 'mono' .* or in a surface"),
    "capsule on a player": (
        {"arrays": hung(2.0, 2.05, 1.5)},
        r"capsule 'mono' at .* is on top of player 1 of section 'right'; at least 0\.1 m",
    ),
    "misspelt pattern": (
        {"arrays": hung(0, 0, 3, ', pattern = "cardiod"')},
        r"scene\.toml:\d+: array 'close': .*cardiod.*did you mean 'cardioid'",
    ),
    "pattern above 1": (
        {"arrays": hung(0, 0, 3, ", pattern = 1.5")},
        r"scene\.toml:\d+: array 'close': .*pattern.*1\.5.*1",
    ),
    "eight values of a pattern": (
        {"arrays": hung(0, 0, 3, f", pattern = {[0.5] * 8}")},
        r"scene\.toml:\d+: array 'close': .*pattern.*8 values; 9 are needed",
    ),
    "housing of a metre": (
        {"arrays": hung(0, 0, 3, ", diameter = 1.0")},
        r"scene\.toml:\d+: array 'close': .*diameter: found 1; allowed: 0\.3 and below",
    ),
    "housing of a cardioid": (
        {"arrays": hung(0, 0, 3, ', pattern = "cardioid", diameter = 0.016')},
        r"scene\.toml:\d+: array 'close': capsule 'mono': a diameter goes with the pattern omni alone",
    ),
    "all muted": ({"arrays": MUTED}, r"scene\.toml:\d+: .*all arrays are muted"),
    "offset too late": (
        {"more": "[mix]\noffset = 0.02"},
        r"scene\.toml:\d+: .*0\.02 s, but section '.*' arrives at capsule '.*' of array 'pair' .*: up to 0\.00\d+ s",
    ),
    "T30 that the air forbids": (
        {"hall": hall_text().replace("[hall]\n", '[hall]\nT30 = {"16000" = 2.0}\n')},
        r"scene\.toml:\d+: hall: T30: .*2 s at 16000 Hz is out of reach .* the nearest is 0\.\d+ s",
    ),
    "no stems": ({"stems": {}}, r"scene\.toml: no section has a stem"),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD_SCENES)
def test_a_bad_scene_is_refused_in_a_line_that_says_where(tmp_path: Path, earlier: Path, case: str) -> None:
    """What, where, found, and the nearest name or the allowed range."""
    changes, expected = BAD_SCENES[case]
    scene = write_scene(tmp_path / "cue", **({"stems": STEMS} | changes))  # type: ignore[arg-type]
    line = refused(scene, earlier)
    assert re.search(expected, line), line


def test_the_offset_that_is_allowed_is_accepted(tmp_path: Path, earlier: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The line's own advice helps: the offset it allows renders."""
    without_figures(monkeypatch)
    scene = write_scene(tmp_path / "cue", STEMS, more="[mix]\noffset = 0.02")
    allowed = re.search(r"allowed: up to ([\d.]+) s", refused(scene, earlier))
    assert allowed
    scene.write_text(scene.read_text().replace("offset = 0.02", f"offset = {allowed[1]}"))
    assert run("render", scene, "-o", earlier, "--quiet").exit_code == 0


@pytest.mark.parametrize("name", ["none.toml", "no-folder/scene.toml"])
def test_a_missing_scene_is_refused(tmp_path: Path, earlier: Path, name: str) -> None:
    assert refused(tmp_path / name, earlier) == f"{tmp_path / name}: no such file"


def test_a_folder_for_a_scene_is_refused(tmp_path: Path, earlier: Path) -> None:
    line = refused(tmp_path, earlier)
    assert line.startswith(f"{tmp_path}: ")


def spoil(stem: Path, how: str) -> None:
    """Make a stem unusable."""
    if how == "missing":
        stem.rename(stem.with_name("lefft.wav"))
    elif how == "empty":
        stem.write_bytes(b"")
    elif how == "header only":
        soundfile.write(stem, np.zeros(0), 48000)
    elif how == "cut off":
        stem.write_bytes(stem.read_bytes()[:-5000])
    elif how == "cut off FLAC":
        flac = stem.with_suffix(".flac")
        soundfile.write(flac, noise(1.0), 48000)
        stem.write_bytes(flac.read_bytes()[:20000])
    elif how == "not audio":
        stem.write_text("This is a letter, not a sound.\n" * 100)
    elif how == "a folder":
        stem.unlink()
        stem.mkdir()
    else:
        soundfile.write(stem, np.zeros((1000, 6)), 48000)


@pytest.mark.parametrize(
    ("how", "expected"),
    [
        ("missing", r"section 'left': stem: .*left\.wav: no such file; did you mean 'lefft\.wav'\?"),
        ("empty", r"left\.wav: is empty; export it again"),
        ("header only", r"left\.wav: holds no samples; export it again"),
        ("cut off", r"left\.wav: cut off, 5000 bytes short of its header; export it again"),
        ("cut off FLAC", r"left\.wav: cut off, ends before the 48000 samples of its header; export it again"),
        ("not audio", r"left\.wav: not a sound file that can be read; allowed: WAV, RF64, FLAC, AIFF or OGG"),
        ("a folder", r"left\.wav: is a folder"),
        ("six channels", r"scene\.toml:\d+: section 'left': stem: .*left\.wav: has 6 channels; choose one or two"),
    ],
)
def test_a_bad_stem_is_refused_by_name(scene: Path, earlier: Path, how: str, expected: str) -> None:
    """Before anything is computed or written."""
    spoil(scene.parent / "left.wav", how)
    line = refused(scene, earlier)
    assert re.search(expected, line), line


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_a_number_that_is_none_in_the_middle_of_a_stem_is_named_with_its_time(
    scene: Path, earlier: Path, value: float
) -> None:
    """Found while rendering, when twelve seconds are already written under names that vanish."""
    signal = noise(15.0)
    signal[48000 * 14 + 24000] = value
    soundfile.write(scene.parent / "left.wav", signal, 48000, "FLOAT")
    line = refused(scene, earlier, "--stems")
    assert re.search(r"left\.wav: (not a number|an infinite number) at 14\.500 s, channel 1; export it again", line)


def test_a_bad_stem_of_a_later_cue_costs_only_that_cue(
    scene: Path, earlier: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The one before it is whole and final; of the bad one, as of the report, the earlier files stay as they were."""
    without_figures(monkeypatch)
    text = scene.read_text().replace('stem = "left.wav"\n', "").replace('stem = "right.wav"\n', "")
    scene.write_text(text + '[cues.one]\nleft = "left.wav"\n[cues.cue]\nright = "right.wav"\n')
    signal = noise()
    signal[9000] = np.nan
    soundfile.write(scene.parent / "right.wav", signal, 48000, "FLOAT")
    before = contents(earlier)
    done = run("render", scene, "-o", earlier, "--quiet")
    assert done.exit_code == 2
    assert "right.wav: not a number at 0.188 s" in done.stderr
    after = contents(earlier)
    assert {name: data for name, data in after.items() if not name.startswith("mix/one")} == before
    assert {name for name in after if name.startswith("mix/one")} == {
        f"mix/one{end}" for end in (".wav", "_pair.wav", "_pair_left.wav", "_pair_right.wav", ".json")
    }
    soundfile.write(scene.parent / "right.wav", noise(), 48000, "FLOAT")
    assert "kept, rendered from the same before: one\n" in run("render", scene, "-o", earlier, "--quiet").stdout


def test_integers_that_would_clip_are_refused_with_a_gain_that_fits(
    tmp_path: Path, earlier: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And with that gain all files fit; 32-bit float takes everything."""
    without_figures(monkeypatch)
    scene = write_scene(tmp_path / "cue", STEMS, more="[mix]\ngain = 50.0")
    line = refused(scene, earlier, "--format", "pcm24", "--stems")
    found = re.search(
        r"peaks at \+[\d.]+ dBFS and would clip at 24 bit; lower the gain by ([\d.]+) dB or write float32", line
    )
    assert found, line
    assert run("render", scene, "-o", tmp_path / "float", "--quiet").exit_code == 0
    scene.write_text(scene.read_text().replace("gain = 50.0", f"gain = {50.0 - float(found[1]):.1f}"))
    assert run("render", scene, "-o", earlier, "--quiet", "--format", "pcm24", "--stems").exit_code == 0
    peaks = [np.abs(soundfile.read(path)[0]).max() for path in earlier.rglob("*.wav")]
    assert 0.97 < max(peaks) < 1.0  # no more was taken than a tenth of a dB and a step


def test_a_file_where_the_folder_should_be_is_named(scene: Path, tmp_path: Path) -> None:
    """Of the folder itself, above it, or in it."""
    (tmp_path / "file").write_text("mine")
    for folder in (tmp_path / "file", tmp_path / "file" / "out"):
        line = refused(scene, folder)
        assert line.startswith(f"cannot write to {folder}")
        assert line.endswith("; choose a folder you can write to")
    assert (tmp_path / "file").read_text() == "mine"


def test_a_folder_where_a_file_should_be_is_named(scene: Path, tmp_path: Path) -> None:
    """Nobody deletes it, and no other file of the render is left."""
    blocking = tmp_path / "out" / "mix" / "cue.wav"
    blocking.mkdir(parents=True)
    line = refused(scene, tmp_path / "out")
    assert line == f"cannot write {blocking}: is a folder; rename it or choose another folder"
    assert blocking.is_dir()


def mounted(folder: Path, *options: str) -> bool:
    """Mount an empty file system in memory, if this system lets us."""
    folder.mkdir()
    mount = shutil.which("mount")
    command = [mount or "mount", "-t", "tmpfs", "-o", ",".join(options), "tmpfs", folder]
    return mount is not None and subprocess.run(command, capture_output=True, check=False).returncode == 0


@pytest.fixture
def volume(tmp_path: Path) -> Iterator[Path]:
    """A place for a file system, given back at the end."""
    folder = tmp_path / "volume"
    yield folder
    if folder.is_mount():
        subprocess.run(["umount", folder], check=True)


def test_a_folder_that_cannot_be_written_is_named(scene: Path, volume: Path) -> None:
    """A read-only file system where one can be mounted, else (no right to) a folder without the right to write."""
    if not mounted(volume, "ro"):
        volume.chmod(0o500)
    line = refused(scene, volume / "out")
    assert re.match(rf"cannot write to {volume}/out.*: (Read-only file system|Permission denied); choose", line), line


def limited(scene: Path, folder: Path, size: int) -> subprocess.CompletedProcess[str]:
    """Render in a process whose files may not grow beyond a size in bytes."""
    code = (
        "import resource; from render.cli import main\n"
        f"resource.setrlimit(resource.RLIMIT_FSIZE, ({size}, {size}))\n"
        f"main(['render', {str(scene)!r}, '-o', {str(folder)!r}, '--quiet'])"
    )
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)


def test_a_full_volume_is_named_and_keeps_what_was_on_it(scene: Path, volume: Path) -> None:
    """Half a megabyte in memory, where one can be mounted; else the largest size of a file is limited."""
    is_mounted = mounted(volume, "size=512k")
    folder = earlier_output(volume / "out")
    soundfile.write(scene.parent / "left.wav", noise(8.0), 48000, "FLOAT")
    if is_mounted:
        line = refused(scene, folder)
        assert re.match(rf"cannot write {folder}.*: No space left on device; free some space or choose another", line)
    else:
        done = limited(scene, folder, 200_000)
        assert (done.returncode, done.stderr.count("\n")) == (2, 1)


def test_a_file_that_may_not_grow_is_named_and_leaves_nothing(scene: Path, earlier: Path) -> None:
    """A limit of the system stops the longest file half way."""
    before = contents(earlier)
    soundfile.write(scene.parent / "left.wav", noise(8.0), 48000, "FLOAT")
    done = limited(scene, earlier, 1_000_000)
    assert (done.returncode, done.stdout) == (2, "")
    assert re.fullmatch(
        r"sitzprobe: cannot write \S+: File too large; free some space or choose another folder\n", done.stderr
    ), done.stderr
    assert contents(earlier) == before


@pytest.fixture
def long_scene(tmp_path: Path) -> Path:
    """A scene with a stem of twenty minutes, which takes longer to render than any test waits."""
    scene = write_scene(tmp_path / "cue", STEMS)
    (scene.parent / "long.flac").write_bytes(silent_flac(1200))
    scene.write_text(scene.read_text().replace("left.wav", "long.flac"))
    return scene


def rendering(scene: Path, folder: Path) -> subprocess.Popen[str]:
    """Start a render and return when it has written some sound."""
    process = subprocess.Popen(
        [COMMAND, "render", scene, "-o", folder, "--quiet"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    deadline = time.monotonic() + 60.0
    while time.monotonic() < deadline and process.poll() is None:
        with suppress(FileNotFoundError):  # a part may become whole between being listed and being looked at
            if any(part.stat().st_size > 1_000_000 for part in folder.rglob("*.part")):
                return process
        time.sleep(0.02)
    process.kill()
    raise AssertionError(process.communicate()[1])


def processor_s(pid: int) -> float:
    """Return the processor time that a running process has had, in s."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def children_s() -> float:
    """Return the processor time of all children that have ended, in s."""
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="the system doesn't tell a process's time")
def test_ctrl_c_ends_a_render_within_a_second_and_leaves_nothing(long_scene: Path, earlier: Path) -> None:
    """Exit 130 and one line. A second of processor time, for others may be busy on the machine."""
    before, others = contents(earlier), children_s()
    with rendering(long_scene, earlier) as process:
        had = processor_s(process.pid)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=30)
    assert (process.returncode, out, err) == (130, "", "sitzprobe: interrupted\n")
    assert contents(earlier) == before
    assert children_s() - others - had < 1.0


def test_a_killed_render_leaves_earlier_output_whole_and_the_next_one_cleans_up(
    scene: Path, long_scene: Path, earlier: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing can be done after kill −9, so nothing may have been needed."""
    before = contents(earlier)
    with rendering(long_scene, earlier) as process:
        process.kill()
        process.communicate()
    assert process.returncode == -signal.SIGKILL
    assert {name: data for name, data in contents(earlier).items() if not name.startswith((".part", ".lock"))} == before
    without_figures(monkeypatch)
    long_scene.write_text(long_scene.read_text().replace("long.flac", "left.wav"))
    assert run("render", long_scene, "-o", earlier, "--quiet").exit_code == 0
    assert not [name for name in contents(earlier) if name.startswith(".")]


def test_a_folder_deleted_while_it_is_written_is_one_line(scene: Path, tmp_path: Path) -> None:
    """Exit 2: the folder can't be written."""
    (scene.parent / "long.flac").write_bytes(silent_flac(40))
    scene.write_text(scene.read_text().replace("left.wav", "long.flac"))
    folder = tmp_path / "out"
    with rendering(scene, folder) as process:
        shutil.rmtree(folder)
        out, err = process.communicate(timeout=60)
    assert (process.returncode, out) == (2, "")
    assert re.fullmatch(r"sitzprobe: cannot write .*: No such file or directory; choose a folder that exists\n", err), (
        err
    )
