"""Presets of one's own: beside the scene or in it, found first, and as strictly read as the bundled ones."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import jsonschema
import pytest

from render.scene_file import SceneFile, read_scene
from render.scene_keys import preset_schema
from rooms import catalogue
from rooms.errors import InputError
from rooms.geometry import SURFACES
from rooms.tables import HallTable, InstrumentTable, MaterialTable
from tests.small_scenes import run

FLOOR = SURFACES.index("floor")
SCENE = """\
[hall]
preset = "{hall}"
[seating]
plan = "{plan}"
[arrays.main]
preset = "{array}"
"""
BARN = """\
description = "Barn with a clay floor"
preset = "chamber-studio"
surfaces.floor = "clay"
"""
CLAY = """\
description = "Tamped clay"
absorption = [0.01, 0.01, 0.02, 0.02, 0.03, 0.03, 0.04, 0.04, 0.04]
scattering = [0.10, 0.10, 0.10, 0.10, 0.10, 0.10, 0.10, 0.10, 0.10]
"""
DUO = """\
description = "Two violins"
[sections.violins]
instrument = "fiddle"
players = 2
arc = {radius = [2.0, 2.0], azimuth = [-60, 0]}
"""
FIDDLE = """\
description = "Violin on the knee"
preset = "violin"
height = 0.7
"""
POST = """\
description = "One omni on a post"
position = [0.0, -1.0, 2.0]
capsules = [{name = "mono"}]
"""
OWN = {
    "halls/barn": BARN,
    "materials/clay": CLAY,
    "seating/duo": DUO,
    "instruments/fiddle": FIDDLE,
    "arrays/post": POST,
}


def write(folder: Path, files: dict[str, str]) -> Path:
    """Write files of presets into the folder of a scene; return the scene's folder."""
    for name, text in files.items():
        path = folder / "presets" / f"{name}.toml"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return folder


def write_scene(folder: Path, hall: str, plan: str, array: str, more: str = "") -> Path:
    path = folder / "scene.toml"
    path.write_text(SCENE.format(hall=hall, plan=plan, array=array) + more, encoding="utf-8")
    return path


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A scene's folder with one preset of each kind."""
    return write(tmp_path, OWN)


def test_a_scene_finds_every_kind_of_preset_in_the_folder_beside_it(home: Path) -> None:
    """They refer to each other and start from bundled ones."""
    scene = read_scene(write_scene(home, "barn", "duo", "post"))
    studio, violin = catalogue.hall("chamber-studio"), catalogue.instrument("violin")
    assert scene.hall.box == studio.box
    assert scene.hall.materials[FLOOR].absorption == tuple(tomllib.loads(CLAY)["absorption"])
    assert scene.hall.materials[:FLOOR] == studio.materials[:FLOOR]
    (section,) = scene.sections
    assert (section.name, len(section.players)) == ("violins", 2)
    assert section.instrument.height == 0.7
    assert section.instrument.directivity_index == violin.directivity_index
    assert scene.arrays[0].capsules[0].position == (0.0, -1.0, 2.0)


def test_a_scene_elsewhere_does_not_find_them(home: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    with pytest.raises(InputError, match=r"unknown hall 'barn'; "):
        read_scene(write_scene(tmp_path_factory.mktemp("elsewhere"), "barn", "duo", "post"))


def test_the_bundled_folder_is_nobody_s_own() -> None:
    """A scene at the top of a clone has the bundled presets beside it."""
    assert catalogue.own_presets(catalogue.folder().parent).folder is None


def test_materials_and_instruments_stand_in_the_scene_too_and_come_first(home: Path) -> None:
    more = f"[materials.clay]\n{CLAY.replace('0.10', '0.50')}[instruments.fiddle]\npreset = 'viola'\n"
    scene = read_scene(write_scene(home, "barn", "duo", "post", more))
    assert scene.hall.materials[FLOOR].scattering == (0.5,) * 9
    assert scene.sections[0].instrument.height == catalogue.instrument("viola").height


@pytest.mark.parametrize("where", ["folder", "scene"])
def test_an_own_preset_wins_over_a_bundled_one_wherever_its_name_stands(tmp_path: Path, where: str) -> None:
    """In a bundled hall, too; and by its own name it can start from the one that it replaces."""
    damped = f"preset = 'marble-floor'\nabsorption = {[0.9] * 9}\n"
    more = f"[materials.marble-floor]\n{damped}" if where == "scene" else ""
    write(tmp_path, {} if where == "scene" else {"materials/marble-floor": damped})
    path = write_scene(tmp_path, "stone-church", "chamber-arc", "tree", more)
    floor = read_scene(path).hall.materials[FLOOR]
    assert (floor.name, floor.absorption) == ("marble-floor", (0.9,) * 9)
    assert floor.scattering == catalogue.material("marble-floor").scattering
    done = run("check", path)
    assert done.exit_code == 0
    assert done.stderr == "warning: material 'marble-floor' is your own, not the bundled one\n"
    assert "own       materials marble-floor\n" in done.stdout


def test_check_says_which_presets_are_the_scene_s_own(home: Path) -> None:
    done = run("check", write_scene(home, "barn", "duo", "post"))
    assert done.stderr == ""
    assert "own       halls barn; seating duo; arrays post; materials clay; instruments fiddle\n" in done.stdout


def test_what_is_wrong_with_a_preset_that_is_not_used_stops_nothing(home: Path) -> None:
    """It is said by `check`."""
    write(home, {"halls/shed": "size = [1, 2]"})
    (home / "presets" / "hals").mkdir()
    (home / "presets" / "halls" / "._barn.toml").write_bytes(b"\xff")  # some systems leave such files beside others
    (home / "presets" / "elsewhere").mkdir()
    done = run("check", write_scene(home, "barn", "duo", "post"))
    assert done.exit_code == 0
    folder = home / "presets"
    assert done.stderr.splitlines() == [
        f"warning: {folder}/halls/shed.toml:1: size: found [1, 2]; 3 values are needed",
        f"warning: {folder}/hals: no kind of preset; did you mean 'halls'?",
    ]


BAD = {
    "unknown key": (
        {"halls/barn": BARN.replace("preset", "prest")},
        "halls/barn.toml:2: prest: unknown key; did you mean 'preset'?",
    ),
    "out of range": (
        {"materials/clay": CLAY.replace("0.03, 0.03", "0.03, 1.03")},
        "materials/clay.toml:2: absorption at 2000 Hz: found 1.03; allowed: 1 and below",
    ),
    "not TOML": ({"arrays/post": "capsules = ["}, "arrays/post.toml:1: not valid TOML: "),
    "unknown material": (
        {"halls/barn": BARN.replace('clay"', 'clai"')},
        "halls/barn.toml:3: surface 'floor': unknown material 'clai'; did you mean 'clay'?",
    ),
    "incomplete material": (
        {"materials/clay": CLAY.partition("scattering")[0]},
        "materials/clay.toml: clay: key 'scattering' is missing; give nine values, or a material's name",
    ),
    "incomplete hall": (
        {"halls/barn": BARN.replace("preset", "#")},
        "halls/barn.toml: key 'size' is missing; give it, or the preset of a hall: ballroom, barn, ",
    ),
    "arc too small": (
        {"seating/duo": DUO.replace("players = 2", "players = 20")},
        "seating/duo.toml:2: section 'violins': found 20 players; the arc of radius 2 to 2 m and azimuth",
    ),
    "arc too small for a size": (
        {"seating/duo": DUO.replace("[sections", "[sizes]\nmany = {violins = 20}\n[sections")},
        "seating/duo.toml:4: section 'violins': found 20 players; the arc of radius 2 to 2 m and azimuth",
    ),
    "a size of strangers": (
        {"seating/duo": DUO.replace("[sections", "[sizes]\nmany = {viollins = 2}\n[sections")},
        "seating/duo.toml:3: size 'many': unknown section 'viollins'; did you mean 'violins'?",
    ),
    "unknown instrument": (
        {"seating/duo": DUO.replace("fiddle", "fidle")},
        "seating/duo.toml:2: section 'violins': unknown instrument 'fidle'; did you mean 'fiddle'?",
    ),
    "capsules of one name": (
        {"arrays/post": POST.replace("[{", '[{name = "mono"}, {')},
        "arrays/post.toml: array 'post' has two capsules named 'mono'; each needs a name of its own",
    ),
    "a preset from itself": (
        {"instruments/fiddle": "preset = 'fiddle'"},
        "instruments/fiddle.toml: instrument 'fiddle' starts from itself; name another one",
    ),
    "two presets from each other": (
        {"instruments/fiddle": "preset = 'gamba'", "instruments/gamba": "preset = 'fiddle'"},
        "instruments/gamba.toml: instrument 'fiddle' starts from itself; name another one",
    ),
    "wrong kind": (
        {"arrays/post": BARN},
        "arrays/post.toml: is no array, its keys are those of halls; move it to {folder}/halls",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_a_bad_file_is_named_with_its_own_line_and_no_other(home: Path, case: str) -> None:
    """By every command that meets it."""
    files, line = BAD[case]
    write(home, files)
    expected = f"{home / 'presets'}/{line.format(folder=home / 'presets')}"
    path = write_scene(home, "barn", "duo", "post")
    with pytest.raises(InputError) as error:
        read_scene(path)
    assert str(error.value).startswith(expected)
    for command in (("check", path), ("render", path, "-o", home / "out", "--quiet")):
        done = run(*command)
        assert done.exit_code == 2
        assert done.stderr.startswith(f"sitzprobe: {expected}")
        assert done.stderr.count("\n") == 1


def test_a_file_that_is_no_text_is_named(home: Path) -> None:
    (home / "presets" / "halls" / "barn.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(
        InputError, match=r"presets/halls/barn\.toml: byte 1 is not UTF-8; save the file as UTF-8 text$"
    ):
        read_scene(write_scene(home, "barn", "duo", "post"))


def test_a_bad_table_in_the_scene_is_named_with_its_line(home: Path) -> None:
    path = write_scene(home, "barn", "duo", "post", f"[materials.mud]\nabsorption = {[0.1] * 9}\n")
    with pytest.raises(InputError, match=r"scene\.toml:7: material 'mud': mud: key 'scattering' is missing; give nine"):
        read_scene(path)


def test_a_changed_file_is_read_again(home: Path) -> None:
    """Within one process."""
    path = write_scene(home, "barn", "duo", "post")

    def heard(scene: SceneFile) -> float:
        return scene.arrays[0].capsules[0].position[2]

    assert heard(read_scene(path)) == 2.0
    write(home, {"arrays/post": POST.replace("2.0]", "3.0]")})
    assert heard(read_scene(path)) == 3.0


def test_a_new_scene_starts_among_them(tmp_path: Path) -> None:
    """The gain written down is that of the own array."""
    texts = []
    for folder, files in (
        (tmp_path / "bundled", {}),
        (tmp_path / "own", {"arrays/tree": POST.replace("2.0]", "6.0]")}),
    ):
        write(folder, files)
        assert run("new", folder).exit_code == 0
        texts.append((folder / "scene.toml").read_text(encoding="utf-8").partition("[mix]")[2])
    assert texts[0] != texts[1]


@pytest.mark.parametrize("kind", catalogue.KINDS)
def test_the_schema_of_a_kind_takes_every_preset_of_it_and_no_other_s(kind: str, home: Path) -> None:
    """jsonschema is an independent validator."""
    validator = jsonschema.Draft202012Validator(json.loads(preset_schema(kind)))
    validator.check_schema(validator.schema)
    files = [path for folder in (catalogue.folder(), home / "presets") for path in (folder / kind).glob("*.toml")]
    assert len(files) > 4
    for path in files:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        validator.validate(data)
        assert not validator.is_valid({**data, "sorce": ""})
    for other in catalogue.KINDS:
        strangers = (catalogue.folder() / other).glob("*.toml") if other != kind else ()
        assert not any(validator.is_valid(tomllib.loads(path.read_text(encoding="utf-8"))) for path in strangers)


def test_presets_without_a_scene_are_resolved_from_python(home: Path) -> None:
    own = catalogue.own_presets(home)
    assert catalogue.hall("barn", own) == catalogue.hall(HallTable(preset="barn"), own)
    assert catalogue.material(MaterialTable(preset="clay"), own=own).name == "clay"
    assert catalogue.instrument(InstrumentTable(preset="fiddle"), own=own).height == 0.7
    assert set(catalogue.names("halls", own)) == {"barn", *catalogue.names("halls")}
