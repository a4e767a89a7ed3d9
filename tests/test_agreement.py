"""How far a room is from what a recording says: what is certain counts more, and no single miss counts all."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields

import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray

from rooms.agreement import Target, cost, residuals
from rooms.errors import InputError
from rooms.jnd import RATIOS, STEPS
from rooms.matching import DEPARTURE
from rooms.predicting import Predicted

T_S, OTHER_T_S = 1.5, 2.0
TURNS = np.array([1.0, -1.0, 1.0, -1.0, 0.0, 1.0, -1.0, 1.0, -1.0])
"""A shape over the octaves whose mean is 0."""

NINETY = 1.645
"""Standard deviations from the middle of a normal distribution to the end of its 90 % interval."""


def jnds(seconds: float, number: ArrayLike) -> NDArray[np.float64]:
    """Return a time in s that is longer by so many just-noticeable differences of 5 %."""
    return np.asarray(seconds * RATIOS["T_s"] ** np.asarray(number, dtype=np.float64))


def recording(**known: ArrayLike) -> Target:
    """Return a target sure of its reverberation time in every octave, and of nothing else but what is given."""
    own: dict[str, ArrayLike] = {"T_s": T_S, "T_low_s": T_S, "T_high_s": T_S, **known}
    octaves = [f.name for f in fields(Target) if f.name not in ("initial_gap_s", "as_played")]
    gap = float(np.asarray(own.get("initial_gap_s", np.nan)))
    return Target(**{name: np.full(9, own.get(name, np.nan)) for name in octaves}, initial_gap_s=gap)


def room(
    of: Target,
    *,
    T_jnds: ArrayLike = 0.0,
    EDT_jnds: ArrayLike = 0.0,
    C80_db: ArrayLike = 0.0,
    drr_db: ArrayLike = 0.0,
    gap_s: float = 0.0,
    angle_deg: float = 0.0,
) -> Predicted:
    """Return what a recording says of its room, higher by so much; the angle is the one whose cosine correlates."""
    return Predicted(
        jnds(1.0, T_jnds) * of.T_s,
        jnds(1.0, EDT_jnds) * of.EDT_s,
        of.C80_db + C80_db,
        of.drr_db + drr_db,
        of.initial_gap_s + gap_s,
        np.cos(np.arccos(of.correlation) + np.radians(angle_deg)),
    )


def T_known(deviation: float, side: float) -> Target:
    """Return a target whose T is known to so many JNDs, as a standard deviation, on one side, and exactly on the other.

    The other side's end of the interval is the time itself.
    """
    end = jnds(T_S, side * NINETY * deviation)
    return recording(T_high_s=max(end, T_S), T_low_s=min(end, T_S))


def tone_known(deviation: float) -> Target:
    """Return a target whose tone is known to so many dB: the ratio to 0.6 of them, clarity to 0.8."""
    return recording(drr_db=2.0, drr_error_db=0.6 * deviation, C80_error_db=0.8 * deviation)


MEASURES: dict[str, tuple[Callable[[float], Target], Callable[[Target, float], Predicted]]] = {
    "T, longer": (lambda sd: T_known(sd, 1.0), lambda of, off: room(of, T_jnds=off)),
    "T, shorter": (lambda sd: T_known(sd, -1.0), lambda of, off: room(of, T_jnds=-off)),
    "EDT": (
        lambda sd: recording(EDT_s=OTHER_T_S, EDT_error_s=jnds(OTHER_T_S, sd) - OTHER_T_S),
        lambda of, off: room(of, EDT_jnds=off),
    ),
    "C80": (
        lambda sd: recording(C80_db=1.0, C80_error_db=sd * STEPS["C80_db"]),
        lambda of, off: room(of, C80_db=off * STEPS["C80_db"]),
    ),
    "direct to reverberant": (
        lambda sd: recording(drr_db=2.0, drr_error_db=sd * STEPS["drr_db"]),
        lambda of, off: room(of, drr_db=off * STEPS["drr_db"]),
    ),
    "tone": (tone_known, lambda of, off: room(of, drr_db=off * STEPS["tone_db"] * TURNS)),
    "tone, clarity not known": (
        lambda sd: recording(drr_db=2.0, drr_error_db=sd * STEPS["tone_db"]),
        lambda of, off: room(of, drr_db=off * STEPS["tone_db"] * TURNS),
    ),
}


@pytest.mark.parametrize("measure", MEASURES)
def test_a_standard_deviation_counts_alike_however_large_and_as_a_jnd_at_least(measure: str) -> None:
    """One of two or three JNDs as one of one; what is known better than to a JND can't be heard better."""
    known, moved = MEASURES[measure]
    one = float(cost(known(1.0), moved(known(1.0), 1.0)))
    assert one > 0.2
    for deviation in (2.0, 3.0):
        of = known(deviation)
        assert float(cost(of, moved(of, deviation))) == pytest.approx(one, rel=1e-6)
        assert float(cost(of, moved(of, 1.0))) < 0.6 * one
    of = known(0.1)
    assert float(cost(of, moved(of, 1.0))) == pytest.approx(one, rel=1e-6)


def test_of_an_upper_bound_a_shorter_room_is_near_and_a_longer_one_is_not() -> None:
    """Instruments ring for 0.8 s themselves: the room is known to ring no longer. A lower bound is the mirror image."""
    bound = recording(T_s=0.8, T_low_s=0.1, T_high_s=0.82)
    shorter, longer = (float(cost(bound, room(bound, T_jnds=side))) for side in (-4.0, 4.0))
    assert shorter < 0.2 * longer
    lower = recording(T_s=0.8, T_low_s=0.78, T_high_s=6.4)
    shorter, longer = (float(cost(lower, room(lower, T_jnds=side))) for side in (-4.0, 4.0))
    assert longer < 0.2 * shorter


@pytest.mark.parametrize("missed", [{"C80_db": 2.0}, {"drr_db": 9.0}])
def test_what_is_hardly_known_outweighs_the_largest_change_of_the_balance(missed: dict[str, float]) -> None:
    """Of clarity known to 20 dB alone, 2 dB off still lose to what is right by its spots turned all the way up.

    So does direct sound that is off by 9 dB.
    """
    music = recording(C80_db=1.0, C80_error_db=20.0, drr_db=2.0, drr_error_db=20.0)
    assert float(cost(music, room(music, **missed))) > DEPARTURE


def test_one_octave_that_no_hall_can_match_does_not_hide_the_others() -> None:
    """20 JNDs off at 16 kHz and right elsewhere is nearer than 3 JNDs off everywhere; a mean of squares has it not."""
    of = recording()
    one = np.append(np.zeros(8), 20.0)
    assert np.sqrt(np.mean(one**2)) > 2.0 * 3.0
    assert cost(of, room(of, T_jnds=one)) < cost(of, room(of, T_jnds=3.0))


def test_up_to_some_jnds_all_octaves_count_as_their_root_mean_square() -> None:
    """Half a JND everywhere costs half a JND, two cost nearly two."""
    of = recording()
    assert float(cost(of, room(of, T_jnds=0.5))) == pytest.approx(0.5, rel=0.02)
    assert float(cost(of, room(of, T_jnds=-2.0))) == pytest.approx(2.0, rel=0.1)
    assert float(cost(of, room(of, T_jnds=TURNS))) == pytest.approx(np.sqrt(8.0 / 9.0), rel=0.05)
    assert float(cost(of, room(of))) == 0.0


def test_a_room_is_as_far_off_as_its_measures_are_however_many_are_known() -> None:
    """Each a JND, two of those that count as one, and a clarity that counts twice: a JND together."""
    of = recording(EDT_s=OTHER_T_S, EDT_error_s=0.0, C80_db=1.0, C80_error_db=0.0, initial_gap_s=0.02, correlation=0.7)
    all_off = room(of, T_jnds=1.0, EDT_jnds=1.0, C80_db=1.0, gap_s=0.010, angle_deg=40.0)
    assert float(cost(of, all_off)) == pytest.approx(1.0, rel=0.05)
    assert float(cost(recording(), room(recording(), T_jnds=1.0))) == pytest.approx(1.0, rel=0.05)


def test_clarity_counts_as_much_as_both_decays() -> None:
    """It is what is told best: one dB off costs what T and early decay do that are each a JND off."""
    of = recording(EDT_s=OTHER_T_S, EDT_error_s=0.0, C80_db=1.0, C80_error_db=0.0)
    clear, long = room(of, C80_db=1.0), room(of, T_jnds=1.0, EDT_jnds=1.0)
    assert float(cost(of, clear)) == pytest.approx(float(cost(of, long)), rel=1e-9)


def test_direct_sound_and_tone_are_halves_of_one_measure() -> None:
    """Each a JND off: half the square of a T that is, and both together all of it."""
    of = recording(drr_db=2.0, drr_error_db=0.0)
    whole = float(cost(of, room(of, T_jnds=TURNS))) ** 2
    tone = float(cost(of, room(of, drr_db=TURNS))) ** 2
    assert tone == pytest.approx(whole / 2.0, rel=1e-9)
    level = float(cost(of, room(of, drr_db=STEPS["drr_db"]))) ** 2
    assert level == pytest.approx(float(cost(of, room(of, T_jnds=1.0))) ** 2 / 2.0, rel=1e-9)


@pytest.mark.parametrize(
    ("less", "more"), [({"gap_s": 0.008}, {"gap_s": 0.012}), ({"angle_deg": 32.0}, {"angle_deg": 48.0})]
)
def test_first_reflection_and_width_that_are_two_jnds_off_count_as_one(
    less: dict[str, float], more: dict[str, float]
) -> None:
    """10 ms and 40° against a JND of T: which reflection stands out, and who sat where, isn't told for certain."""
    of = recording(initial_gap_s=0.02, correlation=0.7)
    longer = cost(of, room(of, T_jnds=1.0))
    assert cost(of, room(of, **less)) < longer < cost(of, room(of, **more))


def test_an_octave_counts_by_how_well_it_is_known() -> None:
    """Clarity a dB off where it is known to 3 dB is nearer than where it is known to one."""
    errors = np.where(np.arange(9) < 4, 1.0, 3.0)
    of = recording(C80_db=1.0, C80_error_db=errors)
    costs = [float(cost(of, room(of, C80_db=np.where(np.arange(9) == at, 1.0, 0.0)))) for at in (2, 6)]
    assert costs[1] < 0.5 * costs[0]


def test_octaves_that_tell_nothing_do_not_water_down_one_that_does() -> None:
    """A recording that knows T at 1 kHz alone, and elsewhere to a factor of a hundred: as if it knew that one alone."""
    at = np.arange(9) == 4
    vague = recording(T_low_s=np.where(at, T_S, T_S / 100.0), T_high_s=np.where(at, T_S, T_S * 100.0))
    alone = recording(T_s=np.where(at, T_S, np.nan))
    costs = [float(cost(of, room(of, T_jnds=np.where(at, 2.0, 0.0)))) for of in (vague, alone)]
    assert costs[0] == pytest.approx(costs[1], rel=0.02)
    sure = recording()
    assert float(cost(sure, room(sure, T_jnds=np.where(at, 2.0, 0.0)))) < 0.5 * costs[0]


def test_the_tone_is_that_of_the_octaves_a_recording_knows() -> None:
    """What a candidate has in the others, however much, changes nothing."""
    known = np.isin(np.arange(9), (3, 4, 5))
    of = recording(drr_db=np.where(known, 2.0, np.nan), drr_error_db=1.0)
    here = np.where(known, 2.0 + TURNS, 0.0)
    costs = [
        float(cost(of, Predicted(of.T_s, of.T_s, of.T_s, np.where(known, here, elsewhere), 0.01)))
        for elsewhere in (0.0, 30.0)
    ]
    assert costs[0] > 0.2
    assert costs[1] == costs[0]


def test_what_a_recording_does_not_tell_costs_nothing_and_counts_for_nothing() -> None:
    """T alone is known: a T off by a JND costs a JND whatever else the candidate has."""
    of = recording()
    one, other = (
        Predicted(
            jnds(T_S, np.ones(9)), *(np.full(9, value) for value in (value, value, value)), value, np.full(9, value)
        )
        for value in (0.1, 0.9)
    )
    assert float(cost(of, one)) == float(cost(of, other)) == pytest.approx(1.0, rel=0.05)


def test_many_candidates_cost_what_each_of_them_costs() -> None:
    """On leading axes of any shape, in place."""
    of = recording(C80_db=1.0, C80_error_db=0.5, drr_db=2.0, drr_error_db=4.0, initial_gap_s=0.02, correlation=0.7)
    generator = np.random.default_rng(1)
    every = Predicted(
        *generator.uniform(0.2, 3.0, (4, 2, 3, 9)), generator.uniform(0.0, 0.04, (2, 3)), np.zeros((2, 3, 9))
    )
    found = cost(of, every)
    assert found.shape == (2, 3)
    for at in np.ndindex(2, 3):
        one = Predicted(*(getattr(every, f.name)[at] for f in fields(Predicted)))
        assert float(cost(of, one)) == pytest.approx(float(found[at]), rel=1e-12)


def test_residuals_are_positive_where_a_candidate_has_more() -> None:
    """A longer, clearer room with more direct sound, a later reflection and a narrower image; the tone by hand."""
    of = recording(EDT_s=1.0, C80_db=1.0, drr_db=2.0, initial_gap_s=0.02, correlation=0.5)
    found = residuals(
        of, room(of, T_jnds=2.0, EDT_jnds=3.0, C80_db=4.0, drr_db=6.0 + TURNS, gap_s=0.01, angle_deg=-20.0)
    )
    for name, by in (("T_s", 2.0), ("EDT_s", 3.0), ("C80_db", 4.0), ("initial_gap_s", 2.0), ("correlation", 1.0)):
        np.testing.assert_allclose(found[name], by, rtol=1e-9, err_msg=name)
    np.testing.assert_allclose(found["drr_db"], 2.0 + TURNS / 3.0, rtol=1e-9)
    np.testing.assert_allclose(found["tone_db"], -TURNS, atol=1e-9)


def test_a_target_of_another_number_of_octaves_is_refused() -> None:
    """Named by what is wrong in it."""
    with pytest.raises(InputError, match=r"C80_error_db has shape \(8,\); one value a band is needed"):
        Target(*(np.ones(8 if n == 5 else 9) for n in range(8)))
