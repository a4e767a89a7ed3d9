"""The listening panel of a page: sounds at one loudness that switch while they play, and a blind test of two of them.

The panel is a part of a page that needs nothing beside it and no server: sounds lie in it as FLAC. A page opened from a
file may not read files beside it as samples, and what switches without a gap must be samples.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Mapping
from pathlib import Path

import soundfile
from markupsafe import Markup

from render.pages import page
from rooms.errors import InputError

__all__ = ["LARGEST", "START_DB", "listening_panel"]

LARGEST = 64_000_000
"""Bytes of sound that one page carries: about ten minutes of stereo in all; browsers hold the samples unpacked."""

START_DB = -12.0
"""Where the volume stands at first, dB re the files; it goes up to 0 dB and no further."""


def listening_panel(sounds: Mapping[str, bytes | Path], lufs: float) -> Markup:
    """Return the panel as a part of a page.

    Parameters
    ----------
    sounds : mapping of str to bytes or Path
        FLAC files of one sample rate, or where they lie, by the name of what is heard; at least one. They start
        together; shorter ones end in silence.
    lufs : float
        The loudness all of them have, LUFS; only told, nothing is changed.

    Returns
    -------
    Markup
        HTML. Where the sounds are more than `LARGEST` together, it says so and that they lie beside the page.

    Raises
    ------
    InputError
        If there is no sound, one can't be read, or their sample rates differ.
    """
    if not sounds:
        raise InputError("listening: no sounds; at least 1 is needed")
    rates, lengths = zip(*(_rate_and_length(name, sound) for name, sound in sounds.items()), strict=True)
    if len(set(rates)) > 1:
        raise InputError(f"listening: sounds at {', '.join(f'{rate}' for rate in rates)} Hz; they must share one rate")
    size = sum(sound.stat().st_size if isinstance(sound, Path) else len(sound) for sound in sounds.values())
    held = sounds.values() if size <= LARGEST else []  # what is too much is never read
    return Markup(
        page(
            "listening.html.j2",
            names=list(sounds),
            sounds=[
                base64.b64encode(sound.read_bytes() if isinstance(sound, Path) else sound).decode("ascii")
                for sound in held
            ],
            megabytes=size / 1e6,
            largest=LARGEST / 1e6,
            sample_rate=rates[0],
            length_s=max(lengths),
            lufs=lufs,
            start_db=START_DB,
        )
    )


def _rate_and_length(name: str, sound: bytes | Path) -> tuple[int, float]:
    """Return the sample rate in Hz and the length in s."""
    try:
        found = soundfile.info(sound if isinstance(sound, Path) else io.BytesIO(sound))
    except soundfile.LibsndfileError as error:
        raise InputError(f"listening: the sound of '{name}' can't be read: {error}") from error
    return found.samplerate, found.duration
