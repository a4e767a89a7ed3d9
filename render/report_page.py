"""The report as files: `report.json` for programs and `report.html` for people, which needs nothing beside it."""

from __future__ import annotations

import base64
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

from render.export import write_text
from render.pages import page
from render.report import MID_BANDS, Report, WrittenFile, mean_of_mid_bands
from rooms.units import BAND_NAMES

__all__ = ["FIGURES", "write_report"]


class _Figure(NamedTuple):
    """What a page says about a picture."""

    title: str
    alternative: str
    caption: str


FIGURES: dict[str, _Figure] = {
    "stage_plan.png": _Figure(
        "Who sits where",
        "Plan of the stage seen from above with every chair, music stand and microphone, a plan of the whole hall, "
        "and a section through the hall from the side with the heights of players and microphones.",
        "Each chair carries its section's letter and points where its player looks; each desk shares a stand. "
        "The curve at a microphone is its polar pattern, the arrow its aim.",
    ),
    "reverberation_time.png": _Figure(
        "How long the hall rings",
        "Lines of reverberation time over octave bands: simulated T30 and EDT, Sabine's and Eyring's predictions.",
        "T30 is the simulated decay of the whole hall; its shade covers every section and microphone. EDT follows "
        "the first 10 dB and is what the ear takes for reverberance while the music plays. Sabine and Eyring know "
        "only volume, surfaces and air: a simulation far from both asks for a second look.",
    ),
    "early_reflections.png": _Figure(
        "What arrives first",
        "Stems of level over time for the direct sound and the early reflections, with the surfaces they come from.",
        "The gap before the first strong reflection tells the ear how large and how near the hall is. "
        "The arrows show where each reflection comes from, seen from above.",
    ),
    "energy_decay.png": _Figure(
        "How the sound dies away",
        "Falling curves of energy over time, one per octave band.",
        "Straight, nearly parallel lines are an even hall; a bend tells of two decays, a steep start of a strong "
        "direct sound. T30 is read between the marked levels.",
    ),
}
"""The pictures a page knows, by file name."""


def write_report(report: Report, figures: Sequence[Path], folder: Path) -> tuple[Path, Path]:
    """Write `report.json` and `report.html`, each whole or not at all.

    Parameters
    ----------
    report : Report
    figures : sequence of Path
        PNG files to show, in this order; each has one of the names in `FIGURES`.
    folder : Path
        Existing folder.

    Returns
    -------
    tuple of Path
        The two files.

    Raises
    ------
    InputError
        If a file can't be written.
    """
    json_path, html_path = folder / "report.json", folder / "report.html"
    page = _page(report, figures)
    write_text(json_path, report.model_dump_json(indent=2) + "\n")
    write_text(html_path, page)
    return json_path, html_path


def _page(report: Report, figures: Sequence[Path]) -> str:
    """Return the page as one self-contained text."""
    return page(
        "report.html.j2",
        report=report,
        bands=BAND_NAMES,
        unweighed=_unweighed(report.files),
        main=_main_table(report),
        figures=[_inline(path) for path in figures],
        mid=mean_of_mid_bands,
    )


def _unweighed(files: Sequence[WrittenFile]) -> list[tuple[str, int]]:
    """Return each reason for a missing loudness with the number of files it holds for."""
    return list(Counter(file.reason for file in files if file.reason is not None).items())


def _main_table(report: Report) -> dict[str, Any]:
    """Return the sections at the report's centre capsule, and why single numbers are missing."""
    rows = [r for r in report.responses if (r.array, r.capsule) == (report.centre.array, report.centre.capsule)]
    wanted = {f"{name}.{band}" for name in ("EDT_s", "C80_db", "D50", "G_db") for band in MID_BANDS}
    reasons = [
        f"{row.section}, {key.replace('.', ' at ')} Hz: {reason}"
        for row in rows
        for key, reason in row.reasons.items()
        if key in wanted
    ]
    return {"array": report.centre.array, "capsule": report.centre.capsule, "rows": rows, "reasons": reasons}


def _inline(path: Path) -> dict[str, str]:
    data = base64.b64encode(path.read_bytes()).decode("ascii")
    return FIGURES[path.name]._asdict() | {"uri": f"data:image/png;base64,{data}", "name": path.stem}
