"""The catalogue's page and pictures are those of the presets."""

from __future__ import annotations

import io

import numpy as np
import pytest
from matplotlib.collections import PolyCollection
from matplotlib.patches import Rectangle
from PIL import Image

from render.catalogue_page import catalogue_page, picture_paths
from render.preset_pictures import PICTURED, draw_preset, preset_digest
from render.preset_sheet import over_plan, seated_alone
from render.text_plan import seating_plan
from rooms import catalogue

WRITE = "python -m render.catalogue_page writes them"
PATHS = picture_paths()


def test_the_page_is_up_to_date() -> None:
    assert (catalogue.folder() / "CATALOGUE.md").read_text(encoding="utf-8") == catalogue_page(), WRITE


def test_every_picture_that_the_page_shows_exists_and_none_is_left_over() -> None:
    page = (catalogue.folder() / "CATALOGUE.md").read_text(encoding="utf-8")
    there = {f"pictures/{path.name}" for path in (catalogue.folder() / "pictures").iterdir()}
    assert there == {"pictures/halls.png", *PATHS}, WRITE
    assert all(f"]({path})" in page for path in there)
    assert {kind for kind, _ in PATHS.values()} == set(PICTURED) == {"halls", "seating", "arrays"}


@pytest.mark.parametrize("path", PATHS)
def test_a_picture_is_of_its_preset_as_it_is_now(path: str) -> None:
    """It holds a digest of the file it was drawn from."""
    with Image.open(catalogue.folder() / path) as picture:
        assert picture.text["preset"] == preset_digest(*PATHS[path]), WRITE
        assert 500 <= picture.width <= 1400
        assert 250 <= picture.height <= 1000


def test_a_key_that_a_file_leaves_out_makes_no_picture_old(monkeypatch: pytest.MonkeyPatch) -> None:
    """What it says, as given, is all that counts; a key given counts."""
    digest = preset_digest("seating", "chamber-arc")
    plan = catalogue.load("seating", "chamber-arc")
    fuller = plan.model_copy(update={"conducted": False})
    bare = plan.model_copy()
    object.__setattr__(bare, "conducted", False)  # as another default would have it
    for changed, same in ((bare, True), (fuller, False)):
        monkeypatch.setattr(catalogue, "load", lambda *_, table=changed: table)
        assert (preset_digest("seating", "chamber-arc") == digest) == same


def test_a_conductor_stands_where_there_is_one() -> None:
    """A quartet's picture and its plan in a terminal have none."""
    for name, conducted in (("string-quartet", False), ("quintet", False), ("chamber-arc", True)):
        axes = PICTURED["seating"](name).axes[0]
        podium = [p for p in axes.patches if isinstance(p, Rectangle) and p.get_xy() == (-0.5, -0.5)]
        assert len(podium) == conducted
        assert ("conductor" in [text.get_text() for text in axes.texts]) == conducted
        told = "\n".join(seating_plan(seated_alone(name).sections, seated_alone(name).conducted))
        assert ("conductor" in told) == conducted


def test_the_picture_of_all_halls_is_of_the_halls_there_are() -> None:
    with Image.open(catalogue.folder() / "pictures" / "halls.png") as picture:
        digests = [preset_digest("halls", name) for name in catalogue.names("halls")]
        assert picture.text["preset"].split() == digests, WRITE


def test_pictures_take_less_than_3_megabytes() -> None:
    assert sum(path.stat().st_size for path in (catalogue.folder() / "pictures").iterdir()) < 3_000_000


@pytest.mark.parametrize("kind", PICTURED)
def test_the_same_preset_gives_the_same_bytes(kind: str) -> None:
    name = catalogue.names(kind)[0]
    once = draw_preset(kind, name)
    assert draw_preset(kind, name) == once
    with Image.open(io.BytesIO(once)) as picture:
        assert picture.format == "PNG"
        assert len(set(np.asarray(picture.convert("L")).ravel().tolist())) > 10  # something is drawn


def test_a_hall_is_drawn_to_scale_with_what_lies_on_its_floor() -> None:
    hall = catalogue.hall("stone-church")
    axes = PICTURED["halls"]("stone-church").axes[0]
    boxes = [(p.get_xy(), (p.get_width(), p.get_height())) for p in axes.patches if isinstance(p, Rectangle)]
    assert axes.get_aspect() == 1.0
    assert boxes[0] == (tuple(hall.box.lower[:2]), hall.box.size[:2])
    for patch in hall.patches:
        size = tuple(np.subtract(patch.high, patch.low).tolist())
        assert (patch.surface != "floor") or (patch.low, size) in boxes


def test_a_plan_is_drawn_with_a_chair_for_every_player() -> None:
    axes = PICTURED["seating"]("chamber-arc").axes[0]
    chairs = [path for c in axes.collections if isinstance(c, PolyCollection) for path in c.get_paths()]
    assert len(chairs) == sum(len(section.players) for section in seated_alone("chamber-arc").sections)


@pytest.mark.parametrize("name", ["ortf", "outriggers", "ambience-pair"])
def test_an_array_is_drawn_with_a_mark_for_every_capsule(name: str) -> None:
    """Small ones by themselves, wide ones among the players, far ones in the hall."""
    figure = PICTURED["arrays"](name)
    array = over_plan(name).arrays[0]
    for axes, plane in zip(figure.axes, ([0, 1], [1, 2]), strict=True):
        marks = np.concatenate([line.get_xydata() for line in axes.lines if line.get_marker() in "oDs"])
        for position in array.positions[:, plane]:
            assert np.abs(marks - position).sum(axis=1).min() < 1e-9
