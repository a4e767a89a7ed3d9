"""Files found by their names: whose each is, in spite of case and separators, and one line where that is left open."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from render.naming import NamedFiles, check_pattern, named_files
from render.scene_file import SceneFile, read_scene, require_stems
from rooms.errors import InputError
from tests.small_scenes import SECTIONS as TABLES
from tests.small_scenes import write_scene

SECTIONS = ["violins", "violins-1", "violins-2", "violas", "solo-violin", "Chœur d'hommes", "Horns 1 & 2", "合唱"]


def touch(folder: Path, names: Iterable[str]) -> Path:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).touch()
    return folder


def found(
    folder: Path,
    names: Iterable[str],
    pattern: str = "{cue}_{section}*",
    cues: Iterable[str] = (),
    given: Mapping[tuple[str, str], Path] | None = None,
) -> NamedFiles:
    return named_files(touch(folder, names), pattern, SECTIONS, list(cues), given or {})


def by_name(result: NamedFiles, folder: Path) -> dict[str, tuple[str, str]]:
    """Return cue and section by the name of the file."""
    return {
        path.relative_to(folder).as_posix(): (cue, section)
        for cue, files in result.files.items()
        for section, path in files.items()
    }


@pytest.mark.parametrize(
    ("pattern", "name", "cue", "section"),
    [
        ("{cue}_{section}*", "1m1_violins-1.wav", "1m1", "violins-1"),
        ("{cue}_{section}*", "1m1 - Violins 1.WAV", "1m1", "violins-1"),
        ("{cue}_{section}*", "1M1.VIOLINS_1.take 3.flac", "1M1", "violins-1"),
        ("{cue}_{section}*", "1m1_violins1_close.aif", "1m1", "violins-1"),
        ("{cue}_{section}*", "1m1_violins.wav", "1m1", "violins"),
        ("{cue}_{section}*", "1m1_violins_mix.wav", "1m1", "violins"),
        ("{cue}_{section}*", "The Harbour 2_Solo Violin.wav", "The Harbour 2", "solo-violin"),
        ("{cue}_{section}*", "1m1_solo violin.wav", "1m1", "solo-violin"),
        ("{cue}_{section}*.wav", "1m1_violas.wav", "1m1", "violas"),
        ("{cue}_{section}.*", "1m1_violas.ogg", "1m1", "violas"),
        ("{cue}/{section}*", "1m1/violas v2.wav", "1m1", "violas"),
        ("{cue}/?? {section}", "1m1/03 violas.wav", "1m1", "violas"),
        ("{section} ({cue})", "violas (1m1).wav", "1m1", "violas"),
        ("* {section}_{cue}", "Film rough violas_1m1.wav", "1m1", "violas"),
        ("{cue}_{section}*", "1m1_CHŒUR D'HOMMES.wav", "1m1", "Chœur d'hommes"),
        ("{cue}_{section}*", "1m1_horns_1_&_2.wav", "1m1", "Horns 1 & 2"),
        ("{cue}_{section}*", unicodedata.normalize("NFD", "Été_合唱.wav"), "Été", "合唱"),
    ],
)
def test_case_and_separators_do_not_matter(tmp_path: Path, pattern: str, name: str, cue: str, section: str) -> None:
    """Nor do a take's number, other cases of the suffix, or accents taken apart as one file system does."""
    result = found(tmp_path, [name], pattern)
    assert by_name(result, tmp_path) == {name: (cue, section)}
    assert (result.notes, result.faults) == ((), ())


@pytest.mark.parametrize(
    "name",
    [
        "1m1_violins-10.wav",  # another number
        "1m1_violinsolo.wav",  # within a word
        "1m1_bassviolas.wav",
        "1m1_soloviolin.wav",
        "1m1violas.txt",  # no sound
        "._1m1_violas.wav",  # hidden, as one system leaves beside each file
        "sub/1m1_violas.wav",  # deeper than the pattern
        "1m1_violas.wav/of a folder.txt",
    ],
)
def test_what_only_looks_alike_is_nobody_s(tmp_path: Path, name: str) -> None:
    """No part of a word or of a number is a section."""
    assert [n for n, (_, s) in by_name(found(tmp_path, [name]), tmp_path).items() if s != "violins"] == []


def test_cues_come_in_natural_order_after_those_listed_and_one_spelling_is_enough(tmp_path: Path) -> None:
    """1m2 before 1m10; 1M1 is 1m1."""
    names = ["1m10_violas.wav", "1m2_violas.wav", "1m1_violas.wav", "1M1 violins.wav"]
    assert list(found(tmp_path, names).files) == ["1m1", "1m2", "1m10"]
    listed = found(tmp_path, names, cues=["1m10", "1-M-1"]).files
    assert {cue: list(files) for cue, files in listed.items()} == {
        "1-M-1": ["violins", "violas"],
        "1m2": ["violas"],
        "1m10": ["violas"],
    }


def test_a_file_that_can_be_read_in_two_ways_is_a_fault_until_the_cue_is_listed(tmp_path: Path) -> None:
    """One line that says which ways."""
    name = "1m1_violas_violins-2.wav"
    result = found(tmp_path, [name])
    assert result.files == {}
    assert result.faults == (
        f"{tmp_path / name} may be section 'violins-2' of cue '1m1_violas' or section 'violas' of cue '1m1'; "
        "name it as a stem, or make the pattern say more",
    )
    assert by_name(found(tmp_path, [name], cues=["1m1"]), tmp_path) == {name: ("1m1", "violas")}
    named = found(tmp_path, [name], given={("x", "violas"): tmp_path / name})
    assert (named.files, named.faults) == ({}, ())


def test_two_files_for_one_section_are_a_fault_unless_the_scene_names_one(tmp_path: Path) -> None:
    """Of two takes, nobody knows which."""
    names = ["1m1_violas.wav", "1m1_violas take 2.wav", "1m1_violins.wav"]
    result = found(tmp_path, names)
    assert result.faults == (
        "2 files may be the stem of section 'violas' of cue '1m1': 1m1_violas.wav, 1m1_violas take 2.wav; "
        "name one of them as its stem",
    )
    named = found(tmp_path, names, cues=["1m1"], given={("1m1", "violas"): tmp_path / names[1]})
    assert by_name(named, tmp_path) == {names[2]: ("1m1", "violins")}
    assert (named.notes, named.faults) == ((), ())


def test_a_file_that_is_nobody_s_is_noted_with_the_nearest_section(tmp_path: Path) -> None:
    """Or without, where none is near; and so is a cue that can't be called so."""
    result = found(tmp_path, ["1m1_violas.wav", "1m1_violsa v2.wav", "1m1_tambourine.wav", "1m1 (old)_violas.wav"])
    assert sorted(result.notes) == [
        f"{tmp_path}/1m1 (old)_violas.wav isn't used: no cue can be called '1m1 (old)'; "
        "allowed: letters, digits, spaces and any of -_'’&+, – a letter or digit first",
        f"{tmp_path}/1m1_tambourine.wav isn't used: it is named like no section",
        f"{tmp_path}/1m1_violsa v2.wav isn't used: it is named like no section; did you mean 'violas'?",
    ]
    assert by_name(result, tmp_path) == {"1m1_violas.wav": ("1m1", "violas")}
    assert result.faults == ()


@pytest.mark.parametrize(
    ("pattern", "line"),
    [
        ("{cue}*", "it needs {section} once, and {cue} once or not at all"),
        ("{section}{section}", "it needs {section} once, and {cue} once or not at all"),
        ("{section}_{cue}_{cue}", "it needs {section} once, and {cue} once or not at all"),
        ("{section}_{take}", "found '{take}' in '{section}_{take}'; allowed: {section}, {cue}, * and ?"),
        ("{section", "found '{' in '{section'; allowed: {section}, {cue}, * and ?"),
        ("../{section}", "a pattern lies in the folder; name another as folder"),
        ("/stems/{section}", "a pattern lies in the folder; name another as folder"),
    ],
)
def test_a_pattern_that_says_too_little_is_refused(pattern: str, line: str) -> None:
    with pytest.raises(ValueError, match=r".") as caught:
        check_pattern(pattern)
    assert line in str(caught.value)


WORDS = st.text("abcdefgäß", min_size=1, max_size=5)


@settings(max_examples=60)
@given(
    st.lists(st.lists(WORDS, min_size=1, max_size=3).map(tuple), min_size=1, max_size=6, unique=True),
    st.sampled_from([" ", "_", "-", " - ", "."]),
    st.booleans(),
)
def test_every_section_finds_its_own_file_however_it_is_separated(
    tmp_path_factory: pytest.TempPathFactory, names: list[tuple[str, ...]], separator: str, upper: bool
) -> None:
    """Law: with a cue's name apart from all others and nothing after the section, only its own name fits."""
    folder = tmp_path_factory.mktemp("names")
    sections = {"-".join(words): f"7m7{separator}{separator.join(words)}" for words in names}
    files = {
        section: (name.replace("ß", "ẞ").upper() if upper else name) + ".wav" for section, name in sections.items()
    }
    touch(folder, files.values())
    result = named_files(folder, "{cue}_{section}", list(sections), ["7m7"], {})
    assert (result.notes, result.faults) == ((), ())
    assert {section: path.name for section, path in result.files["7m7"].items()} == files


# In a scene


def scene(folder: Path, stems: str, names: Iterable[str], *, tables: str = TABLES, more: str = "") -> SceneFile:
    touch(folder, names)
    return read_scene(write_scene(folder, {}, sections=tables, more=f"[stems]\n{stems}\n{more}"))


def listed(read: SceneFile) -> dict[str, dict[str, str]]:
    """Return names of files by cue and section."""
    return {cue.name: {name: stem.path.name for name, stem in cue.stems.items()} for cue in read.cues}


def test_without_a_cue_in_the_pattern_the_folder_holds_the_only_one(tmp_path: Path) -> None:
    """Called as ever, and a stem that the scene names goes before the pattern."""
    names = ["stems/Left mic.wav", "stems/RIGHT.flac"]
    assert listed(scene(tmp_path / "Quay", "", names)) == {"Quay": {"left": "Left mic.wav", "right": "RIGHT.flac"}}
    own = TABLES.replace("[sections.right]", '[sections.right]\nstem = "other.wav"\nstart = 2.0')
    read = scene(tmp_path / "Quay", 'pattern = "{section}*"', names, tables=own)
    assert listed(read) == {"Quay": {"left": "Left mic.wav", "right": "other.wav"}}
    assert [stem.start for stem in read.cues[0].stems.values()] == [None, 2.0]


def test_cues_are_those_listed_and_those_found_and_a_stem_named_goes_before(tmp_path: Path) -> None:
    """What a cue says of a stem without naming a file holds for the one found."""
    names = [f"in/{cue}/{side}.wav" for cue in ("1m1", "1m2", "1m10") for side in ("left", "right")]
    more = '[cues.1m10]\nleft = "else.wav"\nright = {start = 3.5, channels = [2]}\n'
    read = scene(tmp_path, 'folder = "in"\npattern = "{cue}/{section}"', names, more=more)
    assert listed(read) == {
        "1m10": {"left": "else.wav", "right": "right.wav"},
        "1m1": {"left": "left.wav", "right": "right.wav"},
        "1m2": {"left": "left.wav", "right": "right.wav"},
    }
    right = read.cues[0].stems["right"]
    assert (right.path, right.start, right.channels) == (tmp_path / "in/1m10/right.wav", 3.5, (2,))
    assert read.stem_notes == ()


def test_sections_without_a_stem_are_noted_once_or_by_cue(tmp_path: Path) -> None:
    tables = TABLES + TABLES.split("[sections.right]")[0].replace("left", "harp").replace("2.0", "3.0")
    read = scene(
        tmp_path,
        'pattern = "{cue}_{section}"',
        ["stems/a_left.wav", "stems/a_right.wav", "stems/b_left.wav"],
        tables=tables,
    )
    assert read.stem_notes == ("section 'harp' has no stem and doesn't play", "cue 'b' has no stem for 'right'")
    assert read.stem_faults == ()


@pytest.mark.parametrize(
    ("stems", "more", "line"),
    [
        ('folder = "stem"', "", "stems: {folder}/stem: no such folder"),
        ('folder = "scene.toml"', "", "stems: {folder}/scene.toml: is a file"),
        (
            'pattern = "x_{section}"',
            "",
            "stems: no sound file in {folder}/stems is named 'x_{{section}}'; {folder}/stems",
        ),
        ('pattern = "{cue}_{section}"', "[cues.9m9]\n", "cue '9m9': has no stems; name one, or take the cue out"),
    ],
)
def test_a_folder_that_holds_no_stems_is_one_line_when_they_are_wanted(
    tmp_path: Path, stems: str, more: str, line: str
) -> None:
    """With file and line of the scene; the scene itself can be read, for its responses."""
    read = scene(tmp_path, stems, ["stems/a_left.wav"], more=more)
    with pytest.raises(InputError) as caught:
        require_stems(read, read.cues)
    place, _, text = str(caught.value).partition(": ")
    assert place.startswith(f"{tmp_path}/scene.toml:")
    assert text.startswith(line.format(folder=tmp_path))


@pytest.mark.parametrize(
    ("stems", "tables", "more", "line"),
    [
        ('pattern = "{section}"', TABLES, "[cues.a]\n", r"stems: pattern: found '{section}'; with \[cues\] tables it"),
        (
            'pattern = "{cue}_{section}"',
            TABLES.replace("[sections.left]", '[sections.left]\nstem = "a.wav"'),
            "",
            "section 'left': stem: stems stand in sections or in cues, not in both",
        ),
        ('pattern = "{cue}"', TABLES, "", "stems: pattern: found '{cue}'; it needs {section} once"),
        ('patern = "{section}"', TABLES, "", "stems: patern: unknown key; did you mean 'pattern'?"),
    ],
)
def test_what_does_not_go_together_is_refused_with_its_line(
    tmp_path: Path, stems: str, tables: str, more: str, line: str
) -> None:
    with pytest.raises(InputError, match=r"scene\.toml:\d+: ") as caught:
        scene(tmp_path, stems, [], tables=tables, more=more)
    assert line.replace("\\", "") in str(caught.value)


def test_a_stem_without_a_file_needs_a_folder(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"scene\.toml:\d+: cue 'a': left: key 'stem' is missing"):
        read_scene(write_scene(tmp_path, {}, more="[cues.a]\nleft = {start = 1.0}\n"))
