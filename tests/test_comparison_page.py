"""The page of a comparison says what was found, to read, to see and to hear, and stands alone."""

import io
import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest

from render.comparison_page import comparison_page, difference_shade, difference_text
from render.drawings import line_style, stage_drawing, stage_window
from rooms.jnd import RATIOS
from rooms.microphones import Array, Capsule
from tests.made_up_comparison import NAMES, SECTIONS, made_up_comparison, made_up_scenes

COMPARISON, SCENES = made_up_comparison(), made_up_scenes()
MARKS = {name: (letter, "#ffffff", "black") for name, letter in zip(SECTIONS, "ABC", strict=True)}


@pytest.fixture(scope="module")
def text() -> str:
    return comparison_page(COMPARISON, SCENES)


def words(text: str) -> str:
    """Return what a page shows, without tags."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", re.sub(r"(?s)<(style|script).*?</\1>", "", text)))


def test_the_page_needs_nothing_beside_it(text):
    """Nothing is fetched: no address but names of schemes, no link, no source, no import."""
    assert not re.search(r"https?:|<link|<img|src=|@import|url\(", text)
    assert "Listen" not in words(text)  # nothing was rendered


def test_names_are_written_as_text(text):
    """What a scene's author writes is never markup."""
    assert "<dusk>" not in text
    assert "<apart>" not in text
    assert "Harbour &amp; &lt;dusk&gt;" in text
    assert "antiphonal &amp; apart" in text


def test_the_page_begins_with_what_is_heard_and_with_cautions(text):
    """The summary stands before all tables, with the cautions and what the reader must know."""
    top = words(text[: text.index("<main>")])
    assert "Two of them differ." in top
    assert "Variant by variant Violins 2 move to the right. The church rings far longer." in words(text)
    assert "Start playback low" in top
    assert "stem 'a.wav' is stereo" in words(text).replace("&#39;", "'")
    assert "Balance takes stems as equally loud." in words(text)


@pytest.mark.parametrize(
    ("jnds", "text", "shade"),
    [
        (None, "–", ""),
        (0.0, "· +0.0", ""),
        (0.99, "· +1.0", ""),
        (-1.0, "▼ −1.0", "below-1"),
        (2.0, "▲ +2.0", "above-2"),
        (-3.9, "▼ −3.9", "below-2"),
        (10.47, "▲ +10.5", "above-3"),
    ],
)
def test_a_difference_is_told_by_sign_arrow_and_shade(jnds, text, shade):
    """Below one just-noticeable difference it has neither arrow nor shade; the sign needs no colour."""
    assert (difference_text(jnds), difference_shade(jnds)) == (text, shade)


def test_the_table_of_differences_holds_every_difference(text):
    """Each section has its values in the base and the differences of all others, beside their own values."""
    table = text[text.index('<table class="jnds') :]
    table = table[: table.index("</table>")]
    rows = [words(row).split() for row in re.findall(r"(?s)<tr>.*?</tr>", table)]
    assert [row for row in rows if row[0] == "violins-2"] == [
        ["violins-2", "+0.5", "·", "+0.0", "+0.5", "–", "+0.5"],
        ["violins-2", "−10", "▲", "+10.7", "+22", "·", "+0.0", "−10"],
        ["violins-2", "1.80", "·", "+0.0", "1.80", "▲", "+10.5", "3.00"],
    ]
    assert f"one is {100 * (RATIOS['T30_s'] - 1):g} %" in table


def test_why_a_number_is_missing_is_told_once(text):
    """A reason that holds for all variants is one line."""
    assert words(text).count("no figure-of-eight") == 1
    assert "no figure-of-eight (all variants)" in words(text)


def test_the_ranking_shows_what_a_goal_costs(text):
    """The best first; goals asked for carry their weight, others stand below; what can't be told is a dash."""
    part = text[text.index('aria-label="Ranking"') :].split("</table>")[0]
    table = words(part.split("<table", 1)[1])
    assert "Goal 1. violins &lt;apart&gt; 2. violins together 3. stone church Score +8.0 +0.0 –" in table
    assert "widest-violins (weight 1) +8.0 +0.0 – clearest-cellos −0.5 +0.0 −4.0" in table
    assert part.count('class="asked"') == 2  # the score and what it is made of
    assert "best first" not in words(comparison_page(replace(COMPARISON, ranking=None), SCENES))


def svg(drawing: str) -> ElementTree.Element:
    """Return a drawing as a tree: it is well-formed."""
    return ElementTree.parse(io.StringIO(str(drawing))).getroot()


def test_stages_are_drawn_to_one_scale_with_chairs_where_players_sit():
    """A drawing's unit is the metre, y upstage is up, all stages show the same part of the floor."""
    window = stage_window(list(SCENES.values()))
    drawings = [svg(stage_drawing(scene, MARKS, window, "stage")) for scene in SCENES.values()]
    assert len({drawing.get("viewBox") for drawing in drawings}) == 1
    left, top, width, height = map(float, drawings[0].get("viewBox").split())
    for scene, drawing in zip(SCENES.values(), drawings, strict=True):
        chairs = [group for group in drawing.iter("g") if group.find("text") is not None]
        places = [tuple(map(float, re.findall(r"-?[\d.]+", group.get("transform")))) for group in chairs]
        seats = np.concatenate([section.positions[:, :2] for section in scene.sections])
        np.testing.assert_allclose(places, seats * [1.0, -1.0], atol=0.005)  # two decimals
        assert all(left < x < left + width and top < y < top + height for x, y in places)
        letters = [group.find("text").text for group in chairs]
        assert letters == [letter for letter, s in zip("ABC", scene.sections, strict=True) for _ in s.players]
        turns = [float(re.findall(r"-?[\d.]+", group.find("path").get("transform"))[0]) for group in chairs]
        assert turns == [player.facing for section in scene.sections for player in section.players]


def test_without_a_conductor_there_is_no_podium():
    """A quartet's stage has none."""
    scene = SCENES[NAMES[0]]
    window = stage_window([scene])
    with_podium, without = (
        str(stage_drawing(replace(scene, conducted=conducted), MARKS, window, "stage")) for conducted in (True, False)
    )
    assert with_podium.count("<rect") == without.count("<rect") + 1


def test_the_image_shows_sections_at_their_azimuth_and_width(text):
    """Letters and bars stand where the curves put them between −30° and 30°, which the drawing's text says, too."""
    drawings = re.findall(r'(?s)<svg class="image".*?</svg>', text)
    assert len(drawings) == 3
    assert "violins-2 at 22°, 8° wide" in drawings[1]
    tree = svg(drawings[1])
    at = {t.text: float(t.get("x")) for t in tree.iter("text")}
    scale = (at["30°"] - at["−30°"]) / 60.0
    for letter, section in zip("ABC", COMPARISON.variants[1].sections, strict=True):
        np.testing.assert_allclose((at[letter] - at["0°"]) / scale, section.azimuth_deg, atol=0.02)
    bars = [(float(bar.get("x")), float(bar.get("width"))) for bar in tree.iter("rect")]
    np.testing.assert_allclose([width / scale for _, width in bars], 8.0, atol=0.02)
    # letters' middles lie in the middle of bars that reach equally far to both sides
    np.testing.assert_allclose([x + width / 2 for x, width in bars], [at[letter] for letter in "ABC"], atol=0.11)


def test_an_array_without_an_image_is_told(text):
    """Where nothing places a section, words stand in place of the drawing."""
    variant = COMPARISON.variants[0]
    blind = replace(variant, sections=tuple(replace(s, azimuth_deg=None) for s in variant.sections))
    page = comparison_page(replace(COMPARISON, variants=(blind, *COMPARISON.variants[1:])), SCENES)
    assert page.count('<svg class="image"') == 2
    assert "Nothing tells where sections are heard." in page


def test_the_image_shows_what_was_measured(text):
    """An upright line stands where the section's sound puts it: a degree left of the letter here."""
    tree = svg(re.search(r'(?s)<svg class="image".*?</svg>', text).group())
    at = {t.text: float(t.get("x")) for t in tree.iter("text")}
    scale = (at["30°"] - at["−30°"]) / 60.0
    lines = [
        float(re.findall(r"[\d.]+", path.get("transform"))[0]) for path in tree.iter("path") if path.get("transform")
    ]
    np.testing.assert_allclose([(x - at["0°"]) / scale for x in lines], [-21.0, -11.0, 11.0], atol=0.02)


def test_left_against_right_is_drawn_second_by_second():
    """Steps of a second; what can't be told is a gap."""
    first, *others = COMPARISON.variants
    courses = [(6.0, None, -3.0), (0.0, 0.0, 12.0), (None, None, None)]
    variants = tuple(replace(v, left_right_course_db=c) for v, c in zip((first, *others), courses, strict=True))
    page = comparison_page(replace(COMPARISON, variants=variants), SCENES)
    drawings = [svg(d) for d in re.findall(r'(?s)<svg[^>]*aria-label="Right over left.*?</svg>', page)]
    base, other = ([p.get("d") for p in d.iter("path") if p.find("title") is not None] for d in drawings)
    width, height = 300.0, 170.0  # 3 s, and 12 dB to either side
    assert base[0] == f"M0.0 {height / 4:.1f}L{width / 3:.1f} {height / 4:.1f}M200.0 106.2L300.0 106.2"
    assert base[1] == "M0.0 85.0L100.0 85.0L100.0 85.0L200.0 85.0L200.0 0.0L300.0 0.0"
    assert other == [base[0], ""]
    silent = tuple(replace(v, left_right_course_db=(None,)) for v in COMPARISON.variants)
    assert "Left against right" not in comparison_page(replace(COMPARISON, variants=silent), SCENES)


def test_curves_fall_as_the_halls_decay(text):
    """A straight decay of 60 dB in T30 crosses the drawing's height in T30 of its width's seconds."""
    drawing = svg(re.search(r'(?s)<svg[^>]*aria-label="Energy decay.*?</svg>', text).group())
    ticks = {t.text: float(t.get("x")) for t in drawing.iter("text") if t.get("text-anchor") == "middle" and t.get("x")}
    levels = {t.text: float(t.get("y")) - 4.0 for t in drawing.iter("text") if t.get("text-anchor") == "end"}
    lines = {path.find("title").text: path for path in drawing.iter("path") if path.find("title") is not None}
    assert set(lines) == set(NAMES)
    assert len({(line.get("stroke"), line.get("stroke-dasharray")) for line in lines.values()}) == 3
    for name, T30 in zip(NAMES, (1.8, 1.8, 3.0), strict=True):
        points = np.array(re.findall(r"[ML]([\d.]+) ([\d.]+)", lines[name].get("d")), dtype=float)
        time = (points[:, 0] - ticks["0"]) / (ticks["1"] - ticks["0"])
        level = -60.0 * (points[:, 1] - levels["0"]) / (levels["−60"] - levels["0"])
        np.testing.assert_allclose(level, np.maximum(-60.0 * time / T30, -60.0), atol=0.1)


def test_lines_differ_by_dashes_too():
    """No two of 49 lines share colour and dashes, and the first seven differ in both."""
    styles = [line_style(index) for index in range(49)]
    assert len(set(styles)) == 49
    assert len({colour for colour, _ in styles[:7]}) == len({dashes for _, dashes in styles[:7]}) == 7


def test_one_variant_alone_has_nothing_to_differ_from():
    """The page says so in place of the table."""
    alone = replace(COMPARISON, variants=COMPARISON.variants[:1], ranking=None)
    page = comparison_page(alone, SCENES)
    assert "nothing to compare it with" in page
    assert '<table class="jnds' not in page


def test_what_hangs_further_away_is_named(text):
    """An array that no drawing reaches is told in words, and its mark isn't in the key."""
    assert "Further away" not in text
    scene = SCENES[NAMES[0]]
    far = Array("house", "ambience", (Capsule("left", (-2.0, -9.0, 5.0)), Capsule("right", (2.0, -9.0, 5.0))))
    page = comparison_page(COMPARISON, {**SCENES, NAMES[0]: replace(scene, arrays=(*scene.arrays, far))})
    assert "Further away than the drawings reach: house." in page
    assert "</svg> ambience" not in page
    assert "</svg> main" in page
