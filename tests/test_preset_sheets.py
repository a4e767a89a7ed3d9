"""What `presets` shows of one: drawings to scale, and numbers that are those of the engine."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
import scipy.optimize
from hypothesis import given
from hypothesis import strategies as st

from render.preset_sheet import Grid, Sheet, over_plan, preset_sheet, seated_alone
from render.preset_text import list_lines, sheet_lines
from render.text_plan import ASPECT, array_elevation, array_plan, hall_plan, letter, seating_plan
from rooms import catalogue
from rooms.decay import expected_T30
from rooms.geometry import Box
from rooms.localisation import ensemble_image
from rooms.microphones import Array, Capsule
from rooms.theory import sabine_s
from rooms.units import unit_vector
from tests.small_scenes import run
from tests.stated_T30 import T30

EVERY = [(kind, name) for kind in catalogue.KINDS for name in catalogue.names(kind)]


def step(drawing: list[str]) -> float:
    """Return what a column stands for, as the drawing says, in m."""
    (found,) = (
        re.search(r"one column is ([0-9.]+) m, one line ([0-9.]+) m", line) for line in drawing if "col" in line
    )
    assert found is not None
    assert float(found[2]) == pytest.approx(ASPECT * float(found[1]))
    return float(found[1])


def cells(drawing: list[str], mark: str) -> list[tuple[int, int]]:
    """Return column and row of each place where a mark stands."""
    rows = drawing[: next(i for i, line in enumerate(drawing) if "one column" in line)]
    return [(c, r) for r, line in enumerate(rows) for c, found in enumerate(line) if found == mark]


def grid(sheet: Sheet, title: str) -> Grid:
    return next(grid for grid in sheet.grids if grid.title.startswith(title))


@given(st.floats(3.0, 80.0), st.floats(3.0, 80.0), st.floats(0.1, 0.9), st.floats(0.1, 0.9))
def test_a_hall_s_plan_is_to_scale_and_no_wider_than_a_terminal(
    width: float, depth: float, across: float, along: float
) -> None:
    """Walls and conductor, each within the half cell that rounding takes."""
    drawing = hall_plan(Box((width, depth, 10.0), (across * width, along * depth)), [], None)
    assert max(len(line) for line in drawing) <= 78
    assert len(drawing) <= 38
    metre = 1.0 / step(drawing)
    ((left, top), (right, bottom)) = cells(drawing, "┌")[0], cells(drawing, "┘")[0]
    assert right - left == pytest.approx(width * metre, abs=0.51)
    assert ASPECT * (bottom - top) == pytest.approx(depth * metre, abs=0.51 * ASPECT)
    if 1.5 < across * width * metre < width * metre - 1.5 and 3 < along * depth * metre < depth * metre - 3:
        ((column, row),) = cells(drawing, "+")
        assert column - left == pytest.approx(across * width * metre, abs=0.51)
        assert ASPECT * (row - top) == pytest.approx(along * depth * metre, abs=0.51 * ASPECT)


@pytest.mark.parametrize("name", catalogue.names("halls"))
def test_a_hall_s_plan_shows_what_lies_on_its_floor(name: str) -> None:
    """As wide and as deep as it is, within the cell that rounding takes at both ends; the stage is drawn over it."""
    hall = catalogue.hall(name)
    drawing = hall_plan(hall.box, hall.patches, None)
    metre = 1.0 / step(drawing)
    key = "\n".join(drawing[next(i for i, line in enumerate(drawing) if "one column" in line) :])
    corners: dict[str, list[tuple[float, float]]] = {}
    for patch in hall.patches:
        if patch.surface == "floor":
            corners.setdefault(patch.material.name, []).extend((patch.low, patch.high))
    for material, points in corners.items():
        found = np.array(cells(drawing, key[key.index(f" {material}") - 1]))
        width, depth = np.ptp(points, axis=0) * metre
        assert np.ptp(found, axis=0) == pytest.approx([width, depth / ASPECT], abs=2.0)
    staged = hall_plan(hall.box, hall.patches, ((-3.0, 0.0), (3.0, 4.0)))
    assert cells(staged, "╌")
    assert "╌ stage" in "".join(staged)


@pytest.mark.parametrize("name", catalogue.names("seating"))
def test_every_player_of_a_plan_is_drawn_where_they_sit(name: str) -> None:
    sections = seated_alone(name).sections
    drawing = seating_plan(sections)
    assert max(len(line) for line in drawing) <= 78
    size = step(drawing)
    ((column, row),) = cells(drawing, "+")
    for index, section in enumerate(sections):
        found = np.array(cells(drawing, letter(index))) - [column, row]
        places = np.array([p.position[:2] for p in section.players]) / [size, -ASPECT * size]
        gaps = np.abs(found[:, None, :] - places[None, :, :]).max(axis=2)
        assert len(found) == len(places)  # no two in one cell
        assert gaps.min(axis=0).max() <= 1.0  # half a cell for the player, half for the conductor
        assert gaps.min(axis=1).max() <= 1.0


def capsule(name: str, at: tuple[float, float, float], azimuth: float = 0.0, pattern: str = "cardioid") -> Capsule:
    return Capsule(name, at, (azimuth, 0.0), pattern)


def test_an_array_is_drawn_from_above_with_its_aims() -> None:
    """2 m apart; left to the left and up, right to the right, one omni without an aim."""
    array = Array(
        "main",
        "main",
        (
            capsule("left", (-1.0, 0.0, 3.0), -45.0),
            capsule("right", (1.0, 0.0, 3.0), 90.0),
            capsule("omni", (0.0, 1.0, 3.0), pattern="omni"),
        ),
    )
    drawing = array_plan(array)
    size = step(drawing)
    ((left, low),), ((right, same),), ((centre, high),) = (cells(drawing, mark) for mark in "ABC")
    assert low == same
    assert (right - left) * size == pytest.approx(2.0, abs=size)
    assert (low - high) * ASPECT * size == pytest.approx(1.0, abs=ASPECT * size)
    assert left < centre < right
    assert cells(drawing, "↖") == [(left - 1, low - 1)]
    assert cells(drawing, "→") == [(right + 2, low)]
    assert sum(len(cells(drawing, arrow)) for arrow in "↑↗→↘↓↙←↖") == 2


def test_coincident_capsules_stand_side_by_side() -> None:
    array = Array("main", "main", (capsule("left", (0.0, 0.0, 3.0), -45.0), capsule("right", (0.0, 0.0, 3.0), 45.0)))
    assert array_plan(array)[:2] == ["↖  ↗", " AB"]


def test_an_array_is_drawn_from_the_side_over_the_stage_with_its_heights() -> None:
    """4 m high and 2 m behind the conductor: the audience is to the left."""
    array = Array("main", "main", (capsule("a", (0.0, -2.0, 4.0)), capsule("b", (0.0, -1.0, 3.0), pattern="omni")))
    drawing = array_elevation(array)
    size = step(drawing)
    ((column, row),), ((other, lower),), ((conductor, floor),) = (cells(drawing, mark) for mark in "AB+")
    assert (floor - row) * ASPECT * size == pytest.approx(4.0, abs=ASPECT * size)
    assert (conductor - column) * size == pytest.approx(2.0, abs=size)
    assert column < other
    assert drawing[row].startswith(" 4.00 m ")
    assert drawing[lower].startswith(" 3.00 m ")
    assert cells(drawing, "→") == [(column + 2, row)]


def test_a_pair_tells_where_it_puts_the_sections_of_the_usual_plan_and_others_don_t() -> None:
    sheet, scene = preset_sheet("arrays", "nos"), over_plan("nos")
    image = ensemble_image(scene.arrays[0], scene.sections, scene.hall.speed_of_sound)
    rows = [[row[0], *(float(cell.replace("−", "-")) for cell in row[1:])] for row in grid(sheet, "their image").rows]
    expected = [[part.section, *map(round, (part.left, part.azimuth, part.right))] for part in image.sections]
    assert rows == expected
    assert dict(sheet.facts)["recording angle"] == "81°"
    assert all(not grid.title.startswith("their image") for grid in preset_sheet("arrays", "tree").grids)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("nos", "0.9 × the ensemble's half width towards the audience, 3 m above the stage"),
        ("tree", "0.5 m towards the audience, 3.2 m above the stage"),
        ("ambience-near", "1 × the hall's critical distance towards the audience, at 50% of the hall's height"),
        ("ambience-pair", "60% of the way to the house wall, at 60% of the hall's height"),
    ],
)
def test_an_array_says_where_it_hangs(name: str, words: str) -> None:
    assert dict(preset_sheet("arrays", name).facts)["hangs"] == words


@pytest.mark.parametrize("name", catalogue.names("arrays"))
def test_every_capsule_of_an_array_is_drawn(name: str) -> None:
    array = over_plan(name).arrays[0]
    for drawing in (array_plan(array), array_elevation(array)):
        assert max(len(line) for line in drawing) <= 78
        for index in range(len(array.capsules)):
            assert letter(index) in "".join(drawing)


@pytest.mark.parametrize("name", catalogue.names("halls"))
def test_a_hall_s_sheet_tells_what_the_engine_computes(name: str) -> None:
    """T30 within 5 %, what can just be heard (ISO 3382-1, table A.1); areas add up to the surface."""
    hall = catalogue.hall(name)
    sheet = preset_sheet("hall", name)
    facts = dict(sheet.facts)
    assert facts["volume"] == f"{hall.box.volume:.0f} m³"
    assert facts["surface"] == f"{hall.box.areas.sum():.0f} m²"
    surfaces = grid(sheet, "surfaces")
    areas = [float(row[-1]) for row in surfaces.rows if row[0] != "  empty house"]
    assert len(areas) == 6 + len(hall.patches)
    assert sum(areas) == pytest.approx(hall.box.areas.sum(), abs=len(areas) / 2)
    for row, state in zip(grid(sheet, "reverberation time").rows, ("occupied", "empty"), strict=False):
        np.testing.assert_allclose([float(cell) for cell in row[1:]], T30(name, state), rtol=0.05)


def test_a_hall_with_a_surface_of_one_s_own_tells_its_own_reverberation_time(tmp_path: Path) -> None:
    (tmp_path / "presets" / "materials").mkdir(parents=True)
    text = f"preset = 'relief-ceiling-with-absorbers'\nabsorption = {[0.9] * 9}\n"
    (tmp_path / "presets" / "materials" / "relief-ceiling-with-absorbers.toml").write_text(text, encoding="utf-8")
    own = catalogue.own_presets(tmp_path)
    (row,) = grid(preset_sheet("hall", "scoring-stage", own), "reverberation time").rows
    times = expected_T30(catalogue.hall("scoring-stage", own))
    np.testing.assert_allclose([float(cell) for cell in row[1:]], times, atol=0.0051)  # printed to 0.01 s
    assert times[4] < 0.8 * expected_T30(catalogue.hall("scoring-stage"))[4]


def test_a_sheet_tells_the_power_of_players_and_sections() -> None:
    """Powers add (ISO 23591:2021, annex, as Rindel, DAGA 2022, quotes it): twice the players are 3 dB more."""
    assert ("power at forte", "102 dB re 1 pW, one player") in preset_sheet("instruments", "horn").facts
    assert ("power at forte", "no published value") in preset_sheet("instruments", "harp").facts
    powers = {
        row[0]: row[1:] for row in grid(preset_sheet("seating", "symphony-orchestra"), "typical sound power").rows
    }
    assert powers["horns"] == ("102", "108")  # four
    assert powers["oboes"] == ("93", "96")  # two
    assert powers["tuba"] == ("104", "104")
    assert "harps" not in powers


@pytest.mark.parametrize("name", catalogue.names("instruments"))
def test_an_instrument_s_sheet_tells_levels_whose_mean_over_the_sphere_is_0_db(name: str) -> None:
    """The beam that with what leaves all round has that mean is found here, by integration; printed to 0.1 dB."""
    instrument = catalogue.instrument(name)
    cosine, weight = np.polynomial.legendre.leggauss(200)
    share = instrument.omnidirectional_share
    rows = preset_sheet("instruments", name).grids[0].rows
    told = np.array([[float(cell.replace("−", "-")) for cell in row[1:]] for row in rows])
    for band, index in enumerate(instrument.directivity_index):
        beam = 10.0 ** (index / 10.0) - share

        def excess(kappa: float, beam: float = beam) -> float:
            return float(0.5 * weight @ (beam * np.exp(kappa * (cosine - 1.0)) + share) - 1.0)

        kappa = scipy.optimize.brentq(excess, 0.0, 500.0, xtol=1e-12) if index > 0.0 else 0.0
        levels = 10.0 * np.log10(beam * np.exp(kappa * np.array([0.0, -1.0, -2.0])) + share)
        np.testing.assert_allclose(told[:, band], levels, rtol=1e-6, atol=0.051)


@pytest.mark.parametrize("name", ["scoring-stage", "stone-church"])
def test_a_hall_s_critical_distance_is_that_of_its_volume_and_sabine_s_time(name: str) -> None:
    """0.057·√(V/T): Kuttruff, Room Acoustics, 6th ed. (from memory), to 1 % by its rounded factor; printed to 0.1 m."""
    hall = catalogue.hall(name)
    told = float(dict(preset_sheet("halls", name).facts)["critical distance"].split()[0])
    times = sabine_s(hall.box.volume, hall.absorption_area, hall.air, hall.speed_of_sound)[3:5]
    assert told == pytest.approx(np.mean(0.057 * np.sqrt(hall.box.volume / times)), rel=0.01, abs=0.05)


def test_a_plan_s_sheet_counts_its_players() -> None:
    sheet = preset_sheet("seating", "violins-together")
    rows = grid(sheet, "sections").rows
    assert [(row[1], row[3]) for row in rows[:2]] == [("violins-1", "14"), ("violins-2", "12")]
    assert dict(sheet.facts)["players"] == str(sum(int(row[3]) for row in rows))
    sizes = grid(sheet, "players by size")
    column = sizes.columns.index("large")
    for section, players in (("violins-1", 14), ("basses", 6)):
        (row,) = (row for row in sizes.rows if row[0] == section)
        assert row[column] == str(players)


@pytest.mark.parametrize(("kind", "name"), EVERY)
def test_every_preset_has_a_sheet_that_a_terminal_of_80_shows(kind: str, name: str) -> None:
    lines = list(sheet_lines(kind, name, catalogue.BUNDLED))
    assert max(len(line) for line in lines) <= 80
    assert not any(line != line.rstrip() for line in lines)
    text = " ".join(" ".join(lines).split())
    table = catalogue.load(kind, name)
    for part in (table.description, table.source, table.note):
        assert "".join(part.split()) in "".join(text.split())  # long words are broken


def test_presets_lists_one_s_own_among_the_others_and_says_what_is_wrong(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    halls = tmp_path / "presets" / "halls"
    halls.mkdir(parents=True)
    (halls / "barn.toml").write_text("description = 'Barn'\npreset = 'chamber-studio'\n", encoding="utf-8")
    (halls / "shed.toml").write_text("sise = [1, 2, 3]\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    done = run("presets", "halls")
    assert done.exit_code == 2
    assert re.search(r"^  barn +own: Barn$", done.stdout, re.MULTILINE)
    assert "  stone-church " in done.stdout
    assert "shed" not in done.stdout
    assert done.stderr == "sitzprobe: presets/halls/shed.toml:1: sise: unknown key; did you mean 'size'?\n"
    assert '"barn": "Barn"' in run("presets", "halls", "--json").stdout
    shown = run("presets", "hall", "barn")
    assert shown.exit_code == 0
    assert re.match(r"barn: Barn\n\n  starts from +chamber-studio\n", shown.stdout)
    assert "Invented" not in shown.stdout  # source and note of another hall
    assert '"preset": "chamber-studio"' in run("presets", "hall", "barn", "--json").stdout


def test_a_list_is_as_wide_as_the_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    for columns in (50, 200):
        monkeypatch.setenv("COLUMNS", str(columns))
        lines = list(list_lines("seating", catalogue.readable("seating"), ()))
        assert max(len(line) for line in lines) <= columns
        assert len(lines) > 20 if columns == 50 else len(lines) == 1 + len(catalogue.names("seating"))


def test_drawn_directions_are_those_of_the_aim() -> None:
    """All eight, clockwise from upstage."""
    for azimuth, arrow in zip(range(0, 360, 45), "↑↗→↘↓↙←↖", strict=True):
        array = Array("main", "main", (capsule("a", (0.0, 5.0, 3.0), float(azimuth)),))
        drawing = array_plan(array)
        ((column, row),), ((tip, end),) = cells(drawing, "A"), cells(drawing, arrow)
        right, up = unit_vector(float(azimuth), 0.0)[:2]
        assert np.sign(tip - column) == np.sign(round(right, 9))
        assert np.sign(row - end) == np.sign(round(up, 9))
