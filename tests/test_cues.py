"""Many cues, one after the other; and a quick listen."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import scipy.signal
import soundfile

from render.cue_plan import cue_files
from render.cues import QUICK_DBTP, QUICK_LUFS, quick_gain_db
from render.scene_file import read_scene
from render.stems import StemInfo
from render.voices import undecided
from tests.small_scenes import (
    RATE,
    SOLO,
    below,
    heard,
    impulse,
    noise,
    rendered,
    report_of,
    run,
    write_cues,
    write_scene,
)

pytestmark = pytest.mark.usefixtures("no_figures")


def many_cues(folder: Path, seconds: list[float], gains: list[float] | None = None, mix_gain: float = 0.0) -> Path:
    """A scene of cues called a, b, c … with one stem each, so long and so loud."""
    loud = gains or [1.0] * len(seconds)
    stems = {chr(97 + n): g * noise(s, seed=n) for n, (s, g) in enumerate(zip(seconds, loud, strict=True))}
    return write_cues(folder, stems, mix_gain=mix_gain)


def test_one_bar_counts_the_sound_of_all_cues(tmp_path: Path) -> None:
    """By samples written, tails included: when a cue of 1 s is done and one of 3 s is not, a third or so is."""
    from render.session import render_scene

    told: list[tuple[str, float]] = []
    scene = many_cues(tmp_path / "scene", [1.0, 3.0])
    scene.write_text(scene.read_text() + "[output]\ntail = 0.5\n")  # else the ends aren't known before
    render_scene(scene, tmp_path / "out", progress=lambda what, part: told.append((what, part)))
    parts = [part for what, part in told if what == "rendering 2 cues"]
    lengths = [heard(tmp_path / "out" / "mix" / f"{name}.wav").shape[1] for name in "ab"]
    assert any(part == pytest.approx(lengths[0] / sum(lengths), rel=1e-12) for part in parts)
    assert parts == sorted(parts)
    assert parts[-1] == 1.0
    told.clear()
    render_scene(scene, tmp_path / "out", cues=["b"], force=True, progress=lambda what, part: told.append((what, part)))
    assert [what for what, _ in told if what.startswith("rendering")] == ["rendering b"] * len(
        [part for what, part in told if what == "rendering b"]
    )


def test_responses_are_computed_once_for_all_cues(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many there are."""
    import render.session

    calls = []
    compute = render.session.compute_responses
    monkeypatch.setattr(render.session, "compute_responses", lambda *given: calls.append(1) or compute(*given))
    rendered(many_cues(tmp_path / "scene", [0.1] * 5))
    assert calls == [1]


@pytest.mark.parametrize("options", [(), ("--cue", "a")], ids=["all cues", "one of them"])
def test_a_clip_refused_names_the_gain_that_fits_the_whole_scene(tmp_path: Path, options: tuple[str, ...]) -> None:
    """The last cue is 12 dB louder than the first that clips: with the gain named, no cue clips, at full use."""
    scene = many_cues(tmp_path / "scene", [0.2, 0.2, 0.2], [1.0, 0.01, 4.0], 60.0)
    done = run("render", scene, "-o", tmp_path / "out", "--format", "pcm24", "--quiet", *options)
    found = re.fullmatch(
        r"sitzprobe: \S+a\S*\.wav: peaks at \+[\d.]+ dBFS and would clip at 24 bit; "
        r"lower the gain by ([\d.]+) dB, which fits all cues, or write float32\n",
        done.stderr,
    )
    assert found, done.stderr
    assert done.exit_code == 2
    assert not list((tmp_path / "out").rglob("*.wav"))
    scene.write_text(scene.read_text().replace("gain = 60.0", f"gain = {60.0 - float(found[1]):.1f}"))
    peaks = [np.abs(heard(p)).max() for p in rendered(scene, "--format", "pcm24").rglob("*.wav")]
    assert 0.97 < max(peaks) < 1.0


def test_names_that_make_one_file_together_are_refused(tmp_path: Path) -> None:
    """The stereo mix of a cue 'a_pair' is called as the pair's mix of a cue 'a' is."""
    cues = '[cues.a]\nsolo = "s.wav"\n[cues.A_pair]\nsolo = "s.wav"\n'
    scene = write_scene(tmp_path, {"s": noise()}, sections=SOLO, more=cues)
    done = run("render", scene, "-o", tmp_path / "out", "--quiet")
    assert done.exit_code == 2
    assert re.fullmatch(
        r"sitzprobe: .*scene\.toml:\d+: cue 'A_pair': two files would be called mix/A_pair\.wav, "
        r"the other of cue 'a'; rename a cue\n",
        done.stderr,
    ), done.stderr
    assert not (tmp_path / "out").exists()


def test_the_list_of_files_is_the_mix_its_arrays_their_capsules_and_the_stems() -> None:
    """In this order; the mix first, alone in a quick listen."""
    arrays = {"main": ["left", "right"], "room": ["mono"]}
    assert [(file.name, file.channels) for file in cue_files("a", arrays, ["solo"])] == [
        ("mix/a.wav", 2),
        ("mix/a_main.wav", 2),
        ("mix/a_room.wav", 2),
        ("mix/a_main_left.wav", 1),
        ("mix/a_main_right.wav", 1),
        ("mix/a_room_mono.wav", 1),
        ("stems/a_solo_main.wav", 2),
        ("stems/a_solo_room.wav", 2),
    ]
    assert [file.name for file in cue_files("a", arrays, ["solo"], mix_only=True)] == ["mix/a.wav"]


@pytest.mark.parametrize("gain", [0.1, 300.0])
def test_a_quick_listen_is_the_mix_at_a_loudness_that_is_safe(tmp_path: Path, gain: float) -> None:
    """Whatever level the scene has: −23 LUFS within 0.1 LU (EBU Tech 3341), as an independent meter reads it.

    But for the level it is the stereo mix, within −120 dB.
    """
    # The other meter takes a last block that isn't whole for a soft one, so the file is given a length.
    more = "[output]\nlength = 2.5\n"
    scene = write_scene(tmp_path / "cue", {"left": gain * noise(2.0), "right": gain * noise(2.0, seed=2)}, more=more)
    whole = heard(rendered(scene) / "mix" / "cue.wav")
    done = run("render", scene, "-o", tmp_path / "cue" / "out", "--quick", "--quiet")
    assert done.exit_code == 0, done.output
    (path,) = (tmp_path / "cue" / "out" / "quick").rglob("*.wav")
    assert path.name == "cue_quick.wav"
    quick = heard(path)
    factor = np.abs(quick).max() / np.abs(whole).max()
    assert below(quick, factor * whole) < -120.0
    meter = pyloudnorm.Meter(RATE, filter_class="DeMan")
    assert meter.integrated_loudness(quick.T) == pytest.approx(QUICK_LUFS, abs=0.1)
    report = report_of(path.parent.parent)
    (file,) = report["files"]
    assert file["lufs"] == pytest.approx(-23.0, abs=1e-3)
    assert file["peak_dbfs"] == pytest.approx(20 * np.log10(np.abs(quick).max()), abs=1e-3)
    assert report["warnings"][0] == (
        "a quick listen, not for delivery: the stereo mix alone, set to -23 LUFS or as loud as -1 dBTP allows"
    )


def test_a_quick_listen_never_peaks_above_its_ceiling(tmp_path: Path) -> None:
    """A click in 3 s of near silence would be set far above full scale by its loudness alone."""
    signal = 1e-4 * noise(3.0) + 0.1 * impulse(RATE, 3 * RATE)
    scene = write_scene(tmp_path / "cue", {"left": signal}, hall="")
    rendered(scene, "--quick")
    quick = heard(tmp_path / "cue" / "out" / "quick" / "mix" / "cue_quick.wav")
    dense = scipy.signal.resample_poly(quick, 8, 1, axis=1)
    # ITU-R BS.1770-4, annex 2: fourfold oversampling may read up to 0.17 dB low at 20 kHz (from memory).
    assert 20 * np.log10(np.abs(dense).max()) == pytest.approx(QUICK_DBTP, abs=0.2)


def test_a_quick_listen_without_a_loudness_is_only_ever_made_softer() -> None:
    """Too short or too soft to have one, its true peak counts; silence stays silence."""
    assert quick_gain_db(-30.0, -20.0) == 7.0
    assert quick_gain_db(-30.0, -3.0) == 2.0
    assert quick_gain_db(-10.0, -3.0) == -13.0
    assert quick_gain_db(None, -3.0) == -20.0
    assert quick_gain_db(None, -40.0) == 0.0
    assert quick_gain_db(None, None) == 0.0


def test_a_quick_listen_touches_nothing_of_the_render(tmp_path: Path) -> None:
    """Own folder, own names; of a passage too."""
    scene = many_cues(tmp_path / "scene", [0.5, 0.5])
    folder = rendered(scene, folder=tmp_path / "out")
    before = {p: p.stat().st_mtime_ns for p in folder.rglob("*") if p.is_file()}
    rendered(scene, "--quick", folder=folder)
    rendered(scene, "--quick", "--cue", "b", "--from", "0.2", folder=folder)
    assert {p: p.stat().st_mtime_ns for p in before} == before
    assert {p.relative_to(folder).as_posix() for p in (folder / "quick").rglob("*.wav")} == {
        "quick/mix/a_quick.wav",
        "quick/mix/b_quick.wav",
        "quick/passages/b_0.200-end_quick/mix/b_0.200-end_quick.wav",
    }


@pytest.mark.parametrize("options", [("--stems",), ("--format", "pcm16")])
def test_a_quick_listen_has_no_stems_and_no_other_format(tmp_path: Path, options: tuple[str, ...]) -> None:
    """Said, not ignored."""
    scene = write_scene(tmp_path / "cue", {"left": noise()})
    done = run("render", scene, "-o", tmp_path / "out", "--quick", "--quiet", *options)
    assert (done.exit_code, done.stderr) == (
        2,
        "sitzprobe: a quick listen is the stereo mix alone, in float32; leave out --quick, or --stems and --format\n",
    )


def test_a_cue_needs_its_own_stems_alone(tmp_path: Path) -> None:
    """A stem of another cue that is missing, or isn't sound, is told in the report and by a check, and costs nothing.

    Once it is there, what was rendered is still current.
    """
    scene = many_cues(tmp_path / "scene", [0.3, 0.3, 0.3])
    stems = {name: (tmp_path / "scene" / f"{name}.wav").read_bytes() for name in "bc"}
    (tmp_path / "scene" / "b.wav").unlink()
    (tmp_path / "scene" / "c.wav").write_bytes(b"no sound")
    done = run("render", scene, "-o", tmp_path / "out", "--quiet", "--cue", "a")
    assert done.exit_code == 0, done.output
    lines = [line for line in done.stderr.splitlines() if "left out of account" in line]
    assert len(lines) == 2
    assert re.match(r"warning: cue 'b' is left out of account: .*scene\.toml:\d+: .*b\.wav: no such file", lines[0])
    assert re.match(r"warning: cue 'c' is left out of account: .*c\.wav: not a sound file", lines[1])
    for name in "bc":
        (tmp_path / "scene" / f"{name}.wav").write_bytes(stems[name])
    done = run("render", scene, "-o", tmp_path / "out", "--quiet")
    assert "kept, rendered from the same before: a\n" in done.stdout


def test_what_can_be_read_of_a_broken_cue_decides_the_rate_and_the_halves(tmp_path: Path) -> None:
    """The samples of a cue are the same whether another is whole or lacks a stem, and once it is mended all is current.

    The broken cue has the only stereo stem of the solo section, and stems at 44.1 kHz that outnumber the other rate.
    """
    silent = np.zeros(4410, np.float32)
    stems = {"a": noise(0.3, seed=3), "b": np.stack([silent, silent]), "c": silent, "d": silent}
    sections = SOLO + "".join(SOLO.replace("solo", n).replace("-2.0", "2.0") for n in ("left", "mid", "right"))
    cues = (
        '[cues.one]\nsolo = "a.wav"\n[cues.two]\nleft = "missing.wav"\nsolo = "b.wav"\nmid = "c.wav"\nright = "d.wav"\n'
    )
    scene = write_scene(tmp_path / "scene", stems, sections=sections, more=cues, rate=44100)
    soundfile.write(scene.parent / "a.wav", stems["a"], RATE, "FLOAT")
    out = tmp_path / "out"
    done = run("render", scene, "-o", out, "--quiet", "--cue", "one")
    assert done.exit_code == 0, done.output
    assert soundfile.info(out / "mix" / "one.wav").samplerate == 44100
    # One stem can't outvote the two that 44.1 kHz is ahead by, but it may be a stereo one.
    assert done.stderr.splitlines()[1] == (
        "warning: stems that can't be read may change, for all cues, whether 'left' is seated as two halves "
        "(fold or channels would settle it)"
    )
    before = heard(out / "mix" / "one.wav")
    soundfile.write(scene.parent / "missing.wav", silent, 44100, "FLOAT")
    done = run("render", scene, "-o", out, "--quiet")
    assert "kept, rendered from the same before: one\n" in done.stdout
    np.testing.assert_array_equal(heard(out / "mix" / "one.wav"), before)


@pytest.mark.parametrize(
    ("rates", "unread", "keys", "said"),
    [
        ([44100, 48000, 48000], 0, "", []),
        ([44100, 48000, 48000], 1, "", ["the rate"]),
        ([48000, 48000, 48000], 2, "", []),
        ([48000, 48000], 2, "", ["the rate"]),
        ([48000, 48000], 2, "sample_rate = 48000\n", []),
    ],
)
def test_it_is_said_when_unread_stems_may_change_the_rate(
    tmp_path: Path, rates: list[int], unread: int, keys: str, said: list[str]
) -> None:
    """As many as the first rate is ahead of the next can make it another; not if the scene settles it."""
    names = [chr(97 + n) for n in range(len(rates) + unread)]
    cues = "".join(f'[cues.{name}]\nsolo = "{name}.wav"\n' for name in names)
    folded = SOLO + "fold = true\n"
    scene_file = read_scene(write_scene(tmp_path, {}, top=keys, sections=folded, more=cues))
    headers = {}
    for name, rate in zip(names, rates, strict=False):
        path = scene_file.path.parent / f"{name}.wav"
        headers[path] = StemInfo(path, rate, 1, 100, "FLOAT", 0)
    assert [text.partition(" (")[0] for text in undecided(scene_file, headers)] == said


@pytest.mark.parametrize("options", [(), ("--stems",), ("--audio",)])
def test_a_check_of_a_cue_warns_of_stems_that_others_lack(tmp_path: Path, options: tuple[str, ...]) -> None:
    """Without a cue's name all must be there: exit 2."""
    scene = many_cues(tmp_path / "scene", [0.3, 0.3])
    (tmp_path / "scene" / "b.wav").unlink()
    done = run("check", scene, "--cue", "a", *options)
    assert done.exit_code == 0, done.output
    assert re.search(r"^warning: cue 'b' can't be rendered: .*b\.wav: no such file", done.stderr, re.MULTILINE)
    for wrong in ((), ("--cue", "b")):
        done = run("check", scene, *wrong, *options)
        assert done.exit_code == 2
        assert re.search(r"^sitzprobe: .*b\.wav: no such file", done.stderr, re.MULTILINE)
    done = run("check", scene, "--cue", "c", *options)
    assert (done.exit_code, done.stderr) == (2, f"sitzprobe: {scene}: unknown cue 'c'; allowed: a, b\n")


def test_each_stem_s_header_is_read_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Over a network that counts; loudness and listening to the stems included."""
    import render.stems
    import render.voices

    read: list[Path] = []
    probe = render.stems.probe
    for module in (render.stems, render.voices):
        monkeypatch.setattr(module, "probe", lambda path: read.append(path) or probe(path))
    scene = many_cues(tmp_path / "scene", [0.6, 0.6])
    scene.write_text(scene.read_text() + "[output]\nloudness = -23\n")
    rendered(scene)
    assert sorted(path.name for path in read) == ["a.wav", "b.wav"]


@pytest.mark.parametrize("options", [(), ("--from", "0.5", "--to", "1.0")], ids=["whole", "a passage"])
def test_the_bar_moves_while_loudness_is_measured(tmp_path: Path, options: tuple[str, ...]) -> None:
    """What is measured is counted with what is written: it never stands still or goes back, and ends full."""
    from render.passage import Passage
    from render.session import render_scene

    told: list[float] = []
    scene = many_cues(tmp_path / "scene", [20.0])
    scene.write_text(scene.read_text() + "[output]\nloudness = -23\ntail = 0.5\n")
    passage = Passage(0.5, 1.0) if options else None
    render_scene(
        scene, tmp_path / "out", passage=passage,
        progress=lambda what, part: told.append(part) if what == "rendering a" else None,
    )  # fmt: skip
    assert told == sorted(told)
    assert told[-1] == 1.0
    before = 20.5 / (20.5 + (0.5 if options else 20.5))  # of all that is computed, what is measured first
    assert any(part == pytest.approx(before, abs=1e-9) for part in told)
    assert len([part for part in told if 0.0 < part < before]) >= 2


def test_files_of_an_earlier_render_stay_and_are_told(tmp_path: Path) -> None:
    """Of sections that were wanted then, in another format, of a cue that is gone: none is listed or removed."""
    scene = many_cues(tmp_path / "scene", [0.2, 0.2])
    folder = rendered(scene, "--stems", folder=tmp_path / "out")
    assert report_of(folder)["warnings"] == []
    (folder / "mix" / "notes.txt").write_text("mine")
    rendered(scene, folder=folder)
    report = report_of(folder)
    assert report["warnings"] == [
        f"not of this render and not in files.csv: stems/a_solo_pair.wav and 1 more in {folder}, from an earlier one "
        "perhaps"
    ]
    assert (folder / "stems" / "a_solo_pair.wav").is_file()
    assert "stems/a_solo_pair.wav" not in (folder / "files.csv").read_text()
    shutil.rmtree(folder / "stems")
    rendered(scene, folder=folder)
    assert report_of(folder)["warnings"] == []
