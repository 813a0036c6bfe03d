"""The key data elements of the FDA Food Traceability Rule, as far as a line can know them.

Events: harvesting, cooling before initial packing, initial packing. Each element with its paragraph
of 21 CFR part 1, subpart S; what a line cannot know is a named blank, with who has to fill it.

The list was read in a copy of the eCFR of 2026-06-11 (subpart S, 1.1325 and 1.1330); the wording
is shortened. Look at the text in force. Not in it: 1.1330(b), sprouts, and 1.1330(c), food from
persons to whom the rule does not apply. A line assigns no traceability lot code: that is done at
initial packing (1.1320(a)), and what people name here as the packing lot stands in its column.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple

from linectl.ledger.looking import looking
from linectl.ledger.lot_trace import LotTrace
from linectl.ledger.lots import COLUMNS, Lot

PROPOSED = "2028-07-20 as proposed (90 FR 38084, 2025-08-07); no final rule seen"
"""The rule's compliance date, as far as is known here; your own plan has the one that counts."""

CAUTION = (
    "This is a line's record, not a traceability plan (21 CFR 1.1315). Whether it may be relied on,"
    " and that the plan, the blanks and the traceability lot codes are right, is the operator's."
)

HARVESTING, COOLING, PACKING = "harvesting", "cooling before initial packing", "initial packing"
EVENTS = (HARVESTING, COOLING, PACKING)

FARM = "farm"
HALL = "packing hall"
COLD_STORE = "cold store"


class Element(NamedTuple):
    """One key data element. column: where it stands in the table; several paragraphs share one.

    known: what of a line's record is put there; empty: a blank, which `filled_by` has to fill.
    """

    event: str
    paragraph: str
    column: str
    known: str = ""
    filled_by: str = ""


COMMODITY = "commodity and, if applicable, variety"
QUANTITY = "quantity"
UNIT = "unit of measure"
FARM_LOCATION = "location description for the farm where the food was harvested"
AREA = "field or other growing area"
CONTAINER = "container (aquacultured food)"
HARVEST_DATE = "date of harvesting"
RECIPIENT = "location description for the immediate subsequent recipient"
REFERENCE = "reference document type and number"
HARVESTER = "business name and phone number for the harvester"
COOLED_AT = "location description for where the food was cooled"
COOLED_ON = "date of cooling"
RECEIVED_ON = "date you received the food"
RECEIVED = "quantity received"
RECEIVED_UNIT = "unit of measure received"
LOT_CODE = "traceability lot code you assigned"
PRODUCT = "product description of the packed food"
PACKED = "quantity packed"
PACKED_UNIT = "unit of measure packed"
PACKED_AT = "location description for where you initially packed (traceability lot code source)"
PACKED_ON = "date of initial packing"

ELEMENTS = (
    Element(HARVESTING, "1.1325(a)(1)(i)", RECIPIENT, filled_by=FARM),
    Element(HARVESTING, "1.1325(a)(1)(ii)", COMMODITY, "crop"),
    Element(HARVESTING, "1.1325(a)(1)(iii)", QUANTITY, "gutters ejected"),
    Element(HARVESTING, "1.1325(a)(1)(iii)", UNIT, "gutters"),
    Element(HARVESTING, "1.1325(a)(1)(iv)", FARM_LOCATION, filled_by=FARM),
    Element(HARVESTING, "1.1325(a)(1)(v)", AREA, "site and lane"),
    Element(HARVESTING, "1.1325(a)(1)(vi)", CONTAINER, "not aquacultured"),
    Element(HARVESTING, "1.1325(a)(1)(vii)", HARVEST_DATE, "day ejected"),
    Element(HARVESTING, "1.1325(a)(1)(viii)", REFERENCE, filled_by=FARM),
    Element(HARVESTING, "1.1325(a)(2)", HARVESTER, filled_by=FARM),
    Element(COOLING, "1.1325(b)(1)(i)", RECIPIENT, filled_by=COLD_STORE),
    Element(COOLING, "1.1325(b)(1)(ii)", COMMODITY, "crop"),
    Element(COOLING, "1.1325(b)(1)(iii)", QUANTITY, filled_by=COLD_STORE),
    Element(COOLING, "1.1325(b)(1)(iii)", UNIT, filled_by=COLD_STORE),
    Element(COOLING, "1.1325(b)(1)(iv)", COOLED_AT, filled_by=COLD_STORE),
    Element(COOLING, "1.1325(b)(1)(v)", COOLED_ON, filled_by=COLD_STORE),
    Element(COOLING, "1.1325(b)(1)(vi)", FARM_LOCATION, filled_by=FARM),
    Element(COOLING, "1.1325(b)(1)(vii)", REFERENCE, filled_by=COLD_STORE),
    Element(PACKING, "1.1330(a)(1)", COMMODITY, "crop"),
    Element(PACKING, "1.1330(a)(2)", RECEIVED_ON, "day handed over"),
    Element(PACKING, "1.1330(a)(3)", RECEIVED, "gutters handed over"),
    Element(PACKING, "1.1330(a)(3)", RECEIVED_UNIT, "gutters"),
    Element(PACKING, "1.1330(a)(4)", FARM_LOCATION, filled_by=FARM),
    Element(PACKING, "1.1330(a)(5)", AREA, "site and lane"),
    Element(PACKING, "1.1330(a)(6)", CONTAINER, "not aquacultured"),
    Element(PACKING, "1.1330(a)(7)", HARVESTER, filled_by=FARM),
    Element(PACKING, "1.1330(a)(8)", HARVEST_DATE, "day ejected"),
    Element(PACKING, "1.1330(a)(9)", COOLED_AT, filled_by=COLD_STORE),
    Element(PACKING, "1.1330(a)(10)", COOLED_ON, filled_by=COLD_STORE),
    Element(PACKING, "1.1330(a)(11)", LOT_CODE, "packing lot as named"),
    Element(PACKING, "1.1330(a)(12)", PRODUCT, filled_by=HALL),
    Element(PACKING, "1.1330(a)(13)", PACKED, "kg weighed"),
    Element(PACKING, "1.1330(a)(13)", PACKED_UNIT, "kg"),
    Element(PACKING, "1.1330(a)(14)", PACKED_AT, filled_by=HALL),
    Element(PACKING, "1.1330(a)(15)", PACKED_ON, filled_by=HALL),
    Element(PACKING, "1.1330(a)(16)", REFERENCE, filled_by=HALL),
)

LOTS = "packing lot (the line's)"
SEED_LOTS, SUBSTRATE_LOTS, SOWING_LOTS = "seed lots", "substrate lots", "sowing lots"
SOWN = "sown from", "sown to"
EVENT = "event"
BLANKS = "left blank here, to be filled by"
OWN = (EVENT, LOTS, SOWING_LOTS, SEED_LOTS, SUBSTRATE_LOTS, *SOWN)
"""Columns that are the line's own, before those of the rule."""
NOT_NAMED = "not named"

Row = dict[str, str]


def columns() -> list[str]:
    """The columns of the table in order, the rule's with their paragraphs; the last one's name
    carries the caution, so that it stays with the table whatever a spreadsheet does to it."""
    named = [titled(column) for column in dict.fromkeys(element.column for element in ELEMENTS)]
    return [*OWN, *named, f"{BLANKS} · {CAUTION}"]


def titled(column: str) -> str:
    """A column's name with every paragraph of 21 CFR that asks for it."""
    paragraphs = [element.paragraph for element in ELEMENTS if element.column == column]
    return f"{column} [21 CFR {', '.join(dict.fromkeys(paragraphs))}]"


class _Harvest(NamedTuple):
    """Gutters of one packing lot, crop and lane, ejected and handed over on the same days."""

    crop: str
    lane: int | None
    ejected: str
    handed: str
    gutters: int
    first_sown: int | None
    last_sown: int | None
    sowing: str
    seed: str
    substrate: str


_DAY = "coalesce(date({column} / 1000, 'unixepoch', 'localtime'), '')"
_NAMES = "(SELECT name FROM lots WHERE id = {column})"
_HARVESTS = f"""
SELECT crop, lane, {_DAY.format(column="ejected_ms")}, {_DAY.format(column="handed_ms")}, count(*),
       min(sown_ms), max(sown_ms), {_NAMES.format(column="lot")},
       {_NAMES.format(column="seed_lot")}, {_NAMES.format(column="substrate_lot")}
FROM gutters WHERE {{where}} AND handed_ms IS NOT NULL
GROUP BY crop, lane, 3, 4, lot, seed_lot, substrate_lot
"""


def key_data(path: str, site: str, traced: Sequence[LotTrace]) -> list[Row]:
    """The table's rows: each packing lot that a traced lot went to, whole, by crop, lane and day.

    A seed lot's own gutters that were handed over without a packing lot are a row too. Days are
    those of this computer's clock. Raises LedgerUnreachable.
    """
    rows: list[Row] = []
    with looking(path) as connection:
        done: set[str] = set()
        for one in traced:
            for name in _packing_lots(one):
                if name is not None and name not in done:
                    done.add(name)
                    rows += _of_lot(connection, site, name)
                elif name is None:
                    rows += _unnamed(connection, site, one.lot)
    return rows


def _packing_lots(one: LotTrace) -> Iterator[str | None]:
    if one.lot.kind == "packing":
        yield one.lot.name
    for share in one.shares.get("packing", ()):
        yield share.name


def _of_lot(connection: sqlite3.Connection, site: str, name: str) -> Iterator[Row]:
    (identity,) = connection.execute(
        "SELECT id FROM lots WHERE kind = 'packing' AND name = ?", (name,)
    ).fetchone()
    harvests = _harvests(connection, "packing_lot = ?", identity)
    weighed: dict[str, float] = {}
    for crop, kg in connection.execute(
        "SELECT crop, sum(kg) FROM weights WHERE lot = ? GROUP BY crop", (identity,)
    ):
        weighed[crop] = kg
    crops = {harvest.crop for harvest in harvests}
    if weighed and set(weighed) <= {"", *crops} and len(crops) == 1:
        weighed = {next(iter(crops)): sum(weighed.values())}  # what has no crop is the only one's
    yield from _rows(site, name, harvests, weighed)


def _unnamed(connection: sqlite3.Connection, site: str, lot: Lot) -> Iterator[Row]:
    where = f"{COLUMNS[lot.kind]} = ? AND packing_lot IS NULL"
    yield from _rows(site, NOT_NAMED, _harvests(connection, where, lot.id), {})


def _harvests(connection: sqlite3.Connection, where: str, lot: int) -> list[_Harvest]:
    return [_Harvest(*row) for row in connection.execute(_HARVESTS.format(where=where), (lot,))]


def _rows(
    site: str, lot: str, harvests: Sequence[_Harvest], weighed: Mapping[str, float]
) -> Iterator[Row]:
    for event in EVENTS:
        for crop in sorted({harvest.crop for harvest in harvests}):
            of_crop = [harvest for harvest in harvests if harvest.crop == crop]
            if event == HARVESTING:
                keys = sorted({(h.lane or 0, h.ejected) for h in of_crop})
                for key in keys:
                    some = [h for h in of_crop if (h.lane or 0, h.ejected) == key]
                    yield _row(event, site, lot, some, {})
            else:
                yield _row(event, site, lot, of_crop, weighed)


def _row(
    event: str, site: str, lot: str, harvests: Sequence[_Harvest], weighed: Mapping[str, float]
) -> Row:
    """One record of an event; what is not known stays empty and is named at the end."""
    gutters = str(sum(harvest.gutters for harvest in harvests))
    kg = weighed.get(harvests[0].crop)
    lanes = sorted({harvest.lane for harvest in harvests if harvest.lane is not None})
    known = {
        "crop": harvests[0].crop.replace("_", " "),
        "gutters ejected": gutters,
        "gutters handed over": gutters,
        "gutters": "gutters",
        "site and lane": "; ".join(f"{site} lane {lane}" for lane in lanes),
        "not aquacultured": "not applicable",
        "day ejected": _joined(harvest.ejected for harvest in harvests),
        "day handed over": _joined(harvest.handed for harvest in harvests),
        "packing lot as named": "" if lot == NOT_NAMED else lot,
        "kg weighed": "" if kg is None else f"{kg:.3f}",
        "kg": "" if kg is None else "kg",
    }
    cells = dict.fromkeys(columns(), "")
    blanks: dict[str, list[str]] = {}
    for element in ELEMENTS:
        if element.event != event:
            continue
        value = known.get(element.known, "")
        cells[titled(element.column)] = value
        if not value:
            blanks.setdefault(element.filled_by or HALL, []).append(element.column)
    told = [f"{who}: {', '.join(what)}" for who, what in blanks.items()]
    if event == COOLING:
        told.append("strike this row where nothing was cooled before it was packed")
    if event == PACKING and kg is None and (loose := sum(weighed.values())):
        told.append(f"{loose:.3f} kg were weighed of this lot, not of this crop by name")
    sown = [h.first_sown for h in harvests if h.first_sown is not None]
    last = [h.last_sown for h in harvests if h.last_sown is not None]
    cells |= {
        EVENT: event,
        LOTS: lot,
        SOWING_LOTS: _joined(h.sowing or NOT_NAMED for h in harvests),
        SEED_LOTS: _joined(h.seed or NOT_NAMED for h in harvests),
        SUBSTRATE_LOTS: _joined(h.substrate or NOT_NAMED for h in harvests),
        SOWN[0]: _time(min(sown, default=None)),
        SOWN[1]: _time(max(last, default=None)),
        columns()[-1]: "; ".join(told),
    }
    return cells


def _joined(words: Iterable[str]) -> str:
    return "; ".join(sorted({word for word in words if word}))


def _time(at_ms: int | None) -> str:
    if at_ms is None:
        return ""
    return dt.datetime.fromtimestamp(at_ms / 1000).astimezone().isoformat(timespec="seconds")
