"""A passage is a part of the cue and nothing else: the same bits, at the same time, with what rang before it."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
import soundfile

from render.passage import Passage, parse_time
from rooms.errors import InputError
from tests.small_scenes import (
    RATE,
    contents,
    hall_text,
    heard,
    noise,
    rendered,
    run,
    time_reference,
    with_time_reference,
    write_scene,
)

pytestmark = pytest.mark.usefixtures("no_figures")


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("0", 0.0),
        ("12", 12.0),
        ("72.5", 72.5),
        ("1:12.5", 72.5),
        ("01:02:03.25", 3723.25),
        ("90:00", 5400.0),
        ("5.", 5),
    ],
)
def test_a_time_is_read_as_people_write_it(text: str, seconds: float) -> None:
    """Seconds, minutes and seconds, hours; from memory, as workstations show them."""
    assert parse_time(text) == seconds


@pytest.mark.parametrize("text", ["", "a", "-1", "1:60", "1:2:3:4", "1,5", "1e3", "nan", ":", "1.2.3", "1.5:00", "²"])
def test_what_is_no_time_is_refused_in_a_line(text: str) -> None:
    """Not read as something else, silently."""
    with pytest.raises(InputError, match=re.escape(f"found the time '{text}'; allowed: seconds, m:ss or h:mm:ss")):
        parse_time(text)


def test_a_passage_lies_in_its_cue() -> None:
    """It may end with the tail; it may not be empty, or end later."""
    assert Passage(1.0, 2.0).samples("one", RATE, 3 * RATE) == (RATE, 2 * RATE)
    assert Passage(1.0, None).samples("one", RATE, 3 * RATE) == (RATE, 3 * RATE)
    assert Passage(0.0, 3.0).samples("one", RATE, 3 * RATE) == (0, 3 * RATE)
    with pytest.raises(InputError, match="from 2 s to 2 s holds nothing"):
        Passage(2.0, 2.0).samples("one", RATE, 3 * RATE)
    with pytest.raises(InputError, match="from 4 s to 3 s holds nothing"):
        Passage(4.0, None).samples("one", RATE, 3 * RATE)
    with pytest.raises(InputError, match=r"cue 'one' is 3\.000 s long, .*a passage to 3\.5 s; allowed: up to 3 s"):
        Passage(2.0, 3.5).samples("one", RATE, 3 * RATE)


def long_scene(folder: Path, **options: str) -> Path:
    """Twelve seconds in a hall whose responses take one block, stems in different formats, one at another rate."""
    scene = write_scene(folder, {"left": noise(1.0), "right": noise(1.0)}, hall=hall_text(0.3), **options)
    soundfile.write(folder / "left.flac", noise(12.0), RATE)
    soundfile.write(folder / "right.aiff", noise(11.0, rate=44100, seed=2), 44100, "PCM_24")
    text = scene.read_text().replace("left.wav", "left.flac").replace("right.wav", "right.aiff")
    scene.write_text(text.replace("[hall]", f"sample_rate = {RATE}\n[hall]", 1))
    return scene


@pytest.mark.parametrize("options", [(), ("--stems", "--format", "pcm24")], ids=["float", "24-bit stems"])
def test_a_passage_is_the_same_samples_as_in_the_whole_cue(tmp_path: Path, options: tuple[str, ...]) -> None:
    """Bit by bit, dither included, in every file: near the start, across blocks, in the tail, of any length."""
    scene = long_scene(tmp_path / "cue")
    folder = rendered(scene, *options)
    before = contents(folder)
    wholes = sorted(p for p in folder.rglob("*.wav"))
    length = heard(wholes[0]).shape[1]
    assert length > 12.2 * RATE
    for start, end in (("0", "0.5"), ("0.01", "3.123"), ("6", "0:06.001"), ("7.777", None), ("12.1", None)):
        rendered(scene, "--from", start, *(("--to", end) if end else ()), *options)
        label = f"{parse_time(start):.3f}-" + (f"{parse_time(end):.3f}s" if end else "end")
        home = folder / "passages" / f"cue_{label}"
        first, last = round(parse_time(start) * RATE), round(parse_time(end) * RATE) if end else length
        for whole in wholes:
            name = whole.relative_to(folder)
            passage = home / name.with_name(name.name.replace("cue", f"cue_{label}", 1))
            np.testing.assert_array_equal(heard(passage), heard(whole)[:, first:last])
        assert len(list(home.rglob("*.wav"))) == len(wholes)
    assert {name: data for name, data in contents(folder).items() if not name.startswith("passages/")} == before


def test_a_passage_says_when_it_is(tmp_path: Path) -> None:
    """Its files' time reference is that of the stems and the passage's own start; the report says what it is."""
    scene = write_scene(tmp_path / "cue", {"left": noise(1.0), "right": noise(1.0)})
    for name in ("left", "right"):
        with_time_reference(scene.parent / f"{name}.wav", 3600 * RATE)
    done = run("render", scene, "-o", tmp_path / "out", "--from", "0.5", "--to", "0.75", "--quiet")
    assert done.exit_code == 0, done.output
    home = tmp_path / "out" / "passages" / "cue_0.500-0.750s"
    assert {time_reference(path) for path in home.rglob("*.wav")} == {3600 * RATE + RATE // 2}
    assert done.stderr == (
        "warning: a passage, 0.500-0.750s, of cue 'cue', with what rang before it: "
        "the same samples as in the whole cue\n"
    )
    assert f"{home / 'mix' / 'cue_0.500-0.750s.wav'}: 0.2 s" in done.stdout


def test_a_passage_of_a_cue_that_clips_names_the_gain_for_the_whole_scene(tmp_path: Path) -> None:
    """The passage is soft enough to need less; a gain that only fits it would be refused again a minute later."""
    signal = 0.1 * noise(3.0)
    signal[RATE : RATE + 100] *= 100.0
    scene = write_scene(tmp_path / "cue", {"left": signal}, more="[mix]\ngain = 60.0\n")
    line = run("render", scene, "-o", tmp_path / "out", "--from", "2", "--format", "pcm16", "--quiet").stderr
    found = re.search(r"lower the gain by ([\d.]+) dB, which fits all cues, or write float32", line)
    assert found, line
    scene.write_text(scene.read_text().replace("gain = 60.0", f"gain = {60.0 - float(found[1]):.1f}"))
    peaks = [np.abs(heard(p)).max() for p in rendered(scene, "--format", "pcm16").rglob("*.wav")]
    assert 0.97 < max(peaks) < 1.0


@pytest.mark.parametrize(
    ("options", "line"),
    [
        (("--from", "1:99"), "found the time '1:99'; allowed: seconds, m:ss or h:mm:ss, such as 72.5 or 1:12.5"),
        (("--to", "soon"), "found the time 'soon'; allowed: seconds, m:ss or h:mm:ss, such as 72.5 or 1:12.5"),
        (("--from", "1", "--to", "0.5"), "a passage from 1 s to 0.5 s holds nothing; begin it earlier"),
        (("--to", "99"), "cue 'cue' is "),
    ],
)
def test_a_passage_that_is_none_is_refused_in_a_line(tmp_path: Path, options: tuple[str, ...], line: str) -> None:
    """Exit 2, and no audio."""
    scene = write_scene(tmp_path / "cue", {"left": noise()})
    done = run("render", scene, "-o", tmp_path / "out", "--quiet", *options)
    assert (done.exit_code, done.stderr.count("\n")) == (2, 1)
    assert done.stderr.startswith(f"sitzprobe: {line}"), done.stderr
    assert not [p for p in tmp_path.rglob("*.wav") if p.parent.name == "mix"]


def test_a_passage_is_of_one_cue(tmp_path: Path) -> None:
    """With more of them the line says how to choose."""
    scene = write_scene(tmp_path / "cue", {"left": noise(), "right": noise()})
    text = scene.read_text().replace('stem = "left.wav"\n', "").replace('stem = "right.wav"\n', "")
    scene.write_text(text + '[cues.one]\nleft = "left.wav"\n[cues.two]\nright = "right.wav"\n')
    done = run("render", scene, "-o", tmp_path / "out", "--from", "0.1", "--quiet")
    assert done.stderr == "sitzprobe: a passage is part of one cue; choose it with --cue; allowed: one, two\n"
    rendered(scene, "--from", "0.1", "--cue", "two", folder=tmp_path / "out")
    assert (tmp_path / "out" / "passages" / "two_0.100-end" / "mix" / "two_0.100-end.wav").is_file()
