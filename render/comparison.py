"""What a comparison found: variants of a scene, each section in each of them in numbers, and how far apart they are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["COURSE_S", "Comparison", "Curves", "Plan", "Ranked", "Ranking", "SectionNumbers", "Split", "Variant"]

COURSE_S = 1.0
"""Step of `Variant.left_right_course_db`, in s."""

Point = tuple[float, float]
"""x and y in m, in the scene's frame."""


@dataclass(frozen=True)
class Plan:
    """What a small drawing of a variant needs.

    Attributes
    ----------
    lower, upper : Point
        Corners of the hall's floor in m.
    sections : mapping of str to tuple of Point
        The players of each section.
    arrays : mapping of str to tuple of Point
        The capsules of each array that is heard.
    conducted : bool
        Whether a conductor stands in the origin.
    """

    lower: Point
    upper: Point
    sections: Mapping[str, tuple[Point, ...]]
    arrays: Mapping[str, tuple[Point, ...]]
    conducted: bool


@dataclass(frozen=True)
class Split:
    """A level in dB, and that of its parts; None for what is silent.

    Attributes
    ----------
    total, direct, early, late : float or None
        Of everything; the first arrival; what is reflected up to the mixing time; the rest.
    """

    total: float | None
    direct: float | None
    early: float | None
    late: float | None


@dataclass(frozen=True)
class SectionNumbers:
    """How one section is heard in one variant. What can't be told is None, and `reasons` says why, by attribute.

    Attributes
    ----------
    section : str
        Its name.
    level_db : mapping of str to Split
        Level of the section in each array's part of the stereo mix, dB re its stem, every octave from 125 Hz to 4 kHz
        counting alike (pink).
    mix_db : Split
        The same in the whole mix.
    balance_db : Split
        `mix_db` re the mean power of all sections: where stems are equally loud, how much the section stands out.
    azimuth_deg, left_deg, right_deg, width_deg : float or None
        Where its centre and its outermost players appear in the image of the main array, −30 (left loudspeaker) to 30,
        and how far apart those are, from geometry by published curves for level and time.
    measured_azimuth_deg, measured_width_deg : float or None
        The same as a check, from the section's sound in the main array's part of the mix; see `render.heard_image`.
    heard_azimuth_deg, heard_width_deg : float or None
        Where and how wide it appears in the whole mix, all arrays together, from its sound.
    drr_db : float or None
        Direct sound over all that follows, in the mix.
    C80_db, EDT_s, T30_s, Ts_s : float or None
        ISO 3382-1, means of 500 Hz and 1 kHz, from the section's centre to the main array's middle
        capsule, or the mean of both of a pair.
    LF, IACC : float or None
        Early lateral fraction, where an array has an omni and a figure-of-eight in one point; early interaural
        cross-correlation, where it is a head.
    tone_db : tuple of float
        Level of each third octave of `tone_hz` in the mix, re their mean; what the hall does to the stem's tone.
    separation_db : float or None
        The section over all others together in its own spot, stems equally loud.
    reasons : mapping of str to str
        Why a number is None.
    """

    section: str
    level_db: Mapping[str, Split]
    mix_db: Split
    balance_db: Split
    azimuth_deg: float | None
    left_deg: float | None
    right_deg: float | None
    width_deg: float | None
    measured_azimuth_deg: float | None
    measured_width_deg: float | None
    heard_azimuth_deg: float | None
    heard_width_deg: float | None
    drr_db: float | None
    C80_db: float | None
    EDT_s: float | None
    T30_s: float | None
    Ts_s: float | None
    LF: float | None
    IACC: float | None
    tone_db: tuple[float, ...]
    separation_db: float | None
    reasons: Mapping[str, str]


@dataclass(frozen=True)
class Curves:
    """How sound decays at the main array's middle capsule, the mean of all sections.

    Attributes
    ----------
    decay_s : tuple of float
        Times after the direct sound in s.
    decay_db : mapping of str to tuple of float
        By octave band ("125" … "4000"): level of all energy still to come, 0 dB being all of it.
    early_s : tuple of float
        Times after the direct sound in s, of the first part.
    early_db : mapping of str to tuple of float
        By octave band: energy around each of these times, dB re all energy.
    """

    decay_s: tuple[float, ...]
    decay_db: Mapping[str, tuple[float, ...]]
    early_s: tuple[float, ...]
    early_db: Mapping[str, tuple[float, ...]]


@dataclass(frozen=True)
class Variant:
    """One variant, as it sits and as it sounds.

    Attributes
    ----------
    name : str
        Short, and unlike any other.
    differs : mapping of str to str
        What makes it: "scene", "hall", "seating" or an array's name, and what is there; the base may have none.
    plan : Plan
        For a drawing.
    sections : tuple of SectionNumbers
        In the scene's order.
    violins_deg : float or None
        How far apart the centres of violins 1 and 2 appear in the main array's image, in degrees; None without both.
    left_right_db : float or None
        Right over left channel of the mix over the passage, in dB; None for silence in one.
    left_right_course_db : tuple of float or None
        The same second by second.
    mono_db : float or None
        What the sum of both channels loses: its level re both, dB; 0 where they are alike, −3 where unrelated.
    mono_worst_hz, mono_worst_db : float or None
        The third octave that loses most, and how much.
    lufs : float or None
        Loudness of the mix before it was set to that of all others (ITU-R BS.1770-4).
    true_peak_dbtp : float or None
        Of the mix, before.
    gain_db : float
        What set it to `Comparison.lufs`.
    audio : str
        The file of its mix, relative to the comparison's folder.
    curves : Curves
        Its decay.
    """

    name: str
    differs: Mapping[str, str]
    plan: Plan
    sections: tuple[SectionNumbers, ...]
    violins_deg: float | None
    left_right_db: float | None
    left_right_course_db: tuple[float | None, ...]
    mono_db: float | None
    mono_worst_hz: float | None
    mono_worst_db: float | None
    lufs: float | None
    true_peak_dbtp: float | None
    gain_db: float
    audio: str
    curves: Curves


@dataclass(frozen=True)
class Ranked:
    """One variant's place by a goal.

    Attributes
    ----------
    variant : str
        Its name.
    score : float or None
        Weighted sum of `gains`, in just-noticeable differences above the base; None where one can't be told.
    gains : mapping of str to float or None
        By goal, all of them, asked for or not: by how many just-noticeable differences it is better than the base.
        Those not asked for are the trade-offs.
    """

    variant: str
    score: float | None
    gains: Mapping[str, float | None]


@dataclass(frozen=True)
class Ranking:
    """Variants by goals, the best first.

    Attributes
    ----------
    weights : mapping of str to float
        The goals that count, and how much.
    places : tuple of Ranked
        The best first; those that can't be told last.
    """

    weights: Mapping[str, float]
    places: tuple[Ranked, ...]


@dataclass(frozen=True)
class Comparison:
    """Variants side by side; the first is the base that the others are measured against.

    Attributes
    ----------
    title : str
        The base scene's.
    cue : str
        Which one is heard.
    passage : str
        Which part of it, in words.
    lufs : float
        The loudness all mixes are set to, LUFS.
    tone_hz : tuple of float
        The third octaves of `SectionNumbers.tone_db`.
    variants : tuple of Variant
        The base first.
    differences : mapping
        By variant, section and measure: just-noticeable differences above the base, None where one is missing.
    summary : tuple of str
        A paragraph on what is heard to differ and what isn't; of more than two variants, one on each follows.
    ranking : Ranking or None
        None where no goal was given.
    notes, warnings : tuple of str
        What the numbers mean, and what the reader should know before trusting them.
    """

    title: str
    cue: str
    passage: str
    lufs: float
    tone_hz: tuple[float, ...]
    variants: tuple[Variant, ...]
    differences: Mapping[str, Mapping[str, Mapping[str, float | None]]]
    summary: tuple[str, ...]
    ranking: Ranking | None
    notes: tuple[str, ...]
    warnings: tuple[str, ...]
