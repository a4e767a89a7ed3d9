"""What a report says is what was measured, and its page stands alone."""

import base64
import dataclasses
import json
import math
import re
from dataclasses import replace
from html.parser import HTMLParser
from importlib.resources import files as package_files
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from numpy.testing import assert_allclose
from pydantic import ValidationError

from render.report import (
    ArrayReport,
    Report,
    Timing,
    WrittenFile,
    array_reports,
    build_report,
    centre_capsule,
    mean_of_mid_bands,
    report_schema,
)
from render.report_page import FIGURES, write_report
from render.scene_file import build_scene
from rooms.geometry import Box
from rooms.localisation import ensemble_image
from rooms.microphones import Array, Capsule
from rooms.players import Instrument, Player, Section
from rooms.responses import Responses
from rooms.scene import Scene
from rooms.surfaces import Hall, Material
from rooms.toml_reader import parse_toml
from rooms.units import BAND_NAMES

BIN_S = 0.001
ARRIVAL_S = 0.010
OMNI_T, SEATED_T = 2.0, 1.0
MEASURES = ("T20_s", "T30_s", "EDT_s", "C80_db", "D50", "Ts_s", "G_db")
PIXEL = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNkYPhfDwAChwGA60e6kgAAAABJRU5ErkJggg=="
)


def decay(reverberation_time: float, length_s: float) -> np.ndarray:
    """Return an exponential echogram that begins at the arrival, shape (bands, bins)."""
    edges = np.maximum(np.arange(0, round(length_s / BIN_S) + 1) * BIN_S - ARRIVAL_S, 0.0)
    remaining = np.exp(-6.0 * np.log(10.0) * edges / reverberation_time)
    return np.tile(remaining[:-1] - remaining[1:], (len(BAND_NAMES), 1))


def made_up(length_s: float = 4.0, absorption: float = 0.1) -> Responses:
    """Return two sections in front of three main capsules in a 10 m cube of one material."""
    surface = Material("panel", (absorption,) * 9, (0.1,) * 9)
    hall = Hall("cube", Box((10.0, 10.0, 10.0), (5.0, 4.0)), (surface,) * 6)
    sections = tuple(
        Section(name, Instrument(name, height=1.0), (Player((x, 2.0, 1.0), 180.0), Player((x + 0.6, 2.0, 1.0), 180.0)))
        for name, x in (("violins-1", -2.3), ("cellos", 1.7))
    )
    capsules = tuple(
        Capsule(name, (x, y, 3.0)) for name, x, y in (("left", -1, 0), ("centre", 0, 0.5), ("right", 1, 0))
    )
    scene = Scene(hall, sections, (Array("main", "main", capsules),), 48000, seed=7)
    pairs = (len(sections), len(capsules))
    return Responses(
        scene=scene,
        samples=np.zeros((*pairs, 8), dtype=np.float32),
        direct=np.zeros((*pairs, 4), dtype=np.float32),
        early=np.zeros((*pairs, 4), dtype=np.float32),
        arrivals=np.full(pairs, ARRIVAL_S),
        direct_db=np.full(pairs, -9.5),
        energy=np.tile(decay(SEATED_T, length_s), (*pairs, 1, 1)),
        omni_energy=np.tile(decay(OMNI_T, length_s), (*pairs, 1, 1)),
        omni_arrivals=np.full(pairs, ARRIVAL_S),
        bin_s=BIN_S,
        mixing_time=0.06,
        T30=np.full(9, OMNI_T),
    )


def written(path: str, sample_rate: int, channels: int, *levels: object) -> WrittenFile:
    """Return a file of made-up levels."""
    names = tuple(f"channel {n}" for n in range(channels))
    return WrittenFile(
        path,
        sample_rate,
        channels,
        1_272_000,
        *levels,
        what="made up",
        encoding="float32",
        start_samples=0,
        channel_names=names,
        gain_db=0.0,
    )


FILES = (
    written("mix.wav", 48000, 2, -7.25, -19.5, -6.98),
    written("arrays/main.wav", 48000, 3, -math.inf, None, -math.inf, "three channels have no layout"),
)


def built(responses: Responses | None = None, **changes: object) -> Report:
    """Return a report of made-up responses."""
    given: dict[str, object] = {
        "title": "Harbour & <dusk>",
        "responses": responses or made_up(),
        "asked_T30": 1.8,
        "files": FILES,
        "timing": Timing(3.0, 2.0, 13.25, 400.0),
        "warnings": ["stem 'a.wav' is stereo"],
        "mix_gain_db": 11.9,
        "mix_offset_s": 0.0057,
        "arrays": ARRAYS,
        "version": "1.2.3",
    }
    return build_report(**(given | changes))


def figures(folder: Path) -> list[Path]:
    """Return one tiny picture under each known name."""
    paths = [folder / name for name in FIGURES]
    for path in paths:
        path.write_bytes(PIXEL)
    return paths


ARRAYS = (
    ArrayReport(
        name="main",
        purpose="main",
        heard=True,
        gain_db=0,
        balance_db=1.5,
        level_db=1.5,
        delays_s={"left": 0},
        settings=(),
    ),
    ArrayReport(
        name="spots",
        purpose="spot",
        heard=False,
        gain_db=-12,
        balance_db=-3,
        level_db=-15,
        delays_s={"cellos": 0.0117},
        settings=("muted", "high-pass 80 Hz"),
    ),
)


class Page(HTMLParser):
    """Collects what a page is made of."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.open: list[str] = []
        self.mismatched: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "img"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.mismatched.append(tag)

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.text += data

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.fixture
def page(tmp_path):
    write_report(built(), figures(tmp_path), tmp_path)
    return Page((tmp_path / "report.html").read_text(encoding="utf-8"))


def test_a_main_pair_tells_where_the_sections_appear(tmp_path: Path) -> None:
    """As the localisation curves say; a main array that is no pair tells nothing."""
    plain = made_up()
    left, right = (
        Capsule(name, (x, -1.0, 3.0), (aim, 0.0), "cardioid", stereo=stereo)
        for name, x, aim, stereo in (("left", -0.085, -55.0, (1.0, 0.0)), ("right", 0.085, 55.0, (0.0, 1.0)))
    )
    pair = Array("pair", "main", (left, right))
    scene = replace(plain.scene, arrays=(pair,))
    cut = {
        name: getattr(plain, name)[:, :2]
        for name in ("samples", "direct", "early", "arrivals", "direct_db", "energy", "omni_energy", "omni_arrivals")
    }
    report = built(replace(plain, scene=scene, **cut))
    image, expected = report.mix.image, ensemble_image(pair, scene.sections, scene.hall.speed_of_sound)
    assert image is not None
    assert (image.array, image.recording_angle_deg, image.seen_deg) == (
        "pair",
        expected.recording_angle,
        expected.seen,
    )
    told = [(s.section, s.azimuth_deg, s.left_deg, s.right_deg) for s in image.sections]
    assert told == [(s.section, s.azimuth, s.left, s.right) for s in expected.sections]
    page = write_report(report, figures(tmp_path), tmp_path)[1].read_text(encoding="utf-8")
    assert "pair has a recording angle of 97°" in page
    assert re.search(r"violins-1 at −\d+° \(−\d+ to −\d+°\), cellos at \d+° \(\d+ to \d+°\)\.", page)
    assert built().mix.image is None


def test_the_committed_schema_is_the_one_the_code_has():
    """report.schema.json is current."""
    committed = package_files("render").joinpath("report.schema.json").read_text(encoding="utf-8")
    assert json.loads(committed) == report_schema()


def test_every_field_of_the_schema_is_described():
    """Each value in the report has a sentence in the schema; parts are described where they are defined."""
    schema = report_schema()
    for part in [schema, *schema["$defs"].values()]:
        for name, field in part["properties"].items():
            assert field.get("description") or "$ref" in field, name


@pytest.mark.parametrize("asked", [None, 1.8, {"125": 2.2, "1000": 1.9}])
def test_the_written_report_holds_to_its_schema(tmp_path, asked):
    """An independent validator accepts report.json, with and without an asked reverberation time."""
    json_path, _ = write_report(built(asked_T30=asked), [], tmp_path)
    data = json.loads(json_path.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(report_schema())
    jsonschema.validate(data, report_schema())
    assert data["hall"]["asked_T30_s"] == asked


def test_the_schema_refuses_what_a_report_never_says(tmp_path):
    """An unknown band and a missing key fail, so the schema is no formality."""
    data = json.loads(built().model_dump_json())
    data["hall"]["T30_s"]["440"] = 1.0
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(data, report_schema())
    data = json.loads(built().model_dump_json())
    del data["responses"][0]["EDT_s"]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(data, report_schema())


def test_the_agreed_keys_are_there():
    """The keys other programs rely on."""
    data = json.loads(built().model_dump_json())
    assert {"hall", "responses", "files", "timing", "version", "seed", "warnings"} <= data.keys()
    assert {"volume_m3", "surface_m2", "asked_T30_s", "T30_s", "sabine_s", "eyring_s"} <= data["hall"].keys()
    response = data["responses"][0]
    assert {"section", "array", "capsule", "arrival_s", "direct_db", "reasons", *MEASURES} <= response.keys()
    assert {"reasons", *MEASURES} == response["as_seated"].keys()
    for name in MEASURES:
        assert tuple(response[name]) == BAND_NAMES
    assert data["files"][0].keys() == {
        "path", "sample_rate", "channels", "samples", "peak_dbfs", "lufs", "true_peak_dbtp", "reason",
        "what", "encoding", "start_samples", "channel_names", "gain_db",
    }  # fmt: skip
    assert data["timing"].keys() == {"responses_s", "render_s", "realtime_factor", "peak_memory_mib"}
    assert data["seed"] == 7
    assert {"gain_db": 11.9, "offset_s": 0.0057}.items() <= data["mix"].items()


MIXED = """
[hall]
preset = "scoring-stage"
[seating]
plan = "violins-together"
[sections.cellos]
[arrays.main]
preset = "tree"
[arrays.spots]
preset = "spots"
delay = 0.005
sends = {cellos = "off"}
direct = -3
solo = true
invert_polarity = true
high_pass = 80
width = 0.5
[arrays.room]
preset = "ambience-pair"
mute = true
late = 2.5
[mix.balance]
spot = -3
"""


def test_the_report_lists_every_array_of_the_mix_heard_or_not():
    """Own gain, balance and both; delays of capsules; all else in words."""
    scene_file = build_scene(parse_toml(Path("scene.toml"), MIXED))
    main, spots, room = array_reports(scene_file)
    assert [(a.name, a.purpose, a.heard) for a in (main, spots, room)] == [
        ("main", "main", False), ("spots", "spot", True), ("room", "ambience", False)
    ]  # fmt: skip
    assert (spots.gain_db, spots.balance_db, spots.level_db) == (-12.0, -3.0, -15.0)
    assert (main.level_db, main.settings, set(main.delays_s.values())) == (0.0, (), {0.0})
    assert spots.settings == (
        "solo", "polarity inverted", "spots aligned", "delay 5 ms", "direct −3 dB", "send of cellos off",
        "high-pass 80 Hz", "width 0.5",
    )  # fmt: skip
    assert room.settings == ("muted", "late +2.5 dB")
    centre = scene_file.sections[0].centre
    to_main = np.linalg.norm(scene_file.arrays[0].positions - centre, axis=1).min()
    to_spot = np.linalg.norm(np.array(scene_file.arrays[1].capsules[0].position) - centre)
    delay = 0.005 + (to_main - to_spot) / scene_file.hall.speed_of_sound
    assert_allclose(spots.delays_s["cellos"], delay, rtol=1e-12)


def test_the_page_shows_the_mix(page):
    """An array that isn't heard has no level; what else is set stands in words."""
    assert "\nmainmain+0.0+1.5+1.5\n" in page.text
    assert "\nspotsspot−12.0−3.0–muted, high-pass 80 Hz\n" in page.text


def test_every_section_meets_every_capsule_in_the_scenes_order():
    """Rows come section by section, capsule by capsule, with their distance."""
    rows = built().responses
    assert [(r.section, r.capsule) for r in rows] == [
        (s, c) for s in ("violins-1", "cellos") for c in ("left", "centre", "right")
    ]
    # violins-1 centre (−2, 2, 1) to left (−1, 0, 3): a 1-2-2 box has a diagonal of 3
    assert_allclose(rows[0].distance_m, 3.0, rtol=1e-12)


def test_measures_of_an_exponential_decay_are_those_of_the_textbook():
    """T as built; C80, D50, Ts in closed form (Kuttruff, Room Acoustics, ch. 5 and 7, from memory).

    Bins of 1 ms and the direct sound's bin kept whole leave 0.5 % on times and 0.05 dB on C80.
    """
    response = built().responses[0]
    for measures, T in ((response, OMNI_T), (response.as_seated, SEATED_T)):
        rate = 6.0 * math.log(10.0) / T
        for band in BAND_NAMES:
            for name in ("EDT_s", "T20_s", "T30_s"):
                assert_allclose(getattr(measures, name)[band], T, rtol=5e-3)
            assert_allclose(measures.C80_db[band], 10 * math.log10(math.expm1(0.08 * rate)), atol=0.05)
            assert_allclose(measures.D50[band], -math.expm1(-0.05 * rate), rtol=5e-3)
            assert_allclose(measures.Ts_s[band], 1.0 / rate, rtol=2e-2)
            assert_allclose(measures.G_db[band], 20.0, atol=0.01)  # unit energy


def test_predictions_agree_with_the_pocket_formulas():
    """0.161·V/A and 0.161·V/(−S·ln(1 − α)) at 63 Hz, where air takes nothing (Kuttruff, Room Acoustics, ch. 5).

    0.161 has three digits: 1 %.
    """
    hall = built().hall
    assert_allclose([hall.volume_m3, hall.surface_m2], [1000.0, 600.0], rtol=1e-12)
    assert_allclose(hall.sabine_s["63"], 0.161 * 1000 / 60, rtol=0.01)
    assert_allclose(hall.eyring_s["63"], 0.161 * 1000 / (-600 * math.log(0.9)), rtol=0.01)


def test_a_wholly_absorbing_room_keeps_nothing_for_eyring_but_something_for_sabine():
    """The known limit of Sabine's formula: 0.161·V/S where every surface is an open window."""
    hall = built(made_up(absorption=1.0)).hall
    assert hall.eyring_s["63"] == 0.0
    assert_allclose(hall.sabine_s["63"], 0.161 * 1000 / 600, rtol=0.01)


def test_whatever_is_null_has_a_reason_and_nothing_else_has_one():
    """An echogram of 0.5 s can't carry T30: null, and said why, band by band."""
    responses = made_up(length_s=0.5)
    assert built(responses).responses[0].T30_s["1000"] is None
    for response in built(responses).responses:
        for measures in (response, response.as_seated):
            nulls = {f"{n}.{b}" for n in MEASURES for b, v in getattr(measures, n).items() if v is None}
            assert nulls == set(measures.reasons)
            assert all(measures.reasons.values())


def test_silence_has_no_level():
    """A peak of minus infinity becomes null, in files and in the direct sound."""
    silent = dataclasses.replace(made_up(), direct_db=np.full((2, 3), -np.inf))
    report = built(silent)
    assert report.files[1].peak_dbfs is None
    assert report.files[1].true_peak_dbtp is None
    assert report.files[0].peak_dbfs == -7.25
    assert report.responses[0].direct_db is None


@pytest.mark.parametrize(
    "changes",
    [
        {"asked_T30": {"440": 1.0}},
        {"mix_gain_db": math.nan},
        {"timing": Timing(math.inf, 1.0, 1.0, 1.0)},
        {"files": [written("a.wav", 0, 1, None, None, None)]},
    ],
    ids=["unknown band", "gain not a number", "infinite time", "no sample rate"],
)
def test_nonsense_is_refused(changes):
    """A report can't be built from values outside their range."""
    with pytest.raises(ValidationError):
        built(**changes)


def test_a_report_is_fixed_once_built():
    """Nobody changes a report afterwards."""
    with pytest.raises(ValidationError, match="frozen"):
        built().title = "other"


def test_the_centre_capsule_is_the_middle_one_of_the_main_array():
    """Also when the main array isn't the first."""
    scene = made_up().scene
    assert centre_capsule(scene) == 1
    ambience = Array("ambience", "ambience", (Capsule("left", (-3, -3, 4)), Capsule("right", (3, -3, 4))))
    later = dataclasses.replace(scene, arrays=(ambience, *scene.arrays))
    assert centre_capsule(later) == 3
    assert (built().centre.array, built().centre.capsule) == ("main", "centre")


def test_the_single_number_is_the_mean_of_500_hz_and_1_khz():
    """ISO 3382-1, table A.1; none if one of them is missing."""
    assert mean_of_mid_bands({"250": 9.0, "500": 2.0, "1000": 1.0}) == 1.5
    assert mean_of_mid_bands({"500": 2.0, "1000": None}) is None
    assert mean_of_mid_bands({"500": 2.0}) is None


def test_the_page_needs_nothing_beside_it(page):
    """No script, no link, no address but inlined data."""
    assert not page.all("script")
    assert not page.all("link")
    addresses = [a[k] for _, a in page.tags for k in ("src", "href", "srcset") if k in a]
    assert addresses
    assert all(address.startswith("data:image/png;base64,") for address in addresses)


def test_the_page_carries_the_pictures_themselves(page):
    """The inlined bytes are the files'."""
    sources = [image["src"] for image in page.all("img")]
    assert len(sources) == len(FIGURES)
    assert all(base64.b64decode(source.split(",")[1]) == PIXEL for source in sources)


def test_the_page_is_well_formed_and_readable_aloud(page):
    """Tags match; pictures have a text, tables a caption, heads a scope; ids are unique; a language is named."""
    assert page.mismatched == []
    assert page.open == []
    assert page.all("html")[0]["lang"] == "en"
    assert all(len(image["alt"]) > 40 for image in page.all("img"))
    assert len(page.all("caption")) == len(page.all("table")) == 4
    assert all(head["scope"] in ("col", "row") for head in page.all("th"))
    assert len(page.all("h1")) == 1
    ids = [a["id"] for _, a in page.tags if "id" in a]
    assert len(ids) == len(set(ids))
    assert {a["aria-labelledby"] for _, a in page.tags if "aria-labelledby" in a} <= set(ids)


def test_names_from_the_scene_are_text_not_markup(page):
    """A title with angle brackets stays a title."""
    assert "Harbour & <dusk>" in page.text
    assert not page.all("dusk")


@pytest.mark.parametrize(
    "sentence",
    ["Start playback low", "damages hearing", "qualified riggers", "licensed acoustician", "music production"],
)
def test_the_page_warns(page, sentence):
    """The cautions are on every page."""
    assert sentence in page.text


def test_the_page_says_what_was_made_and_measured(page):
    """File table, hall, sections, warnings and why loudness is missing."""
    for text in ("mix.wav", "0:26.5", "−7.2", "−19.5", "1000 m³", "2.00 s", "1.80 s", "violins-1", "stem 'a.wav'"):
        assert text in page.text
    assert "No loudness for 1 file: three channels have no layout." in page.text
    assert "-7" not in page.text  # a true minus sign


def test_a_value_that_cant_be_taken_is_explained_on_the_page(tmp_path):
    """A dash in the sections' table comes with its reason."""
    write_report(built(made_up(length_s=0.15)), [], tmp_path)
    text = Page((tmp_path / "report.html").read_text(encoding="utf-8")).text
    assert "violins-1, EDT_s at 500 Hz: not measurable: decay range only" in text


def test_nothing_is_overwritten_when_a_picture_is_missing(tmp_path):
    """An old report survives a failed one whole, and no half file stays."""
    (tmp_path / "report.json").write_text("old", encoding="utf-8")
    with pytest.raises(FileNotFoundError):
        write_report(built(), [tmp_path / "stage_plan.png"], tmp_path)
    assert (tmp_path / "report.json").read_text(encoding="utf-8") == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["report.json"]


def test_the_same_report_gives_the_same_bytes(tmp_path):
    """No dates, no order by chance."""
    written = []
    for _ in range(2):
        paths = write_report(built(), figures(tmp_path), tmp_path)
        written.append([path.read_bytes() for path in paths])
    assert written[0] == written[1]
