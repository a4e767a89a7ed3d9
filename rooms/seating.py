"""Seating: how a section's players sit in desks on rings around the conductor, or in a block of their own."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from rooms.errors import InputError
from rooms.players import Instrument, Player, Stand

__all__ = ["DESK_SPACING", "Desks", "Place", "make_room", "seat", "seat_around"]

DESK_SPACING = 0.75
"""Between the two players of a desk in m (0.7 to 0.9 m is common practice, no source)."""

LARGEST = 18
"""A section of up to so many gets the rows it needs; an orchestra's have no more (common practice, no source)."""

MOST_ROWS = 40
"""More rows than any stage holds."""

LEAST_WIDTH = 1.4
"""Room along the row in m that two players of a desk need to sit no nearer to the next desk than to each other."""


@dataclass(frozen=True)
class Desks:
    """How close a section sits.

    Parameters
    ----------
    width : float
        Room along the row for a desk in m: for two players who share a stand, or for one.
    row_pitch : float
        From row to row in m.
    stand : {"shared", "own", "none"}
        Strings share a stand by two, others have their own, a choir has none.

    Raises
    ------
    InputError
        If two have less room than 1.4 m.
    """

    width: float
    row_pitch: float
    stand: Stand = "shared"

    def __post_init__(self) -> None:
        if self.stand == "shared" and self.width < LEAST_WIDTH:
            raise InputError(
                f"desk_width: found {self.width:g} m for two players; at least {LEAST_WIDTH:g} m are needed, "
                'or stand = "own"'
            )

    @property
    def players(self) -> int:
        """How many sit at a desk."""
        return 2 if self.stand == "shared" else 1

    def count(self, players: int) -> int:
        """Return how many desks a number of players takes."""
        return -(-players // self.players)


@dataclass(frozen=True)
class Place:
    """Where a plan seats a section, and how many it is for now.

    Parameters
    ----------
    radius : tuple of float
        First and largest radius in m.
    azimuth : tuple of float
        Ends of the arc in degrees.
    players : int
        How many sit there.
    desks : Desks
        How close they sit.
    """

    radius: tuple[float, float]
    azimuth: tuple[float, float]
    players: int
    desks: Desks

    def before(self, other: Place) -> bool:
        """Whether the other sits behind it, seen from the conductor."""
        first, last = max(min(self.azimuth), min(other.azimuth)), min(max(self.azimuth), max(other.azimuth))
        return max(self.radius) <= min(other.radius) and last - first > 1e-6


def make_room(places: Mapping[str, Place]) -> dict[str, tuple[float, float]]:
    """Return the radii with which every section has room for its players, by section.

    A section of up to `LARGEST` that is larger than its arc gets more rows outwards; who sits behind it moves back as
    far, and who sits behind them. Where all have room, all stay.

    Raises
    ------
    InputError
        If an arc is so narrow that no row within `MOST_ROWS` holds a desk.
    """
    grown: dict[str, float] = {}
    radii = {}
    for name, place in sorted(places.items(), key=lambda item: min(item[1].radius)):
        back = max((grown[other] for other in grown if places[other].before(place)), default=0.0)
        inner, outer = (r + back for r in sorted(place.radius))
        arc = math.radians(abs(place.azimuth[1] - place.azimuth[0]))
        needed = place.desks.count(place.players)
        planned = len(_rows((inner, outer), arc, place.desks))
        rows = planned
        pitch, wanted = place.desks.row_pitch, needed if place.players <= LARGEST else 0
        while sum(count for _, count in _rows((inner, inner + (rows - 1) * pitch), arc, place.desks)) < wanted:
            rows += 1
            if rows > MOST_ROWS:
                raise InputError(
                    f"section '{name}': {place.players} players find no room between {place.azimuth[0]:g} and "
                    f"{place.azimuth[1]:g}°; widen the arc or take fewer players",
                    at=("sections", name),
                )
        more = (rows - planned) * pitch
        grown[name] = back + more
        radii[name] = (inner, outer + more)
    return radii


def seat(
    radius: tuple[float, float],
    azimuth: tuple[float, float],
    players: int,
    instrument: Instrument,
    desks: Desks,
    *,
    facing: float | None = None,
    riser: float = 0.0,
    riser_step: float = 0.0,
) -> tuple[Player, ...]:
    """Seat players in desks on a part of the stage around the conductor.

    Rows are rings around the conductor, from the inner radius outwards, filled one after the other; within a row the
    desks spread evenly over the arc. The first desk is the one of the inner row that is nearest the audience, as
    principals sit (common practice, no source); the last player of an odd number has a desk alone, in the last row.

    Parameters
    ----------
    radius : tuple of float
        First and largest radius in m.
    azimuth : tuple of float
        Ends of the arc in degrees; 0 is upstage, positive to the audience's right.
    players : int
        How many, at least 1.
    instrument : Instrument
        What they play; gives the height.
    desks : Desks
        How close they sit.
    facing : float, optional
        Azimuth the players look to, in degrees; left out: each to the conductor.
    riser : float
        Height of the first row above the stage floor in m.
    riser_step : float
        How much higher each further row stands, in m.

    Returns
    -------
    tuple of Player
        In the order of their desks: row by row, in each row from the audience.

    Raises
    ------
    InputError
        If the arc holds fewer players; the text says how many it holds.
    """
    start, end = sorted(math.radians(a) for a in azimuth)
    end = min(end, start + 2.0 * math.pi)  # once around is all there is
    rows = _rows(radius, end - start, desks)
    room = sum(capacity for _, capacity in rows) * desks.players
    if players > room:
        raise InputError(
            f"found {players} players; the arc of radius {radius[0]:g} to {radius[1]:g} m and azimuth "
            f"{azimuth[0]:g} to {azimuth[1]:g}° holds {room}; widen the arc or take fewer players"
        )
    seated: list[Player] = []
    for row, (distance, capacity) in enumerate(rows):
        here = min(capacity, desks.count(players - len(seated)))
        spread = [start + (end - start) * (i + 0.5) / here for i in range(here)]
        for angle in sorted(spread, key=lambda a: (round(math.cos(a), 9), a)):
            centre = (distance * math.sin(angle), distance * math.cos(angle), riser + row * riser_step)
            seated += _desk(centre, angle, min(desks.players, players - len(seated)), instrument, facing)
    return tuple(seated)


def seat_around(
    position: tuple[float, float, float],
    players: int,
    instrument: Instrument,
    desks: Desks,
    *,
    facing: float | None = None,
) -> tuple[Player, ...]:
    """Seat players in a compact block of desks around a point.

    Parameters
    ----------
    position : tuple of float
        Middle of the block in m, on the floor or the riser the players sit on.
    players : int
        How many, at least 1; a single player sits in the point itself.
    instrument, desks, facing
        As for `seat`; the block stands square to the line from its middle to the conductor.

    Returns
    -------
    tuple of Player
        In the order of their desks: row by row from the conductor outwards.
    """
    x, y, z = position
    angle = math.atan2(x, y)
    count = desks.count(players)
    columns = math.ceil(math.sqrt(count))
    rows = math.ceil(count / columns)
    seated: list[Player] = []
    for row in range(rows):
        here = min(columns, count - row * columns)
        outwards = (row - (rows - 1) / 2) * desks.row_pitch
        for column in range(here):
            along = (column - (here - 1) / 2) * desks.width
            centre = (
                x + outwards * math.sin(angle) + along * math.cos(angle),
                y + outwards * math.cos(angle) - along * math.sin(angle),
                z,
            )
            seated += _desk(centre, angle, min(desks.players, players - len(seated)), instrument, facing)
    return tuple(seated)


def _rows(radius: tuple[float, float], arc: float, desks: Desks) -> list[tuple[float, int]]:
    """Return radius in m and number of desks of each row that fits."""
    inner, outer = sorted(radius)
    count = int((outer - inner) / desks.row_pitch + 1e-9) + 1
    distances = [inner + row * desks.row_pitch for row in range(count)]
    return [(distance, int(distance * arc / desks.width + 1e-9)) for distance in distances]


def _desk(
    centre: tuple[float, float, float],
    angle: float,
    players: int,
    instrument: Instrument,
    facing: float | None,
) -> list[Player]:
    """Return the one or two players of a desk square to an azimuth in radians, nearest the audience first."""
    offsets = [0.0] if players == 1 else [-DESK_SPACING / 2, DESK_SPACING / 2]
    x, y, z = centre
    places = [(x + o * math.cos(angle), y - o * math.sin(angle), z + instrument.height) for o in offsets]
    return [
        Player(p, _towards_conductor(p) if facing is None else facing)
        for p in sorted(places, key=lambda p: (round(p[1], 9), p[0]))
    ]


def _towards_conductor(place: tuple[float, float, float]) -> float:
    """Return the azimuth from a place to the conductor in degrees, -180 to 180."""
    return math.degrees(math.atan2(-place[0], -place[1]))
