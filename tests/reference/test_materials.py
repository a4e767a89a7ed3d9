"""Absorption and scattering of the preset materials against the rows they cite.

Rows of Vorländer's annex stand in pyroomacoustics' table, which a test can read; these are compared value by value.
Rows of other books (Bies, Hansen & Howard; Cox & D'Antonio; Beranek & Hidaka from memory) can't be read here: of them
only the rule for the bands no row holds is checked, and that people absorb at least what their empty seats do.
"""

from __future__ import annotations

import re

import numpy as np
import pyroomacoustics as pra
import pytest

from rooms import catalogue
from rooms.tables import MaterialTable
from rooms.units import BAND_NAMES

TABLES = {
    "absorption": pra.parameters.materials_absorption_table,
    "scattering": pra.parameters.materials_scattering_table,
}
ROW = r"materials\.json, row '([^']+)'"


def table(name: str) -> MaterialTable:
    """Return a material's file as it stands."""
    material = catalogue.load("materials", name)
    assert isinstance(material, MaterialTable)
    return material


def cited_row(name: str, kind: str) -> str | None:
    """Return the row of pyroomacoustics' table a material's source names, if it does."""
    absorption, _, scattering = table(name).source.partition("; scattering: ")
    pattern = rf"(?:{ROW}|the same annex, row '([^']+)')"
    found = re.search(pattern, absorption if kind == "absorption" else scattering)
    return next((row for row in found.groups() if row is not None), None) if found else None


def over_nine_bands(row: list[float]) -> tuple[float, ...]:
    """Extend a row from 125 Hz up: 63 Hz has the value of 125 Hz, bands above its last one have the last one's."""
    return (row[0], *row, *[row[-1]] * (len(BAND_NAMES) - 1 - len(row)))


CITED = [
    (name, kind, row)
    for name in catalogue.names("materials")
    for kind in TABLES
    if (row := cited_row(name, kind)) is not None
]


def test_most_materials_cite_a_row_that_can_be_read() -> None:
    cited = {name for name, kind, _ in CITED if kind == "absorption"}
    assert len(cited) >= 40
    assert {name for name in catalogue.names("materials") if "pyroomacoustics" in table(name).source} == {
        name for name, _, _ in CITED
    }


@pytest.mark.parametrize(("name", "kind", "row"), CITED)
def test_a_material_is_the_row_it_cites(name: str, kind: str, row: str) -> None:
    """Vorländer, Auralization, Springer 2008, annex, as pyroomacoustics tabulates it; to the digit."""
    printed = list(TABLES[kind][row]["coeffs"])
    assert getattr(table(name), kind) == over_nine_bands(printed)
    last = {5: "2 kHz", 6: "4 kHz", 7: "8 kHz"}[len(printed)]
    (note,) = re.findall(rf"{kind}[^:]*: ([^.]*)\.", table(name).note, re.IGNORECASE)
    assert note == f"63 Hz = the 125 Hz value, above {last} the {last} value"


@pytest.mark.parametrize("name", catalogue.names("materials"))
def test_bands_no_row_holds_repeat_their_neighbour_as_the_note_says(name: str) -> None:
    """Whatever the book; and a note says so wherever absorption isn't a mean of other materials or a definition."""
    material = table(name)
    said = re.findall(
        r"(Absorption|Scattering)( and scattering)?: 63 Hz = the 125 Hz value, above (\d) kHz", material.note
    )
    for first, both, last in said:
        for kind in ("absorption", "scattering") if both else (first.lower(),):
            values = getattr(material, kind)
            assert values[0] == values[1]
            assert len(set(values[BAND_NAMES.index(f"{last}000") :])) == 1
    mixed = material.source.startswith("Area-weighted mean of ")
    assert mixed or name == "opening" or any(first == "Absorption" for first, _, _ in said)


@pytest.mark.parametrize(
    ("people", "empty"),
    [
        ("audience-in-pews", "seats-wooden-empty"),
        ("audience-on-wooden-chairs", "wooden-chairs-empty"),
        ("audience-on-moderately-upholstered-chairs", "chairs-moderately-upholstered-empty"),
        ("audience-on-lightly-upholstered-seats", "seats-lightly-upholstered-empty"),
        ("audience-on-upholstered-seats", "seats-upholstered-empty"),
        ("audience-on-heavily-upholstered-seats", "seats-heavily-upholstered-empty"),
    ],
)
def test_people_absorb_at_least_what_their_empty_seats_do(people: str, empty: str) -> None:
    """In every band: law, not truth; rows of a pair may come from different books."""
    full, bare = (np.array(catalogue.material(name).absorption) for name in (people, empty))
    assert np.all(full >= bare)


def test_the_heavier_the_upholstery_the_more_seats_absorb_and_the_less_people_add() -> None:
    """Beranek & Hidaka, JASA 104, 1998 (from memory); means of 125 Hz to 4 kHz."""
    empty = [
        np.mean(catalogue.material(name).absorption[1:7])
        for name in ("seats-wooden-empty", "seats-lightly-upholstered-empty", "seats-heavily-upholstered-empty")
    ]
    full = [
        np.mean(catalogue.material(name).absorption[1:7])
        for name in (
            "audience-in-pews",
            "audience-on-lightly-upholstered-seats",
            "audience-on-heavily-upholstered-seats",
        )
    ]
    assert np.all(np.diff(empty) > 0.1)
    assert np.all(np.diff(np.subtract(full, empty)) < -0.05)


def test_an_organ_takes_and_scatters_what_was_found_in_a_hall() -> None:
    """Jeon, Hwang & Kim, Building and Environment 77, 2014, abstract: 0.21, more at low frequencies, and 0.50."""
    organ = catalogue.material("organ-pipes")
    assert np.mean(organ.absorption[1:7]) == pytest.approx(0.21, abs=0.005)
    assert np.mean(organ.scattering[1:7]) == pytest.approx(0.50, abs=0.005)
    assert np.all(np.diff(organ.absorption) <= 0.0)


def test_an_opening_gives_nothing_back() -> None:
    """Sabine's unit of absorption is the open window, by definition."""
    assert set(catalogue.material("opening").absorption) == {1.0}
