"""The key data elements of the FDA Food Traceability Rule, against the rule's list by hand.

21 CFR 1.1325(a) harvesting, (b) cooling before initial packing, 1.1330(a) initial packing: read in
a copy of the eCFR of 2026-06-11 and written out here, shortened, with their paragraphs.
"""

from __future__ import annotations

import pytest

from linectl.image import Event
from linectl.ledger import Ledger
from linectl.ledger.key_data import (
    BLANKS,
    CAUTION,
    COOLING,
    ELEMENTS,
    EVENTS,
    HARVESTING,
    NOT_NAMED,
    OWN,
    PACKING,
    columns,
    key_data,
    titled,
)
from linectl.ledger.trace import trace

T0 = 1_700_000_000_000  # 2023-11-14 22:13:20 UTC

RULE = {
    "1.1325(a)(1)(i)": "location description for the immediate subsequent recipient",
    "1.1325(a)(1)(ii)": "commodity and, if applicable, variety",
    "1.1325(a)(1)(iii)": "quantity; unit of measure",
    "1.1325(a)(1)(iv)": "location description for the farm where the food was harvested",
    "1.1325(a)(1)(v)": "field or other growing area",
    "1.1325(a)(1)(vi)": "container (aquacultured food)",
    "1.1325(a)(1)(vii)": "date of harvesting",
    "1.1325(a)(1)(viii)": "reference document type and number",
    "1.1325(a)(2)": "business name and phone number for the harvester",
    "1.1325(b)(1)(i)": "location description for the immediate subsequent recipient",
    "1.1325(b)(1)(ii)": "commodity and, if applicable, variety",
    "1.1325(b)(1)(iii)": "quantity; unit of measure",
    "1.1325(b)(1)(iv)": "location description for where the food was cooled",
    "1.1325(b)(1)(v)": "date of cooling",
    "1.1325(b)(1)(vi)": "location description for the farm where the food was harvested",
    "1.1325(b)(1)(vii)": "reference document type and number",
    "1.1330(a)(1)": "commodity and, if applicable, variety",
    "1.1330(a)(2)": "date you received the food",
    "1.1330(a)(3)": "quantity received; unit of measure received",
    "1.1330(a)(4)": "location description for the farm where the food was harvested",
    "1.1330(a)(5)": "field or other growing area",
    "1.1330(a)(6)": "container (aquacultured food)",
    "1.1330(a)(7)": "business name and phone number for the harvester",
    "1.1330(a)(8)": "date of harvesting",
    "1.1330(a)(9)": "location description for where the food was cooled",
    "1.1330(a)(10)": "date of cooling",
    "1.1330(a)(11)": "traceability lot code you assigned",
    "1.1330(a)(12)": "product description of the packed food",
    "1.1330(a)(13)": "quantity packed; unit of measure packed",
    "1.1330(a)(14)": "location description for where you initially packed"
                     " (traceability lot code source)",
    "1.1330(a)(15)": "date of initial packing",
    "1.1330(a)(16)": "reference document type and number",
}  # fmt: skip


def test_every_element_of_the_rule_is_there_once_with_its_paragraph_and_no_other_is():
    told: dict[str, list[str]] = {}
    for element in ELEMENTS:
        told.setdefault(element.paragraph, []).append(element.column)
    assert {paragraph: "; ".join(names) for paragraph, names in told.items()} == RULE


def test_what_the_line_does_not_know_says_who_fills_it_and_what_it_knows_does_not():
    for element in ELEMENTS:
        assert bool(element.known) is not bool(element.filled_by), element


def test_each_paragraph_belongs_to_the_event_that_it_is_about():
    sections = {HARVESTING: "1.1325(a)", COOLING: "1.1325(b)", PACKING: "1.1330(a)"}
    for element in ELEMENTS:
        assert element.paragraph.startswith(sections[element.event])


def test_every_column_names_all_its_paragraphs_and_the_last_one_has_the_caution():
    names = columns()
    assert len(names) == len(set(names))
    for paragraph, said in RULE.items():
        for column in said.split("; "):
            (found,) = [name for name in names if name.startswith(f"{column} [21 CFR ")]
            assert paragraph in found.removesuffix("]").split("21 CFR ")[1].split(", ")
    assert names[-1] == f"{BLANKS} · {CAUTION}"
    assert "operator's" in CAUTION


@pytest.fixture
def packed(path, site, journey):
    """Gutters 1 and 2 in packing lot P-1, gutter 3 handed over without one; P-1 weighed."""
    ledger = Ledger.open(path, site, lambda: T0)

    def lot(kind, name, crop=""):
        data = {"kind": kind, "lot": name, "crop": crop, "by": "anna"}
        ledger.record([], [Event(journey.at, "lot", kind, "", data)])

    lot("seed", "S-1", "oak")
    lot("packing", "P-1")
    for gutter in (1, 2, 3):
        if gutter == 3:
            lot("packing", "")
        ledger.record(journey.sow(gutter), [])
        ledger.record(journey.step("eject", gutter, "lane1.germ.0", "outfeed"), [])
        ledger.record(journey.step("handover", gutter, "outfeed", "packing"), [])
    for kg in (2.5, 1.75):
        weighed = {"lot": "P-1", "kg": kg, "crop": "", "by": "ben"}
        ledger.record([], [Event(journey.at, "weight", "P-1", "", weighed)])
    ledger.close()
    return path


def rows_of(path, name):
    return key_data(path, "bench", trace(path, name).lots)


def cell(row, column):
    return row[titled(column)]


def test_a_packing_lot_has_a_record_of_each_event_and_what_is_known_is_in_it(packed, monkeypatch):
    harvest, cooling, packing = rows_of(packed, "P-1")
    assert [row["event"] for row in (harvest, cooling, packing)] == list(EVENTS)
    assert set(harvest) == set(columns())
    assert cell(harvest, "commodity and, if applicable, variety") == "oak"
    assert (cell(harvest, "quantity"), cell(harvest, "unit of measure")) == ("2", "gutters")
    assert cell(harvest, "field or other growing area") == "bench lane 1"
    assert cell(harvest, "date of harvesting") in ("2023-11-14", "2023-11-15")  # by the time zone
    assert cell(packing, "traceability lot code you assigned") == "P-1"
    assert cell(packing, "quantity received") == "2"
    assert cell(packing, "quantity packed") == "4.250"
    assert cell(packing, "unit of measure packed") == "kg"
    assert (packing["seed lots"], packing["substrate lots"]) == ("S-1", NOT_NAMED)


def test_a_blank_is_an_empty_cell_that_the_last_column_names_with_who_fills_it(packed):
    for row in rows_of(packed, "P-1"):
        blank = [e for e in ELEMENTS if e.event == row["event"] and not cell(row, e.column)]
        assert blank
        for element in blank:
            assert element.filled_by
            assert element.column in row[columns()[-1]]
            assert f"{element.filled_by}: " in row[columns()[-1]]
        others = {e.column for e in ELEMENTS} - {e.column for e in ELEMENTS
                                                 if e.event == row["event"]}  # fmt: skip
        assert not any(cell(row, column) for column in others)


def test_nothing_is_put_in_as_cooled(packed):
    (cooling,) = [row for row in rows_of(packed, "P-1") if row["event"] == COOLING]
    assert cell(cooling, "date of cooling") == ""
    assert "strike this row where nothing was cooled" in cooling[columns()[-1]]


def test_a_seed_lot_gives_whole_packing_lots_and_what_went_without_one(packed):
    rows = rows_of(packed, "S-1")
    lots = {row["packing lot (the line's)"] for row in rows}
    assert lots == {"P-1", NOT_NAMED}
    without = [row for row in rows if row["packing lot (the line's)"] == NOT_NAMED]
    (packing,) = [row for row in without if row["event"] == PACKING]
    assert cell(packing, "quantity received") == "1"
    assert cell(packing, "traceability lot code you assigned") == ""
    assert "packing hall: traceability lot code you assigned" in packing[columns()[-1]]


def test_the_lines_own_columns_stand_first(packed):
    assert tuple(columns()[: len(OWN)]) == OWN
