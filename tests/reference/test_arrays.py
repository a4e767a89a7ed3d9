"""Geometry of the array presets against what defines them, and what they hear of a source at a known place."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from render.scene_file import build_scene
from rooms import catalogue
from rooms.hanging import hang, heights
from rooms.images import path_levels
from rooms.localisation import is_pair, recording_angle
from rooms.microphones import PATTERNS, Array
from rooms.responses import compute_responses
from rooms.scene import Scene
from rooms.tables import ArrayTable, CapsuleTable, HallTable
from rooms.toml_reader import parse_toml
from tests.halls import ANECHOIC, hall, material, solo


def table(name: str) -> ArrayTable:
    """Return the table of a preset."""
    found = catalogue.load("arrays", name)
    assert isinstance(found, ArrayTable)
    return found


def capsules(name: str) -> dict[str, CapsuleTable]:
    """Return a preset's capsules by name."""
    return {capsule.name: capsule for capsule in table(name).capsules}


def between(name: str, one: str, other: str) -> float:
    """Return the distance of two capsules in m."""
    return math.dist(capsules(name)[one].at, capsules(name)[other].at)


PAIRS = {
    # spacing in m, angle between the axes, pattern
    "ortf": (0.17, 110, "cardioid"),  # Williams, AES preprint 2072, 1984
    "nos": (0.30, 90, "cardioid"),  # the same, conclusion
    "din": (0.20, 90, "cardioid"),  # common practice, no source
    "xy": (0.0, 90, "cardioid"),  # common practice, no source
    "xy-wide": (0.0, 120, "cardioid"),  # common practice, no source: 90 to 135°
    "blumlein": (0.0, 90, "figure-of-eight"),  # common practice, no source
    "spaced-pair-narrow": (0.4, 0, "omni"),  # common practice, no source: 0.4 to 0.6 m
    "spaced-pair": (0.5, 0, "omni"),
    "spaced-pair-wide": (0.8, 0, "omni"),
    "wide-cardioid-pair": (0.45, 90, "wide-cardioid"),  # our own
}


@pytest.mark.parametrize("name", PAIRS)
def test_a_pair_has_its_spacing_its_angle_and_its_pattern(name: str) -> None:
    spacing, angle, pattern = PAIRS[name]
    left, right = capsules(name)["left"], capsules(name)["right"]
    assert np.subtract(right.at, left.at) == pytest.approx([spacing, 0.0, 0.0])
    assert right.aim[0] - left.aim[0] == angle
    assert {left.pattern, right.pattern} == {pattern}


def test_ina_5_is_a_triplet_and_a_rear_pair() -> None:
    """Herrmann & Henkels, Tonmeistertagung 1998 (from memory).

    L and R 35 cm apart at ±90°, C 17.5 cm forward; LS and RS 60 cm apart at ±150°, 60 cm from L and R.
    """
    assert between("ina-5", "left", "right") == pytest.approx(0.35)
    assert between("ina-5", "left-surround", "right-surround") == pytest.approx(0.60)
    assert between("ina-5", "left", "left-surround") == pytest.approx(0.60, abs=0.001)
    assert capsules("ina-5")["centre"].at[1] == 0.175
    assert [c.aim[0] for c in table("ina-5").capsules] == [-90, 90, 0, -150, 150]
    assert {c.pattern for c in table("ina-5").capsules} == {"cardioid"}


def test_oct_surround_is_70_cm_with_its_centre_8_cm_forward_and_cardioids_behind() -> None:
    """Front: a microphone maker's page on OCT: 40 to 90 cm, 8 cm, outward supercardioids. Rear: Theile, AES 19th
    Conference, 2001 (from memory): 40 cm behind, 20 cm wider, looking back."""
    assert 0.40 <= between("oct-surround", "left", "right") <= 0.90
    assert capsules("oct-surround")["centre"].at[1] == 0.08
    rear = between("oct-surround", "left-surround", "right-surround")
    assert rear - between("oct-surround", "left", "right") == pytest.approx(0.20)
    assert capsules("oct-surround")["left-surround"].at[1] == -0.40
    assert [c.aim[0] for c in table("oct-surround").capsules] == [-90, 90, 0, 180, 180]
    assert [c.pattern for c in table("oct-surround").capsules] == ["supercardioid"] * 2 + ["cardioid"] * 3


def test_the_hamasaki_square_turns_its_nulls_to_the_ensemble() -> None:
    """A microphone maker's page: 1.8 to 2 m a side, in-phase lobes to the side walls; beyond the critical distance
    (Hamasaki & Hiyama 2003, from memory)."""
    square = table("hamasaki-square")
    assert {c.pattern for c in square.capsules} == {"figure-of-eight"}
    assert [c.aim for c in square.capsules] == [(-90, 0), (90, 0), (-90, 0), (90, 0)]
    for one, other in (("left", "right"), ("left", "left-surround"), ("left-surround", "right-surround")):
        assert 1.8 <= between("hamasaki-square", one, other) <= 2.0
    assert square.place is not None
    assert square.place.critical_distances is not None
    assert square.place.critical_distances > 1.0


def test_the_irt_cross_is_a_square_of_20_to_25_cm_at_right_angles() -> None:
    """A teaching page on it: cardioids 20 to 25 cm apart, 90° from one another."""
    assert [c.aim[0] for c in table("irt-cross").capsules] == [-45, 45, -135, 135]
    for one, other in (("left", "right"), ("left", "left-surround"), ("left-surround", "right-surround")):
        assert 0.20 <= between("irt-cross", one, other) <= 0.25 + 1e-9
    assert {c.pattern for c in table("irt-cross").capsules} == {"cardioid"}


def test_double_mid_side_is_two_cardioids_back_to_back_and_a_side() -> None:
    """Common practice, no source. The three make any first-order pattern in the plane."""
    front, side, rear = table("double-mid-side").capsules
    assert front.at == side.at == rear.at
    assert (front.aim, side.aim, rear.aim) == ((0, 0), (-90, 0), (180, 0))
    assert (front.pattern, side.pattern, rear.pattern) == ("cardioid", "figure-of-eight", "cardioid")
    assert rear.stereo == (0, 0)


def test_the_height_layer_looks_up_and_hangs_a_metre_over_a_surround_array() -> None:
    """Four supercardioids, 1 m above the main layer: Theile & Wittek, AES 130th Convention, 2011 (from memory)."""
    layer, main = table("height-layer"), table("oct-surround")
    assert {(c.aim, c.pattern) for c in layer.capsules} == {((0, 90), "supercardioid")}
    for name in catalogue.names("halls"):
        hall, stated = catalogue.hall(name), heights(catalogue.resolve(HallTable(preset=name)))
        upper, lower = (hang("array", array, hall, [], stated).positions[:, 2] for array in (layer, main))
        assert upper.min() - lower.min() == pytest.approx(1.0)


def test_the_wide_tree_lies_within_what_its_makers_and_users_publish() -> None:
    """An array maker's manual: 2 m wide, centre about 1.5 m forward; J. Pellowe: outriggers about 20 ft (6.1 m) apart
    at the same height. Outriggers' gain, -4 dB: common practice, no source."""
    tree = capsules("wide-tree")
    assert between("wide-tree", "left", "right") == 2.0
    assert tree["centre"].at[1] == 1.5
    assert between("wide-tree", "left-outrigger", "right-outrigger") == pytest.approx(6.1, abs=0.2)
    assert {c.at[2] for c in tree.values()} == {0.0}
    assert {c.gain for n, c in tree.items() if n.endswith("outrigger")} == {-4.0}


@pytest.mark.parametrize(("name", "diameter", "aim"), [("sphere-pair", 0.20, 90), ("binaural-head", 0.175, 100)])
def test_capsules_on_a_sphere_have_the_delay_of_a_wave_bending_round_it(name: str, diameter: float, aim: float) -> None:
    """From the side (1 + π/2)·r/c later on the far side: Woodworth, Experimental Psychology, 1938.

    20 cm: Theile, J. Audio Eng. Soc. 39, 1991; 17.5 cm, ears at 100°: Duda & Martens, J. Acoust. Soc. Am. 104, 1998.
    All from memory.
    """
    left, right = table(name).capsules
    assert (left.diameter, right.diameter, left.aim[0], right.aim[0]) == (diameter, diameter, -aim, aim)
    assert between(name, "left", "right") == pytest.approx((1.0 + math.pi / 2.0) * diameter / 2.0, abs=5e-4)


def test_five_channels_come_in_the_order_of_loudspeaker_layouts() -> None:
    """ITU-R BS.775-3, table 1: left, right, centre, left surround, right surround."""
    for name in ("ina-5", "oct-surround"):
        assert [c.name for c in table(name).capsules] == ["left", "right", "centre", "left-surround", "right-surround"]
        assert [c.stereo for c in table(name).capsules] == [  # its table 2, 3/2 to 2/0
            (1.0, 0.0),
            (0.0, 1.0),
            pytest.approx((2**-0.5, 2**-0.5), abs=1e-5),
            pytest.approx((2**-0.5, 0.0), abs=1e-5),
            pytest.approx((0.0, 2**-0.5), abs=1e-5),
        ]
        assert [c.loudspeaker for c in table(name).capsules] == ["FL", "FR", "FC", "SL", "SR"]
    for name in ("hamasaki-square", "irt-cross"):
        assert [c.name for c in table(name).capsules] == ["left", "right", "left-surround", "right-surround"]
        assert [c.loudspeaker for c in table(name).capsules] == ["FL", "FR", "BL", "BR"]
    assert [c.loudspeaker for c in table("height-layer").capsules] == ["TFL", "TFR", "TBL", "TBR"]


ROOM = hall(material(ANECHOIC), size=(9000.0, 9000.0, 400.0))


def hung(name: str) -> Array:
    """Return a preset's array, level and in the middle of an anechoic hall."""
    level = [c if abs(c.aim[1]) > 45 else c.model_copy(update={"aim": (c.aim[0], 0.0)}) for c in table(name).capsules]
    update = {"capsules": tuple(level), "position": (0.0, 0.0, 200.0)}
    return hang(name, table(name).model_copy(update=update), ROOM, (solo((0.0, 4.0, 200.0)),))


ON_A_SPHERE = ("sphere-pair", "binaural-head")
"""Shaded octave by octave, see test_sphere.py."""

WITH_CAPSULES = [name for name in catalogue.names("arrays") if table(name).capsules]


@pytest.mark.parametrize("name", WITH_CAPSULES)
def test_a_preset_states_the_recording_angle_that_it_has(name: str) -> None:
    """To half a degree, as it is printed. Those with none aren't pairs, say in their note why they have none, or don't
    make the image: outriggers and ambience."""
    stated, array = table(name).recording_angle, hung(name)
    if stated is not None:
        assert recording_angle(array, ROOM.speed_of_sound) == pytest.approx(stated, abs=0.5)
    elif is_pair(array) and array.purpose == "main":
        assert "No recording angle" in table(name).note or "For headphones" in table(name).note


@pytest.mark.parametrize("name", [name for name in WITH_CAPSULES if name not in ON_A_SPHERE])
@pytest.mark.parametrize("azimuth", [20.0, -50.0])
def test_an_array_hears_a_far_source_as_geometry_says(name: str, azimuth: float) -> None:
    """Times by the way along the source's direction, re the first capsule; a + (1 − a)·cos θ, re the loudest.

    From the preset's own numbers. 5 µs and 0.003 for the curvature of the wave: 3 m beside the line to a source 4 km
    away are 3.3 µs, turn the source by 0.04° and make it 0.0008 nearer.
    """
    array, source = hung(name), 4000.0 * way(azimuth) + [0.0, 0.0, 200.0]
    scene = Scene(ROOM, (solo((source[0], source[1], source[2])),), (array,), 48000)
    arrival, energy = path_levels(scene, scene.sections[0])
    cosine = array.axes @ way(azimuth)
    part = np.array([PATTERNS[str(capsule.pattern)] for capsule in array.capsules])
    gain = np.array([10 ** (capsule.gain / 20) for capsule in array.capsules])
    leads = (array.positions @ way(azimuth)) / ROOM.speed_of_sound
    np.testing.assert_allclose(arrival[0] - arrival, leads - leads[0], rtol=0, atol=5e-6)
    pressure = np.abs(gain * (part + (1.0 - part) * cosine))
    heard = np.sqrt(energy[:, 4])
    np.testing.assert_allclose(heard / heard.max(), pressure / pressure.max(), rtol=0, atol=3e-3)


def way(azimuth: float) -> np.ndarray:
    """Return the unit vector to a source at the array's height."""
    return np.array([np.sin(np.radians(azimuth)), np.cos(np.radians(azimuth)), 0.0])


def test_every_array_hears_a_real_hall() -> None:
    """At 8 kHz in a small studio, a soloist through every preset: all is finite, and no capsule is deaf."""
    arrays = "".join(f'[arrays.{name}]\npreset = "{name}"\n' for name in catalogue.names("arrays"))
    head = 'sample_rate = 8000\nhall.preset = "chamber-studio"\nseating.plan = "chamber-arc"\n'
    text = f"{head}[sections.violins-1]\nplayers = 1\n{arrays}"
    scene = build_scene(parse_toml(Path("scene.toml"), text)).scene(8000)
    responses = compute_responses(scene)
    assert responses.samples.shape[:2] == (1, len(scene.capsules))
    assert np.all(np.isfinite(responses.samples))
    heard = (responses.samples.astype(float) ** 2).sum(axis=2)
    assert np.all(heard > 0.0)
