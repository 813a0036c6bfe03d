"""The tables and bars of `linectl seeding`, for the terminal and for its page."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import accumulate
from typing import Any

from rich.text import Text

from linectl.cli.screen import heading, say, table
from linectl.crop.seeding import CLASS_LIMITS, Convention, class_of, tenth_of

BAR = 40
"""Letters of the longest bar."""
FINE = 15
"""Bars of a tenth of X: up to the end of class II; beyond it a bar a class."""
ROWS_MOST = 9
"""Numbers of plants in a cell that are told one by one; of more, their range."""
NAMES = ("multiple", "single", "one miss", "two misses", "three or more")
STAND_SAYS = "Each seed becomes a plant with the probability of its germination; no later losses."

Table = tuple[str, Sequence[Sequence[object]]]


def percent(share: float | None) -> str | None:
    """8.3 %; None stays None."""
    return None if share is None else f"{100 * share:.1f} %"


def convention_words(told: Mapping[str, Any]) -> str:
    """What the shares are shares of."""
    return Convention(told["convention"]).says


def classes_table(told: Mapping[str, Any]) -> Table:
    """Counts by class, with its limits in X and in mm."""
    x_mm = told["spacing_mm"]
    limits = [f"up to {limit} X" for limit in CLASS_LIMITS] + [f"over {CLASS_LIMITS[-1]} X"]
    bounds = [f"{limit * x_mm:g} mm" for limit in CLASS_LIMITS] + [""]
    rows = [
        (numeral, name, limit, bound, count, percent(count / told["spacings"]))
        for (numeral, count), name, limit, bound in zip(
            told["classes"].items(), NAMES, limits, bounds, strict=True
        )
    ]
    return "class|a spacing is|spacing||>spacings|>of all spacings", rows


def indices_table(told: Mapping[str, Any]) -> Table:
    """The four indices, each with what it is by the convention."""
    uniform = percent(told["uniform_precision"])
    if told["convention"] == Convention.ISO:
        cells = f"the {told['cells']} cells that passed"
        says = (
            f"n1 / N′: seeds too many, by {cells}",
            "n0 / N′: cells passed over without a seed",
            "n2 / N′: cells with one seed",
        )
    else:
        says = ("class I", "classes III, IV and V", "class II")
    named = (("multiples", "D"), ("misses", "M"), ("quality of feed", "A"))
    rows = [
        (name, letter, percent(told[name.replace(" ", "_")]), what)
        for (name, letter), what in zip(named, says, strict=True)
    ]
    rows.append(("precision", "C", percent(told["precision"]),
                 f"standard deviation of class II by X; {uniform} would be chance"))  # fmt: skip
    return "index||>share|is", rows


def vacuum_table(told: Mapping[str, Any]) -> Table:
    """A row of indices by class of vacuum; which is best, and which are not told apart from it."""
    alike = told["not_told_apart_kpa"]

    def verdict(kpa: float) -> str:
        if kpa == told["best_vacuum_kpa"]:
            return "best"
        return "chance may explain the difference" if kpa in alike else ""

    rows = [
        (
            f"{row['vacuum_kpa']:g} kPa", row["spacings"], percent(row["multiples"]),
            percent(row["misses"]), percent(row["quality_of_feed"]),
            percent(row["standard_error"]), percent(row["precision"]), verdict(row["vacuum_kpa"]),
        )
        for row in told["by_vacuum"]
    ]  # fmt: skip
    columns = ">vacuum|>spacings|>multiples|>misses|>quality of feed|>±|>precision|"
    return columns, rows


def cells_table(told: Mapping[str, Any]) -> Table:
    """Cells by seeds."""
    wanted = told["wanted"]
    rows = [
        (seeds, count, percent(count / told["cells"]), "wanted" if seeds == str(wanted) else "")
        for seeds, count in told["distribution"].items()
    ]
    return ">seeds in a cell|>cells|>share|", rows


def spread_table(told: Mapping[str, Any]) -> Table:
    """Mean and dispersion of seeds per cell, and how they stand to what is wanted."""
    wanted = told["wanted"]
    rows: list[Sequence[object]] = [
        ("mean", f"{told['mean']:.2f}", "" if wanted is None else f"{wanted} wanted"),
        ("dispersion index", _decimals(told["dispersion_index"]),
         "variance by mean: 0 all alike, 1 strewn by chance, above 1 in clumps"),
        ("without a seed", percent(told["none"]), ""),
    ]  # fmt: skip
    if wanted is not None:
        rows.append((f"fewer than {wanted}", percent(told["below_wanted"]), ""))
    return "seeds per cell||", rows


def stand_table(stand: Mapping[str, Any]) -> Table:
    """What to expect of cells and of a gutter."""
    rows = [
        ("germination", percent(stand["germination"])),
        *_plants_rows(stand["plants_per_cell"]),
        ("cells with at least one plant", percent(stand["at_least_one"])),
        ("plants per metre, where seeds lie", _decimals(stand["plants_per_m"])),
        ("plants per gutter", _decimals(stand["plants_per_gutter"], 1)),
    ]
    return "expected|>", [row for row in rows if row[1] is not None]


def _plants_rows(chances: Sequence[float]) -> list[tuple[str, str | None]]:
    """Cells by their plants; of many plants where the middle nine cells of ten lie."""
    rows = [("cells without a plant", percent(chances[0]))]
    if len(chances) <= ROWS_MOST:
        names = ("cells with one plant", *(f"cells with {n} plants" for n in range(2, ROWS_MOST)))
        return rows + [
            (name, percent(chance)) for name, chance in zip(names, chances[1:], strict=False)
        ]
    upto = list(accumulate(chances))
    low, high = (next(n for n, sum_ in enumerate(upto) if sum_ >= share) for share in (0.05, 0.95))
    return [*rows, ("nine cells of ten have plants", f"{low} to {high}")]


def _decimals(value: float | None, digits: int = 2) -> str | None:
    return None if value is None else f"{value:.{digits}f}"


def bars(spacings_mm: Sequence[float], wanted_mm: float) -> list[str]:
    """A histogram in letters: tenths of X up to the end of class II, then a bar a class."""
    classes = [class_of(value, wanted_mm) for value in spacings_mm]
    coarse = [classes.count(number) for number in (2, 3, 4)]
    tenths = Counter(tenth_of(value, wanted_mm) for value in spacings_mm)
    counts = [tenths[number] for number in range(FINE)]
    most = max(*counts, *coarse, 1)

    def drawn(label: str, count: int) -> str:
        return f"{label:>9} {count:>5} {'█' * -(-count * BAR // most)}".rstrip()

    def limit(upto: float, name: str) -> str:
        return f"{f'{upto:g} X':>9} ───── {name}"

    first = next((n for n, count in enumerate(counts) if count), FINE)
    lines = [drawn(f"{n / 10:.1f}–{(n + 1) / 10:.1f}", counts[n]) for n in range(min(first, 5), 5)]
    lines.append(limit(0.5, "above: multiples; below: singles"))
    lines += [drawn(f"{n / 10:.1f}–{(n + 1) / 10:.1f}", counts[n]) for n in range(5, FINE)]
    lines.append(limit(1.5, "below: misses"))
    names = ("1.5–2.5", "2.5–3.5", "over 3.5")
    lines += [drawn(name, count) for name, count in zip(names, coarse, strict=True)]
    return lines


def print_spacings(told: Mapping[str, Any], spacings_mm: Sequence[float]) -> None:
    """Indices, classes and bars of spacings; by vacuum, and the stand, where they are told."""
    x_mm = told["spacing_mm"]
    words = f"{told['spacings']} spacings, mean {told['mean_mm']:.1f} mm; "
    if told["cell_mm"] is not None:
        words += f"cells {told['cell_mm']:.1f} mm apart; "
    words += f"wanted X = {x_mm:g} mm"
    say(heading("Seeding quality"), Text(words))
    say(table(*indices_table(told)))
    say(Text(f"Convention: {convention_words(told)} (--convention)"))
    say(Text())
    say(table(*classes_table(told)))
    say(Text())
    say(heading("Spacings"), Text("in X"))
    for line in bars(spacings_mm, x_mm):
        say(Text(line))
    if len(told.get("by_vacuum", ())) > 1:
        say(Text())
        say(heading("What vacuum did"))
        say(table(*vacuum_table(told)))
    _print_stand(told["stand"])


def print_cells(told: Mapping[str, Any]) -> None:
    """Seeds per cell, and the stand where it is told."""
    say(heading("Seeds per cell"), Text(f"{told['cells']} cells"))
    say(table(*cells_table(told)))
    say(Text())
    say(table(*spread_table(told)))
    _print_stand(told["stand"])


def print_stand_alone(told: Mapping[str, Any]) -> None:
    """The stand of a crop that nobody has measured."""
    words = f"if every cell gets its seeds: {told['seeds_per_cell']} in a cell"
    if told["spacing_mm"] is not None:
        words += f", cells {told['spacing_mm']:g} mm apart"
    say(heading("Stand to expect"), Text(words))
    say(table(*stand_table(told["stand"])))
    say(Text(STAND_SAYS))


def _print_stand(stand: Mapping[str, Any] | None) -> None:
    if stand is None:
        return
    say(Text())
    say(heading("Stand to expect"))
    say(table(*stand_table(stand)))
    say(Text(STAND_SAYS))
