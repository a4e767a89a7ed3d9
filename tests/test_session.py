"""What goes in comes out where and as loud as the scene says: impulses, silence, gains, delays, rates, cues."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.small_scenes import (
    ARRAYS,
    RATE,
    SOLO,
    below,
    contents,
    hall_text,
    heard,
    impulse,
    noise,
    rendered,
    report_of,
    run,
    time_reference,
    with_time_reference,
    write_scene,
)

SPEED = 343.2  # m/s at 20 °C (ISO 9613-1:1993, eq. A.5: 343.2·√(T/T0), T0 = 293.15 K)
pytestmark = pytest.mark.usefixtures("no_figures")
LONG = "[output]\ntail = 1.0\n"
"""Longer than any response here, so that nothing of the tail fades."""


def distance(capsule: tuple[float, float, float]) -> float:
    """From the player of SOLO, in m."""
    return float(np.linalg.norm(np.array(capsule) - (-2.0, 2.0, 1.5)))


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_an_impulse_comes_out_at_the_time_and_level_of_its_distance(tmp_path: Path, rate: int) -> None:
    """Sound takes r/c and falls with 1/r; the walls take all but 1 %, and the mix gain is in dB.

    Time within a sample, level within 0.1 dB, in the band (0.5 to 4 kHz) where air takes less than 0.02 dB in 3 m
    (ISO 9613-1: 25 dB/km at 4 kHz); at 44.1, 48 and 96 kHz.
    """
    at = round(0.01 * rate)
    scene = write_scene(
        tmp_path,
        {"solo": impulse(at, rate // 10)},
        hall=hall_text(0.99, 0.0),
        sections=SOLO,
        more="[mix]\ngain = 6.0\n",
        rate=rate,
    )
    folder = rendered(scene)
    report = report_of(folder)
    for side, x in (("left", -0.5), ("right", 0.5)):
        response = heard(folder / "mix" / f"{tmp_path.name}_pair_{side}.wav")[0]
        far = distance((x, 0.0, 2.0))
        stated = next(r for r in report["responses"] if r["capsule"] == side)
        assert stated["arrival_s"] == pytest.approx(far / SPEED, abs=1.0 / rate)
        assert abs(int(np.argmax(np.abs(response))) - (at + stated["arrival_s"] * rate)) <= 1.0
        direct = response[at : at + round((far / SPEED + 0.001) * rate)]
        frequency = np.fft.rfftfreq(1 << 14, 1.0 / rate)
        spectrum = np.abs(np.fft.rfft(direct, 1 << 14))[(frequency > 500.0) & (frequency < 4000.0)]
        level = 10.0 * np.log10(np.mean(spectrum**2))
        assert level == pytest.approx(6.0 - 20.0 * np.log10(far), abs=0.1)
        assert level == pytest.approx(6.0 + stated["direct_db"], abs=0.1)


def test_nothing_comes_before_the_direct_sound(tmp_path: Path) -> None:
    """More than 1 ms before it, the response is 60 dB down (design: nothing audible before the direct arrival)."""
    folder = rendered(write_scene(tmp_path, {"solo": impulse(100)}, sections=SOLO))
    response = heard(folder / "mix" / f"{tmp_path.name}_pair_left.wav")[0]
    arrival = 100 + round(distance((-0.5, 0.0, 2.0)) / SPEED * RATE)
    before = np.abs(response[: arrival - RATE // 1000]).max()
    assert before < 1e-3 * np.abs(response).max()


def test_silence_in_is_silence_out(tmp_path: Path) -> None:
    """No level and no loudness, with a reason; no crash."""
    folder = rendered(write_scene(tmp_path, {"left": np.zeros(RATE), "right": np.zeros(RATE)}))
    for file in report_of(folder)["files"]:
        assert not np.any(heard(folder / file["path"]))
        assert (file["peak_dbfs"], file["lufs"], file["true_peak_dbtp"]) == (None, None, None)
        assert file["reason"]
    assert ", silence\n" in run("render", tmp_path / "scene.toml", "-o", folder, "--quiet").stdout


def test_the_same_scene_gives_the_same_bytes_and_another_seed_does_not(tmp_path: Path) -> None:
    """Audio files byte by byte, dither included; with another seed only the late field differs, and hardly in level."""
    scene = write_scene(tmp_path, {"left": noise(), "right": noise(seed=2)}, top="seed = 1", more=LONG)
    first, again, other = (tmp_path / name for name in ("first", "again", "other"))
    for folder in (first, again):
        rendered(scene, "--stems", "--format", "pcm24", folder=folder)
    waves = [{name: data for name, data in contents(f).items() if name.endswith(".wav")} for f in (first, again)]
    assert len(waves[0]) == 1 + 1 + 2 + 2
    assert waves[0] == waves[1]
    scene.write_text(scene.read_text().replace("seed = 1", "seed = 2"))
    rendered(scene, folder=other)
    mixes = [heard(folder / "mix" / f"{tmp_path.name}.wav") for folder in (first, other)]
    assert below(mixes[1], mixes[0]) > -60.0
    assert 10.0 * np.log10(np.mean(mixes[1] ** 2) / np.mean(mixes[0] ** 2)) == pytest.approx(0.0, abs=1.0)


def test_stems_do_not_change_the_mix(tmp_path: Path) -> None:
    """Asking for stems groups the voices otherwise; the mix stays within −120 dB."""
    scene = write_scene(tmp_path, {"left": noise(), "right": noise(seed=2)})
    plain, grouped = rendered(scene, folder=tmp_path / "a"), rendered(scene, "--stems", folder=tmp_path / "b")
    assert not (plain / "stems").exists()
    one, two = (heard(folder / "mix" / f"{tmp_path.name}.wav") for folder in (plain, grouped))
    assert below(two, one) < -120.0


def altered(tmp_path: Path, **changes: str) -> tuple[np.ndarray, np.ndarray]:
    """Render a scene of noise plain and with changes; return both stereo mixes, of equal length."""
    stems = {"left": noise(), "right": noise(seed=2)}
    plain = {"more": "[mix]\ngain = 0.0\n"}
    scenes = []
    for name, more in (("a", plain), ("b", plain | changes)):
        scenes.append(write_scene(tmp_path / name, stems, **(more | {"more": more["more"] + LONG})))
    folders = [rendered(scene) for scene in scenes]
    return heard(folders[0] / "mix" / "a.wav"), heard(folders[1] / "mix" / "b.wav")


def test_the_offset_removes_exactly_its_samples(tmp_path: Path) -> None:
    """4 ms are 192 samples at 48 kHz; all else stays, and the tail of the response is not shortened."""
    plain, earlier = altered(tmp_path, more="[mix]\ngain = 0.0\noffset = 0.004\n")
    assert not np.any(np.abs(plain[:, :192]) > 1e-4 * np.abs(plain).max())
    assert below(earlier[:, :-192], plain[:, 192:]) < -120.0
    assert not np.any(earlier[:, -192:])


def test_the_delay_of_an_array_moves_it_by_exactly_its_samples(tmp_path: Path) -> None:
    """10 ms are 480 samples, for all of the tail."""
    plain, later = altered(tmp_path, arrays=ARRAYS.replace("[arrays.pair]", "[arrays.pair]\ndelay = 0.01"))
    assert not np.any(plain[:, -480:])
    assert np.abs(later[:, :480]).max() < 1e-6 * np.abs(plain).max()
    assert below(later[:, 480:], plain[:, :-480]) < -120.0


@pytest.mark.parametrize(
    "change",
    [
        {"more": "[mix]\ngain = -7.5\n"},
        {"arrays": ARRAYS.replace("[arrays.pair]", "[arrays.pair]\ngain = -7.5")},
        {"arrays": ARRAYS.replace("[arrays.pair]", "[arrays.pair]\ntrims = {left = -7.5, right = -7.5}")},
        {"sections": "".join(
            f'[sections.{n}]\ninstrument = "omni"\nposition = [{x}, 2.0, 0.0]\ngain = -7.5\n'
            for n, x in (("left", -2.0), ("right", 2.0))
        )},
    ],
    ids=["mix", "array", "trims", "sections"],
)  # fmt: skip
def test_gains_are_in_decibels_wherever_they_stand(tmp_path: Path, change: dict[str, str]) -> None:
    """−7.5 dB is 10^(−7.5/20) of every sample: of the mix, an array, its capsules or the sections."""
    plain, softer = altered(tmp_path, **change)
    assert below(softer, plain * 10.0 ** (-7.5 / 20.0)) < -120.0


def test_the_gain_left_out_returns_a_distant_player_to_the_stem_s_level(tmp_path: Path) -> None:
    """From geometry: one omni 4 m away, −12 dB by 1/r; panned to the middle, both channels together give the stem."""
    arrays = '[arrays.main]\nposition = [0, 0, 1.5]\ncapsules = [{name = "mono"}]\n'
    scene = write_scene(
        tmp_path,
        {"solo": impulse(samples=100)},
        hall=hall_text(0.99, 0.0),
        sections='[sections.solo]\ninstrument = "omni"\nposition = [0.0, 4.0, 0.0]\n',
        arrays=arrays,
    )
    assert report_of(rendered(scene))["mix"]["gain_db"] == pytest.approx(20.0 * np.log10(4.0), abs=1e-6)


def test_a_muted_array_is_not_heard_and_gets_no_files(tmp_path: Path) -> None:
    """The mix is that of the others."""
    room = '[arrays.room]\nposition = [0, -4, 3]\nmute = true\ncapsules = [{name = "left", at = [-1, 0, 0]}]\n'
    plain, muted = altered(tmp_path, arrays=ARRAYS + room)
    assert not list((tmp_path / "b").rglob("*room*"))
    assert below(muted, plain) < -120.0


def test_an_aligned_spot_waits_for_its_own_section_at_the_main_array(tmp_path: Path) -> None:
    """Within a sample, to the nearer capsule; the other section's sound in that spot is shifted by the same time."""
    spots = '[arrays.spots]\nalign = true\npurpose = "spot"\neach_section = {height = 2.5, distance = 0.5}\n'
    stems = {"left": impulse(), "right": np.zeros(1000)}
    firsts = {}
    for name, arrays in (("a", spots), ("b", spots.replace("align = true\n", ""))):
        folder = rendered(write_scene(tmp_path / name, stems, hall=hall_text(0.99, 0.0), arrays=ARRAYS + arrays))
        for capsule in ("pair_left", "spots_left", "spots_right"):
            firsts[name, capsule] = int(np.argmax(np.abs(heard(folder / "mix" / f"{name}_{capsule}.wav")[0])))
    assert abs(firsts["a", "spots_left"] - firsts["a", "pair_left"]) <= 1
    assert firsts["b", "pair_left"] - firsts["b", "spots_left"] > 48
    # Both spots mirror one another, so both wait equally long.
    moved = [firsts["a", capsule] - firsts["b", capsule] for capsule in ("spots_left", "spots_right")]
    assert abs(moved[0] - moved[1]) <= 1


def test_two_cues_share_the_hall_and_each_gets_its_files(tmp_path: Path) -> None:
    """Each as if it were alone; a section that doesn't play in one leaves nothing in it."""
    cues = '[cues.one]\nleft = "left.wav"\nright = "right.wav"\n[cues.two]\nright = "right.wav"\n'
    stems = {"left": noise(0.3), "right": noise(seed=2)}
    scene = write_scene(tmp_path, stems, more=cues + LONG)
    scene.write_text(scene.read_text().replace('stem = "left.wav"\n', "").replace('stem = "right.wav"\n', ""))
    folder = rendered(scene, "--stems")
    assert {p.name for p in (folder / "stems").iterdir()} == {
        "one_left_pair.wav",
        "one_right_pair.wav",
        "two_right_pair.wav",
    }
    for cue in ("one", "two"):
        assert {p.name for p in (folder / "mix").glob(f"{cue}*")} == {
            f"{cue}.wav", f"{cue}_pair.wav", f"{cue}_pair_left.wav", f"{cue}_pair_right.wav", f"{cue}.json"
        }  # fmt: skip
    parts = [heard(folder / "stems" / f"{cue}_right_pair.wav") for cue in ("one", "two")]
    length = parts[1].shape[1]
    assert parts[0].shape[1] == length + round(0.05 * RATE)  # the longer stem's
    assert below(parts[0][:, :length], parts[1]) < -120.0
    assert below(heard(folder / "mix" / "two.wav"), parts[1]) < -120.0


def test_a_stereo_stem_sounds_from_the_two_halves_of_its_section(tmp_path: Path) -> None:
    """Its left side from the players on the left; folded, both sides sound from everybody."""
    wide = '[sections.wide]\ninstrument = "omni"\nplayers = 8\narc = {radius = [2.5, 2.5], azimuth = [-80, 80]}\n'
    signal = noise(1.0)
    silence = np.zeros_like(signal)
    arrays = "[arrays.pair]\nposition = [0, 0, 2]\n"
    arrays += 'capsules = [{name = "left", aim = [-90, 0], pattern = "cardioid"}, '
    arrays += '{name = "right", aim = [90, 0], pattern = "cardioid"}]\n'
    balance, files = {}, {}
    for name, sides in (("a", (signal, silence)), ("b", (silence, signal)), ("c", (signal, signal))):
        for fold in ("", "fold = true\n"):
            scene = write_scene(
                tmp_path / (name + fold[:4]), {"wide": np.stack(sides)}, sections=wide + fold, arrays=arrays,
                hall=hall_text(0.9), more="[mix]\ngain = 0.0\n" + LONG,
            )  # fmt: skip
            mix = files[name, fold] = heard(rendered(scene) / "mix" / f"{scene.parent.name}.wav")
            left, right = (mix**2).sum(axis=1)
            balance[name, fold] = 10.0 * np.log10(right / left)
    assert balance["a", ""] < -3.0 < 3.0 < balance["b", ""]
    assert below(files["b", "fold = true\n"], files["a", "fold = true\n"]) < -120.0
    assert balance["a", "fold = true\n"] == pytest.approx(0.0, abs=1.5)
    # Both sides alike, folded: twice one side folded.
    assert below(files["c", "fold = true\n"], 2.0 * files["a", "fold = true\n"]) < -120.0
    assert below(files["c", ""], files["a", ""] + files["b", ""]) < -120.0


def test_a_stereo_stem_has_one_set_of_files_and_is_not_louder(tmp_path: Path) -> None:
    """Stems are named after the section, not its halves; two unlike sides have the power of a mono stem of theirs."""
    wide = '[sections.wide]\ninstrument = "omni"\nplayers = 8\narc = {radius = [2.5, 2.5], azimuth = [-80, 80]}\n'
    levels = []
    for name, signal in (("mono", noise(1.0)), ("stereo", np.stack([noise(1.0, seed=2), noise(1.0, seed=3)]))):
        folder = rendered(
            write_scene(tmp_path / name, {"wide": signal}, sections=wide, more="[mix]\ngain=0.0"), "--stems"
        )
        assert [p.name for p in (folder / "stems").iterdir()] == [f"{name}_wide_pair.wav"]
        levels.append(10.0 * np.log10((heard(folder / "mix" / f"{name}.wav") ** 2).sum()))
    assert levels[1] == pytest.approx(levels[0], abs=1.0)


def test_a_stem_at_another_rate_is_resampled_and_noted(tmp_path: Path) -> None:
    """It sounds as if it were at the common rate (a tone far below both); a warning says so, here and in the report."""

    def tone(rate: int) -> np.ndarray:
        time = np.arange(rate // 4) / rate
        return 0.1 * np.sin(2 * np.pi * 500.0 * time) * np.sin(np.pi * time / 0.25) ** 2

    stems = {"left": tone(RATE), "right": tone(RATE)}
    plain = write_scene(tmp_path / "a", stems)
    mixed = write_scene(tmp_path / "b", stems)
    soundfile.write(tmp_path / "b" / "right.wav", tone(44100), 44100, "FLOAT")
    mixed.write_text(mixed.read_text().replace("[hall]", f"sample_rate = {RATE}\n[hall]", 1))
    same = heard(rendered(plain) / "mix" / "a.wav")
    folder = rendered(mixed)
    found = heard(folder / "mix" / "b.wav")
    assert below(found[:, : same.shape[1]], same) < -80.0
    assert report_of(folder)["warnings"] == ["right.wav is at 44100 Hz and was resampled to 48000 Hz"]
    again = run("render", mixed, "-o", folder, "--quiet")
    assert again.stderr == "warning: right.wav is at 44100 Hz and was resampled to 48000 Hz\n"


def test_stems_that_start_at_different_times_keep_their_distance(tmp_path: Path) -> None:
    """The second 0.1 s later; the outputs carry the time of the first, in a broadcast-wave chunk."""
    stems = {"left": noise(), "right": noise(seed=2)}
    padded = {"left": stems["left"], "right": np.concatenate([np.zeros(4800, np.float32), stems["right"]])}
    plain = write_scene(tmp_path / "a", padded)
    stamped = write_scene(tmp_path / "b", stems)
    with_time_reference(tmp_path / "b" / "left.wav", 3600 * RATE)
    with_time_reference(tmp_path / "b" / "right.wav", 3600 * RATE + 4800)
    folders = [rendered(scene, "--stems") for scene in (plain, stamped)]
    mixes = [heard(folder / "mix" / f"{name}.wav") for folder, name in zip(folders, "ab", strict=True)]
    assert mixes[1].shape == mixes[0].shape
    assert below(mixes[1], mixes[0]) < -120.0
    assert {time_reference(path) for path in folders[1].rglob("*.wav")} == {3600 * RATE}
    assert {time_reference(path) for path in folders[0].rglob("*.wav")} == {0}


def test_stems_with_one_time_pass_it_to_the_outputs(tmp_path: Path) -> None:
    scene = write_scene(tmp_path, {"left": noise(), "right": noise(seed=2)})
    for name in ("left", "right"):
        with_time_reference(tmp_path / f"{name}.wav", 123_456_789)
    assert {time_reference(path) for path in rendered(scene).rglob("*.wav")} == {123_456_789}


def test_a_stem_without_time_among_others_with_it_is_noted(tmp_path: Path) -> None:
    """Then nobody can say where it belongs: all start together."""
    scene = write_scene(tmp_path, {"left": noise(), "right": noise(seed=2)})
    with_time_reference(tmp_path / "left.wav", 48000)
    folder = rendered(scene)
    (warning,) = report_of(folder)["warnings"]
    assert warning == f"cue '{tmp_path.name}': the stem of 'right' has no time reference, so all stems start together"
    assert {time_reference(path) for path in folder.rglob("*.wav")} == {0}


@pytest.mark.parametrize(("encoding", "bits"), [("pcm24", 24), ("pcm16", 16)])
def test_integers_are_the_floats_within_dither(tmp_path: Path, encoding: str, bits: int) -> None:
    """At most 1½ steps off: ±1 of triangular dither, ±½ of rounding; half a step rms (Lipshitz et al. 1992)."""
    scene = write_scene(tmp_path, {"left": noise(), "right": noise(seed=2)})
    exact, rounded = (
        rendered(scene, folder=tmp_path / "f"),
        rendered(scene, "--format", encoding, folder=tmp_path / "i"),
    )
    for path in exact.rglob("*.wav"):
        integer = rounded / path.relative_to(exact)
        assert soundfile.info(integer).subtype == f"PCM_{bits}"
        error = (heard(integer) - heard(path)) * 2.0 ** (bits - 1)
        assert np.abs(error).max() <= 1.5 + 1e-6
        assert np.sqrt(np.mean(error**2)) == pytest.approx(0.5, rel=0.05)


def test_the_scene_s_rate_decides_else_the_stems(tmp_path: Path) -> None:
    """44.1 and 96 kHz scenes; an output lasts as long as its stem and the tail."""
    lengths = []
    for rate in (44100, 96000):
        home = tmp_path / str(rate)
        scene = write_scene(home, {"left": noise(0.5), "right": noise(0.5)}, top=f"sample_rate = {rate}", more=LONG)
        folder = rendered(scene)
        assert {soundfile.info(path).samplerate for path in folder.rglob("*.wav")} == {rate}
        lengths.append(heard(folder / "mix" / f"{rate}.wav").shape[1] / rate)
    assert lengths == [1.5, 1.5]


def test_progress_is_told_step_by_step(tmp_path: Path) -> None:
    """Each step from its beginning, never backwards, to its end."""
    from render.session import render_scene

    told: list[tuple[str, float]] = []
    scene = write_scene(tmp_path, {"left": noise(), "right": noise(seed=2)})
    done = render_scene(scene, tmp_path / "out", progress=lambda what, part: told.append((what, part)))
    steps = list(dict.fromkeys(what for what, _ in told))
    assert steps == ["scene and stems", "responses", f"rendering {tmp_path.name}", "figures and report"]
    for step in steps:
        parts = [part for what, part in told if what == step]
        assert parts == sorted(parts)
        assert parts[-1] == 1.0
    assert [file.path for file in done.mixes] == [f"mix/{tmp_path.name}.wav"]
