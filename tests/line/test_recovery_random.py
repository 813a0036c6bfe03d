"""Whatever the record says and the sensors show: nothing moves, nothing is asked twice."""

from __future__ import annotations

import json
import os

from hypothesis import given, settings
from hypothesis import strategies as st

from linectl.image import Inside, Move, Slot, Start
from linectl.line import Line

GREEN = "green_oakleaf"
EXAMPLES = 500 if os.environ.get("LINECTL_CAMPAIGN") == "full" else 15
BELTS = ("magazine", "fill", "tamp", "water", "seed", "turn")


def inside(gutter: int, place: str) -> Inside:
    return Inside(gutter, place, GREEN, done=BELTS[1 : BELTS.index(place) + 1])


def on_the_belts(full: tuple[bool, ...], moving: tuple[bool, ...], begun: bool) -> Start:
    """Gutters on some belts, some of them on their way to the next one."""
    stand = [inside(10 + n, belt) for n, belt in enumerate(BELTS) if full[n]]
    moves = [
        Move(20 + n, "convey", 10 + n, BELTS[n], BELTS[n + 1], GREEN, False, -4_000)
        for n in range(5)
        if full[n] and moving[n] and not full[n + 1]
    ]
    if begun:
        moves += [
            Move(30 + n, "process", move.gutter, move.dest, move.dest, GREEN, False, -3_000)
            for n, move in enumerate(moves)
            if move.dest != "turn"
        ]
    return Start(inside=stand, moves=moves)


ENDS = {
    "pick": (Inside(7, "turn", GREEN), "turn", "infeed"),
    "insert": (Inside(7, "infeed", GREEN), "infeed", "lane1.germ.0"),
    "put": (Inside(7, "outfeed", GREEN), "outfeed", "turnout"),
    "handover": (Inside(7, "turnout", GREEN), "turnout", "packing"),
    "eject": (Slot("lane1.grow.7", 7, GREEN, -9, 9), "lane1.grow.7", "outfeed"),
    "transfer": (Slot("lane1.germ.3", 7, GREEN, -9, 9), "lane1.germ.3", "lane1.grow.0"),
    "stroke": (Slot("lane1.germ.2", 7, GREEN, -9, 9), "lane1.germ", "lane1.germ"),
}


def one_move(kind: str) -> Start:
    stands, source, dest = ENDS[kind]
    gutter = -1 if kind == "stroke" else 7
    move = Move(20, kind, gutter, source, dest, GREEN, False, -4_000)
    return Start(
        slots=[stands] if isinstance(stands, Slot) else (),
        inside=[stands] if isinstance(stands, Inside) else (),
        moves=[move],
    )


five = st.tuples(*[st.booleans()] * 5)
starts = st.one_of(
    st.builds(on_the_belts, st.tuples(*[st.booleans()] * 6), five, st.booleans()),
    st.sampled_from(sorted(ENDS)).map(one_move),
)
ROLES = (
    "entry_eye", "exit_eye", "gate_home", "single", "press_up", "clamped", "at_0", "at_90",
    "centred", "gripper_home", "gripper_out", "gripped", "on_board", "taken", "first_eye",
    "last_eye", "home", "forward", "at_up", "at_down", "low_clear", "high_clear",
)  # fmt: skip
PARTS = (*BELTS, "infeed", "outfeed", "turnout", "packing", "lane1")
places = st.dictionaries(
    st.tuples(st.sampled_from(PARTS), st.sampled_from(ROLES)), st.booleans(), max_size=14
)


@settings(max_examples=EXAMPLES, deadline=None)
@given(start=starts, flipped=places, later=places)
def test_nothing_moves_and_no_body_is_asked_about_twice(hand_of, small, start, flipped, later):
    hand = hand_of(start)
    hand.disk = True
    hand.healthy(dict(tags(small, flipped)))
    asked: set[str] = set()
    ended: set[str] = set()
    while not hand.line.recovery.judged:
        hand.scan(ms=250)
        assert kinds_on(hand) <= {"air", "grip"}
    for tag, value in tags(small, later):
        hand.set(tag, value)
        view = hand.line.recovery_view()
        bodies = [q["gutter"] for q in view["questions"] if q["gutter"] > 0]
        assert len(bodies) == len(set(bodies)), view["questions"]
        now = {question["id"] for question in view["questions"]}
        ended |= asked - now
        assert not now & ended, "a question that had ended came again"
        asked = now
        assert kinds_on(hand) <= {"air", "grip"}
    json.dumps(hand.line.recovery_view())
    told = {move.gutter for move in start.moves} | {at.gutter for at in start.inside}
    known = set(hand.line.gutters)
    assert {g for g in told if g > 0} <= known | {
        word.gutter for word in hand.line.take_moves() if word.kind == "handover" and word.done
    }
    again = Line(small, start)
    again.restore(hand.line.snapshot())
    assert again.digest() == hand.line.digest()


def kinds_on(hand) -> set[str]:
    return {tag.rpartition(".")[2] for tag in hand.outputs_on()}


def tags(site, flipped) -> list[tuple[str, bool]]:
    """Each as the tag of that part, or of its runs and lift, if it has one."""
    return [
        (tag, value)
        for (part, role), value in flipped.items()
        for tag in (f"{part}.{role}", f"{part}.germ.{role}", f"{part}.lift.{role}")
        if tag in site.tags
    ]
