"""`linectl blend` as a person types it: what it answers, what it refuses, and from which yields."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from linectl.cli.blend_yields import yields_used
from linectl.crop.blending import Wanted
from linectl.crop.order import deviation
from linectl.errors import LedgerUnreachable
from linectl.image import Event, Move
from linectl.ledger import Ledger
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"
DUO = Wanted(gutters={"green_oakleaf": 2, "red_oakleaf": 1})
PROMISED = ["cycle", "order", "max_deviation", "mass_shares", "cycle_mass_kg"]
INVENTED = "a=2.3kg,b=1.7kg,c=1.2kg,d=900g"


def test_seven_four_two_one_as_json(linectl):
    told = linectl("blend", "--gutters", "a=7,b=4,c=2,d=1", "--yields", INVENTED, "--json").json
    assert set(PROMISED) <= set(told)
    assert told["cycle"] == {"a": 7, "b": 4, "c": 2, "d": 1}
    assert [told["order"].count(crop) for crop in "abcd"] == [7, 4, 2, 1]
    assert told["max_deviation"] == float(deviation(told["order"])) == 0.5
    assert told["cycle_mass_kg"] == pytest.approx(26.2)
    assert [round(share, 4) for share in told["mass_shares"].values()] == [
        0.6145, 0.2595, 0.0916, 0.0344,
    ]  # fmt: skip
    assert told["deviation_bound"] >= told["max_deviation"]


def test_by_mass_every_share_is_within_the_tolerance(linectl):
    asked = ("blend", "--mass", "a=60,b=23,c=17", "--yields", "a=4.9lb,b=2lb,c=20oz", "--json")
    told = linectl(*asked, "--tolerance", "0.01").json
    assert told["wanted_shares"] == {"a": 0.6, "b": 0.23, "c": 0.17}
    for crop, share in told["wanted_shares"].items():
        assert abs(told["mass_shares"][crop] - share) <= 0.01
    assert len(told["order"]) > len(linectl(*asked).json["order"])


def test_by_gutters_the_yields_need_not_be_known(linectl):
    done = linectl("blend", "--gutters", "a=5,b=2")
    assert done.code == 0
    assert "yields are not known" in done.out
    assert "1 A B A A A B A" in done.out
    told = linectl("blend", "--gutters", "a=5,b=2", "--json").json
    assert (told["mass_shares"], told["cycle_mass_kg"], told["today"]) == (None, None, None)


def test_a_blend_of_the_site_with_its_yields_and_packs(linectl):
    told = linectl("blend", "config/fennmark", "garden_mix", "--json").json
    assert told["cycle"] == {"green_oakleaf": 4, "red_oakleaf": 3, "frisee": 2, "rocket": 3}
    assert told["cycle_mass_kg"] == pytest.approx(4 * 5.2 + 3 * 4.3 + 2 * 4.8 + 3 * 2.4)
    assert told["yields"]["from"] == "crops.yaml"
    assert [pack["label_kg"] for pack in told["today"]["packs"]] == [0.125, 0.25]


def test_a_crop_alone_is_a_blend_too(linectl):
    out = linectl("blend", "config/small", "rocket").out
    assert "Cycle: 1 gutter, 0.50 kg" in out
    assert "harvest blend rocket=1 --by NAME" in out  # no blend of the file has that name


def test_what_a_person_sees_of_a_day(linectl):
    done = linectl(
        "blend", "config/fennmark", "peppery", "--gutters-today", "117", "--packs", "900x125g,250g",
        "--fill-spread", "2g",
    )  # fmt: skip
    assert done.code == 0
    rows = [line.split() for line in done.out.splitlines()]
    assert ["A", "green", "oakleaf", "5", "5.20", "±", "0.52", "45.5", "±", "1.6", "45.0", "±",
            "2"] in rows  # fmt: skip
    assert "39 green oakleaf, 23 frisee, 55 rocket" in done.out
    assert ["125", "g", "129", "g", "900", "900", "/", "900", "0", "/", "0", "–"] in rows
    assert "no order does better" in done.out
    told = "harvest blend green_oakleaf=5,frisee=3,rocket=7 --by NAME"
    assert f"linectl command config/fennmark {told}" in done.out


def test_the_day_s_gutters_are_those_that_the_order_begins_with(linectl):
    told = linectl("blend", "--gutters", "a=5,b=2", "--yields", "a=1kg,b=2kg", "--gutters-today",
                   "17", "--json").json  # fmt: skip
    order = told["order"]
    assert told["today"]["gutters"] == {
        crop: (2 * order + order[:3]).count(crop) for crop in ("a", "b")
    }
    assert told["today"]["mass_kg"] == pytest.approx(
        told["today"]["gutters"]["a"] + 2 * told["today"]["gutters"]["b"]
    )


def test_never_more_is_packed_than_is_expected_and_a_short_order_is_told(linectl):
    day = linectl("blend", "--gutters", "a=1", "--yields", "a=1kg", "--gutters-today", "10",
                  "--packs", "60x125g,60x125g,50g", "--json").json["today"]  # fmt: skip
    first, second, rest = day["packs"]
    assert (first["packs"], first["short"], second["packs"], second["short"]) == (60, 0, 20, 40)
    assert (rest["ordered"], rest["packs"], rest["alone"]) == (None, 0, 0)
    assert second["short_sure"] > 40
    assert sum(p["packs"] * p["fill_kg"] for p in day["packs"]) + day["left_kg"] == 10


def test_a_cycle_that_harvest_would_refuse_is_not_handed_to_it(linectl):
    done = linectl("blend", "--gutters", "a=101,b=100")
    assert (done.code, "linectl command" in done.out) == (0, False)
    assert "200 are the most" in done.out
    assert "harvest blend a=100,b=100 --by" in linectl("blend", "--gutters", "a=100,b=100").out


@pytest.mark.parametrize(
    ("typed", "why"),
    [(("--gutters", "a=5,b"), "'b' cannot be read; write a=5,b=2"),
     (("--gutters", "a=0"), "whole gutters above zero"),
     (("--gutters", "a=1,a=2"), "a stands there twice"),
     (("--mass", "a=x"), "write a=0.6,b=0.4"),
     (("--mass", "a=0.6,b=0.4"), "needs --yields"),
     (("--mass", "a=0.6,b=0.4", "--yields", "a=1kg"), "b: its yield per gutter is not known"),
     (("--mass", "a=1,b=0.001", "--yields", "a=1kg,b=1kg", "--tolerance", "0.0001"), "widen"),
     (("--gutters", "a=1", "--yields", "a=1stone"), "write a=2.2kg,b=800g"),
     (("--gutters", "a=1", "--yields", "ab=1kg"), "nearest valid name: a"),
     (("--gutters", "a=1", "--yields", "ledger"), "needs the SITE"),
     (("--gutters", "a=1", "--tolerance", "0.1"), "by whole gutters"),
     (("--gutters", "a=1", "--mass", "a=1"), "ask for one blend"),
     ((), "ask for one blend"),
     (("config/small", "due"), "nearest valid name: duo"),
     (("config/small", "--gutters", "roket=1"), "nearest valid name: rocket"),
     (("--gutters", "a=1", "--yields", "a=1kg", "--packs", "3y125g"), "write 125g, or 900x125g"),
     (("--gutters", "a=1", "--yields", "a=1kg", "--packs", "5g", "--fill-spread", "x"), "no mass")],
)  # fmt: skip
def test_what_is_typed_wrongly_is_refused_with_what_would_be_right(linectl, typed, why):
    done = linectl("blend", *typed)
    assert done.code == 2
    assert why.replace("no mass", "is not a mass") in " ".join(done.err.split())


# yields: the file's, the record's, typed ----------------------------------------------------------


@pytest.fixture(scope="module")
def small():
    return load_site(CONFIG / "small")


@pytest.fixture(scope="module")
def weighed(tmp_path_factory, small):
    """Forty gutters of rocket were 0.6 kg each; the forty after them were mistyped."""
    folder = tmp_path_factory.mktemp("weighed") / "small"
    shutil.copytree(CONFIG / "small", folder)
    book = Ledger.open(str(folder / "ledger.sqlite3"), small)
    number = 0
    for lot, kg in (("P-1", 24.0), ("P-2", 240.0), ("P-3", None)):
        named = {"kind": "packing", "lot": lot, "crop": "", "by": "anna"}
        events = [Event(number, "lot", "packing", "", named)]
        moves = []
        for _ in range(40):
            number += 1
            move = Move(number, "handover", number, "turnout", "packing", "rocket", False, number)
            moves += [move, move._replace(done=True)]
        if kg is not None:
            told = {"lot": lot, "kg": kg, "crop": "rocket", "by": "ben"}
            events.append(Event(number, "weight", lot, "", told))
        book.record(moves, events)
    book.close()
    return folder


def test_yields_are_those_that_the_record_has_corrected(linectl, weighed):
    asked = ("blend", weighed, "--mass", "green_oakleaf=0.5,rocket=0.5", "--json")
    told = linectl(*asked).json
    rocket = told["yields"]["crops"]["rocket"]
    assert told["yields"]["from"] == "ledger"
    assert (rocket["weighings"], rocket["gutters"]) == (1, 40)
    assert 0.5 < rocket["kg"] < 0.6
    assert rocket["day_sd_kg"] > 0
    assert told["yields"]["crops"]["green_oakleaf"]["kg"] == 1.1
    (doubt,) = told["yields"]["doubts"]
    assert (doubt["what"], doubt["counted"]) == ("packing lot P-2", False)
    assert told["cycle"] == {"green_oakleaf": 1, "rocket": 2}


def test_a_person_is_told_which_yields_and_which_weighing_to_look_at(linectl, weighed):
    asked = ("blend", weighed, "--gutters", "rocket=1,red_oakleaf=1")
    said = " ".join(linectl(*asked).out.split())
    assert (
        "Yields: ledger (rocket by 1 weighing of 40 gutters, the others as in crops.yaml)" in said
    )
    assert "Look: packing lot P-2: 240 kg of 40 gutters of rocket, expected about 22.8 kg" in said


def test_a_ledger_that_cannot_be_read_is_told_and_passed_over(linectl, small, tmp_path):
    folder = tmp_path / "small"
    shutil.copytree(CONFIG / "small", folder)
    (folder / "ledger.sqlite3").write_bytes(b"no ledger at all")
    done = linectl("blend", folder, "duo", "--json")
    assert (done.code, done.json["yields"]["from"]) == (0, "crops.yaml")
    assert "Yields are those of crops.yaml" in done.err
    with pytest.raises(LedgerUnreachable):  # asked for by name, it is not passed over
        yields_used(small, "ledger", folder / "ledger.sqlite3", DUO)


def test_the_file_s_yields_are_taken_where_they_are_asked_for(small, weighed):
    site = small.model_copy(update={"folder": str(weighed)})
    used = yields_used(site, "file", None, Wanted(gutters={"rocket": 1}))
    assert (used.source, used.yields["rocket"].kg) == ("crops.yaml", 0.5)


def test_yields_typed_beside_a_site_replace_only_what_is_typed(small):
    used = yields_used(small, "red_oakleaf=4kg", None, DUO)
    assert used.source == "typed"
    assert {crop: each.kg for crop, each in used.yields.items()} == {
        "green_oakleaf": 1.1, "red_oakleaf": 4,
    }  # fmt: skip
    assert used.yields["red_oakleaf"].sd_kg == pytest.approx(0.48)  # crops.yaml's 12 %
