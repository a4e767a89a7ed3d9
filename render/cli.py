"""The command line. Only click is imported here, so that help and mistakes answer at once."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeVar

import click

from render.__main__ import INTERRUPTED
from render.terminal import print_json, print_table, progress_bars
from rooms.errors import InputError, SitzprobeError

if TYPE_CHECKING:
    from render.export import Encoding
    from render.measure import Pair
    from render.passage import Passage
    from render.scene_file import SceneFile

__all__ = ["main"]

_Command = TypeVar("_Command", bound=Callable[..., Any])


class OneLineErrors(click.Group):
    """A group whose commands fail with one line: exit 2 for bad input, 1 for a failed run, 130 for Ctrl-C."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; turn what it raises into a line and an exit status, unless ``--debug`` is given."""
        try:
            return super().invoke(ctx)
        except (click.ClickException, click.exceptions.Exit, click.Abort, BrokenPipeError):
            raise  # click ends quietly when whoever reads the output has seen enough
        except KeyboardInterrupt:
            _fail(ctx, "interrupted", INTERRUPTED)
        except SitzprobeError as error:
            if ctx.params["debug"]:
                raise
            _fail(ctx, str(error), 2 if isinstance(error, InputError) else 1)
        except Exception as error:
            if ctx.params["debug"]:
                raise
            _fail(ctx, f"failed: {type(error).__name__}: {error}; --debug shows where", 1)


def _fail(ctx: click.Context, text: str, status: int) -> None:
    """Say what went wrong in one line on stderr and leave."""
    click.echo(f"sitzprobe: {' '.join(text.split())}", err=True)
    ctx.exit(status)


def _output_option(folder: str) -> Callable[[_Command], _Command]:
    """Return the option that names the folder to write."""
    default = Path(folder)
    return click.option(
        "-o",
        "--output",
        type=click.Path(path_type=Path),
        default=default,
        show_default=True,
        help="Folder to write.",
    )


_quiet_option = click.option("--quiet", is_flag=True, help="No progress.")
_reference_option = click.option(
    "--reference", type=click.Path(path_type=Path), metavar="SWEEP", help="What is measured is a recording of SWEEP."
)
_kind_option = click.option(
    "--as", "kind", type=click.Choice(["response", "music"]), help="What is measured; left out: told by its decay."
)
_channel_option = click.option(
    "--channel", "chosen", type=int, multiple=True, metavar="N", help="Only this channel; twice for a pair."
)


@click.group(cls=OneLineErrors, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="sitzprobe", prog_name="sitzprobe")
@click.option("--debug", is_flag=True, help="Show where an error comes from.")
def main(debug: bool) -> None:
    """Seat dry orchestral stems in one hall and hear them through microphone arrays.

    Start playback low: long loud listening damages hearing.
    """


@main.command()
@click.argument("scene", type=click.Path(path_type=Path), required=False)
@_output_option("rendered")
@click.option("--cue", "cues", multiple=True, metavar="NAME", help="Render only this cue; give it again for more.")
@click.option("--from", "start", metavar="TIME", help="Render a passage of one cue, from here: seconds or m:ss.")
@click.option("--to", "end", metavar="TIME", help="Render a passage of one cue, up to here; it goes to passages/.")
@click.option(
    "--quick",
    is_flag=True,
    help="A quick listen: the stereo mix alone at -23 LUFS, true peak below -1 dBTP, in quick/; not for delivery.",
)
@click.option("--force", is_flag=True, help="Render again what is there already, rendered from the same.")
@click.option("--stems", is_flag=True, help="Also write every section through every array.")
@click.option(
    "--format",
    "encoding",
    type=click.Choice(["float32", "pcm24", "pcm16", "flac24", "flac16"]),
    default="float32",
    show_default=True,
    help="Samples of the files: 32-bit float, or 24 or 16 bits with dither, as WAV or FLAC.",
)
@_quiet_option
def render(
    scene: Path | None,
    output: Path,
    cues: tuple[str, ...],
    start: str | None,
    end: str | None,
    quick: bool,
    force: bool,
    stems: bool,
    encoding: Encoding,
    quiet: bool,
) -> None:
    """Render SCENE: stems in, mix out. Without SCENE, the bundled demo.

    Cues are rendered in turn, and each one's files appear when it is whole; what is there already, rendered from the
    same stems and scene, is kept.
    """
    from render.session import render_scene, rendered_lines
    from rooms import catalogue

    passage = _passage(start, end)
    _clean_up_after_interrupt()
    with progress_bars(quiet) as tell:
        done = render_scene(
            scene or catalogue.demo(),
            output,
            cues=cues,
            passage=passage,
            quick=quick,
            stems=stems,
            encoding=encoding,
            force=force,
            progress=tell,
            notice=lambda text: click.echo(text, err=True),
        )
    for line in rendered_lines(done):
        click.echo(line)
    for warning in done.report.warnings:
        click.echo(f"warning: {warning}", err=True)


@main.command()
@click.argument("scene", type=click.Path(path_type=Path))
@click.option("--cue", "cues", multiple=True, metavar="NAME", help="Only this cue must be ready; again for more.")
@click.option("--stems", is_flag=True, help="Also list the stems: which file is whose, rate, channels, start, length.")
@click.option("--audio", is_flag=True, help="Also listen to them: peak, loudness, what may be wrong.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_context
def check(ctx: click.Context, scene: Path, cues: tuple[str, ...], stems: bool, audio: bool, as_json: bool) -> None:
    """Check SCENE without rendering it."""
    from render.check import (
        list_stems,
        mismatches,
        mix_rows,
        own_preset_warnings,
        reverberation_warnings,
        stem_json,
        stem_row,
        summary,
        summary_lines,
        unready,
    )
    from render.mix import left_out
    from render.scene_file import chosen_cues, read_scene, require_stems

    read = read_scene(scene)
    asked = chosen_cues(read, cues)
    listing = stems or audio
    if not listing and (read.cues or read.stem_faults):
        require_stems(read, asked)
    listed = list_stems(read, listen=audio) if listing else []
    warnings = [*own_preset_warnings(read), *read.stem_notes, *left_out(read), *reverberation_warnings(read)]
    for cue in read.cues:
        of_cue = [stem for stem in listed if stem.cue == cue.name]
        warnings += [f"{cue.name}: {s.section}: {text}" for s in of_cue if s.sound for text in s.sound.warnings]
        headers = {stem.section: stem.info for stem in of_cue if stem.info is not None}
        warnings += [f"{cue.name}: {text}" for text in mismatches(headers)]
    found_faults = [(stem.cue, stem.fault) for stem in listed if stem.fault is not None]
    needed = [cue.name for cue in asked]
    faults = [*read.stem_faults, *(fault for cue, fault in found_faults if cue in needed)] if listing else []
    others = [(cue, fault) for cue, fault in found_faults if cue not in needed] if listing else unready(read, needed)
    warnings += [f"cue '{cue}' can't be rendered: {fault}" for cue, fault in others]
    if as_json:
        found = summary(read) | {"warnings": warnings}
        if listing:
            found |= {"stems": [stem_json(stem) for stem in listed], "faults": faults}
        print_json(found)
    else:
        for line in summary_lines(read):
            click.echo(line)
        print_table("mix", ("array", "purpose", "gain dB", "balance dB", "in the mix dB", "also"), mix_rows(read))
        if listing:
            heard = ("peak dBFS", "loudness LUFS") if audio else ()
            columns = ("file", "section", "cue", "rate Hz", "channels", "start s", "length s", *heard)
            rows = [stem_row(stem, read.path.parent) for stem in listed]
            print_table("stems", columns, [row[: len(columns)] for row in rows])
        for warning in warnings:
            click.echo(f"warning: {warning}", err=True)
    for fault in faults:
        click.echo(f"sitzprobe: {fault}", err=True)
    if faults:
        ctx.exit(2)
    if listing:
        require_stems(read, asked)  # what no file is to blame for: a cue, or a scene, without stems


@main.command()
@click.argument("folder", type=click.Path(path_type=Path))
def new(folder: Path) -> None:
    """Write a scene to start from into FOLDER; nothing existing is changed."""
    from render.mix import default_gain_db, default_offset_s
    from render.starter import starter_scene, write_starter

    _clean_up_after_interrupt()
    scene: SceneFile = starter_scene(folder)
    for path in write_starter(scene, default_gain_db(scene), default_offset_s(scene)):
        click.echo(path)


@main.command()
@click.argument("files", type=click.Path(path_type=Path), nargs=-1, required=True, metavar="FILE...")
@_reference_option
@_kind_option
@_channel_option
@click.option(
    "--channels",
    "pair",
    type=click.Choice(["stereo", "omni-figure8", "binaural"]),
    default="stereo",
    show_default=True,
    help="What two channels are: LF needs an omni and a figure-of-eight, IACC two ears.",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON: a list, one object a file.")
@click.pass_context
def measure(
    ctx: click.Context,
    files: tuple[Path, ...],
    reference: Path | None,
    kind: Literal["response", "music"] | None,
    chosen: tuple[int, ...],
    pair: Pair,
    as_json: bool,
) -> None:
    """Measure the room in each FILE: an impulse response (a clap, a balloon), a recorded sweep, music or speech."""
    from render.measure import measure_file, measurement_json, measurement_lines

    found, faults = [], []
    for file in files:
        try:
            found.append(measure_file(file, reference=reference, kind=kind, pair=pair, chosen=chosen))
        except InputError as error:
            faults.append(str(error))
    if as_json:
        print_json([measurement_json(one) for one in found])
    for one in found:
        if not as_json:
            for line in measurement_lines(one):
                click.echo(line)
        for warning in one.warnings:
            click.echo(f"warning: {one.path}: {warning}", err=True)
    for fault in faults:
        click.echo(f"sitzprobe: {fault}", err=True)
    if faults:
        ctx.exit(2)


@main.command()
@click.argument("recording", type=click.Path(path_type=Path))
@click.option(
    "--scene", type=click.Path(path_type=Path), help="The scene to fit; its seating stays. Left out: the bundled demo."
)
@_output_option("matched")
@click.option("--hall", "halls", multiple=True, metavar="NAME", help="Choose only this hall; again for more.")
@click.option("--own-hall", is_flag=True, help="Keep the scene's hall, and adapt it.")
@_reference_option
@_kind_option
@_channel_option
@_quiet_option
def match(
    recording: Path,
    scene: Path | None,
    output: Path,
    halls: tuple[str, ...],
    own_hall: bool,
    reference: Path | None,
    kind: Literal["response", "music"] | None,
    chosen: tuple[int, ...],
    quiet: bool,
) -> None:
    """Fit a scene to the room in RECORDING: hall, absorption, size, where the main array hangs, close against far.

    Writes a scene to go on with, a page that shows how close it comes, and the recording and the cue at one loudness.
    """
    from render.match import match_scene, target_of
    from render.match_report import require_own_folder, write_match
    from render.match_words import summary
    from render.measure import measure_file
    from render.scene_file import read_scene
    from rooms import catalogue

    if halls and own_hall:
        raise InputError("--hall and --own-hall exclude each other; leave one out")
    base = read_scene(scene or catalogue.demo())
    require_own_folder(output, base)  # before the work, not after it
    _clean_up_after_interrupt()
    with progress_bars(quiet) as tell:
        told = tell or (lambda _what, _part: None)
        told("recording", 0.0)
        found = measure_file(recording, reference=reference, kind=kind, chosen=chosen)
        told("recording", 1.0)
        names = [] if own_hall else list(halls) or None
        target = target_of(found, base.hall.temperature, base.hall.humidity)
        fitted = match_scene(target, base, names, lambda part: told("halls", part))
        said = write_match(found, fitted, output, tell)
    best = fitted.candidates[0]
    name = best.name or base.hall.name
    click.echo(f"{output / 'scene.toml'}: {name}, {summary(best)}")
    for line in said:
        click.echo(f"  {line}")
    click.echo(output / "match.html")
    for warning in found.warnings:
        click.echo(f"warning: {recording}: {warning}", err=True)
    for hall, why in fitted.refused.items():
        click.echo(f"warning: {hall} is left out: {why}", err=True)


@main.command()
@click.argument("scenes", type=click.Path(path_type=Path), nargs=-1, required=True, metavar="SCENE...")
@click.option(
    "--seating", "seatings", multiple=True, metavar="PLAN", help="Also with this seating plan; again for more."
)
@click.option("--hall", "halls", multiple=True, metavar="HALL", help="Also in this hall; again for more.")
@click.option(
    "--array",
    "arrays",
    multiple=True,
    metavar="[NAME=]ARRAY",
    help="Also with these microphones as main array, or as the array NAME; again for more.",
)
@click.option(
    "--in-step", is_flag=True, help="The first of each option together, then the second; else every combination."
)
@click.option("--cue", metavar="NAME", help="Which cue; left out: the first.")
@click.option("--from", "start", metavar="TIME", help="A passage, from here: seconds or m:ss.")
@click.option("--to", "end", metavar="TIME", help="A passage, up to here.")
@click.option(
    "--rank",
    "goals",
    multiple=True,
    metavar="GOAL",
    help='Rank by "even balance", "widest violins", "safest mono", "clearest SECTION", "closest SECTION" or "best '
    "separated SECTION\"; again for more, weighed by the scene's [compare.weights].",
)
@_output_option("compared")
@_quiet_option
def compare(
    scenes: tuple[Path, ...],
    seatings: tuple[str, ...],
    halls: tuple[str, ...],
    arrays: tuple[str, ...],
    in_step: bool,
    cue: str | None,
    start: str | None,
    end: str | None,
    goals: tuple[str, ...],
    output: Path,
    quiet: bool,
) -> None:
    """Compare each SCENE as it is with variants of it: what changes in numbers, and how it sounds at one loudness.

    The first scene as it is is the base that all others are measured against.
    """
    from render.compare import compare_scenes

    passage = _passage(start, end)
    _clean_up_after_interrupt()
    with progress_bars(quiet) as tell:
        done = compare_scenes(
            scenes,
            output,
            seatings=seatings,
            halls=halls,
            arrays=arrays,
            in_step=in_step,
            cue=cue,
            passage=passage,
            goals=goals,
            progress=tell,
        )
    for sentence in done.comparison.summary:
        click.echo(sentence)
    if done.comparison.ranking is not None:
        from render.verdicts import ranking_lines

        for line in ranking_lines(done.comparison.ranking):
            click.echo(line)
    click.echo(f"{len(done.comparison.variants)} variants in {done.folder}; see {done.folder / 'comparison.html'}")
    click.echo("Start playback low: long loud listening damages hearing.")
    for warning in done.comparison.warnings:
        click.echo(f"warning: {warning}", err=True)


@main.command()
@click.option("--clear", is_flag=True, help="Remove them all.")
def cache(clear: bool) -> None:
    """Show where computed responses are kept between renders, and how much there is.

    Files nobody has asked for longest go by themselves. The environment variable SITZPROBE_CACHE names another folder.
    """
    from render.cache import response_store

    store = response_store()
    if clear:
        store.clear()
    entries = store.entries()
    held, limit = (size / (1 << 20) for size in (sum(size for _, size, _ in entries), store.limit_bytes))
    click.echo(f"{store.folder}: {len(entries)} files, {held:.0f} of at most {limit:.0f} MiB")


@main.command()
@click.argument("kind", required=False)
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_context
def presets(ctx: click.Context, kind: str | None, name: str | None, as_json: bool) -> None:
    """List presets: all of them, those of one KIND, or what is in one called NAME, drawn to scale.

    Kinds: halls, seating, arrays, materials, instruments. Presets of your own are files in a folder presets/ beside the
    scene, with a folder for each kind; stand beside it to see them here. They come before bundled ones of their name.
    """
    from rooms import catalogue

    own = catalogue.own_presets(Path())
    if kind is not None and name is not None:
        if as_json:
            print_json(catalogue.load(kind, name, own).model_dump(mode="json", exclude_unset=True))
            return
        from render.preset_text import sheet_lines

        for line in sheet_lines(kind, name, own):
            click.echo(line)
        return
    kinds = [catalogue.plural(kind)] if kind is not None else list(catalogue.KINDS)
    listed = {k: catalogue.readable(k, own) for k in kinds}
    if as_json:
        print_json({k: {name: table.description for name, table in found.items()} for k, found in listed.items()})
    else:
        from render.preset_text import list_lines

        for heading, found in listed.items():
            for line in list_lines(heading, found, catalogue.own_names(heading, own)):
                click.echo(line)
    faults = catalogue.faults(own)
    for fault in faults:
        click.echo(f"sitzprobe: {fault}", err=True)
    if faults:
        ctx.exit(2)


def _passage(start: str | None, end: str | None) -> Passage | None:
    """Return the passage that --from and --to ask for, or None."""
    if start is None and end is None:
        return None
    from render.passage import Passage, parse_time

    return Passage(parse_time(start or "0"), parse_time(end) if end is not None else None)


def _clean_up_after_interrupt() -> None:
    """Let Ctrl-C raise from here on, so that what is being written is removed; before, it ends the program at once."""
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, signal.default_int_handler)
