"""The command line: what it prints, how it fails, and what it must not load."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import click
import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

import render.starter
from render.check import mismatches
from render.cli import main
from render.scene_file import read_scene
from render.stems import StemInfo
from rooms import catalogue
from rooms.errors import SitzprobeError
from rooms.localisation import ensemble_image
from rooms.toml_reader import parse_toml
from tests import small_scenes

DEMO = catalogue.demo()
HEAVY = ("scipy", "numba", "matplotlib", "soundfile", "soxr", "pyloudnorm", "jinja2")
SCENE = """\
[hall]
preset = "chamber-studio"
[seating]
plan = "chamber-arc"
[sections.cellos]
stem = "cellos.wav"
[sections.basses]
stem = "basses.wav"
[arrays.main]
preset = "ortf"
"""


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


def loaded(code: str) -> set[str]:
    """Return the top-level modules that some code brings into a fresh interpreter."""
    script = f"{code}\nimport sys; print(*{{name.split('.')[0] for name in sys.modules}}, file=sys.stderr)"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return set(done.stderr.split())


@pytest.fixture
def scene(tmp_path: Path) -> Path:
    """A scene with two stems of noise."""
    rng = np.random.default_rng(1)
    for name in ("cellos", "basses"):
        soundfile.write(tmp_path / f"{name}.wav", rng.uniform(-0.1, 0.1, 48000), 48000, "PCM_24")
    (tmp_path / "scene.toml").write_text(SCENE, encoding="utf-8")
    return tmp_path / "scene.toml"


def test_help_brings_nothing_heavy() -> None:
    """Importing these costs seconds; help and completion must answer at once."""
    brought = loaded("import render.cli")
    assert not brought & {*HEAVY, "pydantic", "numpy", "rich"}
    assert "click" in brought


def test_a_check_brings_no_audio_drawing_or_compiling() -> None:
    code = f"from render.cli import main\nmain(['check', {str(DEMO)!r}], standalone_mode=False)"
    assert not loaded(code) & set(HEAVY)


def test_version_and_help() -> None:
    assert run("--version").output.startswith("sitzprobe, version ")
    text = run("--help")
    assert text.exit_code == 0
    assert all(command in text.output for command in ("render", "check", "new", "presets"))


def test_check_tells_what_the_scene_holds() -> None:
    done = run("check", DEMO)
    assert (done.exit_code, done.stderr) == (0, "")
    for text in ("Lanterns on the Breakwater", "scoring-stage", "7843 m³", "violins-1 14", "50 players", "12 capsules"):
        assert text in done.stdout


def test_check_as_json() -> None:
    found = json.loads(run("check", DEMO, "--json").stdout)
    assert found["hall"] == {
        "name": "scoring-stage",
        "size_m": [23.0, 31.0, 11.0],
        "volume_m3": 7843.0,
        "asked_T30_s": None,
    }
    assert sum(section["players"] for section in found["sections"]) == 50
    assert sum(len(array["capsules"]) for array in found["arrays"]) == 12
    assert list(found["cues"]) == ["demo"]
    assert "stems" not in found


def test_check_tells_where_a_main_pair_puts_the_sections(tmp_path: Path) -> None:
    """As the localisation curves do; of a tree there is nothing to tell."""
    assert json.loads(run("check", DEMO, "--json").stdout)["image"] is None
    assert "image  " not in run("check", DEMO).stdout
    path = tmp_path / "scene.toml"
    path.write_text('hall.preset = "scoring-stage"\nseating.plan = "violins-together"\narrays.main.preset = "nos"\n')
    scene = read_scene(path)
    image = ensemble_image(scene.arrays[0], scene.sections, scene.hall.speed_of_sound)
    found = json.loads(run("check", path, "--json").stdout)["image"]
    assert found["recording_angle_deg"] == 81.0
    assert found["seen_deg"] == pytest.approx(image.seen, abs=0.05)
    told = [(s["left_deg"], s["azimuth_deg"], s["right_deg"]) for s in found["sections"]]
    np.testing.assert_allclose(told, [(s.left, s.azimuth, s.right) for s in image.sections], atol=0.0501)
    (line,) = (line for line in run("check", path).stdout.splitlines() if line.startswith("image"))
    (left, right), (first, last) = image.seen, image.heard
    edges = f"players seen at {left:.0f} to {right:.0f}°, heard at {first:.0f} to {last:.0f}° of ±30°".replace("-", "−")
    assert line == f"image     main: recording angle 81°; {edges}"


def test_check_of_the_audio_lists_every_stem(scene: Path) -> None:
    done = run("check", scene, "--audio", "--json")
    found = json.loads(done.stdout)
    assert done.exit_code == 0
    assert [(s["section"], s["sample_rate"], s["channels"], s["length_s"]) for s in found["stems"]] == [
        ("cellos", 48000, 1, 1.0),
        ("basses", 48000, 1, 1.0),
    ]
    assert all(s["peak_dbfs"] == pytest.approx(-20.0, abs=0.1) for s in found["stems"])  # 0.1 re full scale
    table = run("check", scene, "--audio")
    row = next(line for line in table.stdout.splitlines() if line.startswith("  cellos.wav"))
    assert row.split() == [
        "cellos.wav",
        "cellos",
        scene.parent.name,
        "48000",
        "1",
        "0.000",
        "1.000",
        "-20.0",
        row.split()[-1],
    ]


def test_check_shows_the_mix_and_says_what_a_solo_leaves_out(tmp_path: Path) -> None:
    """Each array's own gain, the balance of its purpose, both together, and what else is set."""
    arrays = small_scenes.ARRAYS.replace("[arrays.pair]", "[arrays.pair]\nmute = true\nsolo = true")
    spots = '[arrays.spots]\npreset = "spots"\nsolo = true\nhigh_pass = 80\n'
    scene = small_scenes.write_scene(
        tmp_path, {"left": np.zeros(9)}, arrays=arrays + spots, more="[mix.balance]\nspot = -3"
    )
    done = run("check", scene)
    assert (done.exit_code, done.stderr) == (
        0,
        "warning: solo: the mix holds only spots; pair: neither in the mix nor written\n",
    )
    assert [" ".join(line.split()) for line in done.stdout.splitlines()[-4:]] == [
        "mix:",
        "array purpose gain dB balance dB in the mix dB also",
        "pair main +0.0 +0.0 +0.0 muted, solo",
        "spots spot −12.0 −3.0 −15.0 solo, spots aligned, high-pass 80 Hz",
    ]
    found = json.loads(run("check", scene, "--json").stdout)["arrays"][1]
    assert (found["gain_db"], found["balance_db"], found["level_db"]) == (-12.0, -3.0, -15.0)
    assert found["settings"] == ["solo", "spots aligned", "high-pass 80 Hz"]
    scene.write_text(scene.read_text().replace("spot = -3", "").replace("solo = true\nhigh", "high"))
    refused = run("check", scene)
    assert (refused.exit_code, refused.stdout) == (2, "")
    assert refused.stderr.endswith("arrays: all soloed arrays are muted; nothing would be heard\n")


def test_check_lists_which_file_is_whose_from_headers_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """File, section, cue, rate, channels in use, start, length; found by names or named."""
    scene = small_scenes.write_scene(
        tmp_path,
        {},
        sections=small_scenes.SECTIONS.replace("[sections.right]", "channels = [3, 1]\n[sections.right]\nfold = true"),
        more='[stems]\npattern = "{cue}_{section}"\n[cues.1m2]\nleft = {start = 1.5}\n',
    )
    (tmp_path / "stems").mkdir()
    soundfile.write(tmp_path / "stems" / "1m2 Left.wav", np.zeros((4410, 6)), 44100)
    soundfile.write(tmp_path / "stems" / "1M2_right.wav", np.zeros((96000, 2)), 96000)
    soundfile.write(tmp_path / "stems" / "1m2_lefty.wav", np.zeros(10), 96000)

    def unread(*_arguments: object, **_options: object) -> None:
        raise AssertionError("a listing has no need of the samples")

    monkeypatch.setattr("render.stem_sound.describe", unread)
    done = run("check", scene, "--stems")
    assert (done.exit_code, len(done.stderr.splitlines())) == (0, 3)
    lines = [" ".join(line.split()) for line in done.stdout.splitlines()]
    assert lines[-3:] == [
        "file section cue rate Hz channels start s length s",
        "stems/1m2 Left.wav left 1m2 44100 3, 1 of 6 1.500 0.100",
        "stems/1M2_right.wav right 1m2 96000 1, 2 folded 0.000 1.000",
    ]
    assert f"warning: {tmp_path}/stems/1m2_lefty.wav isn't used: it is named like no section; did you" in done.stderr
    found = json.loads(run("check", scene, "--stems", "--json").stdout)
    assert found["stems"][0] == {
        "cue": "1m2",
        "section": "left",
        "path": str(tmp_path / "stems" / "1m2 Left.wav"),
        "sample_rate": 44100,
        "channels": 6,
        "plays": [3, 1],
        "fold": False,
        "start_s": 1.5,
        "length_s": 0.1,
    }
    assert found["faults"] == []


@pytest.mark.parametrize("option", ["--stems", "--audio"])
def test_a_listing_shows_what_is_right_and_every_fault_in_a_line(scene: Path, option: str) -> None:
    """Exit 2, where a render would refuse the first of them."""
    text = scene.read_text(encoding="utf-8")
    scene.write_text(text + '[sections.violas]\nstem = "viola.wav"\n[sections.violins-1]\nstem = "six.wav"\n')
    soundfile.write(scene.parent / "six.wav", np.zeros((100, 6)), 48000)
    done = run("check", scene, option)
    assert done.exit_code == 2
    assert "cellos.wav" in done.stdout
    faults = [line for line in done.stderr.splitlines() if line.startswith("sitzprobe: ")]
    assert [fault.split(": ", 4)[2] for fault in faults] == ["section 'violas'", "section 'violins-1'"]
    assert "no such file" in faults[0]
    assert "has 6 channels; choose one or two of them" in faults[1]
    assert (
        json.loads(run("check", scene, option, "--json").stdout)["stems"][2]["fault"] == faults[0][len("sitzprobe: ") :]
    )


def test_a_plain_check_refuses_stems_whose_names_leave_a_choice(scene: Path) -> None:
    text = scene.read_text(encoding="utf-8").replace('stem = "cellos.wav"\n', "")
    scene.write_text(text + '[stems]\nfolder = "."\n', encoding="utf-8")
    soundfile.write(scene.parent / "Cellos take 2.wav", np.zeros(10), 48000)
    for options in ((), ("--stems",)):
        done = run("check", scene, *options)
        assert done.exit_code == 2
        assert done.stderr.splitlines()[-1].endswith(
            f"2 files may be the stem of section 'cellos' of cue '{scene.parent.name}': cellos.wav, Cellos take 2.wav; "
            "name one of them as its stem"
        )


def test_check_warns_of_a_reverberation_time_out_of_reach(scene: Path) -> None:
    """With the nearest, and no word where the hall can ring so; a table asks by bands."""
    text = scene.read_text(encoding="utf-8")
    for asked, words in (("0.05", "T30 of 0.05 s at 500 and 1000 Hz is out of reach"), ("0.6", None)):
        scene.write_text(text.replace("[hall]", f"[hall]\nT30 = {asked}"), encoding="utf-8")
        done = run("check", scene)
        assert done.exit_code == 0
        if words is None:
            assert done.stderr == ""
        else:
            assert done.stderr.startswith(f"warning: {scene}:2: hall: T30: ")
            assert words in done.stderr
            assert "the nearest is 0." in done.stderr
            assert len(json.loads(run("check", scene, "--json").stdout)["warnings"]) == 1


def test_check_of_the_audio_warns_of_stems_that_do_not_fit_or_are_silent(scene: Path) -> None:
    soundfile.write(scene.parent / "basses.wav", np.zeros(44100 * 2), 44100, "PCM_24")
    done = run("check", scene, "--audio")
    assert done.exit_code == 0
    warnings = done.stderr.splitlines()
    assert all(line.startswith(f"warning: {scene.parent.name}: ") for line in warnings)
    for text in ("basses: ", "rates differ: most have 48000 Hz, basses 44100 Hz", "cellos has 1.000 s, basses 2.000 s"):
        assert any(text in line for line in warnings)
    found = json.loads(run("check", scene, "--audio", "--json").stdout)
    assert found["stems"][1]["peak_dbfs"] is None  # JSON has no infinity
    assert len(found["warnings"]) == len(warnings)


def test_stems_that_go_together_bring_no_warning() -> None:
    def stem(rate: int, length: float, start: int = 0) -> StemInfo:
        return StemInfo(Path("a.wav"), rate, 1, round(length * rate), "PCM_24", start)

    assert mismatches({}) == []
    assert mismatches({"a": stem(48000, 1.0), "b": stem(48000, 1.0005)}) == []
    assert mismatches({"a": stem(48000, 1.0, 48000), "b": stem(48000, 1.0)}) == [
        "start times written in the files differ: most have 1 s, b 0 s"
    ]


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (("chamber-studio", "chamber-studios"), "scene.toml:2: hall: preset: unknown hall 'chamber-studios'; did you"),
        (("cellos.wav", "celli.wav"), "scene.toml:6: section 'cellos': stem: "),
        (("[hall]", "[hall"), "scene.toml:1: not valid TOML"),
    ],
)
def test_a_bad_scene_is_one_line_and_exit_2(scene: Path, change: tuple[str, str], line: str) -> None:
    scene.write_text(SCENE.replace(*change), encoding="utf-8")
    done = run("check", scene)
    assert (done.exit_code, done.stdout) == (2, "")
    assert done.stderr.startswith(f"sitzprobe: {scene.parent}/{line}")
    assert done.stderr.count("\n") == 1


def test_a_missing_scene_and_a_missing_argument_are_exit_2(tmp_path: Path) -> None:
    assert run("check", tmp_path / "none.toml").exit_code == 2
    assert run("check").exit_code == 2
    assert run("chek").exit_code == 2


@pytest.mark.parametrize(
    ("raised", "status", "line"),
    [
        (SitzprobeError("the disk\nis full"), 1, "sitzprobe: the disk is full\n"),
        (KeyboardInterrupt(), 130, "sitzprobe: interrupted\n"),
        (RuntimeError("oh"), 1, "sitzprobe: failed: RuntimeError: oh; --debug shows where\n"),
    ],
)
def test_other_failures_have_their_status_and_one_line(
    monkeypatch: pytest.MonkeyPatch, raised: BaseException, status: int, line: str
) -> None:
    def fail(*_arguments: object) -> None:
        raise raised

    monkeypatch.setattr(catalogue, "names", fail)
    done = run("presets")
    assert (done.exit_code, done.stderr) == (status, line)


def test_debug_shows_where_an_error_comes_from(tmp_path: Path) -> None:
    command = [sys.executable, "-c", "from render.cli import main; main()"]
    plain = subprocess.run([*command, "check", "none.toml"], capture_output=True, text=True, cwd=tmp_path, check=False)
    debug = subprocess.run(
        [*command, "--debug", "check", "none.toml"], capture_output=True, text=True, cwd=tmp_path, check=False
    )
    assert (plain.returncode, plain.stderr) == (2, "sitzprobe: none.toml: no such file\n")
    assert "Traceback" in debug.stderr


def test_presets_lists_every_kind_with_a_line_each() -> None:
    everything = run("presets").stdout
    for kind in catalogue.KINDS:
        assert f"{kind}:\n" in everything
        for name in catalogue.names(kind):
            assert f"  {name} " in everything
    assert max(len(line) for line in everything.splitlines()) <= 80
    halls = run("presets", "hall").stdout
    assert "stone-church" in halls
    assert "limestone" not in halls
    assert json.loads(run("presets", "halls", "--json").stdout)["halls"].keys() == set(catalogue.names("halls"))


def test_a_preset_is_shown_by_itself() -> None:
    assert "  B  centre " in run("presets", "array", "tree").stdout
    assert json.loads(run("presets", "halls", "stone-church", "--json").stdout)["size"] == [20.0, 48.0, 18.0]
    done = run("presets", "halls", "stone-chruch")
    assert (done.exit_code, done.stderr) == (
        2,
        "sitzprobe: unknown hall 'stone-chruch'; did you mean 'stone-church'?\n",
    )


def test_output_that_nobody_reads_to_its_end_is_no_failure() -> None:
    """`sitzprobe presets | head -1`: the pipe is closed while it writes."""
    command = [sys.executable, "-c", "from render.cli import main; main(['presets'])"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
        assert running.stdout is not None
        assert running.stderr is not None
        running.stdout.close()
        assert running.stderr.read() == b""


def test_a_terminal_gets_a_drawn_table(scene: Path) -> None:
    parent, child = pty.openpty()
    command = [sys.executable, "-c", f"from render.cli import main; main(['check', '{scene}'])"]
    subprocess.run(command, stdout=child, check=True, env={**os.environ, "COLUMNS": "120", "TERM": "xterm"})
    os.close(child)
    with os.fdopen(parent, "rb") as terminal:
        text = terminal.read1(1 << 16).decode("utf-8")
    assert "purpose" in text
    assert "│" in text


def test_new_writes_a_scene_that_needs_only_its_stems(tmp_path: Path) -> None:
    done = run("new", tmp_path / "cue")
    assert (done.exit_code, done.stderr) == (0, "")
    scene = read_scene(tmp_path / "cue" / "scene.toml")
    assert scene.mix_gain is not None
    # A source at 5 m reaches an omni 14 dB down (1/r); a main array of three gives some of that back.
    assert 0.0 < scene.mix_gain < 14.0
    first = min(
        np.linalg.norm(a.positions[:, None] - s.positions, axis=-1).min() for a in scene.arrays for s in scene.sections
    )
    assert 0.0 < scene.mix_offset <= first / scene.hall.speed_of_sound
    again = run("new", tmp_path / "cue")
    assert (again.exit_code, again.stdout) == (2, "")
    assert again.stderr.endswith("scene.toml: exists already; name another folder\n")


def test_a_render_of_a_bad_scene_leaves_earlier_output_alone(scene: Path) -> None:
    scene.write_text(SCENE.replace("ortf", "orft"), encoding="utf-8")
    earlier = scene.parent / "rendered" / "mix.wav"
    earlier.parent.mkdir()
    earlier.write_bytes(b"earlier")
    done = run("render", scene, "-o", earlier.parent)
    assert (done.exit_code, done.stdout) == (2, "")
    assert done.stderr.startswith(
        f"sitzprobe: {scene}:10: array 'main': preset: unknown array 'orft'; did you mean 'ortf'?"
    )
    assert [p.name for p in earlier.parent.iterdir()] == ["mix.wav"]
    assert earlier.read_bytes() == b"earlier"


def test_a_starter_is_a_valid_scene_with_its_mix_in_numbers(tmp_path: Path) -> None:
    starter = render.starter.starter_scene(tmp_path / "cue")
    assert (starter.mix_gain, len(starter.sections)) == (None, 5)
    written = render.starter.write_starter(starter, 11.93, 0.00567)
    assert sorted(p.relative_to(tmp_path).as_posix() for p in written) == ["cue/scene.toml", "cue/stems/README.txt"]
    scene = read_scene(tmp_path / "cue" / "scene.toml")
    assert (scene.mix_gain, scene.mix_offset) == (11.9, 0.0057)
    assert scene.cues[0].name == "cue"
    assert scene.sections == starter.sections
    assert scene.buses == starter.buses  # a balance of 0 dB for every purpose there is
    moved = scene.path.read_text(encoding="utf-8").replace("spot = 0.0 ", "spot = -3.0")
    scene.path.write_text(moved, encoding="utf-8")
    assert read_scene(scene.path).buses["spots"].level == -15.0


def test_a_starter_s_hints_work_when_uncommented(tmp_path: Path) -> None:
    text = (catalogue.folder() / "starter" / "scene.toml").read_text(encoding="utf-8")
    lines = [line.removeprefix("# ") if "=" in line or line.startswith("# [") else line for line in text.splitlines()]
    file = parse_toml(tmp_path / "scene.toml", "\n".join(lines))
    scene = render.starter.build_scene(file)
    assert scene.scene_rate == 48000
    assert scene.asked_T30 == 1.6
    assert scene.sections[0].name == "oboe-solo"
    assert scene.buses["spots"].gain == -9.0
    assert scene.buses["ambience"].mute


def test_a_starter_overwrites_nothing(tmp_path: Path) -> None:
    (tmp_path / "stems").mkdir()
    (tmp_path / "stems" / "README.txt").write_text("mine", encoding="utf-8")
    starter = render.starter.starter_scene(tmp_path)
    render.starter.write_starter(starter, 1.0, 0.0)
    before = {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    with pytest.raises(SitzprobeError, match=r"scene\.toml: exists already; name another folder$"):
        render.starter.write_starter(starter, 2.0, 0.0)
    assert {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()} == before
    assert (tmp_path / "stems" / "README.txt").read_text(encoding="utf-8") == "mine"
    (tmp_path / "file").touch()
    with pytest.raises(SitzprobeError, match=r"can't be made: Not a directory$"):
        render.starter.write_starter(render.starter.starter_scene(tmp_path / "file"), 1.0, 0.0)


def test_every_command_and_option_says_what_it_does() -> None:
    with click.Context(main) as context:
        for name in main.list_commands(context):
            command = main.get_command(context, name)
            assert command is not None
            assert command.help
            for option in command.params:
                assert isinstance(option, click.Argument) or option.help, (name, option.name)


def test_computed_responses_are_kept_shown_and_cleared(
    scene: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second render takes them from the cache: the same bytes; a damaged one is computed anew, and reported."""
    folder = tmp_path / "cache"
    small_scenes.without_figures(monkeypatch)
    monkeypatch.setenv("SITZPROBE_CACHE", str(folder))
    scene.write_text(SCENE.replace("[seating]", "T30 = 0.9\n[seating]"), encoding="utf-8")
    mixes = []
    for number in range(3):
        done = run("render", scene, "-o", tmp_path / str(number))
        assert done.exit_code == 0
        mixes.append(next((tmp_path / str(number) / "mix").glob("*_main.wav")).read_bytes())
        warned = json.loads((tmp_path / str(number) / "report.json").read_text(encoding="utf-8"))["warnings"]
        assert any("is damaged" in line for line in warned) == (number == 2)
        files = sorted(folder.glob("*.npz"))
        # The asked T30, the hall and its facets' exchange, two sections through one array; of two sections and two
        # capsules, as seated and as omnis, what they send to the walls and see of them.
        assert len(files) == 5 + 2 * 2 + 2 * 2
        if number == 1:
            kept = next(path for path in files if "samples" in np.load(path).files)
            kept.write_bytes(kept.read_bytes()[:-100])
    assert mixes[0] == mixes[1] == mixes[2]
    assert run("cache").output.startswith(f"{folder}: 13 files, ")
    assert run("cache", "--clear").output.startswith(f"{folder}: 0 files, 0 of at most 2048 MiB")
    assert not list(folder.glob("*.npz"))
