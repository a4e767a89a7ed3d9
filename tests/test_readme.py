"""The README keeps its promises: its commands are those CI runs, its Python runs, its links lead somewhere."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
import soundfile

from render.cli import main
from render.scene_file import read_scene
from rooms import catalogue
from tests.small_scenes import noise, run, without_figures
from tests.stated_T30 import hall_table

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_python_lines_run_as_printed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With nothing said before them, in an empty folder, the README's Python renders the demo."""
    (code,) = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    without_figures(monkeypatch)
    monkeypatch.chdir(tmp_path)
    exec(code, {"__name__": "__main__"})
    assert (tmp_path / "rendered" / "mix" / "demo.wav").is_file()


def test_the_commands_of_a_cue_run_as_printed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """From an empty folder, with a short stem for each section the starter names."""
    (block,) = re.findall(r"## Your own cue\n\n```sh\n(.*?)```", README, re.DOTALL)
    without_figures(monkeypatch)
    monkeypatch.chdir(tmp_path)
    lines = [shlex.split(line, comments=True) for line in block.splitlines()]
    assert [words[0] for words in lines] == ["sitzprobe"] * 4
    for words in lines:
        done = run(*words[1:])
        assert done.exit_code == 0, (words, done.output)
        if words[1] == "new":
            stems = tmp_path / words[2] / "stems"
            for number, stem in enumerate(read_scene(stems.parent / "scene.toml").cues[0].stems.values()):
                soundfile.write(stem.path, noise(0.2, seed=number), 48000)
    assert (tmp_path / "harbour" / "rendered" / "mix").is_dir()


def test_commands_within_the_text_are_ones_there_are(tmp_path: Path) -> None:
    """Each parses, with its options; presets it names exist."""
    found = re.findall(r"`sitzprobe ([^`]+)`", README)
    assert len(found) >= 5
    for command, *words in map(shlex.split, found):
        with main.commands[command].make_context(command, list(words)) as context:
            for kind in ("seatings", "halls", "arrays"):
                for name in context.params.get(kind) or ():
                    catalogue.load(catalogue.plural(kind.removesuffix("s")), name)
            if command == "presets" and words:
                catalogue.load(*words)


def test_two_commands_stand_on_lines_of_their_own() -> None:
    """CI finds exactly one command that renders and one that tests, each a single line that starts from nothing."""
    commands = [line for line in README.splitlines() if line.startswith("python3 -m venv")]
    assert len(commands) == 2
    assert commands[0].endswith("sitzprobe render")
    assert commands[1].endswith("pytest")
    assert "grep '^python3 -m venv' README.md" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "CHANGELOG.md"])
def test_links_and_pictures_exist(name: str) -> None:
    """Every relative link of the documents leads to a file."""
    text = (ROOT / name).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        assert target.startswith("https://") or (ROOT / target).is_file(), target


def test_developers_page_names_every_module() -> None:
    """The map of the house has all rooms in it."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for package in ("rooms", "render"):
        for module in (ROOT / package).glob("*.py"):
            assert module.stem == "__init__" or re.search(rf"\b{module.stem}\b", text), module.stem


def test_the_limits_of_the_model_are_told_with_the_halls_numbers() -> None:
    """2000·√(T/V) (Schroeder & Kuttruff, J. Acoust. Soc. Am. 34, 76, 1962) from what those named state."""
    told = dict(re.findall(r"([a-z-]+)\s(\d+) Hz", README[README.index("## Where the model ends") :]))
    named = set(told) & set(catalogue.names("halls"))
    assert {"dry-live-room", "scoring-stage", "stone-church"} <= named
    for name in named:
        stated = hall_table(name).stated_T30
        assert stated is not None
        times = stated.occupied[3:5]  # 500 Hz and 1 kHz
        assert float(told[name]) == round(2000.0 * (sum(times) / 2.0 / catalogue.hall(name).box.volume) ** 0.5), name


def test_cautions_are_given() -> None:
    """Loud listening, rigging and building each have their line."""
    for word in ("hearing", "riggers", "licensed acoustician"):
        assert word in README
