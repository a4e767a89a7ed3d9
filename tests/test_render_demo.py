"""The demo, rendered by the command line from another folder: what is written, and what it sounds like in numbers."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pyloudnorm
import pytest
import scipy.signal
from numpy.typing import NDArray

from rooms import catalogue
from tests.small_scenes import below, heard, rendered

RATE = 48000  # Hz
SECTIONS = ("violins-1", "violins-2", "violas", "cellos", "basses")
ARRAYS = {
    "main": ("left", "centre", "right"),
    "outriggers": ("left", "right"),
    "spots": SECTIONS,
    "ambience": ("left", "right"),
}
FIGURES = ("stage_plan", "reverberation_time", "early_reflections", "energy_decay")
PROMISED = {
    "report.json",
    "report.html",
    "files.csv",
    "mix/demo.wav",
    "mix/demo.json",
    *(f"figures/{name}.png" for name in FIGURES),
    *(f"mix/demo_{array}.wav" for array in ARRAYS),
    *(f"mix/demo_{array}_{capsule}.wav" for array, capsules in ARRAYS.items() for capsule in capsules),
    *(f"stems/demo_{section}_{array}.wav" for section in SECTIONS for array in ARRAYS),
}
STEM_END = 23.11  # s: presets/demo/README.md, "How the stems were made"


def last_stop() -> float:
    """When all sections last stop, in s, as the demo's README states it."""
    text = (catalogue.demo().parent / "README.md").read_text(encoding="utf-8")
    return max(float(time) for time in re.findall(r"^\| \d \| (\d+\.\d{3}) \|$", text, re.MULTILINE))


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, subprocess.CompletedProcess[str]]:
    """The demo with stems, rendered once."""
    home = tmp_path_factory.mktemp("elsewhere")
    command = [Path(sys.executable).with_name("sitzprobe"), "render", "--stems", "-o", "demo"]
    return home / "demo", subprocess.run(command, cwd=home, capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def folder(done: tuple[Path, subprocess.CompletedProcess[str]]) -> Path:
    assert done[1].returncode == 0, done[1].stderr
    return done[0]


@pytest.fixture(scope="module")
def report(folder: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((folder / "report.json").read_text(encoding="utf-8"))
    return found


@pytest.fixture(scope="module")
def mix(folder: Path) -> NDArray[np.float64]:
    return heard(folder / "mix" / "demo.wav")


@pytest.fixture(scope="module")
def arrays(folder: Path) -> dict[str, NDArray[np.float64]]:
    return {array: heard(folder / "mix" / f"demo_{array}.wav") for array in ARRAYS}


@pytest.fixture(scope="module")
def stems(folder: Path) -> dict[tuple[str, str], NDArray[np.float64]]:
    return {(s, a): heard(folder / "stems" / f"demo_{s}_{a}.wav") for s in SECTIONS for a in ARRAYS}


def band_decay(mix: NDArray[np.float64], band: float, start: float, lower: float) -> float:
    """Return the reverberation time in s of both channels together, from −5 dB to a lower level.

    Backward integration (ISO 3382-1:2009, 5.3.3) from a time in s on, after an octave filter of fourth order.
    """
    edges = [band / np.sqrt(2.0), band * np.sqrt(2.0)]
    octave = scipy.signal.butter(4, edges, "bandpass", fs=RATE, output="sos")
    power = (scipy.signal.sosfilt(octave, mix) ** 2).sum(axis=0)[round(start * RATE) :]
    curve = 10.0 * np.log10(np.cumsum(power[::-1])[::-1][: power.size // 2] / power.sum())
    part = slice(int(np.argmax(curve < -5.0)), int(np.argmax(curve < lower)))
    slope = np.polyfit(np.arange(curve.size)[part] / RATE, curve[part], 1)[0]
    return float(-60.0 / slope)


def level(signal: NDArray[np.float64], start: float, stop: float) -> float:
    """Root-mean-square level in dBFS of all channels between two times in s."""
    return float(10.0 * np.log10(np.mean(signal[:, round(start * RATE) : round(stop * RATE)] ** 2) + 1e-30))


def test_the_demo_renders_without_a_complaint(done: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    """Exit 0, no warnings; off a terminal, nothing but the outcome is said."""
    folder, process = done
    assert process.returncode == 0
    assert process.stderr == ""
    assert f"{Path('demo') / 'mix' / 'demo.wav'}: " in process.stdout
    assert "Start playback low" in process.stdout
    assert sorted(p.name for p in folder.parent.iterdir()) == ["demo"]


def test_exactly_the_promised_files_are_there(folder: Path) -> None:
    """Named after cue, section, array and capsule, and nothing else left behind."""
    assert {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()} == PROMISED


def test_the_report_follows_its_schema_and_lists_every_audio_file(folder: Path, report: dict[str, Any]) -> None:
    schema = Path(__file__).parent.parent / "render" / "report.schema.json"
    jsonschema.validate(report, json.loads(schema.read_text(encoding="utf-8")))
    assert {file["path"] for file in report["files"]} == {name for name in PROMISED if name.endswith(".wav")}
    for file in report["files"]:
        samples = heard(folder / file["path"])
        assert (file["channels"], file["samples"], file["sample_rate"]) == (*samples.shape, RATE)
    assert report["warnings"] == []


def test_the_page_needs_nothing_beside_it(folder: Path) -> None:
    """No address of the web, no file: pictures are in the page."""
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert not re.findall(r"https?:", page)
    sources = re.findall(r"(?:src|href|data)\s*=\s*[\"']?([^\"'\s>]{0,30})", page)
    assert len(sources) >= len(FIGURES)
    assert all(source.startswith(("data:", "#")) for source in sources)
    assert not re.findall(r"url\(|@import|<link|<script", page)


@pytest.fixture(scope="module")
def long_mixes(tmp_path_factory: pytest.TempPathFactory) -> list[NDArray[np.float64]]:
    """The demo's mix with four seconds after its stems, however soft, by four seeds."""
    home = tmp_path_factory.mktemp("long")
    shutil.copytree(catalogue.demo().parent, home / "demo")
    scene = home / "demo" / catalogue.demo().name
    text = scene.read_text(encoding="utf-8")
    assert "\nseed = 4 " in text
    mixes = []
    for seed in range(4, 8):
        changed = text.replace("\nseed = 4 ", f"\nseed = {seed} ")
        scene.write_text(changed + "\n[output]\ntail = 4.0\n", encoding="utf-8")
        mixes.append(heard(rendered(scene, "--quick", folder=home / f"{seed}") / "quick" / "mix" / "demo_quick.wav"))
    return mixes


@pytest.mark.parametrize("band", [500, 1000, 2000])
def test_the_tail_of_the_last_chord_rings_as_long_as_the_report_says(
    long_mixes: list[NDArray[np.float64]], report: dict[str, Any], band: int
) -> None:
    """Within 10 % of the hall's T30 and two standard errors, from the end of the stems on, at which they are 50 dB
    below their chord. Its few partials are few narrow bands: with one seed the time scatters by 3 to 7 %."""
    expected = report["hall"]["T30_s"][str(band)]
    found = [band_decay(mix, band, STEM_END, -35.0) for mix in long_mixes]
    margin = 0.10 * expected + 2.0 * np.std(found, ddof=1) / np.sqrt(len(found))
    assert np.mean(found) == pytest.approx(expected, abs=margin)


def test_the_tail_is_kept_whole(mix: NDArray[np.float64]) -> None:
    """The file ends below −90 dBFS, and the level falls on steadily for 60 dB after the last stop.

    A cut or a step would show: from one tenth of a second to the next, 1.5 s of reverberation loses 4 dB. Allowed
    are a gain of 1 to a loss of 10 (levels of single tenths scatter by about 1.5 dB; three deviations of a
    difference are 6).
    """
    length = mix.shape[1] / RATE
    assert 20.0 * np.log10(np.abs(mix[:, -round(0.05 * RATE) :]).max()) < -90.0
    chord = level(mix, last_stop() - 0.1, last_stop())
    times = np.arange(STEM_END, length - 0.1, 0.1)
    levels = np.array([level(mix, t, t + 0.1) for t in times]) - chord
    heard_out = levels[: int(np.argmax(levels < -60.0)) + 1]
    assert heard_out[-1] < -60.0
    assert heard_out.size > 5
    assert np.all(np.diff(heard_out) < 1.0)
    assert np.all(np.diff(heard_out) > -10.0)


def early_responses(section: str, played: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the first 20 ms of what turns a section's dry stem into its two channels, 200 Hz to 8 kHz.

    Spectral division (common practice for measuring with music; no source), so that neither the notes played nor the
    reverberation decides where a section is heard, but what arrives first.
    """
    dry = heard(catalogue.demo().parent / "stems" / f"{section}.flac")[0]
    size = 1 << 21
    frequency = np.fft.rfftfreq(size, 1.0 / RATE)
    spectrum = np.fft.rfft(dry, size)
    inverse = spectrum.conj() / (np.abs(spectrum) ** 2 + 1e-6 * np.max(np.abs(spectrum) ** 2))
    band = (frequency > 200.0) & (frequency < 8000.0)
    response = np.fft.irfft(np.fft.rfft(played, size) * inverse * band, size)[:, :RATE]
    power = (response**2).sum(axis=0)
    first = int(np.argmax(power > 0.05 * power.max()))
    return response[:, max(first - RATE // 1000, 0) : first + RATE // 50]


@pytest.mark.parametrize("heard_by", [("main",), tuple(ARRAYS)])
def test_sections_sit_from_left_to_right_as_seated(
    stems: dict[tuple[str, str], NDArray[np.float64]], heard_by: tuple[str, ...]
) -> None:
    """In what arrives first, right minus left in dB and the lead of the right in time both rise from violins to cellos.

    Read from the main array and from all arrays together. The widest differ by more than 1 dB and 1 ms, which
    two loudspeakers turn into clearly different places (common practice: 15 dB or 1.1 ms is a full side).
    """
    levels, leads = [], []
    for section in ("violins-1", "violins-2", "violas", "cellos"):
        power = early_responses(section, sum(stems[section, array] for array in heard_by)) ** 2
        left, right = power.sum(axis=1)
        levels.append(10.0 * np.log10(right / left))
        centres = (power @ np.arange(power.shape[1])) / power.sum(axis=1)
        leads.append(float(centres[0] - centres[1]) / RATE)
    for found in (levels, leads):
        assert found == sorted(found)
        assert found[0] < 0.0 < found[-1]
    assert levels[-1] - levels[0] > 1.0  # dB
    assert leads[-1] - leads[0] > 0.001  # s


def test_the_mix_keeps_headroom(mix: NDArray[np.float64]) -> None:
    """It peaks below −6 dBFS, and not much below: nobody normalised it away."""
    assert -12.0 < 20.0 * np.log10(np.abs(mix).max()) < -6.0


@pytest.mark.parametrize("name", ["mix/demo.wav", "mix/demo_ambience.wav", "stems/demo_basses_spots.wav"])
def test_loudness_and_peaks_are_those_of_the_file(folder: Path, report: dict[str, Any], name: str) -> None:
    """Against pyloudnorm (±0.1 LU, as EBU Tech 3341 allows a meter) and eightfold polyphase oversampling (±0.2 dB:
    BS.1770-4, annex 2, bounds the reading of fourfold oversampling to 0.17 dB below a peak at 20 kHz; from memory)."""
    samples = heard(folder / name)
    stated = next(file for file in report["files"] if file["path"] == name)
    meter = pyloudnorm.Meter(RATE, filter_class="DeMan")
    assert stated["lufs"] == pytest.approx(meter.integrated_loudness(samples.T), abs=0.1)
    dense = scipy.signal.resample_poly(samples, 8, 1, axis=1)
    assert stated["true_peak_dbtp"] == pytest.approx(20.0 * np.log10(np.abs(dense).max()), abs=0.2)
    assert stated["peak_dbfs"] == pytest.approx(20.0 * np.log10(np.abs(samples).max()), abs=0.001)


@pytest.mark.parametrize("array", ARRAYS)
def test_the_stems_of_an_array_sum_to_its_mix(
    stems: dict[tuple[str, str], NDArray[np.float64]], arrays: dict[str, NDArray[np.float64]], array: str
) -> None:
    """Within −120 dB of its peak, for a session that mixes the stems again."""
    assert below(sum(stems[section, array] for section in SECTIONS), arrays[array]) < -120.0


def test_the_arrays_sum_to_the_mix(arrays: dict[str, NDArray[np.float64]], mix: NDArray[np.float64]) -> None:
    """Within −120 dB of its peak."""
    assert below(sum(arrays.values()), mix) < -120.0


@pytest.mark.parametrize("array", ["main", "outriggers", "ambience"])
def test_the_capsules_of_an_array_panned_at_constant_power_sum_to_it(
    folder: Path, arrays: dict[str, NDArray[np.float64]], array: str
) -> None:
    """Left and right go to their sides, the centre with −3 dB into both (design: the stereo law)."""
    half = np.sqrt(0.5)
    law = {"left": (1.0, 0.0), "centre": (half, half), "right": (0.0, 1.0)}
    panned = sum(
        np.outer(law[capsule], heard(folder / "mix" / f"demo_{array}_{capsule}.wav")[0]) for capsule in ARRAYS[array]
    )
    assert below(panned, arrays[array]) < -120.0


def test_spots_are_panned_at_constant_power_where_their_sections_sit(
    folder: Path, arrays: dict[str, NDArray[np.float64]]
) -> None:
    """Amplitudes solved from the files: squares sum to 1, and the balance rises with the azimuth."""
    spots = np.array([heard(folder / "mix" / f"demo_spots_{section}.wav")[0] for section in SECTIONS])
    law, *_ = np.linalg.lstsq(spots.T, arrays["spots"].T, rcond=None)
    assert below(law.T @ spots, arrays["spots"]) < -120.0
    np.testing.assert_allclose((law**2).sum(axis=1), 1.0, rtol=1e-5)
    angles = np.degrees(np.arctan2(law[:4, 1], law[:4, 0]))  # 0 left, 45 centre, 90 right
    assert list(angles) == sorted(angles)
    assert angles[0] < 45.0 < angles[3]


def test_the_first_note_is_where_the_stems_have_it(folder: Path, mix: NDArray[np.float64]) -> None:
    """The offset takes most of the way of sound from the players away, and never more than all of it."""
    dry = sum(heard(catalogue.demo().parent / "stems" / f"{section}.flac")[0] for section in SECTIONS)
    starts = [int(np.argmax(np.abs(x) > 0.02 * np.abs(x[:RATE]).max())) / RATE for x in (dry, mix.sum(axis=0))]
    assert 0.0 <= starts[1] - starts[0] <= 0.03
