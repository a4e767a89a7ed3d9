"""The demo's stems are what a renderer needs: aligned, dry, cut together at the stops their README names."""

import re
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

DEMO = Path(__file__).parent.parent / "presets" / "demo"
SECTIONS = ("violins-1", "violins-2", "violas", "cellos", "basses")
RATE = 48000  # Hz
BLOCK = 480  # samples: 10 ms


def stem(section: str) -> NDArray[np.float64]:
    samples, rate = soundfile.read(DEMO / "stems" / f"{section}.flac", dtype="float64", always_2d=True)
    assert rate == RATE
    assert samples.shape[1] == 1
    return np.asarray(samples[:, 0], dtype=np.float64)


def stop_times() -> list[float]:
    """Stop times in s, as the README's table states them."""
    text = (DEMO / "README.md").read_text("utf-8")
    return [float(time) for time in re.findall(r"^\| \d \| (\d+\.\d{3}) \|$", text, re.MULTILINE)]


def level(samples: NDArray[np.float64]) -> float:
    """Root-mean-square level in dBFS."""
    return float(10.0 * np.log10(np.mean(samples**2) + 1e-20))


def levels_from(samples: NDArray[np.float64], start: int, stop: int) -> NDArray[np.float64]:
    """Levels in dBFS of the whole 10 ms blocks from one sample to another."""
    blocks = samples[start : start + (min(stop, len(samples)) - start) // BLOCK * BLOCK].reshape(-1, BLOCK)
    return np.array([level(block) for block in blocks])


def test_the_readme_names_the_two_stops() -> None:
    """A lost or reworded table may not turn the tests below into empty loops."""
    assert len(stop_times()) == 2


def test_there_are_five_stems_of_one_length_that_fit_in_six_megabytes() -> None:
    """15 to 25 s, one file a section, nothing else in the folder."""
    files = sorted((DEMO / "stems").iterdir())
    assert [f.name for f in files] == sorted(f"{s}.flac" for s in SECTIONS)
    assert sum(f.stat().st_size for f in files) <= 6_000_000
    lengths = {len(stem(s)) for s in SECTIONS}
    assert len(lengths) == 1
    assert 15 * RATE <= lengths.pop() <= 25 * RATE


@pytest.mark.parametrize("section", SECTIONS)
def test_a_stem_starts_with_the_others(section: str) -> None:
    """Everybody plays on the first beat: within 100 ms each part is within 20 dB of its first two seconds."""
    samples = stem(section)
    assert level(samples[RATE // 20 : RATE // 10]) > level(samples[: 2 * RATE]) - 20.0


@pytest.mark.parametrize("section", SECTIONS)
def test_a_stem_is_neither_clipped_nor_faint_nor_offset(section: str) -> None:
    """Peak between −12 and −6 dBFS; mean below half a 16-bit step, so its dither hides it."""
    samples = stem(section)
    assert -12.0 <= 20.0 * np.log10(np.max(np.abs(samples))) <= -6.0
    assert abs(np.mean(samples)) < 0.5 / 2**15


@pytest.mark.parametrize("section", SECTIONS)
@pytest.mark.parametrize("stop", stop_times())
def test_a_stem_is_dry_after_a_stop(section: str, stop: float) -> None:
    """It sounds up to the stop, falls by 20 dB within 0.12 s and by more than 50 dB within 0.3 s.

    A hall of 1 s would have fallen by 7 and 18 dB. The last stop leaves 0.328 s.
    """
    samples, at = stem(section), round(stop * RATE)
    chord = level(samples[at - RATE // 10 : at])
    assert chord > -30.0
    assert np.max(levels_from(samples, at + round(0.12 * RATE), at + 2 * RATE)) < chord - 20.0
    assert np.max(levels_from(samples, at + round(0.30 * RATE), at + 2 * RATE)) < chord - 50.0


@pytest.mark.parametrize("section", SECTIONS)
def test_a_stem_holds_its_chord_until_the_stop(section: str) -> None:
    """Nobody leaves early: in the last 30 ms the chord is within 6 dB of its last 200 ms."""
    samples = stem(section)
    for stop in stop_times():
        at = round(stop * RATE)
        end, chord = (level(samples[at - round(t * RATE) : at]) for t in (0.03, 0.2))
        assert end > chord - 6.0


@pytest.mark.parametrize("section", SECTIONS)
def test_the_first_stop_is_followed_by_complete_silence(section: str) -> None:
    """Digital zero for 1.6 s, and music after it."""
    samples, at = stem(section), round(stop_times()[0] * RATE)
    quiet = round(0.6 * RATE)
    assert not np.any(samples[at + quiet : at + quiet + round(1.6 * RATE)])
    assert level(samples[at + 3 * RATE :]) > -45.0


@pytest.mark.parametrize("section", SECTIONS)
def test_a_stem_ends_with_its_last_release_and_without_a_click(section: str) -> None:
    """0.3 to 0.4 s after the last stop (the tail is the renderer's to keep), with dither at most."""
    samples = stem(section)
    assert 0.3 <= len(samples) / RATE - stop_times()[-1] <= 0.4
    assert np.max(np.abs(samples[-RATE // 1000 :])) <= 2.0 / 2**15


def test_the_violins_answer_one_another() -> None:
    """Bars 6 and 7: in each half bar one section sounds, the other rests."""
    second_part = 14 * 60 / 92 + 2 * 60 / 86 + 4 * 60 / 92  # s: the tempo map of cue.mid
    half_bar = 2 * 60 / 104
    first, second = stem("violins-1"), stem("violins-2")
    for half in range(4):
        start = second_part + half * half_bar
        # clear of the other's release and of its next entry
        part = slice(round((start + 0.35) * RATE), round((start + half_bar - 0.1) * RATE))
        caller, listener = (first, second) if half % 2 == 0 else (second, first)
        assert level(caller[part]) > level(listener[part]) + 40.0
