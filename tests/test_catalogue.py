"""Presets: each file is complete, says where it comes from and is what it says."""

from __future__ import annotations

import re
from typing import Any, get_args

import numpy as np
import pytest

from rooms import catalogue
from rooms.errors import InputError
from rooms.geometry import SURFACES
from rooms.microphones import PATTERNS
from rooms.tables import ArrayTable, Band, HallTable, InstrumentTable, MaterialTable, PatternName, Preset, Surface
from rooms.units import BAND_NAMES

EVERY = [(kind, name) for kind in catalogue.KINDS for name in catalogue.names(kind)]


def test_every_kind_has_presets() -> None:
    assert min(len(catalogue.names(kind)) for kind in catalogue.KINDS) >= 4


@pytest.mark.parametrize(("kind", "name"), EVERY)
def test_every_preset_says_in_a_line_what_it_is_and_where_it_comes_from(kind: str, name: str) -> None:
    table = catalogue.load(kind, name)
    assert isinstance(table, Preset)
    assert 10 < len(table.description) <= 120
    assert "\n" not in table.description
    assert table.source
    assert getattr(table, table.NAMED_BY) is None  # a preset that starts from another could start from itself


@pytest.mark.parametrize("kind", ["hall", "array", "material", "instrument"])
def test_a_kind_goes_by_its_singular_too(kind: str) -> None:
    assert catalogue.names(kind) == catalogue.names(kind + "s")


@pytest.mark.parametrize(
    ("kind", "name", "line"),
    [
        ("halls", "stone-chruch", "unknown hall 'stone-chruch'; did you mean 'stone-church'?"),
        ("seating", "violin-together", "unknown seating plan 'violin-together'; did you mean 'violins-together'?"),
        ("instruments", "viloa", "unknown instrument 'viloa'; did you mean 'viola'?"),
        ("hals", "x", "unknown kind of preset 'hals'; did you mean 'halls'?"),
        ("halls", "../materials/limestone", "unknown hall '../materials/limestone'; allowed: ballroom, "),
    ],
)
def test_an_unknown_name_gets_the_nearest(kind: str, name: str, line: str) -> None:
    with pytest.raises(InputError) as error:
        catalogue.load(kind, name)
    assert str(error.value).startswith(line)


def test_the_tables_know_the_names_the_model_knows() -> None:
    assert set(get_args(PatternName)) == set(PATTERNS)
    assert set(get_args(Surface)) == set(SURFACES)
    assert get_args(Band) == BAND_NAMES


@pytest.mark.parametrize("name", catalogue.names("materials"))
def test_a_mixed_material_is_the_mean_of_its_parts(name: str) -> None:
    """Those that say they are; the others have sources of their own."""
    table = catalogue.load("materials", name)
    assert isinstance(table, MaterialTable)
    mixed = catalogue.material(name)
    if not table.source.startswith("Area-weighted mean of "):
        return
    parts = [(int(share), part) for share, part in re.findall(r"(\d+) % ([a-z-]+)", table.source)]
    assert sum(share for share, _ in parts) == 100
    absorption = sum(share / 100 * np.array(catalogue.material(part).absorption) for share, part in parts)
    np.testing.assert_allclose(mixed.absorption, absorption, rtol=0, atol=0.0051)  # printed to 0.01
    if "weighted alike" in table.note:
        scattering = sum(share / 100 * np.array(catalogue.material(part).scattering) for share, part in parts)
        np.testing.assert_allclose(mixed.scattering, scattering, rtol=0, atol=0.0051)


def test_a_table_overrides_its_preset_key_by_key() -> None:
    table = HallTable.model_validate({"preset": "stone-church", "surfaces": {"floor": "carpet-thin"}, "humidity": 30})
    plain, changed = catalogue.hall("stone-church"), catalogue.hall(table)
    floor = SURFACES.index("floor")
    assert changed.materials[floor] == catalogue.material("carpet-thin")
    assert changed.materials[:floor] == plain.materials[:floor]
    assert changed.materials[floor + 1 :] == plain.materials[floor + 1 :]
    assert (changed.box, changed.temperature, changed.humidity) == (plain.box, 16.0, 30.0)


def test_a_material_and_an_instrument_override_theirs() -> None:
    scattering = [0.3] * 9
    rough = catalogue.material(MaterialTable.model_validate({"preset": "limestone", "scattering": scattering}))
    assert rough.absorption == catalogue.material("limestone").absorption
    assert rough.scattering == tuple(scattering)
    standing = catalogue.instrument(InstrumentTable.model_validate({"preset": "violin", "height": 1.5}))
    assert (standing.height, standing.axis) == (1.5, catalogue.instrument("violin").axis)


@pytest.mark.parametrize(
    ("table", "line"),
    [
        ({"axis": [0, 0]}, "kazoo: key 'height' is missing; give it in m, or an instrument's name"),
        (
            {"preset": "violin", "piston_radius": 0.1},
            "violin: directivity_index and piston_radius exclude each other; keep one",
        ),
    ],
)
def test_an_instrument_that_lacks_or_doubles_something_says_what(table: dict[str, Any], line: str) -> None:
    with pytest.raises(InputError) as error:
        catalogue.instrument(InstrumentTable.model_validate(table), "kazoo")
    assert str(error.value) == line


@pytest.mark.parametrize(
    ("table", "line"),
    [
        ({"size": [9, 9, 9]}, "key 'conductor' is missing; give it, or the preset of a hall: ballroom"),
        ({"size": [9, 9, 9], "conductor": [4, 4]}, "surface 'left-wall' has no material"),
        ({"preset": "stone-church", "conductor": [4, 60]}, "conductor [4.0, 60.0] m from the left"),
        ({"preset": "stone-church", "surfaces": {"floor": "lime"}}, "surface 'floor': unknown material 'lime'; did"),
        (
            {"preset": "scoring-stage", "audience": "empty"},
            "audience: no patch of this hall says what it is when empty",
        ),
        ({"preset": "stone-church", "surfaces": {"floor": {}}}, "surface 'floor': floor: key 'absorption' is missing"),
    ],
)
def test_a_hall_that_lacks_something_says_what(table: dict[str, Any], line: str) -> None:
    with pytest.raises(InputError) as error:
        catalogue.hall(HallTable.model_validate(table))
    assert str(error.value).startswith(line)


def capsules(name: str) -> dict[str, Any]:
    table = catalogue.load("arrays", name)
    assert isinstance(table, ArrayTable)
    return {capsule.name: capsule for capsule in table.capsules}


def test_the_tree_lies_within_what_its_makers_and_users_publish() -> None:
    """L-R 1.5 to 2 m, centre 0.75 to 1.5 m forward, height 2.5 to 3.6 m: an array maker's manual, and J. Pellowe."""
    tree, table = capsules("tree"), catalogue.load("arrays", "tree")
    assert isinstance(table, ArrayTable)
    assert table.place is not None
    assert table.place.above is not None
    assert 1.5 <= tree["right"].at[0] - tree["left"].at[0] <= 2.0
    assert 0.75 <= tree["centre"].at[1] - tree["left"].at[1] <= 1.5
    assert 2.5 <= table.place.above <= 3.6
    assert {c.pattern for c in tree.values()} == {"omni"}


def test_ortf_is_17_cm_and_110_degrees() -> None:
    """Williams, AES preprint 2072, 1984."""
    ortf = capsules("ortf")
    assert ortf["right"].at[0] - ortf["left"].at[0] == pytest.approx(0.17)
    assert ortf["right"].aim[0] - ortf["left"].aim[0] == 110
    assert {c.pattern for c in ortf.values()} == {"cardioid"}


def test_coincident_pairs_are_coincident_and_crossed_at_90_degrees() -> None:
    """Common practice, no source."""
    for name, pattern in (("xy", "cardioid"), ("blumlein", "figure-of-eight")):
        pair = capsules(name)
        assert pair["left"].at == pair["right"].at
        assert pair["right"].aim[0] - pair["left"].aim[0] == 90
        assert {c.pattern for c in pair.values()} == {pattern}


def test_mix_gains_put_the_main_array_first() -> None:
    """0, -4, -12 and -6 dB: common practice, no source."""
    gains = {}
    for name in ("tree", "outriggers", "spots", "ambience-pair"):
        table = catalogue.load("arrays", name)
        assert isinstance(table, ArrayTable)
        gains[name] = table.gain
    assert gains == {"tree": 0.0, "outriggers": -4.0, "spots": -12.0, "ambience-pair": -6.0}
