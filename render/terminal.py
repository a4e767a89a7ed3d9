"""What a terminal shows: bars, tables, JSON."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import click

__all__ = ["print_json", "print_table", "progress_bars"]


@contextmanager
def progress_bars(quiet: bool) -> Iterator[Callable[[str, float], None] | None]:
    """Draw on stderr a bar for each step with the time left, if a terminal is there; yields what tells it, or None."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        Progress,
        TaskID,
        TaskProgressColumn,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    columns = TextColumn("{task.description}"), BarColumn(), TaskProgressColumn()
    steps: dict[str, TaskID] = {}
    with Progress(*columns, TimeRemainingColumn(), TimeElapsedColumn(), console=Console(stderr=True)) as bars:

        def draw(what: str, part: float) -> None:
            if what not in steps:
                steps[what] = bars.add_task(what, total=1.0)
            bars.update(steps[what], completed=part)

        yield draw


def print_json(value: Any) -> None:
    """Print JSON on stdout."""
    click.echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def print_table(title: str, columns: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print rows under a title: drawn on a terminal, plain columns elsewhere."""
    if sys.stdout.isatty():
        from rich.console import Console
        from rich.table import Table
        from rich.text import Text

        drawn = Table(*columns, title=title, title_justify="left")
        for row in rows:
            drawn.add_row(*(Text(cell) for cell in row))
        Console().print(drawn)
        return
    widths = [max(len(cell) for cell in column) for column in zip(columns, *rows, strict=True)]
    click.echo(f"{title}:")
    for row in (columns, *rows):
        click.echo("  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
