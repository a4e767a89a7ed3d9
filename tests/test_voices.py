"""From a cue's stems to voices: which rate, who is halved, what begins when, and every sample once."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from render.scene_file import SceneFile, read_scene
from render.stems import StemInfo, probe
from render.voices import (
    BLOCK,
    SIDES,
    Voice,
    common_rate,
    cue_voices,
    halved_sections,
    parts,
    probe_stems,
    read_voices,
    section_of,
)
from rooms.errors import InputError
from tests.small_scenes import SECTIONS, noise, write_scene

STEMS = {"left": noise(0.01), "right": noise(0.01)}


def header(name: str, rate: int = 48000, channels: int = 1, frames: int = 48000, start: int = 0) -> StemInfo:
    return StemInfo(Path(name), rate, channels, frames, "PCM_24", start)


def headers(scene: SceneFile, **by_section: StemInfo) -> Mapping[Path, StemInfo]:
    """Return headers for the stems of the scene's only cue."""
    return {stem.path: by_section[section] for section, stem in scene.cues[0].stems.items()}


@pytest.fixture
def scene(tmp_path: Path) -> SceneFile:
    return read_scene(write_scene(tmp_path, STEMS))


def test_the_rate_is_the_scene_s_else_the_one_most_stems_have(tmp_path: Path, scene: SceneFile) -> None:
    """A tie goes to the higher rate, which loses nothing; stems that differ are noted by name."""
    three = {Path(n): header(n, rate) for n, rate in (("a", 44100), ("b", 48000), ("c", 44100))}
    assert common_rate(scene, three) == (44100, ["b is at 48000 Hz and was resampled to 44100 Hz"])
    two = {Path(n): header(n, rate) for n, rate in (("a", 44100), ("b", 96000))}
    assert common_rate(scene, two)[0] == 96000
    fixed = read_scene(write_scene(tmp_path / "fixed", STEMS, top="sample_rate = 96000"))
    rate, notes = common_rate(fixed, three)
    assert rate == 96000
    assert len(notes) == 3


def test_a_section_with_a_stereo_stem_is_halved_unless_folded(tmp_path: Path, scene: SceneFile) -> None:
    both = headers(scene, left=header("left", channels=2), right=header("right"))
    assert halved_sections(scene, both) == {"left"}
    scene_path = tmp_path / "scene.toml"
    scene_path.write_text(scene_path.read_text().replace("[sections.left]", "[sections.left]\nfold = true"))
    folded = read_scene(scene_path)
    assert halved_sections(folded, both) == set()
    (voice, _), _, _ = cue_voices(folded, folded.cues[0], both, set(), 48000)
    assert (voice.section, voice.channels) == ("left", (0, 1))


def test_halves_have_names_of_their_own_that_lead_back_to_the_section(scene: SceneFile) -> None:
    section = scene.sections[0]
    assert parts(section, set()) == (section,)
    left, right = parts(section, {"left"})
    assert left.name != right.name
    assert section_of(left.name) == section_of(right.name) == section_of("left") == "left"
    assert left.share + right.share == pytest.approx(1.0, rel=1e-12)


def test_the_sides_of_a_stereo_stem_are_voices_of_the_halves(scene: SceneFile) -> None:
    """A mono stem of a halved section, from another cue, sounds from both."""
    stereo = headers(scene, left=header("left", channels=2), right=header("right"))
    voices, _, _ = cue_voices(scene, scene.cues[0], stereo, {"left"}, 48000)
    assert [(v.section, *v.channels) for v in voices] == [
        ("left (left half)", 0),
        ("left (right half)", 1),
        ("right", 0),
    ]
    mono = headers(scene, left=header("left"), right=header("right"))
    voices, _, _ = cue_voices(scene, scene.cues[0], mono, {"left"}, 48000)
    assert [(v.section, *v.channels) for v in voices] == [
        ("left (left half)", 0),
        ("left (right half)", 0),
        ("right", 0),
    ]


def test_time_references_count_in_each_file_s_own_rate(scene: SceneFile) -> None:
    """One hour at 44.1 kHz and one hour and half a second at 48 kHz are half a second apart (EBU Tech 3285)."""
    stamped = headers(
        scene,
        left=header("left", 44100, frames=44100, start=3600 * 44100),
        right=header("right", start=3600 * 48000 + 24000),
    )
    voices, start, notes = cue_voices(scene, scene.cues[0], stamped, set(), 48000)
    assert start == 3600 * 48000
    assert [voice.late for voice in voices] == [0, 24000]
    assert [voice.samples for voice in voices] == [48000, 72000]
    assert notes == []


def test_a_missing_time_reference_is_noted_and_all_begin_together(scene: SceneFile) -> None:
    partly = headers(scene, left=header("left", start=48000), right=header("right"))
    voices, start, notes = cue_voices(scene, scene.cues[0], partly, set(), 48000)
    assert (start, [voice.late for voice in voices]) == (0, [0, 0])
    assert len(notes) == 1
    assert "'right' has no time reference" in notes[0]


def test_a_start_in_the_scene_holds_and_the_others_keep_their_time_references(tmp_path: Path) -> None:
    """In s after the cue's start, which the earliest of the others gives."""
    sections = SECTIONS.replace("[sections.left]", "[sections.left]\nstart = 2.5")
    scene = read_scene(write_scene(tmp_path, STEMS, sections=sections))
    both = headers(scene, left=header("left", start=17), right=header("right", start=3600 * 48000))
    voices, start, notes = cue_voices(scene, scene.cues[0], both, set(), 44100)
    assert [(v.late, v.samples) for v in voices] == [(110250, 110250 + 44100), (0, 44100)]
    assert (start, notes) == (3600 * 44100, [])
    plain = headers(scene, left=header("left", start=17), right=header("right"))
    voices, start, notes = cue_voices(scene, scene.cues[0], plain, set(), 44100)
    assert ([v.late for v in voices], start, notes) == ([110250, 0], 0, [])


def test_a_cue_says_when_a_stem_starts_and_which_channels_it_plays_else_the_section_does(tmp_path: Path) -> None:
    """A cue's own word goes before the section's."""
    sections = SECTIONS.replace("[sections.left]", "[sections.left]\nstart = 1.0\nchannels = [5, 6]")
    cues = """[cues.a]
left = "a.wav"
right = {stem = "b.wav", start = 0.5, channels = [2]}
[cues.b]
left = {stem = "c.wav", start = 0.0, channels = [1]}
"""
    scene = read_scene(write_scene(tmp_path, {}, sections=sections, more=cues))
    stems = [(cue.name, name, s.path.name, s.start, s.channels) for cue in scene.cues for name, s in cue.stems.items()]
    assert stems == [
        ("a", "left", "a.wav", 1.0, (5, 6)),
        ("a", "right", "b.wav", 0.5, (2,)),
        ("b", "left", "c.wav", 0.0, (1,)),
    ]


def test_sections_may_share_a_file_of_many_channels_which_is_read_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One halved, one alone, one folded; each hears its own channels of it."""
    signal = np.stack([noise(0.5, seed=n) for n in range(5)])
    sections = SECTIONS + SECTIONS.split("[sections.right]")[0].replace("left", "folded")
    for name, keys in {"left": "[4, 2]", "right": "[5]", "folded": "[1, 3]\nfold = true"}.items():
        sections = sections.replace(f"[sections.{name}]", f'[sections.{name}]\nstem = "all.wav"\nchannels = {keys}')
    scene = read_scene(write_scene(tmp_path, {}, sections=sections))
    soundfile.write(tmp_path / "all.wav", signal.T, 48000, "FLOAT")
    found = probe_stems(scene, scene.cues)[0]
    halved = halved_sections(scene, found)
    voices, _, _ = cue_voices(scene, scene.cues[0], found, halved, 48000)
    assert [v.section for v in voices] == ["left (left half)", "left (right half)", "right", "folded"]
    frames = 0
    read = soundfile.SoundFile.read

    def counted(file: soundfile.SoundFile, *arguments: Any, **options: Any) -> Any:
        nonlocal frames
        samples = read(file, *arguments, **options)
        frames += len(samples)
        return samples

    monkeypatch.setattr(soundfile.SoundFile, "read", counted)
    block = np.concatenate(list(read_voices(voices, 48000, lambda text: None)), axis=1)
    np.testing.assert_array_equal(block[:3], signal[[3, 1, 4]])
    np.testing.assert_allclose(block[3], signal[[0, 2]].mean(axis=0), rtol=1e-6, atol=1e-9)
    assert frames <= signal.shape[1] + 2  # each probe tries the last sample


@pytest.mark.parametrize(
    ("keys", "line"),
    [
        ("", "has 6 channels; choose one or two of them for section 'left', such as channels = [1, 2]"),
        ("channels = [7]", "has no channel 7; allowed: channels 1 to 6"),
        ("channels = [1, 9]", "has no channel 9; allowed: channels 1 to 6"),
    ],
)
def test_channels_that_are_not_chosen_or_not_there_are_one_line(tmp_path: Path, keys: str, line: str) -> None:
    """With the line of the scene that names the file."""
    scene_path = write_scene(
        tmp_path,
        {"left": np.zeros((6, 100))},
        sections=SECTIONS.replace("[sections.right]", f"{keys}\n[sections.right]"),
    )
    with pytest.raises(InputError) as caught:
        probe_stems(scene := read_scene(scene_path), scene.cues)
    number = scene_path.read_text().splitlines().index('stem = "left.wav"') + 1
    assert str(caught.value) == f"{scene_path}:{number}: section 'left': stem: {tmp_path / 'left.wav'}: {line}"


def test_what_may_be_wrong_with_a_stem_is_told_when_it_has_been_read(tmp_path: Path) -> None:
    """By section, of its own channels only; each once, also where a stereo stem is two voices."""
    hot = noise(2.0)
    hot[5000:5010] = 1.0
    soundfile.write(tmp_path / "a.wav", np.stack([np.zeros_like(hot), np.zeros_like(hot), hot, -hot], axis=1), 48000)
    path = tmp_path / "a.wav"
    voices = [
        Voice("muted" + SIDES[0], probe(path), (0,), 0, 96000),
        Voice("muted" + SIDES[1], probe(path), (1,), 0, 96000),
        Voice("hot", probe(path), (2,), 0, 96000),
        Voice("folded", probe(path), (2, 3), 0, 96000),
    ]
    told: list[str] = []
    for _ in read_voices(voices, 44100, told.append):
        assert not told
    assert [text.split(":")[0:2] for text in told] == [
        ["muted", " silent"],
        ["hot", " clipped"],
        ["folded", " clipped"],
        ["folded", " its sides cancel when folded"],
    ]
    assert told[1].endswith("first at 0.104 s")


@settings(max_examples=15)
@given(
    lengths=st.lists(st.integers(1, 3 * BLOCK), min_size=1, max_size=3),
    late=st.lists(st.integers(0, 2 * BLOCK), min_size=3, max_size=3),
)
def test_every_sample_is_read_once_where_it_belongs(
    tmp_path_factory: pytest.TempPathFactory, lengths: list[int], late: list[int]
) -> None:
    """Law: late starts and short stems are silence, whatever the lengths; blocks fill up but the last."""
    folder = tmp_path_factory.mktemp("voices")
    expected = np.zeros((len(lengths), max(map(sum, zip(lengths, late, strict=False)))), np.float32)
    voices = []
    for n, (length, start) in enumerate(zip(lengths, late, strict=False)):
        signal = np.arange(1, length + 1, dtype=np.float32) / (4 * BLOCK)
        soundfile.write(folder / f"{n}.wav", signal, 48000, "FLOAT")
        expected[n, start : start + length] = signal
        voices.append(Voice(str(n), probe(folder / f"{n}.wav"), (0,), start, start + length))
    blocks = list(read_voices(voices, 48000))
    assert all(block.shape == (len(lengths), BLOCK) for block in blocks[:-1])
    np.testing.assert_array_equal(np.concatenate(blocks, axis=1), expected)


def test_a_voice_is_its_side_of_a_stereo_stem_or_the_mean_of_both(tmp_path: Path) -> None:
    """Folding keeps the level of a sound that is alike on both sides: the mean, not the sum."""
    sides = np.stack([noise(0.01), noise(0.01, seed=2)])
    soundfile.write(tmp_path / "a.wav", sides.T, 48000, "FLOAT")
    voices = [Voice("a", probe(tmp_path / "a.wav"), which, 0, 480) for which in ((0,), (1,), (0, 1))]
    (block,) = read_voices(voices, 48000)
    np.testing.assert_array_equal(block[:2], sides)
    np.testing.assert_allclose(block[2], sides.mean(axis=0), rtol=1e-6, atol=1e-9)
