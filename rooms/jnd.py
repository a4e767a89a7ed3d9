"""Just-noticeable differences: how far apart two values of a measure must be before a listener hears it.

References
----------
ISO 3382-1:2009, table A.1: EDT 5 %, C80 1 dB, D50 0.05, Ts 10 ms, G 1 dB, LF 0.05, of 500 Hz and 1 kHz together; the
5 % of EDT are taken for T20 and T30 as well. Cox, Davies & Lam, "The sensitivity of listeners to early sound field
changes in auditoria", Acustica 79, 1993: IACC 0.075. From memory: Larsen, Iyer, Lansing & Feng, "On the minimum audible
difference in direct-to-reverberant energy ratio", J. Acoust. Soc. Am. 124, 2008: 2 to 3 dB around 0 to 10 dB, the upper
end taken; Blauert, "Spatial Hearing", 1997: noise ahead is placed within 3.6°, taken for what two loudspeakers show.
Levels and third octaves of a mix take the 1 dB of G. Pollack & Trittipoe, "Binaural listening and interaural noise
cross correlation", J. Acoust. Soc. Am. 31, 1959 (from memory): of a correlation ρ some 0.04 next to 1 and 0.4 next to 0
are noticed, which is 16° to 24° of arccos ρ; 20° are taken. The 5 ms of an initial time gap are common practice, no
source.
"""

from __future__ import annotations

from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rooms.errors import InputError, did_you_mean

__all__ = ["RATIOS", "STEPS", "in_jnds"]

RATIOS = MappingProxyType({"EDT_s": 1.05, "T20_s": 1.05, "T30_s": 1.05, "T_s": 1.05})
"""Measures whose difference is a ratio, and the ratio that is just noticeable."""

STEPS = MappingProxyType(
    {
        "C80_db": 1.0,
        "D50": 0.05,
        "Ts_s": 0.010,
        "G_db": 1.0,
        "LF": 0.05,
        "IACC": 0.075,
        "balance_db": 1.0,
        "tone_db": 1.0,
        "drr_db": 3.0,
        "initial_gap_s": 0.005,
        "correlation_angle_deg": 20.0,
        "azimuth_deg": 3.6,
        "width_deg": 3.6,
    }
)
"""Measures whose difference is a step, and the step that is just noticeable."""


def in_jnds(measure: str, value: ArrayLike, reference: ArrayLike) -> NDArray[np.float64]:
    """Return by how many just-noticeable differences a value lies above a reference.

    Parameters
    ----------
    measure : str
        One of `RATIOS` or `STEPS`.
    value, reference : array_like
        In the measure's unit, of shapes that go together; NaN gives NaN.

    Raises
    ------
    InputError
        If no just-noticeable difference is known for the measure.
    """
    a, b = np.asarray(value, dtype=np.float64), np.asarray(reference, dtype=np.float64)
    if measure in RATIOS:
        return np.asarray(np.log(a / b) / np.log(RATIOS[measure]))
    if measure not in STEPS:
        raise InputError(f"measure: found '{measure}'; {did_you_mean(measure, [*RATIOS, *STEPS])}")
    return np.asarray((a - b) / STEPS[measure])
