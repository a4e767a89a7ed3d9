"""Generated input shared by the tests: scenes as tables and as TOML."""

from __future__ import annotations

import json
from typing import Any

from hypothesis import strategies as st

from rooms import catalogue
from tests.stated_T30 import hall_table

STRINGS = {"violins-1": 16, "violins-2": 12, "violas": 10, "cellos": 8, "basses": 2}
"""Sections every full plan seats, with a number of players that fits in all of them."""

SMALL_PLANS = ("chamber-arc", "quintet", "string-quartet", "strings-and-choir")
"""Plans that don't."""

LARGE_HALLS = [name for name in catalogue.names("halls") if "full-orchestra" in hall_table(name).suits]
"""Halls that do."""

decibels = st.integers(-40, 12).map(lambda tenths: tenths / 2)
faders = decibels | st.just("off")


def toml_value(value: Any) -> str:
    """Write a value as TOML; JSON's text, numbers and truth values are TOML's too."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(k)} = {toml_value(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(v) for v in value) + "]"
    return json.dumps(value, ensure_ascii=False)


def toml_blocks(scene: dict[str, Any]) -> list[str]:
    """Write a scene as blocks of TOML: plain keys first, then one block a table, in any order valid."""
    plain = "".join(f"{k} = {toml_value(v)}\n" for k, v in scene.items() if not isinstance(v, dict))
    blocks = [plain]
    for key, table in scene.items():
        if not isinstance(table, dict):
            continue
        named = key in ("sections", "arrays", "cues")
        for header, content in ((f"{key}.{n}", c) for n, c in table.items()) if named else ((key, table),):
            blocks.append(f"[{header}]\n" + "".join(f"{k} = {toml_value(v)}\n" for k, v in content.items()))
    return blocks


@st.composite
def scenes(draw: st.DrawFn) -> dict[str, Any]:
    """Draw a valid scene: any hall, a plan that seats five string sections, any arrays."""
    chosen = draw(st.lists(st.sampled_from(sorted(STRINGS)), min_size=1, unique=True))
    hall: dict[str, Any] = {"preset": draw(st.sampled_from(LARGE_HALLS))}
    if draw(st.booleans()):
        hall["surfaces"] = {"floor": draw(st.sampled_from(catalogue.names("materials")))}
    if draw(st.booleans()):
        hall["T30"] = draw(st.floats(0.3, 6.0))
    plan = draw(st.sampled_from([n for n in catalogue.names("seating") if n not in SMALL_PLANS]))
    sections = {
        name: {"players": draw(st.integers(1, STRINGS[name])), "gain": draw(decibels), "stem": f"stems/{name}.wav"}
        for name in chosen
    }
    arrays = {
        name: {
            "preset": name,
            "gain": draw(decibels),
            "mute": draw(st.booleans()),
            "sends": draw(st.dictionaries(st.sampled_from(chosen), faders)),
            "late": draw(faders),
            "width": draw(st.floats(0.0, 2.0)),
        }
        for name in draw(st.lists(st.sampled_from(catalogue.names("arrays")), min_size=1, unique=True))
    }
    return {
        "title": draw(st.text(st.characters(categories=["L", "N", "P", "Zs"]), max_size=20)),
        "seed": draw(st.integers(0, 2**40)),
        "hall": hall,
        "seating": {"plan": plan},
        "sections": sections,
        "arrays": arrays,
        "mix": {
            "gain": draw(decibels),
            "offset": draw(st.floats(0, 0.02)),
            "balance": {catalogue.load("arrays", name).purpose: draw(decibels) for name in arrays},
        },
    }
