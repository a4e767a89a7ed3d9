"""TOML files: every problem is one line that says where, what and what is allowed."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rooms.errors import InputError
from rooms.tables import ArrayTable, HallTable, MaterialTable
from rooms.toml_reader import parse_toml, read_toml, validate

NINE = "[0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1]"


def complaint(text: str, model: type = HallTable) -> str:
    """Return the line about text that is read as a table."""

    def read() -> None:
        file = parse_toml(Path("scene.toml"), text)
        validate(model, file.data, file)

    with pytest.raises(InputError) as error:
        read()
    assert "\n" not in str(error.value)
    return str(error.value)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("\nsize = [1, 2", "scene.toml:2: not valid TOML"),
        ("note = 'a'\ntemperature = 20,5\n", "scene.toml:2: decimals are written with a point, not a comma"),
        ('note = "C:\\Users\\me"\n', "scene.toml:1: write paths with forward slashes, or in single quotes"),
        ("[surfaces]\n[surfaces]\n", "scene.toml:2: surfaces is there twice"),
        ("[sections.cellos]\n[sections.cellos]\n", "scene.toml:2: section 'cellos' is there twice"),
        ("note = 'a'\nnote = 'b'\n", "scene.toml:2: this key is there twice: note = 'b'"),
        ("humidity = " + "[" * 20_000, "scene.toml: tables or lists are nested too deeply"),
    ],
)
def test_a_slip_in_the_syntax_names_its_line_and_the_remedy(text: str, line: str) -> None:
    assert complaint(text).startswith(line)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("\n\nhumidty = 3\n", "scene.toml:3: humidty: unknown key; did you mean 'humidity'?"),
        ("humidity = 300\n", "scene.toml:1: humidity: found 300; allowed: 100 and below"),
        ("humidity = nan\n", "scene.toml:1: humidity: found nan; allowed: a finite number"),
        ("humidity = true\n", "scene.toml:1: humidity: found true; allowed: a number"),
        ("humidity = '50'\n", "scene.toml:1: humidity: found '50'; allowed: a number"),
        ("size = [1, 2]\n", "scene.toml:1: size: found [1, 2]; 3 values are needed"),
        ("size = [1, 2, 3, 4]\n", "scene.toml:1: size: found 4 values; 3 are needed"),
        ("size = [1, 0, 3]\n", "scene.toml:1: size[2]: found 0; allowed: above 0"),
        ("T30 = 0\n", "scene.toml:1: T30: found 0; allowed: above 0"),
        ("T30 = {'120' = 1.0}\n", "scene.toml:1: T30: 120: found '120'; allowed: 63, 125"),
        ("surfaces.flor = 'a'\n", "scene.toml:1: surface 'flor': found 'flor'; did you mean 'floor'?"),
        ("surfaces.floor = 1\n", "scene.toml:1: surface 'floor': found 1; allowed: a table"),
        ("[surfaces]\nfloor = {absorptoin = 1}\n", "scene.toml:2: surface 'floor': absorptoin: unknown key; did you"),
        ("note = 1\nhumidity = 'a'\n", "scene.toml:1: note: found 1; allowed: text in quotes; and 1 more"),
    ],
)
def test_a_bad_value_is_told_with_line_key_found_and_allowed(text: str, line: str) -> None:
    assert complaint(text).startswith(line)


def test_a_coefficient_outside_0_to_1_names_its_band() -> None:
    text = f"scattering = {NINE}\nabsorption = [\n 0.1, 0.1, 0.1, 0.1,\n 0.1, 0.1, 1.2, 0.1, 0.1,\n]\n"
    expected = "scene.toml:4: absorption at 4000 Hz: found 1.2; allowed: 1 and below"
    assert complaint(text, MaterialTable) == expected


def test_a_list_of_eight_bands_is_not_taken_for_nine() -> None:
    text = "absorption = " + NINE.replace("[0.1, ", "[")
    assert complaint(text, MaterialTable) == "scene.toml:1: absorption: found 8 values; 9 are needed"


def test_a_capsule_within_a_list_over_several_lines_is_found_on_its_own_line() -> None:
    text = 'capsules = [\n  {name = "a", pattern = "omni"},\n  {name = "b", pattern = "cardiod"},\n]\n'
    expected = "scene.toml:3: capsule 2 'b': pattern: found 'cardiod'; did you mean 'cardioid'?"
    assert complaint(text, ArrayTable) == expected


def test_tables_written_one_by_one_are_counted() -> None:
    text = '[[capsules]]\nname = "a"\ngain = 1\n\n[[capsules]]\nname = "b"\ngain = 99\n'
    assert complaint(text, ArrayTable) == "scene.toml:7: capsule 2 'b': gain: found 99; allowed: 60 and below"


def test_an_unknown_key_is_told_before_the_one_it_should_have_been() -> None:
    text = "[[capsules]]\nnmae = 'a'\n"
    expected = "scene.toml:2: capsule 1: nmae: unknown key; did you mean 'name'?; and 1 more"
    assert complaint(text, ArrayTable) == expected


@given(st.integers(0, 60), st.integers(0, 60))
def test_the_line_is_right_wherever_the_key_stands(before: int, after: int) -> None:
    """Comments that mention the key don't mislead."""
    text = "# humidity\n" * before + "humidity = 999\n" + "# humidity = 1\n" * after
    assert complaint(text).startswith(f"scene.toml:{before + 1}: humidity")


def test_files_that_are_no_toml_are_told_apart(tmp_path: Path) -> None:
    (tmp_path / "scene.toml").write_bytes("title = 'Fähre'".encode("latin-1"))
    (tmp_path / "marked.toml").write_bytes(b"\xef\xbb\xbftitle = 'a'\r\nseed = 1\r\n")
    with pytest.raises(InputError, match=r"scnee\.toml: no such file; did you mean 'scene\.toml'\?$"):
        read_toml(tmp_path / "scnee.toml")
    with pytest.raises(InputError, match=r"qqqqqq: no such file$"):
        read_toml(tmp_path / "qqqqqq")
    with pytest.raises(InputError, match=r"is a folder; give the scene file in it$"):
        read_toml(tmp_path)
    with pytest.raises(InputError, match=r"byte 11 is not UTF-8; save the file as UTF-8 text$"):
        read_toml(tmp_path / "scene.toml")
    with pytest.raises(InputError, match=r"can't be read"):
        read_toml(Path("a\0b"))
    assert read_toml(tmp_path / "marked.toml").data == {"title": "a", "seed": 1}
