"""What happens between power-up and the first start: take over, wait, look, decide, ask.

`waiting` until every device has answered once; `settling` until nothing that a lost controller
left moving can move any more; `judged` from then on. Nothing moves before that: units refuse a
start, and parts are not stepped. What is found interrupted stands faulted and goes on after a
person's start with its warning, by the same `resume` as after any other fault.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.image import Event, Move, Start
from linectl.line.carriage import Carriage
from linectl.line.conveyor import Conveyor
from linectl.line.harvest import TurnOut
from linectl.line.inputs import NEVER
from linectl.line.lane import Lane
from linectl.line.part import Part
from linectl.line.recovery import arms, belts, handing, rest, rows, takeover
from linectl.line.recovery.questions import CLOCK, OF_NO_PART, Question, of_the_clock

if TYPE_CHECKING:
    from linectl.line.line import Line

RESTLESS_MS = 20_000
"""Inputs that do not come to rest by then are judged as they are: a flickering eye is no reason
to wait for ever."""

AGAIN_MS = 5_000
"""Inputs that would end a question must stand so long: it sends people there, and a hand or a back
before an eye is no gutter (common practice, no source)."""


class Recovery:
    """What the record left open, what was found, and what is asked."""

    FIELDS = (
        "phase", "least_at", "rest_ms", "still_at", "due", "worked", "known", "unverified", "stale",
        "settled_ids", "again_at",
    )  # fmt: skip

    def __init__(self, line: Line, start: Start) -> None:
        self.line = line
        self.phase = "waiting"
        self.least_at = NEVER
        """Not judged before: watchdogs and run-down are over then."""
        self.rest_ms = 0
        """So long inputs must have stood still."""
        self.still_at = NEVER
        """When they will have."""
        self.due = NEVER
        """Judged then, still or not."""
        self.worked: dict[int, list[str]] = {}
        """By gutter: stations known to have worked on it."""
        self.known = 0
        """Moves up to this number are of earlier boots."""
        self.unverified: set[int] = set()
        """Gutters in lanes that no sensor and no person has confirmed since power-up."""
        self.stale: set[int] = set()
        """Numbers of open moves that a later one of the same gutter has overtaken."""
        self.again_at = NEVER
        """When what is asked is looked at again."""
        self.settled_ids: set[str] = set()
        """Questions that a person has answered."""
        self.questions: dict[str, Question] = {}
        self.moves: dict[int, tuple[Move, str, str]] = {}
        """By number: the move that was under way, its verdict, why."""
        self._points = rest.points_of(line)
        self._telling = self._points | {line.ends.turnout.taken}
        """Inputs that can end a question."""
        self._still_ms, self._least_ms = rest.times_of(line)
        takeover.take_over(self, start)
        if start.clock:
            self.questions[CLOCK] = of_the_clock(start.clock)
        if not (start.slots or start.inside or start.moves or start.reserved):
            self.phase = "judged"  # the record has nothing in it: there is nothing to judge

    @property
    def judged(self) -> bool:
        """Every move that was under way has been looked at."""
        return self.phase == "judged"

    # one scan ----------------------------------------------------------------------------------

    def step(self, changed: list[int], now: int) -> None:
        """Wait for the devices, for rest; judge once; look again while a question stands."""
        if self.phase == "judged":
            if self.questions:
                self._ask_again(changed, now)
            return
        if self.phase == "waiting":
            if not self.line.polled:
                return
            self.phase = "settling"
            least_ms = 0
            if self.line.open_moves or any(part.gutter for part in self.line.parts):
                self.rest_ms, least_ms = self._still_ms, self._least_ms
            self.least_at = now + least_ms
            self.still_at = now + self.rest_ms
            self.due = self.least_at + RESTLESS_MS
            self.line.changed = True
        elif self._points.intersection(changed):
            self.still_at = now + self.rest_ms  # something at the machine moved
            self.line.changed = True
        if now < self.least_at or not self.line.devices_good():
            return
        if now >= self.due or (now >= self.still_at and not self.line.inputs.pending):
            self._judge()

    def _judge(self) -> None:
        """Downstream first: what a move has brought is gone from where it came."""
        self.phase = "judged"
        self.least_at = self.still_at = self.due = NEVER
        self.line.changed = True
        takeover.sort_out(self)
        for part in self._in_order():
            self.look(part)
        for lane in self.line.lanes.lanes:
            rows.between_levels(self, lane)
        takeover.release_unused(self)
        takeover.left_over(self)
        self.rings()

    def _in_order(self) -> list[Part]:
        ends = self.line.ends
        return [
            ends.turnout, ends.outfeed, ends.infeed, *reversed(ends.belts), *self.line.lanes.lanes
        ]  # fmt: skip

    def look(self, part: Part) -> None:
        """Judge one part, by the rules of its kind."""
        if isinstance(part, TurnOut):
            handing.judge(self, part)
        elif isinstance(part, Carriage):
            arms.judge(self, part)
        elif isinstance(part, Conveyor):
            belts.judge(self, part)
        elif isinstance(part, Lane):
            rows.judge(self, part)

    def _ask_again(self, changed: list[int], now: int) -> None:
        """What is asked is looked at again: the sensors may settle it by themselves."""
        for question in [q for q in self.questions.values() if _of_people(q)]:
            part = self.line.stations[question.part]
            if part.state != "partial":
                self.close(question, "a person has decided it")
        if self.questions and "recovery" not in self.line.alarms.standing:
            self.rings()
        if self._telling.intersection(changed):
            self.again_at = now + AGAIN_MS
            self.line.changed = True
        elif now >= self.again_at:
            self.again_at = NEVER
            self.line.changed = True
            for name in sorted({q.part for q in self.questions.values()} - OF_NO_PART):
                part = next(part for part in self.line.parts if part.name == name)
                self.look_again(part)

    def look_again(self, part: Part) -> None:
        """Judge a part anew that has questions; those it no longer asks have ended."""
        before = dict(self.questions)
        mine = [q for q in before.values() if q.part == part.name and not _of_people(q)]
        for question in mine:
            del self.questions[question.id]
        if mine:
            self.look(part)
        for name in self.questions.keys() - before.keys():
            del self.questions[name]  # what comes up later is the running line's business
        for question in mine:
            if question.id not in self.questions:
                self.close(question, "the sensors show it now")

    def corrected(self, lane: Lane, place: str) -> None:
        """A person has said what stands in that slot."""
        for question in list(self.questions.values()):
            if question.place == place:
                self.answered(question, "a person has corrected the slot")
        self.look_again(lane)

    def answered(self, question: Question, how: str) -> None:
        """A person's answer was taken: it is not asked again."""
        self.settled_ids.add(question.id)
        self.close(question, how)

    def asked_move(self, gutter: int) -> int:
        """Number of the move of that gutter that is asked about; 0 for none."""
        for number, (move, verdict, _) in self.moves.items():
            if move.gutter == gutter and verdict == "asked" and number in self.line.open_moves:
                return number
        return 0

    # what judges say ---------------------------------------------------------------------------

    def open_move(self, *kinds: str, gutter: int = 0, source: str = "") -> Move | None:
        """The open move of an earlier boot of one of these kinds, by gutter or by source."""
        for move in self.line.open_moves.values():
            if move.number > self.known or move.number in self.stale or move.kind not in kinds:
                continue
            if (gutter and move.gutter == gutter) or (source and move.source == source):
                return move
        return None

    def verdict(self, move: Move, verdict: str, why: str) -> None:
        """What became of a move: done, not_done, under_way (it goes on after a start) or asked."""
        self.moves[move.number] = (move, verdict, why)
        self.line.changed = True

    def done(self, move: Move, why: str) -> None:
        """It was done: told to the record as a word of this boot."""
        self.verdict(move, "done", why)
        self.line.complete(move.number)

    def not_done(self, move: Move, why: str) -> None:
        """It was not done, and will not be: another number is taken when it is tried again."""
        self.verdict(move, "not_done", why)
        self.line.abandon(move.number)

    def interrupted(self, part: Part, back: str, text: str, fault: str = "cut") -> None:
        """A part stands in the middle of a step, and takes it up again when it may; a lane that a
        person has locked, when that person unlocks it."""
        part.back, part.fault = back, fault
        if part.state != "out_of_service":
            part.stand("faulted")
        self.line.alarms.raise_(f"{part.name}.{fault}", "high", f"{part.name}: {text}")

    def ask(self, question: Question) -> None:
        """A person has to say; units do not start meanwhile."""
        if question.id in self.settled_ids:
            return
        self.questions[question.id] = question
        self.line.changed = True

    def close(self, question: Question, how: str) -> None:
        """A question has been answered, or has ended by itself."""
        self.questions.pop(question.id, None)
        self.line.note(f"{question.id}: no longer asked, {how}", question.part)
        station = self.line.stations.get(question.part)
        if station is self.line.ends.infeed:
            self.look(self.line.ends.turn)  # it waited for what became of the pick
        elif question.id.endswith(belts.BETWEEN):
            assert isinstance(station, Conveyor) and station.upstream is not None
            self.look(station.upstream)  # it waited for which of the two has the gutter
        self.rings()

    def rings(self) -> None:
        """The alarm says the first question that stands, or none."""
        if self.questions:
            first = next(iter(self.questions.values()))
            standing = self.line.alarms.standing.get("recovery")
            if standing is not None and standing.text != first.text:
                self.line.alarms.clear("recovery")  # the next question rings for itself
            self.line.alarms.raise_("recovery", "high", first.text)
        else:
            self.line.alarms.clear("recovery")

    def next_due(self) -> int:
        """When it goes on by itself."""
        if self.phase != "settling":
            return self.again_at if self.questions else NEVER
        due = min(self.due, max(self.least_at, self.still_at))
        return due if due > self.line.now else NEVER  # past it, only an input is waited for

    # what others ask ---------------------------------------------------------------------------

    def bars(self) -> str | None:
        """Why no unit may be started yet; None if nothing speaks against it."""
        if self.phase == "waiting":
            return "not every device has answered since power-up: positions are not verified"
        if self.phase == "settling":
            return "since power-up the machine is not yet at rest: positions are not verified"
        for question in self.questions.values():
            return f"a question waits for its answer: {question.text} (answer {question.id} …)"
        return None

    def confirm(self, gutter: int) -> None:
        """Sensors or a person have shown that this gutter is where the record has it."""
        if self.unverified:
            self.unverified.discard(gutter)

    def tell(self, question: Question, choice: str, by: str) -> None:
        """An answer, for the record: who, when, what."""
        data = {"question": question.id, "choice": choice, "by": by, "text": question.text}
        text = f"{question.id}: {choice}, says {by}"
        self.line.emit(Event(self.line.now, "answer", question.part, text, data))


def _of_people(question: Question) -> bool:
    """No sensor settles it."""
    return question.id.endswith(".partial")
