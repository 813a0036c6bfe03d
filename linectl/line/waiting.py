"""What waits for what: sowing and harvest for each other, a wet gutter for its lane, a tail for
its age."""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.line.inputs import NEVER
from linectl.line.lanebook import lanes_text

if TYPE_CHECKING:
    from linectl.line.line import Line


class Waiting:
    """Looks at all parts once a scan; what only one part waits for is that part's own business."""

    FIELDS = ("mutual_due",)

    def __init__(self, line: Line) -> None:
        self._line = line
        self.mutual_due = NEVER
        """When two units that wait for each other have done so for a takt."""

    def step(self, now: int) -> None:
        """After the stations of this scan."""
        self._mutual_wait(now)
        self._wet_limit(now)

    def next_due(self) -> int:
        """The earliest time at which one of these waits is over."""
        return min(self.mutual_due, self._ripe_due(), self._wet_due())

    def _ripe_due(self) -> int:
        """When the next unripe tail, or what comes there, becomes ripe: a choice changes then."""
        line = self._line
        due = NEVER
        for lane in line.lanes.lanes:
            record = line.gutters.get(lane.next_out())
            if record is not None and line.now < record.ripe_at < due:
                due = record.ripe_at
        return due

    def _wet_due(self) -> int:
        line = self._line
        limit = line.site.file.limits.wet_limit_ms
        wet = (line.gutters[part.gutter].wet_at for part in line.ends.wet_parts if part.gutter)
        dues = (wet_at + limit for wet_at in wet if wet_at != NEVER)
        return min((due for due in dues if due > line.now), default=NEVER)

    def _wet_limit(self, now: int) -> None:
        line = self._line
        limit = line.site.file.limits.wet_limit_ms
        for part in line.ends.wet_parts:
            record = line.gutters.get(part.gutter)
            if record is None or record.wet_at == NEVER or now < record.wet_at + limit:
                line.alarms.clear(f"{part.name}.wet")
                continue
            line.alarms.raise_(
                f"{part.name}.wet", "high",
                f"gutter {record.id} at {part.name} has stood wet longer than the limit",
            )  # fmt: skip

    def _mutual_wait(self, now: int) -> None:
        """Sowing waits for a hole that harvest will not make, and harvest for sowing."""
        line = self._line
        water, outfeed = line.ends.water, line.ends.outfeed
        crop = line.crop_in_drum
        stuck = (
            water.waiting
            and outfeed.waiting
            and bool(line.lanes.tails_waiting(line.order.wanted(now), now))
            and not line.day.sowing_text(crop)  # else it waits for a person, not for harvest
            and not any(
                crop in lane.facts.crops
                and line.day.may_sow(lane.id, crop)
                and lane.in_service()
                and lane.holes() > bool(lane.reserved)
                for lane in line.lanes.lanes
            )
        )
        if not stuck:
            self.mutual_due = NEVER
            line.alarms.clear("mutual_wait")
        elif "mutual_wait" not in line.alarms.standing:
            if self.mutual_due == NEVER:
                self.mutual_due = now + line.site.file.takt_ms
            elif now >= self.mutual_due:
                self.mutual_due = NEVER
                self._say_mutual(now)

    def _say_mutual(self, now: int) -> None:
        line = self._line
        waiting = line.lanes.tails_waiting(line.order.wanted(now), now)
        crops = ", ".join(sorted({line.gutters[lane.tail_gutter].crop for lane in waiting}))
        line.alarms.raise_(
            "mutual_wait", "high",
            f"sowing and harvest wait for each other: sowing has {line.crop_in_drum} in the drum;"
            f" harvest wants {lanes_text(waiting)} ({crops})".replace("_", " "),
        )  # fmt: skip
