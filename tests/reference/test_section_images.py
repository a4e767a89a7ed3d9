"""Where sections appear between the loudspeakers, against published recording angles of pairs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rooms.localisation import LOUDSPEAKER_AZIMUTH, section_image
from rooms.microphones import Pattern
from tests.halls import solo
from tests.reference.test_recording_angles import C, at, pair


@pytest.mark.parametrize(
    ("spacing", "angle", "pattern", "published", "tolerance"),
    [
        # Later charts by Williams: ±48° (from memory); a German encyclopedia on equivalence stereophony: 96°.
        pytest.param(0.17, 110, "cardioid", 96, 2, id="ORTF"),
        # Williams's charts (from memory): ±90° for coincident cardioids at 90°.
        pytest.param(0.0, 90, "cardioid", 180, 4, id="XY"),
        # Omnis half a metre apart: ±50° (Williams's charts, from memory).
        pytest.param(0.5, 0, "omni", 100, 2, id="spaced pair"),
    ],
)
@pytest.mark.parametrize("side", [-1, 1], ids=["left", "right"])
def test_a_section_reaches_the_loudspeaker_at_the_edge_of_the_published_recording_angle(
    spacing: float, angle: float, pattern: Pattern, published: float, tolerance: float, side: int
) -> None:
    array = pair(spacing, angle, pattern)
    inside, beyond = (
        side * section_image(array, solo(tuple(at(side * (published + step) / 2.0))), C).azimuth
        for step in (-tolerance, tolerance)
    )
    assert inside < LOUDSPEAKER_AZIMUTH - 0.05
    assert beyond > LOUDSPEAKER_AZIMUTH - 1e-6


def test_a_wide_section_spans_from_its_outermost_players() -> None:
    array = pair(0.17, 110, "cardioid")
    wide = solo(tuple(at(0.0)))
    places = [tuple(at(azimuth).tolist()) for azimuth in (-20.0, 0.0, 25.0)]
    section = replace(wide, players=tuple(replace(wide.players[0], position=place) for place in places))
    image = section_image(array, section, C)
    outer = [section_image(array, solo(place), C).azimuth for place in places]
    assert (image.left, image.right) == (outer[0], outer[2])
    assert np.sign(outer[0]) == -1.0
