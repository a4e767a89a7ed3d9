"""Presets as text for a terminal: lists with a line each, and sheets with drawings."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Iterator, Mapping, Sequence

from render.preset_sheet import USUAL_HALL, USUAL_PLAN, Grid, over_plan, preset_sheet, seated_alone
from render.text_plan import array_elevation, array_plan, hall_plan, seating_plan
from rooms import catalogue
from rooms.catalogue import OwnPresets
from rooms.tables import HallTable, Preset

__all__ = ["list_lines", "sheet_lines"]

INDENT = "  "


def list_lines(kind: str, presets: Mapping[str, Preset], own: Sequence[str]) -> Iterator[str]:
    """List presets of a kind with their descriptions, as wide as the terminal.

    Parameters
    ----------
    kind : str
        Its name.
    presets : mapping
        By their names.
    own : sequence of str
        Names of those that are the user's own.
    """
    yield f"{kind}:"
    texts = {name: f"{'own: ' if name in own else ''}{table.description}" for name, table in presets.items()}
    yield from _columns(texts)


def sheet_lines(kind: str, name: str, own: OwnPresets) -> Iterator[str]:
    """Show all there is to know about a preset, drawn to scale; raises as `preset_sheet` does."""
    sheet = preset_sheet(kind, name, own)
    yield from textwrap.wrap(f"{name}: {sheet.description}", _width())
    if sheet.facts:
        yield ""
        yield from _columns(dict(sheet.facts))
    for drawing in _drawings(catalogue.plural(kind), name, own):
        yield ""
        yield from (f"{INDENT}{line}".rstrip() for line in drawing)
    for grid in sheet.grids:
        yield ""
        yield from grid_lines(grid)
    for label, text in (("note", sheet.note), ("source", sheet.source)):
        if text:
            yield ""
            yield from textwrap.wrap(f"{label}: {text}", _width())


def _drawings(kind: str, name: str, own: OwnPresets) -> Iterator[list[str]]:
    """Draw a hall, a plan or an array; nothing for the rest."""
    if kind == "halls":
        hall = catalogue.hall(name, own)
        table = catalogue.resolve(HallTable(preset=name), own)
        stage = table.stage
        corners = None if stage is None else ((stage.x[0], stage.y[0]), (stage.x[1], stage.y[1]))
        yield hall_plan(hall.box, hall.patches, corners)
    elif kind == "seating":
        seated = seated_alone(name, own)
        yield seating_plan(seated.sections, seated.conducted)
    elif kind == "arrays":
        scene = over_plan(name, own)
        yield array_plan(scene.arrays[0])
        yield [
            *array_elevation(scene.arrays[0]),
            f"heights above the stage, as it hangs in {USUAL_HALL} over {USUAL_PLAN}",
        ]


def grid_lines(grid: Grid) -> Iterator[str]:
    """Return a table in columns: the first ones to the left, numbers to the right."""
    columns = list(zip(grid.columns, *grid.rows, strict=True))
    widths = [max(len(cell) for cell in column) for column in columns]
    right = [all(cell[:1] in "0123456789−–" for cell in column[1:] if cell) and any(column[1:]) for column in columns]
    yield f"{grid.title}:"
    for row in (grid.columns, *grid.rows):
        cells = (c.rjust(w) if r else c.ljust(w) for c, w, r in zip(row, widths, right, strict=True))
        yield (INDENT + INDENT.join(cells)).rstrip()


def _columns(texts: Mapping[str, str]) -> Iterator[str]:
    """Set names to the left and texts beside them, wrapped."""
    across = max((len(name) for name in texts), default=0) + 2 * len(INDENT)
    for name, text in texts.items():
        first, *more = textwrap.wrap(text, max(_width() - across, 20)) or [""]
        yield f"{INDENT}{name}".ljust(across) + first if first else f"{INDENT}{name}"
        yield from (" " * across + line for line in more)


def _width() -> int:
    """Return the terminal's width in characters; 80 where there is none."""
    return shutil.get_terminal_size().columns
