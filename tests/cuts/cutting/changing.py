"""Lives in which people change the seed again and again, and the power goes in the middle of it."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from pathlib import Path
from random import Random
from typing import Any

from cutting import seen, truth
from cutting.boot import Boot
from cutting.dead import unattended
from linectl.ledger.verify import verify
from linectl.runtime.plant import open_plant
from linectl.runtime.standing import standing
from linectl.site.model import Site

STAGES = ("running_out", "emptying", "confirmed", "first")
WITHIN_MS = 240_000
"""A stage that is waited for that long and does not come is cut all the same."""
AFTER_MS = 15_000
"""A cut comes at most so long after the stage has begun: before and after people's next act."""
ASKED, CANCELLED = 0.3, 0.02
"""At each look round: a change is asked for, and taken back while the sower runs out."""
WRONG, BAD, OLD_LOT = 0.2, 0.25, 0.3
"""Shares of labels misread, of first gutters found bad, of changes to a lot the crop had before."""

HALL_RULES = frozenset(("handover_onto_occupied",))
"""A belt at the hall runs on without a controller until its watchdog acts; the other lives ask."""


class Labels:
    """Which seed there is; no two bags of different seed have one label."""

    def __init__(self, site: Site, chance: Random) -> None:
        self._crops, self._chance = list(site.crops.crops), chance
        self._count = 0
        self._had: dict[str, list[str]] = {crop: [] for crop in self._crops}

    def another(self, drum: tuple[str, str]) -> tuple[str, str]:
        """A crop and a lot that is not the one in the drum; often the same crop."""
        crop = self._chance.choice([*self._crops, drum[0]])
        had = [lot for lot in self._had[crop] if lot != drum[1]]
        if had and self._chance.random() < OLD_LOT:
            return crop, self._chance.choice(had)
        self._count += 1
        self._had[crop].append(f"{crop[:2].upper()}-{self._count}")
        return crop, self._had[crop][-1]


def changing(person: type, labels: Labels, chance: Random) -> type:
    """That person, who also changes the seed, step by step."""

    class Changer(person):  # type: ignore[misc, valid-type]
        def _look(self) -> None:
            if seen.judged(self._shift.line):
                self._change()
            super()._look()

        def _change(self) -> None:
            line, plant = self._shift.line, self._shift.plant
            change, seeder = line.changeover, plant.machine.seeder
            if line.sowing.state == "Complete":
                self._act("sowing", "reset")
            if change.stage == "none" and chance.random() < ASKED:
                self._act(
                    "sowing", "changeover", " ".join(labels.another((seeder.crop, seeder.lot)))
                )
            elif change.stage == "running_out" and chance.random() < CANCELLED:
                self._act("sowing", "changeover", "cancel")
            elif change.stage == "emptying" and seeder.lot != change.lot:
                plant.do("change seed", "seed", crop=change.crop, lot=change.lot)
            elif change.stage == "emptying":  # the next time they look round
                wrong = chance.random() < WRONG
                self._act("sowing", "hopper-changed", change.lot[1:] if wrong else change.lot)
            elif change.stage == "first":
                bad = chance.random() < BAD
                self._act("sowing", "first-gutter", "bad too thin" if bad else "good")
            elif change.gutter and line.ends.seed.gutter == change.gutter:
                if plant.places()["seed"] == change.gutter:
                    plant.do("take out", "seed")
                self._act("", "reject", "seed")

    return Changer


def live(
    site: Site, seed: int, folder: Path, person: type, cuts: int, stages: Sequence[str] = STAGES
) -> tuple[list[str], int]:
    """A life of so many cuts, each after a stage that chance has chosen; what was wrong, and how
    often the seed was changed."""
    chance = Random(f"changeover/{seed}")
    plant, path = open_plant(site, seed), str(folder / f"changeover-{seed}.db")
    stock = standing(site, 1.0)
    plant.stock(stock)
    boot = Boot(site, plant, path, chance, stock)
    labels = Labels(site, chance)
    changer = changing(person, labels, chance)
    plant.machine.seeder.lot = "FIRST"
    boot.command("", "lot", f"seed {plant.machine.seeder.crop} FIRST")
    wrong: list[str] = []
    for _ in range(cuts):
        changer(boot, first_ms=boot.bench.now + 1_000)
        wanted = chance.choice(stages)
        line = boot.line
        boot.bench.until(
            boot.bench.now + WITHIN_MS, lambda w=wanted, x=line: x.changeover.stage == w
        )
        boot.bench.run(boot.bench.now + chance.randint(0, AFTER_MS))
        boot.kill(boot.bench.now + chance.randint(0, 9))
        unattended(plant, site, chance.randint(300, 5_000), chance)
        boot = Boot(site, plant, path, chance)
        if boot.line.changeover.stage == "emptying" and not boot.line.barred("sowing"):
            wrong.append("sowing may start while the hopper is being changed")
    changer(boot, first_ms=boot.bench.now + 1_000)
    boot.bench.run(boot.bench.now + WITHIN_MS)
    boot.bench.until(boot.bench.now + 2_000, lambda: not boot.disk.waiting)
    seen.drop(boot.ledger)
    wrong += [
        f"{row['rule']} at {row['at_s']}: {row['detail']}"
        for row in plant.auditor.violations
        if row["rule"] not in truth.DEAD_RULES | HALL_RULES
    ]
    verdict = verify(path)
    wrong += [] if verdict.ok else [f"ledger verify: {verdict.first}"]
    told, changes = _told(path)
    wrong += _against_bodies(plant, told) + _boundaries(told, changes)
    return wrong, len(changes)


def _told(path: str) -> tuple[list[tuple[int, str, str | None, int]], list[int]]:
    """(gutter, crop, seed lot, when) of all that were sown in this ledger, in order; when the seed
    was confirmed as changed."""
    with sqlite3.connect(path) as connection:
        sown = connection.execute(
            "SELECT m.gutter, g.crop, l.name, m.intended_ms + m.took_ms FROM moves m"
            " JOIN gutters g ON g.id = m.gutter JOIN places p ON p.id = m.source"
            " LEFT JOIN lots l ON l.id = g.seed_lot"
            " WHERE m.kind = 3 AND p.name = 'seed' AND m.took_ms IS NOT NULL ORDER BY m.number"
        ).fetchall()
        changes = connection.execute(
            "SELECT at_ms FROM events WHERE kind = 'crop_set' ORDER BY id"
        ).fetchall()
    connection.close()
    return sown, [row[0] for row in changes]


def _against_bodies(plant: Any, told: list[tuple[int, str, str | None, int]]) -> list[str]:
    """Each gutter has in the ledger the crop and lot that fell on it."""
    bodies = {
        body.gutter: (body.crop, body.seed_lot)
        for body in plant.world.bodies
        if body.seeded_at is not None
    }
    return [
        f"gutter {gutter}: ledger {crop} {lot}, body {bodies[gutter]}"
        for gutter, crop, lot, _ in told
        if bodies.get(gutter, (crop, lot)) != (crop, lot)
    ]


def _boundaries(told: list[tuple[int, str, str | None, int]], changes: list[int]) -> list[str]:
    """The last gutter of the old seed and the first of the new, at each change."""
    wrong = []
    for at_ms in changes:
        old = [row for row in told if row[3] < at_ms][-1:]
        new = [row for row in told if row[3] >= at_ms][:1]
        if old and new and old[0][2] == new[0][2]:
            wrong.append(f"gutters {old[0][0]} and {new[0][0]} share lot {old[0][2]}")
    return wrong
