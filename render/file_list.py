"""The list of a render's sound files, for a spreadsheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

from render.export import write_text
from render.report import WrittenFile

__all__ = ["COLUMNS", "leftovers", "write_file_list"]

COLUMNS = (
    "path",
    "what",
    "encoding",
    "start_samples",
    "start_s",
    "sample_rate_hz",
    "length_samples",
    "length_s",
    "channels",
    "channel_names",
    "gain_db",
    "peak_dbfs",
    "loudness_lufs",
    "true_peak_dbtp",
    "reason",
)
"""Columns of the list; the last one says why there is no loudness."""

_SUFFIXES = {".wav", ".flac"}
_BYTE_ORDER_MARK = "\ufeff"  # without it some spreadsheets take UTF-8 for another encoding


def write_file_list(files: Sequence[WrittenFile], path: Path) -> None:
    """Write the list as comma-separated values (RFC 4180), UTF-8, whole or not at all.

    Parameters
    ----------
    files : sequence of WrittenFile
        One row each, in this order.
    path : Path
        The list.

    Raises
    ------
    InputError
        If it can't be written.
    """
    text = io.StringIO(newline="")
    rows = csv.writer(text)
    rows.writerow(COLUMNS)
    for file in files:
        levels = (file.gain_db, file.peak_dbfs, file.lufs, file.true_peak_dbtp)
        rows.writerow(
            (
                file.path,
                file.what,
                file.encoding,
                file.start_samples,
                f"{file.start_samples / file.sample_rate:.6f}",
                file.sample_rate,
                file.samples,
                f"{file.samples / file.sample_rate:.6f}",
                file.channels,
                "; ".join(file.channel_names),
                *("" if level is None else f"{level:.2f}" for level in levels),
                file.reason or "",
            )
        )
    write_text(path, _BYTE_ORDER_MARK + text.getvalue())


def leftovers(folder: Path, files: Sequence[WrittenFile]) -> list[str]:
    """Return a line on sound files in a render's folder that aren't of this render, if there are any; they stay.

    Parameters
    ----------
    folder : Path
        Where it was written.
    files : sequence of WrittenFile
        What is of it.
    """
    listed = {file.path for file in files}
    found = [path for name in ("mix", "stems") for path in sorted((folder / name).glob("[!.]*"))]
    names = [path.relative_to(folder).as_posix() for path in found if path.suffix in _SUFFIXES]
    others = [name for name in names if name not in listed]
    if not others:
        return []
    more = f" and {len(others) - 1} more" if len(others) > 1 else ""
    return [f"not of this render and not in files.csv: {others[0]}{more} in {folder}, from an earlier one perhaps"]
