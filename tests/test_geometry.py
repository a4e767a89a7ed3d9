"""The box and where the scene lies in it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rooms.errors import InputError
from rooms.geometry import SURFACES, Box

BOX = Box((20.0, 30.0, 12.0), (8.0, 5.0))
sides = st.floats(1.0, 100.0)


def test_the_conductor_stands_as_far_from_the_walls_as_told() -> None:
    """8 m from the audience's left wall (−x), 5 m from the stage's back wall (+y)."""
    np.testing.assert_array_equal(BOX.lower, [-8.0, -25.0, 0.0])
    np.testing.assert_array_equal(BOX.upper, [12.0, 5.0, 12.0])


def test_the_floor_lies_below_the_stage_by_its_height() -> None:
    raised = Box(BOX.size, BOX.conductor, 0.9)
    np.testing.assert_allclose(raised.lower, [-8.0, -25.0, -0.9])
    np.testing.assert_allclose(raised.upper, [12.0, 5.0, 11.1])
    with pytest.raises(InputError, match="stage height 12 m lies outside the hall; allowed: 0 to 12 m"):
        Box(BOX.size, BOX.conductor, 12.0)


def test_areas_follow_the_order_of_the_surfaces() -> None:
    assert dict(zip(SURFACES, BOX.areas, strict=True)) == {
        "left-wall": 360.0,
        "right-wall": 360.0,
        "house-wall": 240.0,
        "stage-wall": 240.0,
        "floor": 600.0,
        "ceiling": 600.0,
    }
    assert BOX.volume == 7200.0


@given(sides, sides, sides, st.floats(0.01, 0.99), st.floats(0.01, 0.99), st.tuples(*[st.floats(-0.5, 1.5)] * 3))
def test_a_point_is_inside_when_each_part_of_a_side_is_between_0_and_1(
    x: float, y: float, z: float, u: float, v: float, part: tuple[float, float, float]
) -> None:
    box = Box((x, y, z), (u * x, v * y))
    point = box.lower + np.array(part) * box.size
    outside = max(max(-p, p - 1.0) for p in part)
    if abs(outside) > 1e-9:
        assert box.inside(point) == (outside < 0)


def test_a_margin_keeps_points_off_every_surface() -> None:
    middle = (BOX.lower + BOX.upper) / 2.0
    for axis in range(3):
        for end, sign in ((BOX.lower, 1.0), (BOX.upper, -1.0)):
            near = middle.copy()
            near[axis] = end[axis] + sign * 0.09
            assert BOX.inside(near)
            assert not BOX.inside(near, margin=0.1)
    assert BOX.inside(np.stack([middle, BOX.upper + 1.0])).tolist() == [True, False]


@pytest.mark.parametrize("size", [(0.0, 10.0, 5.0), (10.0, -1.0, 5.0), (10.0, 10.0, float("nan"))])
def test_a_side_that_is_not_positive_is_refused(size: tuple[float, float, float]) -> None:
    with pytest.raises(InputError, match="each of width, depth and height must be above 0"):
        Box(size, (1.0, 1.0))


@pytest.mark.parametrize("conductor", [(0.0, 5.0), (20.0, 5.0), (8.0, 30.5), (8.0, -1.0)])
def test_a_conductor_outside_is_refused_with_the_range_allowed(conductor: tuple[float, float]) -> None:
    with pytest.raises(InputError, match="outside the hall; allowed: 0 to 20 and 0 to 30 m"):
        Box((20.0, 30.0, 12.0), conductor)


def test_the_range_reads_as_coordinates() -> None:
    assert BOX.describe_range() == "x -8 to 12, y -25 to 5, z 0 to 12 m"
