"""A gutter as a body: what lies in it, where it is, and what the controller calls it."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from linectl_sim.kernel import Entry
    from linectl_sim.singulation import Stretch


class Body:
    """One gutter. `gutter` is the controller's id once told (−1 before).

    Amounts are totals over its way through the sower: litres, millilitres, seeds. Times are ms,
    None until it happened. `head_mm` and the fields below it belong to the axis that carries it.
    """

    __slots__ = (
        "crop", "ejected_at", "entry", "from_stock", "gone", "gone_from", "gutter", "handled",
        "indexed_at", "mark", "number", "partial", "put_into", "ref_mm", "ripe_at", "seed_lot",
        "seeded_at", "seeds", "skew_mm", "sown", "sown_at", "stage", "substrate_l", "tamped",
        "water_ml", "wetted_at", "yield_kg",
    )  # fmt: skip

    def __init__(self, number: int) -> None:
        self.number = number
        self.gutter = -1
        self.crop = ""
        self.from_stock = False
        self.substrate_l = 0.0
        self.tamped = False
        self.water_ml = 0.0
        self.seeds = 0.0
        self.sown: list[Stretch] = []
        """What let seeds down on it; where they lie is drawn from that when somebody asks."""
        self.wetted_at: int | None = None
        self.seeded_at: int | None = None
        self.seed_lot = ""
        """Label of what was in the drum when it was seeded."""
        self.sown_at: int | None = None
        self.ripe_at = 0
        self.yield_kg = 0.0
        """Fresh mass that people will pack of it, kg; drawn at seeding."""
        self.indexed_at: int | None = None
        self.ejected_at: int | None = None
        self.partial: set[str] = set()
        """Processes that ended with less than their dose: substrate, water, seed."""
        self.gone = ""
        """Where it went when it left the line: packing, reject, removed, lost."""
        self.gone_from = ""
        """The place it left the line from."""
        self.put_into = ""
        """The place a person put it into, if one did."""
        self.handled = False
        """A person took it out or put it in: the controller cannot know it."""
        self.stage: object | None = None
        """The belt zone that drives it, while it lies on one."""
        self.ref_mm = 0.0
        """Head position minus its belt's travel."""
        self.mark = 0
        """Index of the next mark that its head has not reached."""
        self.skew_mm = 0.0
        """How much longer it looks to eyes while it lies skewed."""
        self.entry: Entry | None = None

    def __repr__(self) -> str:
        return f"gutter {self.gutter} (body {self.number})"
