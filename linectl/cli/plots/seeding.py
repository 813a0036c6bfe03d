"""Where seeds fell: spacings with the limits of their classes, seeds per cell, what vacuum did."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from linectl.crop.seeding import CLASS_LIMITS, class_of, tenth_of

if TYPE_CHECKING:
    from linectl.cli.plots.canvas import Axes, Figure

STEP = 0.1
"""Width of a bar, in X."""
BEYOND = 4.5
"""Spacings from here on, in X, stand in one bar at the end."""
LEAST_DRAWN = 2.5
"""The axis goes at least so far, in X."""
LOOKS: Sequence[tuple[str, str, Mapping[str, str]]] = (
    ("I", "multiple", {"facecolor": "white", "hatch": "xxxx"}),
    ("II", "single", {"facecolor": "#b5b5b5"}),
    ("III", "one miss", {"facecolor": "white", "hatch": "////"}),
    ("IV", "two misses", {"facecolor": "white", "hatch": "\\\\\\\\"}),
    ("V", "three or more", {"facecolor": "white", "hatch": "||||"}),
)
"""Number, name and look of each class: told by place, name and hatching, never by colour."""
LABELS_MOST = 24
"""Bars of seeds per cell with a label each; beyond it every second, third … has one."""
SAYS = {
    "spacings": "Measured spacings in tenths of the wanted one, with the limits of the classes",
    "cells": "Cells by the number of seeds in them, beside seeds strewn by chance",
    "vacuum": "Multiples, misses and quality of feed by vacuum",
}


def spacings(figure: Figure, spacings_mm: Sequence[float], wanted_mm: float) -> None:
    """A histogram in tenths of X. Each class has its look, its name, its limit and its count."""
    axes = figure.subplots()
    groups: list[Counter[int]] = [Counter() for _ in LOOKS]
    for spacing in spacings_mm:
        tenth = min(tenth_of(spacing, wanted_mm), round(BEYOND / STEP))
        groups[class_of(spacing, wanted_mm)][tenth] += 1
    for group, (_, _, look) in zip(groups, LOOKS, strict=True):
        axes.bar([tenth * STEP for tenth in group], list(group.values()), STEP, align="edge",
                 edgecolor="#222", linewidth=0.7, **look)  # fmt: skip
    most = max((max(group.values()) for group in groups if group), default=1)
    farthest = max((max(group) + 1 for group in groups if group), default=0) * STEP
    end = max(LEAST_DRAWN, farthest) + 2 * STEP
    limits = [limit for limit in CLASS_LIMITS if limit < end]
    for limit in limits:
        axes.axvline(limit, color="#111", linestyle="--", linewidth=1.1)
    bounds = [0.0, *limits, end]
    for number, (start, stop) in enumerate(itertools.pairwise(bounds)):
        _name_class(axes, number, groups[number].total(), start, stop, most)
    axes.set_xlim(0, end)
    axes.set_ylim(0, most * 1.34)
    marks = [mark / 2 for mark in range(int(end * 2) + 1)]
    axes.set_xticks(marks, [f"{mark:g} X\n{mark * wanted_mm:g}" for mark in marks])
    axes.set_xlabel(f"spacing, in X = {wanted_mm:g} mm and in mm; dashed: limits of the classes")
    axes.set_ylabel("spacings")
    axes.yaxis.get_major_locator().set_params(integer=True)
    longer = sum(1 for spacing in spacings_mm if spacing > BEYOND * wanted_mm)
    title = f"{len(spacings_mm)} spacings"
    axes.set_title(title + (f", {longer} beyond {BEYOND:g} X in the last bar" if longer else ""))


def _name_class(
    axes: Axes, number: int, count: int, start: float, stop: float, most: int
) -> None:  # fmt: skip
    numeral, name, _ = LOOKS[number]
    for words, height in ((numeral, 1.26), (name, 1.19), (str(count), 1.12)):
        axes.text((start + stop) / 2, most * height, words, ha="center", fontsize=9)


def cells(figure: Figure, distribution: Mapping[int, int], wanted: int | None) -> None:
    """Bars of cells by seeds, and what chance alone (Poisson) would give for the same mean."""
    axes = figure.subplots()
    total = sum(distribution.values())
    mean = sum(seeds * found for seeds, found in distribution.items()) / total
    top = max(*distribution, wanted or 0, 1) + 1
    numbers = range(top + 1)
    for seeds in numbers:
        look = LOOKS[0 if seeds > (wanted or seeds) else 1][2]
        if seeds == 0:
            look = LOOKS[2][2]
        axes.bar(seeds, distribution.get(seeds, 0), 0.7, edgecolor="#222", linewidth=0.8, **look)
    chance = [total * _poisson(seeds, mean) for seeds in numbers]
    axes.plot(numbers, chance, "D", color="#111", markerfacecolor="white", markersize=6,
              label=f"strewn by chance with the same mean, {mean:.3g}")  # fmt: skip
    every = 1 + top // LABELS_MOST
    labels = {seeds: f"{seeds}\n{distribution.get(seeds, 0)}" for seeds in numbers[::every]}
    if wanted is not None:
        labels = {n: label for n, label in labels.items() if abs(n - wanted) >= every}
        labels[wanted] = f"{wanted}\n{distribution.get(wanted, 0)}\nwanted"
    axes.set_xticks(list(labels), list(labels.values()))
    axes.set_xlabel("seeds in a cell, and the number of such cells")
    axes.set_ylabel("cells")
    axes.yaxis.get_major_locator().set_params(integer=True)
    axes.margins(y=0.12)
    axes.set_title(f"{total} cells; hatched: none, or more than wanted")
    axes.legend(fontsize=9, loc="upper right")


def _poisson(hits: int, mean: float) -> float:
    """Probability of so many where `mean` are strewn by chance."""
    if not mean:
        return float(hits == 0)
    return math.exp(hits * math.log(mean) - mean - math.lgamma(hits + 1))


def vacuum(figure: Figure, rows: Sequence[Mapping[str, Any]]) -> None:
    """Three courses over vacuum, each with its own line and marker; the spread of one of them."""
    axes = figure.subplots()
    at = [row["vacuum_kpa"] for row in rows]
    axes.errorbar(at, [100 * row["quality_of_feed"] for row in rows],
                  yerr=[100 * row["standard_error"] for row in rows], fmt="-o", color="#111",
                  capsize=4, label="quality of feed, ± a standard error")  # fmt: skip
    for key, style in (("misses", "--^"), ("multiples", ":s")):
        axes.plot(at, [100 * row[key] for row in rows], style, color="#111",
                  markerfacecolor="white", label=key)  # fmt: skip
    axes.set_xticks(at)
    axes.set_xlabel("vacuum, kPa below atmosphere")
    axes.set_ylabel("per cent")
    axes.set_ylim(min(0.0, *(100 * row["quality_of_feed"] for row in rows)), 105)
    axes.set_title("Indices by vacuum")
    axes.legend(fontsize=9, loc="center right")
