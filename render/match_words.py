"""A match in plain words: how a fitted room differs from a recording's, and what cannot be matched and why."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from render.measurement import Measurement
from rooms.adapting import air_alone_s, as_absorbing_as_can_be, as_hard_as_can_be
from rooms.agreement import Target, residuals
from rooms.decay import LONGEST
from rooms.jnd import RATIOS, STEPS, in_jnds
from rooms.matching import FARTHEST, LEAST_DISTANCE, MOST_GAIN_DB, Candidate
from rooms.predicting import Predicted
from rooms.units import BAND_NAMES, INTERVAL

__all__ = ["plain_sentences", "summary", "unmatched", "untold"]

RANGES = {"up to 250 Hz": slice(0, 3), "from 500 Hz to 2 kHz": slice(3, 6), "from 4 kHz up": slice(6, 9)}
"""Octaves that a sentence speaks of together."""

MIDDLE = slice(2, 6)
"""250 Hz to 2 kHz: what is told of a measure in one number."""

ASKED = {
    "T_s": "Reverberation time",
    "EDT_s": "Early decay",
    "C80_db": "Clarity",
    "drr_db": "Direct to reverberant",
    "initial_gap_s": "First reflection",
    "correlation": "Width",
}
"""What a match takes from a recording."""


def summary(candidate: Candidate) -> str:
    """Return what a fit does to a scene, its hall aside, in a line; nothing of what it leaves as it is."""
    moved = candidate.downstage
    changes = {
        f"plan × {candidate.plan_scale:g}": candidate.plan_scale != 1.0,
        f"main array {candidate.distance:.1f} m behind the conductor and {candidate.height:.1f} m up": True,
        f"its width × {candidate.width:g}": candidate.width != 1.0,
        f"spots {candidate.spot_db:+g} dB": candidate.spot_db != 0.0,
        f"ambience {candidate.far_db:+g} dB": candidate.far_db != 0.0,
        f"ensemble {abs(moved):g} m {'nearer to' if moved > 0 else 'farther from'} the audience": moved != 0.0,
    }
    return ", ".join(text for text, holds in changes.items() if holds).replace("-", "−")


def plain_sentences(target: Target, found: Predicted) -> list[str]:
    """Return what differs between the recording and a fitted room, one sentence for each measure that is known.

    Parameters
    ----------
    target : Target
        What the recording says.
    found : Predicted
        What the room has.
    """
    misses = residuals(target, found)
    lines = [_tail(target, found, text, octaves) for text, octaves in RANGES.items()]
    for name, same, more, less in (
        ("EDT_s", "The tail begins to fall as slowly as in the recording.", "slower", "faster"),
        ("C80_db", "The sections sound as clear as in the recording.", "clearer", "less clear"),
        ("drr_db", "The sections sound as far away as in the recording.", "closer", "farther away"),
    ):
        jnds = _in_the_middle(misses[name])
        if np.isnan(jnds):
            continue
        subject = "The tail begins to fall" if name == "EDT_s" else "The sections sound"
        spread = _spread(target, name)
        doubt = (
            f"; it tells that to {_amount(name, spread)} either way, so they may be alike"
            if spread >= abs(jnds)
            else ""
        )
        lines.append(
            same
            if abs(jnds) <= 1.0
            else f"{subject} {more if jnds > 0 else less} than in the recording, by {_amount(name, jnds)}{doubt}."
        )
    lines += _tone(misses["tone_db"])
    width = _in_the_middle(misses["correlation"])
    if np.isfinite(width):
        lines.append(
            "The mix is as wide as the recording."
            if abs(width) <= 1.0
            else f"The mix is {'narrower' if width > 0 else 'wider'} than the recording: its channels correlate by "
            f"{_in_the_middle(found.correlation):.2f}, the recording's by {_in_the_middle(target.correlation):.2f}."
        )
    gap = float(misses["initial_gap_s"][0])
    if np.isfinite(gap):
        by = 1e3 * (float(found.initial_gap_s) - target.initial_gap_s)
        lines.append(
            "The first reflection comes as soon as in the recording."
            if abs(gap) <= 1.0
            else f"The first reflection comes {abs(by):.0f} ms {'later' if by > 0 else 'sooner'} than in the recording."
        )
    return lines


def unmatched(target: Target, candidate: Candidate) -> list[str]:
    """Return a plain sentence for each measure that stays more than a just-noticeable difference off, and why.

    Parameters
    ----------
    target : Target
        What was asked.
    candidate : Candidate
        What was found.

    Returns
    -------
    list of str
        Reverberation times octave by octave; of all other measures, means of 250 Hz to 2 kHz count. What lies within
        the recording's own 90 % interval isn't off, as far as anybody can tell.
    """
    found = candidate.predicted
    misses = residuals(target, found)
    middle = {name: _in_the_middle(of) for name, of in misses.items() if name != "initial_gap_s"}
    for name in ("EDT_s", "C80_db", "drr_db"):
        if abs(middle[name]) <= _spread(target, name):
            middle[name] = 0.0
    lines = _decays(target, candidate)
    early = middle["EDT_s"]
    if abs(early) > 1.0:
        lines.append(
            f"The early decay stays {_amount('EDT_s', early)} {'longer' if early > 0 else 'shorter'} than the "
            "recording's: once the tail is as long, only how close and how clear things are changes it, and that is "
            "fitted too."
        )
    clarity, ratio = middle["C80_db"], middle["drr_db"]
    if abs(clarity) > 1.0 and abs(ratio) > 1.0 and clarity * ratio < 0:
        lines.append(
            f"Clarity stays {_amount('C80_db', clarity)} too {'high' if clarity > 0 else 'low'} and the direct sound "
            f"{_amount('drr_db', ratio)} too {'strong' if ratio > 0 else 'weak'}: one asks for microphones farther "
            "away and the other for nearer ones, so in this hall they don't go together."
        )
    else:
        for name, miss, what, much, little in (
            ("C80_db", clarity, "Clarity stays", "high", "low"),
            ("drr_db", ratio, "The direct sound stays", "strong", "weak"),
        ):
            if abs(miss) > 1.0:
                text = f"{what} {_amount(name, miss)} too {much if miss > 0 else little}: "
                lines.append(text + _why_not_nearer(candidate, nearer=miss < 0))
    tone = [text for text, octaves in RANGES.items() if abs(_mean(misses["tone_db"][octaves])) > 1.0]
    if tone:
        lines.append(
            f"The reverberation's tone stays off {' and '.join(tone)}: in each octave a hall answers as strongly as "
            "its tail there is long, and the tail is fitted; what is left is what the sources send sideways, or an "
            "equaliser on the recording."
        )
    if abs(middle["correlation"]) > 1.0:
        lines.append(
            "The width stays off: how far the microphones stand apart and where they point decides how alike the "
            "channels are; another main array gets nearer."
        )
    if abs(float(misses["initial_gap_s"][0])) > 1.0:
        late = float(found.initial_gap_s) > target.initial_gap_s
        lines.append(
            f"The first reflection stays {'late' if late else 'early'}, {1e3 * float(found.initial_gap_s):.0f} ms "
            f"after the direct sound and not {1e3 * target.initial_gap_s:.0f} ms: it comes by way of the nearest of "
            f"floor, walls and ceiling, and {'none is nearer' if late else 'they are no farther away'} from where "
            "clarity asks the array to hang."
        )
    return lines


def untold(measurement: Measurement) -> list[str]:
    """Return what a match would take and the recording doesn't tell, with the reasons it gives, a line each."""
    lines: dict[tuple[str, str], list[str]] = {}
    for key, reason in measurement.reasons.items():
        name, _, band = key.partition(".")
        if name in ASKED:
            lines.setdefault((name, reason), []).append(band)
    if measurement.channels == "mono":
        lines["correlation", "one channel has none"] = [""]
    return [
        ASKED[name] + (f" at {', '.join(bands)} Hz" if any(bands) else "") + f": {reason}."
        for (name, reason), bands in lines.items()
    ]


def _decays(target: Target, candidate: Candidate) -> list[str]:
    """Return a sentence for each octave whose reverberation time the hall cannot take on, and why."""
    hall = candidate.hall
    air, hard, soft = air_alone_s(hall), as_hard_as_can_be(hall), as_absorbing_as_can_be(hall)
    lines = []
    for n, band in enumerate(BAND_NAMES):
        wanted, found = float(target.T_s[n]), float(candidate.predicted.T_s[n])
        if np.isfinite(wanted) and not np.isfinite(found):
            lines.append(
                f"At {band} Hz the recording rings {wanted:.2f} s and the hall doesn't ring: nearly all is absorbed."
            )
        if not abs(float(in_jnds("T_s", found, wanted))) > 1.0 or target.T_low_s[n] <= found <= target.T_high_s[n]:
            continue
        text = f"At {band} Hz the recording rings {wanted:.2f} s and the hall {found:.2f} s: "
        if wanted >= air[n]:
            text += f"air alone takes more than that, and lets a hall ring {air[n]:.2f} s at most."
        elif wanted > LONGEST:
            text += f"no hall here rings longer than {LONGEST:g} s."
        elif found < wanted and hard[n]:
            text += "with the hardest materials it doesn't ring longer."
        elif found > wanted and soft[n]:
            text += "with the most absorbing materials it doesn't ring shorter."
        else:
            text += "the uneven decay of this hall doesn't follow its absorption so far."
        lines.append(text)
    return lines


def _why_not_nearer(candidate: Candidate, *, nearer: bool) -> str:
    """Return why microphones aren't nearer, or farther away."""
    distance = f"{candidate.distance:.1f} m behind the conductor"
    if nearer and candidate.distance < 1.05 * LEAST_DISTANCE and candidate.spot_db in (0.0, MOST_GAIN_DB):
        loud = "the spots are as loud as they go" if candidate.spot_db else "there are no spots to turn up"
        return f"the main array hangs {distance}, as near as main arrays do, and {loud}."
    if not nearer and candidate.distance > 0.95 * FARTHEST:
        return f"the main array hangs {distance}, as far away as main arrays do."
    room = -float(candidate.hall.box.lower[1])
    if not nearer and candidate.distance > 0.9 * (room - 0.5):
        return f"the main array hangs {distance}, and the hall ends {room:.1f} m behind the conductor."
    return f"the main array hangs {distance}; {'nearer' if nearer else 'farther away'} the other measures miss by more."


def _tail(target: Target, found: Predicted, text: str, octaves: slice) -> str:
    """Return how long tails are in some octaves."""
    asked, got = target.T_s[octaves], found.T_s[octaves]
    known = np.isfinite(asked) & np.isfinite(got)
    if not known.any():
        return f"Whether the tails are alike {text} can't be told."
    jnds = float(np.mean(in_jnds("T_s", got[known], asked[known])))
    if abs(jnds) <= 1.0:
        return f"Your tail is as long as the recording's {text}."
    percent = 100.0 * (float(np.exp(np.mean(np.log(got[known] / asked[known])))) - 1.0)
    inside = (target.T_low_s[octaves] <= got) & (got <= target.T_high_s[octaves])
    doubt = "; it doesn't tell that so exactly, so they may be alike" if inside[known].all() else ""
    return (
        f"Your tail is {abs(percent):.0f} % {'longer' if percent > 0 else 'shorter'} than the recording's {text}, "
        f"{abs(jnds):.1f} just-noticeable differences{doubt}."
    )


def _tone(misses: NDArray[np.float64]) -> list[str]:
    """Return how the reverberation's tone differs, if it is known."""
    known = np.isfinite(misses)
    if known.sum() < 2:
        return []
    off = {text: _mean(misses[octaves]) * STEPS["tone_db"] for text, octaves in RANGES.items()}
    heard = {text: db for text, db in off.items() if abs(db) > STEPS["tone_db"]}
    if not heard:
        return ["The reverberation has the recording's tone."]
    parts = [f"{abs(db):.1f} dB {'stronger' if db > 0 else 'weaker'} {text}" for text, db in heard.items()]
    return [f"The reverberation is {' and '.join(parts)} than in the recording, against its mean."]


def _spread(target: Target, name: str) -> float:
    """Return half the 90 % interval of a measure's mean from 250 Hz to 2 kHz, in JNDs; 0 where it isn't known.

    Octaves of one response scatter independently; of music the errors are taken for alike, as the stops are the same,
    and so are those of the direct sound, as its length is.
    """
    if name == "EDT_s":
        errors = in_jnds(name, target.EDT_s + target.EDT_error_s, target.EDT_s)
    else:
        errors = {"C80_db": target.C80_error_db, "drr_db": target.drr_error_db}[name] / STEPS[name]
    known = errors[MIDDLE][np.isfinite(errors[MIDDLE])]
    if not known.size:
        return 0.0
    alike = target.as_played or name == "drr_db"
    return INTERVAL * float(np.mean(known) if alike else np.sqrt(np.sum(known**2)) / known.size)


def _mean(values: NDArray[np.float64]) -> float:
    """Return the mean of what is known, NaN if nothing is."""
    return float(np.nanmean(values)) if np.isfinite(values).any() else float("nan")


def _in_the_middle(values: NDArray[np.float64]) -> float:
    """Return the mean of 250 Hz to 2 kHz, as far as it is known."""
    return _mean(values[MIDDLE])


def _amount(name: str, jnds: float) -> str:
    """Return just-noticeable differences in the measure's own unit."""
    if name in RATIOS:
        return f"{100.0 * (RATIOS[name] ** abs(jnds) - 1.0):.0f} %"
    return f"{abs(jnds) * STEPS[name]:.1f} dB"
