"""Just-noticeable differences count as ISO 3382-1:2009, table A.1, says."""

import numpy as np
import pytest

from rooms.errors import InputError
from rooms.jnd import RATIOS, STEPS, in_jnds


@pytest.mark.parametrize("measure", RATIOS)
def test_a_time_five_percent_longer_is_one_difference_longer(measure: str) -> None:
    np.testing.assert_allclose(in_jnds(measure, [2.1, 2.0, 2.0], [2.0, 2.1, 2.0]), [1.0, -1.0, 0.0], atol=1e-12)


@pytest.mark.parametrize(
    ("measure", "step"), [("C80_db", 1.0), ("D50", 0.05), ("Ts_s", 0.01), ("G_db", 1.0), ("LF", 0.05)]
)
def test_a_step_of_the_standard_is_one_difference(measure: str, step: float) -> None:
    assert STEPS[measure] == step
    np.testing.assert_allclose(in_jnds(measure, 0.3 - 2 * step, 0.3), -2.0)


def test_what_cannot_be_told_stays_untold() -> None:
    assert np.isnan(in_jnds("T30_s", np.nan, 2.0))


def test_a_measure_without_a_known_difference_is_refused_with_the_nearest_name() -> None:
    with pytest.raises(InputError, match="found 'C80'; did you mean 'C80_db'"):
        in_jnds("C80", 1.0, 2.0)
