"""`sitzprobe measure`: what it tells of a recording, and the one line for each it can't measure."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path
from typing import Literal

import numpy as np
import pytest
import scipy.signal
import soundfile
from click.testing import CliRunner, Result
from numpy.typing import NDArray

from render.cli import main
from render.measure import measure_file, sounds_like_a_response
from rooms.blind import blind_decay
from rooms.errors import InputError
from rooms.jnd import in_jnds
from rooms.units import BANDS

RATE = 16000
LN_60_DB = 6.0 * np.log(10.0)


def decay(T_s: float = 0.6, length_s: float = 0.9, channels: int = 1, seed: int = 0) -> NDArray[np.float64]:
    """Return a direct sound and a noise decay."""
    time = np.arange(round(length_s * RATE)) / RATE
    noise = np.random.default_rng(seed).standard_normal((channels, time.size))
    found = 0.05 * noise * np.exp(-LN_60_DB / 2.0 * time / T_s)
    found[:, 0] = 0.8
    return found


def save(path: Path, signal: NDArray[np.float64], rate: int = RATE, subtype: str = "FLOAT") -> Path:
    soundfile.write(path, np.atleast_2d(signal).T, rate, subtype)
    return path


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["measure", *map(str, arguments)])


def test_a_noise_decay_has_its_reverberation_time_inside_the_interval(tmp_path: Path) -> None:
    """30 decays of a known T in four octaves: the 90 % interval covers it in 90 % ± 3 standard deviations of 2.7 %."""
    covered, apart = [], []
    for seed in range(30):
        found = measure_file(save(tmp_path / f"{seed}.wav", decay(seed=seed)))
        assert found.kind == "response"
        bands = slice(2, 6)
        assert found.T_from[bands] == ("T30",) * 4
        covered.append((found.T_low_s[bands] < 0.6) & (found.T_high_s[bands] > 0.6))
        apart.append(in_jnds("T_s", found.T_s[bands], 0.6))
    assert 0.82 <= np.mean(covered) <= 0.98
    assert np.max(np.abs(np.mean(apart, axis=0))) < 0.5


def test_json_is_a_list_with_what_each_time_was_measured_from(tmp_path: Path) -> None:
    path = save(tmp_path / "a.wav", decay())
    done = run(path, path, "--json")
    found = json.loads(done.stdout)
    assert (done.exit_code, len(found), found[0] == found[1]) == (0, 2, True)
    one = found[0]
    assert (one["kind"], one["channels"], one["from"]["1000"]) == ("response", "mono", "T30")
    low, high = one["T_interval_s"]["1000"]
    assert low < one["T_s"]["1000"] < high
    assert one["T_s"]["8000"] is None
    assert "half the sample rate" in one["reasons"]["T_s.8000"]
    assert set(one["G_db"].values()) == {None}
    assert "calibrated" in one["reasons"]["G_db"]


def test_clarity_of_50_ms_is_that_of_the_definition(tmp_path: Path) -> None:
    """ISO 3382-1, A.2.3: C50 = 10·lg(D50/(1 − D50)); of an exponential decay of 0.6 s alone, 10·lg(exp(1.151) − 1)."""
    found = measure_file(save(tmp_path / "a.wav", decay()[:, 1:], RATE), kind="response")
    closed = 10.0 * np.log10(np.exp(LN_60_DB * 0.05 / 0.6) - 1.0)
    assert np.nanmean(found.C50_db[3:7]) == pytest.approx(closed, abs=0.7)  # of four octaves' noise: 0.35 dB
    np.testing.assert_allclose(found.C50_db, 10.0 * np.log10(found.D50 / (1.0 - found.D50)))
    assert "half the sample rate" in found.reasons["C50_db.16000"]


def test_noise_that_leaves_too_little_range_for_t30_leaves_t20(tmp_path: Path) -> None:
    signal = np.pad(decay(length_s=1.5), ((0, 0), (200, 0)))
    signal += 0.05 * 10.0**-2.0 * np.random.default_rng(1).standard_normal(signal.shape)
    found = measure_file(save(tmp_path / "a.wav", signal))
    assert found.T_from[5] == "T20"
    assert abs(in_jnds("T_s", found.T_s[5], 0.6)) < 2.0


def test_bursts_are_music_and_a_decay_is_a_response(tmp_path: Path) -> None:
    bursts = np.concatenate([decay(seed=n) for n in range(3)], axis=1)
    assert not sounds_like_a_response(bursts, RATE)
    softer = np.concatenate([decay(), 0.4 * decay(seed=1)], axis=1)  # its loudest comes first, as in a response
    assert not sounds_like_a_response(softer, RATE)
    assert sounds_like_a_response(decay(), RATE)
    assert measure_file(save(tmp_path / "a.wav", bursts)).kind == "music"
    assert measure_file(save(tmp_path / "a.wav", bursts), kind="response").kind == "response"


def test_a_low_octave_that_wavers_far_down_makes_no_music_of_a_response() -> None:
    """A decay of 0.6 s, 48 dB below it a 63 Hz mode pair of 4 s that beats, and then digital silence."""
    time = np.arange(round(3.0 * RATE)) / RATE
    modes = np.cos(2.0 * np.pi * 62.0 * time) + 0.9 * np.cos(2.0 * np.pi * 63.5 * time)
    room = decay(length_s=3.0)[0] + 2e-4 * modes * np.exp(-LN_60_DB / 2.0 * time / 4.0)
    assert sounds_like_a_response(np.pad(room, (0, RATE))[None], RATE)


def test_two_channels_are_what_the_user_says(tmp_path: Path) -> None:
    path = save(tmp_path / "a.wav", decay(channels=2))
    known = {}
    for pair in ("stereo", "binaural", "omni-figure8"):
        found = json.loads(run(path, "--channels", pair, "--json").stdout)[0]
        names = ("LF", "LFC", "LF_like", "IACC")
        known[pair] = {name for name in names if found[name]["1000"] is not None}
        assert found["correlation"] is not None
    assert known == {"stereo": {"LF_like"}, "binaural": {"IACC"}, "omni-figure8": {"LF", "LFC"}}


def test_a_gated_and_a_denoised_tail_are_noticed_and_an_honest_one_is_not(tmp_path: Path) -> None:
    honest = decay(length_s=1.0)
    gated = honest.copy()
    gated[:, round(0.3 * RATE) :] = 0.0
    time = np.arange(honest.shape[1]) / RATE
    denoised = honest * np.where(time > 0.25, np.exp(-30.0 * (time - 0.25)), 1.0)
    texts = {
        name: " ".join(measure_file(save(tmp_path / "a.wav", x), kind="response").warnings)
        for name, x in (("honest", honest), ("gated", gated), ("denoised", denoised))
    }
    assert texts["honest"] == ""
    assert "gated or edited: falls from" in texts["gated"]
    assert "times as steep further down: denoised" in texts["denoised"]


def stops(T_s: float, seed: int = 0, count: int = 5) -> NDArray[np.float64]:
    """Return noise that stops and decays, over a noise floor 50 dB below it."""
    time = np.arange(round(RATE * (0.8 + 1.1 * T_s))) / RATE
    level = np.tile(np.exp(-LN_60_DB / 2.0 * np.maximum(time - 0.8, 0.0) / T_s), count)
    noise = np.random.default_rng(seed).standard_normal((2, level.size))
    return np.asarray(0.2 * (level * noise[0] + 10.0**-2.5 * noise[1]))


def gated(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turn everything off within 20 ms where the level of 10 ms is below −30 dB re the signal's."""
    loud = np.convolve(signal**2, np.ones(160) / 160, "same") > 1e-3 * np.mean(signal**2)
    return signal * scipy.signal.lfilter([1 / 320], [1, -319 / 320], loud.astype(np.float64))


def denoised(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Take away each bin of a short-time transform that isn't 15 dB above the noise, as the simplest denoisers do."""
    _, _, bins = scipy.signal.stft(signal, RATE, nperseg=1024)
    power = np.abs(bins) ** 2
    kept = power > 10.0**1.5 * 3.0 * np.quantile(power, 0.05, axis=1, keepdims=True)
    return np.asarray(scipy.signal.istft(bins * kept, RATE, nperseg=1024)[1])[: signal.size]


@pytest.mark.parametrize("how", [None, gated, denoised])
@pytest.mark.parametrize("T_s", [0.6, 1.5])
def test_music_behind_a_gate_or_a_denoiser_is_warned_of(
    tmp_path: Path, how: Callable[[NDArray[np.float64]], NDArray[np.float64]] | None, T_s: float
) -> None:
    """Its decays break off where they get quiet; what was left alone is not accused."""
    signal = stops(T_s)
    path = save(tmp_path / "a.wav", (how(signal) if how else signal)[None])
    warned = any("decays break off where they get quiet" in text for text in measure_file(path, kind="music").warnings)
    assert warned == (how is not None)


@pytest.mark.parametrize("T_s", [0.6, 1.5])
def test_a_gate_is_noticed_at_two_stops(tmp_path: Path, T_s: float) -> None:
    """A take of a minute may have no more."""
    signal = stops(T_s, count=2)
    for sound, expected in ((signal, False), (gated(signal), True)):
        said = measure_file(save(tmp_path / "a.wav", sound[None]), kind="music").warnings
        assert any("decays break off" in text for text in said) == expected


def test_a_cut_off_response_is_accused_once(tmp_path: Path) -> None:
    """Digital silence after 0.3 s: how many times as steep a fall to nothing is says nothing more."""
    cut = decay(length_s=1.0)
    cut[:, round(0.3 * RATE) :] = 0.0
    said = measure_file(save(tmp_path / "a.wav", cut), kind="response").warnings
    assert [text.split(":")[0] for text in said] == ["gated or edited"]


def test_what_ends_where_nobody_hears_it_is_not_called_gated(tmp_path: Path) -> None:
    """Players of samples stop their voices some 80 dB down: five stops of 0.6 s that fall tenfold faster from there."""
    time = np.tile(np.arange(round(2.0 * RATE)) / RATE, 5)
    level = np.maximum(time - 0.8, 0.0) * -60.0 / 0.6
    level = np.where(level < -75.0, -75.0 + 10.0 * (level + 75.0), level)
    signal = 0.2 * np.random.default_rng(4).standard_normal(time.size) * 10.0 ** (level / 20.0)
    warnings = measure_file(save(tmp_path / "a.wav", signal[None]), kind="music").warnings
    assert not any("break off" in text for text in warnings)


def test_each_octave_and_each_channel_of_music_tells_its_own_time(tmp_path: Path) -> None:
    """0.9 s below 1 kHz and 2 s above in one channel, 1.4 s in the other: 15 %, twice the deviation of five stops."""
    low = scipy.signal.butter(8, 1000.0, fs=RATE, output="sos")
    high = scipy.signal.butter(8, 1000.0, "high", fs=RATE, output="sos")
    length = stops(2.0).size
    split = scipy.signal.sosfilt(low, np.resize(stops(0.9, 1, 9), length)) + scipy.signal.sosfilt(high, stops(2.0, 2))
    path = save(tmp_path / "a.wav", np.stack([split, np.resize(stops(1.4, 3, 7), length)]))
    found = [measure_file(path, kind="music", chosen=[channel]) for channel in (1, 2)]
    np.testing.assert_allclose(found[0].T_s[[2, 3, 5, 6]], [0.9, 0.9, 2.0, 2.0], rtol=0.15)
    np.testing.assert_allclose(found[1].T_s[[3, 4, 5]], 1.4, rtol=0.15)
    assert found[0].T_from[3] == "free decays"
    assert found[0].T_from[8] == ""
    assert "half the sample rate" in found[0].reasons["T_s.16000"]
    assert np.isfinite(found[0].C80_db[3])


@pytest.mark.parametrize("rate", [8000, 192000])
def test_music_of_the_lowest_and_the_highest_rate_is_measured(tmp_path: Path, rate: int) -> None:
    sound = stops(0.9, count=3)
    sound = scipy.signal.resample(sound, round(sound.size * rate / RATE))
    found = measure_file(save(tmp_path / "a.wav", sound[None], rate), kind="music")
    known = {8000: slice(3, 6), 192000: slice(3, 7)}[rate]  # what the sound has, which was made at 16 kHz
    np.testing.assert_allclose(found.T_s[known], 0.9, rtol=0.15)
    assert found.sample_rate == rate


def test_what_only_partials_tell_has_no_clarity_and_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An octave whose partials alone decay has a time; how far the level drops at a stop it can't tell."""
    path = save(tmp_path / "a.wav", stops(1.0)[None])
    whole = blind_decay(stops(1.0), RATE)
    alone = np.arange(9) == 4
    changed = {name: np.where(alone, np.nan, getattr(whole, name)) for name in ("C80_db", "drr_db")}
    monkeypatch.setattr(
        "render.measure.blind_decay",
        lambda *_: dataclasses.replace(whole, decays=np.where(alone, 0, whole.decays), **changed),
    )
    found = measure_file(path, kind="music")
    assert (found.T_from[3], found.T_from[4]) == ("free decays", "free decays of partials")
    for name in ("C80_db.1000", "drr_db.1000"):
        assert "only partials decay freely" in found.reasons[name]
    assert "C80_db.500" not in found.reasons


def test_a_clipped_response_keeps_its_decay_and_loses_what_its_direct_sound_decides(tmp_path: Path) -> None:
    signal = np.clip(20.0 * decay(), -1.0, 1.0)
    signal[0, :4] = 1.0
    signal[0, 4:] *= 0.04
    found = measure_file(save(tmp_path / "a.wav", signal, subtype="PCM_16"), kind="response")
    assert any(text.startswith("clipped: once") for text in found.warnings)
    assert np.isfinite(found.T_s[4])
    assert np.isnan(found.C80_db).all()
    assert "clipped" in found.reasons["C80_db"]


def test_a_clipped_response_keeps_when_reflections_come_and_not_how_strong_they_are(tmp_path: Path) -> None:
    """Nor lateral fractions, which are re all of the early sound; JSON has null, the text the time alone."""
    signal = 0.04 * decay(channels=2)
    signal[:, :4] = 1.0
    signal[:, 320] = 0.3  # 20 ms later
    path = save(tmp_path / "a.wav", signal, subtype="PCM_16")
    found = json.loads(run(path, "--as", "response", "--json").stdout)[0]
    assert found["initial_gap_s"] == pytest.approx(0.02, abs=0.001)
    assert {reflection["level_db"] for reflection in found["reflections"]} == {None}
    assert set(found["LF_like"].values()) == {None}
    for key in ("reflections", "LF_like"):
        assert "clipped" in found["reasons"][key]
    line = next(line for line in run(path, "--as", "response").stdout.splitlines() if "initial time gap" in line)
    assert "dB" not in line


def test_what_was_clipped_and_then_turned_down_is_noticed(tmp_path: Path) -> None:
    """Noise cut off at a third of its height, at −6 dBFS; the same noise as it was isn't accused, nor is a low tone."""
    noise = 0.1 * stops(0.9)
    cut = np.clip(noise, -0.3 * noise.max(), 0.3 * noise.max())
    low = 0.5 * np.sin(2.0 * np.pi * 41.0 * np.arange(noise.size) / RATE) * (np.abs(noise) > 0.0)
    for signal, clipped in (
        (cut / np.abs(cut).max() / 2.0, True),
        (noise / np.abs(noise).max() / 2.0, False),
        (low, False),
    ):
        found = measure_file(save(tmp_path / "a.wav", signal[None], subtype="PCM_24"), kind="music")
        assert any("clipped and turned down since: cut off flat at -6.0 dBFS" in w for w in found.warnings) == clipped
        assert np.isfinite(found.C80_db).any() != clipped or signal is low


def test_a_channel_of_noise_alone_is_refused_as_silent(tmp_path: Path) -> None:
    """50 dB below the other, as a preamplifier leaves it where nothing is plugged in; 30 dB below is a recording."""
    hiss = np.random.default_rng(3).standard_normal(stops(0.9).size)
    left = stops(0.9)
    power = np.sqrt(np.mean(left**2))
    path = save(tmp_path / "a.wav", np.stack([left, power * 10.0**-2.5 * hiss]))
    with pytest.raises(InputError, match=r"channel 2 is all but silent, 50 dB below channel 1; .* --channel 1$"):
        measure_file(path)
    assert measure_file(path, chosen=[1]).channels == "mono"
    assert measure_file(save(path, np.stack([left, power * 10.0**-1.5 * hiss]))).channels == "stereo"


@pytest.mark.parametrize(("gain", "words"), [(1.0, ""), (0.5, ""), (-1.0, ", one of them inverted in polarity")])
def test_one_sound_in_two_channels_is_measured_as_mono(tmp_path: Path, gain: float, words: str) -> None:
    """A stereo file of a mono recording has no width that a mix could be fitted to."""
    found = measure_file(save(tmp_path / "a.wav", np.stack([stops(0.9), gain * stops(0.9)])))
    assert found.channels == "mono"
    assert np.isnan(found.band_correlation).all()
    assert f"both channels carry the same sound{words}: measured as mono" in found.warnings


def test_an_offset_is_no_sound_that_channels_share(tmp_path: Path) -> None:
    """Unrelated noise on 0.3 of full scale in both channels."""
    noise = np.stack([stops(0.9, seed) for seed in (1, 2)])
    plain, offset = (measure_file(save(tmp_path / "a.wav", signal)) for signal in (noise, noise + 0.3))
    assert offset.correlation == pytest.approx(plain.correlation, abs=0.01)
    assert offset.width == pytest.approx(plain.width, abs=0.01)
    assert any("DC offset" in text for text in offset.warnings)


def test_a_steady_tone_is_no_response_and_one_sample_is_one(tmp_path: Path) -> None:
    """Of the tone it can't tell, and says what to record; of a lone sample nothing but the sample is known."""
    tone = measure_file(save(tmp_path / "a.wav", 0.3 * np.sin(np.arange(5 * RATE) / 6.0)[None]))
    assert tone.kind == "music"
    assert "record ten seconds with a stop, or a clap" in tone.reasons["T_s.500"]
    lone = np.zeros((1, 2 * RATE))
    lone[0, 500] = 0.9
    assert measure_file(save(tmp_path / "a.wav", lone)).kind == "response"  # warnings are errors here


def test_a_response_lost_in_noise_says_what_to_record(tmp_path: Path) -> None:
    signal = np.pad(decay(length_s=1.5), ((0, 0), (200, 0)))
    signal += 0.02 * np.random.default_rng(1).standard_normal(signal.shape)
    reason = measure_file(save(tmp_path / "a.wav", signal), kind="response").reasons["T_s.1000"]
    assert reason.endswith("clap louder and nearer, or record a sweep")


@pytest.mark.parametrize(
    ("signal", "rate", "words"),
    [
        (np.zeros((1, RATE)), RATE, "silent, every sample is zero"),
        (np.full((1, RATE), 0.3), RATE, "silent, nothing but an offset"),
        (np.vstack([decay()[0], np.zeros(decay().shape[1])]), RATE, "channel 2 is silent"),
        (decay(length_s=0.05), RATE, "too short, found 0.05 s"),
        (np.sign(np.random.default_rng(0).standard_normal((1, RATE))), RATE, "clipped, 100 % of its samples"),
        (decay(channels=4), RATE, "found 4 channels, allowed: 1 or 2; choose with --channel N"),
        (decay(), 6000, "found a sample rate of 6000 Hz, allowed: 8000 Hz or more"),
        (np.where(np.arange(RATE) == RATE // 2, np.nan, 0.1)[None], RATE, "not a number at 0.500 s, channel 1"),
    ],
)
def test_what_cannot_be_measured_is_one_line_and_exit_2(
    tmp_path: Path, signal: NDArray[np.float64], rate: int, words: str
) -> None:
    path = save(tmp_path / "a.wav", signal, rate)
    done = run(path)
    assert done.exit_code == 2
    assert done.stderr.startswith(f"sitzprobe: {path}: ")
    assert done.stderr.count("\n") == 1
    assert words in done.stderr


@pytest.mark.parametrize(("kind", "length_s", "least"), [("response", 0.05, "0.1"), ("music", 1.5, "2")])
def test_a_recording_too_short_for_what_it_is_says_how_long_it_must_be(
    tmp_path: Path, kind: Literal["response", "music"], length_s: float, least: str
) -> None:
    with pytest.raises(InputError, match=f"too short, found {length_s:.2f} s, allowed: {least} s or more"):
        measure_file(save(tmp_path / "a.wav", decay(length_s=length_s)), kind=kind)


def test_channels_of_many_are_chosen_and_wrong_ones_refused(tmp_path: Path) -> None:
    path = save(tmp_path / "a.wav", decay(channels=4))
    assert measure_file(path, chosen=[3]).channels == "mono"
    assert measure_file(path, chosen=[1, 4], pair="binaural").channels == "binaural"
    for chosen, words in (([5], "allowed: 1 to 4"), ([1, 1], "two different ones"), ([1, 2, 3], "two different ones")):
        with pytest.raises(InputError, match=words):
            measure_file(path, chosen=chosen)
    with pytest.raises(InputError, match="allowed: two for --channels binaural"):
        measure_file(path, chosen=[1], pair="binaural")


def test_a_bad_file_does_not_keep_the_others_from_being_measured(tmp_path: Path) -> None:
    done = run(tmp_path / "none.wav", save(tmp_path / "a.wav", decay()))
    assert done.exit_code == 2
    assert "no such file" in done.stderr
    assert "a.wav: response, mono, 16000 Hz" in done.stdout


@pytest.mark.parametrize("signal", [decay(0.6, channels=2), np.stack([stops(0.9), stops(1.2)[: stops(0.9).size]])])
def test_the_text_fits_into_80_columns(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, signal: NDArray[np.float64]
) -> None:
    """All but the path is on lines of 80 at most, and only columns with something in them are there."""
    monkeypatch.chdir(tmp_path)
    save(Path("a.wav"), signal)
    lines = run("a.wav").stdout.splitlines()
    assert max(map(len, lines)) <= 80
    music = "music" in lines[0]
    assert ("EDT s" in lines[1]) != music  # of music it can't be told
    assert any("±" in line for line in lines) == music
    assert ("what rings on by itself" in " ".join(" ".join(lines).split())) == music
    assert lines[6].split()[:2] == ["1000", f"{measure_file(Path('a.wav')).T_s[4]:.2f}"]


@pytest.mark.parametrize("rate", [8000, 11025, 44100, 96000, 192000])
def test_any_rate_gives_the_same_times(tmp_path: Path, rate: int) -> None:
    """The decay is drawn at the rate itself; each lies within its own interval widened to three deviations."""
    time = np.arange(rate) / rate
    signal = 0.05 * np.random.default_rng(2).standard_normal(rate) * np.exp(-LN_60_DB / 2.0 * time / 0.6)
    found = measure_file(save(tmp_path / "a.wav", signal, rate), kind="response")
    known = np.isfinite(found.T_s)
    assert known.sum() == {8000: 6, 11025: 6, 44100: 8, 96000: 9, 192000: 9}[rate] + (
        -1 if np.isnan(found.T_s[0]) else 0
    )
    sigma = 0.55 / np.sqrt(0.7 * BANDS * 0.6)
    assert np.all(np.abs(found.T_s / 0.6 - 1.0)[known] < 3.0 * sigma[known])
