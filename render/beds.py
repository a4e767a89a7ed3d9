"""Beds: capsules summed to the loudspeakers of a surround layout, or to the components of Ambisonics.

References
----------
Nachbar, Zotter, Deleflie and Sontacchi, "AmbiX – a suggested Ambisonics format", Ambisonics Symposium 2011.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from render.mix import heard_arrays, looked_at
from render.scene_file import SceneFile
from rooms.microphones import Array
from rooms.players import Section

__all__ = ["AMBIX", "LAYOUTS", "Bed", "ambix_law", "beds_of", "encoded", "spot_law", "surround_law"]

LAYOUTS = {
    "4.0": ("FL", "FR", "BL", "BR"),
    "5.0": ("FL", "FR", "FC", "BL", "BR"),
    "5.1": ("FL", "FR", "FC", "LFE", "BL", "BR"),
    "7.1": ("FL", "FR", "FC", "LFE", "BL", "BR", "SL", "SR"),
    "5.1.4": ("FL", "FR", "FC", "LFE", "BL", "BR", "TFL", "TFR", "TBL", "TBR"),
    "7.1.4": ("FL", "FR", "FC", "LFE", "BL", "BR", "SL", "SR", "TFL", "TFR", "TBL", "TBR"),
}
"""Loudspeakers of each layout, in the order that wave files have them."""

AMBIX = ("W", "Y", "Z", "X")
"""Components of the first order in ACN order, with SN3D gains."""

_SIDE_IS_BACK = {"SL": "BL", "SR": "BR"}  # where there is one pair of surrounds
_COINCIDENT = 1e-3  # m; a quarter of a wave at 85 kHz


@dataclass(frozen=True)
class Bed:
    """Files whose channels are sums of capsules, besides left and right.

    Parameters
    ----------
    ending : str
        What ends their names.
    what : str
        What they are, in words.
    channels : tuple of str
        Names of the channels in order.
    arrays : tuple of str
        Those that have a file of their own.
    loudspeakers : bool
        Whether channels are loudspeakers; then stems hold all arrays.
    """

    ending: str
    what: str
    channels: tuple[str, ...]
    arrays: tuple[str, ...]
    loudspeakers: bool


def beds_of(scene_file: SceneFile) -> tuple[Bed, ...]:
    """Return the beds that a scene asks for.

    Raises
    ------
    InputError
        If no capsule feeds a loudspeaker, one feeds a loudspeaker that the layout hasn't, or no array is Ambisonic.
    """
    arrays, layout = heard_arrays(scene_file), scene_file.output.surround
    beds = []
    if layout is not None:
        feeding = [(array, c) for array in arrays for c in array.capsules if c.loudspeaker is not None]
        if not feeding:
            raise scene_file.file.error(
                ("output", "surround"),
                "no microphone that is heard names a loudspeaker; give capsules of an array loudspeaker = "
                f"{' or '.join(name for name in LAYOUTS[layout] if name != 'LFE')}",
            )
        for array, capsule in feeding:
            if _fed(capsule.loudspeaker, layout) not in LAYOUTS[layout]:
                raise scene_file.file.error(
                    ("output", "surround"),
                    f"capsule '{capsule.name}' of array '{array.name}' feeds loudspeaker {capsule.loudspeaker}, which "
                    f"{layout} hasn't; choose another layout, or mute the array",
                )
        own = tuple(dict.fromkeys(array.name for array, _ in feeding))
        beds.append(Bed(layout, f"{layout} surround bed", LAYOUTS[layout], own, loudspeakers=True))
    if scene_file.output.ambisonic:
        own = tuple(array.name for array in arrays if ambix_law(array) is not None or array.purpose == "spot")
        if all(ambix_law(array) is None for array in arrays):
            raise scene_file.file.error(
                ("output", "ambisonic"),
                "no array that is heard has four microphones or more in one point that tell W, Y, Z and X apart; add "
                'one with preset = "ambisonic"',
            )
        beds.append(Bed("ambix", "first-order Ambisonics (AmbiX: ACN, SN3D)", AMBIX, own, loudspeakers=False))
    return tuple(beds)


def surround_law(layout: str, arrays: Sequence[Array], stereo: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the amplitudes with which every capsule goes to the loudspeakers of a layout, shape (channels, capsules).

    Parameters
    ----------
    layout : str
        One of `LAYOUTS`.
    arrays : sequence of Array
        All that are heard, in order.
    stereo : ndarray, shape (2, capsules)
        Amplitudes into front left and right of capsules that feed no loudspeaker.
    """
    names = LAYOUTS[layout]
    law = np.zeros((len(names), stereo.shape[1]))
    for m, capsule in enumerate(capsule for array in arrays for capsule in array.capsules):
        if capsule.loudspeaker is None:
            law[[names.index("FL"), names.index("FR")], m] = stereo[:, m]
        else:
            law[names.index(_fed(capsule.loudspeaker, layout)), m] = 1.0
    return law


def ambix_law(array: Array) -> NDArray[np.float64] | None:
    """Return the amplitudes with which an array's capsules make W, Y, Z and X, shape (4, capsules).

    Returns
    -------
    ndarray or None
        None if its capsules don't tell them apart: they must be in one point, alike at all frequencies, and four or
        more of them that look to different sides.

    Notes
    -----
    A capsule hears g·(a·W + (1 − a)·(axis · V)), V being the three components of velocity along the scene's axes; the
    amplitudes are the inverse of that, so gains of single capsules drop out. AmbiX has x forward and y to the left:
    X = V·y and Y = −V·x of the scene, which has y upstage and x to the audience's right.
    """
    parts, gains = array.pressure_parts, array.sensitivities
    apart = np.abs(array.positions - array.positions[0]).max() > _COINCIDENT
    if apart or np.ptp(parts, axis=1).max() > 0.0 or np.ptp(gains, axis=1).max() > 0.0:
        return None
    heard = gains[:, :1] * np.concatenate([parts[:, :1], (1.0 - parts[:, :1]) * array.axes], axis=1)
    if np.linalg.matrix_rank(heard, tol=0.05 * np.abs(gains).max()) < len(AMBIX):
        return None
    pressure, right, up, forward = np.linalg.pinv(heard)[[0, 1, 3, 2]]
    return np.round([pressure, -right, up, forward], 9)


def spot_law(spots: Array, sections: Sequence[Section], arrays: Sequence[Array]) -> NDArray[np.float64]:
    """Return the amplitudes with which spots go to W, Y, Z and X, shape (4, capsules).

    Each is encoded as a plane wave from where what it looks at is, seen from the first Ambisonic array: so it joins
    its section in that array's image. Its own level, as in the stereo mix, is that of W.

    Parameters
    ----------
    spots : Array
        Microphones of single sections.
    sections : sequence of Section
        The ensemble.
    arrays : sequence of Array
        All that are heard; one of them is Ambisonic.
    """
    ear = next(array.positions.mean(axis=0) for array in arrays if ambix_law(array) is not None)
    centres = {section.name: section.centre for section in sections}
    return np.stack([encoded(looked_at(capsule, centres) - ear) for capsule in spots.capsules], axis=1)


def encoded(toward: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return W, Y, Z and X of a plane wave of amplitude 1, shape (4,).

    Parameters
    ----------
    toward : ndarray, shape (3,)
        From the listener to the source, of any length, in the scene's axes.

    Notes
    -----
    First order, SN3D (AmbiX 2011, table 1): 1, sin A·cos E, sin E, cos A·cos E; A is the azimuth counter-clockwise from
    the front, which is upstage.
    """
    right, ahead, up = toward / max(float(np.linalg.norm(toward)), 1e-9)  # from everywhere at once, W alone
    return np.array([1.0, -right, up, ahead])


def _fed(loudspeaker: str | None, layout: str) -> str:
    """Return the loudspeaker of a layout that a capsule feeds which names one."""
    name = loudspeaker or ""
    return name if "SL" in LAYOUTS[layout] else _SIDE_IS_BACK.get(name, name)
