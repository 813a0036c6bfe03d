"""A blend in words: a table of its crops, its order as a strip of letters, packs, the next step."""

from __future__ import annotations

from string import ascii_letters, digits

from rich.text import Text

from linectl.cli.blend_yields import Used
from linectl.cli.screen import heading, say, table, width
from linectl.crop.blending import Blended, Packed
from linectl.site.crops import in_words

LETTERS = ascii_letters[26:] + ascii_letters[:26] + digits
STYLES = (
    "black on bright_cyan",
    "black on bright_yellow",
    "white on blue",
    "black on bright_green",
    "white on magenta",
    "black on white",
)
"""Of the letters, over again; the letter alone tells the crop."""
GROUP = 10
"""Gutters of a strip between two gaps."""
ROWS_SHOWN = 20
"""Rows of a strip on the screen; --json has the whole order."""


def print_blend(
    found: Blended, used: Used, day: Packed | None, today: int | None, harvest: str
) -> None:
    """The result on standard output; `harvest`: the command that hands the order over."""
    told = found.weighs
    weight = "" if told is None else f", {_kg(told.kg)} ± {_kg(told.sd_kg)}"
    say(heading("Cycle:"), Text(f"{_many(found.length, 'gutter')}{weight}"))
    say(Text())
    _crops(found)
    say(Text())
    _strip(found)
    say(Text())
    _yields(found, used)
    if day is not None and (today is not None or day.sizes):
        say(Text())
        _day(found, day, today)
    say(Text())
    say(heading("To harvest so:"))
    say(Text(harvest), soft_wrap=True)


def _letters(found: Blended) -> dict[str, str]:
    return dict(zip(found.cycle, LETTERS, strict=False))


def _crops(found: Blended) -> None:
    told, letters = found.weighs, _letters(found)
    mass = found.wanted.mass
    whole = sum(mass.values()) if mass else 1
    rows: list[list[object]] = []
    for crop, count in found.cycle.items():
        row: list[object] = [letters.get(crop), in_words(crop), count]
        if told is not None:
            each = found.yields[crop]
            row += [f"{each.kg:.2f} ± {each.sd_kg:.2f}", f"{_percent(told.shares[crop])} ±"
                    f" {100 * told.share_sds[crop]:.1f}"]  # fmt: skip
        if told is not None and mass is not None:
            row.append(f"{_percent(mass[crop] / whole)} ± {100 * found.wanted.tolerance:g}")
        rows.append(row)
    names = "|crop|>gutters"
    if told is not None:
        names += "|>kg a gutter|>share of mass, %" + ("|>asked, %" if mass else "")
    say(table(names, rows))


def _strip(found: Blended) -> None:
    letters = _letters(found)
    even = found.even
    say(
        heading("Order:"),
        Text(
            f"at most {float(even.deviation):.2f} gutters from even;"
            f" no order does better (bound {float(even.bound):.2f})"
        ),
    )
    if found.repeats_after < found.length:
        say(Text(f"It repeats itself after {found.repeats_after} gutters."))
    groups = max(1, (min(width(), 120) - 6) // (2 * GROUP + 2))
    a_row = GROUP * groups
    for first in range(0, min(found.length, a_row * ROWS_SHOWN), a_row):
        line = Text(f"{first + 1:>5} ")
        for place, crop in enumerate(even.order[first : first + a_row]):
            if place and place % GROUP == 0:
                line.append("  ")
            style = STYLES[list(found.cycle).index(crop) % len(STYLES)]
            line.append(letters.get(crop, "?"), style=style)
            line.append(" ")
        line.rstrip()
        say(line)
    if found.length > a_row * ROWS_SHOWN:
        say(Text(f"      and {found.length - a_row * ROWS_SHOWN} more: --json has them all"))


def _yields(found: Blended, used: Used) -> None:
    if found.weighs is None:
        say(Text("Masses are not told: the yields are not known (--yields a=2.2kg,b=800g)."))
        return
    parts = [
        f"{in_words(crop)} by {_many(each.weighings, 'weighing')}"
        f" of {_many(each.gutters, 'gutter')}"
        for crop, each in used.running.items()
        if each.weighings
    ]
    if parts and len(parts) < len(found.yields):
        parts.append("the others as in crops.yaml")
    said = used.source + (f" ({', '.join(parts)})" if parts else "")
    days = any(each.day_sd_kg for each in found.yields.values())
    differ = "with" if days else "without"
    spread = f"± is one standard deviation; of shares and masses, of one cycle, {differ} what days"
    unknown = "" if days else " (weigh packing lots to know it)"
    say(heading("Yields:"), Text(f"{said}, per gutter that is packed. {spread} differ by{unknown}"))
    for told in used.running.values():
        for doubt in told.doubts:
            one = doubt.weighing
            what = f"{one.what}: {one.kg:g} kg of {_many(one.gutters, 'gutter')}"
            end = "the second such, so it counts" if doubt.counted else "not counted"
            expected = f"expected about {doubt.expected_kg:.1f} kg"
            say(heading("Look:"), Text(f"{what} of {in_words(one.crop)}, {expected}; {end}"))
    for remark in used.remarks:
        say(heading("Note:"), Text(remark))


def _day(found: Blended, day: Packed, today: int | None) -> None:
    count = sum(day.gutters.values())
    crops = ", ".join(f"{n} {in_words(crop)}" for crop, n in day.gutters.items())
    say(heading("Today:" if today else "One cycle:"), Text(f"{_many(count, 'gutter')} ({crops})"))
    sure = f"at least {day.sure.mass_g / 1000:.1f} kg 19 times of 20"
    say(Text(f"{_kg(day.weighs.kg)} ± {_kg(day.weighs.sd_kg)}; {sure}"))
    if not day.sizes:
        return
    say(Text())
    rows: list[list[object]] = []
    for size, expected, low in zip(day.sizes, day.expected.filled, day.sure.filled, strict=True):
        short = f"{expected.short} / {low.short}" if size.packs is not None else None
        alone = "{} / {}".format(*day.alone[size.pack]) if size.packs is None else None
        rows.append([f"{size.pack.label_mg / 1000:g} g", f"{size.pack.fill_g} g",
                     size.packs, f"{expected.packs} / {low.packs}", short, alone])  # fmt: skip
    say(table(">pack|>filled to|>ordered|>packs|>short|>this size alone", rows))
    say(Text("Packs: as expected / as 19 times of 20 at least."))
    given = day.expected.giveaway_mg / 1e6
    say(Text(f"As expected {given:.2f} kg are given away and {day.expected.left_g} g left over."))
    if not given:
        say(Text("Nothing is given away only if every pack is filled to the gram: say how far the"
                 " filling spreads (--fill-spread 2g)."))  # fmt: skip


def _many(count: int, what: str) -> str:
    return f"{count} {what}" + ("" if count == 1 else "s")


def _kg(kg: float) -> str:
    return f"{kg:.1f} kg" if kg >= 10 else f"{kg:.2f} kg"


def _percent(share: float) -> str:
    return f"{100 * share:.1f}"
