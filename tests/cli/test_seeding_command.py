"""`linectl seeding`: spacings and seeds per cell from files, typed or piped."""

from __future__ import annotations

import importlib
import io
import re
import sys
from functools import cache
from xml.etree import ElementTree

import pytest

from linectl.cli.plots import canvas
from linectl.crop.seeding import seeding_indices
from linectl.site.load import load_site

SPACINGS = [str(mm) for mm in (
    98, 105, 40, 102, 95, 210, 99, 101, 103, 97, 10, 110, 300, 94, 96, 107, 100, 370, 93, 104
)]  # fmt: skip
PROMISED = ("spacings", "convention", "multiples", "misses", "quality_of_feed", "precision")

command = importlib.import_module("linectl.cli.seeding")
loaded = cache(load_site)


@pytest.fixture(autouse=True)
def sites_are_loaded_once(monkeypatch):
    monkeypatch.setattr(command, "load_site", loaded)


@pytest.fixture
def measured(tmp_path):
    """Writes a file of lines."""

    def write(*lines, name="spacings.csv"):
        path = tmp_path / name
        path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
        return path

    return write


def test_the_json_object_has_the_promised_keys_first_and_shares_of_one(linectl, measured):
    """The worked example of tests/crop/test_seeding.py, by ISO 7256-1."""
    told = linectl("seeding", measured(*SPACINGS), "--spacing", "100mm", "--json").json
    assert tuple(told)[:6] == PROMISED
    assert (told["spacings"], told["convention"]) == (20, "iso")
    assert told["multiples"] == pytest.approx(2 / 24)
    assert told["misses"] == pytest.approx(6 / 24)
    assert told["quality_of_feed"] == pytest.approx(16 / 24)
    assert told["precision"] == pytest.approx(0.04949, abs=1e-5)


def test_the_other_convention_says_so(linectl, measured):
    asked = ("seeding", measured(*SPACINGS), "--spacing", "100mm", "--convention", "share")
    told = linectl(*asked, "--json").json
    assert told["convention"] == "share"
    shares = [told[key] for key in ("multiples", "misses", "quality_of_feed")]
    assert shares == pytest.approx([0.10, 0.15, 0.75])
    assert "share of the spacings" in linectl(*asked).out


@pytest.mark.parametrize(
    ("lines", "spacing"),
    [
        (("spacing_mm", *SPACINGS), "100mm"),
        (("Abstand (mm)", *SPACINGS), "100"),
        (("# gutter 4711", *SPACINGS, ""), "10cm"),
        ([f"{text}mm" for text in SPACINGS], "0.1m"),
        (("crop;spacing_mm", *(f"rocket;{text}" for text in SPACINGS)), "100mm"),
        ([f"{float(text) / 25.4:.3f}in" for text in SPACINGS], "3.937in"),
        (("gutter,spacing_mm", "1,", *(f"1,{text}" for text in SPACINGS)), "100mm"),
    ],
)
def test_a_file_may_have_a_header_units_remarks_and_other_columns(
    linectl, measured, lines, spacing
):
    told = linectl("seeding", measured(*lines), "--spacing", spacing, "--json").json
    assert told["classes"] == {"I": 2, "II": 15, "III": 1, "IV": 1, "V": 1}
    assert told["spacing_mm"] == pytest.approx(100, rel=1e-4)


def test_spacings_may_be_typed_or_piped(linectl, measured, monkeypatch):
    typed = linectl("seeding", *SPACINGS, "--spacing", "100mm", "--json").json
    piped = io.TextIOWrapper(io.BytesIO("\r\n".join(SPACINGS).encode()))
    monkeypatch.setattr(sys, "stdin", piped)
    assert linectl("seeding", "-", "--spacing", "100mm", "--json").json == typed
    assert linectl("seeding", measured(*SPACINGS), "--spacing", "100mm", "--json").json == typed


@pytest.mark.parametrize(
    ("lines", "line", "words"),
    [
        (("98", "101,5"), 2, "decimal comma"),
        (("spacing_mm;vacuum_kpa", "98;8", "101,5;8"), 3, "write 101.5"),
        (("98", "-3"), 2, "below zero"),
        (("spacing_mm", "98", "wide"), 3, "'wide' is not a length"),
        (("98", "nan"), 2, "is not a length"),
        (("spacing_cm", "9.8"), 1, "not in millimetres"),
        (("Abstand (cm)", "9.8"), 1, "not in millimetres"),
        (("vacuum_kpa,spacing", "8,98"), 1, "nearest valid name: spacing"),
        (("vacuum_kpa,spacing_mm", "-8,98"), 2, "without a sign"),
        (("98,105,40",), 1, "one value a row"),
        (("seeds", "3"), 1, "has only seeds"),
        (("spacing_mm",), 1, "holds no value"),
        ((), 1, "is empty"),
    ],
)
def test_what_is_wrong_in_a_file_is_told_with_its_line(linectl, measured, lines, line, words):
    path = measured(*lines)
    said = linectl("seeding", path, "--spacing", "100mm")
    assert (said.code, said.out) == (1, "")
    assert f"{path}:{line}: " in said.err
    assert words in said.err


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("98", "101,5", "--spacing", "100mm"), 2, "decimal comma; write 101.5"),
        (("98", "wide", "--spacing", "100mm"), 2, "'wide' is no number"),
        (("98", "105"), 2, "which spacing is wanted"),
        (("98", "--spacing", "0mm"), 2, "must be above zero"),
        (("98", "--spacing", "100kg"), 2, "is not a length"),
        (("98", "--spacing", "100mm", "--vacuum-step", "0"), 2, "no step above zero"),
        ((), 2, "name a file of spacings"),
        (("--site", "config/small"), 2, "add --crop, one of green_oakleaf"),
        (("--site", "config/small", "--crop", "roket"), 2, "nearest valid name: rocket"),
        (("no.csv", "--spacing", "100mm"), 3, "no.csv: cannot be read"),
        (("3", "2.5", "--cells"), 2, "is no count of seeds"),
        (("1", "2", "--spacing", "100mm"), 1, "at most half of 100 mm"),
        (("98", "--spacing", "100mm", "--plot", "a.pdf"), 2, "FILE.svg"),
        (("--germination", "0.9", "--plot", "a.svg"), 2, "draws what was measured"),
    ],
)
def test_what_is_asked_wrongly_says_what_would_be_right(linectl, arguments, code, words):
    said = linectl("seeding", *arguments)
    assert (said.code, said.out) == (code, "")
    assert words in re.sub(r"[\s│]+", " ", said.err)


def test_the_text_has_indices_classes_and_bars_with_the_class_limits(linectl):
    said = linectl("seeding", *SPACINGS, "--spacing", "100mm")
    assert said.code == 0
    for words in ("8.3 %", "25.0 %", "66.7 %", "4.9 %", "28.9 %", "ISO 7256-1", "up to 0.5 X",
                  "350 mm", "0.5 X ─", "1.5 X ─"):  # fmt: skip
        assert words in said.out, words
    bars = re.findall(r"^\s+([\d.]+)–([\d.]+)\s+(\d+) (█*)$", said.out, re.M)
    assert ("0.9", "1.0", "8", "█" * 40) in bars
    assert "20 spacings say little" in said.err


def test_a_site_tells_what_its_crop_wants_and_the_command_line_overrules_it(linectl):
    asked = ("seeding", *SPACINGS, "--site", "config/small", "--crop", "green_oakleaf", "--json")
    told = linectl(*asked).json
    assert told["spacing_mm"] == 150
    assert told["stand"]["germination"] == 0.92
    iso = seeding_indices([float(mm) for mm in SPACINGS], 150)
    seeds_per_cell = 20 / iso.classes.cells
    assert told["stand"]["plants_per_gutter"] == pytest.approx(0.92 * 12 * seeds_per_cell)
    over = linectl(*asked, "--spacing", "100mm", "--length", "2.4m").json
    assert over["spacing_mm"] == 100
    per_metre = 0.92 * 20 / sum(map(float, SPACINGS)) * 1000
    assert over["stand"]["plants_per_m"] == pytest.approx(per_metre)
    assert over["stand"]["plants_per_gutter"] == pytest.approx(2.4 * per_metre)


def test_without_numbers_the_stand_is_told_as_if_every_cell_got_its_seeds(linectl):
    """Its rocket: 1800 / 60 = 30 cells of 3 seeds, germination 0.85: 30 · 3 · 0.85 = 76.5."""
    asked = ("seeding", "--site", "config/small", "--crop", "rocket")
    stand = linectl(*asked, "--json").json["stand"]
    assert stand["plants_per_gutter"] == pytest.approx(76.5)
    assert stand["at_least_one"] == pytest.approx(1 - 0.15**3)
    assert "76.5" in linectl(*asked).out


def test_seeds_per_cell_are_told_with_their_spread_and_stand(linectl, measured):
    counts = measured("seeds", 3, 2, 4, 3, 0, 3)
    asked = ("seeding", counts, "--cells", "--seeds-per-cell", "3", "--germination", "0.85")
    told = linectl(*asked, "--json").json
    assert told["distribution"] == {"0": 1, "2": 1, "3": 3, "4": 1}
    assert (told["cells"], told["mean"], told["none"]) == (6, 2.5, pytest.approx(1 / 6))
    assert told["dispersion_index"] == pytest.approx(0.76)
    assert told["below_wanted"] == pytest.approx(2 / 6)
    assert told["stand"]["none"] > 1 / 6
    said = linectl(*asked)
    assert "0.76" in said.out
    assert "wanted" in said.out


@pytest.fixture
def by_vacuum(measured):
    counts = ((6, 100, 60), (6, 200, 20), (8, 100, 80), (8, 9, 1), (12, 100, 70), (12, 9, 20))
    rows = [f"{kpa},{mm}" for kpa, mm, count in counts for _ in range(count)]
    return measured("vacuum_kpa,spacing_mm", *rows, name="vacuum.csv")


def test_a_column_of_vacuum_tells_which_vacuum_is_best(linectl, by_vacuum):
    told = linectl("seeding", by_vacuum, "--spacing", "100mm", "--json").json
    assert [row["vacuum_kpa"] for row in told["by_vacuum"]] == [6, 8, 12]
    assert (told["best_vacuum_kpa"], told["not_told_apart_kpa"]) == (8, [])
    said = linectl("seeding", by_vacuum, "--spacing", "100mm")
    assert re.search(r"8 kPa .* best", said.out)


def test_a_file_of_several_crops_wants_one_named(linectl, measured):
    path = measured("crop,spacing_mm", "a,100", "b,200", "b,210")
    said = linectl("seeding", path, "--spacing", "100mm")
    assert (said.code, "one of a, b" in said.err) == (2, True)
    told = linectl("seeding", path, "--spacing", "100mm", "--crop", "b", "--json").json
    assert told["spacings"] == 2


def test_cells_that_pass_nearer_than_wanted_are_remarked_upon(linectl):
    said = linectl("seeding", *["94"] * 40, "--spacing", "100mm")
    assert "cells passed 94.0 mm apart, 6% nearer than wanted" in said.err
    assert linectl("seeding", *["96"] * 40, "--spacing", "100mm").err == ""


def test_spacings_in_another_unit_than_the_wanted_one_are_remarked_upon(linectl):
    said = linectl("seeding", "9.8", "10.1", "31", "--spacing", "100mm", "--convention", "share")
    assert "look at the units" in said.err


def test_the_page_shows_the_class_limits_and_says_everything_without_colour(
    linectl, by_vacuum, tmp_path
):
    page = tmp_path / "seeding.html"
    asked = ("seeding", by_vacuum, "--spacing", "100mm", "--germination", "0.9")
    assert linectl(*asked, "--plot", page).code == 0
    text = page.read_text(encoding="utf-8")
    drawn = re.findall(r"<figure>(.*?)</figure>", text, re.S)
    assert len(drawn) == 2
    words = re.findall(r"<text[^>]*>([^<]*)</text>", drawn[0])
    for word in ("0.5 X", "1.5 X", "50", "150", "multiple", "single", "one miss"):
        assert word in words, word
    fills = set(re.findall(r"fill: (#[0-9a-f]{6})", " ".join(drawn)))
    greys = {fill for fill in fills if fill[1:3] == fill[3:5] == fill[5:7]}
    assert fills == greys
    for heading in ("What vacuum did", "Stand to expect", "cells that passed"):
        assert heading in text


def test_a_picture_is_written_as_svg_that_stands_alone_or_as_png(linectl, tmp_path):
    svg, png = tmp_path / "a.svg", tmp_path / "a.png"
    spaced, counted = ("--spacing", "100mm"), ("--cells", "--seeds-per-cell", "3")
    assert linectl("seeding", *SPACINGS, *spaced, "--plot", png).code == 0
    assert linectl("seeding", "3", "2", "0", "4", *counted, "--plot", svg).code == 0
    assert ElementTree.parse(svg).getroot().tag == "{http://www.w3.org/2000/svg}svg"
    assert png.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    assert "seeds in a cell" in svg.read_text(encoding="utf-8")


def test_without_the_extra_a_picture_is_refused_with_its_name(linectl, tmp_path, monkeypatch):
    monkeypatch.setattr(canvas, "can_draw", lambda: False)
    said = linectl("seeding", *SPACINGS, "--spacing", "100mm", "--plot", tmp_path / "a.svg")
    assert (said.code, said.out) == (3, "")
    assert "linectl[report]" in said.err


def test_a_rehearsal_over_wires_cannot_tell_how_seeds_lie(linectl, tmp_path):
    said = linectl("rehearse", "config/small", "--wire", "--sown", tmp_path / "sown.csv")
    assert (said.code, said.out) == (2, "")
    assert "no --wire" in said.err


def test_of_many_seeds_a_cell_the_range_of_plants_is_told_instead_of_each_number(linectl):
    """Binomial, 30 seeds, germination 0.5: mean 15, deviation 2.74; P(X ≤ 10) = 0.0494 and
    P(X ≤ 19) = 0.9506 (tables of the binomial distribution), so from 11 to 19."""
    asked = ("seeding", "--seeds-per-cell", "30", "--germination", "0.5")
    said = linectl(*asked)
    assert re.search(r"nine cells of ten have plants\s+11 to 19", said.out)
    assert "cells with 15 plants" not in said.out
