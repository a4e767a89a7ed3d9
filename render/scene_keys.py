"""Documentation of the scene file, key by key, and its JSON Schema: both made from the tables that check it.

Run as a module, it writes both into the folder of presets.
"""

from __future__ import annotations

import json
from typing import Any

from pydantic import BaseModel

from render.buses import BalanceTable
from render.cue_stems import StemFolderTable, StemTable
from render.export import write_text
from render.scene_file import CompareTable, MixTable, OutputTable, SceneTable, SectionTable
from rooms import catalogue
from rooms.tables import (
    ArcTable,
    ArrayTable,
    CapsuleTable,
    HallTable,
    HangingTable,
    InstrumentTable,
    MaterialTable,
    PatchTable,
    PlaceTable,
    SeatingTable,
    SpotTable,
    StageTable,
    StatedT30Table,
)

__all__ = ["preset_schema", "scene_keys", "scene_schema"]

HEADINGS: tuple[tuple[str, type[BaseModel]], ...] = (
    ("Top of the file", SceneTable),
    ("`[hall]`, and files of halls", HallTable),
    ("`patches`", PatchTable),
    ("`stage`", StageTable),
    ("`stated_T30`", StatedT30Table),
    ("`[seating]`, and files of seating plans", SeatingTable),
    ("`[seating.sections.NAME]`: a place in the plan", PlaceTable),
    ("`[sections.NAME]`", SectionTable),
    ("`arc`", ArcTable),
    ("`[arrays.NAME]`, and files of arrays", ArrayTable),
    ("`capsules`", CapsuleTable),
    ("`each_section`", SpotTable),
    ("`place` of an array", HangingTable),
    ("A surface's material, `[materials.NAME]`, and files of materials", MaterialTable),
    ("`instrument`, `[instruments.NAME]`, and files of instruments", InstrumentTable),
    ("`[mix]`", MixTable),
    ("`[output]`", OutputTable),
    ("`[mix.balance]`", BalanceTable),
    ("`[compare]`", CompareTable),
    ("`[cues.NAME]`: a stem as a table", StemTable),
    ("`[stems]`", StemFolderTable),
)

INTRODUCTION = """\
# The scene file, key by key

Made from the tables that check the file (`python -m render.scene_keys`); not to be edited.

One TOML file holds a scene. Positions are in metres from the conductor's feet: x to the audience's right, y upstage,
z up. Azimuth 0° looks upstage, positive to the audience's right. Paths are relative to the file. A table names a preset
and overrides keys of it, or gives all keys itself. `[cues.NAME]` tables name a sound file for each section that plays:
several cues share hall, seating and arrays. Or `[stems]` says how the files are named, and they are found.

Presets of your own are files as the bundled ones are, in a folder `presets` beside the scene: `presets/halls/barn.toml`
is the hall `barn`; `seating`, `arrays`, `materials` and `instruments` alike. They may start from another preset, and
come before a bundled one of the same name.
"""


def scene_schema() -> str:
    """Return the JSON Schema of the scene file, for editors that complete and check TOML by one."""
    return _schema(SceneTable)


def preset_schema(kind: str) -> str:
    """Return the JSON Schema of the files of one kind of presets."""
    return _schema(catalogue.TABLES[kind])


def _schema(table: type[BaseModel]) -> str:
    schema = {"$schema": "https://json-schema.org/draft/2020-12/schema", **table.model_json_schema()}
    return json.dumps(schema, indent=1, ensure_ascii=False) + "\n"


def scene_keys() -> str:
    """Return the documentation of every key as Markdown."""
    head = "| key | value | left out | meaning |\n| --- | --- | --- | --- |"
    parts = [INTRODUCTION]
    for heading, model in HEADINGS:
        schema = model.model_json_schema()
        needed = schema.get("required", [])
        parts.append(f"## {heading}\n\n{schema['description']}\n\n{head}")
        for key, field in schema["properties"].items():
            left_out = "needed" if key in needed else _default(field.get("default"))
            parts.append(f"| `{key}` | {_kind(field, schema)} | {left_out} | {field['description']} |")
        parts.append("")
    return "\n".join(parts)


def _default(value: Any) -> str:
    """Return a default as TOML; a dash for none, text or list that is empty."""
    return "–" if value in (None, "", [], {}) else f"`{json.dumps(value, ensure_ascii=False)}`"


def _kind(field: dict[str, Any], schema: dict[str, Any]) -> str:
    """Return in words what a field of a JSON Schema may hold."""
    options = field.get("anyOf") or field.get("oneOf")
    if options:
        return " or ".join(_kind(option, schema) for option in options if option.get("type") != "null")
    if "$ref" in field:
        return "table"
    if "enum" in field:
        return ", ".join(f"`{value}`" for value in field["enum"])
    if "const" in field:
        return f'`"{field["const"]}"`'
    kind = field.get("type")
    if kind == "array":
        items = field.get("prefixItems") or [field["items"]]
        least, most = field.get("minItems"), field.get("maxItems")
        count = len(items) if "prefixItems" in field else least if most in (least, None) else f"{least} to {most}"
        inner = _kind(items[0], schema)
        return f"list of {count} × {inner}" if count else f"list of {inner}s"
    if kind in ("number", "integer"):
        return {"number": "number", "integer": "whole number"}[kind] + _range(field)
    return {"string": "text", "boolean": "true or false", "object": "table"}[str(kind)]


def _range(field: dict[str, Any]) -> str:
    """Return the range of a number in words."""
    low, above, high = (field.get(key) for key in ("minimum", "exclusiveMinimum", "maximum"))
    start = f"above {above}" if above is not None else f"{low}" if low is not None else ""
    return f" {start} to {high}" if high is not None else f" {start}"


if __name__ == "__main__":
    write_text(catalogue.folder() / "SCENE.md", scene_keys())
    write_text(catalogue.folder() / "scene.schema.json", scene_schema())
    for kind in catalogue.KINDS:
        write_text(catalogue.folder() / f"{kind}.schema.json", preset_schema(kind))
