"""Absorption and scattering of the preset materials against the rows they cite.

Rows of Vorländer's annex stand in pyroomacoustics' table, which a test can read; these are compared value by value.
Rows of other books (Bies, Hansen & Howard; Cox & D'Antonio; Beranek & Hidaka) are copied here from public
transcriptions of them, apart from the presets.
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


PRINTED = {
    # Bies, Hansen & Howard, Engineering Noise Control, 5th ed. 2017, Table 6.2, 125 Hz to 4 kHz, two rows from 63 Hz
    # (two readings of the page in the tests of the phonometry package)
    "Unoccupied – average well-upholstered seating areas": (0.28, 0.44, 0.60, 0.77, 0.84, 0.82, 0.70),
    "Unoccupied – light upholstered seats": (0.36, 0.47, 0.57, 0.62, 0.62, 0.60),
    "Unoccupied – metal or wood seats": (0.15, 0.19, 0.22, 0.39, 0.38, 0.30),
    "100% occupied audience (orchestra and chorus areas) – upholstered seats": (
        *(0.34, 0.52, 0.68, 0.85, 0.97, 0.93, 0.85),
    ),
    "Wooden pews – 100% occupied": (0.57, 0.61, 0.75, 0.86, 0.91, 0.86),
    "Plaster, gypsum or lime, smooth finish; / on brick,": (0.013, 0.015, 0.02, 0.03, 0.04, 0.05),
    "Fibreglass or rockwool blanket / 48 kg/m³, 100 mm thick": (0.65, 1.0, 1.0, 1.0, 1.0, 1.0),
    "Wood platform with large space beneath": (0.40, 0.30, 0.20, 0.17, 0.15, 0.10),
    "Wood floor on joists": (0.15, 0.11, 0.10, 0.07, 0.06, 0.07),
    "Carpet, heavy, on concrete": (0.02, 0.06, 0.14, 0.37, 0.60, 0.65),
    "Heavy velour, 610 g/m² draped to half area": (0.14, 0.35, 0.55, 0.72, 0.70, 0.65),
    "Stage openings": (0.30, 0.40, 0.50, 0.60, 0.60, 0.50),
    "Water (surface of pool)": (0.01, 0.01, 0.01, 0.015, 0.02, 0.03),
    # Cox & D'Antonio, Acoustic Absorbers and Diffusers, 3rd ed. 2017, appendix A (there alike)
    "Smooth brickwork with flush pointing": (0.02, 0.03, 0.03, 0.04, 0.05, 0.07),
    "Glass, large panes, heavy glass": (0.18, 0.06, 0.04, 0.03, 0.02, 0.02),
    "Top soil with different percentage of vegetative cover, 100%, completely covered": (
        *(0.49, 0.75, 0.89, 0.98, 0.91, 0.73),
    ),
    "Top soil with different percentage of vegetative cover, 0%, bare soil": (0.27, 0.57, 0.76, 0.90, 0.89, 0.84),
    "Top soil with different moisture content, 34.1%": (0.07, 0.22, 0.23, 0.24, 0.20, 0.06),
    "Ballast or other crushed stone, 0.64 cm, 15.2 cm deep": (0.22, 0.64, 0.70, 0.79, 0.88, 0.72),
    "Parquet fixed with asphalt, on concrete": (0.04, 0.04, 0.07, 0.06, 0.06, 0.07),
    "Plaster, gypsum, or lime, smooth finish on lath": (0.14, 0.10, 0.06, 0.04, 0.04, 0.03),
    "Wood, 50 mm thick": (0.01, 0.05, 0.05, 0.04, 0.04, 0.04),
    "Ventilation grille": (0.60, 0.60, 0.60, 0.60, 0.60, 0.60),
    "5 cm wood-wool set in mortar": (0.08, 0.17, 0.35, 0.45, 0.65, 0.65),
    # Beranek & Hidaka, J. Acoust. Soc. Am. 104, 1998 (as a public list of materials gives it)
    "fully occupied, light upholstery": (0.51, 0.64, 0.75, 0.80, 0.82, 0.83),
    "fully occupied, heavy upholstery": (0.72, 0.80, 0.86, 0.89, 0.90, 0.90),
}
"""Rows of absorption coefficients that no package in the tests' reach holds, by the names presets cite them by."""


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
def test_every_material_is_a_row_of_a_book_a_mean_of_others_or_says_how_it_was_chosen(name: str) -> None:
    """To the digit where there is a row; the organ and the opening have tests of their own."""
    material = table(name)
    absorption = material.source.partition("; scattering: ")[0]
    if cited_row(name, "absorption") is not None or absorption.startswith("Area-weighted mean of "):
        return
    if name in ("opening", "organ-pipes"):
        return
    (row,) = re.findall(r"row '([^']+)'", absorption)
    printed = list(PRINTED[row])
    assert material.absorption is not None
    from_63_hz = len(printed) == 7
    assert material.absorption == ((*printed, *printed[-1:] * 2) if from_63_hz else over_nine_bands(printed))


def test_every_row_that_is_copied_is_cited() -> None:
    sources = "\n".join(table(name).source for name in catalogue.names("materials"))
    assert all(f"row '{row}'" in sources for row in PRINTED)


@pytest.mark.parametrize("name", catalogue.names("materials"))
def test_bands_no_row_holds_repeat_their_neighbour_as_the_note_says(name: str) -> None:
    """Whatever the book; and a note says so wherever absorption isn't a mean of other materials or a definition."""
    material = table(name)
    said = re.findall(
        r"(Absorption|Scattering)( and scattering)?: (63 Hz = the 125 Hz value, )?above (\d) kHz", material.note
    )
    for first, both, lowest, last in said:
        for kind in ("absorption", "scattering") if both else (first.lower(),):
            values = getattr(material, kind)
            assert values[0] == values[1] if lowest else "the row holds 63 Hz" in material.note
            assert len(set(values[BAND_NAMES.index(f"{last}000") :])) == 1
    mixed = material.source.startswith("Area-weighted mean of ")
    assert mixed or name == "opening" or any(first == "Absorption" for first, *_ in said)


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
