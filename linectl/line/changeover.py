"""A changeover: another crop or seed lot comes into the drum, and no gutter gets some of both.

    none → running_out → emptying → confirmed → first → none

running_out: nothing is fed any more, what is inside is finished. emptying: the sower is empty and
its unit stands; people empty and change hopper and drum, and nothing may be started. confirmed:
the label was typed again, crop, lot and set-points are those of the new seed; one gutter at a time
is watered. first: that gutter stands seeded at the seed station, dry land before and behind it, and
waits for a person's verdict: good ends the changeover, bad makes the next one the first.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from linectl.image import ChangeoverLeft, Event
from linectl.line.gutters import Gutter
from linectl.line.inputs import NEVER
from linectl.line.lots import OVER, SEED
from linectl.line.toolzone import ToolZone
from linectl.site.crops import in_words

if TYPE_CHECKING:
    from linectl.line.line import Line

NONE, RUNNING_OUT, EMPTYING, CONFIRMED, FIRST = (
    "none", "running_out", "emptying", "confirmed", "first",
)  # fmt: skip
UNTOLD = -1.0
"""Seeds of a first gutter whose count is not known: the controller was cut off meanwhile."""


class Changeover:
    """How far a changeover is. `crop` and `lot` are what is changed to, `by` who asked for it."""

    FIELDS = ("stage", "crop", "lot", "by", "gutter", "seeds")

    def __init__(self, line: Line) -> None:
        self._line = line
        self.stage = NONE
        self.crop = ""
        self.lot = ""
        self.by = ""
        self.gutter = 0
        """The first gutter that stands at the seed station; in `confirmed` one found bad."""
        self.seeds = UNTOLD
        """Seeds that the counter gave for it."""

    def take_over(self, left: ChangeoverLeft | None) -> None:
        """At start: as far as the record has it."""
        if left is not None and left.crop in self._line.crops:
            self.stage, self.crop, self.lot, self.by, self.gutter, self.seeds = left

    @property
    def stands(self) -> bool:
        """True from its announcement until the first gutter is good."""
        return self.stage != NONE

    # one scan ----------------------------------------------------------------------------------

    def step(self) -> None:
        """After the stations, before the units."""
        if self.stage == NONE or not self._line.recovery.judged:
            return
        if self.stage == RUNNING_OUT:
            self._run_out()
        elif self.stage == CONFIRMED:
            self._find_first()
        elif self.stage == FIRST:
            self._keep_first()

    def _run_out(self) -> None:
        line = self._line
        unit = line.sowing
        if not self.inside() and unit.state in OVER:
            self._go(EMPTYING, "the sower is empty: hopper and drum may be changed")
        elif not self.inside() and unit.state in ("Suspended", "Held"):
            unit.command("stop", "run out for a changeover: nothing left inside")
        elif not unit.run_out and unit.state not in OVER:
            unit.run_out = line.changed = True

    def _find_first(self) -> None:
        line, seed = self._line, self._line.ends.seed
        if self.gutter and seed.gutter != self.gutter:
            self.gutter, self.seeds = 0, UNTOLD  # the bad one is off
            self._go(CONFIRMED, "the next gutter is the first again")
        elif seed.state == "done" and seed.gutter != self.gutter and self.keeps(seed.gutter):
            self.gutter = seed.gutter
            self._go(FIRST)
            line.sowing.command("hold", self.text())
            self._keep_first()

    def _keep_first(self) -> None:
        line, seed = self._line, self._line.ends.seed
        if seed.gutter != self.gutter:
            self.judged("none", "taken off before anybody had judged it", "")
            self.gutter, self.seeds = 0, UNTOLD
            self._go(CONFIRMED, "the first gutter was taken off: the next is the first")
        elif f"{seed.name}.first" not in line.alarms.standing:
            line.alarms.raise_(f"{seed.name}.first", "medium", self.text())

    # a person's acts, their terms being met -------------------------------------------------------

    def begin(self, crop: str, lot: str, by: str) -> None:
        """It is announced: nothing more is fed."""
        self.crop, self.lot, self.by, self.gutter, self.seeds = crop, lot, by, 0, UNTOLD
        self._go(RUNNING_OUT, f"changeover to {self.what()} by {by}: the sower runs out")

    def cancel(self, by: str) -> None:
        """The drum keeps what it has."""
        self._line.sowing.run_out = False
        self._go(NONE, f"changeover to {self.what()} cancelled by {by}")

    def confirm(self, by: str) -> None:
        """The new seed is in the drum: crop, lot and set-points from now on."""
        line = self._line
        if line.crop_in_drum != self.crop:
            line.interventions.overrides.crop_changed()
        line.crop_in_drum = self.crop
        line.lots.load(SEED, self.crop, self.lot, by)
        data = {"kind": SEED, "crop": self.crop, "lot": self.lot, "by": by}
        line.emit(Event(line.now, "lot", SEED, f"seed lot {self.crop} {self.lot}", data))
        text = f"{self.crop} in the drum"
        line.emit(Event(line.now, "crop_set", "sowing", text, {"crop": self.crop}))
        for belt in line.ends.belts:
            if isinstance(belt, ToolZone):
                belt.ready_for(Gutter(0, belt.name, self.crop))
        self._go(CONFIRMED, f"{self.what()} in hopper and drum, says {by}")

    def judged(self, verdict: str, text: str, by: str) -> None:
        """What was found of the first gutter, for the record; `none`: nobody has looked."""
        line = self._line
        data = {
            "gutter": self.gutter, "crop": self.crop, "lot": self.lot, "seeds": self._seeds(),
            "verdict": verdict, "text": text, "by": by,
        }  # fmt: skip
        said = f"first gutter {self.gutter} of {self.what()}: {verdict} {text}".rstrip()
        line.emit(Event(line.now, "first_gutter", f"gutter{self.gutter}", said, data))
        line.alarms.clear(f"{line.ends.seed.name}.first")

    def end(self) -> None:
        """The first gutter is good."""
        self.gutter, self.seeds = 0, UNTOLD
        self._go(NONE, f"changeover to {self.what()} done")

    def again(self) -> None:
        """The first gutter is bad: once it is off, the next one is the first."""
        self._go(CONFIRMED)

    def _go(self, stage: str, text: str = "") -> None:
        line = self._line
        self.stage = stage
        line.changed = True
        text = text or self.text()
        data = {name: getattr(self, name) for name in self.FIELDS}
        line.emit(Event(line.now, "changeover", "sowing", text, data))

    # for the stations ----------------------------------------------------------------------------

    def feeds(self) -> bool:
        """True if another gutter may be fed."""
        return self.stage not in (RUNNING_OUT, EMPTYING)

    def waters(self) -> bool:
        """True if a gutter may be watered: of the new seed one alone until it is judged."""
        if self.stage == CONFIRMED:
            return not self._line.ends.seed.gutter
        return self.stage != FIRST

    def keeps(self, gutter: int) -> bool:
        """True if that gutter stays at the seed station: sown of the new seed, not yet good."""
        return self.stage in (CONFIRMED, FIRST) and self._line.gutters[gutter].sown_at != NEVER

    def counted(self, seeds: float) -> None:
        """The counter's seeds for the gutter at the seed station."""
        if self.stage == CONFIRMED:
            self.seeds = seeds

    def kept_text(self) -> str:
        """Why the seed station keeps its gutter; or empty."""
        return self.text() if self.stage in (CONFIRMED, FIRST) and self.gutter else ""

    def bars(self) -> str | None:
        """Why sowing may not be started; None if nothing speaks against it."""
        return self.text() if self.stage == EMPTYING else None

    # for people --------------------------------------------------------------------------------

    def inside(self) -> list[str]:
        """The places of the sower that have a gutter, by the ledger."""
        return [part.name for part in reversed(self._line.sowing.parts) if part.gutter]

    def what(self) -> str:
        """What is changed to."""
        return f"{in_words(self.crop)}, lot {self.lot}"

    def text(self) -> str:
        """How far it is, and the next act."""
        what = self.what()
        if self.stage == RUNNING_OUT:
            inside = ", ".join(self.inside()) or "nothing"
            return f"changeover to {what}: the sower runs out, inside: {inside}"
        if self.stage == EMPTYING:
            return (
                f"changeover to {what}: hopper and drum are being changed; lock out before a hand"
                " goes near the drum, then hopper-changed and the lot of the new label"
            )
        if self.stage == FIRST:
            minutes = self._line.site.file.limits.wet_limit_ms / 60_000
            return (
                f"first gutter {self.gutter} of {what} waits to be looked at within {minutes:g} min"
                " of its watering: first-gutter good, or first-gutter bad and why"
            )
        seed = self._line.ends.seed.name
        if self.stage == CONFIRMED and self.gutter:
            return (
                f"gutter {self.gutter} is bad: two people take it off, then reject {seed};"
                f" the next is the first of {what} again"
            )
        if self.stage == CONFIRMED:
            return f"{what} is in the drum: the first gutter is held at {seed} to be looked at"
        return ""

    def status(self) -> dict[str, Any] | None:
        """For `status`: stage, crop, lot, by, gutter (None: no first gutter stands), seeds (None:
        not counted), inside (places with a gutter), text (the next act). None: none stands."""
        if not self.stands:
            return None
        return {
            "stage": self.stage, "crop": self.crop, "lot": self.lot, "by": self.by,
            "gutter": self.gutter or None, "seeds": self._seeds(), "inside": self.inside(),
            "text": self.text(),
        }  # fmt: skip

    def _seeds(self) -> int | None:
        return None if self.seeds < 0 else round(self.seeds)
