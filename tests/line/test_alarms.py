"""Alarms of the line: acknowledged, latched, shelved, suppressed, out of service; by whom."""

from __future__ import annotations

import copy

import pytest

from linectl.image import Command, Frame, Remark
from linectl.line import Line
from linectl.line.inputs import NEVER


def act(hand, name: str, argument: str = "", by: str = "ines") -> str | None:
    """A person's command in a scan of its own; why it was refused."""
    hand.line.take_events()
    hand.command("", name, argument, by)
    (event,) = [event for event in hand.line.take_events() if event.kind == "command"]
    return event.data["why"]


def told(hand) -> list[tuple[str, str]]:
    """(kind, tag) of the alarms that began and ended to be shown since the last look."""
    kinds = ("alarm_on", "alarm_off")
    return [(e.kind, e.source) for e in hand.line.take_events() if e.kind in kinds]


def state(hand, tag: str) -> str:
    return hand.line.alarms.state(tag)


# coming, going, acknowledging -------------------------------------------------------------------


def test_a_low_hopper_comes_is_acknowledged_and_goes(hand):
    hand.set("fill.hopper_level", 15)
    assert state(hand, "hopper_low") == "unacknowledged"
    assert act(hand, "alarm-ack", "hopper_low") is None
    assert state(hand, "hopper_low") == "acknowledged"
    hand.set("fill.hopper_level", 150)
    assert state(hand, "hopper_low") == "normal"


def test_an_alarm_that_went_by_itself_waits_for_somebody_to_have_seen_it(hand):
    hand.set("fill.hopper_level", 15)
    hand.set("fill.hopper_level", 150)
    assert state(hand, "hopper_low") == "returned_unacknowledged"
    assert "hopper_low" not in hand.line.alarms.standing
    assert act(hand, "alarm-ack", "hopper_low") is None
    assert state(hand, "hopper_low") == "normal"


def test_a_guards_alarm_stays_latched_until_interlock_reset(hand):
    hand.set("guard_seed.closed", False)
    act(hand, "alarm-ack", "guard_seed")
    hand.set("guard_seed.closed", True)
    assert state(hand, "guard_seed") == "latched_acknowledged"
    assert act(hand, "interlock-reset") is None
    assert state(hand, "guard_seed") == "normal"


def test_reset_and_acknowledge_are_two_acts_in_either_order(hand):
    hand.set("guard_seed.closed", False)
    hand.set("guard_seed.closed", True)
    assert state(hand, "guard_seed") == "latched_unacknowledged"
    act(hand, "interlock-reset")
    assert state(hand, "guard_seed") == "returned_unacknowledged"
    act(hand, "alarm-ack", "guard_seed")
    assert state(hand, "guard_seed") == "normal"


def test_a_guard_opened_again_before_the_reset_rings_again(hand):
    hand.set("guard_seed.closed", False)
    act(hand, "alarm-ack", "guard_seed")
    hand.set("guard_seed.closed", True)
    hand.set("guard_seed.closed", False)
    assert state(hand, "guard_seed") == "unacknowledged"


def test_a_silent_device_does_not_make_a_latched_alarm_ring_again(hand):
    hand.set("guard_seed.closed", False)
    act(hand, "alarm-ack", "guard_seed")
    hand.set("guard_seed.closed", True)
    hand.quality("io_sower", False)
    assert state(hand, "guard_seed") == "latched_acknowledged"


def test_acknowledging_resets_nothing_and_starts_nothing(hand):
    """S26: of the five words for stops and resets an acknowledgement is none of the other four."""
    hand.start()
    hand.set("guard_seed.closed", False)
    hand.set("guard_seed.closed", True)
    before = hand.outputs_on(), [unit.state for unit in hand.line.units]
    blocked = hand.line.causes.blocked
    assert act(hand, "alarm-ack", "all") is None
    hand.settle(500)
    assert (hand.outputs_on(), [unit.state for unit in hand.line.units]) == before
    assert hand.line.causes.blocked == blocked != 0


def test_acknowledging_is_taken_while_the_machine_has_the_control_place(hand):
    hand.set("fill.hopper_level", 15)
    hand.set("sowing.remote_selected", False)
    assert "control place" in act(hand, "interlock-reset")
    assert act(hand, "alarm-ack", "hopper_low") is None


def test_what_does_not_wait_is_not_acknowledged_and_says_so(hand):
    assert "does not wait" in act(hand, "alarm-ack", "hopper_low")
    assert "nearest valid name: hopper_low" in act(hand, "alarm-ack", "hoper_low")


def test_a_remark_of_the_field_in_other_words_does_not_ring_again(hand):
    first = Remark("meter.late", "low", "meter answers later and later: 12 ms", "look at its plug")
    hand.scan(Frame(remarks=[("meter.late", first)]))
    act(hand, "alarm-ack", "meter.late")
    other = first._replace(text="meter answers later and later: 15 ms")
    hand.scan(Frame(remarks=[("meter.late", None), ("meter.late", other)]))
    assert state(hand, "meter.late") == "acknowledged"
    assert hand.line.alarms.standing["meter.late"].text.endswith("15 ms")
    hand.scan(Frame(remarks=[("meter.late", None)]))
    assert state(hand, "meter.late") == "normal"


# shelving ---------------------------------------------------------------------------------------


def test_a_shelved_alarm_is_not_shown_and_comes_back_when_its_time_is_over(hand):
    hand.set("fill.hopper_level", 15)
    assert act(hand, "alarm-shelve", "hopper_low 10s the lorry is on its way") is None
    assert state(hand, "hopper_low") == "shelved"
    hand.scan(ms=4_000)  # past the time by which every device must have answered
    due = hand.line.next_due()
    assert due == hand.line.alarms.shelves["hopper_low"].until
    hand.scan(ms=due - hand.now - 10)
    assert state(hand, "hopper_low") == "shelved"
    hand.scan()
    assert state(hand, "hopper_low") == "unacknowledged"
    assert told(hand) == [("alarm_on", "hopper_low")]


def test_shelved_for_a_time_it_stays_so_however_often_it_comes_and_goes(hand):
    act(hand, "alarm-shelve", "hopper_low 10s flickers")
    for level in (15, 150, 15, 150):
        hand.set("fill.hopper_level", level)
        assert state(hand, "hopper_low") == "shelved"
    assert told(hand) == []
    hand.scan(ms=10_000)
    assert state(hand, "hopper_low") == "normal"


def test_one_shot_ends_when_the_alarm_has_returned_once(hand):
    assert act(hand, "alarm-shelve", "hopper_low once filled at noon") is None
    hand.set("fill.hopper_level", 15)
    assert state(hand, "hopper_low") == "shelved"
    hand.set("fill.hopper_level", 150)
    assert state(hand, "hopper_low") == "normal"
    hand.set("fill.hopper_level", 15)
    assert state(hand, "hopper_low") == "unacknowledged"


def test_one_shot_too_ends_with_the_sites_limit(hand):
    act(hand, "alarm-shelve", "hopper_low once filled at noon")
    limit = hand.site.file.limits.shelve_limit_ms
    assert hand.line.alarms.shelves["hopper_low"].until == hand.now + limit


def test_a_shelved_interlock_acts_all_the_same(hand):
    """S26."""
    hand.start()
    act(hand, "alarm-shelve", "drive_fill 1h new drive comes tomorrow")
    hand.set("fill.drive_ok", False)
    assert state(hand, "drive_fill") == "shelved"
    hand.settle(100)
    assert hand.line.units[0].state in ("Holding", "Held")
    assert hand.line.causes.blocked & hand.line.bit(hand.site.index("fill.run"))


@pytest.mark.parametrize(
    "tag", ["estop_lanes", "guard_seed", "silent_io_sower", "supply_AE1", "sowing.warning"]
)
@pytest.mark.parametrize("name", ["alarm-shelve", "alarm-out-of-service"])
def test_alarms_that_people_rely_on_are_never_hidden(hand, name, tag):
    """S26."""
    argument = f"{tag} 10m it annoys" if name == "alarm-shelve" else f"{tag} it annoys"
    assert "people rely on it" in act(hand, name, argument)
    assert state(hand, tag) == "normal"


@pytest.mark.parametrize(
    ("argument", "by", "says"),
    [
        ("hopper_low 9h too long", "ines", "8h at most"),
        ("hopper_low 0s no time", "ines", "8h at most"),
        ("hopper_low soon enough", "ines", "is not a duration"),
        ("hopper_low 10m", "ines", "say why"),
        ("hopper_low 10m a reason", " ", "say who"),
        ("hoper_low 10m a reason", "ines", "there is no alarm"),
        ("hopper_low 10m " + "very " * 60, "ines", "characters"),
    ],
)
def test_shelving_wants_a_known_alarm_a_name_a_reason_and_a_limited_time(hand, argument, by, says):
    assert says in act(hand, "alarm-shelve", argument, by)
    assert hand.line.alarms.shelves == {}


def test_an_acknowledged_alarm_that_is_shown_again_rings_again(hand):
    hand.set("fill.hopper_level", 15)
    act(hand, "alarm-ack", "hopper_low")
    act(hand, "alarm-shelve", "hopper_low 10m a reason")
    assert act(hand, "alarm-unshelve", "hopper_low") is None
    assert state(hand, "hopper_low") == "unacknowledged"
    assert act(hand, "alarm-unshelve", "hopper_low") == "hopper_low is not shelved"


def test_a_latch_that_outlasts_its_shelf_is_shown(hand):
    act(hand, "alarm-shelve", "drive_fill 10m a reason")
    hand.set("fill.drive_ok", False)
    hand.set("fill.drive_ok", True)
    assert state(hand, "drive_fill") == "shelved"
    act(hand, "alarm-unshelve", "drive_fill")
    assert state(hand, "drive_fill") == "latched_unacknowledged"


# out of service, suppressed by design -----------------------------------------------------------


def test_out_of_service_lasts_until_a_person_ends_it(hand):
    assert act(hand, "alarm-out-of-service", "seed_low eye broken, part ordered") is None
    hand.set("seed.seed_level", 5)
    hand.scan(ms=100_000_000)
    assert state(hand, "seed_low") == "out_of_service"
    assert act(hand, "alarm-in-service", "seed_low") is None
    assert state(hand, "seed_low") == "unacknowledged"
    assert "not out of service" in act(hand, "alarm-in-service", "seed_low")


def test_shelved_out_of_service_and_back_it_is_still_shelved(hand):
    act(hand, "alarm-shelve", "seed_low 1h a reason")
    act(hand, "alarm-out-of-service", "seed_low a reason")
    assert state(hand, "seed_low") == "out_of_service"
    act(hand, "alarm-in-service", "seed_low")
    assert state(hand, "seed_low") == "shelved"


def lose_supply(hand, level: bool) -> None:
    """Every input of card AE1 reads 0 within one poll, or is back at its rest."""
    points = [p for p in hand.site.points if p.supply == "AE1" and p.direction == "in"]
    values = [(p.index, level and hand.levels[p.index]) for p in points]
    hand.scan(Frame(values=values))


def test_what_a_lost_supply_explains_is_suppressed_by_design_and_never_rings(hand):
    hand.line.take_events()
    lose_supply(hand, False)
    assert state(hand, "supply_AE1") == "unacknowledged"
    assert state(hand, "guard_seed") == "suppressed_by_design"
    assert told(hand) == [("alarm_on", "supply_AE1")]
    assert hand.line.causes.blocked  # and acts all the same


def test_after_the_supply_is_back_latched_alarms_are_shown_and_others_are_not(hand):
    lose_supply(hand, False)
    lose_supply(hand, True)
    assert state(hand, "guard_seed") == "latched_unacknowledged"
    assert state(hand, "isolator_magazine") == "normal"


def test_a_guard_that_is_really_open_is_shown_once_the_supply_is_back(hand):
    lose_supply(hand, False)
    hand.levels[hand.site.index("guard_seed.closed")] = False
    lose_supply(hand, True)
    assert state(hand, "guard_seed") == "unacknowledged"


# state ------------------------------------------------------------------------------------------


def test_alarms_survive_a_snapshot_with_all_that_is_put_aside(hand, small):
    hand.set("fill.hopper_level", 15)
    hand.set("guard_seed.closed", False)
    hand.set("guard_seed.closed", True)
    act(hand, "alarm-shelve", "hopper_low 10m a reason")
    act(hand, "alarm-out-of-service", "seed_low a reason")
    lose_supply(hand, False)
    saved = copy.deepcopy(hand.line.snapshot())
    other = Line(small)
    other.restore(saved)
    assert other.snapshot() == saved
    assert other.next_due() == hand.line.next_due()
    for tag in hand.line.alarms.helps:
        assert other.alarms.state(tag) == state(hand, tag)


def test_a_scan_between_two_dues_changes_nothing_of_a_shelf(hand):
    act(hand, "alarm-shelve", "hopper_low 1h a reason")
    hand.settle(50)
    before = hand.line.digest()
    assert hand.line.scan(Frame(), hand.now + 1_000) is False
    assert hand.line.digest() == before
    assert hand.line.next_due() < NEVER


def test_acknowledging_all_leaves_nothing_waiting(hand):
    hand.set("fill.hopper_level", 15)
    hand.set("seed.seed_level", 5)
    hand.set("seed.seed_level", 40)
    assert len(hand.line.alarms.waiting()) == 2
    hand.scan(Frame(commands=[Command("", "alarm-ack", "all", "ines")]))
    assert hand.line.alarms.waiting() == []


# what a person is shown -------------------------------------------------------------------------


def test_the_list_puts_first_what_waits_then_what_stands_then_what_is_put_aside(hand):
    hand.set("fill.hopper_level", 15)
    act(hand, "alarm-ack", "hopper_low")
    act(hand, "alarm-shelve", "seed_low once a reason")
    hand.set("seed.seed_level", 5)
    hand.set("guard_seed.closed", False)
    found = hand.line.alarm_list()
    assert [row["tag"] for row in found["alarms"]] == ["guard_seed", "hopper_low", "seed_low"]
    assert found["counts"] == {
        "standing": 2, "unacknowledged": 1, "shelved": 1, "suppressed_by_design": 0,
        "out_of_service": 0,
    }  # fmt: skip
    guard, _, shelved = found["alarms"]
    assert guard["look"] == ["guard_seed.closed at AE1:9: io_sower, discrete 8 (reference 10009)"]
    assert guard["do"].startswith("see that nobody is inside")
    assert not guard["may_shelve"]
    assert shelved["shelved"]["by"] == "ines"
    assert shelved["present"]


def test_the_list_says_which_alarm_explains_another(hand):
    lose_supply(hand, False)
    rows = {row["tag"]: row for row in hand.line.alarm_list()["alarms"]}
    assert rows["guard_seed"]["explained_by"] == "supply_AE1"
    assert "supply_AE1" in rows
    assert hand.line.status(hand.now)["alarms"] == 1
