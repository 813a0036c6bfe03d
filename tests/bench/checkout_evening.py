"""One technician, scripted, who checks out the small line in virtual time."""

from __future__ import annotations

import datetime as dt
import shutil
from functools import cache
from pathlib import Path

from bench_field import BenchField

from linectl.commission.answers import AnswersFile, Rule, Scripted
from linectl.commission.checkout.facts import Facts
from linectl.commission.checkout.order import chosen
from linectl.commission.checkout.outcome import Terms
from linectl.commission.checkout.record import checkout_standing, read_tries
from linectl.commission.checkout.walk import Walk
from linectl.site.load import load_site

SMALL = Path(__file__).parents[2] / "config/small"
small = cache(lambda: load_site(SMALL))
START = dt.datetime(2026, 3, 31, 20, 2, tzinfo=dt.timezone(dt.timedelta(hours=2)))
USUAL = (
    Rule(when="yes, or q", say="yes"),
    Rule(when="mode maintenance", say="yes"),
    Rule(when="ONE pulse", say="{quoted}"),
    Rule(when="the right way", say="{moved}"),
    Rule(when="the device shows", say="{shown}"),
    Rule(when="at rest now", say="yes"),
    Rule(when="it is dead", say="f"),
    Rule(when="your act", say="no"),
    Rule(when="resets interlocks", say="i"),
    Rule(when="it the contact", say="yes"),
    Rule(say=""),
)
ZONE = ("estop_ok", "enabling", "horn_on", "beacon_on")


class Evening:
    """One technician at the small line: what they were told, and what the record says."""

    def __init__(self, folder: Path) -> None:
        """folder: the site's files are copied there, and the record is kept in it."""
        shutil.copytree(SMALL, folder)
        self.site = small().model_copy(update={"folder": str(folder)})
        self.facts = Facts(self.site)
        self.field = BenchField(self.site)
        self.said: list[str] = []

    def miswire(self, tag: str, kind: str, **more) -> None:
        self.field.bench.act(lambda: self.field.plant.do("miswire", tag, kind=kind, **more))

    def walk(self, *only: str, first: tuple[Rule, ...] = (), again=False, acts=None, ranges=None):
        file = AnswersFile(answers=(*first, *USUAL), acts=acts or {})
        person = Scripted(file, self.field)
        terms = Terms(
            "anna", "ben", "probe 7", lambda: START, self.field.pause, 2_000, ranges=ranges or {}
        )
        tags = chosen(self.standing, self.facts, only, again)
        try:
            return Walk(self.facts, tags, self.field, person, terms).run()
        finally:
            self.said += person.said

    @property
    def standing(self):
        return checkout_standing(self.site)

    @property
    def heard(self) -> str:
        return "\n".join(self.said)

    @property
    def tries(self):
        """What stands on the disk."""
        tries, unreadable = read_tries(Path(self.site.folder))
        assert unreadable == ()
        return tries

    def last(self, tag: str):
        return next(one for one in reversed(self.tries) if one.tag == tag)

    def zone_is_ready(self, zone: str = "sowing") -> None:
        """What protects people has passed; the stop that was pressed for it is reset."""
        self.walk(*(f"{zone}.{role}" for role in ZONE))
        self.field.command("interlock-reset", "", "anna")

    def plant(self, verb: str, part: str, **options) -> None:
        """Somebody does that at the plant."""
        self.field.bench.act(lambda: self.field.plant.do(verb, part, **options))

    @property
    def pulses(self) -> list[str]:
        """What was asked of the controller, pulse by pulse."""
        return [argument for name, argument, *_ in self.field.commanded if name == "pulse"]
