"""`plan` as a person types it: lists for today, what is missed and why, files, a calendar."""

from __future__ import annotations

import datetime as dt

import pytest

from linectl.cli import plan as command
from linectl.site.load import load_site
from linectl.site.missed_file import read_missed
from linectl.site.plan_file import read_plan

FENNMARK = "config/fennmark"
ORDERS = f"{FENNMARK}/orders.csv"
FEW = ("--days", "3", "--time-limit", "4s")


def test_a_plan_says_what_to_do_today_and_writes_its_files(linectl, tmp_path):
    done = linectl("plan", FENNMARK, ORDERS, "--lanes", "full", *FEW, "--out", tmp_path, "--json")
    assert (done.code, done.err) == (0, "")
    told, site = done.json, load_site(FENNMARK)
    assert (told["from"], told["days"]) == ("2026-06-01", 3)
    days = read_plan(tmp_path / "plan.csv", site)
    assert [day.date.isoformat() for day in days] == [row["day"] for row in told["calendar"]]
    for listed in (told["today"]["sow"], told["today"]["pull"]):
        assert sum(row["gutters"] for row in listed) > 60
    by_lane = {act: _by_lane(told["today"][act]) for act in ("sow", "pull")}
    assert by_lane["sow"] == by_lane["pull"], "one in for one out"
    missed = read_missed(tmp_path / "missed.csv", site)
    assert sum(each.gutters for each in missed) == told["short_gutters"]
    assert all(each.why for each in missed)
    page = (tmp_path / "plan.html").read_text(encoding="utf-8")
    assert "lane 6" in page
    assert page.count("MISSED") == len(missed)


def _by_lane(listed):
    found = {}
    for row in listed:
        found[row["lane"]] = found.get(row["lane"], 0) + row["gutters"]
    return dict(sorted(found.items()))


def test_on_a_screen_it_ends_with_the_command_that_tells_the_line(linectl):
    done = linectl("plan", FENNMARK, ORDERS, "--lanes", "full", "--days", "2", "--sure", "0.5")
    assert done.code == 0
    (typed,) = [row for row in done.out.splitlines() if row.startswith("linectl command")]
    assert typed.startswith("linectl command config/fennmark line today sow=")
    assert typed.endswith("--by NAME")
    assert " pull=" in typed


def test_empty_lanes_miss_everything_and_say_until_when(linectl):
    done = linectl("plan", FENNMARK, ORDERS, "--lanes", "empty", "--days", "2", "--json")
    told = done.json
    assert told["short_gutters"] == told["ordered_gutters"] > 0
    rocket = [row["why"] for row in told["missed"] if row["crop"] == "rocket"]
    assert len(rocket) == 2
    assert all("ripe on 2026-06-20" in why for why in rocket), "sown on the first, 19 days"


def test_on_a_day_on_which_nothing_moves_no_command_is_given(linectl, tmp_path):
    """`today none` would leave the line free."""
    orders = tmp_path / "orders.csv"
    orders.write_text("day,blend,packs,pack\n2026-06-03,duo,9,200g\n")
    typed = ("plan", FENNMARK, orders, "--from", "2026-06-01", "--days", "3", "--lanes", "full")
    assert linectl(*typed, "--json").json["today"] == {"sow": [], "pull": [], "command": ""}
    shown = linectl(*typed).out
    assert "nothing to sow, nothing to pull" in shown
    assert "linectl command" not in shown


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        (("--from", "2027-01-01", "--lanes", "full"), "it has orders from 2026-06-01"),
        (("--from", "1.6.2026", "--lanes", "full"), "write 2026-06-01"),
        (("--lanes", "full", "--ledger", "x"), "from one of them"),
    ],
)
def test_wrong_use_is_said_in_a_sentence(linectl, typed, said):
    done = linectl("plan", FENNMARK, ORDERS, *typed)
    assert done.code == 2
    assert said in " ".join(done.err.split())


def test_orders_that_are_not_there_are_no_file_of_the_site(linectl, tmp_path):
    done = linectl("plan", FENNMARK, tmp_path / "none.csv", "--lanes", "full")
    assert done.code == 1
    assert "none.csv:1: file: cannot be read: No such file or directory" in done.err
    assert "every site" not in done.err


def test_without_a_ledger_it_says_which_file_is_not_there(linectl, tmp_path):
    done = linectl(
        "plan", FENNMARK, ORDERS, "--from", "2026-06-01", "--ledger", tmp_path / "no.sqlite3"
    )
    assert done.code == 3
    assert "there is no such file" in done.err


def test_without_the_extra_it_says_how_to_install_it(linectl, monkeypatch):
    monkeypatch.setattr(command, "can_solve", lambda: False)
    done = linectl("plan", FENNMARK, ORDERS, "--lanes", "full")
    assert done.code == 2
    assert "pip install 'linectl[plan]'" in done.err


def test_what_stands_by_a_ledger_is_what_a_rehearsal_left(linectl, tmp_path):
    """A shift is rehearsed onto a ledger; the plan of the next day begins with what it left."""
    from linectl.ledger.stand import read_stand

    ledger = tmp_path / "ledger.sqlite3"
    done = linectl("rehearse", FENNMARK, "--for", "3m", "--ledger", ledger, "--json")
    standing = read_stand(str(ledger), "fennmark")
    assert len(standing) == done.json["gutters"]["in_lanes"]
    tomorrow = dt.date.today() + dt.timedelta(days=1)
    orders = tmp_path / "orders.csv"
    orders.write_text(f"day,blend,packs,pack\n{tomorrow},duo,200,200g\n")
    plan = linectl("plan", FENNMARK, orders, "--from", tomorrow, "--days", "1", "--ledger", ledger,
                   "--json")  # fmt: skip
    assert plan.code == 0
    assert plan.json["short_gutters"] == 0


def test_a_lane_locked_by_the_ledger_has_no_list_and_the_drum_holds_what_it_says(linectl, tmp_path):
    ledger, acts, orders = (tmp_path / name for name in ("l.sqlite3", "acts.yaml", "orders.csv"))
    acts.write_text(
        '- {at: 1s, do: command, command: out-of-service, argument: "1", by: anna}\n'
        "- {at: 2s, do: command, unit: sowing, command: crop, argument: rocket, by: anna}\n"
    )
    small = "config/small"
    assert (
        linectl("rehearse", small, "--for", "3s", "--ledger", ledger, "--scenario", acts).code == 0
    )
    day = dt.date.today() + dt.timedelta(days=1)
    asked = [f"{day},{crop},2,1kg" for crop in ("red_oakleaf", "rocket", "green_oakleaf")]
    orders.write_text("\n".join(["day,blend,packs,pack", *asked, ""]))
    asks = ("--from", day, "--days", "1", "--ledger", ledger, "--json")
    (row,) = linectl("plan", small, orders, *asks).json["calendar"]
    assert {each["lane"] for each in row["sow"] + row["pull"]} == {2}
    crops = list(dict.fromkeys(each["crop"] for each in row["sow"]))
    assert crops[0] == "rocket" and row["changeovers"] == len(crops) - 1
