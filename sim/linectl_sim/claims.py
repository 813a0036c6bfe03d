"""The controller's moves, held against the bodies: ids, places, reservations, intent first.

What the controller says comes in only here, as a claim to be checked. It binds its id to a
body when it says that one was fed; from then on each `done` must find that body where the
controller says it is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.image import Move
from linectl_sim.bodies import Body
from linectl_sim.machine import Machine
from linectl_sim.placebook import PlaceBook

if TYPE_CHECKING:
    from linectl_sim.auditor import Auditor

MOVES_A_BODY = frozenset(("convey", "pick", "put", "insert", "transfer", "eject", "handover"))


class Claims:
    """What the controller has said, and where that differs from the bodies."""

    def __init__(self, machine: Machine, book: PlaceBook, auditor: Auditor) -> None:
        self._machine, self._book, self._auditor = machine, book, auditor
        self._bound: dict[int, Body] = {}
        self._open: dict[int, Move] = {}
        self.last = 0
        """Number of the last move that was told."""
        self._strokes: dict[str, int] = {}
        self._hand_strokes: set[str] = set()
        """Runs that a person has stroked by hand since their last told stroke."""
        self._rows = {row.name: row for lane in machine.lanes.values() for row in lane.rows}
        self.holes: dict[str, int] = {}
        """Reservations: mouth → gutter."""
        self.heard = False
        """Nothing is expected of a controller that never tells."""

    def told(self, move: Move) -> None:
        """An intent, or a move that the controller takes for done."""
        self.heard = True
        if not move.done:
            if move.number <= self.last:
                self._auditor.violate("ledger_differs", f"move {move.number} numbered backwards")
            self.last = max(self.last, move.number)
            self._open[move.number] = move
            return
        if self._open.pop(move.number, None) is None:
            self._auditor.violate(
                "done_without_intent", f"{move.kind} {move.number} done but never intended"
            )
        if move.kind == "feed":
            self._fed(move)
        elif move.kind == "reserve":
            self._reserved(move)
        elif move.kind == "release":
            self._unreserve(move.gutter)
        elif move.kind == "stroke":
            self._stroke_done(move)
        elif move.kind in ("reject", "correct"):
            self._taken_off(move)
        elif move.kind in MOVES_A_BODY:
            self._stands_at(move)

    def open(self) -> list[int]:
        """Numbers of the moves that were told as intended and not as done."""
        return list(self._open)

    def body(self, gutter: int) -> Body | None:
        """The body that carries the controller's id."""
        body = self._bound.get(gutter)
        if body is None:
            body = next((b for b in self._machine.world.bodies if b.gutter == gutter), None)
            if body is not None:
                self._bound[gutter] = body
        return body

    def needs_intent(self, kind: str, body: Body, where: str) -> None:
        """A body has just moved that far: was it intended? One that a person drives is handled."""
        if self._driven_by_hand(where):
            body.handled = True
        if not self.heard or body.gutter < 0 or body.handled:
            return
        for move in self._open.values():
            if move.gutter == body.gutter and move.kind == kind:
                if kind == "eject" and move.crop and move.crop != body.crop:
                    self._auditor.violate(
                        "wrong_crop_ejected", f"{body} is {body.crop}, ejected as {move.crop}"
                    )
                return
        self._auditor.violate("moved_without_intent", f"{body} came to {where} unannounced")

    def needs_work_intent(self, body: Body, station: str) -> None:
        """A tool has just begun on a body: was that intended, at that station?"""
        if self._driven_by_hand(station):
            body.handled = True
        if not self.heard or body.gutter < 0 or body.handled:
            return
        if not any(
            move.kind == "process" and move.gutter == body.gutter and move.source == station
            for move in self._open.values()
        ):
            self._auditor.violate("worked_without_intent", f"{station} works on {body} unannounced")

    def stroked(self, row_name: str) -> None:
        """A run begins a stroke: was it intended?"""
        if self._driven_by_hand(row_name):
            self._hand_strokes.add(row_name)
            return
        if self.heard and not any(
            move.kind == "stroke" and move.source == row_name for move in self._open.values()
        ):
            self._auditor.violate("moved_without_intent", f"{row_name} strokes unannounced")

    def _driven_by_hand(self, where: str) -> bool:
        """The zone of a station, run or lane is driven with its enabling device."""
        world = self._machine.world
        file = world.site.file
        station = file.stations.get(where)
        if station is not None:
            return world.by_hand(station.zone)
        zones = {lane.zone for lane in file.lanes if where.split(".")[0] == lane.prefix}
        return any(world.by_hand(zone) for zone in zones)

    def _fed(self, move: Move) -> None:
        place = self._book.get(move.dest)
        body = place.body() if place is not None else None
        if body is None or body.gutter not in (-1, move.gutter):
            self._differs(move, body)
            return
        body.gutter = move.gutter
        self._bound[move.gutter] = body

    def _reserved(self, move: Move) -> None:
        holder = self.holes.get(move.dest)
        if holder is not None and holder != move.gutter:
            self._auditor.violate(
                "two_reservations", f"{move.dest} reserved for {move.gutter}, held by {holder}"
            )
        self._unreserve(move.gutter)
        self.holes[move.dest] = move.gutter

    def _unreserve(self, gutter: int) -> None:
        for mouth in [mouth for mouth, holder in self.holes.items() if holder == gutter]:
            del self.holes[mouth]

    def _stroke_done(self, move: Move) -> None:
        row = self._rows.get(move.source)
        if row is None:
            self._auditor.violate("ledger_differs", f"stroke of unknown run {move.source}")
            return
        known = self._strokes.get(row.name, 0) + 1
        if row.name in self._hand_strokes:  # how many those were, nobody told
            self._hand_strokes.discard(row.name)
            known = row.strokes
        if row.strokes != known:
            self._auditor.violate(
                "ledger_differs", f"{row.name} made {row.strokes} strokes, told {known}"
            )
        self._strokes[row.name] = row.strokes

    def _taken_off(self, move: Move) -> None:
        self._unreserve(move.gutter)
        body = self.body(move.gutter)
        if body is None:
            return
        if move.dest == "reject" and body.gone == "removed":
            body.gone = "reject"
        elif not body.gone and move.dest in ("reject", "removed"):
            self._auditor.violate(
                "ledger_differs", f"{body} told {move.dest} but still stands on the line"
            )

    def _stands_at(self, move: Move) -> None:
        if move.kind == "insert":
            self._unreserve(move.gutter)
        place = self._book.get(move.dest)
        if place is None:
            self._auditor.violate("ledger_differs", f"{move.kind} to unknown place {move.dest}")
            return
        body = place.body()
        if body is not None and body.gutter == move.gutter:
            return
        known = self.body(move.gutter)
        if move.kind == "handover" and known is not None and known.gone == "packing":
            return  # packing has it, and may have finished with it before it was confirmed
        self._differs(move, body)

    def _differs(self, move: Move, found: Body | None) -> None:
        """The ledger is wrong, unless a person's hand made it so (which it cannot know)."""
        claimed = self.body(move.gutter)
        if (found is not None and found.handled) or (claimed is not None and claimed.handled):
            return
        what = "nothing" if found is None else str(found)
        self._auditor.violate(
            "ledger_differs",
            f"{move.kind} done: gutter {move.gutter} at {move.dest}, there: {what}",
        )
