"""Patches: rectangles of another material on a surface, met where a path really meets them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from render.scene_file import read_scene
from rooms.decay import expected_T30
from rooms.echogram import grid_size, omni
from rooms.errors import InputError
from rooms.geometry import SURFACES, Box
from rooms.images import early_reflections
from rooms.paths import cells_within, mirror, path_hits, surface_hits
from rooms.scattering import scattered_energy
from rooms.specular import image_energy
from rooms.surfaces import Hall, Material, Patch
from rooms.theory import sabine_s

HARD = Material("hard", (0.1,) * 9, (0.2,) * 9)
SOFT = Material("soft", (0.7,) * 9, (0.5,) * 9)
BOX = Box((12.0, 20.0, 8.0), (6.0, 8.0))
LOW, HIGH = BOX.lower, BOX.upper
FLOOR = Patch("floor", (LOW[0], LOW[1]), (HIGH[0], HIGH[1]), SOFT)
SOME = (
    Patch("floor", (-4.0, -10.0), (4.0, -2.0), SOFT),
    Patch("left-wall", (-6.0, 1.0), (2.0, 5.0), SOFT),
    Patch("stage-wall", (-3.0, 0.0), (3.0, 4.0), SOFT),
)


def test_a_patch_over_a_whole_surface_is_that_surface() -> None:
    """Levels of paths, energies and reverberation time are those of a floor of the patch's material."""
    whole = Hall("whole", BOX, (*(HARD,) * 4, SOFT, HARD))
    patched = Hall("patched", BOX, (HARD,) * 6, patches=(FLOOR,))
    source, receiver = np.array([-2.0, 3.0, 1.2]), np.array([1.0, -6.0, 2.0])
    np.testing.assert_allclose(
        early_reflections(patched, source, receiver, 0.15).level_db,
        early_reflections(whole, source, receiver, 0.15).level_db,
        rtol=1e-12,
    )
    party, grid = [([omni(source)], [omni(receiver)])], grid_size(1.0)
    for one, other in (
        (image_energy(patched, *party[0], 0.2, grid), image_energy(whole, *party[0], 0.2, grid)),
        (scattered_energy(patched, party, grid)[0], scattered_energy(whole, party, grid)[0]),
    ):
        np.testing.assert_allclose(one, other, rtol=1e-6, atol=1e-12)
    np.testing.assert_allclose(expected_T30(patched), expected_T30(whole), rtol=1e-6)


@settings(max_examples=30)
@given(
    cell=st.tuples(*[st.integers(-4, 4)] * 3),
    source=st.tuples(*[st.floats(0.05, 0.95)] * 3),
    ear=st.tuples(*[st.floats(0.05, 0.95)] * 3),
)
def test_a_path_meets_the_materials_a_traced_ray_meets(
    cell: tuple[int, int, int], source: tuple[float, ...], ear: tuple[float, ...]
) -> None:
    """Following the ray from the ear wall by wall, without images, gives the same materials as unfolding."""
    hall = Hall("some", BOX, (HARD,) * 6, patches=SOME)
    size = np.array(BOX.size)
    start, target = np.array(ear) * size, np.array(source) * size
    image = mirror(np.array([cell]), target[None], size)[0]
    found = path_hits(hall, np.array([cell]), image, start)[0]

    expected = np.zeros(6 + len(SOME))
    point, way = start.copy(), image[0] - start
    for _ in range(sum(abs(n) for n in cell)):
        with np.errstate(divide="ignore", invalid="ignore"):
            time = np.where(way > 0, (size - point) / way, np.where(way < 0, -point / way, np.inf))
        axis = int(np.argmin(time))
        point = point + way * time[axis]
        wall = 2 * axis + int(way[axis] > 0)
        place = point + LOW
        across = [a for a in range(3) if a != axis]
        row = next(
            (
                6 + n
                for n, patch in enumerate(SOME)
                if SURFACES.index(patch.surface) == wall
                and all(lo <= place[a] <= hi for a, lo, hi in zip(across, patch.low, patch.high, strict=True))
            ),
            wall,
        )
        expected[row] += 1
        point[axis] = size[axis] if way[axis] > 0 else 0.0
        way[axis] = -way[axis]
    np.testing.assert_array_equal(found, expected)


def test_surfaces_count_a_patch_as_theirs() -> None:
    """Hits of surfaces, which label reflections, are the sums of their materials' hits."""
    hall = Hall("some", BOX, (HARD,) * 6, patches=SOME)
    size = np.array(BOX.size)
    cells = cells_within(size, 40.0)
    source, ear = np.array([4.0, 11.0, 1.2]), np.array([7.0, 3.0, 2.5])
    met = path_hits(hall, cells, mirror(cells, source[None], size)[:, 0], ear)
    summed = np.zeros((len(cells), 6))
    np.add.at(summed.T, hall.walls, met.T)
    np.testing.assert_array_equal(summed, surface_hits(cells))
    assert met[:, 6:].sum() > 0


def test_absorption_area_is_the_sum_over_materials() -> None:
    """What a patch covers, its surface has no more (Sabine 1900: A = Σ α·S)."""
    hall = Hall("some", BOX, (HARD,) * 6, patches=SOME)
    covered = 64.0 + 32.0 + 24.0
    expected = 0.1 * (BOX.areas.sum() - covered) + 0.7 * covered
    np.testing.assert_allclose(hall.absorption_area, expected, rtol=1e-12)
    assert hall.areas.sum() == pytest.approx(BOX.areas.sum())


def test_a_well_mixed_hall_rings_by_its_absorption_area_wherever_the_patch_is() -> None:
    """With full scattering and little absorption Sabine's formula holds with patches (Kuttruff 2016, 5.1), 5 %."""
    wall, patch = Material("wall", (0.05,) * 9, (1.0,) * 9), Material("patch", (0.2,) * 9, (1.0,) * 9)
    hall = Hall("mixed", BOX, (wall,) * 6, patches=(Patch("floor", (-6.0, -12.0), (6.0, -2.0), patch),))
    predicted = sabine_s(BOX.volume, hall.absorption_area, hall.air, hall.speed_of_sound)
    np.testing.assert_allclose(expected_T30(hall), predicted, rtol=0.05)


@pytest.mark.parametrize(
    ("patch", "message"),
    [
        ('{surface = "flor", x = [0, 1], y = [0, 1], material = "carpet-thin"}', "did you mean 'floor'"),
        ('{surface = "floor", x = [0, 1], z = [0, 1], material = "carpet-thin"}', "key 'z' doesn't go with the floor"),
        ('{surface = "floor", x = [0, 1], material = "carpet-thin"}', "key 'y' is missing"),
        ('{surface = "floor", x = [1, 0], y = [0, 1], material = "carpet-thin"}', "wrong way round"),
        ('{surface = "floor", x = [0, 90], y = [0, 1], material = "carpet-thin"}', "reaches beyond it"),
        ('{surface = "floor", x = [0, 1], y = [0, 1], material = "carpet-thim"}', "did you mean 'carpet-thin'"),
        (
            '{surface = "floor", x = [0, 2], y = [0, 2], material = "carpet-thin"}, '
            '{surface = "floor", x = [1, 3], y = [1, 3], material = "carpet-thin"}',
            "lies on another",
        ),
    ],
)
def test_a_bad_patch_is_named_with_its_line(patch: str, message: str, tmp_path: Path) -> None:
    """Every mistake gives one line with file and line number."""
    scene = tmp_path / "scene.toml"
    scene.write_text(
        f'[hall]\npreset = "scoring-stage"\npatches = [{patch}]\n[seating]\nplan = "chamber-arc"\n'
        '[arrays.main]\npreset = "tree"\n',
        encoding="utf-8",
    )
    with pytest.raises(InputError, match=message) as caught:
        read_scene(scene)
    assert str(caught.value).startswith(f"{scene}:")
    assert "\n" not in str(caught.value)


def test_a_scene_lays_patches_on_a_preset_hall(tmp_path: Path) -> None:
    """The hall of the scene has them where it says."""
    scene = tmp_path / "scene.toml"
    scene.write_text(
        '[hall]\npreset = "scoring-stage"\n[[hall.patches]]\nsurface = "left-wall"\ny = [-10, 5]\nz = [0, 5.5]\n'
        'material = "curtain-velvet-draped"\n[seating]\nplan = "chamber-arc"\n[arrays.main]\npreset = "tree"\n',
        encoding="utf-8",
    )
    (patch,) = read_scene(scene).hall.patches
    assert (patch.surface, patch.low, patch.high) == ("left-wall", (-10.0, 0.0), (5.0, 5.5))
    assert patch.material.name == "curtain-velvet-draped"
