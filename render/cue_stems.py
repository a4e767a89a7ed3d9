"""The stems of each cue: named in the scene, or found by the names of their files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field

from render.naming import NamedFiles, check_pattern, named_files
from rooms.errors import did_you_mean
from rooms.tables import Count, Number, Table
from rooms.toml_reader import Location, TomlFile

__all__ = ["Channels", "Cue", "Start", "Stem", "StemFolderTable", "StemOrFile", "StemTable", "cue_stems"]

Start = Annotated[Number, Field(ge=0, le=86400)]
Channels = Annotated[tuple[Annotated[Count, Field(ge=1, le=1024)], ...], Field(min_length=1, max_length=2)]


def _by_file(value: Any) -> Any:
    """Read a bare file name as the table that holds only it."""
    return {"stem": value} if isinstance(value, str) else value


class StemTable(Table):
    """The stem of a section in one cue, where more than its file is to be said."""

    stem: str | None = Field(
        default=None, description="The sound file, relative to the scene; left out: the one that [stems] finds"
    )
    start: Start | None = Field(default=None, description="As for a section, which it overrides")
    channels: Channels | None = Field(default=None, description="As for a section, which it overrides")


class StemFolderTable(Table):
    """A folder of stems whose names say whose they are; a stem that the scene names goes before it."""

    folder: str = Field(default="stems", description="Where the sound files are, relative to the scene")
    pattern: Annotated[str, AfterValidator(check_pattern)] = Field(
        default="{section}*",
        description="How they are named, such as {cue}_{section}*.wav or {cue}/{section}: * is any text, ? any "
        "character; case doesn't matter, and spaces, _, - and . are alike. Cues are those that the names have, and "
        "those with a [cues.NAME] table; without {cue} there is one",
    )


StemOrFile = Annotated[StemTable, BeforeValidator(_by_file, json_schema_input_type=str | StemTable)]


@dataclass(frozen=True)
class Stem:
    """The sound file of one section in one cue.

    Parameters
    ----------
    path : Path
        The file.
    start : float or None
        When it begins, in s after the cue's start; None: as its time reference says.
    channels : tuple of int or None
        Which of the file's channels play, counted from 1; None: all.
    at : tuple
        Where the scene names it, for messages.
    """

    path: Path
    start: float | None
    channels: tuple[int, ...] | None
    at: Location


@dataclass(frozen=True)
class Cue:
    """One piece of music: the stem of each section that plays in it."""

    name: str
    stems: Mapping[str, Stem]


def cue_stems(
    file: TomlFile,
    sections: Mapping[str, StemTable],
    cues: Mapping[str, Mapping[str, StemTable]],
    folder: StemFolderTable | None,
) -> tuple[tuple[Cue, ...], tuple[str, ...], tuple[str, ...]]:
    """Return a scene's cues with their stems.

    Parameters
    ----------
    file : TomlFile
        The scene.
    sections : mapping
        What each section says of its stems.
    cues : mapping
        What the scene says of cues, by cue and section.
    folder : StemFolderTable or None
        How files are named that are to be found.

    Returns
    -------
    cues : tuple of Cue
        Those the scene lists, then those found. Without either, the one that the stems of the sections make up, called
        after the file or, for a scene.toml, after its folder.
    notes : tuple of str
        A line for each file that isn't used, and for sections without a stem.
    faults : tuple of str
        A line for each thing about names of files that must be settled before a render.

    Raises
    ------
    InputError
        If stems are named in two ways that don't go together, or of a section that doesn't exist.
    """
    home = file.path.parent
    named = next((name for name, table in sections.items() if table.stem is not None), None)
    several = bool(cues) or (folder is not None and "{cue}" in folder.pattern)
    if named is not None and several:
        raise file.error(("sections", named, "stem"), "stems stand in sections or in cues, not in both")
    if folder is not None and cues and "{cue}" not in folder.pattern:
        raise file.error(("stems", "pattern"), f"found '{folder.pattern}'; with [cues] tables it needs {{cue}}")
    for cue, stems in cues.items():
        for name, table in stems.items():
            if name not in sections:
                raise file.error(("cues", cue, name), f"unknown section; {did_you_mean(name, sections)}")
            if table.stem is None and folder is None:
                raise file.error(("cues", cue, name), "key 'stem' is missing")
    only = (home.resolve().name if file.path.stem == "scene" else file.path.stem) or "scene"
    said = cues if several else {only: sections}
    given = {
        (cue, name): home / table.stem
        for cue, stems in said.items()
        for name, table in stems.items()
        if table.stem is not None
    }
    found = NamedFiles({}, (), ())
    if folder is not None:
        found = named_files(home / folder.folder, folder.pattern, list(sections), list(said), given)
    paths = given | {(cue, name): path for cue, files in found.files.items() for name, path in files.items()}

    def stem(cue: str, name: str) -> Stem:
        section, own = sections[name], said.get(cue, {}).get(name, StemTable())
        at: Location = ("stems",)
        if name in cues.get(cue, {}):
            at = ("cues", cue, name)
        elif (cue, name) in given:
            at = ("sections", name, "stem")
        start = section.start if own.start is None else own.start
        return Stem(paths[cue, name], start, own.channels or section.channels, at)

    complete = [
        Cue(cue, {name: stem(cue, name) for name in sections if (cue, name) in paths})
        for cue in dict.fromkeys([*said, *found.files])
    ]
    kept = tuple(cue for cue in complete if cue.stems or cue.name in cues)
    notes = (*found.notes, *_silent(kept, list(sections))) if folder is not None else ()
    return kept, notes, found.faults


def _silent(cues: Sequence[Cue], sections: Sequence[str]) -> list[str]:
    """Return a line on each section that has no stem in any cue, and on those that have none in one of them."""
    playing = {section for cue in cues for section in cue.stems}
    lines = [f"section '{section}' has no stem and doesn't play" for section in sections if section not in playing]
    for cue in cues:
        missing = [f"'{section}'" for section in sections if section in playing and section not in cue.stems]
        if missing and cue.stems:
            lines.append(f"cue '{cue.name}' has no stem for {', '.join(missing)}")
    return lines
