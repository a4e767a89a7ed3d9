"""Work on all of the processor's cores, by threads: what they call lets go of the interpreter's lock.

Compiled loops are serial and take a part of the work each; compiling them for several threads would take twice as long.
"""

from __future__ import annotations

import functools
import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import TypeVar

__all__ = ["in_slices", "on_all_cores"]

Item = TypeVar("Item")
Result = TypeVar("Result")

SLICES = 4
"""Parts of the work a core, so that none waits long for another."""


@functools.cache
def _threads() -> ThreadPoolExecutor:
    """Return a thread a core, started once: that takes longer than much of what they are for."""
    return ThreadPoolExecutor(os.cpu_count())


def on_all_cores(task: Callable[[Item], Result], items: Iterable[Item]) -> list[Result]:
    """Return what a task makes of each item, in their order; a task that came here itself would wait for ever."""
    return list(_threads().map(task, items))


def in_slices(task: Callable[[slice], None], count: int) -> None:
    """Call a task with slices that together are all of so many things."""
    parts = min(count, SLICES * (os.cpu_count() or 1))
    edges = [count * n // max(parts, 1) for n in range(parts + 1)]
    on_all_cores(task, [slice(*pair) for pair in pairwise(edges)])
