"""The gallery of halls can be drawn."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tests import gallery


def test_a_hall_s_picture_shows_all_there_is_to_judge(tmp_path: Path) -> None:
    """Six panels with units on their axes; decay, coherence and tone hold finite curves inside their limits."""
    figure = gallery.draw_hall("chamber-studio", {"violins-1": 2, "cellos": 2})
    decay, density, echogram, coherence, tone, levels = figure.axes
    for axes in figure.axes:
        assert "(" in axes.get_xlabel()
        assert axes.get_ylabel()
        assert axes.get_title(loc="left")
    assert len(decay.get_lines()) == 3 * len(gallery.DRAWN)
    for axes in (decay, density, coherence, tone, levels):
        for line in axes.get_lines():
            assert np.all(np.isfinite(np.asarray(line.get_ydata(), dtype=float)))
    assert {"direct", "floor", "ceiling"} <= {text.get_text() for text in echogram.texts}
    figure.savefig(tmp_path / "hall.png")
    assert (tmp_path / "hall.png").stat().st_size > 50_000
