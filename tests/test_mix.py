"""How capsules become two channels, by geometry."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from render.buses import Bus
from render.mix import (
    capsule_delays,
    default_gain_db,
    default_offset_s,
    heard_arrays,
    left_out,
    main_array,
    stereo_law,
    widened,
)
from render.scene_file import SceneFile, build_scene
from rooms.errors import InputError
from rooms.hanging import constant_power
from rooms.images import path_levels
from rooms.localisation import channel_differences, image_shift
from rooms.microphones import Array, Capsule
from rooms.scene import Scene
from rooms.toml_reader import parse_toml
from tests.halls import ANECHOIC, hall, material, solo

C = 343.2
LEFT, RIGHT, BOTH = (1.0, 0.0), (0.0, 1.0), (np.sqrt(0.5), np.sqrt(0.5))
PLAIN = Bus(gain=0.0, mute=False, delay=0.0, align=False)

TREE = """
seed = 1
[hall]
preset = "scoring-stage"
[seating]
plan = "violins-together"
[sections.violins-1]
[sections.cellos]
[arrays.main]
preset = "tree"
"""


def pair(spacing: float, angle: float, pattern: str) -> Array:
    """Return a pair at 3 m, an angle between its aims."""
    return Array(
        "pair",
        "main",
        (
            Capsule("left", (-spacing / 2, 0.0, 3.0), (-angle / 2, 0.0), pattern, stereo=LEFT),
            Capsule("right", (spacing / 2, 0.0, 3.0), (angle / 2, 0.0), pattern, stereo=RIGHT),
        ),
    )


def built(text: str) -> SceneFile:
    return build_scene(parse_toml(Path("scene.toml"), text))


def far(azimuth: float) -> np.ndarray:
    """Return a point a kilometre away at the height of the pairs."""
    return np.array([1000.0 * np.sin(np.radians(azimuth)), 1000.0 * np.cos(np.radians(azimuth)), 3.0])


def test_the_main_array_is_the_first_main_one_else_the_first() -> None:
    spot = Array("spots", "spot", (Capsule("a", (0, 0, 2)),))
    room = replace(spot, name="room", purpose="ambience")
    main = replace(spot, name="tree", purpose="main")
    assert main_array([spot, main, replace(main, name="other")]).name == "tree"
    assert main_array([spot, room]).name == "spots"


def test_a_spot_goes_where_the_main_pair_has_its_section_and_all_else_as_told() -> None:
    sections = (solo((-4.0, 3.0, 1.2), "violins"), solo((3.0, 2.0, 1.2), "cellos"))
    main = pair(0.17, 110, "cardioid")
    spots = Array(
        "spots",
        "spot",
        (Capsule("violins", (-3.8, 2.5, 2.0), section="violins"), Capsule("own", (0.0, 1.0, 2.0), stereo=BOTH)),
    )
    law = stereo_law([main, spots], sections, main, C)
    shift = float(image_shift(*channel_differences(main, sections[0].centre, C)))
    np.testing.assert_allclose(law[:, :2], np.eye(2))
    np.testing.assert_allclose(law[:, 2], constant_power(shift))
    np.testing.assert_allclose(law[:, 3], BOTH)
    assert law[0, 2] > law[1, 2]
    np.testing.assert_allclose((law[:, 2] ** 2).sum(), 1.0)


def test_a_spot_that_looks_at_a_part_of_its_section_goes_where_that_part_appears() -> None:
    sections = (solo((-4.0, 3.0, 1.2), "violins"),)
    main, part = pair(0.17, 110, "cardioid"), (-2.0, 3.0, 1.2)
    spots = Array("spots", "spot", (Capsule("a", (-2.0, 2.0, 2.0), section="violins", target=part),))
    shift = float(image_shift(*channel_differences(main, part, C)))
    np.testing.assert_allclose(stereo_law([spots], sections, main, C)[:, 0], constant_power(shift))


def test_a_spot_beside_a_tree_goes_by_azimuth_over_the_ensemble_s_half_angle() -> None:
    sections = (solo((-3.0, 3.0, 1.2), "violins"), solo((1.5, 3.0, 1.2), "cellos"), solo((0.0, 5.0, 1.2), "basses"))
    tree = Array(
        "tree", "main", tuple(Capsule(n, (x, 0.0, 3.0), stereo=BOTH) for n, x in zip("lcr", (-1, 0, 1), strict=True))
    )
    spots = Array("spots", "spot", tuple(Capsule(s.name, (*s.centre[:2], 2.5), section=s.name) for s in sections))
    law = stereo_law([spots], sections, tree, C)
    np.testing.assert_allclose(law[:, 0], LEFT, atol=1e-12)  # the outermost section is fully left
    np.testing.assert_allclose(law[:, 1], constant_power(np.arctan(0.5) / (np.pi / 4)))
    np.testing.assert_allclose(law[:, 2], BOTH)


def test_an_aligned_spot_waits_until_its_section_reaches_the_main_array() -> None:
    """4 m more to the main array: 11.66 ms at 343 m/s, plus the bus's own delay."""
    main = Array("main", "main", (Capsule("c", (0.0, 0.0, 1.2)), Capsule("back", (0.0, -3.0, 1.2))))
    section = solo((0.0, 5.0, 1.2), "violas")
    spots = Array(
        "spots", "spot", (Capsule("violas", (0.0, 4.0, 1.2), section="violas"), Capsule("free", (1.0, 4.0, 2.0)))
    )
    buses = {"main": replace(PLAIN, delay=0.003), "spots": replace(PLAIN, align=True, delay=0.010)}
    delays = capsule_delays([main, spots], [section], buses, main, 343.0)
    np.testing.assert_allclose(delays, [0.003, 0.003, 0.010 + 4.0 / 343.0, 0.010])
    np.testing.assert_allclose(delays[2] - 0.010, 0.01166, atol=5e-6)
    unaligned = {**buses, "spots": PLAIN}
    np.testing.assert_array_equal(
        capsule_delays([main, spots], [section], unaligned, main, 343.0), [0.003, 0.003, 0, 0]
    )


def test_the_default_gain_brings_the_ensemble_s_centre_back_to_the_stem_s_level() -> None:
    """Against the engine's own direct energy from that place, power-summed after the stereo law."""
    scene_file = built(TREE)
    main = scene_file.arrays[0]
    centre = np.mean([s.centre for s in scene_file.sections], axis=0)
    room = hall(material(ANECHOIC), size=(100.0, 100.0, 40.0))
    scene = Scene(room, (solo(tuple(centre)),), (main,), 48000)
    _, energy = path_levels(scene, scene.sections[0])
    law = np.array([c.stereo for c in main.capsules])
    heard = float(energy[:, 4] @ (law**2).sum(axis=1))
    assert default_gain_db(scene_file) == pytest.approx(-10 * np.log10(heard), abs=1e-9)


def test_the_default_gain_follows_the_main_array_s_trims_and_no_spot() -> None:
    plain = built(TREE)
    spots = built(TREE + '[arrays.spots]\npreset = "spots"\n')
    assert default_gain_db(spots) == default_gain_db(plain)
    trimmed = tuple(replace(c, gain=c.gain - 6.0) for c in plain.arrays[0].capsules)
    quieter = replace(plain, arrays=(replace(plain.arrays[0], capsules=trimmed),))
    assert default_gain_db(quieter) == pytest.approx(default_gain_db(plain) + 6.0)


def test_an_array_deaf_to_the_ensemble_has_no_default_gain() -> None:
    plain = built(TREE)
    centre = np.mean([s.centre for s in plain.sections], axis=0)
    at = (float(centre[0]), float(centre[1]) - 3.0, float(centre[2]))
    side = Capsule("side", at, (90.0, 0.0), "figure-of-eight", stereo=BOTH)
    deaf = replace(plain, arrays=(replace(plain.arrays[0], capsules=(side,)),))
    with pytest.raises(
        InputError, match=r"array 'main' hears nothing of the ensemble's centre; turn it or give \[mix\]"
    ):
        default_gain_db(deaf)


def test_the_default_offset_lies_just_before_the_first_arrival_to_a_tenth_of_a_millisecond() -> None:
    """1 to 1.1 ms before the nearest player reaches the nearest capsule; never below zero."""
    scene_file = built(TREE)
    offset = default_offset_s(scene_file)
    first = min(path_levels(scene_file.scene(48000), s)[0].min() for s in scene_file.sections)
    assert 0.001 <= first - offset <= 0.0011 + 1e-12
    assert offset * 1e4 == pytest.approx(round(offset * 1e4), abs=1e-9)
    near = Capsule("near", tuple(scene_file.sections[0].positions[0] + (0.0, 0.0, 0.2)))
    close = replace(scene_file, arrays=(replace(scene_file.arrays[0], capsules=(near,)),))
    assert default_offset_s(close) == 0.0


amplitudes = st.floats(-2.0, 2.0, allow_subnormal=False)
laws = st.lists(st.tuples(amplitudes, amplitudes), min_size=1, max_size=6).map(lambda pairs: np.array(pairs).T)


@given(laws, st.floats(0.0, 2.0), st.data())
def test_width_keeps_the_power_of_an_array_and_scales_side_against_mid(
    law: np.ndarray, width: float, data: st.DataObject
) -> None:
    """Any capsules at any levels: 0 is mono to the bit, 1 the same to the bit, no width louder or softer."""
    energies = np.array(data.draw(st.lists(st.floats(0.01, 4.0), min_size=law.shape[1], max_size=law.shape[1])))
    np.testing.assert_array_equal(widened(law, energies, 1.0), law)
    mono = widened(law, energies, 0.0)
    np.testing.assert_array_equal(mono[0], mono[1])
    found = widened(law, energies, width)
    mid, side = (law[0] + law[1]) / 2.0, width * (law[0] - law[1]) / 2.0
    power = float((energies * (mid**2 + side**2)).sum())
    assume(power > 1e-6)
    scale = np.sqrt(float((energies * law**2).sum()) / (2.0 * power))
    np.testing.assert_allclose(found, scale * np.array([mid + side, mid - side]), atol=1e-9)
    np.testing.assert_allclose((energies * found**2).sum(), (energies * law**2).sum(), rtol=1e-9)


def test_a_pair_in_mono_is_panned_to_the_middle_and_sides_alone_are_silent_there() -> None:
    """−3 dB from each side into both channels, as a single capsule in the middle has it."""
    np.testing.assert_allclose(widened(np.eye(2), np.ones(2), 0.0), np.full((2, 2), np.sqrt(0.5)))
    assert not np.any(widened(np.array([[1.0], [-1.0]]), np.ones(1), 0.0))


THREE = TREE + '[arrays.spots]\npreset = "spots"\nSPOTS\n[arrays.room]\npreset = "ambience-pair"\nROOM\n'


@pytest.mark.parametrize(
    ("main", "spots", "room", "heard"),
    [
        ("", "", "", ("main", "spots", "room")),
        ("mute = true", "", "", ("spots", "room")),
        ("", "solo = true", "", ("spots",)),
        ("solo = true", "", "solo = true", ("main", "room")),
        ("mute = true", "solo = true", "mute = true", ("spots",)),
        ("solo = true", "solo = true\nmute = true", "", ("main",)),
    ],
)
def test_a_solo_mutes_the_others_and_a_mute_stays_a_mute(
    main: str, spots: str, room: str, heard: tuple[str, ...]
) -> None:
    """And a render says what a solo leaves out, and only then."""
    text = THREE.replace('"tree"', f'"tree"\n{main}').replace("SPOTS", spots).replace("ROOM", room)
    scene_file = built(text)
    assert tuple(array.name for array in heard_arrays(scene_file)) == heard
    if "solo" not in text:
        assert left_out(scene_file) == []
        return
    (note,) = left_out(scene_file)
    said, missing = note.split("; ")
    assert said == f"solo: the mix holds only {', '.join(heard)}"
    others = [name for name in ("main", "spots", "room") if name not in heard]
    assert missing == f"{', '.join(others)}: neither in the mix nor written"


def test_nothing_heard_is_refused() -> None:
    """All muted, or all that are soloed."""
    text = THREE.replace('"tree"', '"tree"\nmute = true').replace("ROOM", "mute = true")
    with pytest.raises(InputError, match=r"scene\.toml:\d+: arrays: all arrays are muted; nothing would be heard$"):
        heard_arrays(built(text.replace("SPOTS", "mute = true")))
    with pytest.raises(InputError, match=r"all soloed arrays are muted; nothing would be heard$"):
        heard_arrays(built(text.replace("SPOTS", "").replace("mute = true", "mute = true\nsolo = true", 1)))
