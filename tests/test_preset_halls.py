"""Halls of the presets: each rings as it states, seats whom it says it suits, and differs from every other."""

from __future__ import annotations

from functools import cache
from itertools import combinations
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from numpy.typing import NDArray

from render.preset_sheet import seated_alone
from render.scene_file import read_scene
from rooms import catalogue
from rooms.geometry import SURFACES
from rooms.measures import from_echogram
from rooms.responses import Responses, compute_responses
from rooms.scene import Scene
from rooms.tables import SeatingTable, StatedT30Table
from tests.stated_T30 import T30, hall_table, states

HALLS = catalogue.names("halls")
STATED = [(name, state) for name in HALLS for state in states(name)]
SUITED = [(name, plan) for name in HALLS for plan in hall_table(name).suits]
SEATED = [name for name in HALLS if "empty" in states(name)]
RATE = 8000

TIME_JND = 0.05
"""Part by which a reverberation time must change to be heard (ISO 3382-1:2009, table A.1)."""

LEVEL_JND = 1.0
"""dB by which C80 and G must change to be heard (ISO 3382-1:2009, table A.1)."""

MAIN = '[arrays.main]\npreset = "tree"\n'
AMBIENCE = '[arrays.ambience]\npreset = "ambience-pair"\n'


def scene(hall: str, plan: str, sections: str, arrays: str) -> Scene:
    """Return a scene in a hall of the presets."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "scene.toml"
        path.write_text(f'[hall]\npreset = "{hall}"\n[seating]\nplan = "{plan}"\n{sections}{arrays}', encoding="utf-8")
        return read_scene(path).scene(RATE)


def seated(hall: str, plan: str) -> Scene:
    """Return a scene of everybody in a plan, before the tree and the ambience pair."""
    table = catalogue.load("seating", plan)
    assert isinstance(table, SeatingTable)
    return scene(hall, plan, "".join(f"[sections.{name}]\n" for name in table.sections), MAIN + AMBIENCE)


@cache
def heard(name: str) -> Responses:
    """Return responses of a violin and of an omni on the stage, at a pair over the conductor and in a seat."""
    house = float(catalogue.hall(name).box.lower[1])
    sections = '[sections.violins-1]\nplayers = 1\n[sections.omni]\ninstrument = "omni"\nposition = [0.0, 2.0, 0.0]\n'
    seat = f'[arrays.seat]\ncapsules = [{{name = "seat", at = [1.0, {0.6 * house}, 1.2]}}]\n'
    return compute_responses(scene(name, "chamber-arc", sections, '[arrays.main]\npreset = "ortf"\n' + seat))


def times(name: str, state: str) -> NDArray[np.float64]:
    """Return the hall's expected T30 in s, shape (bands,)."""
    return heard(name).T30 if state == "occupied" else T30(name, state)


@cache
def audible(name: str) -> dict[str, float]:
    """Return measures of a hall with its audience in steps that can just be heard.

    T30 and the ratio of bass to middle are times and count in twentieths; C80 and G, from the stage's middle to six
    tenths of the way to the house wall, in dB. Middle is 500 Hz and 1 kHz, bass 125 and 250 Hz.
    """
    responses = heard(name)
    measures = from_echogram(responses.omni_energy[1, -1], responses.bin_s, float(responses.omni_arrivals[1, -1]))
    bass, middle = (float(np.mean(responses.T30[first : first + 2])) for first in (1, 3))
    return {
        "T30": np.log(middle) / np.log1p(TIME_JND),
        "bass ratio": np.log(bass / middle) / np.log1p(TIME_JND),
        "C80": float(measures.C80_db[3:5].mean()) / LEVEL_JND,
        "G": float(measures.G_db[3:5].mean()) / LEVEL_JND,
    }


def test_there_are_halls_for_a_quartet_and_for_an_orchestra_with_choir() -> None:
    assert len(HALLS) >= 12
    for plan in ("chamber-arc", "violins-together", "full-orchestra", "strings-and-choir"):
        assert sum(suited == plan for _, suited in SUITED) >= 4


@pytest.mark.parametrize(("name", "state"), STATED)
def test_a_hall_rings_as_long_as_it_states(name: str, state: str) -> None:
    """In every band within what can just be heard; `python tests/stated_T30.py` writes what it states."""
    stated = hall_table(name).stated_T30
    assert stated is not None
    np.testing.assert_allclose(getattr(stated, state), times(name, state), rtol=TIME_JND)


@pytest.mark.parametrize("name", HALLS)
def test_a_hall_says_what_it_is_for_and_states_no_more_than_it_has(name: str) -> None:
    table = hall_table(name)
    assert isinstance(table.stated_T30, StatedT30Table)
    assert (table.stated_T30.empty is not None) == (name in SEATED)
    assert 20 < len(table.good_for) <= 100
    assert table.suits
    assert table.note


@pytest.mark.parametrize(("name", "plan"), SUITED)
def test_every_plan_a_hall_suits_sits_on_its_stage_before_microphones_in_the_air(name: str, plan: str) -> None:
    """With as many players as the plan has by itself and at each of its sizes; half a metre from every wall."""
    stage = hall_table(name).stage
    assert stage is not None
    found = seated(name, plan)
    table = catalogue.load("seating", plan)
    assert isinstance(table, SeatingTable)
    orchestras = [found.sections, *(seated_alone(plan, size=size).sections for size in table.sizes)]
    for sections in orchestras:
        players = np.concatenate([section.positions for section in sections])
        assert np.all((players[:, 0] >= stage.x[0]) & (players[:, 0] <= stage.x[1]))
        assert np.all((players[:, 1] >= stage.y[0]) & (players[:, 1] <= stage.y[1]))
    assert found.hall.box.inside([[stage.x[0], stage.y[0], 1.0], [stage.x[1], stage.y[1], 1.0]], 0.5).all()


@pytest.mark.parametrize("name", HALLS)
def test_heights_for_microphones_are_what_engineers_use_and_lie_in_the_hall(name: str) -> None:
    """2.5 to 3.6 m for a main array: an array maker's manual, and J. Pellowe; ambience higher: common practice."""
    table, box = hall_table(name), catalogue.hall(name).box
    assert table.main_height is not None
    assert table.ambience_height is not None
    assert 2.5 <= table.main_height <= 3.6
    assert table.main_height < table.ambience_height <= box.upper[2] - 0.5


@pytest.mark.parametrize("name", SEATED)
def test_an_empty_house_rings_longer_in_every_band_and_players_stay(name: str) -> None:
    table = hall_table(name)
    full, empty = (catalogue.hall(table.model_copy(update={"audience": audience})) for audience in ("full", "empty"))
    assert np.all(times(name, "empty") > times(name, "occupied"))
    assert full.materials == empty.materials
    assert full.patches[0] == empty.patches[0]
    changed = [(a, b) for a, b in zip(full.patches, empty.patches, strict=True) if a != b]
    assert changed
    for with_people, without in changed:
        assert with_people.material.name.startswith("audience")
        assert "empty" in without.material.name


@pytest.mark.parametrize("name", HALLS)
def test_players_absorb_where_the_plans_seat_them(name: str) -> None:
    """1.5 m² a player, the area their absorption is measured with, for all of the first plan the hall suits."""
    patch, stage = catalogue.hall(name).patches[0], hall_table(name).stage
    assert stage is not None
    assert (patch.surface, patch.material.name) == ("floor", "orchestra-on-stage")
    assert patch.low[0] == -patch.high[0]
    assert stage.y[0] <= 0.0 <= patch.low[1] < patch.high[1] <= stage.y[1]
    players = sum(len(section.players) for section in seated(name, hall_table(name).suits[0]).sections)
    assert patch.area >= 1.5 * players - 1e-9


@pytest.mark.parametrize("name", HALLS)
def test_no_hall_is_plain_enough_to_flutter(name: str) -> None:
    """Scattering of every wall at 1 kHz is 0.1 or more."""
    hall = catalogue.hall(name)
    walls = [SURFACES.index(surface) for surface in SURFACES if surface.endswith("wall")]
    assert hall.scattering[4, walls].min() >= 0.1


@pytest.mark.parametrize("name", HALLS)
def test_every_hall_answers(name: str) -> None:
    """Sound reaches every capsule, not before its time, and rings down by 60 dB to the end."""
    responses = heard(name)
    assert np.all(np.isfinite(responses.samples))
    assert np.all(np.isfinite(responses.T30))
    level = np.abs(responses.samples).max(axis=-1)
    assert np.all(level > 0.0)
    for at, arrival in np.ndenumerate(responses.arrivals):
        before = np.abs(responses.samples[at][: int((arrival - 1e-3) * RATE)])
        assert before.max(initial=0.0) <= 1e-3 * level[at]  # -60 dB
    assert np.all(np.abs(responses.samples[..., -RATE // 10 :]).max(axis=-1) <= 1e-3 * level)


@pytest.mark.parametrize(("one", "other"), list(combinations(HALLS, 2)))
def test_any_two_halls_differ_by_what_is_heard_at_once(one: str, other: str) -> None:
    """Two steps that can just be heard, in at least one of reverberation time, its bass, clarity and strength."""
    a, b = audible(one), audible(other)
    assert max(abs(a[measure] - b[measure]) for measure in a) >= 2.0
