"""Looks at the running controller while a person acts: edges of one input, and what else moved."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from linectl.commission.controller import Change, Commanded, Look
from linectl.commission.person import Reading
from linectl.errors import LinectlError
from linectl.site.model import Site

SETTLE_MS = 300
"""After an edge: so long is looked at what follows it, chatter and other points."""
INSTEAD_MS = 1500
"""Another input has moved and the armed one has not for so long: it moved instead."""
CHATTER_MS = 200
"""Edges of one contact that follow each other faster are not a person's acts (common practice, no
source)."""


@dataclass
class Seen:
    """What moved in one watch."""

    edges: list[Change] = field(default_factory=list)
    """Of the armed point, in order."""
    others: dict[str, Change] = field(default_factory=dict)
    """Other inputs, each with its first change."""
    lost: bool = False
    """The controller had more changes than it keeps."""
    broken_off: bool = False
    """The person had enough."""
    silent: dict[str, None] = field(default_factory=dict)
    """Devices that fell silent meanwhile: what cannot be read has not moved."""

    @property
    def instead(self) -> tuple[str, ...]:
        """Inputs that moved while the armed one did not."""
        return () if self.edges else tuple(self.others)


class Lookout:
    """The controller as a checkout sees it, one look after the other.

    Raises LinectlError if the controller runs with other files than the site has now, and
    NoController if there is none any more.
    """

    def __init__(
        self,
        site: Site,
        controller: Commanded,
        pause: Callable[[], None],
        give_up: Callable[[], bool],
    ) -> None:
        self.site, self.controller = site, controller
        self._pause, self._give_up = pause, give_up
        self._inputs = {p.tag for p in site.points if p.is_bool and p.direction == "in"}
        self._device = {point.tag: point.device for point in site.points}
        self.points: Mapping[str, Reading] = {}
        self._number = -1
        self.now_ms = 0
        self.scan_ms = site.file.scan_ms
        self.look()

    def look(self) -> Look:
        """One look; its changes are those since the last one."""
        look = self.controller.look(self._number)
        if look.site_digest != self.site.digest:
            raise LinectlError(
                f"the controller runs with other files ({look.site_digest[:12]}) than stand in"
                f" {self.site.folder} ({self.site.digest[:12]}); start it again, then check out"
            )
        if look.number < self._number or look.now_ms < self.now_ms:  # it was started again
            look = self.controller.look(-1)
        self.points, self._number, self.now_ms = look.points, look.number, look.now_ms
        self.scan_ms = look.scan_ms
        return look

    def status(self) -> Mapping[str, Any]:
        return self.controller.status()

    def next_look(self) -> Look:
        """A look after the usual pause."""
        self._pause()
        return self.look()

    def enough(self) -> bool:
        """True once if the person broke off."""
        return self._give_up()

    def arm(self) -> dict[str, Reading]:
        """The values from which edges are counted."""
        self.look()
        return dict(self.points)

    def edge(
        self,
        tag: str,
        before: Mapping[str, Reading],
        wait_ms: int,
        by_itself: Collection[str] = (),
    ) -> Seen:
        """Wait for an edge of `tag` away from its value `before`, and see what follows it.

        by_itself: inputs that move whether the person acts or not; they say nothing.
        """
        seen, last = Seen(), dict(before)
        end_ms = self.now_ms + wait_ms
        instead_ms: int | None = None
        while self.now_ms < end_ms and not seen.edges:
            if self.enough():
                seen.broken_off = True
                return seen
            self._note(seen, tag, last, self.next_look())
            for name in by_itself:
                seen.others.pop(name, None)
            if seen.others and not seen.edges:
                instead_ms = instead_ms or self.now_ms
                if self.now_ms - instead_ms >= INSTEAD_MS:
                    return seen
        if seen.edges:
            self._settle(seen, tag, last)
        return seen

    def back(self, moved: Mapping[str, Change], wait_ms: int) -> tuple[str, ...]:
        """Those of what moved that move back when the person lets go."""
        end_ms = self.now_ms + wait_ms
        back: dict[str, None] = {}
        while self.now_ms < end_ms and len(back) < len(moved) and not self.enough():
            for change in self.next_look().changes:
                then = moved.get(change.tag)
                if then is not None and change.value not in (None, then.value):
                    back[change.tag] = None
                    end_ms = min(end_ms, self.now_ms + SETTLE_MS)
        return tuple(back)

    def _settle(self, seen: Seen, tag: str, last: dict[str, Reading]) -> None:
        while self.now_ms < seen.edges[-1].at_ms + SETTLE_MS:
            self._note(seen, tag, last, self.next_look())

    def _note(self, seen: Seen, tag: str, last: dict[str, Reading], look: Look) -> None:
        seen.lost = seen.lost or look.lost
        for change in look.changes:
            if change.tag not in self._inputs:
                continue
            if change.value is None:
                seen.silent[self._device[change.tag]] = None
                continue
            before, last[change.tag] = last.get(change.tag), change.value
            if before is None or before == change.value:
                continue
            if change.tag == tag:
                seen.edges.append(change)
            else:
                seen.others.setdefault(change.tag, change)


def chatter_of(edges: list[Change]) -> int:
    """How many edges of one contact came too fast for a person's acts; 0 for a clean one."""
    fast = [one for one, after in pairwise(edges) if after.at_ms - one.at_ms < CHATTER_MS]
    return len(fast) + 1 if fast else 0
