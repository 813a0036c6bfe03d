"""An IO checkout in virtual time: what is wired wrong is named, nothing moves unasked."""

from __future__ import annotations

import datetime as dt
import shutil
from functools import cache
from pathlib import Path

import pytest
from bench_field import BenchField

from linectl.commission.answers import AnswersFile, Deed, Rule, Scripted
from linectl.commission.checkout.facts import Facts
from linectl.commission.checkout.order import chosen
from linectl.commission.checkout.outcome import Terms
from linectl.commission.checkout.record import checkout_standing, read_tries
from linectl.commission.checkout.walk import Walk
from linectl.site.load import load_site

SMALL = Path(__file__).parents[2] / "config/small"
small = cache(lambda: load_site(SMALL))
START = dt.datetime(2026, 3, 31, 20, 2, tzinfo=dt.timezone(dt.timedelta(hours=2)))
USUAL = (
    Rule(when="yes, or q", say="yes"),
    Rule(when="mode maintenance", say="yes"),
    Rule(when="ONE pulse", say="{quoted}"),
    Rule(when="the right way", say="{moved}"),
    Rule(when="at rest now", say="yes"),
    Rule(when="it is dead", say="f"),
    Rule(when="your act", say="no"),
    Rule(when="resets interlocks", say="i"),
    Rule(when="was it the contact", say="yes"),
    Rule(say=""),
)
ZONE = ("estop_ok", "enabling", "horn_on", "beacon_on")


class Evening:
    """One technician at the small line: what they were told, and what the record says."""

    def __init__(self, folder: Path) -> None:
        self.site = small().model_copy(update={"folder": str(folder)})
        self.facts = Facts(self.site)
        self.field = BenchField(self.site)
        self.said: list[str] = []

    def miswire(self, tag: str, kind: str, **more) -> None:
        self.field.bench.act(lambda: self.field.plant.do("miswire", tag, kind=kind, **more))

    def walk(self, *only: str, first: tuple[Rule, ...] = (), again=False, acts=None, ranges=None):
        file = AnswersFile(answers=(*first, *USUAL), acts=acts or {})
        person = Scripted(file, self.field)
        terms = Terms(
            "anna", "ben", "probe 7", lambda: START, self.field.pause, 2_000, ranges=ranges or {}
        )
        tags = chosen(self.standing, self.facts, only, again)
        try:
            return Walk(self.facts, tags, self.field, person, terms).run()
        finally:
            self.said += person.said

    @property
    def standing(self):
        return checkout_standing(self.site)

    @property
    def heard(self) -> str:
        return "\n".join(self.said)

    @property
    def tries(self):
        tries, unreadable = read_tries(Path(self.site.folder))
        assert unreadable == ()
        return tries

    def last(self, tag: str):
        return next(one for one in reversed(self.tries) if one.tag == tag)

    def zone_is_ready(self, zone: str = "sowing") -> None:
        self.walk(*(f"{zone}.{role}" for role in ZONE))


@pytest.fixture
def evening(tmp_path):
    shutil.copytree(SMALL, tmp_path / "small")
    return Evening(tmp_path / "small")


def test_a_whole_line_that_is_wired_right_is_checked_out_in_one_round(evening):
    counts = evening.walk()
    assert evening.standing.as_json() | {"deficiencies": 0} == {
        "site": "small", "points": len(evening.site.points), "passed": len(evening.site.points),
        "failed": 0, "open": 0, "reopened": 0, "deficiencies": 0,
    }  # fmt: skip
    assert counts["failed"] == counts["left out"] == 0
    assert {one.by for one in evening.tries} == {"anna"}
    assert {one.witness for one in evening.tries} == {"ben"}
    assert evening.field.rehearsal.finish(1.0).as_json()["violations"] == []


SWAPPED = "the wires of the two are swapped"


def test_swapped_inputs_are_named_and_the_partner_is_tried_next(evening):
    evening.miswire("fill.entry_eye", "swapped", other="tamp.press_up")
    counts = evening.walk("fill.entry_eye", "fill.exit_eye", "tamp")
    first, second = evening.tries[:2]
    assert (first.tag, second.tag) == ("fill.entry_eye", "tamp.press_up")
    assert first.found.startswith(f"tamp.press_up moved instead: {SWAPPED}")
    assert second.found.startswith(f"fill.entry_eye moved instead: {SWAPPED}")
    assert [first.deficiency, second.deficiency] == ["1", "2"]
    assert counts["failed"] == 2
    assert evening.last("fill.exit_eye").result == "pass"


@pytest.mark.parametrize(
    ("tag", "kind", "more", "found"),
    [
        ("fill.entry_eye", "inverted", {}, "inverted contact"),
        ("guard_seed.closed", "inverted", {}, "inverted contact"),
        ("infeed.flag", "inverted", {}, "inverted contact"),
        ("fill.entry_eye", "dead", {}, "dead point"),
        ("guard_seed.closed", "dead", {}, "dead point"),
        ("infeed.flag", "dead", {}, "dead point"),
        ("fill.hopper_level", "scale", {"by": 10}, "reads 10 times the reference"),
        ("seed.vacuum", "scale", {"by": 0.1}, "reads 0.1 times the reference"),
        ("fill.hopper_level", "dead", {}, "dead point"),
        ("seed.vacuum", "swapped", {"other": "seed.seed_level"}, "seed.seed_level moved instead"),
        ("infeed.position", "word_order", {}, "wrong word order"),
        ("water.flow_pulses", "word_order", {}, "wrong word order"),
        ("water.flow_pulses", "scale", {"by": 10}, "counts 10 times too much"),
        ("seed.seed_counter", "dead", {}, "dead point"),
    ],
)
def test_a_mistake_at_an_input_is_called_by_its_name(evening, tag, kind, more, found):
    evening.miswire(tag, kind, **more)
    assert evening.walk(tag)["failed"] >= 1
    assert evening.tries[0].tag == tag
    assert evening.tries[0].found.startswith(found), evening.tries[0].found
    assert (evening.tries[0].result, evening.tries[0].deficiency) == ("fail", "1")


@pytest.mark.parametrize(
    ("tag", "verb", "part", "options", "found"),
    [
        ("tamp.press", "miswire", "tamp.press", {"kind": "swapped", "other": "tamp.brush"},
         "tamp.brush moved instead: the outputs are swapped"),
        ("tamp.brush", "miswire", "tamp.brush", {"kind": "dead"}, "dead or stuck: nothing moved"),
        ("water.valve", "fault", "water.valve", {"kind": "stuck"}, "dead or stuck: nothing moved"),
        ("fill.run", "fault", "fill.run", {"kind": "backwards"}, "moves the wrong way"),
        ("turn.to_90", "miswire", "turn.at_90", {"kind": "dead"}, "it moved, and its feedback did"),
    ],
)  # fmt: skip
def test_a_mistake_at_an_output_is_called_by_its_name(evening, tag, verb, part, options, found):
    evening.zone_is_ready()
    evening.field.bench.act(lambda: evening.field.plant.do(verb, part, **options))
    evening.walk(tag)
    assert evening.last(tag).found.startswith(found), evening.last(tag).found
    assert evening.last(tag).result == "fail"


def test_a_feedback_that_hangs_on_another_drive_is_named_beside_its_output(evening):
    evening.zone_is_ready()
    evening.miswire("fill.running", "swapped", other="tamp.running")
    evening.walk("fill.run")
    assert evening.last("fill.run").result == "pass"
    assert evening.last("fill.running").found == "tamp.running came instead: swapped wires"


def test_a_scale_that_fills_its_register_is_still_called_by_its_name(evening):
    evening.miswire("fill.hopper_level", "scale", by=10)  # 750 l and more do not fit in 16 bits
    evening.walk("fill.hopper_level", ranges={"fill.hopper_level": (0.0, 1500.0)})
    assert "its register ends at 6553.5 l: not fitted there" in evening.heard
    assert evening.last("fill.hopper_level").found.startswith("reads 10 times")


def test_swapped_horn_and_beacon_are_named_by_what_was_seen(evening):
    evening.walk("sowing.estop_ok")
    evening.miswire("sowing.horn", "swapped", other="sowing.beacon")
    evening.walk("sowing.horn")
    tried = {one.tag: one.found for one in evening.tries}
    assert tried["sowing.horn"] == "sowing.beacon moved instead: the outputs are swapped"
    assert "seen: sowing.beacon_on 1" in evening.heard


def test_a_device_that_falls_silent_has_not_moved(evening):
    silent = {"tamp.press_up": (Deed(on="operate", do="silence", part="belts_sower",
                                     options={"for_ms": 3000}),
                                Deed(on="operate", do="hold sensor", options={"value": False}),
                                Deed(on="release", do="let go"))}  # fmt: skip
    evening.walk("tamp.press_up", acts=silent)
    assert "device belts_sower fell silent meanwhile" in evening.heard
    assert evening.last("tamp.press_up").result == "pass"
    assert evening.last("tamp.press_up").remark == ""
