"""Surround beds and Ambisonics: which capsule goes to which channel, and what the files say of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile

from render.beds import AMBIX, ambix_law, encoded
from rooms.microphones import Array, Capsule
from rooms.units import unit_vector
from tests.small_scenes import (
    ARRAYS,
    RATE,
    SECTIONS,
    below,
    contents,
    hall_text,
    heard,
    impulse,
    noise,
    rendered,
    report_of,
    run,
    write_scene,
)

pytestmark = pytest.mark.usefixtures("no_figures")
STEMS = {"left": noise(0.6), "right": noise(0.6, seed=2)}
AROUND = """\
[arrays.around]
position = [0, -1, 2.5]
capsules = [
    {name = "Rs", at = [1, -2, 0], loudspeaker = "SR"},
    {name = "C", at = [0, 0.5, 0], loudspeaker = "FC"},
    {name = "L", at = [-1, 0, 0], loudspeaker = "FL"},
    {name = "R", at = [1, 0, 0], loudspeaker = "FR"},
    {name = "Ls", at = [-1, -2, 0], loudspeaker = "SL"},
]
"""
BACK = """\
[arrays.back]
purpose = "ambience"
position = [0, -5, 3]
capsules = [{name = "l", at = [-2, 0, 0], loudspeaker = "BL"}, {name = "r", at = [2, 0, 0], loudspeaker = "BR"}]
"""
TOP = '[arrays.top]\nposition = [0, -2, 5]\ncapsules = [{name = "l", loudspeaker = "TFL"}]\n'


def bed(layout: str) -> str:
    return f'[output]\nlength = 1.0\nsurround = "{layout}"\n'


def mask(path: Path) -> int:
    """Return the channel mask of a wave file."""
    data = path.read_bytes()
    at = data.index(b"fmt ") + 28
    return int.from_bytes(data[at : at + 4], "little")


@pytest.mark.parametrize(
    ("layout", "channels", "label"),
    [("5.0", "L R C Ls Rs", 0x37), ("5.1", "L R C - Ls Rs", 0x3F), ("7.1", "L R C - - - Ls Rs", 0x63F)],
)
def test_each_capsule_is_in_the_channel_of_its_loudspeaker(
    tmp_path: Path, layout: str, channels: str, label: int
) -> None:
    """The very samples of its own file, whatever the order in the scene; channels nobody feeds are silent.

    Masks: Microsoft's speaker positions (from memory).
    """
    folder = rendered(write_scene(tmp_path / "a", STEMS, arrays=AROUND, more=bed(layout)))
    path = folder / "mix" / f"a_around_{layout}.wav"
    for name, signal in zip(channels.split(), heard(path), strict=True):
        if name == "-":
            assert not signal.any()
        else:
            np.testing.assert_array_equal(signal, heard(folder / "mix" / f"a_around_{name}.wav")[0])
    assert mask(path) == label
    np.testing.assert_array_equal(heard(folder / "mix" / f"a_{layout}.wav"), heard(path))  # there is no other array
    files = {file["path"]: file for file in report_of(folder)["files"]}
    assert files[f"mix/a_around_{layout}.wav"]["what"] == f"array 'around' as {layout} surround bed"
    assert files[f"mix/a_around_{layout}.wav"]["channel_names"][:3] == ["FL", "FR", "FC"]


def test_sides_and_back_are_one_pair_where_the_layout_has_one(tmp_path: Path) -> None:
    """In 5.1 both add up, in 7.1 each has its own."""
    for layout, sums in (("5.1", {4: ("around_Ls", "back_l")}), ("7.1", {4: ("back_l",), 6: ("around_Ls",)})):
        folder = rendered(write_scene(tmp_path / layout, STEMS, arrays=AROUND + BACK, more=bed(layout)))
        found = heard(folder / "mix" / f"{layout}_{layout}.wav")
        for channel, names in sums.items():
            wanted = sum(heard(folder / "mix" / f"{layout}_{name}.wav")[0] for name in names)
            assert below(found[channel], wanted) < -120.0


def test_the_bed_of_the_mix_is_its_arrays_and_others_in_front_as_in_stereo(tmp_path: Path) -> None:
    """An array that names no loudspeaker has no bed of its own; its stereo signal is in front left and right."""
    scene = write_scene(tmp_path / "a", STEMS, arrays=AROUND + BACK + ARRAYS, more=bed("7.1"))
    mix = rendered(scene) / "mix"
    assert not (mix / "a_pair_7.1.wav").exists()
    total = heard(mix / "a_around_7.1.wav") + heard(mix / "a_back_7.1.wav")
    total[:2] += heard(mix / "a_pair.wav")
    assert below(heard(mix / "a_7.1.wav"), total) < -120.0


def test_stems_of_sections_add_up_to_the_bed_of_the_mix(tmp_path: Path) -> None:
    """One file a section, through all arrays."""
    scene = write_scene(tmp_path / "a", STEMS, arrays=AROUND + ARRAYS, more=bed("5.1"))
    folder = rendered(scene, "--stems")
    parts = [heard(folder / "stems" / f"a_{section}_5.1.wav") for section in STEMS]
    assert below(sum(parts), heard(folder / "mix" / "a_5.1.wav")) < -120.0
    assert np.abs(parts[0] - parts[1]).max() > 1e-3


def test_asking_for_beds_changes_no_other_file(tmp_path: Path) -> None:
    """Not even its dither."""
    arrays = AROUND + '[arrays.point]\npreset = "ambisonic"\n'
    plain = write_scene(tmp_path / "a" / "scene", STEMS, arrays=arrays, more="[output]\nlength = 1.0\n")
    more = write_scene(tmp_path / "b" / "scene", STEMS, arrays=arrays, more=bed("5.1") + "ambisonic = true\n")
    before, after = (contents(rendered(scene, "--stems", "--format", "pcm16")) for scene in (plain, more))
    assert {name for name in after.keys() - before.keys() if name.endswith(".wav")} == {
        "mix/scene_5.1.wav", "mix/scene_around_5.1.wav", "stems/scene_left_5.1.wav", "stems/scene_right_5.1.wav",
        "mix/scene_ambix.wav", "mix/scene_point_ambix.wav",
        "stems/scene_left_point_ambix.wav", "stems/scene_right_point_ambix.wav",
    }  # fmt: skip
    sound = [name for name in before if name.endswith(".wav")]
    assert len(sound) > 10
    assert {name: after[name] for name in sound} == {name: before[name] for name in sound}


def test_a_bed_s_loudness_is_that_of_an_independent_meter(tmp_path: Path) -> None:
    """Within 0.1 LU (EBU Tech 3341), surrounds weighted; the LFE channel changes nothing."""
    found = {}
    for layout in ("5.0", "5.1"):
        scene = write_scene(tmp_path / layout, STEMS, arrays=AROUND, more=bed(layout).replace("1.0", "0.6"))
        folder = rendered(scene)
        report = report_of(folder)
        found |= {file["path"]: file["lufs"] for file in report["files"]}
    samples = heard(tmp_path / "5.0" / "out" / "mix" / "5.0_5.0.wav")
    assert samples.shape[0] == 5  # the other meter's weights are those of L R C Ls Rs
    wanted = pyloudnorm.Meter(RATE, filter_class="DeMan").integrated_loudness(samples.T)
    assert found["mix/5.0_5.0.wav"] == pytest.approx(wanted, abs=0.1)
    assert found["mix/5.1_5.1.wav"] == pytest.approx(found["mix/5.0_5.0.wav"], abs=1e-6)


@pytest.mark.parametrize(
    ("arrays", "layout", "message"),
    [
        (ARRAYS, "5.1", "no microphone that is heard names a loudspeaker"),
        (AROUND.replace("around]", "around]\nmute = true") + ARRAYS, "5.1", "no microphone that is heard"),
        (AROUND, "4.0", "capsule 'C' of array 'around' feeds loudspeaker FC, which 4.0 hasn't"),
        (AROUND + TOP, "7.1", "capsule 'l' of array 'top' feeds loudspeaker TFL, which 7.1 hasn't"),
        (AROUND, "6.1", "found '6.1'"),
        (AROUND.replace('"FC"', '"XC"'), "5.1", "loudspeaker"),
    ],
)
def test_a_bed_that_cannot_be_is_one_line(tmp_path: Path, arrays: str, layout: str, message: str) -> None:
    """With file and line, before anything is written."""
    done = run("render", write_scene(tmp_path, STEMS, arrays=arrays, more=bed(layout)), "-o", tmp_path / "out")
    assert done.exit_code == 2
    assert len(done.stderr.splitlines()) == 1
    assert message in done.stderr
    assert "scene.toml:" in done.stderr
    assert not (tmp_path / "out").exists()


def test_flac_holds_beds_up_to_its_own_layouts(tmp_path: Path) -> None:
    """5.1 as the integers of the wave file; four above, and Ambisonics, are refused in a line."""
    scene = write_scene(tmp_path / "a", STEMS, arrays=AROUND, more=bed("5.1"))
    wave, flac = (
        soundfile.read(rendered(scene, "--format", kind, folder=tmp_path / kind) / f"mix/a_5.1{end}", dtype="int32")[0]
        for kind, end in (("pcm24", ".wav"), ("flac24", ".flac"))
    )
    np.testing.assert_array_equal(flac, wave)
    for name, arrays, more in (("b", AROUND, bed("7.1.4")), ("c", AMBISONIC, "[output]\nambisonic = true\n")):
        done = run("render", write_scene(tmp_path / name, STEMS, arrays=arrays, more=more), "--format", "flac24")
        assert (done.exit_code, len(done.stderr.splitlines())) == (2, 1)
        assert "FLAC takes more than two channels for loudspeakers up to 7.1" in done.stderr


def test_an_array_called_as_another_s_capsule_is_refused(tmp_path: Path) -> None:
    """Both would be one file."""
    arrays = ARRAYS + ARRAYS.replace("arrays.pair", "arrays.pair_left")
    done = run("render", write_scene(tmp_path / "a", STEMS, arrays=arrays), "-o", tmp_path / "out")
    assert done.exit_code == 2
    assert done.stderr.endswith(
        "two files would be called mix/a_pair_left.wav: array 'pair_left' in stereo, and capsule 'left' of array "
        "'pair'; rename one of them\n"
    )


AMBISONIC = '[arrays.point]\npreset = "ambisonic"\nposition = [0, 0, 2]\n'
# Azimuth counter-clockwise from the front and elevation in degrees, and what W, Y, Z and X hear (AmbiX, 2011: ACN,
# SN3D; the numbers are those of two independent implementations).
DIRECTIONS = [
    (0.0, 0.0, (1.0, 0.0, 0.0, 1.0)),
    (90.0, 0.0, (1.0, 1.0, 0.0, 0.0)),
    (-90.0, 0.0, (1.0, -1.0, 0.0, 0.0)),
    (180.0, 0.0, (1.0, 0.0, 0.0, -1.0)),
    (110.0, 0.0, (1.0, 0.9397, 0.0, -0.3420)),
    (30.0, 20.0, (1.0, 0.4698, 0.3420, 0.8138)),
    (30.0, -20.0, (1.0, 0.4698, -0.3420, 0.8138)),
]


@pytest.mark.parametrize(("azimuth", "elevation", "wanted"), DIRECTIONS)
def test_a_source_is_heard_from_where_it_is(
    tmp_path: Path, azimuth: float, elevation: float, wanted: tuple[float, ...]
) -> None:
    """The direct sound in the file: front is upstage, left the audience's left; within 0.1 % of the format's table.

    That is what fractional delays leave at 1 kHz and below, where the four are compared.
    """
    distance, height = 3.0, 1.5  # m; the second is the instrument's
    x, y, z = distance * unit_vector(-azimuth, elevation)
    sections = f'[sections.left]\ninstrument = "omni"\nposition = [{x}, {y}, 0.0]\n'
    arrays = f'[arrays.point]\npreset = "ambisonic"\nposition = [0, 0, {height - z}]\n'
    scene = write_scene(
        tmp_path / "a", {"left": impulse(0, 4800)}, sections=sections, arrays=arrays, hall=hall_text(1.0, 0.0),
        more="[output]\nambisonic = true\nlength = 0.1\n",
    )  # fmt: skip
    path = rendered(scene) / "mix" / "a_point_ambix.wav"
    assert mask(path) == 0
    spectra = np.fft.rfft(heard(path))[:, 20:100]  # 200 Hz to 1 kHz
    got = (spectra * spectra[0].conj()).real.sum(axis=1) / (np.abs(spectra[0]) ** 2).sum()
    np.testing.assert_allclose(got, wanted, atol=1e-3)


def pointed(*capsules: tuple[float, float, float], gain: float = 0.0, apart: float = 0.0) -> Array:
    """Return an array of (azimuth, elevation, pressure part) in one point, or so far apart."""
    return Array(
        "a",
        "main",
        tuple(
            Capsule(str(n), (n * apart, 0.0, 2.0), (azimuth, elevation), part, gain=gain * n)
            for n, (azimuth, elevation, part) in enumerate(capsules)
        ),
    )


TETRAHEDRON = ((-45.0, 35.264, 0.5), (45.0, -35.264, 0.5), (-135.0, -35.264, 0.5), (135.0, 35.264, 0.5))


@pytest.mark.parametrize("gain", [0.0, 3.0], ids=["alike", "at gains of their own"])
@pytest.mark.parametrize("turned", [0.0, 25.0])
@pytest.mark.parametrize(("azimuth", "elevation", "wanted"), DIRECTIONS)
def test_any_first_order_capsules_in_one_point_make_the_same_components(
    azimuth: float, elevation: float, wanted: tuple[float, ...], turned: float, gain: float
) -> None:
    """Four cardioids on a tetrahedron, however turned: a + (1 − a)·cos θ of each, through the law, is the table."""
    array = pointed(*((a + turned, e, part) for a, e, part in TETRAHEDRON), gain=gain)
    law = ambix_law(array)
    assert law is not None
    assert law.shape == (len(AMBIX), 4)
    cosines = array.axes @ unit_vector(-azimuth, elevation)
    parts = array.pressure_parts[:, 0]
    got = law @ (array.sensitivities[:, 0] * (parts + (1.0 - parts) * cosines))
    np.testing.assert_allclose(got, wanted, atol=1e-4)


@pytest.mark.parametrize(("azimuth", "elevation", "wanted"), DIRECTIONS)
def test_a_plane_wave_is_encoded_by_the_table(azimuth: float, elevation: float, wanted: tuple[float, ...]) -> None:
    """However far its source is."""
    np.testing.assert_allclose(encoded(3.0 * unit_vector(-azimuth, elevation)), wanted, atol=1e-4)


def test_spots_join_the_ambisonic_mix_where_their_sections_are(tmp_path: Path) -> None:
    """Each spot's own file, at its section's azimuth and elevation as the Ambisonic array sees them, by closed form.

    The left section's centre is at (−2, 2, 1.5), the array at (0, −1, 2): 0.5 m lower, so W Y Z X are 1, 2/r, −0.5/r
    and 3/r with r² = 4 + 9 + 0.25 (AmbiX 2011: ACN, SN3D). The mix is both; the pair of omnis stays out of it.
    """
    arrays = AMBISONIC.replace("[0, 0, 2]", "[0, -1, 2]") + ARRAYS
    arrays += '[arrays.spots]\npurpose = "spot"\neach_section = {height = 2.5, distance = 0.5}\ngain = -3.0\n'
    more = "[output]\nambisonic = true\nlength = 1.0\n"
    folder = rendered(write_scene(tmp_path / "a", STEMS, arrays=arrays, more=more), "--stems")
    spots = {side: heard(folder / "mix" / f"a_spots_{side}.wav")[0] for side in ("left", "right")}
    r = np.sqrt(13.25)
    toward = {"left": (1.0, 2.0 / r, -0.5 / r, 3.0 / r), "right": (1.0, -2.0 / r, -0.5 / r, 3.0 / r)}
    wanted = sum(np.outer(toward[side], signal) for side, signal in spots.items())
    found = heard(folder / "mix" / "a_spots_ambix.wav")
    assert below(found, wanted) < -120.0
    assert below(found + heard(folder / "mix" / "a_point_ambix.wav"), heard(folder / "mix" / "a_ambix.wav")) < -120.0
    assert not (folder / "mix" / "a_pair_ambix.wav").exists()
    of_sections = [heard(folder / "stems" / f"a_{section}_spots_ambix.wav") for section in STEMS]
    assert below(sum(of_sections), found) < -120.0
    files = {file["path"]: file["what"] for file in report_of(folder)["files"]}
    assert files["mix/a_ambix.wav"] == "mix of point, spots as first-order Ambisonics (AmbiX: ACN, SN3D)"


@pytest.mark.parametrize(
    "array",
    [
        pointed(*TETRAHEDRON, apart=0.05),
        pointed(*TETRAHEDRON[:3]),
        pointed((-45.0, 0.0, 0.5), (45.0, 0.0, 0.5), (135.0, 0.0, 0.5), (-135.0, 0.0, 0.5)),
        pointed((-45.0, 1.0, 0.5), (45.0, -1.0, 0.5), (135.0, 1.0, 0.5), (-135.0, -1.0, 0.5)),
        pointed(*((0.0, 0.0, part) for part in (1.0, 0.5, 0.3, 0.0))),
    ],
    ids=["apart", "three", "all level", "all but level: height would be 29 dB of gain", "all forward"],
)
def test_capsules_that_do_not_tell_the_components_apart_make_none(array: Array) -> None:
    """Nothing is made up."""
    assert ambix_law(array) is None


def test_ambisonics_without_such_an_array_is_one_line(tmp_path: Path) -> None:
    """That says what to add."""
    done = run("render", write_scene(tmp_path, STEMS, more="[output]\nambisonic = true\n"), "-o", tmp_path / "out")
    assert (done.exit_code, len(done.stderr.splitlines())) == (2, 1)
    assert 'one with preset = "ambisonic"' in done.stderr


def test_an_ambisonic_file_has_peaks_and_no_loudness(tmp_path: Path) -> None:
    """Its channels are no loudspeakers, and named W, Y, Z and X."""
    scene = write_scene(tmp_path / "a", STEMS, sections=SECTIONS, arrays=AMBISONIC, more="[output]\nambisonic = true\n")
    report = report_of(rendered(scene))
    (file,) = (file for file in report["files"] if file["path"] == "mix/a_point_ambix.wav")
    assert file["channel_names"] == ["W", "Y", "Z", "X"]
    assert file["lufs"] is None
    assert file["peak_dbfs"] > -60.0
