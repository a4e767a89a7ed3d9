"""The reverberation times that halls of the presets state: computed here, for their files and for the tests.

`python tests/stated_T30.py [HALL …]` rewrites the last table of their files; without names, of all.
"""

from __future__ import annotations

import sys
from functools import cache

import numpy as np
from numpy.typing import NDArray

from render.export import write_text
from rooms import catalogue
from rooms.decay import expected_T30
from rooms.tables import HallTable

AUDIENCES = {"occupied": "full", "empty": "empty"}
"""What a hall's key says, by the key of its stated times."""

TABLE = "\n[stated_T30]"


def hall_table(name: str) -> HallTable:
    """Return a preset's table."""
    table = catalogue.load("halls", name)
    assert isinstance(table, HallTable)
    return table


def states(name: str) -> tuple[str, ...]:
    """Return the keys of a hall's stated times: without seats there is only one."""
    seated = any(patch.empty is not None for patch in hall_table(name).patches)
    return ("occupied", "empty") if seated else ("occupied",)


@cache
def T30(name: str, state: str) -> NDArray[np.float64]:
    """Return the reverberation time the engine expects of a hall in s, shape (bands,)."""
    return expected_T30(catalogue.hall(HallTable.model_validate({"preset": name, "audience": AUDIENCES[state]})))


def main(*halls: str) -> None:
    """Rewrite the files."""
    for name in halls or catalogue.names("halls"):
        path = catalogue.folder() / "halls" / f"{name}.toml"
        above = path.read_text(encoding="utf-8").split(TABLE)[0]
        lists = "".join(f"{state} = {T30(name, state).round(2).tolist()}\n" for state in states(name))
        write_text(path, f"{above}{TABLE}  # s, 63 Hz … 16 kHz, as the engine computes it\n{lists}")


if __name__ == "__main__":
    main(*sys.argv[1:])
