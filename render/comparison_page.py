"""The page of a comparison: what differs audibly between variants, to read, to see and to hear."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from markupsafe import Markup

from render.comparison import COURSE_S, Comparison, Ranking, SectionNumbers, Split, Variant
from render.drawings import (
    Curve,
    Marks,
    Placed,
    curve_drawing,
    image_drawing,
    in_window,
    line_style,
    section_mark,
    stage_drawing,
    stage_window,
)
from render.listening import listening_panel
from render.pages import number_text, page
from rooms.jnd import RATIOS, STEPS
from rooms.scene import Scene

__all__ = ["SHADES", "comparison_page", "difference_shade", "difference_text"]

SHADES = (1.0, 2.0, 4.0)
"""Just-noticeable differences from which on a cell is shaded, and one step darker."""

DECAY_DB = (-60.0, -50.0, -40.0, -30.0, -20.0, -10.0, 0.0)
EARLY_SPAN_DB = 40.0
TONE_DB = (-12.0, -6.0, 0.0, 6.0, 12.0)
SIDES_DB = 6.0


class _Measure(NamedTuple):
    """How a section's number is told: its title, its heading in a narrow column, and how it is written."""

    title: str
    heading: str
    digits: int = 1
    signed: bool = False


_MEASURES = {
    "balance_db": _Measure("Balance: level against the ensemble, dB", "Balance (dB)", 1, True),
    "azimuth_deg": _Measure("Azimuth in the stereo image, °", "Azimuth (°)", 0, True),
    "width_deg": _Measure("Width in the stereo image, °", "Width (°)", 0),
    "measured_azimuth_deg": _Measure("The same, measured from its sound, °", "Measured (°)", 0, True),
    "measured_width_deg": _Measure("Width in the stereo image, measured from its sound, °", "Width measured (°)", 0),
    "heard_azimuth_deg": _Measure("Azimuth in the whole mix, measured, °", "In the mix (°)", 0, True),
    "heard_width_deg": _Measure("Width in the whole mix, measured, °", "Width in it (°)", 0),
    "drr_db": _Measure("Distance: direct sound against all that follows, dB", "Direct (dB)", 1, True),
    "C80_db": _Measure("Clarity C80, dB", "C80 (dB)", 1, True),
    "EDT_s": _Measure("Early decay time EDT, s", "EDT (s)", 2),
    "T30_s": _Measure("Reverberation time T30, s", "T30 (s)", 2),
    "Ts_s": _Measure("Centre time Ts, s", "Ts (s)", 3),
    "LF": _Measure("Early lateral fraction LF", "LF", 2),
    "IACC": _Measure("Early interaural cross-correlation IACC", "IACC", 2),
    "separation_db": _Measure("Separation: the section in its own spot against all others, dB", "Spot (dB)", 1, True),
}
"""Attributes of `SectionNumbers` in the order of the page."""


def comparison_page(
    comparison: Comparison, scenes: Mapping[str, Scene], audio: Mapping[str, bytes | Path] | None = None
) -> str:
    """Return the page as one self-contained text.

    Parameters
    ----------
    comparison : Comparison
    scenes : mapping of str to Scene
        Every variant's scene, by its name, for the drawings.
    audio : mapping of str to bytes or Path, optional
        FLAC of every variant's mix, or where it lies, by its name, all at the comparison's loudness; left out, the page
        doesn't play.

    Raises
    ------
    InputError
        If a sound can't be read or the sample rates differ.
    """
    variants = comparison.variants
    shown = [scenes[variant.name] for variant in variants]
    marks = {
        name: section_mark(index)
        for index, name in enumerate(dict.fromkeys(section.name for scene in shown for section in scene.sections))
    }
    arrays = [array for scene in shown for array in scene.arrays]
    window = stage_window(shown)
    return page(
        "comparison.html.j2",
        comparison=comparison,
        listening=listening_panel(audio, comparison.lufs) if audio else None,
        marks=marks,
        purposes=dict.fromkeys(array.purpose for array in arrays if in_window(array, window)),
        outside=dict.fromkeys(array.name for array in arrays if not in_window(array, window)),
        variants=[
            {
                "name": variant.name,
                "differs": ", ".join(f"{what}: {value}" for what, value in variant.differs.items())
                or "as the scene says",
                "stage": stage_drawing(scene, marks, window, f"Stage of {variant.name}, seen from above"),
                "image": _image(variant, marks),
                "line": line_style(index),
                "facts": _facts(variant),
                "rows": [_numbers(numbers) for numbers in variant.sections],
                "arrays": list(dict.fromkeys(name for numbers in variant.sections for name in numbers.level_db)),
                "levels": {numbers.section: numbers.level_db for numbers in variant.sections},
            }
            for index, (variant, scene) in enumerate(zip(variants, shown, strict=True))
        ],
        headings=["Level (dB)", "direct", "early", "late", *(measure.heading for measure in _MEASURES.values())],
        groups=_groups(comparison),
        reasons=_reasons(variants),
        sides=_sides(variants),
        decays=_decays(variants),
        tones=_tones(comparison),
        ranking=None if comparison.ranking is None else _ranking(comparison.ranking),
        split=_split_text,
    )


def difference_text(jnds: float | None) -> str:
    """Return a difference as the table shows it: arrow, sign and number; a dot for the arrow where it isn't heard."""
    if jnds is None:
        return "–"
    arrow = "·" if abs(jnds) < SHADES[0] else "▲" if jnds > 0 else "▼"
    return f"{arrow} {number_text(jnds, 1, signed=True)}"


def difference_shade(jnds: float | None) -> str:
    """Return the class of a cell: none below one just-noticeable difference, then three steps either way."""
    if jnds is None or abs(jnds) < SHADES[0]:
        return ""
    return f"{'above' if jnds > 0 else 'below'}-{sum(abs(jnds) >= limit for limit in SHADES)}"


def _value(numbers: SectionNumbers, attribute: str) -> str:
    """Return a section's number as text; of a level its total."""
    value = getattr(numbers, attribute)
    measure = _MEASURES[attribute]
    return number_text(value.total if isinstance(value, Split) else value, measure.digits, measure.signed)


def _numbers(numbers: SectionNumbers) -> list[str]:
    """Return a row of the table of all numbers."""
    mix = numbers.mix_db
    levels = [number_text(level, 1, signed=True) for level in (mix.total, mix.direct, mix.early, mix.late)]
    return [numbers.section, *levels, *(_value(numbers, attribute) for attribute in _MEASURES)]


def _split_text(split: Split | None) -> str:
    """Return a level and, in brackets, its direct, early and late part."""
    if split is None:
        return "–"
    total, *parts = (number_text(v, 1, signed=True) for v in (split.total, split.direct, split.early, split.late))
    return f"{total} ({' / '.join(parts)})"


def _step_text(measure: str) -> str:
    """Return how much one just-noticeable difference is."""
    if measure in RATIOS:
        return f"one is {100 * (RATIOS[measure] - 1):g} %"
    return f"one is {STEPS[measure]:g}" if measure in STEPS else ""


def _groups(comparison: Comparison) -> list[dict[str, Any]]:
    """Return the table of differences: a group for each measure, a row for each section, a cell for each variant."""
    known = {key for sections in comparison.differences.values() for row in sections.values() for key in row}
    parts = [{numbers.section: numbers for numbers in variant.sections} for variant in comparison.variants]
    groups = []
    for measure in (name for name in _MEASURES if name in known):
        rows = []
        for section in dict.fromkeys(name for variant in parts for name in variant):
            values = [_value(part[section], measure) if section in part else "–" for part in parts]
            cells = [{"text": values[0], "value": "", "shade": ""}]
            for variant, value in zip(comparison.variants[1:], values[1:], strict=True):
                jnds = comparison.differences.get(variant.name, {}).get(section, {}).get(measure)
                cells.append({"text": difference_text(jnds), "value": value, "shade": difference_shade(jnds)})
            if any(cell["text"] != "–" for cell in cells):
                rows.append({"name": section, "cells": cells})
        if rows:
            groups.append({"title": _MEASURES[measure].title, "step": _step_text(measure), "rows": rows})
    return groups


def _reasons(variants: Sequence[Variant]) -> list[str]:
    """Return why numbers are missing, each reason once with the variants it holds for."""
    found: dict[tuple[str, str], dict[str, None]] = {}
    for variant in variants:
        for numbers in variant.sections:
            for attribute in (name for name in _MEASURES if name in numbers.reasons):
                found.setdefault((_MEASURES[attribute].title, numbers.reasons[attribute]), {})[variant.name] = None
    return [
        f"{title}: {reason} ({'all variants' if len(names) == len(variants) > 1 else ', '.join(names)})"
        for (title, reason), names in found.items()
    ]


def _image(variant: Variant, marks: Marks) -> Markup | None:
    """Return the drawing of a variant's stereo image; none where its main array has none."""
    placed = [
        Placed(part.section, part.azimuth_deg, part.left_deg, part.right_deg, part.measured_azimuth_deg)
        for part in variant.sections
        if part.azimuth_deg is not None and part.left_deg is not None and part.right_deg is not None
    ]
    if not placed:
        return None
    told = "; ".join(
        f"{part.section} at {number_text(part.azimuth, 0)}°, {number_text(part.right - part.left, 0)}° wide"
        for part in placed
    )
    return image_drawing(placed, marks, f"Stereo image of {variant.name}: {told}")


def _facts(variant: Variant) -> list[str]:
    """Return what is told of a variant as a whole."""
    facts = []
    if variant.lufs is not None:
        facts.append(f"{number_text(variant.lufs)} LUFS before it was set to the others' loudness")
    if variant.true_peak_dbtp is not None:
        facts.append(f"true peak {number_text(variant.true_peak_dbtp)} dBTP before that")
    if variant.left_right_db is not None:
        facts.append(f"right over left {number_text(variant.left_right_db, 1, signed=True)} dB")
    if variant.violins_deg is not None:
        facts.append(f"violins 1 and 2 are heard {number_text(variant.violins_deg, 0)}° apart")
    if variant.mono_db is not None:
        facts.append(f"in mono {number_text(variant.mono_db, 1, signed=True)} dB")
    if variant.mono_worst_hz is not None and variant.mono_worst_db is not None:
        worst = number_text(variant.mono_worst_db, 1, signed=True)
        facts.append(f"the third octave at {variant.mono_worst_hz:.0f} Hz loses most, {worst} dB")
    return facts


def _sides(variants: Sequence[Variant]) -> list[tuple[str, Markup]]:
    """Return drawings of right over left second by second, each variant's over the base's, with their names.

    None where there is no second with both.
    """
    courses = [np.array(v.left_right_course_db, dtype=np.float64) for v in variants]  # None becomes NaN
    largest = max(float(np.abs(course[np.isfinite(course)]).max(initial=-1.0)) for course in courses)
    if largest < 0.0:
        return []
    end = SIDES_DB * max(np.ceil(largest / SIDES_DB), 1.0)
    # A second's level stands from its beginning to its end.
    base, *others = (
        Curve(v.name, np.repeat(np.arange(course.size + 1.0), 2)[1:-1] * COURSE_S, np.repeat(course, 2))
        for v, course in zip(variants, courses, strict=True)
    )
    levels, ticks = np.linspace(-end, end, 5).tolist(), _ticks(COURSE_S * max(course.size for course in courses))
    return [
        (
            f"{number} {curves[-1].name}",
            curve_drawing(
                curves,
                ticks,
                levels,
                "time (s)",
                "right over left (dB)",
                f"Right over left channel of {curves[-1].name}, second by second",
            ),
        )
        for number, curves in enumerate([[base, other] for other in others] or [[base]], start=2 if others else 1)
    ]


def _decays(variants: Sequence[Variant]) -> list[dict[str, Any]]:
    """Return for each octave band what all variants do over time: energy to come, and the first energy."""
    end = max(
        (
            time
            for variant in variants
            for levels in variant.curves.decay_db.values()
            for time, level in zip(variant.curves.decay_s, levels, strict=True)
            if level >= DECAY_DB[0]
        ),
        default=0.0,
    )
    early = [level for variant in variants for levels in variant.curves.early_db.values() for level in levels]
    if not end or not early:
        return []
    top = 10.0 * np.ceil(max(early) / 10.0)
    early_end = 1000.0 * max(time for variant in variants for time in variant.curves.early_s)
    drawings = []
    for band in variants[0].curves.decay_db:
        decays = [Curve(v.name, np.array(v.curves.decay_s), np.array(v.curves.decay_db[band])) for v in variants]
        starts = [Curve(v.name, 1000 * np.array(v.curves.early_s), np.array(v.curves.early_db[band])) for v in variants]
        early_ticks = np.arange(top - EARLY_SPAN_DB, top + 1.0, 10.0).tolist()
        drawings.append(
            {
                "band": band,
                "decay": curve_drawing(
                    decays, _ticks(end), DECAY_DB, "time (s)", "energy to come (dB)", f"Energy decay at {band} Hz"
                ),
                "early": curve_drawing(
                    starts, _ticks(early_end), early_ticks, "time (ms)", "energy (dB)", f"Echogram at {band} Hz"
                ),
            }
        )
    return drawings


def _ticks(end: float) -> dict[float, str]:
    """Return three to six round numbers from 0 to ``end`` or just beyond."""
    step = next(s for s in (m * 10.0**e for e in range(-3, 6) for m in (1, 2, 5)) if end / s <= 5.0)
    return {step * n: f"{step * n:g}" for n in range(int(np.ceil(end / step)) + 1)}


def _tones(comparison: Comparison) -> list[dict[str, Any]]:
    """Return for each section what all variants do to its tone."""
    octaves = np.log2(np.array(comparison.tone_hz))
    if octaves.size < 2:
        return []
    inner = {float(np.log2(hz)): f"{hz:g}" for hz in (125, 500, 2000, 8000) if octaves[0] < np.log2(hz) < octaves[-1]}
    ticks = {
        float(octaves[0]): "",
        **inner,
        float(octaves[-1]): "",
    }
    parts = [{numbers.section: numbers for numbers in variant.sections} for variant in comparison.variants]
    return [
        {
            "section": section,
            "drawing": curve_drawing(
                [
                    Curve(variant.name, octaves, np.array(part[section].tone_db))
                    if section in part and part[section].tone_db
                    else Curve(variant.name, octaves, np.full(octaves.size, np.nan))
                    for variant, part in zip(comparison.variants, parts, strict=True)
                ],
                ticks,
                TONE_DB,
                "third octave (Hz)",
                "deviation (dB)",
                f"Tone of {section} by third octaves",
            ),
        }
        for section in dict.fromkeys(name for part in parts for name in part)
    ]


def _ranking(ranking: Ranking) -> dict[str, Any]:
    """Return a table as texts: a column for each variant, the best first; the score, goals asked for, what it costs."""
    asked = list(ranking.weights)
    goals = [*asked, *dict.fromkeys(g for place in ranking.places for g in place.gains if g not in ranking.weights)]
    titles = [f"{goal} (weight {ranking.weights[goal]:g})" if goal in asked else goal for goal in goals]
    rows = [("Score", [place.score for place in ranking.places])]
    rows += [
        (title, [place.gains.get(goal) for place in ranking.places]) for title, goal in zip(titles, goals, strict=True)
    ]
    return {
        "variants": [place.variant for place in ranking.places],
        "asked": 1 + len(asked),
        "rows": [(title, [number_text(value, 1, signed=True) for value in values]) for title, values in rows],
    }
