"""The console: gains in dB, delays in samples, the stereo law, and arrivals that an offset must not cut."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
import soundfile
from numpy.typing import NDArray

from render.console import Console, set_console
from render.scene_file import SceneFile, read_scene
from render.voices import halved_sections, parts, probe_stems
from rooms.errors import InputError
from rooms.responses import Responses
from rooms.scene import Scene
from tests.small_scenes import ARRAYS, SECTIONS, below, write_scene

ROOM = '[arrays.room]\nposition = [0, -4, 3]\ngain = -6.0\ndelay = 0.01\ncapsules = [{name = "mono"}]\n'
FIRST = 200  # samples: when every response of these tests begins


BEGUN, LENGTH = 600, 1000  # samples of the direct and early parts, and of responses
OTHERS = """
[arrays.spots]
purpose = "spot"
align = true
each_section = {height = 2.5, distance = 0.5}
"""


def scene_of(folder: Path, **tables: str) -> SceneFile:
    """Read a scene of two sections and a pair, with no gain of the mix unless told."""
    stems = {"left": np.ones(10), "right": np.ones(10)}
    return read_scene(write_scene(folder, stems, **({"more": "[mix]\ngain = 0.0\n"} | tables)))


def made_up(
    scene: Scene, samples: NDArray[np.float32], direct: NDArray[np.float32], early: NDArray[np.float32]
) -> Responses:
    """Return responses of given samples, everything arriving at `FIRST`."""
    shape = samples.shape[:2]
    nothing = np.zeros((*shape, 9, 10))
    arrivals = np.full(shape, FIRST / 48000)
    return Responses(
        scene,
        samples,
        direct,
        early,
        arrivals,
        np.zeros(shape),
        nothing,
        nothing,
        arrivals,
        0.001,
        0.03,
        np.ones(9),
    )


def impulses(scene: Scene) -> Responses:
    """Return responses that are single samples of 1: direct sound alone."""
    samples = np.zeros((len(scene.sections), len(scene.capsules), LENGTH), np.float32)
    samples[:, :, FIRST] = 1.0
    return made_up(scene, samples, samples, np.zeros_like(samples))


def noises(scene: Scene) -> Responses:
    """Return responses whose direct, early and late parts are noise, the same for the same section and capsule."""
    samples = np.empty((len(scene.sections), len(scene.capsules), LENGTH), np.float32)
    direct, early = np.empty((2, *samples.shape[:2], BEGUN), np.float32)
    for n, section in enumerate(scene.sections):
        for m, (array, capsule) in enumerate(scene.capsules):
            random = np.random.default_rng([*section.name.encode(), *array.name.encode(), *capsule.name.encode()])
            for part in (samples, direct, early):
                part[n, m] = random.standard_normal(part.shape[2])
                part[n, m, :FIRST] = 0.0
    return made_up(scene, samples, direct, early)


def console(folder: Path, **tables: str) -> Console:
    """Set the console of a scene whose responses are single samples of 1."""
    scene_file = scene_of(folder, **tables)
    return set_console(scene_file, impulses(scene_file.scene(48000)))


def noisy(folder: Path, keys: str = "", more: str = "[mix]\ngain = 0.0\n") -> tuple[Console, Responses]:
    """Set the console of pair and spots whose responses are noise; the keys are the pair's."""
    scene_file = scene_of(folder, arrays=ARRAYS.replace("[arrays.pair]", f"[arrays.pair]\n{keys}") + OTHERS, more=more)
    responses = noises(scene_file.scene(48000))
    return set_console(scene_file, responses), responses


def test_every_gain_counts_in_decibels_and_every_delay_in_samples(tmp_path: Path) -> None:
    """Mix +3, section −2 (left), room −6 dB; the room 480 samples later, nothing else moved."""
    set_up = console(
        tmp_path,
        sections=SECTIONS.replace("[sections.left]\n", "[sections.left]\ngain = -2.0\n"),
        arrays=ARRAYS + ROOM,
        more="[mix]\ngain = 3.0\n",
    )
    # Chain of tables in file order: two sections, three capsules.
    assert set_up.sections == ("left", "right")
    assert set_up.capsules == (("pair", "left"), ("pair", "right"), ("room", "mono"))
    assert set_up.channels == {"pair": slice(0, 2), "room": slice(2, 3)}
    assert set_up.gain_db == 3.0
    wanted = np.zeros((2, 3, 1480), np.float32)
    for n, section in enumerate((-2.0, 0.0)):
        wanted[n, :2, FIRST] = 10 ** ((3.0 + section) / 20)
        wanted[n, 2, FIRST + 480] = 10 ** ((3.0 + section - 6.0) / 20)
    np.testing.assert_allclose(set_up.responses, wanted, rtol=1e-6)


def test_the_offset_moves_all_and_a_delay_adds_to_it(tmp_path: Path) -> None:
    """4 ms off the start are 192 samples earlier; the delayed room is 480 − 192 samples later."""
    set_up = console(tmp_path, arrays=ARRAYS + ROOM, more="[mix]\ngain = 0.0\noffset = 0.004\n")
    assert [int(np.argmax(set_up.responses[0, m])) for m in range(3)] == [FIRST - 192, FIRST - 192, FIRST + 288]


def test_an_offset_up_to_the_first_arrival_is_allowed_and_no_more(tmp_path: Path) -> None:
    """At 200 samples, 4.1667 ms, everything arrives: 4.1 ms pass; 4.2 ms name capsule, excess and limit."""
    set_up = console(tmp_path / "fits", more="[mix]\ngain = 0.0\noffset = 0.0041\n")
    assert int(np.argmax(set_up.responses[0, 0])) == FIRST - 197
    with pytest.raises(
        InputError,
        match=r"offset: found 0\.0042 s, but section 'left' arrives at capsule 'left' of array 'pair' 0\.0 ms before "
        r"that; allowed: up to 0\.0041 s$",
    ):
        console(tmp_path / "late", more="[mix]\ngain = 0.0\noffset = 0.0042\n")


def test_a_negative_delay_counts_against_the_offset(tmp_path: Path) -> None:
    """3 ms of offset and −3 ms of delay would reach before the sound does."""
    early = ARRAYS.replace("[arrays.pair]", "[arrays.pair]\ndelay = -0.003")
    with pytest.raises(InputError, match=r"found 0\.003 s, .* 1\.8 ms before that; allowed: up to 0\.0011 s$"):
        console(tmp_path, arrays=early, more="[mix]\ngain = 0.0\noffset = 0.003\n")


def test_the_law_has_constant_power(tmp_path: Path) -> None:
    """Left and right to their sides, a single capsule with −3 dB into both."""
    set_up = console(tmp_path, arrays=ARRAYS + ROOM)
    half = np.sqrt(0.5)
    np.testing.assert_allclose(set_up.law, [[1.0, 0.0, half], [0.0, 1.0, half]], atol=1e-7)


PAIR, SPOTS = slice(0, 2), slice(2, 4)


def test_a_mix_at_0_db_leaves_every_bit_as_it_is(tmp_path: Path) -> None:
    """Parts, sends, balance and width given as 0 dB and 1 are the same as none, and no responses change at all."""
    keys = "direct = 0.0\nearly = 0.0\nlate = 0.0\nsends = {left = 0.0}\nwidth = 1.0\ninvert_polarity = false\n"
    plain, responses = noisy(tmp_path / "plain")
    given, _ = noisy(tmp_path / "given", keys, "[mix]\ngain = 0.0\n[mix.balance]\nmain = 0.0\nsurround = 0.0\n")
    np.testing.assert_array_equal(given.responses, plain.responses)
    np.testing.assert_array_equal(given.law, plain.law)
    np.testing.assert_array_equal(plain.responses[:, PAIR, :LENGTH], responses.samples[:, PAIR])


@pytest.mark.parametrize(
    ("keys", "gains"),
    [
        ("direct = -6.0\nearly = 3.0\nlate = -40.0", (10**-0.3, 10**0.15, 10**-2.0)),
        ('direct = "off"', (0.0, 1.0, 1.0)),
        ("early = -inf", (1.0, 0.0, 1.0)),
        ('direct = 6.0\nearly = "off"\nlate = "off"', (10**0.3, 0.0, 0.0)),
    ],
)
def test_direct_early_and_late_have_gains_of_their_own(
    tmp_path: Path, keys: str, gains: tuple[float, float, float]
) -> None:
    """Against the parts summed in double precision, within −120 dB; other arrays stay."""
    found, responses = noisy(tmp_path / "a", keys)
    direct, early = np.zeros((2, 2, 2, LENGTH))
    direct[..., :BEGUN], early[..., :BEGUN] = responses.direct[:, PAIR], responses.early[:, PAIR]
    late = responses.samples[:, PAIR] - direct - early
    wanted = gains[0] * direct + gains[1] * early + gains[2] * late
    assert below(found.responses[:, PAIR, :LENGTH], wanted) < -120.0
    np.testing.assert_array_equal(found.responses[:, SPOTS], noisy(tmp_path / "b")[0].responses[:, SPOTS])


def test_the_parts_alone_add_up_to_the_whole(tmp_path: Path) -> None:
    """Within −120 dB: what the direct sound, the early and the late part are is nobody's twice."""
    names = ("direct", "early", "late")
    alone = [noisy(tmp_path / n, "".join(f'{o} = "off"\n' for o in names if o != n))[0].responses for n in names]
    summed = np.sum(alone, axis=0, dtype=np.float64)[:, PAIR]
    assert below(summed, noisy(tmp_path / "all")[0].responses[:, PAIR]) < -120.0


def test_a_send_is_of_one_section_into_one_array(tmp_path: Path) -> None:
    """−6 dB, off, and minus infinity; nobody else's level moves."""
    plain = noisy(tmp_path / "plain")[0].responses
    softer = noisy(tmp_path / "softer", "sends = {left = -6.0}")[0].responses
    np.testing.assert_allclose(softer[0, PAIR], plain[0, PAIR] * 10**-0.3, rtol=1e-6)
    np.testing.assert_array_equal(softer[1], plain[1])
    np.testing.assert_array_equal(softer[0, SPOTS], plain[0, SPOTS])
    for off in ('"off"', "-inf"):
        without = noisy(tmp_path / off.strip('"'), f"sends = {{right = {off}}}")[0].responses
        assert not np.any(without[1, PAIR])
        np.testing.assert_array_equal(without[0], plain[0])
        np.testing.assert_array_equal(without[1, SPOTS], plain[1, SPOTS])


def test_both_halves_of_a_section_go_by_its_send(tmp_path: Path) -> None:
    """A stereo stem is seated as two halves; the scene names the section."""
    scene_file = scene_of(tmp_path, arrays=ARRAYS.replace("[arrays.pair]", "[arrays.pair]\nsends = {left = -6.0}"))
    soundfile.write(tmp_path / "left.wav", np.ones((10, 2)), 48000, "FLOAT")
    halved = halved_sections(scene_file, probe_stems(scene_file, scene_file.cues)[0])
    seated = tuple(part for section in scene_file.sections for part in parts(section, halved))
    assert len(seated) == 3
    found = set_console(scene_file, impulses(replace(scene_file, sections=seated).scene(48000)))
    np.testing.assert_allclose(found.responses[:, 0, FIRST], [10**-0.3, 10**-0.3, 1.0], rtol=1e-6)


def test_inverted_polarity_is_the_negative(tmp_path: Path) -> None:
    plain, inverted = noisy(tmp_path / "a")[0].responses, noisy(tmp_path / "b", "invert_polarity = true")[0].responses
    np.testing.assert_array_equal(inverted[:, PAIR], -plain[:, PAIR])
    np.testing.assert_array_equal(inverted[:, SPOTS], plain[:, SPOTS])


def test_the_high_pass_is_of_one_array_and_adds_no_length(tmp_path: Path) -> None:
    """Against SciPy's own Butterworth design of second order, within −120 dB."""
    plain, filtered = noisy(tmp_path / "a")[0].responses, noisy(tmp_path / "b", "high_pass = 120.0")[0].responses
    butterworth = scipy.signal.butter(2, 120.0, "highpass", fs=48000, output="sos")
    wanted = scipy.signal.sosfilt(butterworth, plain[:, PAIR, :LENGTH].astype(np.float64))
    assert below(filtered[:, PAIR, :LENGTH], wanted) < -120.0
    np.testing.assert_array_equal(filtered[:, SPOTS], plain[:, SPOTS])
    assert filtered.shape == plain.shape


def test_the_balance_adds_to_the_gains_of_the_arrays_of_a_purpose(tmp_path: Path) -> None:
    """Spots −12 dB of their own, −3 dB by the balance; the pair is for the main sound and stays."""
    arrays = ARRAYS + OTHERS.replace("align = true", "gain = -12.0") + ROOM.replace("delay = 0.01", 'purpose = "spot"')
    found = console(tmp_path, arrays=arrays, more="[mix]\ngain = 0.0\nbalance = {spot = -3.0}\n").responses
    wanted = 10 ** (np.array([0.0, 0.0, -15.0, -15.0, -9.0]) / 20.0)
    np.testing.assert_allclose(found[0, :, FIRST], wanted, rtol=1e-6)


def test_what_is_not_heard_still_gives_the_image_and_the_time_of_spots(tmp_path: Path) -> None:
    """Muting the main array, or a solo elsewhere, moves no spot: neither its delay nor its place."""
    scene_file = scene_of(tmp_path, arrays=ARRAYS + OTHERS)
    whole = set_console(scene_file, noises(scene_file.scene(48000)))
    spots = replace(scene_file, arrays=scene_file.arrays[1:]).scene(48000)
    alone = set_console(scene_file, noises(spots))
    np.testing.assert_array_equal(alone.responses, whole.responses[:, SPOTS])
    np.testing.assert_array_equal(alone.law, whole.law[:, SPOTS])


@pytest.mark.parametrize("width", [0.0, 0.5, 2.0])
def test_the_width_is_the_ratio_of_side_to_mid_and_keeps_power_and_capsules(tmp_path: Path, width: float) -> None:
    """Of the pair alone, whose power in the two channels stays within 0.1 dB (it is equal, to rounding)."""
    plain, wide = noisy(tmp_path / "a")[0], noisy(tmp_path / "b", f"width = {width}")[0]
    np.testing.assert_array_equal(wide.responses, plain.responses)
    np.testing.assert_array_equal(wide.law[:, SPOTS], plain.law[:, SPOTS])
    law, before = wide.law[:, PAIR], plain.law[:, PAIR]
    ratio = (law[0] - law[1]) / (law[0] + law[1])
    np.testing.assert_allclose(ratio, width * (before[0] - before[1]) / (before[0] + before[1]), atol=1e-6)
    assert 10.0 * np.log10((law**2).sum() / (before**2).sum()) == pytest.approx(0.0, abs=1e-5)
