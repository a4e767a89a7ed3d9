"""Seating: desks on rings around the conductor."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from rooms import catalogue
from rooms.errors import InputError
from rooms.players import Instrument, Player
from rooms.seating import DESK_SPACING, seat, seat_around
from rooms.tables import ArcTable, SeatingTable

CHAIR = Instrument("chair", height=1.1)
ELBOW_ROOM = 0.6  # m, least distance of two players: common practice, no source
SPACING = {"desk_width": 1.4, "row_pitch": 1.3}


def places(players: tuple[Player, ...]) -> NDArray[np.float64]:
    return np.array([p.position for p in players])


def nearest(points: NDArray[np.float64]) -> float:
    """Return the least distance of two points."""
    gaps = np.linalg.norm(points[:, None] - points[None], axis=-1)
    return float(gaps[~np.eye(len(points), dtype=bool)].min()) if len(points) > 1 else np.inf


def capacity(arc: ArcTable, plan: SeatingTable) -> int:
    """Return how many players an arc holds, as its own error says."""
    with pytest.raises(InputError) as error:
        seat(arc.radius, arc.azimuth, 1000, CHAIR, desk_width=plan.desk_width, row_pitch=plan.row_pitch)
    found = re.search(r"holds (\d+);", str(error.value))
    assert found is not None
    return int(found[1])


arcs = st.tuples(st.floats(2.5, 8.0), st.floats(0.0, 5.0), st.floats(-100.0, 40.0), st.floats(60.0, 90.0))


@given(arcs, st.integers(1, 8))
def test_players_sit_on_their_arc_apart_and_look_at_the_conductor(
    arc: tuple[float, float, float, float], count: int
) -> None:
    inner, depth, start, width = arc
    radius, azimuth = (inner, inner + depth), (start, start + width)
    try:
        players = seat(radius, azimuth, count, CHAIR, **SPACING)
    except InputError:
        assert count > 2 * int(np.radians(width) * inner / SPACING["desk_width"])  # the first row alone holds these
        return
    xyz = places(players)
    distance = np.hypot(xyz[:, 0], xyz[:, 1])
    assert len(players) == count
    assert nearest(xyz) >= ELBOW_ROOM
    assert np.all(distance >= inner - 1e-9)
    assert np.all(distance <= np.hypot(inner + depth, DESK_SPACING / 2) + 1e-9)
    angle = np.degrees(np.arctan2(xyz[:, 0], xyz[:, 1]))
    off_middle = (angle - start - width / 2 + 180) % 360 - 180
    assert np.all(np.abs(off_middle) <= width / 2)
    assert np.all(xyz[:, 2] == CHAIR.height)
    for player in players:
        look = np.radians(player.facing)
        towards = -np.array(player.position[:2]) / np.hypot(*player.position[:2])
        np.testing.assert_allclose([np.sin(look), np.cos(look)], towards, atol=1e-12)


@given(st.integers(1, 16), st.floats(31.0, 90.0))
def test_a_mirrored_arc_seats_a_mirrored_section(count: int, middle: float) -> None:
    """Arcs on one side; across the middle two desks are as near to the audience, and the left one comes first."""
    left = places(seat((2.5, 9.0), (-middle - 30, -middle + 30), count, CHAIR, **SPACING))
    right = places(seat((2.5, 9.0), (middle - 30, middle + 30), count, CHAIR, **SPACING))
    np.testing.assert_allclose(np.sort(left * [-1, 1, 1], axis=0), np.sort(right, axis=0), atol=1e-9)


def test_the_first_desk_is_the_one_nearest_the_audience_in_the_inner_row() -> None:
    for azimuth in ((-90.0, 0.0), (0.0, 90.0)):
        players = places(seat((3.6, 7.0), azimuth, 12, CHAIR, **SPACING))
        inner = players[np.hypot(players[:, 0], players[:, 1]) < 4.0]
        assert len(inner) == 8  # 5.65 m of row: four desks of 1.4 m
        assert inner[:, 1].argmin() == 0
        np.testing.assert_array_equal(players[:8], inner)


def test_the_two_of_a_desk_sit_side_by_side() -> None:
    players = places(seat((4.0, 4.0), (-30.0, 30.0), 4, CHAIR, **SPACING))
    for desk in (players[:2], players[2:]):
        assert np.linalg.norm(desk[0] - desk[1]) == pytest.approx(0.75)  # 0.7 to 0.9 m: common practice, no source
        assert np.hypot(*desk[0, :2]) == pytest.approx(np.hypot(*desk[1, :2]))


def test_the_odd_player_has_a_desk_alone_in_its_middle() -> None:
    (player,) = seat((4.0, 4.0), (-30.0, 30.0), 1, CHAIR, **SPACING)
    np.testing.assert_allclose(player.position, (0.0, 4.0, 1.1), atol=1e-12)


@given(arcs)
def test_an_arc_holds_exactly_as_many_as_it_says(arc: tuple[float, float, float, float]) -> None:
    inner, depth, start, width = arc
    table = ArcTable(radius=(inner, inner + depth), azimuth=(start, start + width))
    holds = capacity(table, SeatingTable())
    assert len(seat(table.radius, table.azimuth, holds, CHAIR, **SPACING)) == holds
    with pytest.raises(InputError, match=f"found {holds + 1} players; .* holds {holds}; widen the arc"):
        seat(table.radius, table.azimuth, holds + 1, CHAIR, **SPACING)


@settings(deadline=None)
@given(st.data(), st.sampled_from(catalogue.names("seating")))
def test_no_two_players_of_a_plan_touch_whatever_the_numbers(data: st.DataObject, name: str) -> None:
    plan = catalogue.load("seating", name)
    assert isinstance(plan, SeatingTable)
    everyone = []
    for section, place in plan.sections.items():
        count = data.draw(st.integers(1, capacity(place.arc, plan)), label=section)
        spacing = {"desk_width": plan.desk_width, "row_pitch": plan.row_pitch}
        everyone.append(places(seat(place.arc.radius, place.arc.azimuth, count, CHAIR, **spacing)))
    assert nearest(np.concatenate(everyone)) >= ELBOW_ROOM


@pytest.mark.parametrize(
    ("name", "counts"),
    [  # a very large string body: orchestration textbook, Routledge, 10.4324/9781315754932-10
        ("violins-together", (16, 14, 12, 10, 8)),
        ("antiphonal-violins", (16, 14, 12, 10, 8)),
        ("basses-centre-back", (16, 14, 12, 10, 8)),
        ("full-orchestra", (16, 14, 12, 10, 8, 2, 2, 2, 2, 4, 2, 3)),  # pairs of winds
        ("chamber-arc", (6, 5, 4, 3, 1)),  # common practice, no source
        ("strings-and-choir", (6, 5, 4, 3, 1, 14, 14, 14, 14)),  # common practice, no source
    ],
)
def test_a_plan_seats_the_orchestra_it_is_made_for(name: str, counts: tuple[int, ...]) -> None:
    plan = catalogue.load("seating", name)
    assert isinstance(plan, SeatingTable)
    for place, count in zip(plan.sections.values(), counts, strict=True):
        assert capacity(place.arc, plan) >= count


@given(arcs, st.floats(0.0, 1.0), st.floats(0.0, 0.5))
def test_each_row_stands_a_step_higher_and_nobody_moves_sideways(
    arc: tuple[float, float, float, float], riser: float, step: float
) -> None:
    inner, depth, start, width = arc
    where = ((inner, inner + depth), (start, start + width))
    holds = capacity(ArcTable(radius=where[0], azimuth=where[1]), SeatingTable())
    level = places(seat(*where, holds, CHAIR, **SPACING))
    raised = places(seat(*where, holds, CHAIR, **SPACING, riser=riser, riser_step=step))
    np.testing.assert_array_equal(raised[:, :2], level[:, :2])
    # A player sits beside the middle of the desk: the row is the ring just inside.
    row = np.floor((np.hypot(*level[:, :2].T) - inner) / SPACING["row_pitch"] + 1e-6)
    np.testing.assert_allclose(raised[:, 2], CHAIR.height + riser + row * step, atol=1e-12)


@pytest.mark.parametrize(("name", "strings"), [("full-orchestra", 5), ("strings-and-choir", 5)])
def test_winds_and_choirs_stand_on_risers_and_strings_on_the_floor(name: str, strings: int) -> None:
    """0.1 to 0.4 m a step: common practice, no source."""
    plan = catalogue.load("seating", name)
    assert isinstance(plan, SeatingTable)
    arcs = [place.arc for place in plan.sections.values()]
    assert all(arc.riser == 0.0 for arc in arcs[:strings])
    assert all(0.1 <= arc.riser <= 0.4 for arc in arcs[strings:])
    assert all(arc.riser_step == 0.0 or 0.1 <= arc.riser_step <= 0.4 for arc in arcs)


@given(st.floats(-9, 9), st.floats(0.5, 9), st.integers(1, 40))
def test_a_block_stands_around_its_point_apart(x: float, y: float, count: int) -> None:
    xyz = places(seat_around((x, y, 0.4), count, CHAIR, **SPACING))
    assert len(xyz) == count
    assert nearest(xyz) >= ELBOW_ROOM
    assert np.all(xyz[:, 2] == 0.4 + CHAIR.height)
    # No wider nor deeper than a square of the desks, half a desk over
    assert np.linalg.norm(xyz[:, :2] - [x, y], axis=1).max() <= np.sqrt(count / 2 + 1) * 1.4


def test_a_solo_player_sits_where_the_scene_says_and_looks_where_it_says() -> None:
    (player,) = seat_around((-1.0, -1.0, 0.0), 1, CHAIR, **SPACING, facing=180.0)
    assert player == Player((-1.0, -1.0, 1.1), 180.0)
    (turned,) = seat_around((-1.0, -1.0, 0.0), 1, CHAIR, **SPACING)
    assert turned.facing == pytest.approx(45.0)  # the conductor is upstage and to the right
