"""What differs between variants to the ear: just-noticeable differences, a summary in words, and ranking by goals."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from render.comparison import Ranked, Ranking, SectionNumbers, Variant
from rooms.errors import InputError, did_you_mean
from rooms.jnd import in_jnds

__all__ = ["MEASURES", "differences", "known_goals", "rank", "ranking_lines", "summary"]

MEASURES = {
    "balance_db": "balance",
    "azimuth_deg": "direction",
    "width_deg": "width",
    "drr_db": "distance",
    "C80_db": "clarity",
    "Ts_s": "centre time",
    "EDT_s": "early decay",
    "T30_s": "reverberation",
    "LF": "envelopment by early sound",
    "IACC": "likeness of the ears",
    "tone_db": "tone",
}
"""Measures with a just-noticeable difference, and what they are to a listener."""

Differences = Mapping[str, Mapping[str, Mapping[str, float | None]]]

HEARD = 1.0
"""Just-noticeable differences from which on a difference is called heard."""

OF_ALL, OF_ONE = ("even balance", "widest violins", "safest mono"), ("clearest", "closest", "best separated")
"""Goals that concern everyone, and those that are followed by a section's name."""

EXAMPLES = 3
"""How many differences of each variant the summary tells one by one."""


def differences(variants: Sequence[Variant]) -> dict[str, dict[str, dict[str, float | None]]]:
    """Return by how many just-noticeable differences each section of each variant lies above the base's.

    Parameters
    ----------
    variants : sequence of Variant
        The base first.

    Returns
    -------
    dict
        By variant, section and measure; None where one of both has no number. Tone is a distance, never below 0: the
        effective value of the third octaves' differences. Sections that the base hasn't got are left out.
    """
    base = {numbers.section: numbers for numbers in variants[0].sections}
    return {
        variant.name: {
            numbers.section: {key: _difference(key, numbers, base[numbers.section]) for key in MEASURES}
            for numbers in variant.sections
            if numbers.section in base
        }
        for variant in variants
    }


def _difference(key: str, one: SectionNumbers, base: SectionNumbers) -> float | None:
    """Return a measure's difference in just-noticeable ones."""
    if key == "tone_db":
        apart = float(np.sqrt(np.mean(np.subtract(one.tone_db, base.tone_db) ** 2)))
        return float(in_jnds(key, apart, 0.0))
    if key == "balance_db":
        pair = [one.balance_db.total, base.balance_db.total]
    else:
        pair = [getattr(one, key), getattr(base, key)]
    value, reference = pair
    return None if value is None or reference is None else float(in_jnds(key, value, reference))


def summary(variants: Sequence[Variant], found: Differences) -> tuple[str, ...]:
    """Return what is heard to differ from the base and what isn't, in words.

    Parameters
    ----------
    variants : sequence of Variant
        The base first.
    found : mapping
        What `differences` returns.

    Returns
    -------
    tuple of str
        A paragraph on all of them, and one on each variant but the base; where there is but one, only that.
    """
    told = tuple(_paragraph(variant, variants[0], found[variant.name]) for variant in variants[1:])
    return told if len(told) < 2 else (_overview(variants, found), *told)


def _paragraph(variant: Variant, base: Variant, measures: Mapping[str, Mapping[str, float | None]]) -> str:
    """Return what one variant does."""
    steps = _steps(measures)
    heard = [step for step in steps if step[0] >= HEARD]
    apart = {key for _, _, key, _ in heard}
    if not any(size > 0.0 for size, *_ in steps):
        return f"{variant.name} is the same as {base.name}: no number differs."
    if not heard:
        return f"{variant.name} is not heard to differ from {base.name}: no number by one step or more."
    first = _first(heard)
    examples = "; ".join(_example(key, section, value, variant, base) for _, section, key, value in first)
    sentences = [f"{variant.name} against {base.name}: {examples}."]
    if rest := [MEASURES[key] for key in MEASURES if key in apart - {key for _, _, key, _ in first}]:
        sentences.append(f"Also heard: {', '.join(rest)}.")
    if same := [MEASURES[key] for key in MEASURES if key in {key for _, _, key, _ in steps} - apart]:
        sentences.append(f"Not heard to differ: {', '.join(same)}.")
    if base.violins_deg is not None and variant.violins_deg is not None:
        sentences.append(
            f"Violins 1 and 2 appear {variant.violins_deg:.0f}° apart, {base.violins_deg:.0f}° in {base.name}."
        )
    return " ".join(sentences)


def _overview(variants: Sequence[Variant], found: Differences) -> str:
    """Return what several variants do together."""
    base, *others = variants
    largest: dict[str, tuple[float, str, str]] = {}  # by measure: how much, whose, in which variant
    told, heard_to_differ = set(), []
    for variant in others:
        steps = _steps(found[variant.name])
        told |= {key for _, _, key, _ in steps}
        for size, section, key, _ in steps:
            if size >= HEARD and size > largest.get(key, (0.0, "", ""))[0]:
                largest[key] = (size, section, variant.name)
        if any(size >= HEARD for size, *_ in steps):
            heard_to_differ.append(variant.name)
    if not largest:
        return f"None of {len(others)} variants is heard to differ from {base.name}."
    same = [variant.name for variant in others if variant.name not in heard_to_differ]
    verb = "is" if len(heard_to_differ) == 1 else "are"
    sentences = [f"Of {len(others)} variants, {len(heard_to_differ)} {verb} heard to differ from {base.name}."]
    if same:
        sentences[0] = sentences[0][:-1] + f", and {', '.join(same)} {'is' if len(same) == 1 else 'are'} not."
    order = sorted(largest, key=lambda key: -largest[key][0])
    most = [
        f"{MEASURES[key]} by up to {size:.1f} ({who} in {where})"
        for key in order
        for size, who, where in [largest[key]]
    ]
    sentences.append(f"What changes most, in just-noticeable differences: {'; '.join(most[:EXAMPLES])}.")
    if order[EXAMPLES:]:
        sentences.append(f"Also heard: {', '.join(MEASURES[key] for key in order[EXAMPLES:])}.")
    if silent := [MEASURES[key] for key in MEASURES if key in told - set(order)]:
        sentences.append(f"Heard to change in none: {', '.join(silent)}.")
    angles = [(variant.violins_deg, variant.name) for variant in variants if variant.violins_deg is not None]
    if angles:
        (least, close), (most_deg, wide) = min(angles), max(angles)
        sentences.append(
            f"Violins 1 and 2 appear furthest apart in {wide} ({most_deg:.0f}°) and closest in {close} ({least:.0f}°)."
        )
    return " ".join(sentences)


def _steps(measures: Mapping[str, Mapping[str, float | None]]) -> list[tuple[float, str, str, float]]:
    """Return size, section, measure and value of every difference that is known, the largest first."""
    steps = [
        (abs(value), section, key, value)
        for section, values in measures.items()
        for key, value in values.items()
        if value is not None
    ]
    return sorted(steps, key=lambda step: -step[0])


def _first(
    heard: Sequence[tuple[float, str, str, float]],
) -> list[tuple[float, str, str, float]]:
    """Return the largest difference of each of the first few measures."""
    first = {key: step for step in reversed(heard) for key in (step[2],)}
    return sorted(first.values(), key=lambda step: -step[0])[:EXAMPLES]


def _example(key: str, section: str, jnds: float, variant: Variant, base: Variant) -> str:
    """Return one difference in words, with its size in the measure's unit and in just-noticeable differences."""
    one, other = (next(n for n in v.sections if n.section == section) for v in (variant, base))
    steps = f"({abs(jnds):.1f} just-noticeable differences)"
    if key == "tone_db":
        return f"the tone of {section} changes by {abs(jnds):.1f} dB a third octave"
    if key == "azimuth_deg":
        a, b = (n.azimuth_deg or 0.0 for n in (one, other))
        return f"{section} appear {abs(a - b):.0f}° further {'right' if a > b else 'left'} {steps}"
    up, down, scale, unit = {
        "balance_db": ("louder", "softer", 1.0, " dB"),
        "width_deg": ("wider", "narrower", 1.0, "°"),
        "drr_db": ("closer by direct against later sound", "further away by direct against later sound", 1.0, " dB"),
        "C80_db": ("clearer", "less clear", 1.0, " dB"),
        "Ts_s": ("later in their centre of time", "earlier in their centre of time", 1e3, " ms"),
        "EDT_s": ("longer in their early decay", "shorter in their early decay", 1.0, " s"),
        "T30_s": ("longer in their reverberation", "shorter in their reverberation", 1.0, " s"),
        "LF": ("more enveloping early on", "less enveloping early on", 1.0, ""),
        "IACC": ("more alike at both ears", "less alike at both ears", 1.0, ""),
    }[key]
    if key == "balance_db":
        a, b = one.balance_db.total or 0.0, other.balance_db.total or 0.0
    else:
        a, b = getattr(one, key), getattr(other, key)
    places = 2 if unit in (" s", "") else 1
    return f"{section} are {abs(a - b) * scale:.{places}f}{unit} {up if a > b else down} {steps}"


def known_goals(sections: Sequence[str]) -> list[str]:
    """Return all goals that variants with these sections can be ranked by."""
    violins = {"violins-1", "violins-2"} <= set(sections)
    of_all = [goal for goal in OF_ALL if violins or goal != "widest violins"]
    return of_all + [f"{goal} {section}" for goal in OF_ONE for section in sections]


def rank(variants: Sequence[Variant], weights: Mapping[str, float]) -> Ranking:
    """Rank variants by goals.

    Parameters
    ----------
    variants : sequence of Variant
        The base first.
    weights : mapping of str to float
        Goals, see `known_goals`, and how much each counts.

    Raises
    ------
    InputError
        If a goal is unknown.

    Notes
    -----
    A gain is in just-noticeable differences above the base: of the standard deviation of the sections' balance, of the
    angle between violins 1 and 2, of the level kept in mono (as 1 dB each), of C80 and of direct against reverberant
    sound of a section, and of its separation (1 dB each). Weights are the user's; nothing published says how goals add.
    """
    goals = known_goals([numbers.section for numbers in variants[0].sections])
    for goal in weights:
        if goal not in goals:
            raise InputError(f"goal: found '{goal}'; {did_you_mean(goal, goals)}")
    base = variants[0]
    places = []
    for variant in variants:
        gains = {goal: _gain(goal, variant, base) for goal in goals}
        counted = [(weight, gains[goal]) for goal, weight in weights.items()]
        known = all(gain is not None for _, gain in counted)
        score = sum(weight * (gain or 0.0) for weight, gain in counted) if known else None
        places.append(Ranked(variant.name, score, gains))
    places.sort(key=lambda place: np.inf if place.score is None else -place.score)
    return Ranking(dict(weights), tuple(places))


def ranking_lines(ranking: Ranking) -> list[str]:
    """Return a ranking in lines of text, the largest gain and loss among what was not asked for with each place."""
    asked = ", ".join(f"{goal} × {weight:g}" for goal, weight in ranking.weights.items())
    lines = [f"ranked by {asked}, in just-noticeable differences above the base:"]
    for number, place in enumerate(ranking.places, start=1):
        if place.score is None:
            lines.append(f"  –  {place.variant}: can't be told")
            continue
        others = {goal: gain for goal, gain in place.gains.items() if gain is not None and goal not in ranking.weights}
        kept = sorted(others.items(), key=lambda item: item[1])
        shown = [f"{goal} {gain:+.1f}" for goal, gain in dict(kept[:2] + kept[-1:]).items() if abs(gain) >= HEARD]
        lines.append(f"  {number}. {place.variant}: {place.score:+.1f}" + (f"; {', '.join(shown)}" if shown else ""))
    return lines


def _gain(goal: str, variant: Variant, base: Variant) -> float | None:
    """Return by how many just-noticeable differences a variant is better than the base, or None."""
    if goal == "even balance":
        return _jnds("balance_db", _spread(base), _spread(variant))  # less is better
    if goal == "widest violins":
        return _jnds("azimuth_deg", variant.violins_deg, base.violins_deg)
    if goal == "safest mono":
        return _jnds("balance_db", variant.mono_db, base.mono_db)
    kind = next(kind for kind in OF_ONE if goal.startswith(f"{kind} "))
    section = goal.removeprefix(f"{kind} ")
    one, other = (next((n for n in v.sections if n.section == section), None) for v in (variant, base))
    if one is None or other is None:
        return None
    if kind == "clearest":
        return _jnds("C80_db", one.C80_db, other.C80_db)
    if kind == "closest":
        return _jnds("drr_db", one.drr_db, other.drr_db)
    return _jnds("balance_db", one.separation_db, other.separation_db)


def _spread(variant: Variant) -> float | None:
    """Return the standard deviation of the sections' balance in dB; None where one is silent."""
    levels = [numbers.balance_db.total for numbers in variant.sections]
    return None if None in levels else float(np.std([level or 0.0 for level in levels]))


def _jnds(measure: str, value: float | None, reference: float | None) -> float | None:
    """Return a difference in just-noticeable ones, or None where there is none."""
    return None if value is None or reference is None else float(in_jnds(measure, value, reference))
