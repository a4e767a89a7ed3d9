"""What was computed before: found again, bounded, shared, and never trusted when damaged."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rooms import store as module
from rooms.responses import Responses, compute_responses
from rooms.scene import Scene
from rooms.store import Store, StoreWarning, key

ARRAYS = ("samples", "direct", "early", "energy", "omni_energy")


def equal(one: Responses, other: Responses) -> bool:
    """Tell whether two responses are the same, bit for bit."""
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in (*ARRAYS, "T30", "arrivals"))


def counted(store: Store, scene: Scene) -> tuple[Responses, int]:
    """Return responses, and how many entries computing them added."""
    before = len(store.entries())
    return compute_responses(scene, store=store), len(store.entries()) - before


def moved_section(scene: Scene, which: int) -> Scene:
    """Return the scene with a section a hand further left."""
    sections = list(scene.sections)
    players = tuple(replace(p, position=(p.position[0] - 0.1, *p.position[1:])) for p in sections[which].players)
    sections[which] = replace(sections[which], players=players)
    return replace(scene, sections=tuple(sections))


def raised_array(scene: Scene, which: int) -> Scene:
    """Return the scene with an array a hand higher."""
    arrays = list(scene.arrays)
    capsules = tuple(replace(c, position=(*c.position[:2], c.position[2] + 0.1)) for c in arrays[which].capsules)
    arrays[which] = replace(arrays[which], capsules=capsules)
    return replace(scene, arrays=tuple(arrays))


def test_a_store_changes_no_bit_and_computes_only_what_a_change_touches(
    tmp_path: Path, small_scene: Scene, small_responses: Responses
) -> None:
    """The hall, and its facets' exchange; two sections and three capsules in two arrays, each as seated and as an omni;
    four pairs of them."""
    store = Store(tmp_path / "store")
    first, added = counted(store, small_scene)
    assert (equal(first, small_responses), added) == (True, 2 + 2 * 2 + 2 * 3 + 4)
    assert [len(store.entries()), equal(compute_responses(small_scene, store=store), first)] == [16, True]
    for changed, entries in (
        (moved_section(small_scene, 1), 2 + 2),
        (moved_section(small_scene, 0), 2 + 2),
        (raised_array(small_scene, 1), 2 + 2),  # of one capsule
        (replace(small_scene, seed=6), 4),
        (replace(small_scene, sections=small_scene.sections[1:]), 0),
    ):
        again, added = counted(store, changed)
        assert (equal(again, compute_responses(changed)), added) == (True, entries)
    warmer = replace(small_scene, hall=replace(small_scene.hall, temperature=25.0))
    assert counted(store, warmer)[1] == 16


def test_a_damaged_entry_is_computed_anew_with_a_warning(
    tmp_path: Path, small_scene: Scene, small_responses: Responses
) -> None:
    """Cut short, emptied, and one byte of the samples flipped."""
    store = Store(tmp_path)
    compute_responses(small_scene, store=store)
    kept = next(path for path, _, _ in store.entries() if "samples" in (store.get(path.stem) or {}))
    whole = kept.read_bytes()
    flipped = bytearray(whole)
    flipped[len(whole) // 2] ^= 1
    for damage in (whole[: len(whole) // 2], b"", bytes(flipped)):
        kept.write_bytes(damage)
        with pytest.warns(StoreWarning, match=f"{kept.name} is damaged"):
            again = compute_responses(small_scene, store=store)
        assert equal(again, small_responses)
        assert kept.read_bytes() == whole


def test_the_longest_unused_entries_go_when_there_is_no_room(tmp_path: Path) -> None:
    """Room for two of 8,000 bytes; the one read last stays."""
    store = Store(tmp_path, limit_bytes=20000)
    sound = {"samples": np.arange(1000.0)}
    for age, name in enumerate(("c", "b", "a")):
        store.put(name, sound)
        os.utime(tmp_path / f"{name}.npz", (time.time() - 100.0 + age,) * 2) if name != "a" else None
    assert sorted(path.stem for path, _, _ in store.entries()) == ["a", "b"]
    found = store.get("b")
    assert found is not None
    np.testing.assert_array_equal(found["samples"], sound["samples"])
    os.utime(tmp_path / "a.npz", (time.time() - 50.0,) * 2)
    store.put("d", sound)
    assert sorted(path.stem for path, _, _ in store.entries()) == ["b", "d"]
    assert store.get("a") is None
    store.clear()
    assert store.entries() == []


def test_what_a_killed_process_left_goes_and_what_another_writes_stays(tmp_path: Path) -> None:
    store = Store(tmp_path)
    left, fresh = tmp_path / ".unfinished-old", tmp_path / ".unfinished-new"
    left.touch()
    fresh.touch()
    os.utime(left, (time.time() - 2.0 * module.ABANDONED_S,) * 2)
    store.put("a", {"samples": np.zeros(3)})
    assert sorted(path.name for path in tmp_path.iterdir()) == [".unfinished-new", "a.npz"]


def test_a_folder_that_cannot_be_written_keeps_nothing_and_warns(
    tmp_path: Path, small_scene: Scene, small_responses: Responses
) -> None:
    """A file stands where the folder should be."""
    (tmp_path / "taken").touch()
    store = Store(tmp_path / "taken")
    with pytest.warns(StoreWarning, match="nothing is kept"):
        assert equal(compute_responses(small_scene, store=store), small_responses)


CHILD = """
import sys, numpy as np
from pathlib import Path
from rooms.store import Store
store, mine = Store(Path(sys.argv[1]), limit_bytes=60000), int(sys.argv[2])
for turn in range(150):
    name = str(turn % 7)
    kept = store.get(name)
    assert kept is None or np.all(kept["samples"] == int(name)), name
    store.put(name, {"samples": np.full(1000, int(name), dtype=np.int64)})
"""


def test_two_processes_share_a_store_without_a_wrong_or_half_entry(tmp_path: Path) -> None:
    """Room for seven entries, so that they also let entries go under each other's hands. Warnings are errors."""
    children = [
        subprocess.Popen([sys.executable, "-W", "error", "-c", CHILD, str(tmp_path), str(n)], stderr=subprocess.PIPE)
        for n in range(2)
    ]
    for child in children:
        _, said = child.communicate(timeout=120)
        assert (child.returncode, said.decode()) == (0, "")
    assert {path.name for path in tmp_path.iterdir()} <= {f"{n}.npz" for n in range(7)}


def test_keys_tell_contents_apart_and_know_equals(small_scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """Types, shapes, nesting and the engine itself count; being another object doesn't."""
    contents = [
        1, 1.0, "1", True, None, (1,), [1, 2], ((1,), 2), {"a": 1}, np.array([1]), np.array([1.0]), np.array([[1.0]]),
        0.1 + 0.2, 0.3, small_scene, small_scene.hall, moved_section(small_scene, 0),
    ]  # fmt: skip
    keys = [key(content) for content in contents]
    assert len(set(keys)) == len(keys)
    assert key(replace(small_scene)) == key(small_scene)
    assert key({"a": 1, "b": 2}) == key({"b": 2, "a": 1})
    with pytest.raises(TypeError, match="object"):
        key(object())
    monkeypatch.setattr(module, "_engine", lambda: "another engine")
    assert key(1) != keys[0]
