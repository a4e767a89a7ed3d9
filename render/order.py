"""What is asked of a render, read and checked before anything is computed or written."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path

from render.beds import beds_of
from render.cue_plan import OutputFile, cue_files
from render.export import Encoding, flac_holds, suffix
from render.mix import heard_arrays
from render.passage import Passage
from render.scene_file import Cue, SceneFile, chosen_cues
from render.sidecar import Stamp, stamp
from render.staging import refuse_long_names
from render.stems import StemInfo
from render.voices import halved_sections, probe_stems, undecided
from rooms.errors import InputError

__all__ = ["Order", "checked_order"]


@dataclass(frozen=True)
class Order:
    """What is asked of a render, read and checked.

    Attributes
    ----------
    scene_file : SceneFile
        The scene, without the cues that can't be rendered.
    cues : tuple of Cue
        Those asked for.
    passage, quick, stems, encoding, force, notice
        As for `render.session.render_scene`.
    headers : mapping
        Of all stems that can be read, by path.
    halved : collection of str
        Sections seated as two halves.
    stamps : mapping
        How the stems' files look, by path.
    files : mapping
        What is written, by the name of a cue.
    folder : Path
        Where.
    remarks : tuple of str
        What is wrong with other cues.
    """

    scene_file: SceneFile
    cues: tuple[Cue, ...]
    passage: Passage | None
    quick: bool
    stems: bool
    encoding: Encoding
    force: bool
    notice: Callable[[str], None]
    headers: Mapping[Path, StemInfo]
    halved: Collection[str]
    stamps: Mapping[Path, Stamp]
    files: Mapping[str, tuple[OutputFile, ...]]
    folder: Path
    remarks: tuple[str, ...]

    @property
    def whole(self) -> bool:
        """Whether cues are rendered whole, to be kept."""
        return self.passage is None and not self.quick

    @property
    def folders(self) -> tuple[str, ...]:
        """The folders that audio files are written to."""
        return ("mix", "stems") if self.stems else ("mix",)


def checked_order(
    scene_file: SceneFile,
    folder: Path,
    cues: Sequence[str],
    passage: Passage | None,
    quick: bool,
    stems: bool,
    encoding: Encoding,
    force: bool,
    notice: Callable[[str], None],
) -> Order:
    """Check what is asked against the scene, before anything is computed or written.

    Parameters
    ----------
    scene_file : SceneFile
        The scene.
    folder, cues, passage, quick, stems, encoding, force, notice
        As for `render.session.render_scene`.

    Raises
    ------
    InputError
        In one line, for whatever is wrong with stems or options.
    """
    names = [cue.name for cue in scene_file.cues]
    chosen = chosen_cues(scene_file, cues)
    if passage is not None and len(chosen) > 1:
        raise InputError(f"a passage is part of one cue; choose it with --cue; allowed: {', '.join(names)}")
    if quick and (stems or encoding != "float32"):
        raise InputError(
            "a quick listen is the stereo mix alone, in float32; leave out --quick, or --stems and --format"
        )
    # Before anything of them is read, so that no change goes unseen.
    stamps = {p: stamp(p) for cue in scene_file.cues for s in cue.stems.values() if (p := s.path).is_file()}
    headers, faults = probe_stems(scene_file, chosen)
    halved = halved_sections(scene_file, headers)
    remarks = [f"cue '{name}' is left out of account: {fault}" for name, fault in faults.items()]
    if open_ends := undecided(scene_file, headers):
        remarks.append(f"stems that can't be read may change, for all cues, {'; '.join(open_ends)}")
    scene_file = replace(scene_file, cues=tuple(cue for cue in scene_file.cues if cue.name not in faults))
    capsules = {array.name: [capsule.name for capsule in array.capsules] for array in heard_arrays(scene_file)}
    beds = beds_of(scene_file)
    ending = ("" if passage is None else f"_{passage.label}") + ("_quick" if quick else "")
    files = {
        cue.name: cue_files(
            cue.name + ending,
            capsules,
            list(cue.stems) if stems else [],
            ending=suffix(encoding),
            mix_only=quick,
            interleaved=scene_file.output.interleaved,
            beds=beds,
        )
        for cue in scene_file.cues
    }
    if suffix(encoding) == ".flac":
        for file in chain(*files.values()):
            if not flac_holds(file.channels, file.loudspeakers):
                raise scene_file.file.error(
                    ("output",),
                    f"FLAC takes more than two channels for loudspeakers up to 7.1, and {file.name} has "
                    f"{file.channels}, {file.what}; leave it out, or choose another format",
                )
    refuse_long_names([file.name for file in chain(*files.values())])
    _refuse_collisions(scene_file, files)
    root = folder / "quick" if quick else folder
    if passage is not None:
        root = root / "passages" / (chosen[0].name + ending)
    return Order(
        scene_file,
        chosen,
        passage,
        quick,
        stems,
        encoding,
        force,
        notice,
        headers,
        halved,
        stamps,
        files,
        root,
        tuple(remarks),
    )


def _refuse_collisions(scene_file: SceneFile, files: Mapping[str, Sequence[OutputFile]]) -> None:
    """Refuse cues, sections, arrays and capsules whose names make one file's name together."""
    seen: dict[str, tuple[str, OutputFile]] = {}
    for cue, cue_s in files.items():
        for file in cue_s:
            other, its = seen.setdefault(file.name.casefold(), (cue, file))
            if other != cue:
                raise scene_file.file.error(
                    ("cues", cue), f"two files would be called {file.name}, the other of cue '{other}'; rename a cue"
                )
            if its is not file:
                raise scene_file.file.error(
                    (), f"two files would be called {file.name}: {its.what}, and {file.what}; rename one of them"
                )
