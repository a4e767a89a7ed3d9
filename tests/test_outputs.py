"""The files of a render: where they end, what is in them, how loud they are, and that they add up."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import numpy as np
import pyloudnorm
import pytest
import soundfile

from render.tail import FADE_S, INAUDIBLE_DBFS
from tests.small_scenes import (
    ARRAYS,
    RATE,
    below,
    contents,
    heard,
    impulse,
    noise,
    rendered,
    report_of,
    run,
    write_scene,
)

pytestmark = pytest.mark.usefixtures("no_figures")
ROOM = '[arrays.room]\nposition = [0, -4, 3]\ncapsules = [{name = "left", at = [-1, 0, 0]}, {name = "right"}]\n'
THREE = ROOM.replace('{name = "right"}', '{name = "middle"}, {name = "right", at = [1, 0, 0]}')
STEMS = {"left": noise(1.0), "right": noise(0.6, seed=2)}


def files_of(folder: Path) -> list[dict[str, Any]]:
    """Return what the report says of each file."""
    found: list[dict[str, Any]] = report_of(folder)["files"]
    return found


def test_all_files_of_a_cue_end_together_where_none_is_audible(tmp_path: Path) -> None:
    """The same samples as with a long tail up to the fade, and nothing of −90 dBFS or more is left out."""
    scene = write_scene(tmp_path / "a", STEMS, arrays=ARRAYS + ROOM)
    long = write_scene(tmp_path / "b", STEMS, arrays=ARRAYS + ROOM, more="[output]\ntail = 2.0\n")
    cut, whole = rendered(scene, "--stems"), rendered(long, "--stems")
    lengths = {soundfile.info(path).frames for path in cut.rglob("*.wav")}
    assert len(lengths) == 1
    (length,) = lengths
    fade = round(FADE_S * RATE)
    left_out = 0.0
    for path in cut.rglob("*.wav"):
        short = heard(path)
        full = heard(whole / path.parent.name / path.name.replace("a", "b", 1))
        assert full.shape[1] == 3 * RATE
        np.testing.assert_array_equal(short[:, : length - fade], full[:, : length - fade])
        assert np.abs(full[:, length - fade :]).max() < 10 ** (INAUDIBLE_DBFS / 20)
        left_out = max(left_out, float(np.abs(full[:, length - fade - 1]).max()))
    assert left_out >= 10 ** (INAUDIBLE_DBFS / 20)  # no later than needed


@pytest.mark.parametrize(("key", "samples"), [("length = 2.5", 120_000), ("tail = 0.25", 60_000), ("tail = 0", 48_000)])
def test_a_given_end_is_kept_to_the_sample_in_every_file(tmp_path: Path, key: str, samples: int) -> None:
    """From the start of the cue, or from the end of the longest stem."""
    folder = rendered(write_scene(tmp_path, STEMS, more=f"[output]\n{key}\n"), "--stems")
    assert {soundfile.info(path).frames for path in folder.rglob("*.wav")} == {samples}
    assert {file["samples"] for file in files_of(folder)} == {samples}


def test_a_length_that_cuts_the_music_is_said(tmp_path: Path) -> None:
    """In the report and on the terminal."""
    scene = write_scene(tmp_path / "a", STEMS, more="[output]\nlength = 0.5\n")
    done = run("render", scene, "-o", tmp_path / "out", "--quiet")
    assert done.exit_code == 0
    assert "warning: cue 'a': cut at 0.5 s; its stems last 1 s\n" in done.stderr


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ("length = 1.0\ntail = 1.0", "length and tail exclude each other; keep one"),
        ("true_peak = -2.0", "give loudness, too"),
        ("length = 0", "greater than 0|above 0"),
        ("loudness = 3.0", "loudness"),
        ("lenght = 1.0", "length"),
    ],
)
def test_bad_keys_are_one_line_that_names_them(tmp_path: Path, keys: str, message: str) -> None:
    """With status 2."""
    scene = write_scene(tmp_path, STEMS, more=f"[output]\n{keys}\n")
    done = run("render", scene, "-o", tmp_path / "out", "--quiet")
    assert done.exit_code == 2
    assert len(done.stderr.splitlines()) == 1
    assert "scene.toml" in done.stderr
    import re

    assert re.search(message, done.stderr)


def test_capsules_share_a_file_on_request_in_order_and_are_no_loudspeakers(tmp_path: Path) -> None:
    """The very samples of the single files; three microphones carry no loudspeaker label (mask 0)."""
    single = rendered(write_scene(tmp_path / "a", STEMS, arrays=THREE))
    folder = rendered(write_scene(tmp_path / "b", STEMS, arrays=THREE, more="[output]\ninterleaved = true\n"))
    together = heard(folder / "mix" / "b_room_capsules.wav")
    alone = [heard(single / "mix" / f"a_room_{name}.wav")[0] for name in ("left", "middle", "right")]
    np.testing.assert_array_equal(together, alone)
    assert not (folder / "mix" / "b_room_left.wav").exists()
    (file,) = (f for f in files_of(folder) if f["path"] == "mix/b_room_capsules.wav")
    assert file["channel_names"] == ["room left", "room middle", "room right"]
    assert file["lufs"] is None
    assert file["reason"] == "microphones are no loudspeaker signals"
    data = (folder / "mix" / "b_room_capsules.wav").read_bytes()
    assert int.from_bytes(data[(at := data.index(b"fmt ") + 28) : at + 4], "little") == 0
    assert b"<NAME>room middle</NAME>" in data
    mix = (folder / "mix" / "b.wav").read_bytes()
    assert int.from_bytes(mix[(at := mix.index(b"fmt ") + 28) : at + 4], "little") == 3  # front left and right


def test_flac_files_hold_what_wave_files_would(tmp_path: Path) -> None:
    """Bit by bit; an array of three interleaved is refused, for FLAC would label it as loudspeakers."""
    scene = write_scene(tmp_path / "a", STEMS)
    waves, flacs = (rendered(scene, "--format", kind, folder=tmp_path / kind) for kind in ("pcm24", "flac24"))
    names = sorted(path.stem for path in (flacs / "mix").glob("*.flac"))
    assert names == sorted(path.stem for path in (waves / "mix").glob("*.wav"))
    for name in names:
        wave, flac = (
            soundfile.read(p, dtype="int32")[0] for p in (waves / f"mix/{name}.wav", flacs / f"mix/{name}.flac")
        )
        np.testing.assert_array_equal(flac, wave)
    three = write_scene(tmp_path / "b", STEMS, arrays=THREE, more="[output]\ninterleaved = true\n")
    done = run("render", three, "-o", tmp_path / "out", "--quiet", "--format", "flac24")
    assert done.exit_code == 2
    assert "FLAC takes more than two channels for loudspeakers" in done.stderr


@pytest.mark.parametrize("lufs", [-23.0, -16.0])
def test_a_cue_set_to_a_loudness_reads_it_in_an_independent_meter(tmp_path: Path, lufs: float) -> None:
    """Within 0.1 LU (EBU Tech 3341). One gain: all other files are the plain render's times it, within −120 dB."""
    plain = rendered(write_scene(tmp_path / "a", STEMS, more="[output]\nlength = 2.0\n"), "--stems")
    more = f"[output]\nlength = 2.0\nloudness = {lufs}\n"
    folder = rendered(write_scene(tmp_path / "b", STEMS, more=more), "--stems")
    meter = pyloudnorm.Meter(RATE, filter_class="DeMan")
    assert meter.integrated_loudness(heard(folder / "mix" / "b.wav").T) == pytest.approx(lufs, abs=0.1)
    gains = {file["gain_db"] for file in files_of(folder)}
    assert len(gains) == 1
    (gain_db,) = gains
    assert abs(gain_db) > 1.0
    for path in folder.rglob("*.wav"):
        before = heard(plain / path.parent.name / path.name.replace("b", "a", 1))
        assert below(heard(path), 10 ** (gain_db / 20) * before) < -120.0


def test_the_ceiling_holds_a_cue_back_and_it_is_said(tmp_path: Path) -> None:
    """White noise peaks more than 10 dB above its loudness, so −10 LUFS can't be had below −6 dBTP."""
    more = "[output]\nlength = 2.0\nloudness = -10.0\ntrue_peak = -6.0\n"
    scene = write_scene(tmp_path / "a", STEMS, more=more)
    done = run("render", scene, "-o", tmp_path / "out", "--quiet")
    mix = files_of(tmp_path / "out")[0]
    assert mix["true_peak_dbtp"] == pytest.approx(-6.0, abs=0.01)
    assert mix["lufs"] < -10.1
    assert f"set to {mix['lufs']:.1f} LUFS, not -10, to stay below -6 dBTP" in done.stderr


def test_silence_is_not_set_to_a_loudness_and_it_is_said(tmp_path: Path) -> None:
    """Nothing is made of nothing."""
    silence = {"left": np.zeros(RATE), "right": np.zeros(RATE)}
    scene = write_scene(tmp_path / "a", silence, more="[output]\nloudness = -23.0\n")
    done = run("render", scene, "-o", tmp_path / "out", "--quiet")
    assert done.exit_code == 0, done.output
    assert "not set to -23 LUFS, for it has no loudness: nowhere above the gate at -70 LUFS" in done.stderr
    assert {file["gain_db"] for file in files_of(tmp_path / "out")} == {0.0}
    assert not heard(tmp_path / "out" / "mix" / "a.wav").any()


def test_the_list_has_every_sound_file_and_the_report_s_numbers(tmp_path: Path) -> None:
    """One row each, in the report's order."""
    folder = rendered(write_scene(tmp_path, STEMS), "--stems")
    with (folder / "files.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["path"] for row in rows] == [file["path"] for file in files_of(folder)]
    assert {row["path"] for row in rows} == {name for name in contents(folder) if name.endswith(".wav")}
    for row, file in zip(rows, files_of(folder), strict=True):
        assert int(row["length_samples"]) == soundfile.info(folder / row["path"]).frames
        assert float(row["peak_dbfs"]) == pytest.approx(file["peak_dbfs"], abs=0.005)


def test_stems_add_up_to_arrays_and_arrays_to_the_mix(tmp_path: Path) -> None:
    """In float32, within −120 dB."""
    folder = rendered(write_scene(tmp_path, STEMS, arrays=ARRAYS + ROOM), "--stems")
    cue = tmp_path.name
    total = []
    for array in ("pair", "room"):
        total.append(heard(folder / "mix" / f"{cue}_{array}.wav"))
        parts = [heard(folder / "stems" / f"{cue}_{section}_{array}.wav") for section in STEMS]
        assert below(sum(parts), total[-1]) < -120.0
    assert below(sum(total), heard(folder / "mix" / f"{cue}.wav")) < -120.0


@pytest.mark.parametrize("rate", [44100, 48000])
def test_an_output_rate_other_than_the_stems_shifts_nothing(tmp_path: Path, rate: int) -> None:
    """Stems at 96 kHz: the direct sound arrives within a twentieth of a sample of where the stems' own rate has it.

    The time is that of the cross-spectrum's phase over 1 to 8 kHz.
    """
    at = 0.1
    spectra = []
    frequency = np.linspace(1000.0, 8000.0, 200)
    for name, top in (("own", ""), ("other", f"sample_rate = {rate}\n")):
        stems = {"left": impulse(round(at * 96000), 48000), "right": np.zeros(48000)}
        folder = rendered(write_scene(tmp_path / name, stems, top=top, rate=96000))
        path = folder / "mix" / f"{name}_pair_left.wav"
        found = soundfile.info(path).samplerate
        assert found == (96000 if name == "own" else rate)
        signal = heard(path)[0, : round((at + 0.0085) * found)]
        time = np.arange(signal.size) / found
        spectra.append(np.exp(-2j * np.pi * frequency[:, None] * time) @ signal)
    phase = np.unwrap(np.angle(spectra[1] / spectra[0]))
    late_s = -np.polyfit(2 * np.pi * frequency, phase, 1)[0]
    assert abs(late_s) < 0.05 / rate


@pytest.mark.parametrize("at", [0, 1, 30_000, 65_536, 300_000])
def test_an_impulse_stem_gives_the_whole_response_at_its_sample(tmp_path: Path, at: int) -> None:
    """File by file: every capsule's response, as computed for the scene, from the impulse's sample to its end.

    Nothing before it; the rest is what single precision leaves, −120 dB.
    """
    from render.console import set_console
    from render.scene_file import read_scene
    from rooms.responses import compute_responses

    top = "[mix]\ngain = 0.0\n"
    stems = {"left": impulse(at, at + 1, 0.5), "right": np.zeros(at + 1, np.float32)}
    path = write_scene(tmp_path / "a", stems, arrays=ARRAYS + ROOM, more=top + "[output]\ntail = 3.0\n")
    scene = read_scene(path)
    console = set_console(scene, compute_responses(scene.scene(RATE)))
    folder = rendered(path)
    samples = console.responses.shape[2]
    assert 0.2 * RATE < samples < 3 * RATE
    for m, (array, capsule) in enumerate(console.capsules):
        wanted = np.zeros(at + 1 + 3 * RATE)
        wanted[at : at + samples] = 0.5 * console.responses[0, m]
        assert below(heard(folder / "mix" / f"a_{array}_{capsule}.wav")[0], wanted) < -120.0


def test_cues_of_different_lengths_share_a_scene(tmp_path: Path) -> None:
    """Each is as long as its own stems and tail, and has the samples that it has alone."""
    stems = {"left": noise(1.0), "right": noise(0.25, seed=2)}
    cues = '[cues.long]\nleft = "left.wav"\nright = "right.wav"\n[cues.short]\nright = "right.wav"\n'
    for name, said in (("both", cues), ("one", cues.partition("[cues.short]")[0])):
        folder = tmp_path / name
        scene = write_scene(folder, {}, more=said)
        for section, samples in stems.items():
            soundfile.write(folder / f"{section}.wav", samples, RATE, "FLOAT")
        rendered(scene)
    lengths = {n: soundfile.info(tmp_path / "both" / "out" / "mix" / f"{n}.wav").frames for n in ("long", "short")}
    assert lengths["long"] > RATE + lengths["short"] - 12_000 - 4800
    assert 12_000 < lengths["short"] < 12_000 + RATE
    both, one = (contents(tmp_path / name / "out" / "mix") for name in ("both", "one"))
    for name in (name for name in one if name.endswith(".wav")):
        assert both[name] == one[name]
    files = {file["path"]: file["samples"] for file in files_of(tmp_path / "both" / "out")}
    assert {files[name] for name in files if "long" in name} == {lengths["long"]}
    assert {files[name] for name in files if "short" in name} == {lengths["short"]}
