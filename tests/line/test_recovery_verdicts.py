"""Each kind of move, each picture that the sensors can show of it, and what became of it.

The rows follow from where the eyes stand (belts: a gutter of 1800 mm, eyes at 150 and 2150 mm of a
zone of 2400 mm) and from what a stroke, a lift or an arm passes on its way; they were written down
from LINE.md's moves, not from the code.
"""

from __future__ import annotations

import pytest

from linectl.image import Inside, Move, Slot, Start

G = 7


def move(kind: str, source: str, dest: str, gutter: int = G, number: int = 5) -> Move:
    return Move(number, kind, gutter, source, dest, "green_oakleaf", False, -4_000)


def at(place: str, *, done: tuple[str, ...] = ()) -> Inside:
    return Inside(G, place, "green_oakleaf", done=done)


def in_slot(place: str) -> Slot:
    return Slot(place, G, "green_oakleaf", -10_000, 10_000)


CONVEY = Start(inside=[at("fill", done=("fill",))], moves=[move("convey", "fill", "tamp")])
TURNED = {"turn__at_0": False, "turn__at_90": True}
PICK = Start(inside=[at("turn")], moves=[move("pick", "turn", "infeed")])
INSERT = Start(inside=[at("infeed")], moves=[move("insert", "infeed", "lane1.germ.0")])
EJECT = Start(slots=[in_slot("lane1.grow.7")], moves=[move("eject", "lane1.grow.7", "outfeed")])
PUT = Start(inside=[at("outfeed")], moves=[move("put", "outfeed", "turnout")])
HANDOVER = Start(inside=[at("turnout")], moves=[move("handover", "turnout", "packing")])
FEED = Start(moves=[move("feed", "stock", "magazine")])
STROKE = Start(
    slots=[in_slot("lane1.germ.2")], moves=[move("stroke", "lane1.germ", "lane1.germ", -1)]
)
LIFT = Start(
    slots=[in_slot("lane1.germ.3")], moves=[move("transfer", "lane1.germ.3", "lane1.grow.0")]
)
OUT = {"gripper_home": False, "gripper_out": True}
HALF = {"gripper_home": False, "gripper_out": False}


def arm(name: str, picture: dict[str, bool], **more: bool) -> dict[str, object]:
    return {f"{name}__{role}": value for role, value in {**picture, **more}.items()}


ROWS = [
    # start, inputs, verdict, (part, its state, what a fault interrupted)
    ("feed: lies before the eye, gate home", FEED, {"magazine__exit_eye": True},
     "done", ("magazine", "done", "")),
    ("feed: nothing fell", FEED, {}, "not_done", ("magazine", "empty", "")),
    ("feed: gate open", FEED, {"magazine__gate_home": False},
     "under_way", ("magazine", "faulted", "closing")),
    ("feed: two", FEED, {"magazine__exit_eye": True, "magazine__single": False},
     "under_way", ("magazine", "faulted", "closing")),
    ("convey: still before", CONVEY, {"fill__exit_eye": True}, "not_done", ("fill", "done", "")),
    ("convey: across", CONVEY, {"fill__exit_eye": True, "tamp__entry_eye": True},
     "under_way", ("tamp", "faulted", "leading")),
    ("convey: tail out, across", CONVEY, {"tamp__entry_eye": True},
     "under_way", ("tamp", "faulted", "leading")),
    ("convey: between the eyes", CONVEY, {}, "under_way", ("tamp", "faulted", "leading")),
    ("convey: arrived", CONVEY, {"tamp__exit_eye": True}, "done", ("tamp", "faulted", "still")),
    ("pick: on board", PICK, TURNED | arm("infeed", {}, on_board=True, gripped=True),
     "done", ("infeed", "loaded", "")),
    ("pick: still there", PICK, TURNED | {"turn__centred": True},
     "not_done", ("turn", "offered", "")),
    ("pick: nobody sees it", PICK, TURNED, "asked", ("infeed", "idle", "")),
    ("pick: both see it", PICK,
     TURNED | {"turn__centred": True, "infeed__on_board": True, "infeed__gripped": True},
     "asked", ("infeed", "idle", "")),
    ("pick: arm out, gripped", PICK,
     TURNED | {"turn__centred": True} | arm("infeed", OUT, gripped=True),
     "under_way", ("infeed", "faulted", "lifting")),
    ("pick: half-way home, gripped", PICK, TURNED | arm("infeed", HALF, gripped=True),
     "under_way", ("infeed", "faulted", "lifting")),
    ("pick: arm out, empty", PICK, TURNED | {"turn__centred": True} | arm("infeed", OUT),
     "not_done", ("infeed", "faulted", "stowing")),
    ("insert: in the mouth", INSERT, {"lane1__germ__first_eye": True},
     "done", ("infeed", "idle", "")),
    ("insert: on board", INSERT, arm("infeed", {}, on_board=True, gripped=True),
     "not_done", ("infeed", "loaded", "")),
    ("insert: nobody sees it", INSERT, {}, "asked", ("infeed", "idle", "")),
    ("insert: arm out, gripped", INSERT,
     {"lane1__germ__first_eye": True} | arm("infeed", OUT, gripped=True),
     "under_way", ("infeed", "faulted", "offering")),
    ("insert: arm out, laid", INSERT, {"lane1__germ__first_eye": True} | arm("infeed", OUT),
     "under_way", ("infeed", "faulted", "withdrawing")),
    ("eject: on board", EJECT, arm("outfeed", {}, on_board=True, gripped=True),
     "done", ("outfeed", "loaded", "")),
    ("eject: still there", EJECT, {"lane1__grow__last_eye": True},
     "not_done", ("lane1", "available", "")),
    ("eject: nobody sees it", EJECT, {}, "asked", ("outfeed", "idle", "")),
    ("eject: arm out, gripped", EJECT,
     {"lane1__grow__last_eye": True} | arm("outfeed", OUT, gripped=True),
     "under_way", ("outfeed", "faulted", "lifting")),
    ("put: lies there", PUT, {"turnout__centred": True}, "done", ("turnout", "loaded", "")),
    ("put: on board", PUT, arm("outfeed", {}, on_board=True, gripped=True),
     "not_done", ("outfeed", "loaded", "")),
    ("put: nobody sees it", PUT, {}, "asked", ("outfeed", "idle", "")),
    ("handover: still there", HANDOVER,
     {"turnout__centred": True, "turnout__at_0": True, "turnout__at_90": False},
     "not_done", ("turnout", "offered", "")),
    ("handover: half out", HANDOVER,
     {"turnout__exit_eye": True, "turnout__at_0": True, "turnout__at_90": False},
     "under_way", ("turnout", "faulted", "handing")),
    ("handover: packing says taken", HANDOVER, {"packing__taken": True},
     "done", ("turnout", "faulted", "parting")),
    ("handover: gone without a word", HANDOVER, {}, "asked", ("turnout", "empty", "")),
    ("stroke: home", STROKE, {}, "not_done", ("lane1", "available", "")),
    ("stroke: forward, the row followed", STROKE,
     {"lane1__germ__home": False, "lane1__germ__forward": True, "lane1__germ__last_eye": True},
     "done", ("lane1", "faulted", "asked_home")),
    ("stroke: forward, no row followed", STROKE,
     {"lane1__germ__home": False, "lane1__germ__forward": True},
     "under_way", ("lane1", "faulted", "stroking")),
    ("stroke: between its ends", STROKE, {"lane1__germ__home": False},
     "under_way", ("lane1", "faulted", "stroking")),
    ("lift: still in its run", LIFT, {"lane1__germ__last_eye": True},
     "not_done", ("lane1", "available", "")),
    ("lift: arrived", LIFT, {"lane1__grow__first_eye": True}, "done", ("lane1", "available", "")),
    ("lift: on board below", LIFT, {"lane1__lift__on_board": True},
     "under_way", ("lane1", "faulted", "loading")),
    ("lift: on board above", LIFT,
     {"lane1__lift__on_board": True, "lane1__lift__at_down": False, "lane1__lift__at_up": True},
     "under_way", ("lane1", "faulted", "unloading")),
    ("lift: on board between the levels", LIFT,
     {"lane1__lift__on_board": True, "lane1__lift__at_down": False},
     "under_way", ("lane1", "faulted", "carrying")),
    ("lift: across the lower joint", LIFT, {"lane1__lift__low_clear": False},
     "under_way", ("lane1", "faulted", "loading")),
    ("lift: nobody sees it", LIFT, {}, "asked", ("lane1", "available", "")),
]  # fmt: skip


@pytest.mark.parametrize(
    ("start", "inputs", "verdict", "stands"),
    [row[1:] for row in ROWS],
    ids=[row[0] for row in ROWS],
)
def test_a_move_is_judged_by_what_the_sensors_show(come_back, start, inputs, verdict, stands):
    hand = come_back(start, **inputs)
    line = hand.line
    told = [(kind["kind"], kind["verdict"]) for kind in line.recovery_view()["moves"]]
    assert told == [(start.moves[0].kind, verdict)]
    name, state, back = stands
    part = next(part for part in line.parts if part.name == name)
    assert (part.state, part.back) == (state, back)
    asked = line.recovery_view()["questions"]
    assert len(asked) == (1 if verdict == "asked" else 0), [q["id"] for q in asked]
    assert (5 in line.open_moves) == (verdict in ("under_way", "asked"))
    words = [word for word in line.take_moves() if word.done and word.number == 5]
    assert len(words) == (1 if verdict == "done" else 0)


@pytest.mark.parametrize(
    ("start", "inputs"), [row[1:3] for row in ROWS], ids=[row[0] for row in ROWS]
)
def test_nothing_moves_before_a_start(come_back, start, inputs):
    """S30."""
    hand = come_back(start, **inputs)
    hand.settle(1_000)
    on = {tag.rpartition(".")[2] for tag in hand.outputs_on()}
    assert on <= {"air", "grip"}
