"""Localisation: where a sound appears between two loudspeakers, from level and time differences of their signals.

Conventions: a difference is right against left, positive to the right: level in dB, time as the lead of the right
channel in s. The loudspeakers stand at ±30° (ITU-R BS.775-3); a shift of 1 is the right one, −1 the left one.

References
----------
Wittek & Theile, "The recording angle – based on localisation curves", AES 112th Convention, paper 5568, 2002 (slopes
from memory): up to three quarters of the way to a loudspeaker, 7.5 % a dB and 13 % a tenth of a millisecond, and both
add. Williams, "Unified theory of microphone systems for stereophonic sound recording", AES preprint 2466, 1987 (from
memory), with Simonsen's listening tests of 1984: what brings a sound all the way is 15 dB, 1.12 ms, or 6 dB with
0.5 ms, as a microphone maker's application note on spacing and angling prints it. Stitt, Bertet & van Walstijn,
"Extended energy vector prediction of Ambisonically reproduced image direction at off-center listening positions", J.
Audio Eng. Soc. 64, 2016, after Gerzon's energy vector: of several wavefronts each pulls as its energy says.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rooms.errors import InputError
from rooms.microphones import Array
from rooms.players import Section
from rooms.units import BAND_NAMES

__all__ = [
    "LOUDSPEAKER_AZIMUTH",
    "EnsembleImage",
    "SectionImage",
    "apparent_azimuth",
    "channel_differences",
    "direct_pressure",
    "ensemble_image",
    "image_shift",
    "is_pair",
    "recording_angle",
    "section_image",
    "wavefront_shift",
]

LOUDSPEAKER_AZIMUTH = 30.0
"""Degrees to either side; with the listener they make an equilateral triangle (ITU-R BS.775-3)."""

SHIFT_PER_DB, SHIFT_PER_S = 0.075, 1300.0
"""Shift for a difference in level or in time up to `PROPORTIONAL` (Wittek & Theile 2002)."""

PROPORTIONAL = 0.75
"""The shift up to which it grows in proportion; beyond, it grows more slowly (Wittek & Theile 2002)."""

FULL_LEVEL_DB, FULL_TIME_S = 15.0, 0.00112
"""The difference that alone places a sound in a loudspeaker (Williams 1987)."""

FULL_TOGETHER = (6.0 / FULL_LEVEL_DB, 0.0005 / FULL_TIME_S)
"""Parts of both that together place it there: 6 dB and 0.5 ms (Williams 1987)."""

IMAGE_BAND = BAND_NAMES.index("1000")
"""The band whose polar pattern places a sound."""


def image_shift(level_db: ArrayLike, time_s: ArrayLike) -> NDArray[np.float64]:
    """Return where a sound appears between two loudspeakers, −1 (left) to 1 (right).

    Parameters
    ----------
    level_db, time_s : array_like
        Level of the right channel re the left in dB, and its lead in s; of shapes that go together.

    Returns
    -------
    ndarray
        Shift, of that shape. From listening tests with speech and clicks on the axis of symmetry; single listeners and
        sounds lie about 10 % to either side (from memory). Beyond the full differences it stays in the loudspeaker.

    Notes
    -----
    In proportion up to 0.75; from there, along the line of constant ratio of level to time, straight to 1 where the two
    suffice to bring the sound into the loudspeaker. Differences that pull to opposite sides subtract as shifts.
    """
    level, time = np.broadcast_arrays(np.asarray(level_db, np.float64), np.asarray(time_s, np.float64))
    apart = np.sign(level) * _shift(np.abs(level), 0.0 * time) + np.sign(time) * _shift(0.0 * level, np.abs(time))
    side = np.where(level == 0.0, np.sign(time), np.sign(level))
    return np.asarray(np.where(level * time >= 0.0, side * _shift(np.abs(level), np.abs(time)), apart))


def apparent_azimuth(level_db: ArrayLike, time_s: ArrayLike) -> NDArray[np.float64]:
    """Return the azimuth at which a sound appears between loudspeakers at ±30°, in degrees; see `image_shift`."""
    return LOUDSPEAKER_AZIMUTH * image_shift(level_db, time_s)


def _shift(level: NDArray[np.float64], time: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the shift, 0 to 1, by differences in dB and s that pull to the same side, both 0 or more."""
    proportional = SHIFT_PER_DB * level + SHIFT_PER_S * time
    a, b = FULL_TOGETHER
    of_level, of_time = level / FULL_LEVEL_DB, time / FULL_TIME_S
    # 1 on the two straight lines from each full difference to the two together.
    of_full = np.minimum(of_level + of_time * (1.0 - a) / b, of_time + of_level * (1.0 - b) / a)
    beyond = np.maximum(proportional - PROPORTIONAL, 0.0)
    # Never 0 / 0: the proportional shift is at least 1.1 where the sound is in the loudspeaker.
    way = of_full * beyond / np.maximum(proportional - PROPORTIONAL * of_full, 1e-12)
    return np.asarray(np.minimum(np.minimum(proportional, PROPORTIONAL) + (1.0 - PROPORTIONAL) * way, 1.0))


def wavefront_shift(channels: ArrayLike, times: ArrayLike) -> NDArray[np.float64]:
    """Return where several wavefronts from both loudspeakers appear together, −1 (left) to 1 (right).

    Parameters
    ----------
    channels : array_like, shape (..., 2, wavefronts)
        Amplitude of each wavefront in the left and in the right loudspeaker, of either sign.
    times : array_like, shape (..., wavefronts)
        When it comes, in s.

    Returns
    -------
    ndarray, shape (...)
        Shift; NaN where nothing sounds.

    Notes
    -----
    Any wavefront of the left loudspeaker and any of the right one make a pair, which the published curves place by
    its time, and by the level of one loudspeaker re the other. These pairs are the peaks of the correlation of both
    channels; each pulls as its energy says, the product of both energies. For two microphones of a channel each there
    is one pair, and for microphones in one point one time: then it is the published curve itself. That pairs pull by
    their energy is our own step from Gerzon's energy vector; no listening test of three microphones stands behind it,
    nor does a pair pull less for coming some milliseconds after another.
    """
    energies = np.square(np.asarray(channels, dtype=np.float64))
    time = np.asarray(times, dtype=np.float64)
    loudest = energies.sum(axis=-1).max(axis=-1)
    left, right = np.moveaxis(energies / np.where(loudest > 0.0, loudest, 1.0)[..., None, None], -2, 0)
    floor = 1e-18  # silence in one loudspeaker
    of_left, of_right = (np.maximum(side.sum(axis=-1), floor) for side in (left, right))
    share = (left + floor)[..., :, None] * (right + floor)[..., None, :]
    # Silence has no time; level alone decides.
    silent = np.minimum(of_left, of_right) <= floor
    lead = np.where(silent[..., None, None], 0.0, time[..., :, None] - time[..., None, :])
    shifts = image_shift(10.0 * np.log10(of_right / of_left)[..., None, None], lead)
    mean = (share * shifts).sum(axis=(-2, -1)) / share.sum(axis=(-2, -1))
    return np.asarray(np.where(loudest > 0.0, mean, np.nan))


def direct_pressure(array: Array, point: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the direct sound of an omnidirectional source at every capsule, at 1 kHz.

    Parameters
    ----------
    array : Array
        Who hears.
    point : array_like, shape (3,)
        The source in m.

    Returns
    -------
    pressure, distance : ndarray, shape (capsules,)
        Signed amplitude re 1 m, with pattern and gain; m.
    """
    way = np.asarray(point, dtype=np.float64) - array.positions
    distance = np.linalg.norm(way, axis=1)
    cosine = np.einsum("mx,mx->m", way / distance[:, None], array.axes)
    a, sensitivity = array.pressure_parts[:, IMAGE_BAND], array.sensitivities[:, IMAGE_BAND]
    return sensitivity * (a + (1.0 - a) * cosine) / distance, distance


def is_pair(array: Array) -> bool:
    """Tell whether an array makes one level and one time in each channel: two capsules, or all heard ones in a point.

    Each capsule needs a stereo law of its own; those that go to neither side don't count.
    """
    if any(capsule.stereo is None for capsule in array.capsules):
        return False
    heard = [capsule for capsule in array.capsules if capsule.stereo != (0.0, 0.0)]
    return len(heard) == 2 or (len(heard) > 2 and len({capsule.position for capsule in heard}) == 1)


def channel_differences(array: Array, point: ArrayLike, speed_of_sound: float) -> tuple[float, float]:
    """Return level and lead of a pair's right channel re its left for a source, in dB and s.

    Parameters
    ----------
    array : Array
        A pair, see `is_pair`.
    point : array_like, shape (3,)
        The source in m.
    speed_of_sound : float
        m/s.

    Raises
    ------
    InputError
        If the array isn't a pair.
    """
    if not is_pair(array):
        raise InputError(f"array '{array.name}' isn't a pair; its channels don't have one level and one time each")
    pressure, distance = direct_pressure(array, point)
    gains = np.array([capsule.stereo for capsule in array.capsules])
    channels = np.abs(pressure @ gains)
    weights = (gains * pressure[:, None]) ** 2
    weights += 1e-12 * weights.max() + 1e-30  # a channel whose capsules' nulls point at the source has a time, too
    times = (weights * distance[:, None]).sum(axis=0) / weights.sum(axis=0) / speed_of_sound
    level = 20.0 * math.log10(max(channels[1], 1e-9) / max(channels[0], 1e-9))
    return level, float(times[0] - times[1])


def recording_angle(array: Array, speed_of_sound: float, distance: float = 1000.0) -> float:
    """Return the angle within which sources appear between the loudspeakers and not in one of them, in degrees.

    Parameters
    ----------
    array : Array
        A pair that is alike to both sides, see `is_pair`. Its axes are levelled, as in tables of recording angles.
    speed_of_sound : float
        m/s.
    distance : float
        Of the sources, on a circle around the array's middle at its height, in m.

    Returns
    -------
    float
        Twice the azimuth at which the image reaches a loudspeaker; NaN where it doesn't up to 90° on either side, as
        the image then holds all that is in front.

    Raises
    ------
    InputError
        If the array isn't a pair.
    """
    level = replace(array, capsules=tuple(replace(c, aim=(c.aim[0], 0.0)) for c in array.capsules))
    azimuths = np.radians(np.linspace(0.0, 90.0, 901))
    circle = distance * np.stack([np.sin(azimuths), np.cos(azimuths), np.zeros_like(azimuths)], axis=1)
    middle = level.positions.mean(axis=0)
    shifts = image_shift(
        *np.transpose([channel_differences(level, middle + point, speed_of_sound) for point in circle])
    )
    full = np.flatnonzero(shifts >= 1.0 - 1e-9)
    return 2.0 * math.degrees(azimuths[full[0]]) if full.size else math.nan


@dataclass(frozen=True)
class SectionImage:
    """Where a section appears between two loudspeakers.

    Attributes
    ----------
    section : str
        Its name.
    azimuth : float
        Of its centre, in degrees, ±30 being the loudspeakers.
    left, right : float
        Of its outermost players.
    """

    section: str
    azimuth: float
    left: float
    right: float


@dataclass(frozen=True)
class EnsembleImage:
    """Where a pair sees an ensemble, and where it puts it between two loudspeakers.

    Attributes
    ----------
    recording_angle : float
        In degrees; NaN where the image holds all that is in front. See `recording_angle`.
    seen : tuple of float
        Azimuths of the outermost players from the pair's middle, in degrees; 0 looks upstage.
    sections : tuple of SectionImage
        In the order of the sections.
    """

    recording_angle: float
    seen: tuple[float, float]
    sections: tuple[SectionImage, ...]

    @property
    def heard(self) -> tuple[float, float]:
        """Where the outermost players appear, in degrees."""
        return min(image.left for image in self.sections), max(image.right for image in self.sections)


def section_image(
    array: Array, section: Section, speed_of_sound: float, law: NDArray[np.floating] | None = None
) -> SectionImage:
    """Return where an array puts a section.

    Parameters
    ----------
    array : Array
        Any; what isn't a pair goes by `wavefront_shift`.
    section : Section
        Omnidirectional here.
    speed_of_sound : float
        m/s.
    law : ndarray, shape (2, capsules), optional
        Amplitudes of the capsules into left and right; left out: the capsules' own.

    Raises
    ------
    InputError
        If a capsule has no stereo law of its own and none is given.
    """
    if law is None:
        if any(capsule.stereo is None for capsule in array.capsules):
            raise InputError(f"array '{array.name}': a capsule goes nowhere in stereo; give it loudspeaker or pan")
        law = np.array([capsule.stereo for capsule in array.capsules]).T
    points = [section.centre, *section.positions]
    pressure, distance = map(np.array, zip(*(direct_pressure(array, point) for point in points), strict=True))
    channels = law * pressure[:, None, :]
    # Capsules in one point make one wavefront: their pressures add.
    spots, of_spot = np.unique(array.positions.round(6), axis=0, return_inverse=True)
    together = np.eye(len(spots))[of_spot.ravel()]
    first = distance @ (together / together.sum(axis=0))
    centre, *players = (LOUDSPEAKER_AZIMUTH * wavefront_shift(channels @ together, first / speed_of_sound)).tolist()
    return SectionImage(section.name, centre, min(players), max(players))


def ensemble_image(array: Array, sections: Sequence[Section], speed_of_sound: float) -> EnsembleImage:
    """Return where a pair sees an ensemble and puts it; raises as `channel_differences` does."""
    images = [section_image(array, section, speed_of_sound) for section in sections]
    ways = np.concatenate([section.positions for section in sections]) - array.positions.mean(axis=0)
    azimuths = np.degrees(np.arctan2(ways[:, 0], ways[:, 1]))
    return EnsembleImage(
        recording_angle(array, speed_of_sound), (float(azimuths.min()), float(azimuths.max())), tuple(images)
    )
