"""One sensor that is wrong at power-up, a lane locked meanwhile: asked or faulted, never believed.

Each test says which sensor lies (or what a person did) and what would have been hurt.
"""

from __future__ import annotations

from linectl.image import Inside, LaneSet, Move, Slot, Start

G = 7
GREEN = "green_oakleaf"


def move(kind: str, source: str, dest: str, gutter: int = G) -> Move:
    return Move(5, kind, gutter, source, dest, GREEN, False, -4_000)


INSERT = Start(
    inside=[Inside(G, "infeed", GREEN)], moves=[move("insert", "infeed", "lane1.germ.0")]
)
PICK = Start(inside=[Inside(G, "turn", GREEN)], moves=[move("pick", "turn", "infeed")])
TAIL = Slot("lane1.grow.7", G, GREEN, -10_000, -5_000)
EJECT = Start(slots=[TAIL], moves=[move("eject", "lane1.grow.7", "outfeed")])
LIFT = Start(
    slots=[Slot("lane1.germ.3", G, GREEN, -10_000, 10_000)],
    moves=[move("transfer", "lane1.germ.3", "lane1.grow.0")],
)
FILLED = Start(
    inside=[Inside(G, "fill", GREEN, done=("fill",))], moves=[move("convey", "fill", "tamp")]
)


def part(hand, name: str):
    return next(part for part in hand.line.parts if part.name == name)


def verdicts(hand) -> list[tuple[str, str]]:
    return [(told["kind"], told["verdict"]) for told in hand.line.recovery_view()["moves"]]


def warn(hand, unit: str) -> None:
    for on in (True, False):
        hand.set(f"{unit}.horn_on", on)
        hand.set(f"{unit}.beacon_on", on)
        hand.settle(3_100 if on else 50)


# a lane locked while something of it was under way -----------------------------------------------


def test_an_insert_that_ends_in_a_lane_locked_meanwhile_leaves_it_locked(come_back):
    hand = come_back(INSERT)
    assert verdicts(hand) == [("insert", "asked")]
    assert hand.obey("out-of-service", "1", by="otto") is None  # whoever reaches in locks it
    hand.set("lane1.germ.first_eye", True)
    lane = part(hand, "lane1")
    assert verdicts(hand) == [("insert", "done")]
    assert (lane.state, lane.locked_by, lane.slots[0][0]) == ("out_of_service", "otto", G)


def test_a_controller_comes_back_to_a_locked_lane_with_an_insert_done(come_back):
    lanes = {1: LaneSet("filling", "otto")}
    start = Start(inside=INSERT.inside, moves=INSERT.moves, lanes=lanes)
    hand = come_back(start, lane1__germ__first_eye=True)
    lane = part(hand, "lane1")
    assert verdicts(hand) == [("insert", "done")]
    assert (lane.state, lane.locked_by, lane.slots[0][0]) == ("out_of_service", "otto", G)


def test_a_controller_comes_back_to_a_locked_lane_with_an_eject_done(come_back):
    start = Start(slots=[TAIL], moves=EJECT.moves, lanes={1: LaneSet("steady", "otto")})
    hand = come_back(start, outfeed__on_board=True, outfeed__gripped=True)
    assert verdicts(hand) == [("eject", "done")]
    assert (part(hand, "lane1").state, part(hand, "outfeed").gutter) == ("out_of_service", G)
