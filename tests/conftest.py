"""What all tests share: generated examples that repeat, and one small scene whose responses are computed once."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import settings

from rooms.microphones import Array, Capsule
from rooms.players import Instrument, Player, Section
from rooms.responses import Responses, compute_responses
from rooms.scene import Scene
from tests.halls import hall, material, microphones, solo
from tests.small_scenes import without_figures

# The first call compiles, so no deadline; the same examples every time, so that a red test stays red.
settings.register_profile("project", deadline=None, derandomize=True)
settings.load_profile("project")


@pytest.fixture(scope="session", autouse=True)
def fresh_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep responses in a folder of the run's own, for subprocesses, too."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SITZPROBE_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture
def no_figures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Draw no pictures in this process."""
    without_figures(monkeypatch)


@pytest.fixture(scope="session")
def small_scene() -> Scene:
    """Return a small hall, a section of six with directivity and a solo, a pair and a spot."""
    walls = material((0.30, 0.25, 0.22, 0.2, 0.2, 0.2, 0.22, 0.25, 0.3), 0.3)
    floor = material((0.2, 0.3, 0.4, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5), 0.5)
    room = hall(walls, walls, walls, walls, floor, walls, size=(14.0, 20.0, 9.0), conductor=(7.0, 6.0), still=False)
    violin = Instrument("violin", 1.1, (40.0, 30.0), (0.0, 0.0, 0.5, 1.5, 2.5, 3.5, 4.5, 5.5, 6.0))
    players = tuple(Player((-2.0 - 0.7 * (n // 2), 0.8 + 1.2 * (n % 2), 1.1), 110.0) for n in range(6))
    spot = Array(
        "spots", "spot", (Capsule("violins", (-2.5, 0.3, 2.4), (-30.0, -50.0), "cardioid", section="violins"),)
    )
    pair = microphones(
        Capsule("left", (-0.3, -1.5, 3.0), (-30.0, -15.0), stereo=(1.0, 0.0)),
        Capsule("right", (0.3, -1.5, 3.0), (30.0, -15.0), stereo=(0.0, 1.0)),
    )
    sections = (Section("violins", violin, players), solo((2.0, 2.5, 1.2), "flute"))
    return Scene(room, sections, (pair, spot), 48000, seed=5)


@pytest.fixture(scope="session")
def small_responses(small_scene: Scene) -> Responses:
    """Return the responses of the small scene."""
    return compute_responses(small_scene)
