"""Packing's scale: each weight finds its gutter, and a missed one does not shift the next."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.errors import SiteError
from linectl.image import Command, Frame
from linectl.line import Line
from linectl.site.load import load_site

WEIGHING = load_site(Path(__file__).parents[1] / "weighing")
WEIGHT, WEIGHED = (WEIGHING.index(f"packing.{role}") for role in ("weight", "weighed"))


class Scales:
    """The scale of a line that is told of hand-overs by hand."""

    def __init__(self) -> None:
        self.line = Line(WEIGHING)
        good = [(p.index, True) for p in WEIGHING.points if p.direction == "in"]
        self.now = 0
        self.scan(Frame(values=[(WEIGHED, False), (WEIGHT, 0)], quality=good))
        self.line.take_events()

    def scan(self, frame: Frame | None = None, ms: int = 10) -> None:
        self.now += ms
        self.line.scan(frame or Frame(), self.now)

    def hand(self, gutter: int, crop: str = "rocket") -> None:
        self.line.scale.handed(gutter, crop, self.now)

    def weigh(self, kg: float, stands_ms: int = 1_000) -> None:
        """The weight comes a poll later than the word that it stands."""
        self.scan(Frame(values=[(WEIGHED, True)]))
        self.scan(Frame(values=[(WEIGHT, kg)]), ms=60)
        for _ in range(stands_ms // 100):
            self.scan(ms=100)
        self.scan(Frame(values=[(WEIGHED, False), (WEIGHT, 0)]))

    def told(self) -> list[tuple[int, float]]:
        events = self.line.take_events()
        return [(e.data["gutter"], e.data["kg"]) for e in events if e.kind == "gutter_weight"]


def test_a_weight_is_the_oldest_gutters_that_waits_for_one():
    scales = Scales()
    scales.hand(7)
    scales.hand(8)
    scales.weigh(0.52)
    scales.weigh(0.61)
    assert scales.told() == [(7, 0.52), (8, 0.61)]


def test_a_gutter_that_nobody_weighed_does_not_shift_the_next():
    scales = Scales()
    scales.hand(7)
    scales.scan(ms=20_500)  # beyond `within`
    scales.hand(8)
    scales.weigh(0.61)
    scales.hand(9)
    scales.weigh(0.4)
    assert scales.told() == [(8, 0.61), (9, 0.4)]
    assert scales.line.scale.status() == {
        "packing": "packing", "waiting": 0, "missed": 1, "unused": 0,
    }  # fmt: skip


@pytest.mark.parametrize("kg", [0.0, 0.09, 1.51])
def test_a_weight_that_cannot_be_is_told_and_not_used(kg):
    scales = Scales()
    scales.hand(7)  # 0.5 kg expected: 0.1 to 1.5 is believed
    scales.weigh(kg)
    events = scales.line.take_events()
    assert not [event for event in events if event.kind == "gutter_weight"]
    assert [event.text for event in events if event.kind == "note"] == [
        f"gutter 7 (rocket) weighed {kg:.3f} kg, 0.5 kg expected: not used"
    ]
    assert scales.line.scale.unused == 1


def test_a_weight_while_no_gutter_waits_is_told_and_not_used():
    scales = Scales()
    scales.weigh(0.5)
    assert scales.told() == [] and scales.line.scale.unused == 1


def test_a_weight_is_read_once_however_long_it_stands_and_not_if_it_goes_at_once():
    scales = Scales()
    scales.hand(7)
    scales.hand(8)
    scales.weigh(0.5, stands_ms=300)
    assert scales.told() == []
    scales.weigh(0.5, stands_ms=9_000)
    assert scales.told() == [(7, 0.5)]


def test_on_the_model_every_weight_is_its_own_gutters_also_when_some_are_left_out(shift):
    run = shift("weighing", site=WEIGHING)
    told = []
    record = run.rehearsal.bench.recorder.record

    def listen(moves, events) -> None:
        told.extend(event for event in events if event.kind == "gutter_weight")
        record(moves, events)

    run.rehearsal.bench.recorder.record = listen
    hall = run.plant.machine.hall
    run.rehearsal.bench.command(Command("harvest", "blend", "duo", "anna"))
    run.run("2m")
    hall.weighs = False
    run.run("3m")
    hall.weighs = True
    run.run("5m")
    true = {row["gutter"]: row["kg"] for row in run.plant.report()["packed"]}
    assert len(told) >= 5 and run.line.scale.missed >= 2
    for event in told:
        assert event.data["kg"] == pytest.approx(true[event.data["gutter"]], abs=0.0015)
    blend = run.line.order.blend
    assert sum(blend.weighed) == len(told)
    assert sum(blend.weighed_g) == pytest.approx(1000 * sum(e.data["kg"] for e in told), abs=1)


@pytest.mark.parametrize(
    ("weighing", "says"),
    [("{within: 2m}", "not shorter than the takt"), ("null", "weighing: {within")],
    ids=["within is too long", "points without a word in site.yaml"],
)
def test_a_scale_that_is_mapped_wrongly_is_refused_with_a_hint(tmp_path, weighing, says):
    (tmp_path / "site.yaml").write_text(
        f"extends: {Path(WEIGHING.folder)}\nname: wrong\n"
        f"stations: {{packing: {{weighing: {weighing}}}}}\n",
        encoding="utf-8",
    )
    with pytest.raises(SiteError) as refused:
        load_site(tmp_path)
    assert says in str(refused.value)
