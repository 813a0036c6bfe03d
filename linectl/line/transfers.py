"""A lane's transfers: the last gutter of a run goes by lift or level joint to the next run."""

from __future__ import annotations

from linectl.line.part import Part
from linectl.site.machine import Lane as LaneFacts

HOLE = 0
UNKNOWN = -1
AT_A_LEVEL = "the lift stands between its levels: bring it to one by the control at the machine"
_CARRYING = frozenset(("fetching", "loading", "carrying", "unloading", "crossing"))


class Transfers(Part):
    """The half of a lane that moves gutters from run to run; `which` is the transfer at work."""

    facts: LaneFacts
    runs: list[str]
    joints: list[str]
    slots: list[list[int]]
    which: int
    _io: dict[str, int]
    _eyes: list[tuple[int, int, int, int]]
    _joint_bits: list[dict[str, int]]

    def _fetching(self, now: int) -> None:
        transfer = self.facts.transfers[self.which]
        if transfer.kind == "level":
            self.go("level", now + transfer.timeout_ms)
        elif self._at(source=True):
            self.go("at_source", now + transfer.timeout_ms)
        elif now >= self.due:
            self.fail("lift", f"{self.joints[self.which]}: did not reach the source level")

    def _loading(self, now: int) -> None:
        inputs = self.line.seen
        if (
            inputs.on[self._joint("on_board")]
            and inputs.on[self._joint("low_clear")]
            and inputs.on[self._joint("high_clear")]
            and inputs.off[self._eyes[self.which][1]]
        ):
            self.go("loaded", now + self.facts.transfers[self.which].timeout_ms)
        elif now >= self.due:
            self.fail("load", f"{self.joints[self.which]}: gutter did not come on board")

    def _carrying(self, now: int) -> None:
        if self._at(source=False):
            full = not self.line.seen.off[self._eyes[self.which + 1][0]]
            if full and self.clear(self.which) and self.on_board(self.which):
                slot = f"{self.runs[self.which + 1]}.0"
                self.fail("unload", f"{self.joints[self.which]}: {slot} is not seen empty")
                return
            self.go("at_dest", now + self.facts.transfers[self.which].timeout_ms)
        elif now >= self.due:
            self.fail("lift", f"{self.joints[self.which]}: did not reach the far level")

    def _unloading(self, now: int) -> None:
        inputs = self.line.seen
        clear = inputs.on[self._joint("low_clear")] and inputs.on[self._joint("high_clear")]
        if inputs.off[self._joint("on_board")] and clear:
            self._arrived(now)
        elif now >= self.due:
            self.fail("unload", f"{self.joints[self.which]}: gutter did not leave the lift")

    def _crossing(self, now: int) -> None:
        if self.line.seen.on[self._joint("joint_clear")]:
            self._arrived(now)
        if self.state == "crossing" and now >= self.due:
            self.fail("cross", f"{self.joints[self.which]}: gutter did not cross the joint")

    def _arrived(self, now: int) -> None:
        inputs = self.line.seen
        if not (inputs.on[self._eyes[self.which + 1][0]] and inputs.off[self._eyes[self.which][1]]):
            if now >= self.due:
                self.fail("unload", f"{self.joints[self.which]}: gutter not seen in its slot")
            return
        self.pass_on(self.which)
        self.line.complete(self.number)
        self.go("unloaded")

    def _at(self, source: bool) -> bool:
        return self.at_level(self.which, source)

    def _joint(self, role: str) -> int:
        return self._io[f"{self.joints[self.which]}.{role}"]

    # what a transfer alters, and what shows it ---------------------------------------------------

    def pass_on(self, number: int) -> None:
        """The last gutter of a run has come to the first slot of the next."""
        self.slots[number + 1][0] = self.slots[number][-1]
        self.slots[number][-1] = HOLE

    def at_level(self, number: int, source: bool) -> bool:
        """A lift stands at the level it takes from, or at the one it gives to."""
        lift_up = self.facts.transfers[number].kind == "lift_up"
        level = "at_down" if lift_up is source else "at_up"
        return self.line.seen.on[self._io[f"{self.joints[number]}.{level}"]]

    def between_levels(self, number: int) -> bool:
        """A lift of which no switch says that it stands at a level."""
        if self.facts.transfers[number].kind == "level":
            return False
        return not (self.at_level(number, True) or self.at_level(number, False))

    def strand(self, number: int) -> None:
        """An empty lift stands between its levels, and nobody knows why: a person brings it to
        one by the control at the machine; this program moves it by no command."""
        self.which = number
        self.back, self.fault = "", "between"
        if self.state != "out_of_service":
            self.stand("faulted")
        self.line.alarms.raise_(
            f"{self.name}.between", "high",
            f"{self.name}: {self.joints[number]}: {AT_A_LEVEL}, then lane-resume",
        )  # fmt: skip

    def on_board(self, number: int) -> bool | None:
        """Whether a gutter is on a lift; None if nobody can say. A level joint holds none."""
        index = self._io.get(f"{self.joints[number]}.on_board")
        if index is None:
            return False
        inputs = self.line.seen
        return True if inputs.on[index] else False if inputs.off[index] else None

    def clear(self, number: int) -> bool:
        """Nothing lies across a joint of a transfer."""
        indices = [
            self._io.get(f"{self.joints[number]}.{role}")
            for role in ("low_clear", "high_clear", "joint_clear")
        ]
        return all(index is None or self.line.seen.on[index] for index in indices)

    def taken_off(self) -> str | None:
        """A person has taken the gutter off the transfer; None when that fits, else why not."""
        if self.state != "faulted" or self.back not in _CARRYING:
            return f"{self.name} has no gutter on a transfer that waits for a person"
        if not self.clear(self.which):
            return f"{self.joints[self.which]}: something still lies across a joint of it"
        on_board = self._io.get(f"{self.joints[self.which]}.on_board")
        if on_board is not None and not self.line.seen.off[on_board]:
            return f"{self.joints[self.which]}.on_board still sees a gutter"
        self.gutter = self.slots[self.which][-1]
        self.slots[self.which][-1] = HOLE
        self.back = self.fault = ""
        self.go("gone")
        return None

    def transfer_demand(self) -> int:
        """The lift's brake with its direction, or its belt."""
        bits = self._joint_bits[self.which]
        if self.state in ("loading", "unloading", "crossing"):
            return bits["belt"]
        if self.facts.transfers[self.which].kind == "level":
            return 0
        upward = (self.facts.transfers[self.which].kind == "lift_up") is (self.state == "carrying")
        if self._at(source=self.state == "fetching"):
            return 0
        brake = bits["brake"]
        released = self.line.seen.on[self._joint("brake_released")]
        return brake | (bits["up" if upward else "down"] if released else 0)
