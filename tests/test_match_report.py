"""What a match leaves behind: a scene that renders, plain words, and sounds that can be compared."""

from __future__ import annotations

import json
from contextlib import nullcontext
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
import soundfile
from click.testing import CliRunner

from render import match_report
from render.cli import main
from render.loudness import LoudnessMeter
from render.match import Match, match_scene, target_of
from render.match_report import write_match
from render.match_words import plain_sentences, summary, unmatched
from render.measure import Measurement, measure_file
from render.scene_file import build_scene, read_scene
from rooms import catalogue
from rooms.errors import InputError
from rooms.matching import Candidate
from rooms.spectra import long_term_spectrum
from rooms.toml_reader import read_toml
from tests.small_scenes import write_scene

RATE = 16000
AIR = (20.0, 50.0)


def clap(folder: Path, T_s: float = 0.9) -> Path:
    """Write a clap in a room with an exponential decay, 60 dB over its noise; return its path."""
    random = np.random.default_rng(5)
    time = np.arange(int(1.5 * RATE)) / RATE
    sound = 0.02 * random.standard_normal(len(time)) * 10.0 ** (-3.0 * time / T_s)
    sound[0] = 0.5
    path = folder / "clap.wav"
    soundfile.write(path, np.concatenate([np.zeros(800), sound]) + 1e-5 * random.standard_normal(len(time) + 800), RATE)
    return path


def music(seed: int, seconds: float = 3.0) -> np.ndarray:
    """Return notes with stops, (samples,)."""
    time = np.arange(int(seconds * RATE)) / RATE
    notes = np.random.default_rng(seed).choice([220.0, 330.0, 440.0, 660.0], int(seconds) + 1)
    return 0.2 * np.sign(np.sin(2.0 * np.pi * notes[time.astype(int)] * time)) * (time % 1.0 < 0.7)


@cache
def matched(folder: Path) -> tuple[Measurement, Match]:
    """Return a small scene, its own hall adapted to a clap, in a folder."""
    found = measure_file(clap(folder))
    scene = write_scene(folder / "base", {"left": music(1), "right": music(2)}, rate=RATE)
    return found, match_scene(target_of(found, *AIR), read_scene(scene), [])


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("match")


def test_the_fitted_scene_renders_where_it_was_written(folder: Path) -> None:
    """Its stems are found from there; the first cue is rendered, and page and numbers are whole."""
    found, match = matched(folder)
    said = write_match(found, match, folder / "out")
    scene = read_scene(folder / "out" / "scene.toml")
    assert (folder / "out" / "scene.toml").read_text(encoding="utf-8").startswith("# Fitted to clap.wav: ")
    stems = [stem.path.resolve() for stem in scene.cues[0].stems.values()]
    assert stems == [(folder / "base" / f"{side}.wav").resolve() for side in ("left", "right")]
    assert (folder / "out" / "rendered" / "quick" / "mix" / "out_quick.wav").stat().st_size > 0
    numbers = json.loads((folder / "out" / "match.json").read_text(encoding="utf-8"))
    assert numbers["candidates"][0]["T_s"]["1000"] == pytest.approx(0.9, rel=0.1)
    assert numbers["sentences"] + numbers["cannot_be_matched"] == said
    page = (folder / "out" / "match.html").read_text(encoding="utf-8")
    assert all(line.replace("'", "&#39;") in page for line in said)
    assert page.count("data:image/png") == 1
    clarity, deviation = found.C80_db[4], found.C80_error_db[4]
    assert f"<td>{clarity:.1f}</td><td>{deviation:.1f}</td>" in page.replace("−", "-")
    assert "hearing" in page


def test_a_page_says_what_each_hall_misses_and_what_the_recording_does_not_tell(folder: Path) -> None:
    """Residuals of every candidate by measure, halls left behind, and reasons for dashes."""
    found, match = matched(folder)
    target = replace(match.target, T_s=0.8 * match.target.T_s, initial_gap_s=0.0123)
    match = replace(
        match,
        target=target,
        scene_file=replace(match.scene_file, cues=()),
        others={"barn": "too small", "nave": "far", "hut": "too small"},
    )
    write_match(found, match, folder / "told")
    page = (folder / "told" / "match.html").read_text(encoding="utf-8").replace("&#39;", "'")
    best = json.loads((folder / "told" / "match.json").read_text(encoding="utf-8"))["candidates"][0]
    for name, size in best["off_by_measure_jnd"].items():
        known = best["residuals_jnd"][name]
        known = [miss for miss in (known.values() if isinstance(known, dict) else [known]) if miss is not None]
        assert size == (pytest.approx(np.sqrt(np.mean(np.square(known))), abs=0.001) if known else None)
    assert f"<td>{best['off_by_measure_jnd']['C80_db']:.1f}</td>" in page
    assert "Looked at as well: barn, hut: too small." in page
    assert "Looked at as well: nave: far." in page
    low, high = match.target.T_low_s[6], match.target.T_high_s[6]  # not the recording's: what the misses are re
    row = f'<th scope="row">4000</th><td>{match.target.T_s[6]:.2f}</td><td>{low:.2f} … {high:.2f}</td>'
    assert row in page
    assert "Reverberation time at 8000, 16000 Hz: not measurable: the octave reaches above half the sample" in page
    assert "Width: one channel has none." in page
    assert "First reflection after the direct sound: recording 12.3 ms" in page


def test_a_hall_without_room_is_told_from_one_that_is_farther_off(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fifty players don't fit into a recital room; of two halls that hold them the fit keeps one."""
    _, match = matched(folder)
    stage = replace(match.candidates[0], name="scoring-stage")
    monkeypatch.setattr("render.match.fit_halls", lambda *_given, **_named: [stage])
    found = match_scene(match.target, read_scene(catalogue.demo()), ["recital-room", "scoring-stage", "ballroom"])
    assert found.others == {
        "recital-room": "no room for the sections at any size that is tried",
        "ballroom": "others come nearer",
    }


def test_every_bar_of_a_match_gets_to_its_end(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Or what is long done looks stuck."""
    _, match = matched(folder)
    told: dict[str, float] = {}
    monkeypatch.setattr("render.cli.progress_bars", lambda _quiet: nullcontext(told.__setitem__))
    arguments = ["match", str(folder / "clap.wav"), "--own-hall", "--scene", str(match.scene_file.path)]
    done = CliRunner().invoke(main, [*arguments, "-o", str(folder / "bars")])
    assert done.exit_code == 0, done.stderr
    assert {"recording", "halls", "sounds and page"} <= told.keys()
    assert set(told.values()) == {1.0}


def test_sounds_to_compare_are_equally_loud_and_below_the_ceiling(folder: Path) -> None:
    """The recording, the cue and both: within 0.1 LU of each other, at most −23 LUFS and −1 dBTP; a filter beside."""
    found, match = matched(folder)
    path = folder / "session.wav"
    soundfile.write(path, music(3, 4.0), RATE)
    write_match(replace(found, kind="music", path=path), match, folder / "music")
    levels, peaks = [], []
    for name in ("recording", "cue", "both"):
        samples, rate = soundfile.read(folder / "music" / "listening" / f"{name}.flac", dtype="float32")
        meter = LoudnessMeter(rate, 2)
        meter.add(np.ascontiguousarray(samples.T))
        heard = meter.result()
        assert heard.lufs is not None
        levels.append(heard.lufs)
        peaks.append(heard.true_peak_dbtp)
    assert max(levels) - min(levels) < 0.1
    assert max(levels) <= -22.9
    assert max(peaks) <= -0.9
    response, _ = soundfile.read(folder / "music" / "correction.wav")
    assert np.argmax(np.abs(response)) < 10
    gains = json.loads((folder / "music" / "match.json").read_text(encoding="utf-8"))["correction_db"]
    assert max(abs(gain) for gain in gains.values()) <= 6.0
    page = (folder / "music" / "match.html").read_text(encoding="utf-8")
    assert page.count("data:image/png") == 2
    assert "what rings on by itself" in page
    assert "Blind test" in page


def test_the_channel_that_was_measured_is_the_one_that_is_heard(folder: Path) -> None:
    """The third of three, a phrase after a second of silence; the others sound from the start."""
    found, match = matched(folder)
    path = folder / "three.wav"
    third = np.concatenate([np.zeros(RATE), music(3, 3.0)])
    soundfile.write(path, np.stack([music(1, 4.0), music(2, 4.0), third], axis=1), RATE)
    write_match(replace(found, kind="music", path=path, chosen=(3,)), match, folder / "third")
    samples, _ = soundfile.read(folder / "third" / "listening" / "recording.flac")
    assert np.abs(samples[: RATE // 2]).max() < 1e-4  # dither
    assert np.abs(samples[RATE : 2 * RATE]).max() > 0.01


def test_no_other_recordings_sounds_are_left_beside_a_page(folder: Path) -> None:
    """A clap after music: its filter and its sounds go; what the user put there stays."""
    found, match = matched(folder)
    path = folder / "before.wav"
    soundfile.write(path, music(3, 4.0), RATE)
    home = folder / "again"
    write_match(replace(found, kind="music", path=path), match, home)
    mine = home / "listening" / "mine.flac"
    mine.write_bytes(b"mine")
    write_match(found, match, home)
    assert not (home / "correction.wav").exists()
    assert [path.name for path in (home / "listening").iterdir()] == ["mine.flac"]
    assert (home / "rendered" / "quick" / "mix" / "again_quick.wav").exists()
    numbers = json.loads((home / "match.json").read_text(encoding="utf-8"))
    there = {path.relative_to(home).as_posix() for path in home.rglob("*") if path.is_file()}
    assert set(numbers["files"]) == there - {"listening/mine.flac"}


def test_a_recordings_noise_is_not_what_the_cue_is_corrected_to(folder: Path) -> None:
    """Nothing but noise above 1.5 kHz: the correction goes on level there, and the cue's own treble stays."""
    found, match = matched(folder)
    path = folder / "noisy.wav"
    low = scipy.signal.butter(12, 1000.0, fs=RATE, output="sos")
    noise = 2e-3 * np.random.default_rng(1).standard_normal(4 * RATE)
    sound = scipy.signal.sosfilt(low, music(3, 4.0)) + noise
    soundfile.write(path, sound, RATE, "FLOAT")
    spectrum = long_term_spectrum(sound[None], RATE)
    write_match(replace(found, kind="music", path=path, spectrum_db=spectrum), match, folder / "noisy")
    gains = json.loads((folder / "noisy" / "match.json").read_text(encoding="utf-8"))["correction_db"]
    above = [gain for frequency, gain in gains.items() if float(frequency) > 4000.0]  # an octave and more above
    assert max(above) - min(above) < 0.3


def test_words_say_which_way_and_how_far(folder: Path) -> None:
    """A tail a third longer above 4 kHz, 3 dB clearer, the first reflection 20 ms later."""
    _, match = matched(folder)
    nothing = np.full(9, np.nan)
    target = replace(
        match.target, T_s=np.full(9, 1.5), EDT_s=nothing, C80_db=np.zeros(9), drr_db=nothing, initial_gap_s=0.010
    )
    candidate = match.candidates[0]
    predicted = replace(
        candidate.predicted,
        T_s=np.array([1.5] * 6 + [2.0] * 3),
        C80_db=np.full(9, 3.0),
        initial_gap_s=0.030,
    )
    other: Candidate = replace(candidate, predicted=predicted)
    assert plain_sentences(target, other.predicted) == [
        "Your tail is as long as the recording's up to 250 Hz.",
        "Your tail is as long as the recording's from 500 Hz to 2 kHz.",
        "Your tail is 33 % longer than the recording's from 4 kHz up, 5.9 just-noticeable differences.",
        "The sections sound clearer than in the recording, by 3.0 dB.",
        "The first reflection comes 20 ms later than in the recording.",
    ]
    unknown = replace(target, T_s=np.array([np.nan] * 3 + [1.5] * 6))
    assert plain_sentences(unknown, other.predicted)[0] == ("Whether the tails are alike up to 250 Hz can't be told.")


def test_what_the_recording_leaves_open_is_not_called_off(folder: Path) -> None:
    """Music that tells T to 20 % and clarity to 4 dB as a standard deviation: 10 % and 3 dB off may be none."""
    _, match = matched(folder)
    candidate = match.candidates[0]
    T_s, nothing = np.full(9, 1.5), np.full(9, np.nan)
    sure = replace(
        match.target,
        T_s=T_s,
        T_low_s=0.99 * T_s,
        T_high_s=1.01 * T_s,
        EDT_s=nothing,
        drr_db=nothing,
        C80_db=np.zeros(9),
        C80_error_db=np.full(9, 0.5),
        correlation=nothing,
        initial_gap_s=np.nan,
        as_played=True,
    )
    unsure = replace(sure, T_low_s=0.8 * T_s, T_high_s=1.2 * T_s, C80_error_db=np.full(9, 4.0))
    found = replace(candidate, predicted=replace(candidate.predicted, T_s=1.1 * T_s, C80_db=np.full(9, 3.0)))
    assert len(unmatched(sure, found)) == 9 + 1  # octaves, and clarity
    assert unmatched(unsure, found) == []
    said, doubted = (plain_sentences(target, found.predicted) for target in (sure, unsure))
    assert not any("may be alike" in line for line in said)
    assert doubted[0] == (
        "Your tail is 10 % longer than the recording's up to 250 Hz, 2.0 just-noticeable differences; it doesn't tell "
        "that so exactly, so they may be alike."
    )
    assert doubted[-1] == (
        "The sections sound clearer than in the recording, by 3.0 dB; it tells that to 6.6 dB either way, so they may "
        "be alike."
    )
    response = replace(unsure, as_played=False)  # octaves scatter independently: 6.6 dB of four are 3.3 dB
    assert "to 3.3 dB either way" in plain_sentences(response, found.predicted)[-1]


def test_the_scene_that_is_fitted_is_not_overwritten(folder: Path) -> None:
    found, match = matched(folder)
    before = match.scene_file.path.read_bytes()
    with pytest.raises(InputError, match="choose another folder with -o"):
        write_match(found, match, folder / "base")
    assert match.scene_file.path.read_bytes() == before


def test_presets_of_ones_own_are_copied_and_never_replaced(folder: Path) -> None:
    """A hall beside the scene goes along; one of the same name that somebody else has there stays."""
    found, _ = matched(folder)
    scene = write_scene(folder / "owner", {"left": music(1), "right": music(2)}, rate=RATE)
    hall = scene.parent / "presets" / "halls" / "barn.toml"
    hall.parent.mkdir(parents=True)
    hall.write_text('preset = "wooden-barn"\n', encoding="utf-8")
    match = match_scene(target_of(found, *AIR), read_scene(scene), [])
    silent = replace(match, scene_file=replace(match.scene_file, cues=()))
    home = folder / "with-presets"
    copy = home / "presets" / "halls" / "barn.toml"
    write_match(found, silent, home)
    assert copy.read_bytes() == hall.read_bytes()
    hall.write_text('preset = "ballroom"\n', encoding="utf-8")
    write_match(found, silent, home)  # the copy is as the last match left it
    assert copy.read_bytes() == hall.read_bytes()
    copy.write_text('preset = "scoring-stage"\n', encoding="utf-8")
    with pytest.raises(InputError, match=r"barn.toml: was changed since a match wrote it"):
        write_match(found, silent, home)
    (home / "match.json").unlink()
    (home / "scene.toml").unlink()
    with pytest.raises(InputError, match=r"barn.toml: is there already, and no match wrote it"):
        write_match(found, silent, home)
    assert "scoring-stage" in copy.read_text(encoding="utf-8")


def test_a_match_that_fails_leaves_the_folder_as_it_was(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The page can't be made: neither the scene nor the sounds of before are replaced, and nothing is left lying."""
    found, match = matched(folder)
    home = folder / "kept"
    silent = replace(match, scene_file=replace(match.scene_file, cues=()))
    write_match(found, silent, home)
    before = {path.name: path.read_bytes() for path in home.iterdir()}

    def fails(*_arguments: object, **_named: object) -> str:
        raise InputError("no page")

    monkeypatch.setattr(match_report, "page", fails)
    with pytest.raises(InputError, match="no page"):
        write_match(found, silent, home)
    assert {path.name: path.read_bytes() for path in home.iterdir()} == before


def test_a_scene_of_ones_own_is_never_replaced(folder: Path) -> None:
    """One that no match wrote, and one that was worked on since; another match over an untouched one is fine."""
    found, match = matched(folder)
    silent = replace(match, scene_file=replace(match.scene_file, cues=()))
    home = folder / "mine"
    home.mkdir()
    scene = home / "scene.toml"
    scene.write_text("title = 'Mine'", encoding="utf-8")
    with pytest.raises(InputError, match=r"is there already, and no match wrote it; choose another folder with -o"):
        write_match(found, silent, home)
    assert scene.read_text(encoding="utf-8") == "title = 'Mine'"
    scene.unlink()
    write_match(found, silent, home)
    write_match(found, silent, home)
    scene.write_text(scene.read_text(encoding="utf-8") + "# worked on\n", encoding="utf-8")
    mine = scene.read_bytes()
    done = CliRunner().invoke(main, ["match", str(folder / "clap.wav"), "--own-hall", "-o", str(home)])
    assert (done.exit_code, done.stderr.count("\n")) == (2, 1)
    assert "was changed since a match wrote it" in done.stderr
    assert scene.read_bytes() == mine


def test_a_scene_without_stems_gets_no_audio_and_says_so(folder: Path) -> None:
    found, match = matched(folder)
    path = folder / "silent" / "scene.toml"
    path.parent.mkdir()
    path.write_text((folder / "base" / "scene.toml").read_text(encoding="utf-8").replace("stem =", "# stem ="))
    write_match(found, replace(match, scene_file=build_scene(read_toml(path))), folder / "quiet")
    assert sorted(p.name for p in (folder / "quiet").iterdir()) == ["match.html", "match.json", "scene.toml"]


def test_a_line_says_what_was_done_to_the_scene_and_nothing_else(folder: Path) -> None:
    """Only what changes is named."""
    _, match = matched(folder)
    plain = replace(match.candidates[0], plan_scale=1.0, distance=3.0, height=3.2, spot_db=0.0, downstage=0.0)
    assert summary(plain) == "main array 3.0 m behind the conductor and 3.2 m up"
    other = replace(plain, plan_scale=1.12, width=1.4, spot_db=3.0, far_db=-6.0, downstage=-2.0)
    assert summary(other) == (
        "plan × 1.12, main array 3.0 m behind the conductor and 3.2 m up, its width × 1.4, spots +3 dB, "
        "ambience −6 dB, ensemble 2 m farther from the audience"
    )


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (["nothing.wav"], "nothing.wav"),
        (["clap.wav", "--hall", "scoring-stag"], "did you mean 'scoring-stage'?"),
        (["clap.wav", "--hall", "scoring-stage", "--own-hall"], "exclude each other"),
        (["clap.wav", "--scene", "nowhere.toml"], "nowhere.toml"),
        (["noise.wav"], "noise.wav: no band has a reverberation time; record ten seconds with a stop, or a clap"),
        ([f"{'x' * 300}.wav"], "x.wav: File name too long"),
        (["clap.wav", "-o", "x" * 300], "cannot write to xxx"),
        (["clap.wav", "-o", "clap.wav"], "cannot write to clap.wav; choose a folder you can write to"),
    ],
)
def test_what_cannot_be_matched_is_one_line(
    folder: Path, arguments: list[str], line: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    clap(folder)
    soundfile.write(folder / "noise.wav", 0.1 * np.random.default_rng(0).standard_normal(4 * RATE), RATE)
    monkeypatch.chdir(folder)
    done = CliRunner().invoke(main, ["match", "-o", "nowhere", *arguments])
    assert done.exit_code == 2
    assert done.stderr.count("\n") == 1
    assert line in done.stderr
    assert not (folder / "nowhere").exists()
