"""A comparison of three made-up variants, for tests of what is made of it."""

from __future__ import annotations

import numpy as np

from render.comparison import Comparison, Curves, Plan, Ranked, Ranking, SectionNumbers, Split, Variant
from rooms.microphones import Capsule
from rooms.players import Instrument, Player, Section
from rooms.scene import Scene
from tests.halls import hall, material, microphones

NAMES = ("violins together", "violins <apart>", "stone church")
SECTIONS = ("violins-1", "violins-2", "cellos")
BANDS = ("125", "500", "1000", "4000")
THIRDS = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0)


def made_up_scene(apart: bool) -> Scene:
    """Return three sections of four before a pair; apart, the second violins sit opposite the first."""
    walls = material((0.3,) * 9, 0.3)
    places = {"violins-1": -4.0, "violins-2": 3.0 if apart else -2.0, "cellos": 1.0}
    sections = tuple(
        Section(
            name,
            Instrument(name, 1.1),
            tuple(Player((x + 0.7 * (n % 2), 1.5 + 1.3 * (n // 2), 1.1), 180.0 - 10.0 * x) for n in range(4)),
        )
        for name, x in places.items()
    )
    pair = microphones(Capsule("left", (-0.3, -0.8, 3.0)), Capsule("right", (0.3, -0.8, 3.0)))
    return Scene(hall(*(walls,) * 6, size=(14.0, 20.0, 9.0), conductor=(7.0, 6.0)), sections, (pair,), 48000, seed=1)


def made_up_numbers(section: str, azimuth: float, balance: float, T30: float) -> SectionNumbers:
    """Return numbers that are as told, or all alike."""
    split = Split(balance, balance - 6.0, balance - 3.0, balance - 4.0)
    return SectionNumbers(
        section=section,
        level_db={"main": split},
        mix_db=split,
        balance_db=split,
        azimuth_deg=azimuth,
        left_deg=azimuth - 4.0,
        right_deg=azimuth + 4.0,
        width_deg=8.0,
        measured_azimuth_deg=azimuth - 1.0,
        measured_width_deg=9.0,
        heard_azimuth_deg=azimuth + 2.0,
        heard_width_deg=14.0,
        drr_db=-6.5,
        C80_db=1.25,
        EDT_s=T30,
        T30_s=T30,
        Ts_s=0.0875,
        LF=None,
        IACC=None,
        tone_db=tuple(np.linspace(-2.0, 3.0, len(THIRDS)).tolist()),
        separation_db=None,
        reasons={"LF": "no figure-of-eight", "IACC": "no head", "separation_db": "no spot"},
    )


def made_up_variant(name: str, differs: dict[str, str], azimuths: tuple[float, ...], T30: float) -> Variant:
    """Return a variant whose sections stand at azimuths in a hall that rings for T30."""
    time = np.linspace(0.0, 3.0, 61)
    early = np.linspace(0.0, 0.1, 26)
    return Variant(
        name=name,
        differs=differs,
        plan=Plan((-7.0, -14.0), (7.0, 6.0), {}, {}, True),
        sections=tuple(made_up_numbers(s, a, 0.5, T30) for s, a in zip(SECTIONS, azimuths, strict=True)),
        violins_deg=abs(azimuths[1] - azimuths[0]),
        left_right_db=-0.75,
        left_right_course_db=(0.5, None),
        mono_db=-2.25,
        mono_worst_hz=160.0,
        mono_worst_db=-7.5,
        lufs=-31.5,
        true_peak_dbtp=-9.25,
        gain_db=8.5,
        audio="sound.flac",
        curves=Curves(
            tuple(time.tolist()),
            {band: tuple((-60.0 * time / T30).tolist()) for band in BANDS},
            tuple(early.tolist()),
            {band: tuple((-20.0 - 60.0 * early / T30).tolist()) for band in BANDS},
        ),
    )


def made_up_comparison() -> Comparison:
    """Return a base, one with violins apart and one in another hall, with a ranking of them."""
    variants = (
        made_up_variant(NAMES[0], {}, (-20.0, -10.0, 12.0), 1.8),
        made_up_variant(NAMES[1], {"seating": "antiphonal & apart"}, (-20.0, 22.0, 4.0), 1.8),
        made_up_variant(NAMES[2], {"hall": "stone-church"}, (-20.0, -10.0, 12.0), 3.0),
    )
    same = dict.fromkeys(("balance_db", "azimuth_deg", "T30_s"), 0.0)
    nothing = {section: dict(same) for section in SECTIONS}
    apart = {**nothing, "violins-2": {**same, "azimuth_deg": 10.7}, "cellos": {**same, "azimuth_deg": -2.7}}
    church = {section: {**same, "T30_s": 10.47, "balance_db": None} for section in SECTIONS}
    return Comparison(
        title="Harbour & <dusk>",
        cue="1m1",
        passage="0:10.0 to 0:14.0",
        lufs=-23.0,
        tone_hz=THIRDS,
        variants=variants,
        differences=dict(zip(NAMES, (nothing, apart, church), strict=True)),
        summary=("Two of them differ.", "Violins 2 move to the right.", "The church rings far longer."),
        ranking=Ranking(
            {"widest-violins": 1.0},
            (
                Ranked(NAMES[1], 8.0, {"widest-violins": 8.0, "clearest-cellos": -0.5}),
                Ranked(NAMES[0], 0.0, {"widest-violins": 0.0, "clearest-cellos": 0.0}),
                Ranked(NAMES[2], None, {"widest-violins": None, "clearest-cellos": -4.0}),
            ),
        ),
        notes=("Balance takes stems as equally loud.",),
        warnings=("stem 'a.wav' is stereo",),
    )


def made_up_scenes() -> dict[str, Scene]:
    """Return the scenes of these variants."""
    return dict(zip(NAMES, (made_up_scene(False), made_up_scene(True), made_up_scene(False)), strict=True))
