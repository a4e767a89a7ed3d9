"""A whole scene's responses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.signal

from rooms import responses
from rooms.decay import expected_T30, mixing_time
from rooms.images import path_levels
from rooms.microphones import Array
from rooms.players import OMNIDIRECTIONAL
from rooms.responses import CROSSFADE, Responses, compute_responses
from rooms.scene import Scene
from rooms.units import BANDS


def octave(samples: np.ndarray, band: int, rate: int) -> np.ndarray:
    """Return the octave around a mid-band, without delay, at the level of an impulse's energy density."""
    edges = 1000.0 * 10.0 ** (0.3 * (band - 4)) * 10.0 ** np.array([-0.15, 0.15])
    filters = scipy.signal.butter(4, edges, "bandpass", fs=rate, output="sos")
    impulse = np.zeros(rate)
    impulse[rate // 2] = 1.0
    energy = np.sum(scipy.signal.sosfiltfilt(filters, impulse) ** 2)
    return scipy.signal.sosfiltfilt(filters, samples.astype(np.float64), axis=-1) / np.sqrt(energy)


def expected_between(responses: Responses, start: float, end: float) -> np.ndarray:
    """Return expected energy between two times, shape (sections, capsules, bands)."""
    cumulative = np.concatenate([np.zeros((*responses.energy.shape[:3], 1)), np.cumsum(responses.energy, axis=-1)], -1)
    edges = responses.bin_s * np.arange(cumulative.shape[-1])
    at = [np.apply_along_axis(lambda c, t=t: np.interp(t, edges, c), -1, cumulative) for t in (start, end)]
    return np.asarray(at[1] - at[0])


def test_shapes_and_times_are_those_of_the_scene(small_scene: Scene, small_responses: Responses) -> None:
    r = small_responses
    assert r.samples.shape[:2] == r.arrivals.shape == r.direct_db.shape == r.omni_arrivals.shape == (2, 3)
    assert r.samples.dtype == np.float32
    assert r.energy.shape == r.omni_energy.shape == (2, 3, len(BANDS), r.energy.shape[-1])
    np.testing.assert_array_equal(r.T30, expected_T30(small_scene.hall))
    assert r.mixing_time == mixing_time(small_scene.hall)
    assert r.samples.shape[2] / small_scene.sample_rate == pytest.approx(1.5 * r.T30.max(), abs=1e-3)
    assert np.all(np.isfinite(r.samples))


def test_the_same_scene_gives_the_same_samples(small_scene: Scene, small_responses: Responses) -> None:
    again = compute_responses(small_scene)
    np.testing.assert_array_equal(again.samples, small_responses.samples)
    np.testing.assert_array_equal(again.energy, small_responses.energy)


def test_arrivals_and_direct_levels_are_geometry(small_scene: Scene, small_responses: Responses) -> None:
    for n, section in enumerate(small_scene.sections):
        for m, (_, capsule) in enumerate(small_scene.capsules):
            way = np.linalg.norm(section.positions - np.array(capsule.position), axis=1)
            assert small_responses.arrivals[n, m] == pytest.approx(way.min() / small_scene.hall.speed_of_sound)
            centre = np.linalg.norm(section.centre - np.array(capsule.position))
            assert small_responses.omni_arrivals[n, m] == pytest.approx(centre / small_scene.hall.speed_of_sound)
        _, energy = path_levels(small_scene, section)
        np.testing.assert_allclose(small_responses.direct_db[n], 10 * np.log10(energy[:, 4]))
    flute = small_responses.direct_db[1, 0]  # 4.9 m from an omni on a solo: 1/r and a little air
    distance = np.linalg.norm(np.subtract((2.0, 2.5, 1.2), (-0.3, -1.5, 3.0)))
    assert flute == pytest.approx(-20 * np.log10(distance), abs=0.05)


def test_nothing_sounds_earlier_than_a_millisecond_before_it_arrives(
    small_scene: Scene, small_responses: Responses
) -> None:
    """Below −60 dB re the peak of its response, every section and capsule."""
    for sound, arrival in zip(small_responses.samples.reshape(6, -1), small_responses.arrivals.ravel(), strict=True):
        before = sound[: int((arrival - 0.001) * small_scene.sample_rate)]
        assert np.abs(before).max() < 1e-3 * np.abs(sound).max()


def test_direct_early_and_late_parts_are_all_there_is(
    small_scene: Scene, small_responses: Responses, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In black walls only the direct part is left, to rounding; up to the mixing time nothing is late, then nothing
    is early but the ringing of the 10 Hz high-pass, which answers to the sum of all images: above 100 Hz, 30 ms later,
    nothing above −80 dB, and all of it below −40 dB."""
    black = replace(small_scene.hall.materials[0], absorption=(1.0,) * len(BANDS))
    hall = replace(small_scene.hall, materials=(black,) * 6)
    until = small_responses.mixing_time  # so dead a hall would have images up to 400 ms
    monkeypatch.setattr(responses, "mixing_time", lambda _hall: until)
    direct = compute_responses(replace(small_scene, hall=hall)).samples
    found = small_responses.direct
    mixed = int(until * small_scene.sample_rate)
    peaks = np.abs(direct).max(axis=2, keepdims=True)
    assert np.all(np.abs(found[..., :mixed] - direct[..., :mixed]) < 1e-5 * peaks)
    after = mixed + int(CROSSFADE * small_scene.sample_rate)
    early = found + small_responses.early
    late = small_responses.samples[..., : early.shape[2]] - early
    assert np.abs(late[..., :mixed]).max() < 1e-6 * np.abs(early).max()
    peak = np.abs(early).max(axis=2, keepdims=True)
    assert np.all(np.abs(early[..., after:]) < 1e-2 * peak)
    audible = scipy.signal.butter(4, 100.0, "highpass", fs=small_scene.sample_rate, output="sos")
    ringing = scipy.signal.sosfilt(audible, early.astype(np.float64))[
        ..., after + int(0.03 * small_scene.sample_rate) :
    ]
    assert np.all(np.abs(ringing) < 1e-4 * peak)
    assert np.abs(late[..., after:]).max() > 1e-2 * np.abs(early).max()


@pytest.fixture(scope="module")
def three_seeds(small_scene: Scene) -> list[Responses]:
    """Return the small scene's responses to three seeds."""
    return [compute_responses(replace(small_scene, seed=seed)) for seed in (1, 2, 3)]


@pytest.mark.parametrize("band", [3, 4, 5, 6, 7])
def test_samples_carry_the_expected_energy_across_the_join(
    small_scene: Scene, three_seeds: list[Responses], band: int
) -> None:
    """40 ms before, across and after the change from images to late field: within 0.5 dB + 2σ of `energy`.

    Mean over 3 seeds and 6 pairs; the energy of noise over time W in bandwidth B scatters by 4.34/√(BW) dB, n times
    independently by that over √n. The images before the join are the same for all seeds: 6 pairs count there.
    """
    rate = small_scene.sample_rate
    runs = three_seeds
    mixed = runs[0].mixing_time
    sound = np.stack([octave(r.samples, band, rate) for r in runs])
    width = 0.04
    for start in (mixed - width, mixed + CROSSFADE / 2 - width / 2, mixed + CROSSFADE, mixed + CROSSFADE + width):
        cells = slice(round(start * rate), round((start + width) * rate))
        found = np.mean(
            np.sum(sound[..., cells] ** 2, axis=-1) / expected_between(runs[0], start, start + width)[..., band]
        )
        margin = 2.0 * 4.34 / np.sqrt(0.7 * BANDS[band] * width * (6 if start < mixed else 18))
        assert abs(10 * np.log10(found)) < 0.5 + margin, start


def test_late_samples_carry_the_expected_energy_to_the_end(small_scene: Scene, small_responses: Responses) -> None:
    """100 ms steps from 0.2 s on, 500 Hz to 2 kHz, mean over pairs: within `energy` to −50 dB, 0.2 dB and 3.5σ.

    Some forty windows are looked at: 3.5σ leaves one false alarm in fifty runs; the two omnis of the pair are one at
    low frequencies only. Higher octaves fall so much faster than their lower neighbour that a filter sees that one.
    """
    rate = small_scene.sample_rate
    for band in (3, 4, 5):
        sound = octave(small_responses.samples, band, rate)
        first = None
        for start in np.arange(0.2, sound.shape[-1] / rate - 0.2, 0.1):
            cells = slice(round(start * rate), round((start + 0.1) * rate))
            expected = expected_between(small_responses, start, start + 0.1)[..., band]
            first = expected.mean() if first is None else first
            if expected.mean() < 1e-5 * first:
                break
            found = np.mean(np.sum(sound[..., cells] ** 2, axis=-1) / expected)
            assert abs(10 * np.log10(found)) < 0.2 + 3.5 * 4.34 / np.sqrt(0.7 * BANDS[band] * 0.1 * 6), (band, start)


def test_a_capsule_s_gain_scales_its_response_and_no_other(small_scene: Scene, small_responses: Responses) -> None:
    """+6.02 dB doubles the amplitude; float32 and the compiled sums leave 10⁻⁵ of the peak."""
    pair, spots = small_scene.arrays
    louder = replace(pair, capsules=(replace(pair.capsules[0], gain=20 * np.log10(2.0)), pair.capsules[1]))
    found = compute_responses(replace(small_scene, arrays=(louder, spots)))
    factor = np.array([2.0, 1.0, 1.0])
    expected = small_responses.samples * factor[None, :, None]
    assert np.abs(found.samples - expected).max() < 1e-5 * np.abs(expected).max()
    np.testing.assert_allclose(found.energy, small_responses.energy * factor[:, None, None] ** 2, rtol=1e-5, atol=1e-12)
    np.testing.assert_allclose(found.omni_energy, small_responses.omni_energy, rtol=1e-5, atol=1e-12)


def test_the_omni_energy_knows_nothing_of_instruments_and_patterns(
    small_scene: Scene, small_responses: Responses
) -> None:
    sections = tuple(replace(s, instrument=replace(OMNIDIRECTIONAL, height=1.0)) for s in small_scene.sections)
    arrays = tuple(
        Array(a.name, a.purpose, tuple(replace(c, pattern="figure-of-eight") for c in a.capsules))
        for a in small_scene.arrays
    )
    other = compute_responses(replace(small_scene, sections=sections, arrays=arrays))
    np.testing.assert_allclose(other.omni_energy, small_responses.omni_energy, rtol=1e-6, atol=1e-12)
    assert np.abs(other.energy / np.maximum(small_responses.energy, 1e-30) - 1.0).max() > 0.5


def test_an_array_added_leaves_the_others_as_they_were(small_scene: Scene, small_responses: Responses) -> None:
    alone = compute_responses(replace(small_scene, arrays=small_scene.arrays[:1]))
    expected = small_responses.samples[:, :2]
    assert np.abs(alone.samples - expected).max() < 1e-5 * np.abs(expected).max()


def test_progress_is_told_from_begin_to_end(small_scene: Scene) -> None:
    parts: list[float] = []
    compute_responses(replace(small_scene, sections=small_scene.sections[1:]), parts.append)
    assert parts == sorted(parts)
    assert (parts[0], parts[-1]) == (0.0, 1.0)
