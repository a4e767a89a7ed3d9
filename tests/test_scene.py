"""The scene, checked as a whole."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rooms.errors import InputError
from rooms.microphones import Capsule
from rooms.players import OMNIDIRECTIONAL, Player, Section
from rooms.scene import Scene
from tests.halls import hall, material, microphones, solo

ROOM = hall(material(0.3), size=(20.0, 30.0, 10.0))
SCENE = Scene(ROOM, (solo((0.0, 2.0, 1.1)),), (microphones(Capsule("left", (0.0, 0.0, 3.0))),), 48000)


def complaint(**changes: object) -> InputError:
    """Return the one line about a scene."""
    with pytest.raises(InputError) as error:
        replace(SCENE, **changes)  # type: ignore[arg-type]
    assert "\n" not in str(error.value)
    return error.value


def test_capsules_come_array_by_array() -> None:
    pair = microphones(Capsule("left", (-1.0, 0.0, 3.0)), Capsule("right", (1.0, 0.0, 3.0)), name="pair")
    spot = microphones(Capsule("spot", (0.0, 1.0, 2.0)), name="spots")
    scene = replace(SCENE, arrays=(pair, spot))
    assert [(a.name, c.name) for a, c in scene.capsules] == [("pair", "left"), ("pair", "right"), ("spots", "spot")]


@pytest.mark.parametrize("z", [0.05, 9.95, 12.0, -1.0])
def test_a_player_outside_or_in_a_surface_is_refused_with_number_and_range(z: float) -> None:
    players = (Player((0.0, 2.0, 1.1), 180.0), Player((1.0, 2.0, z), 180.0))
    error = complaint(sections=(Section("violas", OMNIDIRECTIONAL, players),))
    assert f"section 'violas': player 2 of 2 at [1.00, 2.00, {z:.2f}] m is outside the hall" in str(error)
    assert "(x -10 to 10, y -15 to 15, z 0 to 10 m)" in str(error)
    assert error.at == ("sections", "violas")


def test_a_capsule_outside_is_refused_with_its_array() -> None:
    error = complaint(arrays=(microphones(Capsule("left", (0.0, 16.0, 3.0))),))
    assert "array 'main': capsule 'left' at [0.00, 16.00, 3.00] m is outside the hall" in str(error)
    assert error.at == ("arrays", "main")


def test_a_capsule_in_a_player_is_refused_but_one_at_arm_s_length_isn_t() -> None:
    error = complaint(arrays=(microphones(Capsule("left", (0.0, 2.0, 1.19))),))
    assert "is on top of player 1 of section 'solo'; at least 0.1 m between them is needed" in str(error)
    assert replace(SCENE, arrays=(microphones(Capsule("left", (0.0, 2.0, 1.21))),)).arrays[0].capsules


def test_names_are_needed_once_each() -> None:
    assert "the scene has no sections" in str(complaint(sections=()))
    assert "the scene has no arrays" in str(complaint(arrays=()))
    assert "two sections are named 'solo'" in str(complaint(sections=SCENE.sections * 2))
    assert "two arrays are named 'main'" in str(complaint(arrays=SCENE.arrays * 2))
