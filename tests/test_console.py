"""The console: gains in dB, delays in samples, the stereo law, and arrivals that an offset must not cut."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from render.console import Console, set_console
from render.scene_file import read_scene
from rooms.errors import InputError
from rooms.responses import Responses
from tests.small_scenes import ARRAYS, SECTIONS, write_scene

ROOM = '[arrays.room]\nposition = [0, -4, 3]\ngain = -6.0\ndelay = 0.01\ncapsules = [{name = "mono"}]\n'
FIRST = 200  # samples: when every response of these tests begins


def console(folder: Path, **tables: str) -> Console:
    """Set the console of a scene whose responses are single samples of 1."""
    stems = {"left": np.ones(10), "right": np.ones(10)}
    scene_file = read_scene(write_scene(folder, stems, **({"more": "[mix]\ngain = 0.0\n"} | tables)))
    scene = scene_file.scene(48000)
    shape = (len(scene.sections), len(scene.capsules))
    samples = np.zeros((*shape, 1000), np.float32)
    samples[:, :, FIRST] = 1.0
    nothing = np.zeros((*shape, 9, 10))
    arrivals = np.full(shape, FIRST / 48000)
    responses = Responses(
        scene,
        samples,
        samples,
        np.zeros_like(samples),
        arrivals,
        np.zeros(shape),
        nothing,
        nothing,
        arrivals,
        0.001,
        0.03,
        np.ones(9),
    )
    return set_console(scene_file, responses)


def test_every_gain_counts_in_decibels_and_every_delay_in_samples(tmp_path: Path) -> None:
    """Mix +3, section −2 (left), room −6 dB; the room 480 samples later, nothing else moved."""
    set_up = console(
        tmp_path,
        sections=SECTIONS.replace("[sections.left]\n", "[sections.left]\ngain = -2.0\n"),
        arrays=ARRAYS + ROOM,
        more="[mix]\ngain = 3.0\n",
    )
    # Chain of tables in file order: two sections, three capsules.
    assert set_up.sections == ("left", "right")
    assert set_up.capsules == (("pair", "left"), ("pair", "right"), ("room", "mono"))
    assert set_up.channels == {"pair": slice(0, 2), "room": slice(2, 3)}
    assert set_up.gain_db == 3.0
    wanted = np.zeros((2, 3, 1480), np.float32)
    for n, section in enumerate((-2.0, 0.0)):
        wanted[n, :2, FIRST] = 10 ** ((3.0 + section) / 20)
        wanted[n, 2, FIRST + 480] = 10 ** ((3.0 + section - 6.0) / 20)
    np.testing.assert_allclose(set_up.responses, wanted, rtol=1e-6)


def test_the_offset_moves_all_and_a_delay_adds_to_it(tmp_path: Path) -> None:
    """4 ms off the start are 192 samples earlier; the delayed room is 480 − 192 samples later."""
    set_up = console(tmp_path, arrays=ARRAYS + ROOM, more="[mix]\ngain = 0.0\noffset = 0.004\n")
    assert [int(np.argmax(set_up.responses[0, m])) for m in range(3)] == [FIRST - 192, FIRST - 192, FIRST + 288]


def test_an_offset_up_to_the_first_arrival_is_allowed_and_no_more(tmp_path: Path) -> None:
    """At 200 samples, 4.1667 ms, everything arrives: 4.1 ms pass; 4.2 ms name capsule, excess and limit."""
    set_up = console(tmp_path / "fits", more="[mix]\ngain = 0.0\noffset = 0.0041\n")
    assert int(np.argmax(set_up.responses[0, 0])) == FIRST - 197
    with pytest.raises(
        InputError,
        match=r"offset: found 0\.0042 s, but section 'left' arrives at capsule 'left' of array 'pair' 0\.0 ms before "
        r"that; allowed: up to 0\.0041 s$",
    ):
        console(tmp_path / "late", more="[mix]\ngain = 0.0\noffset = 0.0042\n")


def test_a_negative_delay_counts_against_the_offset(tmp_path: Path) -> None:
    """3 ms of offset and −3 ms of delay would reach before the sound does."""
    early = ARRAYS.replace("[arrays.pair]", "[arrays.pair]\ndelay = -0.003")
    with pytest.raises(InputError, match=r"found 0\.003 s, .* 1\.8 ms before that; allowed: up to 0\.0011 s$"):
        console(tmp_path, arrays=early, more="[mix]\ngain = 0.0\noffset = 0.003\n")


def test_the_law_has_constant_power(tmp_path: Path) -> None:
    """Left and right to their sides, a single capsule with −3 dB into both."""
    set_up = console(tmp_path, arrays=ARRAYS + ROOM)
    half = np.sqrt(0.5)
    np.testing.assert_allclose(set_up.law, [[1.0, 0.0, half], [0.0, 1.0, half]], atol=1e-7)
