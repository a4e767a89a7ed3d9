"""Seating: desks on rings around the conductor, and the plans made of them."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from rooms import catalogue
from rooms.errors import InputError
from rooms.images import path_levels
from rooms.microphones import Capsule
from rooms.players import Instrument, Player, Section
from rooms.scene import Scene
from rooms.seating import DESK_SPACING, Desks, Place, make_room, seat, seat_around
from rooms.tables import ArcTable, SeatingTable
from tests.halls import hall, material, microphones

CHAIR = Instrument("chair", height=1.1)
ELBOW_ROOM = 0.6  # m, least distance of two players: common practice, no source
PAIRS = Desks(1.4, 1.3)
PLANS = catalogue.names("seating")

FLOOR = {
    **dict.fromkeys(("cello", "bassoon", "contrabassoon", "horn", "trombone", "bass-trombone", "tuba"), 1.5),
    "double-bass": 1.8,
    "voice": 0.5,
    "timpani": 10.0,
    "snare-drum": 5.0,
}
"""Stage floor a player takes in m²: Barron, Auditorium Acoustics (from memory); percussion as four in his 20 m²."""
OTHERS = 1.25


def places(players: tuple[Player, ...]) -> NDArray[np.float64]:
    return np.array([p.position for p in players])


def nearest(points: NDArray[np.float64]) -> float:
    """Return the least distance of two points."""
    gaps = np.linalg.norm(points[:, None] - points[None], axis=-1)
    return float(gaps[~np.eye(len(points), dtype=bool)].min()) if len(points) > 1 else np.inf


def seat_on(arc: ArcTable, plan: SeatingTable, count: int) -> tuple[Player, ...]:
    """Seat players on an arc of a plan."""
    return seat(arc.radius, arc.azimuth, count, CHAIR, catalogue.desks(plan, arc))


def capacity(arc: ArcTable, plan: SeatingTable) -> int:
    """Return how many players an arc holds, as its own error says."""
    with pytest.raises(InputError) as error:
        seat_on(arc, plan, 1000)
    found = re.search(r"holds (\d+);", str(error.value))
    assert found is not None
    return int(found[1])


def plan_of(name: str) -> SeatingTable:
    plan = catalogue.load("seating", name)
    assert isinstance(plan, SeatingTable)
    return plan


def orchestras() -> list[tuple[str, str | None]]:
    """Return every plan with each of its sizes and, as None, with the players it has without one."""
    return [(name, size) for name in PLANS for size in (None, *plan_of(name).sizes)]


arcs = st.tuples(st.floats(2.5, 8.0), st.floats(0.0, 5.0), st.floats(-100.0, 40.0), st.floats(60.0, 90.0))
all_desks = st.builds(Desks, st.floats(1.4, 3.0), st.floats(0.75, 3.0)) | st.builds(
    Desks, st.floats(0.65, 3.0), st.floats(0.75, 3.0), st.sampled_from(["own", "none"])
)


@given(arcs, all_desks, st.integers(1, 18))
def test_players_sit_on_their_arc_apart_and_look_at_the_conductor(
    arc: tuple[float, float, float, float], desks: Desks, count: int
) -> None:
    inner, depth, start, width = arc
    radius, azimuth = (inner, inner + depth), (start, start + width)
    try:
        players = seat(radius, azimuth, count, CHAIR, desks)
    except InputError:  # the first row alone holds these
        assert count > desks.players * int(np.radians(width) * inner / desks.width)
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


@given(st.integers(1, 16), st.floats(31.0, 90.0), st.sampled_from([PAIRS, Desks(1.2, 1.5, "own")]))
def test_a_mirrored_arc_seats_a_mirrored_section(count: int, middle: float, desks: Desks) -> None:
    """Arcs on one side; across the middle two desks are as near to the audience, and the left one comes first."""
    left = places(seat((2.5, 9.0), (-middle - 30, -middle + 30), count, CHAIR, desks))
    right = places(seat((2.5, 9.0), (middle - 30, middle + 30), count, CHAIR, desks))
    np.testing.assert_allclose(np.sort(left * [-1, 1, 1], axis=0), np.sort(right, axis=0), atol=1e-9)


def test_the_first_desk_is_the_one_nearest_the_audience_in_the_inner_row() -> None:
    for azimuth in ((-90.0, 0.0), (0.0, 90.0)):
        players = places(seat((3.6, 7.0), azimuth, 12, CHAIR, PAIRS))
        inner = players[np.hypot(players[:, 0], players[:, 1]) < 4.0]
        assert len(inner) == 8  # 5.65 m of row: four desks of 1.4 m
        assert inner[:, 1].argmin() == 0
        np.testing.assert_array_equal(players[:8], inner)


def test_the_two_of_a_desk_sit_side_by_side() -> None:
    players = places(seat((4.0, 4.0), (-30.0, 30.0), 4, CHAIR, PAIRS))
    for desk in (players[:2], players[2:]):
        assert np.linalg.norm(desk[0] - desk[1]) == pytest.approx(0.75)  # 0.7 to 0.9 m: common practice, no source
        assert np.hypot(*desk[0, :2]) == pytest.approx(np.hypot(*desk[1, :2]))


def test_the_odd_player_has_a_desk_alone_in_its_middle() -> None:
    (player,) = seat((4.0, 4.0), (-30.0, 30.0), 1, CHAIR, PAIRS)
    np.testing.assert_allclose(player.position, (0.0, 4.0, 1.1), atol=1e-12)


@given(arcs, all_desks)
def test_desks_fill_row_by_row_from_the_audience_and_half_a_desk_is_the_last_of_the_last_row(
    arc: tuple[float, float, float, float], desks: Desks
) -> None:
    """The first desk is nearest to conductor and audience, as principals sit (common practice, no source)."""
    inner, depth, start, width = arc
    table = ArcTable(radius=(inner, inner + depth), azimuth=(start, start + width), stand=desks.stand)
    plan = SeatingTable(desk_width=1.4)
    holds = capacity(table, plan)
    for count in range(1, holds + 1):
        section = Section("strings", CHAIR, seat_on(table, plan, count), stand=desks.stand)
        groups = section.desks or tuple((player,) for player in section.players)
        middles = np.array([places(group)[:, :2].mean(axis=0) for group in groups])
        row = np.rint((np.linalg.norm(middles, axis=1) - inner) / plan.row_pitch)
        assert row[0] == 0
        assert set(np.diff(row)) <= {0.0, 1.0}
        assert np.all(np.diff(middles[:, 1])[np.diff(row) == 0] >= -1e-9)
        assert [len(group) for group in groups[:-1]] == [desks.players] * (len(groups) - 1)
        assert len(groups[-1]) == (count - 1) % desks.players + 1


def test_who_has_a_stand_of_their_own_sits_alone_at_it_evenly_along_the_row() -> None:
    players = places(seat((6.5, 8.0), (46.0, 92.0), 9, CHAIR, Desks(1.2, 1.5, "own")))
    angle = np.degrees(np.arctan2(players[:, 0], players[:, 1]))
    np.testing.assert_allclose(np.hypot(players[:, 0], players[:, 1]), [6.5] * 4 + [8.0] * 5)
    np.testing.assert_allclose(angle[:4], [86.25, 74.75, 63.25, 51.75])  # 46° in four
    np.testing.assert_allclose(angle[4:], [87.4, 78.2, 69.0, 59.8, 50.6])  # in five


def test_two_need_the_room_of_two() -> None:
    assert Desks(0.65, 0.75, "none").players == 1
    with pytest.raises(InputError) as error:
        Desks(1.2, 1.3)
    assert str(error.value) == ('desk_width: found 1.2 m for two players; at least 1.4 m are needed, or stand = "own"')


@given(arcs, st.sampled_from(["shared", "own", "none"]))
def test_an_arc_holds_exactly_as_many_as_it_says(arc: tuple[float, float, float, float], stand: str) -> None:
    inner, depth, start, width = arc
    table = ArcTable.model_validate(
        {"radius": (inner, inner + depth), "azimuth": (start, start + width), "stand": stand, "row_pitch": 1.2}
    )
    holds = capacity(table, SeatingTable())
    assert len(seat_on(table, SeatingTable(), holds)) == holds
    with pytest.raises(InputError, match=f"found {holds + 1} players; .* holds {holds}; widen the arc"):
        seat_on(table, SeatingTable(), holds + 1)


def test_an_arc_s_own_desks_go_before_the_plan_s() -> None:
    plan = SeatingTable(desk_width=1.5, row_pitch=1.4)
    arc = ArcTable(radius=(2, 3), azimuth=(0, 90))
    assert catalogue.desks(plan, arc) == catalogue.desks(plan, None) == Desks(1.5, 1.4, "shared")
    roomy = arc.model_copy(update={"desk_width": 2.0, "row_pitch": 1.8, "stand": "own"})
    assert catalogue.desks(plan, roomy) == Desks(2.0, 1.8, "own")


@settings(deadline=None)
@given(st.data(), st.sampled_from(PLANS))
def test_no_two_players_of_a_plan_touch_whatever_the_numbers(data: st.DataObject, name: str) -> None:
    plan = plan_of(name)
    everyone = []
    for section, place in plan.sections.items():
        count = data.draw(st.integers(1, capacity(place.arc, plan)), label=section)
        everyone.append(places(seat_on(place.arc, plan, count)))
    assert nearest(np.concatenate(everyone)) >= ELBOW_ROOM


@pytest.mark.parametrize(("name", "size"), orchestras())
def test_a_plan_seats_every_size_of_it(name: str, size: str | None) -> None:
    plan = plan_of(name)
    assert plan.size is None  # the scene chooses
    counts = catalogue.head_count(plan.model_copy(update={"size": size}))
    assert counts
    for section, count in counts.items():
        assert capacity(plan.sections[section].arc, plan) >= count


STRINGS = {  # common practice, no source
    "solo": (1, 1, 1, 1, 1),
    "chamber": (8, 6, 4, 4, 2),
    "small": (10, 8, 6, 5, 3),
    "medium": (12, 10, 8, 6, 4),
    "large": (14, 12, 10, 8, 6),
    "very-large": (16, 14, 12, 10, 8),  # orchestration textbook, Routledge, 10.4324/9781315754932-10
}


@pytest.mark.parametrize("name", [n for n in PLANS if n not in ("string-quartet", "quintet")])
def test_an_orchestra_of_a_size_has_the_strings_that_go_by_it_in_every_plan(name: str) -> None:
    """And the larger one never has fewer of anything."""
    sizes = plan_of(name).sizes
    assert len(sizes) >= 2
    assert list(sizes) == [size for size in STRINGS if size in sizes]
    for size, counts in sizes.items():
        sections = ("violins-1", "violins-2", "violas", "cellos", "basses")
        assert tuple(counts[section] for section in sections) == STRINGS[size]
    for smaller, larger in zip(list(sizes.values())[:-1], list(sizes.values())[1:], strict=True):
        assert all(larger[section] >= count for section, count in smaller.items())


def grown(name: str, counts: dict[str, int]) -> tuple[SeatingTable, dict[str, np.ndarray]]:
    """Return a plan with room for so many strings, its others as it has them, and where everybody sits."""
    plan = plan_of(name)
    everyone = catalogue.head_count(plan) | {section: n for section, n in counts.items() if section in plan.sections}
    roomy = catalogue.with_room(plan, everyone)
    return roomy, {s: places(seat_on(roomy.sections[s].arc, roomy, n)) for s, n in everyone.items()}


STRING_SECTIONS = ("violins-1", "violins-2", "violas", "cellos", "basses")
CONDUCTED = [name for name in PLANS if plan_of(name).conducted]


@settings(max_examples=8, deadline=None)
@given(counts=st.fixed_dictionaries({name: st.integers(1, 18) for name in STRING_SECTIONS}))
@pytest.mark.parametrize("name", CONDUCTED)
def test_every_string_section_may_be_from_one_to_eighteen(name: str, counts: dict[str, int]) -> None:
    """Nobody nearer to another than an elbow allows, whoever sits behind the larger sections."""
    _, seated = grown(name, counts)
    assert all(len(seated[section]) == n for section, n in counts.items() if section in seated)
    assert nearest(np.concatenate(list(seated.values()))) >= ELBOW_ROOM


@pytest.mark.parametrize("name", PLANS)
def test_who_has_room_stays(name: str) -> None:
    assert grown(name, {})[0] == plan_of(name)


def test_who_sits_behind_a_larger_section_moves_back_as_far() -> None:
    """One row more of 1.3 m for the violins: the winds behind them, and those behind these, and nobody beside."""
    front = Place((2.5, 5.1), (-50.0, 0.0), 18, PAIRS)
    behind, farther = (Place((r, r), (-30.0, -5.0), 2, Desks(1.0, 1.25, "own")) for r in (6.4, 7.65))
    beside = Place((6.4, 6.4), (0.0, 30.0), 2, Desks(1.0, 1.25, "own"))
    radii = make_room({"violins": front, "flutes": behind, "clarinets": farther, "oboes": beside})
    more = PAIRS.row_pitch
    assert radii["violins"] == (2.5, pytest.approx(5.1 + more))
    assert radii["flutes"] == pytest.approx((6.4 + more, 6.4 + more))
    assert radii["clarinets"] == pytest.approx((7.65 + more, 7.65 + more))
    assert radii["oboes"] == (6.4, 6.4)


def test_an_arc_too_narrow_for_a_desk_is_refused() -> None:
    with pytest.raises(InputError, match=r"section .solo.: 2 players find no room between 10 and 10\.1°"):
        make_room({"solo": Place((2.5, 5.1), (10.0, 10.1), 2, PAIRS)})


def floor_needed(plan: SeatingTable, counts: dict[str, int]) -> float:
    """Return the stage area in m² that the players of a plan need together."""
    return sum(
        FLOOR.get(str(plan.sections[section].instrument.preset), OTHERS) * count for section, count in counts.items()
    )


def floor_taken(plan: SeatingTable, counts: dict[str, int]) -> float:
    """Return the stage area in m² within half a row, and between the ends of the arcs, of the rows that are used."""
    distance, azimuth = np.meshgrid(np.arange(0.02, 16, 0.04), np.arange(-179.5, 180), indexing="ij")
    taken = np.zeros_like(distance, dtype=bool)
    for section, count in counts.items():
        arc = plan.sections[section].arc
        half = catalogue.desks(plan, arc).row_pitch / 2
        used = np.hypot(*places(seat_on(arc, plan, count))[:, :2].T)
        reach = (distance > used.min() - half) & (distance < used.max() + half)
        taken |= reach & (azimuth > arc.azimuth[0]) & (azimuth < arc.azimuth[1])
    return float(np.sum(taken * distance * 0.04 * np.radians(1.0)))


@pytest.mark.parametrize(("name", "size"), orchestras())
def test_an_orchestra_has_the_floor_its_players_need(name: str, size: str | None) -> None:
    plan = plan_of(name)
    counts = catalogue.head_count(plan.model_copy(update={"size": size}))
    assert floor_taken(plan, counts) >= floor_needed(plan, counts)


@pytest.mark.parametrize("name", PLANS)
def test_strings_share_stands_and_others_have_room_for_what_they_play(name: str) -> None:
    """Common practice, no source; 1.8 m² a double bass, 0.5 m² a singer: Barron, Auditorium Acoustics (from memory)."""
    plan = plan_of(name)
    chamber_music = name in ("string-quartet", "quintet")
    for place in plan.sections.values():
        desks, instrument = catalogue.desks(plan, place.arc), place.instrument.preset
        if instrument in ("violin", "viola", "cello"):
            assert desks.stand == ("own" if chamber_music else "shared")
        else:
            assert desks.stand == ("none" if instrument == "voice" else "own")
        if instrument == "double-bass":
            assert desks.width * desks.row_pitch >= 1.8 - 1e-9
        if instrument == "voice":
            assert desks.width * desks.row_pitch >= 0.48  # 0.5, to the digit given


@given(st.integers(1, 18), st.sampled_from(["shared", "own"]))
def test_a_section_s_direct_sound_carries_the_stem_s_energy_however_many_play_it(count: int, stand: str) -> None:
    """The mean over the players of what each alone would give, 1/d² less air."""
    arc = ArcTable.model_validate({"radius": (2.5, 9.0), "azimuth": (-92, -40), "stand": stand})
    section = Section("violins-1", CHAIR, seat_on(arc, SeatingTable(), count))
    box = hall(*[material(0.3, 0.2)] * 6, size=(30.0, 40.0, 12.0), conductor=(15.0, 12.0))
    ear = (0.0, -9.0, 3.0)
    scene = Scene(box, (section,), (microphones(Capsule("far", ear)),), 48000)
    distance = np.linalg.norm(section.positions - ear, axis=1)[:, None]
    expected = np.mean(np.exp(-box.air * distance) / distance**2, axis=0)
    np.testing.assert_allclose(path_levels(scene, section)[1][0], expected, rtol=1e-12)


@given(arcs, st.floats(0.0, 1.0), st.floats(0.0, 0.5))
def test_each_row_stands_a_step_higher_and_nobody_moves_sideways(
    arc: tuple[float, float, float, float], riser: float, step: float
) -> None:
    inner, depth, start, width = arc
    where = ((inner, inner + depth), (start, start + width))
    holds = capacity(ArcTable(radius=where[0], azimuth=where[1]), SeatingTable())
    level = places(seat(*where, holds, CHAIR, PAIRS))
    raised = places(seat(*where, holds, CHAIR, PAIRS, riser=riser, riser_step=step))
    np.testing.assert_array_equal(raised[:, :2], level[:, :2])
    # A player sits beside the middle of the desk: the row is the ring just inside.
    row = np.floor((np.hypot(*level[:, :2].T) - inner) / PAIRS.row_pitch + 1e-6)
    np.testing.assert_allclose(raised[:, 2], CHAIR.height + riser + row * step, atol=1e-12)


@pytest.mark.parametrize("name", PLANS)
def test_strings_sit_on_the_floor_winds_and_choirs_on_risers(name: str) -> None:
    """0.1 to 0.4 m a step: common practice, no source."""
    on_floor = {"violin", "viola", "cello", "double-bass", "piano", "harp"}
    arcs = [(place.instrument.preset in on_floor, place.arc) for place in plan_of(name).sections.values()]
    heights = sorted({0.0, *(arc.riser for _, arc in arcs)})
    assert all(arc.riser == 0.0 for floor, arc in arcs if floor)
    assert all(arc.riser > 0.0 for floor, arc in arcs if not floor)
    assert all(0.1 <= step <= 0.4 for step in np.diff(heights))
    assert all(arc.riser_step == 0.0 or 0.1 <= arc.riser_step <= 0.4 for _, arc in arcs)


@given(st.floats(-9, 9), st.floats(0.5, 9), st.integers(1, 40))
def test_a_block_stands_around_its_point_apart(x: float, y: float, count: int) -> None:
    xyz = places(seat_around((x, y, 0.4), count, CHAIR, PAIRS))
    assert len(xyz) == count
    assert nearest(xyz) >= ELBOW_ROOM
    assert np.all(xyz[:, 2] == 0.4 + CHAIR.height)
    # No wider nor deeper than a square of the desks, half a desk over
    assert np.linalg.norm(xyz[:, :2] - [x, y], axis=1).max() <= np.sqrt(count / 2 + 1) * 1.4


def test_a_solo_player_sits_where_the_scene_says_and_looks_where_it_says() -> None:
    (player,) = seat_around((-1.0, -1.0, 0.0), 1, CHAIR, PAIRS, facing=180.0)
    assert player == Player((-1.0, -1.0, 1.1), 180.0)
    (turned,) = seat_around((-1.0, -1.0, 0.0), 1, CHAIR, PAIRS)
    assert turned.facing == pytest.approx(45.0)  # the conductor is upstage and to the right
