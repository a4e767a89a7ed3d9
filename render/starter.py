"""A folder to start from: a commented scene with the numbers of its mix written down, and a place for the stems."""

from __future__ import annotations

from pathlib import Path

from render.export import write_text
from render.scene_file import SceneFile, build_scene
from rooms import catalogue
from rooms.errors import InputError
from rooms.microphones import Purpose
from rooms.toml_reader import parse_toml

__all__ = ["starter_scene", "write_starter"]

PURPOSES: dict[Purpose, str] = {
    "main": "the sound of the hall from the conductor's place",
    "outriggers": "the width of the strings",
    "spot": "close",
    "ambience": "far",
    "surround": "around the listener",
}
"""What moves with each purpose's balance."""

STEMS_README = """\
Put the dry stems here: one file a section, WAV, FLAC or AIFF, mono or stereo, all starting at the same time.
Then name them in ../scene.toml.
"""


def starter_scene(folder: Path) -> SceneFile:
    """Return the scene a new folder starts with, as if it stood there already; its mix has no numbers yet."""
    text = (catalogue.folder() / "starter" / "scene.toml").read_text(encoding="utf-8")
    return build_scene(parse_toml(folder / "scene.toml", text))


def write_starter(scene: SceneFile, gain: float, offset: float) -> tuple[Path, ...]:
    """Write a starter scene with its mix, and the folder for its stems.

    Parameters
    ----------
    scene : SceneFile
        What `starter_scene` gave; tells the folder.
    gain : float
        Gain of all outputs in dB.
    offset : float
        Time removed from the start of all outputs in s, 0 or more.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    InputError
        If there is a scene already, or the folder can't be written.
    """
    purposes = dict.fromkeys(array.purpose for array in scene.arrays)
    balance = "\n".join(f"{f'{purpose} = 0.0':<32} # {PURPOSES[purpose]}" for purpose in purposes)
    mix = f"""
[mix]
{f"gain = {gain:.1f}":<32} # dB: brings this ensemble in this hall back to the stems' level; common to all outputs
{f"offset = {offset:.4f}":<32} # s, removed from the start of all outputs: nothing arrives earlier

[mix.balance]                    # dB, on top of the arrays' own gains; `sitzprobe check` shows both
{balance}
"""
    readme = scene.path.parent / "stems" / "README.txt"
    if scene.path.exists():
        raise InputError(f"{scene.path}: exists already; name another folder")
    try:
        readme.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{readme.parent}: can't be made: {error.strerror}") from None
    written = [scene.path]
    if not readme.exists():
        write_text(readme, STEMS_README)
        written.append(readme)
    write_text(scene.path, scene.file.text + mix)
    return tuple(written)
