"""One look at raw registers as one object for a program: the keys are a promise."""

from __future__ import annotations

import math
from typing import Any

from linectl.commission.peek import Cell, Look
from linectl.field.advice import meaning
from linectl.image import Value
from linectl.registers.readings import pair_readings, word_readings
from linectl.site.notation import both_ways, reference


def as_json(look: Look, site: str) -> dict[str, Any]:
    """The look as one object; numbers that JSON has not are null."""
    return {
        "site": site,
        "device": look.device_name,
        "unit": look.device.unit,
        "bus": look.device.bus,
        "table": look.asked.table,
        "address": look.asked.address,
        "reference": reference(look.asked.table, look.asked.address),
        "both_ways": str(look.asked),
        "notation": look.device.notation,
        "ok": look.ok,
        "cells": [_cell_json(look, cell) for cell in look.cells],
        "pairs": [
            {
                "address": at,
                "together": pair.together,
                "orders": [
                    {"order": one.order.letters, "word_order": one.order.word_order,
                     "byte_order": one.order.byte_order, "u32": one.u32, "i32": one.i32,
                     "f32": one.f32 if math.isfinite(one.f32) else None, "bcd": one.bcd}
                    for one in pair_readings(pair.words)
                ],
            }
            for at, pair in look.pairs.items()
        ],
        "points": [
            {"tag": one.point.tag, "shift": one.by, "value": _finite(one.value),
             "unit": one.point.unit}
            for one in look.shifts
        ],
        "display": None if look.display is None else look.display.text,
        "fits": [
            {"address": fit.address, "both_ways": both_ways(look.asked.table, fit.address),
             "value": fit.value, "bcd": fit.type is None, "cells": fit.cells()}
            for fit in look.fits
        ],
        "fits_by_chance": look.by_chance,
        "notes": list(look.notes),
        "checks": list(look.checks),
    }  # fmt: skip


def _finite(value: Value | None) -> Value | None:
    return None if value is None or not math.isfinite(value) else value


def _cell_json(look: Look, cell: Cell) -> dict[str, Any]:
    made: dict[str, Any] = {
        "address": cell.address,
        "reference": reference(look.asked.table, cell.address),
        "asked": cell.asked,
        "error": None if cell.word is not None else (cell.heard.kind if cell.heard else "not_read"),
        "why": _why(cell),
        "points": [point.tag for point in cell.points],
    }
    if cell.word is None or look.is_bits:
        return made | {"wire": cell.word}
    one = word_readings(cell.word)
    return made | {
        "wire": cell.word, "hex": one.hex, "u16": one.u16, "i16": one.i16,
        "swapped_u16": one.swapped_u16, "swapped_i16": one.swapped_i16, "bcd": one.bcd,
        "ascii": one.ascii, "bits": list(one.bits),
    }  # fmt: skip


def _why(cell: Cell) -> str | None:
    """Why a cell holds no word, in words."""
    if cell.heard is None:
        return f"not read: {cell.left}"
    return meaning(cell.heard.kind) if cell.heard.kind else None
