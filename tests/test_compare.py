"""Comparisons: what is the same shows no difference, what is mirrored shows mirrored numbers, and nothing depends on
the order or number of threads."""

from __future__ import annotations

import csv
import json
import os
import pickle
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import numpy as np
import pytest
import soundfile

from render.compare import Compared, compare_scenes
from render.comparison import SectionNumbers, Variant
from render.comparison_jobs import Job, MixMeter, mix_numbers, run
from render.heard_image import ImageMeter
from render.passage import Passage
from render.scene_file import read_scene
from render.variants import scene_variants
from render.verdicts import differences, known_goals, rank, summary
from rooms.errors import InputError
from rooms.jnd import STEPS, in_jnds
from rooms.localisation import apparent_azimuth, channel_differences
from rooms.store import Store
from tests.small_scenes import contents, hall_text, noise, write_scene
from tests.small_scenes import run as run_command

RATE = 16000
PAIR = """\
[arrays.main]
preset = "ortf"
position = [0.0, -1.0, 2.5]
[arrays.spots]
preset = "spots"
"""
MIX = "[mix]\ngain = 0.0\noffset = 0.0\n"


def sections(players: int = 2, **places: tuple[float, float]) -> str:
    """Return sections at places of the floor in m, of so many players each."""
    return "".join(
        f'[sections.{name.replace("_", "-")}]\ninstrument = "omni"\nplayers = {players}\nposition = [{x}, {y}, 0.0]\n'
        for name, (x, y) in places.items()
    )


SEATS = {"violins_1": (-2.5, 2.0), "violins_2": (-0.5, 2.5), "cellos": (2.0, 2.0)}


@cache
def folder() -> Path:
    """Return the folder of the scenes: one, the same again, its mirror image, and one with a plan of its own."""
    home = Path(mkdtemp())
    stems = {name.replace("_", "-"): noise(1.0, RATE, seed) for seed, name in enumerate(SEATS)}
    mirrored = {name: (-x, y) for name, (x, y) in SEATS.items()}
    for name, seats in (("plain", SEATS), ("again", SEATS), ("mirrored", mirrored)):
        write_scene(
            home / name, stems, hall=hall_text(0.6), sections=sections(**seats), arrays=PAIR, more=MIX, rate=RATE
        )
    return home


def scene(name: str) -> Path:
    """Return a scene's path."""
    return folder() / name / "scene.toml"


@cache
def compared(*options: str) -> Compared:
    """Return the comparison of the plain scene with the same, its mirror image, and it with a spaced pair."""
    return compare_scenes(
        [scene("plain"), scene("again"), scene("mirrored")],
        Path(mkdtemp()),
        goals=["widest violins"],
    )


def of(variant: Variant, section: str) -> SectionNumbers:
    """Return the numbers of a section."""
    return next(numbers for numbers in variant.sections if numbers.section == section)


def test_a_variant_that_is_the_same_has_no_difference_and_the_summary_says_so() -> None:
    done = compared().comparison
    plain, again, _ = done.variants
    assert again.name != plain.name
    assert again.sections == plain.sections
    assert {value for s in done.differences["again"].values() for value in s.values()} == {0.0, None}
    assert done.summary[1] == "again is the same as plain: no number differs."
    assert done.summary[0].startswith("Of 2 variants, 1 is heard to differ from plain, and again is not.")
    page = (compared().folder / "comparison.html").read_text(encoding="utf-8")
    assert done.summary[1] in page
    assert f'<p class="lead">{done.summary[0]}</p>' in page


def test_a_variant_that_differs_is_told_apart() -> None:
    done = compared().comparison
    assert any(abs(v or 0.0) > 1.0 for s in done.differences["mirrored"].values() for v in s.values())
    assert "mirrored against plain" in done.summary[2]


BLUR = 3.6
"""How far off a direction may be measured, in degrees: the blur of localisation (see `rooms.jnd`)."""


@pytest.mark.parametrize("section", ["violins-1", "violins-2", "cellos"])
def test_a_mirrored_plan_gives_mirrored_numbers(section: str) -> None:
    """The walls are alike and the pair stands in the middle of the hall, so left and right change places."""
    plain, _, mirrored = compared().comparison.variants
    one, other = of(plain, section), of(mirrored, section)
    assert (other.azimuth_deg, other.left_deg, other.right_deg) == pytest.approx(
        (-one.azimuth_deg, -one.right_deg, -one.left_deg), abs=1e-9
    )
    assert other.width_deg == pytest.approx(one.width_deg, abs=1e-9)
    for key in ("measured_azimuth_deg", "heard_azimuth_deg"):  # sound: reflections and players' filters are in it
        assert getattr(other, key) == pytest.approx(-getattr(one, key), abs=BLUR / 2.0)
    for key in ("C80_db", "EDT_s", "T30_s", "Ts_s"):
        # A fiftieth of what is heard: the rays that carry scattered energy are the same for both, not mirrored.
        assert float(in_jnds(key, getattr(other, key), getattr(one, key))) == pytest.approx(0.0, abs=0.02)
    # Direct sound is geometry; late sound is other noise on the other side.
    assert other.mix_db.direct == pytest.approx(one.mix_db.direct, abs=0.05)
    assert other.mix_db.total == pytest.approx(one.mix_db.total, abs=1.0)


def test_without_scattering_a_mirrored_plan_gives_the_same_numbers_to_rounding(tmp_path: Path) -> None:
    """No rays, so nothing is left that isn't mirrored: it is they that differ by up to 0.02 with scattering."""
    found = []
    for side in (1.0, -1.0):
        seats = sections(a=(side * -1.5, 2.5))
        path = write_scene(
            tmp_path / f"{side}",
            {"a": noise(0.3, RATE)},
            hall=hall_text(0.6, 0.0),
            sections=seats,
            arrays=PAIR,
            rate=RATE,
        )
        found += run(job_of(path, tmp_path / "mix.wav")).sections
    one, other = found
    for key in ("C80_db", "EDT_s", "T30_s", "Ts_s"):
        assert float(in_jnds(key, getattr(other, key), getattr(one, key))) == pytest.approx(0.0, abs=1e-6)


def test_directions_follow_the_published_curves_for_level_and_time() -> None:
    """See `rooms.localisation` for the sources, and tests/reference/test_recording_angles.py for the curves."""
    read = read_scene(scene("plain"))
    plain = compared().comparison.variants[0]
    for section in read.sections:
        differences_of_pair = channel_differences(read.arrays[0], section.centre, read.hall.speed_of_sound)
        assert of(plain, section.name).azimuth_deg == pytest.approx(float(apparent_azimuth(*differences_of_pair)))


@pytest.mark.parametrize("array", ["xy", "ortf", "tree"])
def test_directions_measured_from_sound_are_those_that_geometry_foretells(array: str, tmp_path: Path) -> None:
    """Within the blur of localisation, and in order, for a coincident pair, a near one, and three omnis.

    The main array alone is the whole mix. A hall with next to no reflections, and a player each: of several, filters
    that part them blur what three omnis hear by some 10°.
    """
    arrays = f'[arrays.main]\npreset = "{array}"\nposition = [0.0, -1.0, 2.5]\n'
    seats = {"a": (-3.0, 2.0), "b": (-0.7, 2.5), "c": (2.0, 2.5)}
    stems = {name: noise(1.0, RATE, n) for n, name in enumerate(seats)}
    path = write_scene(
        tmp_path, stems, hall=hall_text(0.97), sections=sections(1, **seats), arrays=arrays, more=MIX, rate=RATE
    )
    found = run(job_of(path, tmp_path / "mix.wav")).sections
    for numbers in found:
        assert numbers.measured_azimuth_deg == pytest.approx(numbers.azimuth_deg, abs=BLUR)
        assert (numbers.heard_azimuth_deg, numbers.heard_width_deg) == pytest.approx(
            (numbers.measured_azimuth_deg, numbers.measured_width_deg), abs=1e-6
        )
    assert [numbers.azimuth_deg for numbers in found] == sorted(numbers.azimuth_deg or 0.0 for numbers in found)
    assert found[0].azimuth_deg < -BLUR < BLUR < found[2].azimuth_deg


def test_the_main_array_is_measured_alone_and_the_mix_with_all(tmp_path: Path) -> None:
    """A player at the left whose spot goes to the right, far louder than the pair."""
    arrays = PAIR.replace('preset = "spots"', 'purpose = "spot"\ngain = 20.0\nalign = true') + (
        'capsules = [{name = "spot", section = "a", at = [-3.0, 1.5, 1.2], pan = 1.0}]\n'
    )
    path = write_scene(
        tmp_path,
        {"a": noise(0.5, RATE)},
        hall=hall_text(0.97),
        sections=sections(1, a=(-3.0, 2.0)),
        arrays=arrays,
        rate=RATE,
    )
    (numbers,) = run(job_of(path, tmp_path / "mix.wav")).sections
    assert numbers.measured_azimuth_deg == pytest.approx(numbers.azimuth_deg, abs=BLUR)
    assert numbers.azimuth_deg < -BLUR
    assert numbers.heard_azimuth_deg > 20.0


def job_of(path: Path, audio: Path) -> Job:
    """Return the job of a scene as it is."""
    read = read_scene(path)
    return Job(replace(read, mix_gain=0.0), read.cues[0].name, None, RATE, audio)


def test_direct_sound_falls_with_distance_and_does_not_depend_on_how_many_play(tmp_path: Path) -> None:
    """20 lg r of a point source (physics); a stem's power is shared among its players."""
    arrays = '[arrays.main]\ncapsules = [{name = "middle", at = [0, 0, 1.2], pattern = "omni"}]\n'
    places = sections(near=(0.0, 2.0), far=(0.0, 4.0)) + sections(many=(0.0, -4.0)).replace(
        "players = 2", "players = 8"
    )
    stems = {name: noise(0.3, RATE) for name in ("near", "far", "many")}
    path = write_scene(tmp_path, stems, hall=hall_text(0.6), sections=places, arrays=arrays, rate=RATE)
    result = run(job_of(path, tmp_path / "mix.wav"))
    found = {numbers.section: numbers.level_db["main"].direct for numbers in result.sections}
    read = read_scene(path)
    expected: dict[str, float] = {}
    for section in read.sections:
        away = np.linalg.norm(section.positions - read.arrays[0].positions[0], axis=1)
        # The pan into left and right keeps power; 1 dB, as players' filters keep the tone to 1 dB.
        expected[section.name] = float(np.mean(1.0 / away**2))
        assert found[section.name] == pytest.approx(10.0 * np.log10(expected[section.name]), abs=1.0)
    for numbers in result.sections:
        share = expected[numbers.section] / np.mean([*expected.values()])
        assert numbers.balance_db.direct == pytest.approx(10.0 * np.log10(share), abs=1.0)
    # One microphone in the middle: everything in the middle, as wide as a point.
    assert all((n.azimuth_deg, n.width_deg) == (0.0, 0.0) for n in result.sections)
    assert [n.heard_azimuth_deg for n in result.sections] == pytest.approx([0.0] * 3, abs=1e-6)
    assert all(
        numbers.separation_db is None and "spot" in numbers.reasons["separation_db"] for numbers in result.sections
    )


def test_parts_of_a_level_add_up_to_the_whole() -> None:
    """As energies, within 0.3 dB: parts that follow each other are all but uncorrelated."""
    for numbers in compared().comparison.variants[0].sections:
        parts = (numbers.mix_db.direct, numbers.mix_db.early, numbers.mix_db.late)
        together = 10.0 * np.log10(sum(10.0 ** ((part or -np.inf) / 10.0) for part in parts))
        assert numbers.mix_db.total == pytest.approx(together, abs=0.3)


def test_results_do_not_depend_on_order_or_number_of_threads(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    files = []
    for threads, cache_folder in ((1, "one"), (3, "three")):
        monkeypatch.setenv("SITZPROBE_CACHE", str(tmp_path / cache_folder))
        out = tmp_path / f"{threads}"
        compare_scenes([scene("plain"), scene("mirrored")], out, threads=threads)
        files.append(contents(out))
    assert files[0] == files[1]


def test_no_response_is_computed_twice_however_many_jobs_need_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two jobs that run side by side share what they need alike: each section in each array comes once."""
    monkeypatch.setenv("SITZPROBE_CACHE", str(tmp_path / "cache"))
    written: list[str] = []
    put = Store.put

    def counted(store: Store, name: str, arrays: Mapping[str, np.ndarray]) -> None:
        written.extend([name] if "samples" in arrays else [])
        put(store, name, arrays)

    monkeypatch.setattr(Store, "put", counted)
    compare_scenes([scene("plain")], tmp_path / "out", arrays=["xy", "tree"], threads=3)
    assert len(written) == len(set(written)) == 3 * (1 + 3)  # three sections in the spots and in three main arrays


def test_a_job_gives_the_same_in_another_process_and_after_other_jobs(tmp_path: Path) -> None:
    """Sent as bytes to a process with a cache of its own; here, others have run before it."""
    arrays = '[arrays.main]\npreset = "xy"\nposition = [0.0, -1.0, 2.5]\n'
    seats = sections(a=(-1.5, 2.5))
    path = write_scene(
        tmp_path / "scene", {"a": noise(0.3, RATE)}, hall=hall_text(0.9), sections=seats, arrays=arrays, rate=RATE
    )
    job = job_of(path, tmp_path / "elsewhere.wav")
    sent = tmp_path / "job"
    sent.write_bytes(pickle.dumps(job))
    code = (
        "import pickle, sys; from pathlib import Path; from render.comparison_jobs import run\n"
        "Path(sys.argv[2]).write_bytes(pickle.dumps(run(pickle.loads(Path(sys.argv[1]).read_bytes()))))"
    )
    done = tmp_path / "result"
    elsewhere = os.environ | {"SITZPROBE_CACHE": str(tmp_path / "cache")}
    subprocess.run([sys.executable, "-c", code, str(sent), str(done)], check=True, env=elsewhere)
    run(job_of(scene("mirrored"), tmp_path / "other.wav"))
    here = run(replace(job, audio=tmp_path / "here.wav"))
    assert pickle.loads(done.read_bytes()) == here
    assert (tmp_path / "elsewhere.wav").read_bytes() == (tmp_path / "here.wav").read_bytes()


def test_a_passage_is_measured_as_what_it_is(tmp_path: Path) -> None:
    """The dry stem is taken from where the passage begins: directions stay within the blur, silence has none."""
    whole = job_of(scene("plain"), tmp_path / "mix.wav")
    later = run(replace(whole, passage=Passage(0.43, 0.97)))
    for numbers, others in zip(run(whole).sections, later.sections, strict=True):
        assert others.measured_azimuth_deg == pytest.approx(numbers.measured_azimuth_deg, abs=BLUR)
        assert others.azimuth_deg == numbers.azimuth_deg
    stems = {"a": noise(0.5, RATE), "b": np.concatenate([noise(0.2, RATE, 2), np.zeros(RATE)])}
    path = write_scene(
        tmp_path / "rest", stems, hall=hall_text(0.9), sections=sections(a=(1, 2), b=(-1, 2)), arrays=PAIR, rate=RATE
    )
    rest = run(replace(job_of(path, tmp_path / "rest.wav"), passage=Passage(0.9, 1.1)))
    for numbers in rest.sections:
        assert (numbers.measured_azimuth_deg, numbers.heard_width_deg) == (None, None)
        assert numbers.reasons["measured_azimuth_deg"] == "silent in this passage"


def test_what_has_no_first_sound_that_stands_out_is_not_placed() -> None:
    """Loudspeakers that play something else than the dry sound, or it from 0.1 s on all over a second."""
    dry = noise(2.0, RATE, 1).astype(np.float32)
    tail = noise(1.0, RATE, 2) * (np.arange(RATE) > 0.1 * RATE)
    for other in (noise(2.0, RATE, 3), np.convolve(dry, tail)[: dry.size]):
        meter = ImageMeter(RATE)
        meter.add(dry, np.stack([other, other]).astype(np.float32))
        (found,) = meter.result()
        assert np.isnan(found.azimuth)
        assert "doesn't stand out" in found.reason
    meter = ImageMeter(RATE)
    meter.add(dry, np.stack([dry, np.roll(dry, 3)]))
    assert meter.result()[0].azimuth == pytest.approx(float(apparent_azimuth(0.0, -3.0 / RATE)), abs=1.0)


@pytest.mark.parametrize("length", [997, RATE, 30000])
def test_meters_do_not_depend_on_how_sound_is_cut(length: int) -> None:
    mix = np.stack([noise(2.2, RATE, 1), 0.5 * noise(2.2, RATE, 2)]).astype(np.float32)
    whole, cut = MixMeter(RATE), MixMeter(RATE)
    image, pieces = ImageMeter(RATE), ImageMeter(RATE)
    whole.add(mix)
    image.add(mix.sum(axis=0), mix)
    for at in range(0, mix.shape[1], length):
        piece = mix[:, at : at + length]
        cut.add(piece)
        pieces.add(piece.sum(axis=0), piece)
    assert pieces.result() == image.result()
    one, other = whole.result(), cut.result()
    assert one.left_right_course_db == pytest.approx(other.left_right_course_db)
    assert (one.mono_db, one.mono_worst_hz, one.mono_worst_db) == pytest.approx(
        (other.mono_db, other.mono_worst_hz, other.mono_worst_db)
    )
    assert len(one.left_right_course_db) == 3


def test_a_job_can_be_sent_elsewhere_and_gives_the_same(tmp_path: Path) -> None:
    job = job_of(scene("plain"), tmp_path / "mix.wav")
    sent = pickle.loads(pickle.dumps(job))
    assert sent.digest == job.digest
    assert pickle.loads(pickle.dumps(run(sent))) == run(job)
    (_, other) = scene_variants([scene("plain")], arrays=["xy"])
    changed = Job(replace(other.scene_file, mix_gain=0.0), job.cue, None, RATE, job.audio)
    assert changed.digest != job.digest
    assert replace(job, passage=Passage(0.0, 0.5)).digest != job.digest
    home = tmp_path / "own"
    own = job_of(
        write_scene(home, {"a": noise(0.3, RATE)}, sections=sections(a=(0, 2)), arrays=PAIR, rate=RATE), job.audio
    )
    before = own.digest
    soundfile.write(home / "a.wav", noise(0.4, RATE), RATE, "FLOAT")
    assert own.digest != before  # its stem has changed


def test_sounds_have_one_loudness_and_lie_beside_the_numbers() -> None:
    done = compared()
    levels = []
    for variant in done.comparison.variants:
        samples, rate = soundfile.read(done.folder / variant.audio, dtype="float32", always_2d=True)
        assert rate == RATE
        levels.append(mix_numbers(np.ascontiguousarray(samples.T), rate).loudness)
    # 16 bits with dither 70 dB below.
    assert [level.lufs for level in levels] == pytest.approx([done.comparison.lufs] * 3, abs=0.02)
    assert all(level.true_peak_dbtp <= -1.0 + 0.01 for level in levels)
    written = json.loads((done.folder / "comparison.json").read_text(encoding="utf-8"))
    assert [v["name"] for v in written["variants"]] == ["plain", "again", "mirrored"]
    with (done.folder / "comparison.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    plain = of(done.comparison.variants[0], "cellos")
    (clarity,) = (r for r in rows if (r["variant"], r["section"], r["number"]) == ("plain", "cellos", "C80_db"))
    assert float(clarity["value"]) == pytest.approx(plain.C80_db, rel=1e-5)
    assert clarity["jnd_above_base"] == "0"
    assert (done.folder / "comparison.html").is_file()


def test_sounds_with_high_peaks_share_a_loudness_that_keeps_them_below_full_scale(tmp_path: Path) -> None:
    """A click has some 40 dB from loudness to peak, so −23 LUFS can't be had below −1 dBTP."""
    click = 0.001 * noise(1.0, RATE)
    click[RATE // 2] = 1.0
    path = write_scene(
        tmp_path, {"a": click}, hall=hall_text(0.9), sections=sections(a=(0.0, 1.0)), arrays=PAIR, rate=RATE
    )
    done = compare_scenes([path], tmp_path / "out", arrays=["xy"])
    assert done.comparison.lufs < -24.0
    assert any("so that all stay below -1 dBTP" in warning for warning in done.comparison.warnings)
    for variant in done.comparison.variants:
        assert (variant.lufs or 0.0) + variant.gain_db == pytest.approx(done.comparison.lufs)
        assert (variant.true_peak_dbtp or 0.0) + variant.gain_db <= -1.0 + 1e-9


def test_mono_keeps_what_is_alike_and_loses_what_is_opposite() -> None:
    """0 dB for equal channels, −3 dB for unrelated ones (within 0.1 dB: a second of noise), all for opposite ones."""
    one, other = noise(1.0, RATE, 1), noise(1.0, RATE, 2)
    assert mix_numbers(np.stack([one, one]), RATE).mono_db == pytest.approx(0.0, abs=1e-6)
    unrelated = mix_numbers(np.stack([one, other]), RATE)
    assert unrelated.mono_db == pytest.approx(10.0 * np.log10(0.5), abs=0.1)
    assert unrelated.left_right_db == pytest.approx(0.0, abs=0.2)
    assert mix_numbers(np.stack([one, -one]), RATE).mono_db == pytest.approx(-120.0)
    louder = mix_numbers(np.stack([one, 2.0 * one]), RATE)
    assert louder.left_right_db == pytest.approx(20.0 * np.log10(2.0), abs=1e-5)
    assert louder.left_right_course_db == pytest.approx([20.0 * np.log10(2.0)], abs=1e-5)


def test_goals_rank_and_show_what_they_cost() -> None:
    plain = compared().comparison.variants[0]
    wide = replace(
        plain,
        name="wide",
        violins_deg=(plain.violins_deg or 0.0) + 7.2,
        sections=tuple(replace(n, C80_db=(n.C80_db or 0.0) - 2.0) for n in plain.sections),
    )
    found = rank([plain, wide], {"widest violins": 1.0, "clearest cellos": 0.5})
    assert [place.variant for place in found.places] == ["wide", "plain"]
    assert found.places[0].score == pytest.approx(7.2 / 3.6 - 0.5 * 2.0)
    assert found.places[0].gains["clearest violins-1"] == pytest.approx(-2.0)
    assert found.places[1].score == 0.0
    unknown = replace(plain, name="unknown", violins_deg=None)
    assert rank([plain, unknown], {"widest violins": 1.0}).places[-1].score is None
    with pytest.raises(InputError, match="found 'clearest celli'; did you mean 'clearest cellos'"):
        rank([plain], {"clearest celli": 1.0})


def test_even_balance_is_better_the_less_sections_differ() -> None:
    plain = compared().comparison.variants[0]
    level = plain.sections[0].balance_db
    even = replace(plain, name="even", sections=tuple(replace(n, balance_db=level) for n in plain.sections))
    spread = float(np.std([n.balance_db.total or 0.0 for n in plain.sections]))
    assert rank([plain, even], {"even balance": 1.0}).places[0].score == pytest.approx(spread)
    assert spread > 0.0
    assert "even balance" in known_goals(["solo"])
    assert "widest violins" not in known_goals(["solo"])


def test_the_summary_tells_what_is_heard_in_the_measures_own_units() -> None:
    plain = compared().comparison.variants[0]
    clear = replace(
        plain, name="clear", sections=tuple(replace(n, C80_db=(n.C80_db or 0.0) + 2.5) for n in plain.sections)
    )
    (sentence,) = summary([plain, clear], differences([plain, clear]))
    assert "2.5 dB clearer (2.5 just-noticeable differences)" in sentence
    assert "Not heard to differ: balance, direction" in sentence


def test_the_summary_of_several_tells_the_largest_first_and_what_changes_in_none() -> None:
    plain = compared().comparison.variants[0]
    first = plain.sections[0]
    clear, clearer = (
        replace(
            plain,
            name=name,
            violins_deg=angle,
            sections=(
                replace(
                    first,
                    C80_db=(first.C80_db or 0.0) + more,
                    Ts_s=(first.Ts_s or 0.0) + later,
                    width_deg=(first.width_deg or 0.0) + 0.5 * STEPS["width_deg"],  # not heard
                ),
                *plain.sections[1:],
            ),
        )
        for name, more, later, angle in (("clear", 2.5, 0.032, 40.0), ("clearer", -4.0, 0.0, 5.0))
    )
    overview, *each = summary([plain, clear, clearer], differences([plain, clear, clearer]))
    assert "Of 2 variants, 2 are heard to differ from plain." in overview
    assert "clarity by up to 4.0 (violins-1 in clearer); centre time by up to 3.2 (violins-1 in clear)." in overview
    assert "Heard to change in none: balance, direction, width" in overview
    assert "furthest apart in clear (40°) and closest in clearer (5°)" in overview
    assert [text.split(":")[0] for text in each] == ["clear against plain", "clearer against plain"]
    same = replace(plain, name="same")
    again = replace(plain, name="again")
    assert summary([plain, same, again], differences([plain, same, again]))[0] == (
        "None of 2 variants is heard to differ from plain."
    )


def test_variants_are_every_combination_or_in_step() -> None:
    options = {"arrays": ["xy", "spots=section-pairs"], "halls": ["recital-room", "chamber-studio"]}
    every = scene_variants([scene("plain")], **options)
    assert [v.name for v in every] == [
        "plain",
        "recital-room, xy",
        "recital-room, section-pairs",
        "chamber-studio, xy",
        "chamber-studio, section-pairs",
    ]
    assert every[1].differs == {"hall": "recital-room", "main": "xy"}
    stepped = scene_variants([scene("plain")], **options, in_step=True)
    assert len(scene_variants([scene("plain")], arrays=["xy", "xy", "main=xy"])) == 2
    assert [v.name for v in stepped] == ["plain", "recital-room, xy", "chamber-studio, section-pairs"]
    with pytest.raises(InputError, match="found 2 of --hall, 1 of --array"):
        scene_variants([scene("plain")], halls=options["halls"], arrays=["xy"], in_step=True)


def test_what_a_plan_has_no_place_for_is_told_with_the_variant_s_name(tmp_path: Path) -> None:
    stems = {name: noise(0.3, RATE) for name in ("violins-1", "basses")}
    seats = '[seating]\nplan = "violins-together"\n[sections.violins-1]\nplayers = 2\n[sections.basses]\nplayers = 1\n'
    hall = '[hall]\npreset = "scoring-stage"\n'
    path = write_scene(tmp_path, stems, hall=hall, sections=seats, arrays=PAIR, rate=RATE)
    done = run_command("compare", path, "-o", tmp_path / "out", "--quiet", "--seating", "string-quartet")
    assert done.exit_code == 2
    assert "variant 'string-quartet' of " in done.output
    assert "section 'basses'" in done.output
    assert done.output.count("\n") == 1


def test_an_offset_that_all_variants_allow_heeds_their_delays(tmp_path: Path) -> None:
    """A main array that is mixed 3 ms early leaves less room before its first arrival than its distance says."""
    paths = []
    for name, more in (("base", ""), ("early", "delay = -0.003\n")):
        arrays = PAIR.split("[arrays.spots]")[0] + more
        seats = sections(1, a=(0.0, 1.0))
        offset = "[mix]\ngain = 0.0\noffset = 0.004\n"
        stems = {"a": noise(0.3, RATE)}
        paths.append(
            write_scene(
                tmp_path / name, stems, hall=hall_text(0.9), sections=seats, arrays=arrays, more=offset, rate=RATE
            )
        )
    done = compare_scenes(paths, tmp_path / "out").comparison
    nearest = read_scene(paths[0])
    away = np.linalg.norm(nearest.arrays[0].positions - nearest.sections[0].centre, axis=1).min()
    allowed = np.floor((away / nearest.hall.speed_of_sound - 0.003 - 0.001) * 1e4) / 1e4
    assert 0.0 < allowed < 0.004
    assert f"offset {allowed:g} s for all, not the base's 0.004 s, as something arrives before that" in done.warnings


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ([], "nothing to compare"),
        (["--array", "ortff"], "did you mean 'ortf'?"),
        (["--array", "mian=ortf"], "did you mean 'main'?"),
        (["--hall", "recital-rom"], "--hall: unknown hall 'recital-rom'; did you mean 'recital-room'?"),
        (
            ["--seating", "string-quartett"],
            "--seating: unknown seating plan 'string-quartett'; did you mean 'string-quartet'?",
        ),
        (["--array", "main=xxyy"], "--array: unknown array 'xxyy'"),
        (["--seating", ""], "--seating: unknown seating plan ''; allowed: "),
        (
            ["--hall", "recital-room", "--array", "xy", "--array", "ortf", "--in-step"],
            "found 1 of --hall, 2 of --array",
        ),
        (["--array", "xy", "--from", "70", "--to", "80"], "allowed"),
        (["--array", "xy", "--from", "0.8", "--to", "0.2"], "holds nothing"),
        (["--array", "xy", "--rank", "clearest celos"], "did you mean 'clearest cellos'?"),
        (["--array", "xy", "--rank", "evn balance"], "did you mean 'even balance'?"),
        (["--array", "xy", "--cue", "1m1"], "unknown cue '1m1'"),
        (["--array", "xy", "--to", "99"], "allowed: up to"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_mistakes_take_one_line_and_leave_what_there_is(options: list[str], text: str, tmp_path: Path) -> None:
    kept = tmp_path / "comparison.json"
    kept.write_text("mine", encoding="utf-8")
    done = run_command("compare", scene("plain"), "-o", tmp_path, "--quiet", *options)
    assert done.exit_code == 2
    assert text in done.output
    assert done.output.count("\n") == 1
    assert contents(tmp_path) == {"comparison.json": b"mine"}


def test_the_command_says_what_differs_and_ranks(tmp_path: Path) -> None:
    done = run_command(
        "compare",
        scene("plain"),
        "--array",
        "xy",
        "--from",
        "0.2",
        "--to",
        "0.8",
        "-o",
        tmp_path,
        "--rank",
        "even balance",
    )
    assert done.exit_code == 0, done.output
    assert "xy against plain" in done.output
    assert "ranked by even balance" in done.output
    found = json.loads((tmp_path / "comparison.json").read_text(encoding="utf-8"))
    assert found["passage"] == "0:00.2 to 0:00.8"
    samples, _ = soundfile.read(tmp_path / found["variants"][1]["audio"])
    assert len(samples) == round(0.6 * RATE)


def test_goals_of_the_command_line_take_the_scene_s_weights_and_show_their_cost(tmp_path: Path) -> None:
    """Score by hand: each goal's gain by its weight, 1 where the scene names none."""
    weighed = tmp_path / "scene.toml"
    text = scene("plain").read_text(encoding="utf-8").replace('stem = "', f'stem = "{scene("plain").parent}/')
    weighed.write_text(text + '[compare.weights]\n"clearest cellos" = 2.5\n"safest mono" = 1.5\n', encoding="utf-8")
    goals = {"even balance": 1.0, "widest violins": 1.0, "clearest cellos": 2.5}
    asked = [part for goal in goals for part in ("--rank", goal)]
    done = run_command("compare", weighed, "--array", "xy", "--array", "tree", "-o", tmp_path / "out", *asked)
    assert done.exit_code == 0, done.output
    assert "ranked by even balance × 1, widest violins × 1, clearest cellos × 2.5" in done.output
    ranking = json.loads((tmp_path / "out" / "comparison.json").read_text(encoding="utf-8"))["ranking"]
    assert ranking["weights"] == goals
    for place in ranking["places"]:
        assert place["score"] == pytest.approx(sum(weight * place["gains"][goal] for goal, weight in goals.items()))
        assert "safest mono" in place["gains"]  # what it costs
    scores = [place["score"] for place in ranking["places"]]
    assert scores == sorted(scores, reverse=True)
    assert scores[0] > scores[-1]
    assert f"  1. {ranking['places'][0]['variant']}: " in done.output
    of_scene = run_command("compare", weighed, "--array", "xy", "-o", tmp_path / "out")
    assert "ranked by clearest cellos × 2.5, safest mono × 1.5" in of_scene.output


def test_an_array_that_is_no_pair_has_directions_and_differences_too(tmp_path: Path) -> None:
    pair, tree = compare_scenes([scene("plain")], tmp_path, arrays=["tree"]).comparison.variants
    for variant in (pair, tree):
        first, second = (of(variant, name).azimuth_deg or 0.0 for name in ("violins-1", "violins-2"))
        assert first < second < 0.0
        assert variant.violins_deg == pytest.approx(second - first)
    steps = differences([pair, tree])["tree"]["violins-1"]
    apart = (of(tree, "violins-1").azimuth_deg or 0.0) - (of(pair, "violins-1").azimuth_deg or 0.0)
    assert steps["azimuth_deg"] == pytest.approx(apart / STEPS["azimuth_deg"])
