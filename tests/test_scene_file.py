"""The scene file: what it means, and one clear line for everything that is wrong with it."""

from __future__ import annotations

import json
import math
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from render.buses import Bus
from render.scene_file import SceneFile, SceneTable, build_scene, read_scene, require_stems
from render.scene_keys import preset_schema, scene_keys, scene_schema
from rooms import catalogue
from rooms.errors import InputError
from rooms.tables import ArrayTable, SeatingTable
from rooms.toml_reader import parse_toml
from tests.stated_T30 import hall_table
from tests.strategies import STRINGS, scenes, toml_blocks

DEMO = catalogue.demo()
HALLS = catalogue.names("halls")
PLAIN = """\
title = "Plain"
[hall]
preset = "scoring-stage"
[seating]
plan = "violins-together"
[sections.violins-1]
players = 4
[sections.cellos]
players = 2
[arrays.main]
preset = "tree"
"""


def built(text: str, path: str = "scene.toml") -> SceneFile:
    return build_scene(parse_toml(Path(path), text))


def complaint(text: str) -> str:
    """Return the one line about a scene."""
    with pytest.raises(InputError) as error:
        built(text)
    assert "\n" not in str(error.value)
    return str(error.value)


def content(scene: SceneFile) -> tuple[Any, ...]:
    """Return what a scene holds, whatever the order of its tables."""
    return (
        scene.title,
        scene.scene_rate,
        scene.seed,
        scene.hall,
        scene.asked_T30,
        {s.name: s for s in scene.sections},
        {a.name: frozenset(a.capsules) for a in scene.arrays},
        dict(scene.section_gains),
        dict(scene.fold),
        dict(scene.buses),
        scene.mix_gain,
        scene.mix_offset,
        {cue.name: dict(cue.stems) for cue in scene.cues},
    )


def test_the_demo_seats_five_sections_under_twelve_capsules() -> None:
    scene = read_scene(DEMO)
    assert scene.title == "Lanterns on the Breakwater"
    assert {s.name: len(s.players) for s in scene.sections} == {
        "violins-1": 14,
        "violins-2": 12,
        "violas": 10,
        "cellos": 8,
        "basses": 6,
    }
    assert {a.name: len(a.capsules) for a in scene.arrays} == {"main": 3, "outriggers": 2, "spots": 5, "ambience": 2}
    assert {name: bus.gain for name, bus in scene.buses.items()} == {
        "main": 0.0,
        "outriggers": -4.0,
        "spots": -12.0,
        "ambience": -6.0,
    }
    assert [(cue.name, sorted(cue.stems)) for cue in scene.cues] == [("demo", sorted(s.name for s in scene.sections))]
    require_stems(scene, scene.cues)
    assert (scene.scene(44100).sample_rate, scene.scene(48000).seed) == (44100, 4)


@pytest.mark.parametrize(("hall", "plan"), [(hall, plan) for hall in HALLS for plan in hall_table(hall).suits])
def test_every_plan_fits_every_hall_that_suits_it_under_all_arrays(hall: str, plan: str) -> None:
    """At its largest size."""
    table = catalogue.load("seating", plan)
    assert isinstance(table, SeatingTable)
    arrays = "".join(f'[arrays.{name}]\npreset = "{name}"\n' for name in catalogue.names("arrays"))
    size = "".join(f'seating.size = "{name}"\n' for name in list(table.sizes)[-1:])
    scene = built(f'hall.preset = "{hall}"\nseating.plan = "{plan}"\n{size}{arrays}')
    sections = len(scene.sections)
    assert sections >= 4
    tables = [catalogue.load("arrays", name) for name in catalogue.names("arrays")]
    spots = [table.each_section for table in tables if isinstance(table, ArrayTable) and table.each_section]
    listed = sum(len(table.capsules) for table in tables if isinstance(table, ArrayTable))
    assert len(scene.scene(48000).capsules) == listed + sections * sum(2 if spot.pair else 1 for spot in spots)
    clear = [a for a in scene.arrays if isinstance(t := catalogue.load("arrays", a.name), ArrayTable) and t.place]
    assert len(clear) > 20
    assert all(scene.hall.box.inside(array.positions, 0.5 - 1e-9).all() for array in clear)


def test_arrays_hang_as_high_as_the_hall_says_unless_the_scene_gives_a_position() -> None:
    text = 'hall.preset = "scoring-stage"\nhall.main_height = 4.1\nhall.ambience_height = 7.3\n'
    text += 'seating.plan = "violins-together"\narrays.main.preset = "tree"\narrays.room.preset = "ambience-pair"\n'
    text += 'arrays.low.preset = "ortf"\narrays.low.position = [0.0, -2.0, 2.8]\n'
    heights = {array.name: set(array.positions[:, 2].tolist()) for array in built(text).arrays}
    assert heights == {"main": {4.1}, "room": {7.3}, "low": {2.8}}


@settings(deadline=None, max_examples=50)
@given(scenes())
def test_what_is_written_is_what_is_read(scene: dict[str, Any]) -> None:
    text = "".join(toml_blocks(scene))
    read = built(text, "cues/1m1.toml")
    assert {s.name: len(s.players) for s in read.sections} == {n: t["players"] for n, t in scene["sections"].items()}
    assert read.section_gains == {n: t["gain"] for n, t in scene["sections"].items()}
    assert {n: (b.gain, b.mute) for n, b in read.buses.items()} == {
        n: (t["gain"], t["mute"]) for n, t in scene["arrays"].items()
    }
    balance = scene["mix"]["balance"]
    assert {n: b.level for n, b in read.buses.items()} == {
        n: t["gain"] + balance[catalogue.load("arrays", n).purpose] for n, t in scene["arrays"].items()
    }
    assert (read.title, read.seed) == (scene["title"], scene["seed"])
    assert (read.mix_gain, read.mix_offset) == (scene["mix"]["gain"], scene["mix"]["offset"])
    assert (read.hall.name, read.asked_T30) == (scene["hall"]["preset"], scene["hall"].get("T30"))
    assert read.cues[0].name == "1m1"
    assert {n: s.path for n, s in read.cues[0].stems.items()} == {
        n: Path("cues/stems") / f"{n}.wav" for n in scene["sections"]
    }
    again = SceneTable.model_validate(tomllib.loads(text)).model_dump(mode="json", exclude_unset=True)
    assert content(built("".join(toml_blocks(again)), "cues/1m1.toml")) == content(read)


@settings(deadline=None, max_examples=50)
@given(scenes(), st.randoms(use_true_random=False))
def test_the_order_of_tables_does_not_matter(scene: dict[str, Any], random: Any) -> None:
    plain, *tables = toml_blocks(scene)
    shuffled = random.sample(tables, len(tables))
    assert content(built(plain + "".join(shuffled))) == content(built(plain + "".join(tables)))


@cache
def every_key() -> str:
    """Return all that the schema names."""
    return json.dumps(SceneTable.model_json_schema())


@settings(deadline=None, max_examples=50)
@given(scenes(), st.data())
def test_an_unknown_key_is_told_with_its_line_wherever_it_stands(scene: dict[str, Any], data: st.DataObject) -> None:
    key = data.draw(st.text("abcdefghijklmnopqrstuvwxyz", min_size=3, max_size=12))
    assume(not any(key in block for block in toml_blocks(scene)))
    blocks = toml_blocks(scene)
    chosen = data.draw(st.integers(0, len(blocks) - 1))
    assume(not blocks[chosen].startswith("[cues"))
    assume(key not in every_key())
    blocks[chosen] += f"{key} = 1\n"
    line = "".join(blocks[: chosen + 1]).count("\n")
    text = complaint("".join(blocks))
    assert text.startswith(f"scene.toml:{line}: ")
    assert f"{key}: unknown key; " in text


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        # unknown names
        ("scoring-stage", "scoring-stag", "scene.toml:3: hall: preset: unknown hall 'scoring-stag'; did you mean 'sc"),
        ("violins-together", "violins", "scene.toml:5: seating: plan: unknown seating plan 'violins'; did you mean"),
        ("tree", "tre", "scene.toml:11: array 'main': preset: unknown array 'tre'; did you mean 'tree'?"),
        ("players = 2", 'instrument = "celo"', "scene.toml:8: section 'cellos': unknown instrument 'celo'; did you"),
        ("[hall]", "[hal]", "scene.toml:2: hal: unknown key; did you mean 'hall'?; and 1 more"),
        # places
        (
            "players = 2",
            "position = [30, 0, 0]\nplayers = 1",
            "scene.toml:8: section 'cellos': player 1 of 1 at [30.00, 0.00, 0.65] m is outside the hall or in a "
            "surface (x -11.5 to 11.5, y -18 to 13, z 0 to 11 m); move the section or widen the hall",
        ),
        ("players = 2", "position = [11.45, 0, 0]\nplayers = 1", "scene.toml:8: section 'cellos': player 1 of 1 at"),
        ('"tree"', '"tree"\nposition = [0, 0, 20]', "scene.toml:10: array 'main': capsule 'left' at [-1.00, 0.00, 20"),
        ('"tree"', '"tree"\nposition = [0, 0, 0]', "scene.toml:10: array 'main': capsule 'left' at [-1.00, 0.00, 0.0"),
        (
            'players = 2\n[arrays.main]\npreset = "tree"',
            'players = 1\nposition = [3, 3, 0]\n[arrays.main]\ncapsules = [{name = "a", at = [3, 3, 0.7]}]',
            "scene.toml:11: array 'main': capsule 'a' at [3.00, 3.00, 0.70] m is on top of player 1 of section",
        ),
        ("players = 2", "players = 90", "scene.toml:8: section 'cellos': found 90 players; the arc of radius 2.5 to"),
        (
            "[sections.cellos]",
            "[sections.celli]",
            "scene.toml:8: section 'celli': has no position or arc, and no place",
        ),
        (
            "[sections.cellos]",
            "[sections.oboe]\nposition = [0, 4, 0]",
            "scene.toml:8: section 'oboe': key 'instrument' is missing; allowed: bass-clarinet, bass-drum,",
        ),
        (
            "players = 2",
            "position = [1, 4, 0]\narc = {radius = [2, 3], azimuth = [0, 50]}",
            "scene.toml:8: section 'cellos': position and arc exclude each other; keep one",
        ),
        # values
        (
            '"scoring-stage"',
            '"scoring-stage"\nsurfaces.floor = {absorption = [0.1, 0.1, 0.1, 1.1, 0.1, 0.1, 0.1, 0.1, 0.1]}',
            "scene.toml:4: hall: surface 'floor': absorption at 500 Hz: found 1.1; allowed: 1 and below",
        ),
        (
            '"scoring-stage"',
            '"scoring-stage"\nsurfaces.floor = "mable-floor"',
            "scene.toml:4: surface 'floor': unknown",
        ),
        ('"scoring-stage"', '"scoring-stage"\nsize = [20, 20]', "scene.toml:4: hall: size: found [20, 20]; 3 values"),
        ('preset = "scoring-stage"', "size = [9, 9, 9]", "scene.toml:2: hall: key 'conductor' is missing; give it, or"),
        # names
        ("[sections.cellos]", "[sections.violins-1]", "scene.toml:8: section 'violins-1' is there twice; each needs"),
        ("[sections.cellos]", "[sections.Violins-1]", "scene.toml:8: section 'Violins-1': differs from section 'vio"),
        (
            "[sections.cellos]",
            "[sections.Chœur]",
            "scene.toml:8: a name with a space, or with letters beyond a to z, stands in quotes: [sections.Chœur]",
        ),
        (
            "[sections.cellos]",
            "[sections.violins 2]",
            "scene.toml:8: a name with a space, or with letters beyond a to z, stands in quotes: [sections.violins 2]",
        ),
        (
            "[sections.cellos]",
            '[sections."Été"]\nposition = [1, 3, 0]\ninstrument = "voice"\n[sections."E\u0301te\u0301"]\n',
            "scene.toml:11: section 'E\u0301te\u0301': differs from section 'Été' in how accents are put alone; files",
        ),
        ("[sections.cellos]", '[sections."a/b"]', "scene.toml:8: section 'a/b': found 'a/b'; allowed: letters, digits"),
        ("[arrays.main]", '[arrays.".."]', "scene.toml:10: array '..': found '..'; allowed: letters, digits, spaces"),
        # the mix
        ('"tree"', '"tree"\nsolo = 1', "scene.toml:12: array 'main': solo: found 1; allowed: true or false"),
        ('"tree"', '"tree"\nslo = true', "scene.toml:12: array 'main': slo: unknown key; did you mean 'solo'?"),
        ('"tree"', '"tree"\ninvert_polarity = "yes"', "scene.toml:12: array 'main': invert_polarity: found 'yes'; al"),
        ('"tree"', '"tree"\nsends = -6', "scene.toml:12: array 'main': sends: found -6; allowed: a table"),
        (
            '"tree"',
            '"tree"\nsends = {celos = -6}',
            "scene.toml:12: array 'main': sends: unknown section 'celos'; did you mean 'cellos'?",
        ),
        ('"tree"', '"tree"\nsends = {cellos = 61}', "scene.toml:12: array 'main': sends: cellos: found 61; allowed: 6"),
        ('"tree"', '"tree"\nsends = {cellos = "of"}', "scene.toml:12: array 'main': sends: cellos: found 'of'; did"),
        ('"tree"', '"tree"\nsends = {cellos = inf}', "scene.toml:12: array 'main': sends: cellos: found inf; allow"),
        ('"tree"', '"tree"\ndirect = 61', "scene.toml:12: array 'main': direct: found 61; allowed: 60 and below"),
        ('"tree"', '"tree"\nearly = "on"', "scene.toml:12: array 'main': early: found 'on'; "),
        ('"tree"', '"tree"\nlate = true', "scene.toml:12: array 'main': late: found true; allowed: a number"),
        ('"tree"', '"tree"\nlate = nan', "scene.toml:12: array 'main': late: found nan; allowed: a finite number"),
        ('"tree"', '"tree"\nhigh_pass = 5', "scene.toml:12: array 'main': high_pass: found 5; allowed: 10 and above"),
        ('"tree"', '"tree"\nhigh_pass = 3000', "scene.toml:12: array 'main': high_pass: found 3000; allowed: 2000 an"),
        ('"tree"', '"tree"\nwidth = -0.5', "scene.toml:12: array 'main': width: found -0.5; allowed: 0 and above"),
        ('"tree"', '"tree"\nwidth = 2.5', "scene.toml:12: array 'main': width: found 2.5; allowed: 2 and below"),
        ('"tree"', '"tree"\n[mix.balance]\nspots = 1', "scene.toml:13: mix: balance: spots: unknown key; did you mea"),
        ('"tree"', '"tree"\n[mix.balance]\nspot = 1', "scene.toml:13: mix balance: no array is for spot; allowed: m"),
        ('"tree"', '"tree"\n[mix.balance]\nmain = 99', "scene.toml:13: mix: balance: main: found 99; allowed: 60 an"),
        # cues
        ("[hall]", '[cues.a]\nviolins1 = "a.wav"\n[hall]', "scene.toml:3: cue 'a': violins1: unknown section; did you"),
        (
            "players = 2",
            'stem = "c.wav"\n[cues.a]\ncellos = "a.wav"',
            "scene.toml:9: section 'cellos': stem: stems stand in sections or in cues, not in both",
        ),
    ],
)
def test_what_is_wrong_is_told_with_file_line_and_remedy(old: str, new: str, line: str) -> None:
    assert PLAIN.count(old) == 1
    assert complaint(PLAIN.replace(old, new)).startswith(line)


def test_a_scene_without_arrays_or_sections_says_what_to_add() -> None:
    assert complaint('[hall]\npreset = "stone-church"\n') == "scene.toml: key 'arrays' is missing"
    assert complaint(PLAIN[PLAIN.index("[hall]") : PLAIN.index("[seating]")] + '[arrays.a]\npreset = "tree"').endswith(
        "there are no sections; name a seating plan, or give [sections.NAME] tables"
    )


def test_a_section_and_an_array_carry_their_place_in_the_mix() -> None:
    text = PLAIN.replace("players = 2", "players = 2\ngain = -3.5\nfold = true\nfacing = 180").replace(
        '"tree"', '"tree"\ngain = 2\nmute = true\ndelay = 0.01\nalign = true\ntrims = {left = -1}'
    )
    scene = built(text)
    assert (scene.section_gains, scene.fold) == (
        {"violins-1": 0.0, "cellos": -3.5},
        {"violins-1": False, "cellos": True},
    )
    assert {p.facing for p in scene.sections[1].players} == {180.0}
    around = built(text.replace("facing = 180", "facing = 180\nposition = [3, 3, 0]"))
    assert {p.facing for p in around.sections[1].players} == {180.0}
    assert 180.0 not in {p.facing for p in scene.sections[0].players}
    assert scene.buses == {"main": Bus(gain=2.0, mute=True, delay=0.01, align=True)}
    assert [c.gain for c in scene.arrays[0].capsules] == [-1.0, 0.0, 0.0]
    assert built(PLAIN).buses == {"main": Bus(gain=0.0, mute=False, delay=0.0, align=False)}
    spots = built(PLAIN.replace('"tree"', '"spots"')).buses["main"]
    assert (spots.gain, spots.align) == (-12.0, True)  # the preset's own


def test_an_array_carries_sends_parts_and_the_balance_of_its_purpose() -> None:
    """As numbers in dB, minus infinity where a fader is off; what isn't named is left at 0 dB."""
    keys = """
solo = true
invert_polarity = true
sends = {cellos = "off", violins-1 = -2}
direct = -3
early = "off"
late = -inf
high_pass = 80
width = 0.5
[arrays.spots]
preset = "spots"
[mix.balance]
main = 1.5
ambience = 0.0
spot = -3
"""
    buses = built(PLAIN + keys).buses
    assert buses["main"] == Bus(
        balance=1.5,
        solo=True,
        invert_polarity=True,
        sends={"cellos": -math.inf, "violins-1": -2.0},
        direct=-3.0,
        early=-math.inf,
        late=-math.inf,
        high_pass=80.0,
        width=0.5,
    )
    assert (buses["main"].level, buses["spots"].level) == (1.5, -15.0)
    assert buses["spots"] == Bus(gain=-12.0, balance=-3.0, align=True)


def test_a_hall_can_be_given_in_full() -> None:
    nine = [0.1] * 9
    surface = {"absorption": nine, "scattering": nine}
    scene = {
        "hall": {
            "size": [20, 25, 9],
            "conductor": [10, 10],
            "surfaces": {
                **dict.fromkeys(("floor", "ceiling", "stage-wall", "house-wall", "left-wall"), surface),
                "right-wall": "limestone",
            },
            "T30": {"125": 2.0, "1000": 1.5},
        },
        "sections": {"solo": {"instrument": {"height": 1.4}, "position": [0, 2, 0]}},
        "arrays": {"main": {"capsules": [{"name": "a", "at": [0, 0, 3]}]}},
    }
    read = built("".join(toml_blocks(scene)))
    np.testing.assert_array_equal(read.hall.absorption[:, 0], nine)
    assert read.hall.materials[1] == catalogue.material("limestone")
    assert read.asked_T30 == {"125": 2.0, "1000": 1.5}
    assert read.sections[0].players[0].position == (0.0, 2.0, 1.4)
    assert read.cues == ()


def test_a_plan_can_be_given_in_full_or_changed_in_one_place() -> None:
    own = PLAIN.replace(
        'plan = "violins-together"',
        'plan = "violins-together"\n[seating.sections.cellos]\ninstrument = "viola"\nplayers = 3\n'
        "arc = {radius = [5, 5], azimuth = [0, 90]}",
    ).replace("players = 2\n", "")
    cellos = built(own).sections[1]
    assert (cellos.instrument.name, len(cellos.players)) == ("viola", 3)
    assert np.hypot(*cellos.positions[0, :2]) == pytest.approx(np.hypot(5.0, 0.375))
    np.testing.assert_array_equal(built(own).sections[0].positions, built(PLAIN).sections[0].positions)


def players(text: str) -> dict[str, int]:
    return {section.name: len(section.players) for section in built(text).sections}


def test_the_size_says_how_many_play_and_a_section_s_own_number_goes_before_it() -> None:
    scene = 'hall.preset = "scoring-stage"\n[arrays.a]\npreset = "tree"\n[seating]\nplan = "full-orchestra"\n'
    strings = {"violins-1": 8, "violins-2": 6, "violas": 4, "cellos": 4, "basses": 2}
    winds = {"flutes": 2, "oboes": 2, "clarinets": 2, "bassoons": 2, "horns": 2, "trumpets": 2}
    assert players(scene + 'size = "chamber"\n') == strings | winds
    some = "[sections.horns]\n[sections.violas]\nplayers = 7\n[sections.trombones]\n"
    assert players(scene + 'size = "chamber"\n' + some) == {"horns": 2, "violas": 7, "trombones": 3}
    assert players(scene + some) == {"horns": 4, "violas": 7, "trombones": 3}
    own = 'size = "duo"\nsizes.duo = {violas = 1, cellos = 1}\n'
    assert players(scene + own) == {"violas": 1, "cellos": 1}


@pytest.mark.parametrize(
    ("keys", "line"),
    [
        ('plan = "chamber-arc"\nsize = "chmaber"', "scene.toml:6: unknown size 'chmaber'; did you mean 'chamber'?"),
        ('plan = "chamber-arc"\nsize = "large"', "scene.toml:6: unknown size 'large'; allowed: chamber, small, solo"),
        (
            'plan = "string-quartet"\nsize = "small"',
            "scene.toml:6: unknown size 'small'; the seating plan has no sizes",
        ),
        ('size = "small"', "scene.toml:5: unknown size 'small'; the seating plan has no sizes"),
        (
            'plan = "chamber-arc"\nsizes.own = {viollas = 2}',
            "scene.toml:6: size 'own': unknown section 'viollas'; did you mean 'violas'?",
        ),
    ],
)
def test_an_unknown_size_or_section_of_a_size_gets_the_nearest(keys: str, line: str) -> None:
    scene = f'hall.preset = "scoring-stage"\n[arrays.a]\npreset = "tree"\n[seating]\n{keys}\n'
    assert complaint(scene) == line


def test_a_place_says_how_its_players_sit_and_where_they_look() -> None:
    scene = 'hall.preset = "scoring-stage"\n[arrays.a]\npreset = "tree"\n[seating]\nplan = "quintet"\n'
    piano = built(scene).sections[-1]
    assert (piano.name, piano.players[0].facing, piano.stand) == ("piano", 90.0, "own")
    turned = built(scene + "[sections.piano]\nfacing = 100\nposition = [0, 4, 0]\n").sections[0]
    assert (turned.players[0].facing, turned.stand) == (100.0, "own")
    narrow = '[sections.oboes]\ninstrument = "oboe"\narc = {radius = [5, 5], azimuth = [0, 90], desk_width = 1.0}\n'
    assert complaint(scene + narrow) == (
        "scene.toml:6: section 'oboes': desk_width: found 1 m for two players; at least 1.4 m are needed, "
        'or stand = "own"'
    )


def test_several_cues_share_hall_and_seating_and_may_leave_sections_out() -> None:
    cues = '[cues.1m1]\nviolins-1 = "a/v.wav"\ncellos = "a/c.wav"\n[cues.1m2]\ncellos = "/b/c.wav"\n'
    scene = built(PLAIN + cues, "film/reel.toml")
    assert [(cue.name, {name: stem.path for name, stem in cue.stems.items()}) for cue in scene.cues] == [
        ("1m1", {"violins-1": Path("film/a/v.wav"), "cellos": Path("film/a/c.wav")}),
        ("1m2", {"cellos": Path("/b/c.wav")}),
    ]


def test_sections_may_be_many_and_have_any_name(tmp_path: Path) -> None:
    """Two dozen from all over an orchestra and its choir, in several scripts, seated and found by their names."""
    names = [
        "Flutes",
        "Hautbois",
        "Klarinetten in B",
        "Fagotte",
        "Horns 1 & 2",
        "Horns 3 & 4",
        "Trompeten",
        "Trombones",
    ]
    names += [
        "Tuba",
        "Timpani",
        "Große Trommel",
        "Harp 1",
        "Harp 2",
        "Chœur d'hommes",
        "Женский хор",
        "合唱",
        "Sopran solo",
    ]
    names += ["violins-1", "violins-2", "violas", "cellos", "basses", "Ὄργανον", "Čembalo"]
    text = PLAIN[: PLAIN.index("[sections.violins-1]")]
    for n, name in enumerate(names):
        place = f'instrument = "voice"\nposition = [{-9 + 1.5 * (n % 12)}, {2 + 2 * (n // 12)}, 0]\n'
        text += f'[sections."{name}"]\n{"" if name in STRINGS else place}'
    (tmp_path / "stems").mkdir()
    for name in names:
        (tmp_path / "stems" / f"1M1 {name.replace('ß', 'ẞ').upper()}.wav").touch()
    scene = built(
        text + '[arrays.spots]\npreset = "spots"\n[stems]\npattern = "{cue}_{section}"\n', str(tmp_path / "scene.toml")
    )
    assert [s.name for s in scene.sections] == names
    assert len(scene.scene(48000).capsules) == 24
    assert {name: stem.path.name for name, stem in scene.cues[0].stems.items()} == {
        name: f"1M1 {name.replace('ß', 'ẞ').upper()}.wav" for name in names
    }
    assert (scene.stem_notes, scene.stem_faults) == ((), ())


def test_the_cue_of_stems_in_sections_is_named_after_the_file_or_its_folder(tmp_path: Path) -> None:
    text = PLAIN.replace("players = 2", 'stem = "c.wav"')
    assert built(text, "x/harbour.toml").cues[0].name == "harbour"
    assert built(text, str(tmp_path / "Quay" / "scene.toml")).cues[0].name == "Quay"


def test_a_stem_that_is_not_there_is_told_with_its_line_and_the_nearest(tmp_path: Path) -> None:
    path = tmp_path / "scene.toml"
    (tmp_path / "stems").mkdir()
    (tmp_path / "stems" / "cellos.wav").touch()

    def told(stem: str) -> str:
        path.write_text(PLAIN.replace("players = 2", f"stem = {stem}"), encoding="utf-8")
        with pytest.raises(InputError) as error:
            require_stems(scene := read_scene(path), scene.cues)
        return str(error.value).replace(str(tmp_path), "…")

    assert told("'stems/celos.wav'") == (
        "…/scene.toml:9: section 'cellos': stem: …/stems/celos.wav: no such file; did you mean 'cellos.wav'?"
    )
    assert told("'stem/cellos.wav'").endswith("…/stem/cellos.wav: no such folder")
    assert told("'stems'").endswith("…/stems: is a folder")
    assert told('"stems\\new.wav"').endswith(
        "a backslash made a control character; use forward slashes or single quotes"
    )
    path.write_text(PLAIN, encoding="utf-8")
    with pytest.raises(InputError, match="no section has a stem; give stem"):
        require_stems(scene := read_scene(path), scene.cues)


def test_the_documentation_of_keys_and_the_schema_are_up_to_date() -> None:
    """`python -m render.scene_keys` writes them."""
    assert (catalogue.folder() / "SCENE.md").read_text(encoding="utf-8") == scene_keys()
    assert (catalogue.folder() / "scene.schema.json").read_text(encoding="utf-8") == scene_schema()
    for kind in catalogue.KINDS:
        assert (catalogue.folder() / f"{kind}.schema.json").read_text(encoding="utf-8") == preset_schema(kind)


def test_every_key_is_documented() -> None:
    schema, told = json.loads(scene_schema()), scene_keys()
    for table in (schema, *schema["$defs"].values()):
        for key, field in table["properties"].items():
            assert field.get("description"), key
            assert f"| `{key}` |" in told


def test_the_schema_takes_what_the_reader_takes_and_refuses_what_it_refuses() -> None:
    """jsonschema is an independent validator."""
    validator = jsonschema.Draft202012Validator(json.loads(scene_schema()))
    validator.check_schema(validator.schema)
    demo = tomllib.loads(DEMO.read_text(encoding="utf-8"))
    validator.validate(demo)
    validator.validate({**demo, "hall": {"preset": "a", "T30": {"125": 2.0}, "surfaces": {"floor": "limestone"}}})
    main = {"preset": "tree", "sends": {"cellos": "off", "violas": -3}, "early": "off", "width": 0.5}
    validator.validate({**demo, "arrays": {"main": main}, "mix": {"balance": {"main": 1.0}}})
    for wrong in (
        {**demo, "sede": 1},
        {**demo, "arrays": {"main": {**main, "sends": {"cellos": "of"}}}},
        {**demo, "arrays": {"main": {**main, "width": 3}}},
        {**demo, "mix": {"balance": {"spots": 1.0}}},
        {**demo, "hall": {"preset": "stone-church", "humidity": 300}},
        {**demo, "hall": {"size": [1, 2]}},
        {**demo, "arrays": {}},
        {**demo, "arrays": {"main": {"capsules": [{"name": "a", "pattern": "cardiod"}]}}},
    ):
        assert not validator.is_valid(wrong)
