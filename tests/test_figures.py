"""Pictures show the numbers they were given, to scale, alike every time."""

import dataclasses
import subprocess
import sys

import matplotlib as mpl
import numpy as np
import pytest
import scipy.optimize
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.quiver import Quiver
from numpy.testing import assert_allclose
from PIL import Image

from render.figures import (
    _spread,
    draw_early_reflections,
    draw_energy_decay,
    draw_reverberation_time,
    save_figures,
)
from render.report import Timing, build_report
from render.report_page import FIGURES
from render.stage_plan import POLAR, draw_elevation, draw_hall_plan, draw_stage_plan
from rooms.geometry import Box
from rooms.images import Reflections, early_reflections
from rooms.microphones import Array, Capsule
from rooms.players import Instrument, Player, Section
from rooms.responses import Responses
from rooms.scene import Scene
from rooms.surfaces import Hall, Material
from rooms.units import BAND_NAMES, BANDS

BIN_S = 0.002
T = 1.6


@pytest.fixture(scope="module")
def scene():
    """Five players at three desks, a lone player, a tree, a cardioid spot and an ambience far off."""
    surface = Material("panel", (0.1,) * 9, (0.1,) * 9)
    hall = Hall("small", Box((16.0, 24.0, 9.0), (8.0, 8.0)), (surface,) * 6)
    violins = tuple(Player((-3.0 - 0.6 * (k % 2), 1.0 + 1.2 * (k // 2), 1.15), 110.0) for k in range(5))
    sections = (
        Section("violins-1", Instrument("violin", height=1.15), violins),
        Section("cellos", Instrument("cello", height=0.65), (Player((2.5, 2.0, 1.05), -130.0),)),
    )
    tree = tuple(Capsule(n, (x, y, 3.2)) for n, x, y in (("left", -1, -0.5), ("centre", 0, 0.5), ("right", 1, -0.5)))
    arrays = (
        Array("main", "main", tree),
        Array("spot", "spot", (Capsule("cellos", (2.0, 1.4, 2.2), (45.0, -30.0), "cardioid", section="cellos"),)),
        Array("ambience", "ambience", (Capsule("left", (-2, -11, 6)), Capsule("right", (2, -11, 6)))),
    )
    return Scene(hall, sections, arrays, 48000)


@pytest.fixture(scope="module")
def responses(scene):
    """Exponential decays of one reverberation time everywhere."""
    pairs = (len(scene.sections), len(scene.capsules))
    decay = np.exp(-6.0 * np.log(10.0) * BIN_S * np.arange(2000) / T)
    energy = np.tile(decay * BIN_S, (*pairs, 9, 1))
    zeros = np.zeros(pairs)
    silence = np.zeros((*pairs, 4), np.float32)
    return Responses(scene, silence, silence, silence, zeros, zeros, energy, energy, zeros, BIN_S, 0.06, np.full(9, T))


def reported(responses, asked=None):
    return build_report(
        title="Harbour",
        responses=responses,
        asked_T30=asked,
        files=[],
        timing=Timing(1, 1, 1, 1),
        warnings=[],
        mix_gain_db=0.0,
        mix_offset_s=0.0,
        arrays=(),
        version="1",
    )


@pytest.fixture(scope="module")
def reflections(scene):
    return {
        s.name: early_reflections(scene.hall, s.centre, scene.arrays[0].capsules[1].position, 0.09)
        for s in scene.sections
    }


def new_axes(width: float = 8.0, height: float = 6.0):
    figure = Figure(figsize=(width, height), dpi=100)
    FigureCanvasAgg(figure)
    return figure.add_axes((0.1, 0.1, 0.8, 0.6))


def lines_of(axes, label):
    return next(line for line in axes.lines if line.get_label() == label)


def test_all_pictures_are_written_and_known_to_the_page(tmp_path, responses, reflections):
    """Four PNG files at 150 dpi, wide enough to print across a page, under the names the page has texts for."""
    paths = save_figures(reported(responses), responses, reflections, tmp_path)
    assert [path.name for path in paths] == list(FIGURES)
    assert sorted(tmp_path.iterdir()) == sorted(paths)
    for path in paths:
        with Image.open(path) as image:
            assert image.format == "PNG"
            assert image.width == 1575
            assert_allclose(image.info["dpi"], 150, rtol=1e-3)  # PNG counts whole pixels a metre


def test_the_same_results_give_the_same_bytes(tmp_path, responses, reflections):
    """Also for a user whose own drawing settings differ; and those come back untouched."""
    first = [p.read_bytes() for p in save_figures(reported(responses), responses, reflections, tmp_path)]
    with mpl.rc_context({"font.size": 17, "lines.linewidth": 5, "savefig.dpi": 40}):
        again = [p.read_bytes() for p in save_figures(reported(responses), responses, reflections, tmp_path)]
        assert mpl.rcParams["font.size"] == 17
    assert first == again


def test_drawing_opens_no_window():
    """The interactive layer is never imported."""
    code = "import sys, render.figures; sys.exit('matplotlib.pyplot' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_every_chair_stands_where_its_player_sits(scene):
    """One chair a player, 45 cm square around and turned with the player; back rest behind, stand ahead."""
    axes = draw_stage_plan(new_axes(), scene)
    chairs = [c for c in axes.collections if type(c).__name__ == "PolyCollection"]
    rows = [c for c in axes.collections if type(c).__name__ == "LineCollection"]
    backs, stands = rows[0::2], rows[1::2]
    for section, seats, rests, desks in zip(scene.sections, chairs, backs, stands, strict=True):
        for path, player, aim in zip(seats.get_paths(), section.positions[:, :2], section.aims[:, :2], strict=True):
            for direction in (aim, [aim[1], -aim[0]]):  # ahead, to the player's right
                reach = (path.vertices[:6] - player) @ direction
                assert_allclose([reach.min(), reach.max()], [-0.225, 0.225], rtol=1e-9)
        behind = np.array([np.mean(s, axis=0) for s in rests.get_segments()]) - section.positions[:, :2]
        assert np.all(np.sum(behind * section.aims[:, :2], axis=1) < -0.2)
        assert len(desks.get_segments()) == (len(section.players) + 1) // 2
        for k, stand in enumerate(desks.get_segments()):
            pair = section.positions[2 * k : 2 * k + 2, :2]
            ahead = np.mean(stand, axis=0) - pair.mean(axis=0)
            assert_allclose(ahead, 0.75 * section.aims[2 * k, :2], atol=1e-9)
            assert_allclose(np.linalg.norm(stand[1] - stand[0]), 0.5)  # half a metre wide


@pytest.mark.parametrize(("stand", "stands", "chairs"), [("shared", 3, 5), ("own", 5, 5), ("none", 0, 0)])
def test_two_share_a_stand_or_each_has_one_or_they_stand_up_without(scene, stand, stands, chairs):
    """Five violins; who has no stand has no chair, and so no back rest."""
    violins = dataclasses.replace(scene.sections[0], stand=stand)
    axes = draw_stage_plan(new_axes(), dataclasses.replace(scene, sections=(violins,)))
    lines = [
        segments for c in axes.collections if type(c).__name__ == "LineCollection" for segments in c.get_segments()
    ]
    assert len(lines) == stands + chairs


def test_sections_differ_by_letter_and_colour(scene):
    """Neither carries the meaning alone."""
    axes = draw_stage_plan(new_axes(), scene)
    letters = [t.get_text() for t in axes.texts]
    assert [letters.count("A"), letters.count("B")] == [5, 1]
    chairs = [c for c in axes.collections if type(c).__name__ == "PolyCollection"]
    assert len({to_hex(c.get_facecolor()[0]) for c in chairs}) == len(scene.sections)


def test_the_plan_is_to_scale_with_the_audience_below(scene):
    """Metres are as long both ways, upstage is up, the audience's right is right; the scale bar measures 2 m."""
    axes = draw_stage_plan(new_axes(), scene)
    axes.figure.canvas.draw()
    per_x = np.diff(axes.transData.transform([(0, 0), (1, 0)]), axis=0)[0]
    per_y = np.diff(axes.transData.transform([(0, 0), (0, 1)]), axis=0)[0]
    assert per_x[0] > 0
    assert per_y[1] > 0
    assert_allclose(per_x[0], per_y[1], rtol=1e-9)
    bar = next(line for line in axes.lines if len(line.get_xdata()) == 6)
    assert_allclose(np.ptp(bar.get_xdata()), 2.0)
    assert "2 m" in [t.get_text() for t in axes.texts]


def test_polar_patterns_are_the_capsules_own(scene):
    """An omni reaches as far all round; a cardioid reaches ahead and nothing behind (r = (1 + cos θ)/2)."""
    axes = draw_stage_plan(new_axes(), scene)
    outlines = [p.get_xy() for p in axes.patches if type(p).__name__ == "Polygon"]
    assert len(outlines) == 4  # the ambience hangs elsewhere
    omni = np.linalg.norm(outlines[0] - scene.arrays[0].positions[0, :2], axis=1)
    assert_allclose(omni, POLAR, rtol=1e-9)
    spot = outlines[3] - scene.arrays[1].positions[0, :2]
    ahead = np.sqrt([0.5, 0.5])  # azimuth 45°
    assert_allclose((spot @ ahead).max(), POLAR, rtol=1e-9)
    backward = np.linalg.norm(spot[(spot @ ahead) < -0.9 * np.linalg.norm(spot, axis=1)], axis=1)
    assert np.all(backward < 0.1 * POLAR)


def test_what_hangs_is_named_and_what_hangs_far_off_is_on_the_hall_plan(scene):
    """Names on the plan; far arrays on the hall's plan and in the elevation with their height."""
    texts = [t.get_text() for t in draw_stage_plan(new_axes(), scene).texts]
    assert {"conductor", "main left", "main centre", "main right", "spot"} <= set(texts)
    assert not any("ambience" in text for text in texts)
    marks = [np.column_stack(line.get_data()) for line in draw_hall_plan(new_axes(), scene).lines]
    assert any(m.shape == (2, 2) and np.allclose(m, [[-2, -11], [2, -11]]) for m in marks)
    heights = {t.get_text() for t in draw_elevation(new_axes(), scene).texts}
    assert {"main 3.2 m", "spot 2.2 m", "ambience 6.0 m"} <= heights


def test_a_riser_is_seen_from_the_side(scene):
    """The cello's acoustic centre at 1.05 m, 0.65 m above its floor, stands on 0.4 m."""
    patches = draw_elevation(new_axes(), scene).patches
    risers = [p for p in patches if type(p).__name__ == "Rectangle" and p.get_height() < 1]
    assert_allclose([p.get_height() for p in risers], [0.4])


def test_reverberation_curves_are_the_reports_numbers(responses):
    """T30, EDT, Sabine and Eyring at the nominal bands on a logarithmic axis."""
    report = reported(responses)
    axes = draw_reverberation_time(new_axes(), report, "main")
    assert axes.get_xscale() == "log"
    assert [t.get_text() for t in axes.get_xticklabels()] == "63 125 250 500 1k 2k 4k 8k 16k".split()
    for label, values in (
        ("T30 of the hall, simulated", report.hall.T30_s),
        ("Sabine's prediction", report.hall.sabine_s),
        ("Eyring's prediction", report.hall.eyring_s),
        ("EDT in 'main': median", report.responses[0].EDT_s),
    ):
        line = lines_of(axes, label)
        assert_allclose(line.get_xdata(), BANDS)
        assert_allclose(line.get_ydata(), list(values.values()), rtol=1e-12)
    dashes = {(line.get_linestyle(), line.get_marker()) for line in axes.lines}
    assert len(dashes) == len(axes.lines)  # told apart without colour
    assert axes.get_ylim()[0] == 0


@pytest.mark.parametrize(
    ("asked", "x", "y"),
    [(1.8, [500, 1000], [1.8, 1.8]), ({"125": 2.2, "2000": 1.5}, [125, 2000], [2.2, 1.5])],
    ids=["one number", "some bands"],
)
def test_what_was_asked_for_is_marked_where_it_holds(responses, asked, x, y):
    """A number spans 500 Hz to 1 kHz; bands are marked one by one; nothing asked, nothing marked."""
    axes = draw_reverberation_time(new_axes(), reported(responses, asked), "main")
    line = next(line for line in axes.lines if str(line.get_label()).startswith("asked for"))
    assert_allclose([line.get_xdata(), line.get_ydata()], [x, y])
    bare = draw_reverberation_time(new_axes(), reported(responses), "main")
    assert not any(str(line.get_label()).startswith("asked") for line in bare.lines)


def test_a_band_without_a_value_leaves_a_gap(responses):
    """Nothing is drawn where nothing is known."""
    short = dataclasses.replace(responses, omni_energy=responses.omni_energy[..., :100])
    line = lines_of(draw_reverberation_time(new_axes(), reported(short), "main"), "EDT in 'main': median")
    assert np.all(np.isnan(line.get_ydata()))


def echogram(time_ms, level_db, azimuth, elevation, hits):
    """Return made-up reflections; the first is the direct sound."""
    levels = np.tile(np.array(level_db, float)[:, None], (1, len(BAND_NAMES)))
    hits = np.array(hits)
    return Reflections(
        np.array(time_ms) / 1000.0, levels, hits.sum(axis=1), hits, np.array(azimuth, float), np.array(elevation, float)
    )


def test_an_echogram_counts_from_the_direct_sound_and_names_surfaces():
    """Times and levels re the direct sound; paths are named by the surfaces they met."""
    made = echogram(
        [10, 14, 30],
        [-14, -20, -30],
        [0, 90, -90],
        [0, 0, 0],
        [[0] * 6, [0, 0, 0, 0, 1, 0], [1, 0, 0, 0, 0, 2]],
    )
    axes = new_axes()
    axes.set_xlim(-2, 40)
    draw_early_reflections(axes, made)
    stems = axes.collections[0].get_segments()
    assert_allclose([s[1] for s in stems], [(0, 0), (4, -6), (20, -16)], atol=1e-9)
    assert [t.get_text() for t in axes.texts] == ["direct", "floor", "left wall + 2 × ceiling"]


def test_an_echogram_ends_where_reflections_melt_into_the_late_field():
    """Nothing is drawn later than 100 ms after the direct sound, or 45 dB below it."""
    made = echogram([10, 109, 111, 50], [0, -10, -10, -46], [0] * 4, [0] * 4, [[0] * 6] + [[1, 0, 0, 0, 0, 0]] * 3)
    axes = new_axes()
    axes.set_xlim(-2, 120)
    stems = draw_early_reflections(axes, made).collections[0].get_segments()
    assert_allclose([s[1][0] for s in stems], [0, 99], atol=1e-9)


def test_arrows_point_to_where_the_sound_comes_from():
    """Upstage is up, the audience's right is right; straight from above there is no arrow."""
    made = echogram(
        [10, 11, 12, 13], [0, -1, -2, -3], [0, 90, -90, 0], [0, 0, 0, 90], [[0] * 6] + [[1, 0, 0, 0, 0, 0]] * 3
    )
    axes = new_axes()
    axes.set_xlim(-2, 10)
    arrows = next(c for c in draw_early_reflections(axes, made).collections if isinstance(c, Quiver))
    assert_allclose(np.stack([arrows.U, arrows.V], axis=1), [(0, 1), (1, 0), (-1, 0)], atol=1e-12)


def test_names_over_an_echogram_do_not_overlap(reflections):
    """The first twelve reflections and the direct sound are named, side by side, even when they crowd."""
    axes = new_axes(10, 6)
    axes.set_xlim(-2, 90)
    draw_early_reflections(axes, reflections["violins-1"])
    axes.figure.canvas.draw()
    boxes = [t.get_window_extent() for t in axes.texts]
    assert len(boxes) == 13
    assert not any(a.overlaps(b) for i, a in enumerate(boxes) for b in boxes[:i])


@settings(deadline=None)
@given(st.lists(st.floats(0, 100), min_size=1, max_size=20).map(sorted), st.floats(0.1, 10))
def test_spreading_names_moves_them_as_little_as_keeps_them_apart(x, gap):
    """Against scipy's isotonic regression."""
    x = np.array(x)
    steps = gap * np.arange(x.size)
    assert_allclose(_spread(x, gap), scipy.optimize.isotonic_regression(x - steps).x + steps, atol=1e-8)


def test_a_decay_curve_falls_60_db_in_its_reverberation_time():
    """An exponential decay of 1.6 s, each band with a line of its own, 125 Hz to 8 kHz."""
    energy = np.tile(np.exp(-6 * np.log(10) * BIN_S * np.arange(2000) / T), (9, 1))
    axes = draw_energy_decay(new_axes(), energy, BIN_S, dict.fromkeys(BAND_NAMES, T) | {"250": None})
    curves = [line for line in axes.lines if ": T30" in str(line.get_label())]
    assert [str(c.get_label()) for c in curves][:3] == [
        "125 Hz: T30 1.60 s",
        "250 Hz: T30 not measurable",
        "500 Hz: T30 1.60 s",
    ]
    assert len(curves) == 7
    for curve in curves:
        assert_allclose(np.interp(T, *curve.get_data()), -60.0, atol=0.01)
    assert len({(str(c.get_linestyle()), c.get_marker()) for c in curves}) == 7
    assert {"−5 dB ", "−35 dB "} <= {t.get_text() for t in axes.texts}


def test_a_silent_band_is_not_drawn():
    """No curve for what has no energy; the others stay."""
    energy = np.tile(np.exp(-6 * np.log(10) * BIN_S * np.arange(2000) / T), (9, 1))
    energy[3] = 0.0
    axes = draw_energy_decay(new_axes(), energy, BIN_S, dict.fromkeys(BAND_NAMES, T))
    assert sum(": T30" in str(line.get_label()) for line in axes.lines) == 6
