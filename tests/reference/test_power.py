"""Sound power of the preset instruments against what is published."""

from __future__ import annotations

import numpy as np
import pytest

from rooms import catalogue
from rooms.tables import InstrumentTable

PEAK_W = {
    "bass-drum": 25.0,
    "snare-drum": 12.0,
    "cymbals": 10.0,
    "trombone": 6.0,
    "piano": 0.4,
    "trumpet": 0.3,
    "tuba": 0.2,
    "double-bass": 0.16,
    "piccolo": 0.08,
    "flute": 0.06,
    "clarinet": 0.05,
    "horn": 0.05,
    "triangle": 0.05,
}
"""Peak power in W: Everest, The Master Handbook of Acoustics, Table 5-1, p. 104."""

FORTE_DB = {
    "violin": 89,
    "viola": 87,
    "cello": 90,
    "double-bass": 92,
    "flute": 91,
    "oboe": 93,
    "clarinet": 93,
    "bassoon": 93,
    "horn": 102,
    "trumpet": 101,
    "trombone": 101,
    "tuba": 104,
}
"""dB re 1 pW at forte: Meyer, Acoustics and the Performance of Music (from memory, so to 3 dB)."""


def power(name: str) -> float | None:
    """Return what an instrument's file says, dB re 1 pW."""
    return catalogue.resolve(InstrumentTable(preset=name)).power_level


def peak_db(name: str) -> float:
    return float(10.0 * np.log10(PEAK_W[name] / 1e-12))


@pytest.mark.parametrize("name", PEAK_W)
def test_forte_lies_below_the_peak_ever_measured(name: str) -> None:
    """By 3 dB or more, which is what even a sine's mean lies below its peak."""
    level = power(name)
    assert level is not None
    assert level <= peak_db(name) - 3.0


@pytest.mark.parametrize("name", FORTE_DB)
def test_an_instrument_has_the_published_power(name: str) -> None:
    assert power(name) == pytest.approx(FORTE_DB[name], abs=3.0)


def test_struck_instruments_lie_as_far_below_their_peak_as_others_do_on_average() -> None:
    """The rule their files tell; 15 dB, to the digit given."""
    both = [peak_db(name) - FORTE_DB[name] for name in PEAK_W if name in FORTE_DB]
    assert len(both) == 7
    assert np.mean(both) == pytest.approx(15.0, abs=0.5)
    for name in ("bass-drum", "snare-drum", "cymbals", "triangle", "piano"):
        assert power(name) == pytest.approx(peak_db(name) - 15.0, abs=0.5)


@pytest.mark.parametrize("name", catalogue.names("instruments"))
def test_a_power_has_a_source_and_what_has_none_says_nothing(name: str) -> None:
    source = catalogue.load("instruments", name).source
    assert ("power level: " in source) == (power(name) is not None)
