"""An IO checkout in virtual time: what is wired wrong is called by its name, and kept on record."""

from __future__ import annotations

import json

import pytest
from checkout_evening import Evening, small

from linectl.commission.answers import Deed, Rule
from linectl.commission.checkout.facts import Facts
from linectl.commission.checkout.pulse_plan import pulse_of


@pytest.fixture
def evening(tmp_path):
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
        ("fill.doser_rate", "miswire", "fill.doser_rate", {"kind": "dead"},
         "dead or not taken: the device stays at 0"),
        ("water.flow_rate", "miswire", "water.flow_rate", {"kind": "scale", "by": 10},
         "the device shows 10 times what is written"),
        ("infeed.target", "miswire", "infeed.target", {"kind": "word_order"}, "wrong word order"),
    ],
)  # fmt: skip
def test_a_mistake_at_an_output_is_called_by_its_name(evening, tag, verb, part, options, found):
    evening.zone_is_ready()
    evening.plant(verb, part, **options)
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


def test_a_round_that_was_ended_goes_on_where_it_stopped(evening):
    """S40."""
    stops = Rule(at="fill.drive_ok", when="", say="q")
    evening.miswire("fill.drive_ok", "dead")
    counts = evening.walk("fill", first=(stops,))
    tags = [one.tag for one in evening.tries]
    assert tags  # every try was on the disk before the next began
    assert counts["passed"] == len(tags)
    evening.plant("put wires right", "fill.drive_ok")
    evening.walk("fill")
    assert [one.tag for one in evening.tries][: len(tags)] == tags
    assert len({one.tag for one in evening.tries}) == len(evening.tries)


def test_a_fault_put_right_and_tried_again_closes_its_deficiency(evening):
    evening.miswire("fill.entry_eye", "dead")
    evening.walk("fill.entry_eye")
    evening.walk("fill.entry_eye", first=(Rule(when="remark", say="wire 7 broken"),))
    evening.plant("put wires right", "fill.entry_eye")
    evening.walk("fill.entry_eye")
    first, second, third = evening.tries
    assert [one.deficiency for one in (first, second, third)] == ["1", "1", "1"]
    assert [one.result for one in (first, second, third)] == ["fail", "fail", "pass"]
    assert second.remark == "wire 7 broken"
    assert (third.found, third.left) == (second.found, "in order")
    assert "fill.entry_eye: pass, closes deficiency 1" in evening.heard
    (standing,) = [one for one in evening.standing.points if one.point.tag == "fill.entry_eye"]
    assert standing.retested
    evening.miswire("fill.exit_eye", "dead")
    evening.walk("fill.exit_eye")
    assert evening.tries[-1].deficiency == "2"


def test_a_contact_that_chatters_is_told_with_its_edges(evening):
    ask, bench = evening.field.ask, evening.field.bench

    def fluttering(told):
        if told.get("do") != "hold sensor":
            return ask(told)
        for number in range(5):
            held = {**told, "options": {"value": number % 2 == 1}}
            bench.at(bench.now + 60 + 40 * number, lambda one=held: ask(one) and None)
        return {"ok": True}

    evening.field.ask = fluttering
    evening.walk("tamp.press_up")
    assert evening.last("tamp.press_up").found.startswith("chatters: 5 edges")


def test_travel_is_measured_from_the_command_to_the_feedback(evening):
    evening.zone_is_ready()
    evening.walk("turn.to_90", "turn.to_0")
    facts = evening.site.file.stations["turn"]
    for tag in ("turn.to_90", "turn.to_0"):
        assert facts.turn_ms <= int(evening.last(tag).travel_ms) <= facts.turn_ms + 500


def test_a_number_is_fitted_with_what_is_left_over(evening):
    evening.walk("seed.vacuum")
    tried = evening.last("seed.vacuum")
    readings = json.loads(tried.readings)
    assert [way for *_, way in readings] == ["up"] * 5 + ["down"] * 4
    assert tried.fit.startswith("scale 0.01, offset ")
    assert "residual" in tried.fit
    assert tried.trace.startswith("wire break: it reads 0 kPa (raw 0)")


@pytest.mark.parametrize(("stands", "word"), [(False, "1"), (True, "0")])
def test_a_pulse_is_commanded_to_the_value_that_was_told_and_confirmed(stands, word):
    facts = Facts(small())
    pulse = pulse_of(facts, facts.items["sowing.air"], {"sowing.air": stands})
    assert pulse.argument.split()[2:] == [word] == [str(int(pulse.value))]
