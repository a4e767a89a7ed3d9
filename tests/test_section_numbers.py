"""How sections are heard, against geometry by hand: lateral sound, ears, leakage, mono, and violins apart."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from itertools import product
from pathlib import Path
from tempfile import mkdtemp

import numpy as np
import pytest

from render.compare import compare_scenes
from render.comparison import SectionNumbers
from render.comparison_jobs import Job, JobResult, run
from render.scene_file import read_scene
from rooms.localisation import apparent_azimuth, channel_differences
from tests.small_scenes import SIZE, hall_text, noise, write_scene

RATE = 16000
C = 343.0
CORNER = np.array([5.0, 7.0, 0.0])
"""m; the origin of `hall_text` from the left wall, the house wall and the floor."""

PLACES = {"a": (0.0, 2.0), "b": (3.0, -2.0), "c": (-3.0, 1.0), "d": (2.0, 3.0), "e": (-2.0, 3.5), "f": (4.0, 1.5)}
XY = '[arrays.main]\npreset = "xy"\nposition = [0.0, -1.0, 2.5]\n'
LATERAL = """\
[arrays.lateral]
purpose = "ambience"
position = [-1.0, -3.0, 2.0]
[[arrays.lateral.capsules]]
name = "omni"
at = [0, 0, 0]
[[arrays.lateral.capsules]]
name = "side"
at = [0, 0, 0]
aim = [90, 0]
pattern = "figure-of-eight"
gain = 6.0
"""
SPOTS = {"ahead": (0.0, 1.5, 1.2), "aside": (4.0, -2.0, 1.2)}
HEAD = '[arrays.head]\npreset = "binaural-head"\npurpose = "ambience"\nposition = [0.0, -3.0, 1.2]\n'


def players(places: Mapping[str, tuple[float, float]], more: str = "") -> str:
    """Return sections of one omnidirectional player."""
    return "".join(
        f'[sections.{name}]\ninstrument = "omni"\nplayers = 1\nposition = [{x}, {y}, 0.0]\n{more}'
        for name, (x, y) in places.items()
    )


def job(folder: Path, places: Mapping[str, tuple[float, float]], arrays: str, absorption: float) -> Job:
    """Return the job of a scene with noise for stems."""
    stems = {name: noise(0.5, RATE, n) for n, name in enumerate(places)}
    path = write_scene(
        folder,
        stems,
        hall=hall_text(absorption, 0.0),
        sections=players(places),
        arrays=arrays,
        more="[mix]\noffset = 0.0\n",
        rate=RATE,
    )
    read = read_scene(path)
    return Job(replace(read, mix_gain=0.0), read.cues[0].name, None, RATE, folder / "mix.wav")


@cache
def in_a_room() -> tuple[Job, JobResult]:
    """Return players in a room that reflects half, before microphones for lateral sound and a head."""
    asked = job(Path(mkdtemp()), PLACES, XY + LATERAL + HEAD, 0.5)
    return asked, run(asked)


@cache
def in_the_open() -> tuple[Job, JobResult]:
    """Return two players in a room that reflects next to nothing: before a head, and with a spot each."""
    capsules = [f'{{name = "{name}", section = "{name}", at = {list(at)}}}' for name, at in SPOTS.items()]
    spots = f'[arrays.spots]\npurpose = "spot"\ncapsules = [{", ".join(capsules)}]\n'
    asked = job(Path(mkdtemp()), {"ahead": (0.0, 3.0), "aside": (4.4, -3.0)}, XY + HEAD + spots, 0.98)
    return asked, run(asked)


def of(result: JobResult, section: str) -> SectionNumbers:
    """Return the numbers of a section."""
    return next(numbers for numbers in result.sections if numbers.section == section)


def lateral_fraction(source: np.ndarray, ear: np.ndarray, reflected: float) -> float:
    """Return LF by image sources of a box whose walls are alike, energies added: ISO 3382-1:2009, eq. A.12."""
    size = np.array(SIZE)
    cells = np.array(list(product(range(-6, 7), repeat=3)))
    ways = cells * size + np.where(cells % 2 == 0, source + CORNER, size - source - CORNER) - ear - CORNER
    away = np.linalg.norm(ways, axis=1)
    late = (away - away.min()) / C
    energy = reflected ** np.abs(cells).sum(axis=1) / away**2
    lateral = energy * (ways[:, 0] / away) ** 2
    return float(lateral[(late >= 0.005) & (late < 0.08)].sum() / energy[late < 0.08].sum())


def test_lateral_fractions_are_those_of_image_sources() -> None:
    """The median of six players within one just-noticeable difference, 0.05 (ISO 3382-1:2009, table A.1).

    Of a single one, waves that interfere make more of a difference: floor and direct sound may cancel at 125 Hz. The
    capsule's gain has no say.
    """
    asked, result = in_a_room()
    ear = np.array([-1.0, -3.0, 2.0])
    expected = [lateral_fraction(section.centre, ear, 0.5) for section in asked.scene_file.sections]
    found = [numbers.LF or 0.0 for numbers in result.sections]
    assert np.median(found) == pytest.approx(np.median(expected), abs=0.05)
    assert np.median(expected) > 0.15


def test_ears_are_alike_for_sound_ahead_and_less_where_walls_reflect() -> None:
    """Early IACC: 1 for one wave from ahead (symmetry); less by several just-noticeable differences of 0.075 (Cox,
    Davies & Lam 1993) with reflections from the sides.
    """
    alike = of(in_the_open()[1], "ahead").IACC or 0.0
    assert alike == pytest.approx(1.0, abs=0.02)
    assert alike - (of(in_a_room()[1], "b").IACC or 0.0) > 3 * 0.075


def test_lateral_sound_and_ears_are_told_only_where_microphones_are_for_them() -> None:
    for numbers in in_the_open()[1].sections:
        assert numbers.LF is None
        assert "figure-of-eight aimed to the side" in numbers.reasons["LF"]
        assert "IACC" not in numbers.reasons


def test_separation_is_the_distances_in_a_spot() -> None:
    """20 lg of how much nearer a spot is to its own player than to the other (physics): omnis in the open, 0.3 dB."""
    asked, result = in_the_open()
    seats = {section.name: section.centre for section in asked.scene_file.sections}
    for own, other in (("ahead", "aside"), ("aside", "ahead")):
        near, far = (math.dist(SPOTS[own], seats[name]) for name in (own, other))
        assert of(result, own).separation_db == pytest.approx(20.0 * math.log10(far / near), abs=0.3)


def test_mono_loses_most_where_the_pair_hears_opposite_waves(tmp_path: Path) -> None:
    """A comb's first zero lies at 1 / 2τ (physics): omnis 0.69 m apart, a player at their right, in the open."""
    arrays = """\
[arrays.main]
position = [-2.0, -3.0, 1.1]
capsules = [{name = "left", at = [-0.343, 0, 0]}, {name = "right", at = [0.343, 0, 0]}]
"""
    asked = job(tmp_path, {"a": (4.5, -3.0)}, arrays, 0.98)
    (section,) = asked.scene_file.sections
    far, near = (float(np.linalg.norm(section.centre - ear)) for ear in asked.scene_file.arrays[0].positions)
    mix = run(asked).mix
    assert C / (2.0 * (far - near)) == pytest.approx(250.0, rel=0.01)
    assert mix.mono_worst_hz == pytest.approx(250.0, rel=0.01)
    assert (mix.mono_worst_db or 0.0) < -8.0
    assert mix.left_right_db == pytest.approx(20.0 * math.log10(far / near), abs=0.3)


def test_antiphonal_violins_are_told_as_far_apart_as_their_seats_are_heard(tmp_path: Path) -> None:
    """By the published curves on the seats of both plans (see `rooms.localisation`)."""
    names = ("violins-1", "violins-2", "violas", "cellos")
    seats = "".join(f"[sections.{name}]\nplayers = 2\n" for name in names)
    arrays = '[arrays.main]\npreset = "ortf"\nposition = [0.0, -1.5, 2.5]\n'
    path = write_scene(
        tmp_path / "scene",
        {name: noise(0.3, RATE, n) for n, name in enumerate(names)},
        hall=hall_text(0.9),
        sections='[seating]\nplan = "violins-together"\n' + seats,
        arrays=arrays,
        rate=RATE,
    )
    done = compare_scenes([path], tmp_path / "out", seatings=["antiphonal-violins"])
    expected = []
    for plan in ("violins-together", "antiphonal-violins"):
        text = path.read_text(encoding="utf-8").replace("violins-together", plan)
        (tmp_path / "scene" / "other.toml").write_text(text, encoding="utf-8")
        read = read_scene(tmp_path / "scene" / "other.toml")
        pair = read.arrays[0]
        first, second = (
            float(apparent_azimuth(*channel_differences(pair, section.centre, read.hall.speed_of_sound)))
            for section in read.sections[:2]
        )
        expected.append(abs(first - second))
    together, apart = done.comparison.variants
    assert [together.violins_deg, apart.violins_deg] == pytest.approx(expected)
    assert expected[1] > expected[0] + 10.0
    assert f"Violins 1 and 2 appear {expected[1]:.0f}° apart, {expected[0]:.0f}° in" in " ".join(
        done.comparison.summary
    )
