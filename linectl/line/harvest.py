"""The turn-out: takes a gutter from the outfeed carriage, turns it, hands it to packing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.line.inputs import NEVER
from linectl.line.part import Part, fault_rows
from linectl.line.tables import table
from linectl.site import machine

if TYPE_CHECKING:
    from linectl.line.line import Line
    from linectl.line.units import Unit

STRAY_MS = 2_000


class TurnOut(Part):
    """Receives at 90°, hands over at 0° while packing says ready, until packing says taken."""

    TABLE = table(
        "turnout",
        "empty",
        [
            ("home", "empty", "turning_back"),
            ("laid", "empty", "loaded"),
            ("turn", "loaded", "turning"),
            ("offer", "turning", "offered"),
            ("ask", "offered", "asked"),
            ("durable", "asked", "handing"),
            ("taken", "handing", "parting"),
            ("parted", "parting", "turning_back"),
            ("back", "turning_back", "empty"),
            ("gone", "loaded|offered|faulted", "empty"),
            *fault_rows("empty|loaded|turning|offered|asked|handing|parting|turning_back"),
        ],
    )
    RESTING = frozenset(("empty", "loaded", "offered", "faulted"))
    FIELDS = (*Part.FIELDS, "waiting", "took", "withheld")

    def __init__(
        self, line: Line, name: str, unit: Unit, facts: machine.TurnOut,
        packing: machine.Packing, hall: str, io: dict[str, int],
    ) -> None:  # fmt: skip
        super().__init__(line, name, unit)
        self.facts = facts
        self.packing = packing
        self.hall = hall
        self.took = False
        """Packing has said, or a person for it, that it has the gutter."""
        self.withheld = False
        """Since a power cut nothing is offered: packing's belt runs on the offer, and nobody has
        been warned yet."""
        self.waiting = False
        """A gutter is offered and packing is not ready."""
        self.edge_ms = (facts.length_mm - facts.exit_eye_mm) * 1000 // facts.speed_mm_s
        """From the exit eye to the table's edge."""
        self.at_0, self.at_90 = io[f"{name}.at_0"], io[f"{name}.at_90"]
        self.centred, self.clear = io[f"{name}.centred"], io[f"{name}.swept_clear"]
        self.exit, self.running = io[f"{name}.exit_eye"], io[f"{name}.running"]
        self.ready, self.taken = io[f"{hall}.ready"], io[f"{hall}.taken"]
        run, to_0, to_90 = (line.bit(io[f"{name}.{role}"]) for role in ("run", "to_0", "to_90"))
        self.offer = line.bit(io[f"{hall}.offer"])
        line.set_point(io[f"{name}.speed"], facts.speed_mm_s)
        self._demands = {"turning": to_0, "turning_back": to_90, "handing": run | self.offer}
        self.mask = run | to_0 | to_90

    def holds(self) -> int:
        """The offer stays until packing has the gutter: a belt nobody hears may still run on."""
        handing = self.state == "handing" or (self.state == "faulted" and self.back == "handing")
        return self.offer if handing and not self.took and not self.withheld else 0

    def resume(self, now: int) -> None:
        self.withheld = False
        super().resume(now)

    def receives(self) -> bool:
        """True when a gutter may be laid on it."""
        inputs = self.line.seen
        turned = inputs.on[self.at_90] and inputs.off[self.at_0]
        return self.state == "empty" and turned and inputs.off[self.centred]

    def received(self, gutter: int) -> None:
        """The carriage has laid a gutter and withdrawn."""
        self.gutter = gutter
        self.go("laid")

    def _moving(self) -> bool:
        return self.unit is not None and self.unit.moving

    def _empty(self, now: int) -> None:
        inputs = self.line.seen
        if inputs.on[self.centred] and not self.line.outfeed_at_turnout():
            if self.act_at == NEVER:
                self.act_at = now + STRAY_MS
            elif now >= self.act_at:
                self.fail(
                    "stray",
                    f"{self.name}: a gutter lies there that the ledger does not have",
                )
            return
        self.act_at = NEVER
        if not inputs.on[self.at_90] and self._moving() and inputs.on[self.clear]:
            self.go("home", now + self.facts.turn_timeout_ms)

    def _loaded(self, now: int) -> None:
        self._watch(now)
        if self.state == "loaded" and self._moving() and self.line.seen.on[self.clear]:
            self.go("turn", now + self.facts.turn_timeout_ms)

    def _watch(self, now: int) -> None:
        if self.line.seen.off[self.centred]:
            if self.act_at == NEVER:
                self.act_at = now + STRAY_MS
            elif now >= self.act_at:
                self.fail(
                    "lost",
                    f"{self.name}: gutter {self.gutter} is gone from the turn-out",
                )
        else:
            self.act_at = NEVER

    def _turning(self, now: int) -> None:
        if self.line.seen.off[self.centred]:
            self.fail(
                "centred",
                f"{self.name}: the gutter does not lie centred on the table",
            )
        elif self.line.seen.on[self.at_0] and self.line.seen.off[self.at_90]:
            self.go("offer")
        elif now >= self.due:
            self._lost("turn", "turntable at 0°")

    def _offered(self, now: int) -> None:
        self._watch(now)
        if self.state != "offered":
            return
        inputs = self.line.seen
        ready = inputs.on[self.ready] and inputs.off[self.taken]
        waiting = not ready
        if waiting is not self.waiting:
            self.waiting = waiting
            self.line.note_wait("harvest", waiting, self._not_ready())
        if ready and self.unit is not None and self.unit.may_start:
            self.number = self.intend("handover", self.gutter, self.name, self.hall)
            self.go("ask", now + self.line.ledger_ack_ms)

    def _not_ready(self) -> str:
        return f"{self.hall} not ready"

    def _handing(self, now: int) -> None:
        """Packing's word counts when the tail has passed the exit eye and the edge beyond it."""
        inputs = self.line.seen
        if not (inputs.off[self.exit] and inputs.off[self.centred]):
            self.act_at = NEVER
        elif self.act_at == NEVER:
            self.act_at = now + self.edge_ms
        if now >= self.act_at and (self.took or inputs.on[self.taken]):
            self.took = False
            self.line.complete(self.number)
            record = self.line.gutters.pop(self.gutter)
            self.line.scale.handed(record.id, record.crop, now)
            self.gutter = 0
            self.go("taken", now + self.packing.handover_timeout_ms)
        elif now >= self.due:
            self._lost("handover", "packing's word that it has the gutter")

    def _parting(self, now: int) -> None:
        if self.line.seen.off[self.taken] and self.line.seen.off[self.running]:
            self.go("parted", now + self.facts.turn_timeout_ms)
        elif now >= self.due:
            self._lost("handshake", "packing taking back its word")

    def _turning_back(self, now: int) -> None:
        if self.line.seen.on[self.at_90] and self.line.seen.off[self.at_0]:
            self.go("back")
        elif now >= self.due:
            self._lost("turn", "turntable at 90°")

    def handed_over(self) -> bool:
        """A person says that packing has the gutter; False if that is not what is waited for."""
        if self.back != "handing" or self.state != "faulted":
            return False
        self.took = True
        return True

    def removed(self) -> int:
        """A person or packing has taken the gutter; returns its id."""
        gutter, self.gutter = self.gutter, 0
        self.back = ""
        self.fault = ""
        self.go("gone")
        return gutter

    def timeout(self, state: str) -> int:
        if state == "asked":
            return self.line.ledger_ack_ms
        if state in ("handing", "parting"):
            return self.packing.handover_timeout_ms
        return self.facts.turn_timeout_ms

    def wait(self) -> tuple[bool, str] | None:
        if self.state == "offered" and self.waiting:
            return True, self._not_ready()
        return None

    def _lost(self, fault: str, proof: str) -> None:
        self.fail(fault, self.missing(proof))
