"""What responses sound like beyond their energy: noise, no sweeps, no seam; sections wide, in tune with their stem."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
import scipy.fft
import scipy.signal
import scipy.special
from numpy.typing import NDArray

from render.scene_file import read_scene
from rooms import catalogue
from rooms.ensemble import crossover, decorrelation
from rooms.images import early_part
from rooms.microphones import Capsule
from rooms.players import OMNIDIRECTIONAL, Player, Section
from rooms.responses import Responses, compute_responses
from rooms.scene import Scene
from rooms.units import BANDS, MIDBANDS
from tests.halls import ANECHOIC, Point, hall, material, microphones, solo

Samples = NDArray[np.float64]
RATE = 48000


@pytest.fixture(scope="module")
def scene() -> Scene:
    """Return the demo, and a soloist who radiates in all directions."""
    demo = read_scene(catalogue.demo()).scene(RATE)
    return replace(demo, sections=(*demo.sections, solo((1.0, 2.0, 1.5), "soloist")))


@pytest.fixture(scope="module")
def responses(scene: Scene) -> Responses:
    return compute_responses(scene)


def echo_density(signals: Samples) -> Samples:
    """Return the normalised echo density in Hann windows of 20 ms, one every 10 ms; noise has one.

    Abel & Huang, "A simple, robust measure of reverberation echo density", AES 121st Convention 2006, equation 4.
    """
    window = scipy.signal.windows.hann(round(0.02 * RATE), sym=False)
    window /= window.sum()
    frames = np.lib.stride_tricks.sliding_window_view(signals, len(window), axis=-1)[..., :: len(window) // 2, :]
    deviation = np.sqrt(frames**2 @ window)
    return np.asarray((np.abs(frames) > deviation[..., None]) @ window / scipy.special.erfc(1.0 / np.sqrt(2.0)))


def dense_images(size: Samples, source: Samples, ear: Samples, amplitude: float, until: float, rate: int) -> Samples:
    """Return a plain sum of image sources of a box whose walls all reflect an amplitude; windowed sinc of 32 samples.

    Allen & Berkley, J. Acoust. Soc. Am. 65, 1979; 343.2 m/s.
    """
    reach = until * 343.2
    axes = [np.arange(-int(reach / side) - 2, int(reach / side) + 3) for side in size]
    n = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    distance = np.linalg.norm(np.where(n % 2 == 0, n * size + source, (n + 1) * size - source) - ear, axis=1)
    n, distance = n[distance < reach], distance[distance < reach]
    gain = amplitude ** np.abs(n).sum(axis=1) / distance
    delay = distance / 343.2 * rate
    first = np.floor(delay).astype(int)
    out = np.zeros(round(until * rate) + 64)
    for tap in range(-15, 17):
        away = tap - (delay - first)
        np.add.at(out, first + tap + 16, gain * np.sinc(away) * np.cos(np.pi * away / 34.0) ** 2)
    return out[16 : 16 + round(until * rate)]


def test_the_late_part_is_as_dense_as_noise(responses: Responses) -> None:
    """One second from 20 ms after the mixing time: median at least 0.9, one in twenty windows below 0.85 at most.

    Over all sections and capsules, and for a single player, who has no other players to blend with. Gaussian noise
    itself has 1.00 and 0.93 (checked here); the image sources of the same box under hard walls 0.7 and 0.2.
    """
    begin = round((responses.mixing_time + 0.02) * RATE)
    late = responses.samples[..., begin : begin + RATE].astype(np.float64)
    for density in (echo_density(late), echo_density(late[-1])):
        assert np.median(density) >= 0.9
        assert np.percentile(density, 5) >= 0.85
    noise = echo_density(np.random.default_rng(1).standard_normal((12, RATE)))
    assert np.median(noise) == pytest.approx(1.0, abs=0.01)
    assert np.percentile(noise, 5) == pytest.approx(0.93, abs=0.01)

    room = responses.scene.hall
    source, ear = (np.array(p) - room.box.lower for p in ((1.0, 2.0, 1.5), responses.scene.capsules[0][1].position))
    images = dense_images(np.array(room.box.size), source, ear, np.sqrt(0.8), responses.mixing_time + 1.02, RATE)
    assert np.median(echo_density(images[begin:])) < 0.85


def sweep(signals: Samples, rate: int, begin: float, end: float) -> Samples:
    """Return by how much the strongest sweep stands out of the mean of all sweeps, as a power ratio, shape (signals,).

    The squares of a lattice's distances are multiples of one number, so that in a cube arrivals come at √n·t0: a
    pulse train whose rate 2t/t0² rises with time, which is heard as a sweep (De Sena et al., "On the modeling of
    rectangular geometries in room acoustic simulations", IEEE/ACM Trans. Audio Speech Lang. Process. 23, 2015). Over
    t² instead of t it is a tone, so a transform over t² shows it as a line.
    """
    around = round(0.04 * rate)
    smooth = scipy.signal.windows.hann(around)[None]
    first, last = round(begin * rate), round(end * rate)
    near = signals[:, first - around : last + around]
    envelope = np.sqrt(scipy.signal.fftconvolve(near**2, smooth / smooth.sum(), mode="same", axes=1))
    level = (near / envelope)[:, around:-around]
    time = np.arange(first, last) / rate
    rates = np.arange(200.0, 0.25 * rate / end, 0.5 / end**2)  # the fastest reaches half the band at the end
    power = np.abs(level @ np.exp(-2j * np.pi * time[:, None] ** 2 * rates)) ** 2
    return np.asarray(power.max(axis=1) / power.mean(axis=1))


def test_no_sweeps_remain_of_the_images() -> None:
    """A cube of 12 m whose walls mirror, source in the middle, ears at quarters: the worst there is.

    From 60 ms after the mixing time, 0.3 s long: the strongest line is some 200 times the mean in the image sources,
    11 in Gaussian noise (the highest of 16 draws; it goes with the logarithm of their number) and in ours.
    """
    rate = 16000
    room = hall(material(0.2, 0.0), size=(12.0, 12.0, 12.0))
    quarters: list[Point] = [(-3.0, -3.0, 3.0), (0.0, 0.0, 3.0), (-3.0, 0.0, 6.0), (3.0, 3.0, 6.0)]
    capsules = (Capsule(f"ear {n}", at) for n, at in enumerate(quarters))
    ours = compute_responses(Scene(room, (solo((0.0, 0.0, 6.0)),), (microphones(*capsules),), rate))
    begin = ours.mixing_time + 0.06
    source = np.array([6.0, 6.0, 6.0])
    images = np.array(
        [
            dense_images(source * 2, source, np.array(ear) - room.box.lower, np.sqrt(0.8), begin + 0.4, rate)
            for ear in quarters
        ]
    )
    noise = np.random.default_rng(3).standard_normal((16, rate))
    every = [of[:, : images.shape[1]] for of in (images, ours.samples[0].astype(np.float64), noise)]
    plain, found, chance = np.split(sweep(np.concatenate(every), rate, begin, begin + 0.3), (4, 8))
    assert plain.min() > 10.0 * chance.max(), (plain, chance)
    assert found.max() < 1.3 * chance.max(), (found, chance)


def around_the_join(responses: Responses) -> tuple[Samples, Samples]:
    """Return measured over expected energy in dB in windows of 20 ms around the mixing time, and its standard error.

    Both of shape (bands, windows), bands 500 Hz to 8 kHz: some third octave about each mid-band, where the band's
    energy is that band's alone; means over all pairs of a section and a capsule whose direct sound is 20 ms past.
    """
    bin_samples = round(responses.bin_s * RATE)
    bins = responses.samples.shape[-1] // bin_samples
    size = scipy.fft.next_fast_len(responses.samples.shape[-1], real=True)
    octaves = np.log2(np.maximum(scipy.fft.rfftfreq(size, 1.0 / RATE), 1.0))
    spectra = scipy.fft.rfft(responses.samples.astype(np.float64), size, axis=-1)
    first = round((responses.mixing_time - 0.02) / responses.bin_s)
    past = responses.arrivals < responses.mixing_time - 0.04
    ratios = []
    for b in np.flatnonzero((BANDS >= 500.0) & (BANDS <= 8000.0)):
        gain = np.exp(-0.5 * ((octaves - np.log2(MIDBANDS[b])) / 0.15) ** 2)
        power = scipy.fft.irfft(spectra * gain, size, axis=-1)[..., : bins * bin_samples] ** 2
        found = power.reshape(*power.shape[:2], bins, bin_samples).sum(axis=-1)
        found /= np.sum(gain**2) * 2.0 / size  # what a unit impulse leaves: it has the energy one in all bands
        windows = (
            e[past, first : first + 100].reshape(-1, 10, 10).sum(axis=-1) for e in (found, responses.energy[:, :, b])
        )
        ratios.append(np.divide(*windows))
    mean = np.mean(ratios, axis=1)
    error = np.std(ratios, axis=1, ddof=1) / np.sqrt(past.sum())
    return 10.0 * np.log10(mean), 10.0 / np.log(10.0) * error / mean


def test_images_give_way_to_noise_without_a_step(responses: Responses) -> None:
    """20 ms before to 180 ms after: each band and window within 0.5 dB and two standard errors of what is expected.

    Nor does any band's level change from before to after by more: the spectrum goes on. Earlier than that the
    expectation itself is no measure: players sit at a few heights, so floor and ceiling images interfere alike in all
    pairs (500 Hz: 2 dB less from 40 to 20 ms before, single players and whole sections alike).
    """
    level, error = around_the_join(responses)
    assert np.all(np.abs(level) < 0.5 + 2.0 * error), level.round(2)
    after = slice(2, 10)
    step = level[:, after].mean(axis=1) - level[:, 0]
    spread = np.hypot(error[:, 0], np.sqrt(np.mean(error[:, after] ** 2, axis=1) / 8))
    assert np.all(np.abs(step) < 0.5 + 2.0 * spread), step.round(2)


def third_octaves(response: Samples) -> Samples:
    """Return powers in third octaves 100 Hz to 10 kHz (IEC 61260-1, base ten), shape (..., 21)."""
    size = 1 << 15
    power = np.abs(scipy.fft.rfft(response, size, axis=-1)) ** 2
    frequency = scipy.fft.rfftfreq(size, 1.0 / RATE)
    centres = 1000.0 * 10.0 ** (np.arange(-10, 11) / 10.0)
    return np.stack(
        [power[..., (frequency >= f / 10**0.05) & (frequency < f * 10**0.05)].sum(axis=-1) for f in centres], axis=-1
    )


def test_sections_keep_their_stem_s_tone_at_every_capsule(scene: Scene) -> None:
    """The demo's five sections without reflections, third octaves 100 Hz to 10 kHz: within 1 dB of their players.

    Against the summed powers of the players alone, each computed as a section of one. Summed as they are, the same
    players comb by more than 10 dB.
    """
    silent = replace(scene.hall, materials=(material(ANECHOIC),) * 6, patches=())
    scene = replace(scene, hall=silent, sections=scene.sections[:-1])
    until = 0.13
    for section in scene.sections:
        share = section.share / len(section.players)
        alone = np.array(
            [early_part(scene, replace(section, players=(p,), share=share), until).sum(axis=0) for p in section.players]
        )
        wanted = third_octaves(alone).sum(axis=0)
        kept = 10.0 * np.log10(third_octaves(early_part(scene, section, until).sum(axis=0)) / wanted)
        combed = 10.0 * np.log10(third_octaves(alone.sum(axis=0)) / wanted)
        assert np.abs(kept).max() < 1.0, (section.name, np.abs(kept).max(axis=1).round(2).tolist())
        assert np.abs(combed).max() > 10.0, section.name


def row(width: float) -> Section:
    """Return twelve players side by side, 6 m in front of the origin."""
    return Section(
        "row", OMNIDIRECTIONAL, tuple(Player((float(x), 6.0, 1.2), 180.0) for x in np.linspace(-width, width, 12) / 2)
    )


def likeness(pair: Samples, limit: float) -> float:
    """Return the largest normalised cross-correlation of two channels, 500 Hz to 4 kHz, within a lag in s."""
    size = 1 << 15
    frequency = scipy.fft.rfftfreq(size, 1.0 / RATE)
    spectra = scipy.fft.rfft(pair, size, axis=-1) * ((frequency > 500.0) & (frequency < 4000.0))
    across, *own = (scipy.fft.irfft(spectra[i] * np.conj(spectra[j]), size) for i, j in ((0, 1), (0, 0), (1, 1)))
    lags = np.arange(-round(limit * RATE), round(limit * RATE) + 1)
    return float(np.abs(across[lags]).max() / np.sqrt(own[0][0] * own[1][0]))


@pytest.mark.parametrize(
    "capsules",
    [
        (Capsule("left", (-0.2, 0.0, 3.0)), Capsule("right", (0.2, 0.0, 3.0))),
        (
            Capsule("left", (0.0, 0.0, 3.0), (-90.0, 0.0), "cardioid"),
            Capsule("right", (0.0, 0.0, 3.0), (90.0, 0.0), "cardioid"),
        ),
    ],
    ids=["spaced", "coincident"],
)
def test_wider_sections_are_less_alike_in_two_capsules(capsules: tuple[Capsule, Capsule]) -> None:
    """Direct sound of twelve players over 0.5, 2, 5 and 10 m: ever less alike, mean of four seeds.

    From 0.83 to 0.39 in two omnis 0.4 m apart, from 1.00 to 0.71 in two cardioids back to back.
    """
    room = hall(material(ANECHOIC), size=(40.0, 40.0, 20.0))
    alike = []
    for width in (0.5, 2.0, 5.0, 10.0):
        scenes = [Scene(room, (row(width),), (microphones(*capsules),), RATE, seed) for seed in range(1, 5)]
        alike.append(np.mean([likeness(early_part(s, s.sections[0], 0.1).sum(axis=0), 0.008) for s in scenes]))
    assert all(wide < narrow for narrow, wide in itertools.pairwise(alike))
    assert alike[0] > 0.8
    assert alike[-1] < 0.75 * alike[0]


def rise(signals: Samples) -> Samples:
    """Return the time in s from 10 to 90 % of the envelope's peak, smoothed over 2 ms; shape (...,)."""
    window = scipy.signal.windows.hann(round(0.002 * RATE))
    envelope = np.sqrt(scipy.signal.convolve(np.atleast_2d(signals) ** 2, window[None], method="direct"))
    level = envelope / envelope.max(axis=-1, keepdims=True)
    return np.asarray((np.argmax(level >= 0.9, axis=-1) - np.argmax(level >= 0.1, axis=-1)) / RATE)


def test_a_pizzicato_stays_one(scene: Scene) -> None:
    """Every player of the demo's plan: 90 % of the filter's energy within 10 ms, the attack at most 5 ms longer.

    A pluck of 5 ms attack and 60 ms decay, harmonics of 196 Hz falling by 6 dB an octave.
    """
    size = 1 << 14
    frequency = scipy.fft.rfftfreq(size, 1.0 / RATE)
    time = np.arange(size // 2) / RATE
    tone = np.sum([np.sin(2.0 * np.pi * 196.0 * n * time + n * n) / n for n in range(2, 40)], axis=0)
    pluck = tone * np.minimum(time / 0.005, 1.0) * np.exp(-np.maximum(time - 0.005, 0.0) / 0.06)
    _, high = crossover(frequency)
    plain = rise(scipy.fft.irfft(scipy.fft.rfft(pluck, size) * high, size))
    for section in scene.sections[:-1]:
        filters = decorrelation(scene.seed, section.name, len(section.players), frequency) * high
        energy = scipy.fft.irfft(filters, size, axis=-1) ** 2
        assert np.all(energy[:, : round(0.010 * RATE)].sum(axis=1) > 0.9 * energy.sum(axis=1)), section.name
        later = rise(scipy.fft.irfft(scipy.fft.rfft(pluck, size) * filters, size, axis=-1)) - plain
        assert later.max() <= 0.005, (section.name, later)
