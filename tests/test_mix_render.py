"""The mix as rendered files: what adds up, what nulls, and what moves nothing else."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import scipy.fft
from numpy.typing import NDArray

from tests.small_scenes import ARRAYS, below, heard, impulse, noise, rendered, without_figures, write_scene

SPOTS = """
[arrays.spots]
purpose = "spot"
each_section = {height = 2.5, distance = 0.5}
"""
ROOM = """
[arrays.room]
purpose = "ambience"
position = [0, -4, 3]
capsules = [{name = "left", at = [-1, 0, 0]}, {name = "right", at = [1, 0, 0]}]
"""
NAMES = ("pair", "spots", "room")
Files = dict[str, NDArray[np.float64]]


def mixed(folder: Path, pair: str = "", spots: str = "", room: str = "", balance: str = "", *options: str) -> Files:
    """Render two sections of noise under pair, spots and room, each with keys of its own; return all files."""
    arrays = ARRAYS + SPOTS + ROOM
    for name, keys in zip(NAMES, (pair, spots, room), strict=True):
        arrays = arrays.replace(f"[arrays.{name}]\n", f"[arrays.{name}]\n{keys}\n")
    stems = {"left": noise(), "right": noise(seed=2)}
    # Longer than any response, so that no end is faded.
    more = f"[mix]\ngain = 0.0\n[mix.balance]\n{balance}\n[output]\ntail = 1.0\n"
    scene = write_scene(folder / "cue", stems, arrays=arrays, more=more)
    out = rendered(scene, *options)
    return {path.stem.removeprefix("cue").removeprefix("_"): heard(path) for path in out.rglob("*.wav")}


@pytest.fixture(scope="module", autouse=True)
def _no_figures() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        without_figures(patch)
        yield


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Files:
    """The scene with no key of the mix set."""
    return mixed(tmp_path_factory.mktemp("plain"))


def of(files: Files, array: str) -> Files:
    """Return the files of an array's own: its mix and its capsules."""
    return {name: samples for name, samples in files.items() if name == array or name.startswith(f"{array}_")}


def assert_same(found: Files, wanted: Files, names: tuple[str, ...]) -> None:
    """Files of these arrays are the same, sample by sample; one may end later, in silence but for rounding."""
    for name in names:
        for file, samples in of(wanted, name).items():
            length = min(1 + int(np.nonzero(sound.any(axis=0))[0][-1]) for sound in (samples, found[file]))
            np.testing.assert_array_equal(found[file][:, :length], samples[:, :length])
            rest = np.concatenate([found[file][:, length:], samples[:, length:]], axis=1)
            assert np.abs(rest).max(initial=0.0) < 1e-6 * np.abs(samples).max()


def test_with_everything_set_stems_add_up_to_arrays_and_arrays_to_the_mix(tmp_path: Path) -> None:
    """Within −120 dB: all that the mix does is in the responses, or is one law for all sections."""
    files = mixed(
        tmp_path,
        "width = 1.7\ndirect = -4.0\nlate = 2.0\ninvert_polarity = true",
        "align = true\ndelay = 0.008\nsends = {left = -6.0}\ngain = -3.0\ntrims = {right = 2.0}",
        'high_pass = 150.0\nwidth = 0.3\nearly = "off"\nsends = {right = "off"}',
        "main = 1.5\nspot = -2.0\nambience = 4.0",
        "--stems",
    )
    assert below(files["pair"] + files["spots"] + files["room"], files[""]) < -120.0
    for array in NAMES:
        assert below(files[f"left_{array}"] + files[f"right_{array}"], files[array]) < -120.0
    assert not np.any(files["right_room"])


def test_direct_alone_is_the_direct_sound_and_without_it_the_floor_comes_first(tmp_path: Path) -> None:
    """By geometry: 2.55 m straight and 4.30 m by the floor, at 343.2 m/s; the direct sound falls as 1/r.

    Two capsules hear the left player alone. −50 dB: what the subsonic high-pass leaves, 2·π·10 Hz·√2 a sample.
    """
    arrays = '[arrays.KIND]\nposition = [-0.5, 0, 2]\ncapsules = [{name = "mono"}]\n'
    dry = arrays.replace("KIND", "dry") + 'early = "off"\nlate = "off"\n'
    wet = arrays.replace("KIND", "wet").replace("-0.5", "-0.49") + 'direct = "off"\n'
    stems = {"left": impulse(), "right": np.zeros(1000)}
    out = rendered(write_scene(tmp_path / "cue", stems, arrays=dry + wet, more="[mix]\ngain = 0.0\n")) / "mix"
    direct, rest = (heard(out / f"cue_{name}_mono.wav")[0] for name in ("dry", "wet"))
    straight, by_floor = (np.hypot(np.hypot(1.5, 2.0), height) for height in (0.5, 3.5))
    arrival, floor = (48000 * way / 343.2 for way in (straight, by_floor))
    assert np.abs(scipy.fft.rfft(direct))[direct.size // 48] == pytest.approx(1.0 / straight, rel=0.01)  # at 1 kHz
    peak = np.abs(direct).max()
    assert abs(int(np.argmax(np.abs(direct))) - arrival) <= 1
    near = np.abs(np.arange(direct.size) - arrival) < 48
    assert np.abs(direct[~near]).max() < 10**-2.5 * peak
    assert np.abs(rest[: int(arrival) + 96]).max() < 10**-2.5 * peak
    assert abs(int(np.argmax(np.abs(rest[: int(floor) + 48]))) - floor) <= 1


def test_keys_at_their_defaults_give_the_same_samples(tmp_path: Path, plain: Files) -> None:
    """0 dB of everything, width 1: bit by bit what the scene without these keys gives."""
    keys = "direct = 0.0\nearly = 0.0\nlate = 0.0\nsends = {left = 0.0, right = 0.0}\nwidth = 1.0"
    files = mixed(tmp_path, keys, keys, keys, "main = 0.0\nspot = 0.0\nambience = 0.0")
    for name, samples in plain.items():
        np.testing.assert_array_equal(files[name], samples)


def test_a_solo_is_muting_the_others_and_says_so(tmp_path: Path, plain: Files) -> None:
    """The same files, and of the soloed array the same samples as in the whole mix; the report warns."""
    solo = mixed(tmp_path / "solo", "", "solo = true")
    muted = mixed(tmp_path / "muted", "mute = true", "", "mute = true")
    assert set(solo) == set(muted) == {"", *of(plain, "spots")}
    for name, samples in muted.items():
        np.testing.assert_array_equal(solo[name], samples)
    assert_same(solo, plain, ("spots",))
    np.testing.assert_array_equal(solo[""], solo["spots"])
    warnings = [
        json.loads((tmp_path / name / "cue" / "out" / "report.json").read_text(encoding="utf-8"))["warnings"]
        for name in ("solo", "muted")
    ]
    assert warnings == [["solo: the mix holds only spots; pair, room: neither in the mix nor written"], []]


def test_muting_the_main_array_moves_no_aligned_spot(tmp_path: Path) -> None:
    """They wait for where it hangs, heard or not."""
    whole, without = (mixed(tmp_path / keys, keys, "align = true") for keys in ("mute = false", "mute = true"))
    assert_same(without, whole, ("spots", "room"))


def test_alignment_differs_by_the_delay_of_spots_alone(tmp_path: Path, plain: Files) -> None:
    """A whole number of samples for each spot, more than a millisecond here; all else is the same to the bit."""
    aligned = mixed(tmp_path, "", "align = true")
    assert_same(aligned, plain, ("pair", "room"))
    for name in ("spots_left", "spots_right"):
        found, wanted = aligned[name][0], plain[name][0]
        shift = int(np.argmax(np.abs(found))) - int(np.argmax(np.abs(wanted)))
        assert shift > 48
        assert below(found[shift : shift + wanted.size], wanted[: found.size - shift]) < -120.0
        assert not np.any(np.abs(found[:shift]) > 1e-6 * np.abs(wanted).max())


def test_inverted_polarity_nulls(tmp_path: Path, plain: Files) -> None:
    """Added to what it was, below −120 dB: the array alone, and the mix but for the others."""
    files = mixed(tmp_path, "", "", "invert_polarity = true")
    assert below(-files["room"], plain["room"]) < -120.0
    assert below(files[""] + 2.0 * plain["room"], plain[""]) < -120.0
    assert_same(files, plain, ("pair", "spots"))


@pytest.mark.parametrize("width", [0.0, 0.5, 2.0])
def test_width_leaves_capsules_alone_and_0_is_mono(tmp_path: Path, plain: Files, width: float) -> None:
    """Side over mid changes by the factor, within −120 dB; both channels are the same, bit by bit, at 0."""
    files = mixed(tmp_path, "", "", f"width = {width}")
    for name in ("room_left", "room_right"):
        np.testing.assert_array_equal(files[name], plain[name])
    if width == 0.0:
        np.testing.assert_array_equal(files["room"][0], files["room"][1])
    mid, side = (files["room"][0] + s * files["room"][1] for s in (1.0, -1.0))
    plain_mid, plain_side = (plain["room"][0] + s * plain["room"][1] for s in (1.0, -1.0))
    scale = np.sqrt(2.0 / (1.0 + width**2))  # equal power of two capsules, one to each side
    assert below(mid, scale * plain_mid) < -120.0
    assert below(side / width if width else side + plain_side, scale * plain_side if width else plain_side) < -120.0
    assert_same(files, plain, ("pair", "spots"))


def test_capsules_have_the_same_power_wherever_they_are_panned(tmp_path: Path) -> None:
    """Within 0.1 dB of the capsule's own file, left to right; in the middle, −3 dB into both (common practice)."""
    pans = np.linspace(-1.0, 1.0, 9)
    arrays = "".join(
        f'[arrays.a{n}]\nposition = [0, 0, 2]\ncapsules = [{{name = "mono", pan = {pan}}}]\n'
        for n, pan in enumerate(pans)
    )
    scene = write_scene(tmp_path / "cue", {"left": noise(), "right": noise(seed=2)}, arrays=arrays)
    out = rendered(scene) / "mix"
    for n in range(pans.size):
        stereo, mono = heard(out / f"cue_a{n}.wav"), heard(out / f"cue_a{n}_mono.wav")[0]
        assert 10.0 * np.log10((stereo**2).sum() / (mono**2).sum()) == pytest.approx(0.0, abs=0.1)
        if pans[n] == 0.0:
            assert below(stereo, np.sqrt(0.5) * np.array([mono, mono])) < -120.0
