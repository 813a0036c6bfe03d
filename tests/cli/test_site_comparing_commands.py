"""`compare` and `resolved` on the command line: what they print, write and exit with."""

from __future__ import annotations

import pytest

from linectl.site.load import load_site


def test_the_same_site_twice_exits_0(linectl):
    said = linectl("compare", "config/small", "config/small")
    assert (said.code, said.out.strip()) == (
        0,
        "config/small (small) and config/small (small) say the same",
    )
    assert linectl("compare", "config/small", "config/small", "--json").json["same"] is True


def test_two_sites_that_differ_exit_1_and_say_in_what(linectl):
    said = linectl("compare", "config/small", "config/counter_flow")
    assert said.code == 1
    for part in ("− lane1.lift.at_up", "+ lane1.joint.belt", "devices: the same", "[1].outfeed_mm"):
        assert part in said.out


def test_a_program_reads_the_differences_as_one_object(linectl):
    said = linectl("compare", "config/small", "config/one_run", "--json")
    told = said.json
    assert (said.code, told["same"], told["first"], told["second"]) == (
        1, False, "small", "one_run",
    )  # fmt: skip
    assert "lane1.germ.stroke" in told["points"]["only_first"]
    assert told["rest"]["changed"]["lanes"]["[1].runs[grow].slots"] == ["8", "12"]


def test_a_site_that_is_wrong_is_told_instead_of_compared(linectl, broken_site):
    said = linectl("compare", "config/small", broken_site)
    assert (said.code, said.out) == (1, "")
    assert "stations.fill.hoper_l" in said.err


def test_only_what_the_site_itself_says_is_shown_when_asked_for(linectl):
    said = linectl("resolved", "config/one_run", "--own")
    assert said.code == 0
    assert "site.yaml name" in said.out
    assert "← ../small" not in said.out
    only = linectl("resolved", "config/one_run", "--only", "tamp.press").out.splitlines()
    assert any("stations.tamp.press " in line and "← ../small/site.yaml:" in line for line in only)
    row = "io.csv tamp.press_up: discrete 27 (reference 10028), device io_sower, type bool,"
    assert any(line.startswith(row) for line in only)


def test_the_resolved_site_is_written_as_a_site_of_its_own(linectl, tmp_path):
    folder = tmp_path / "resolved"
    said = linectl("resolved", "config/counter_flow", "--out", folder)
    assert (said.code, said.out) == (0, "")
    assert load_site(folder).digest == load_site("config/counter_flow").digest
    assert linectl("compare", folder, "config/counter_flow").code == 0


@pytest.mark.parametrize("where", ["config/small", "nowhere/resolved"])
def test_no_site_is_overwritten_and_no_folder_guessed(linectl, where):
    said = linectl("resolved", "config/one_run", "--out", where)
    assert (said.code, said.out) == (2, "")
    assert where.split("/")[0] in said.err


def test_a_program_reads_values_and_rows_with_their_origins(linectl):
    told = linectl("resolved", "config/one_run", "--json").json
    takt = next(v for v in told["values"] if (v["file"], v["key"]) == ("site.yaml", "takt"))
    assert (takt["value"], takt["from"]["file"]) == ("30s", "../small/site.yaml")
    row = told["rows"][0]
    assert row["from"]["file"] == "../small/io.csv"
    assert row["cells"]["address"]["by"] == "row"
    assert row["where"] == "discrete 0 (reference 10001)"
