"""Buses: every array's place in the mix, as the scene gives it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from pydantic import Field

from rooms.errors import InputError, did_you_mean
from rooms.tables import ArrayTable, Decibel, Table

__all__ = ["BalanceTable", "Bus", "array_buses", "settings"]


class BalanceTable(Table):
    """The balance of close and far: a gain in dB for every purpose, on top of its arrays' own; 0 leaves them so."""

    main: Decibel = Field(default=0.0, description="Of main arrays in dB")
    outriggers: Decibel = Field(default=0.0, description="Of outriggers in dB")
    spot: Decibel = Field(default=0.0, description="Of spots in dB")
    ambience: Decibel = Field(default=0.0, description="Of ambience arrays in dB")
    surround: Decibel = Field(default=0.0, description="Of surround arrays in dB")


@dataclass(frozen=True)
class Bus:
    """An array's place in the mix.

    Parameters
    ----------
    gain : float
        The array's own, dB.
    balance : float
        That of its purpose, dB.
    mute : bool
        Leave it out.
    solo : bool
        Leave out what isn't soloed.
    delay : float
        Added delay in s.
    align : bool
        Delay each spot so that its own section arrives together with the main array.
    invert_polarity : bool
        Of all its capsules.
    sends : mapping
        dB by section, −inf where it is off; 0 dB for sections that aren't named.
    direct, early, late : float
        Gains of these parts of its responses in dB, −inf where one is off.
    high_pass : float or None
        Corner in Hz; None: no filter.
    width : float
        Factor of side against mid.
    """

    gain: float = 0.0
    balance: float = 0.0
    mute: bool = False
    solo: bool = False
    delay: float = 0.0
    align: bool = False
    invert_polarity: bool = False
    sends: Mapping[str, float] = field(default_factory=dict)
    direct: float = 0.0
    early: float = 0.0
    late: float = 0.0
    high_pass: float | None = None
    width: float = 1.0

    @property
    def level(self) -> float:
        """Its gain in the mix in dB: its own and the balance."""
        return self.gain + self.balance


def array_buses(arrays: Mapping[str, ArrayTable], balance: BalanceTable, sections: Sequence[str]) -> dict[str, Bus]:
    """Return every array's place in the mix.

    Parameters
    ----------
    arrays : mapping
        Tables by name, their presets resolved.
    balance : BalanceTable
        By purpose.
    sections : sequence of str
        The names that sends may have.

    Raises
    ------
    InputError
        If a purpose is balanced that no array has, or a send names an unknown section.
    """
    purposes = sorted({array.purpose for array in arrays.values()})
    for purpose, gain in balance:
        if gain != 0.0 and purpose not in purposes:
            known = ", ".join(purposes)
            raise InputError(
                f"mix balance: no array is for {purpose}; allowed: {known}", at=("mix", "balance", purpose)
            )
    for name, array in arrays.items():
        for section in array.sends:
            if section not in sections:
                hint = did_you_mean(section, sections)
                raise InputError(
                    f"array '{name}': sends: unknown section '{section}'; {hint}", at=("arrays", name, "sends", section)
                )
    return {
        name: Bus(
            gain=array.gain,
            balance=getattr(balance, array.purpose),
            mute=array.mute,
            solo=array.solo,
            delay=array.delay,
            align=array.align,
            invert_polarity=array.invert_polarity,
            sends={section: _level(send) for section, send in array.sends.items()},
            direct=_level(array.direct),
            early=_level(array.early),
            late=_level(array.late),
            high_pass=array.high_pass,
            width=array.width,
        )
        for name, array in arrays.items()
    }


def settings(bus: Bus) -> tuple[str, ...]:
    """Return in words what a bus does besides its level; nothing of what it leaves as it is."""
    faders = {"direct": bus.direct, "early": bus.early, "late": bus.late}
    faders |= {f"send of {section}": send for section, send in bus.sends.items()}
    said = {
        "muted": bus.mute,
        "solo": bus.solo,
        "polarity inverted": bus.invert_polarity,
        "spots aligned": bus.align,
        f"delay {1e3 * bus.delay:g} ms": bus.delay != 0.0,
        **{f"{name} {_in_words(level)}": level != 0.0 for name, level in faders.items()},
        f"high-pass {bus.high_pass or 0.0:g} Hz": bus.high_pass is not None,
        f"width {bus.width:g}": bus.width != 1.0,
    }
    return tuple(words for words, holds in said.items() if holds)


def _in_words(level: float) -> str:
    """Return a fader's level as text."""
    return "off" if level == -math.inf else f"{level:+g} dB".replace("-", "−")


def _level(fader: float | str) -> float:
    """Return a fader's level in dB; −inf where it is off."""
    return -math.inf if isinstance(fader, str) else fader
