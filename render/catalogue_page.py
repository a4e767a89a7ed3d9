"""The catalogue of presets as a page with pictures, made from the presets themselves.

Run as a module, it writes the page and its pictures into the folder of presets.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from render.export import write_bytes, write_text
from render.preset_pictures import PICTURED, draw_halls, draw_preset
from render.preset_sheet import BAND_COLUMNS, Grid, band_cells, preset_sheet, reverberation
from rooms import catalogue
from rooms.tables import HallTable

__all__ = ["catalogue_page", "picture_paths"]

INTRODUCTION = """\
# The catalogue

Made from the presets (`python -m render.catalogue_page`); not to be edited.

Every hall, seating plan, microphone array, material and instrument a scene can name. All halls and plans are invented.
`sitzprobe presets KIND NAME` shows the same in a terminal; [SCENE.md](SCENE.md) explains every key of a preset's file,
and how to add your own. Positions count from the conductor: x to the audience's right, y upstage, z above the stage.
"""

HEADINGS = {
    "halls": "Halls",
    "seating": "Seating plans",
    "arrays": "Microphone arrays",
}
"""Kinds that have an entry for each of theirs."""

LEGENDS = {
    "halls": "Plan with the stage dashed, side, and reverberation time of each. Players of a plan that suits it, a "
    "`tree` and an\n`ambience-pair` give the scale.",
    "seating": "A chair for every player, music stands in front of them. A scene may give any section another number.",
    "arrays": "From above, with aims and polar patterns (these not to scale); from the side as it hangs in "
    "`scoring-stage` over\n`violins-together`.",
}
"""What the pictures show."""


def picture_paths() -> dict[str, tuple[str, str]]:
    """Return kind and name of each preset that has a picture, by the picture's path re the folder of presets."""
    return {f"pictures/{kind}-{name}.png": (kind, name) for kind in PICTURED for name in catalogue.names(kind)}


def catalogue_page() -> str:
    """Return the page as Markdown."""
    lines = [INTRODUCTION, *_hall_list()]
    for kind, heading in HEADINGS.items():
        lines += [f"## {heading}", "", LEGENDS[kind], ""]
        for name in catalogue.names(kind):
            lines += _entry(kind, name)
    lines += ["## Materials", "", "`sitzprobe presets material NAME` tells the source of each.", ""]
    for what in ("absorption", "scattering"):
        lines += [f"Coefficients of {what}, by octave band in Hz:", "", *_table(_materials(what)), ""]
    lines += ["## Instruments", ""]
    lines += ["Level on the main axis above the mean over the sphere in dB, by octave band in Hz:", ""]
    lines += [*_table(_instruments()), ""]
    return "\n".join(lines)


def _hall_list() -> Iterator[str]:
    """List the halls from the smallest to the largest, with a picture of all."""
    rows = []
    for name in catalogue.names("halls"):
        table = catalogue.resolve(HallTable(preset=name))
        middle = [float(np.mean(times[3:5])) for times in reverberation(name, table).values()]
        volume = catalogue.hall(name).box.volume
        times = " / ".join(f"{seconds:.1f}" for seconds in middle)
        rows.append((volume, (f"[{name}](#{name})", f"{volume:.0f}", times, table.good_for or table.description)))
    columns = ("hall", "volume m³", "T30 s", "good for")
    yield from _table(Grid("", columns, tuple(row for _, row in sorted(rows))))
    yield ""
    yield "T30 is the mean of 500 Hz and 1 kHz: full, and empty where there are seats. All halls to one scale:"
    yield ""
    yield "![Plans of all halls to one scale](pictures/halls.png)"
    yield ""


def _entry(kind: str, name: str) -> Iterator[str]:
    """Write up one preset: picture, facts, tables, note and source."""
    sheet = preset_sheet(kind, name)
    yield from (f"### {name}", "", f"{sheet.description}.", "", f"![{name}](pictures/{kind}-{name}.png)", "")
    yield from (f"- {label}: {value}" for label, value in sheet.facts)
    yield ""
    for grid in sheet.grids:
        yield from (f"{grid.title[:1].upper()}{grid.title[1:]}:", "", *_table(grid), "")
    yield from (f"{label}: {text}\n" for label, text in (("Note", sheet.note), ("Source", sheet.source)) if text)


def _materials(what: str) -> Grid:
    """Return one of the coefficients of all materials."""
    materials = {name: catalogue.material(name) for name in catalogue.names("materials")}
    descriptions = {name: catalogue.load("materials", name).description for name in materials}
    rows = (
        (name, *band_cells(getattr(made, what), 2), *((descriptions[name],) if what == "absorption" else ()))
        for name, made in materials.items()
    )
    last = ("what it is",) if what == "absorption" else ()
    return Grid(what, ("material", *BAND_COLUMNS, *last), tuple(rows))


def _instruments() -> Grid:
    """Return how all instruments radiate."""
    rows = []
    for name in catalogue.names("instruments"):
        facts = dict(preset_sheet("instruments", name).facts)
        index = band_cells(catalogue.instrument(name).directivity_index, 1)
        what = catalogue.load("instruments", name).description
        rows.append((name, *index, facts["main direction"], facts["power at forte"].removesuffix(", one player"), what))
    columns = ("instrument", *BAND_COLUMNS, "main direction", "power at forte", "what it is")
    return Grid("instruments", columns, tuple(rows))


def _table(grid: Grid) -> Iterator[str]:
    """Return a table in Markdown."""
    yield f"| {' | '.join(grid.columns)} |"
    yield f"|{' --- |' * len(grid.columns)}"
    yield from (f"| {' | '.join(row)} |" for row in grid.rows)


def _write(folder: Path) -> None:
    """Write page and pictures; remove pictures of what is no more."""
    paths = picture_paths()
    (folder / "pictures").mkdir(exist_ok=True)
    for path, (kind, name) in paths.items():
        write_bytes(folder / path, draw_preset(kind, name))
    write_bytes(folder / "pictures" / "halls.png", draw_halls())
    for left in (folder / "pictures").iterdir():
        if left.name != "halls.png" and f"pictures/{left.name}" not in paths:
            left.unlink()
    write_text(folder / "CATALOGUE.md", catalogue_page())


if __name__ == "__main__":
    _write(catalogue.folder())
