"""Mistakes in the wires: what is true stays true, what the registers show or do is wrong."""

from __future__ import annotations

import shutil
import struct
from pathlib import Path

import pytest

import linectl_sim
from linectl.errors import UsageError
from linectl.registers.codec import decode
from linectl.site.faults import miswirings, swappable
from linectl.site.load import load_site
from linectl_sim.serve_device import ServedDevice

ROOT = Path(__file__).parents[2]
READ_INPUT, READ_HOLDING, WRITE_REGISTERS = 4, 3, 16


def miswire(hand, tag: str, kind: str, **options) -> None:
    hand.plant.do("miswire", tag, kind=kind, **options)


def truth(hand, tag: str):
    return hand.plant.world.points.truth[hand.tags[tag]]


def effect(hand, tag: str):
    return hand.plant.world.outputs.effect[hand.tags[tag]]


# inputs


def test_a_dead_point_reads_0_whatever_the_sensor_sees(hand) -> None:
    miswire(hand, "tamp.press_up", "dead")
    assert truth(hand, "tamp.press_up") and hand.value("tamp.press_up") is False
    hand.plant.do("hold sensor", "tamp.press_up", value=True)
    assert hand.value("tamp.press_up") is False


def test_an_inverted_contact_tells_the_contrary_also_of_a_hand_at_the_sensor(hand) -> None:
    miswire(hand, "fill.exit_eye", "inverted")
    assert hand.value("fill.exit_eye") is True and truth(hand, "fill.exit_eye") is False
    hand.plant.do("hold sensor", "fill.exit_eye", value=True)
    assert hand.value("fill.exit_eye") is False
    hand.plant.do("let go", "fill.exit_eye")
    assert hand.value("fill.exit_eye") is True


def test_a_hand_at_one_of_two_swapped_sensors_shows_at_the_other(hand) -> None:
    miswire(hand, "fill.entry_eye", "swapped", other="fill.exit_eye")
    hand.plant.do("hold sensor", "fill.entry_eye", value=True)
    assert (hand.value("fill.entry_eye"), hand.value("fill.exit_eye")) == (False, True)
    hand.plant.do("put wires right", "fill.exit_eye")
    assert (hand.value("fill.entry_eye"), hand.value("fill.exit_eye")) == (True, False)


def test_wires_are_swapped_before_the_io_list_inverts(tmp_path, hand) -> None:
    folder = shutil.copytree(ROOT / "config" / "small", tmp_path / "small")
    table = (folder / "io.csv").read_text().split("\n")
    at = next(n for n, row in enumerate(table) if row.startswith("fill.exit_eye,"))
    cells = table[at].split(",")
    cells[table[0].split(",").index("invert")] = "true"
    table[at] = ",".join(cells)
    (folder / "io.csv").write_text("\n".join(table))
    hand.plant = linectl_sim.open(load_site(folder), seed=1)
    # at its terminal the inverted eye is closed without a gutter, the plain one open
    assert (hand.value("fill.entry_eye"), hand.value("fill.exit_eye")) == (False, True)
    miswire(hand, "fill.entry_eye", "swapped", other="fill.exit_eye")
    assert (hand.value("fill.entry_eye"), hand.value("fill.exit_eye")) == (True, False)


def test_a_scale_off_by_ten_shows_ten_times_the_reference_until_the_register_is_full(hand) -> None:
    hand.plant.do("hold sensor", "seed.vacuum", value=9.5)
    miswire(hand, "seed.vacuum", "scale")
    assert hand.value("seed.vacuum") == pytest.approx(95)
    hand.plant.do("hold sensor", "seed.vacuum", value=80)
    assert hand.value("seed.vacuum") == pytest.approx(655.35)  # 65535 hundredths, no more
    hand.plant.do("put wires right", "seed.vacuum")
    miswire(hand, "seed.vacuum", "scale", by=0.1)
    assert hand.value("seed.vacuum") == pytest.approx(8)


def test_a_position_with_its_words_the_wrong_way_round_is_nowhere(hand) -> None:
    miswire(hand, "infeed.position", "word_order")
    hand.plant.do("hold sensor", "infeed.position", value=1500)
    assert hand.value("infeed.position") == 1500 << 16
    hand.plant.do("hold sensor", "infeed.position", value=-2)  # FFFF FFFE → FFFE FFFF
    assert hand.value("infeed.position") == -65537


def test_a_counter_with_its_words_the_wrong_way_round_counts_in_65536s(hand) -> None:
    miswire(hand, "water.flow_pulses", "word_order")
    hand.plant.do("hold sensor", "water.flow_pulses", value=3)
    assert hand.value("water.flow_pulses") == 3 << 16


def test_a_broken_wire_reads_0_and_a_mended_one_what_is_true(hand) -> None:
    full_l = hand.value("fill.hopper_level")
    hand.plant.do("break wire", "fill.hopper_level")
    hand.plant.do("hold sensor", "fill.hopper_level", value=77)
    assert hand.value("fill.hopper_level") == 0
    hand.plant.do("mend wire", "fill.hopper_level")
    assert hand.value("fill.hopper_level") == 77
    hand.plant.do("let go", "fill.hopper_level")
    assert hand.value("fill.hopper_level") == full_l


def test_a_mistake_at_a_card_without_supply_is_nothing(hand) -> None:
    miswire(hand, "fill.exit_eye", "inverted")
    hand.plant.do("fault", "io_sower", kind="supply_lost")
    assert hand.value("fill.exit_eye") is False
    hand.plant.do("repair", "io_sower")
    assert hand.value("fill.exit_eye") is True


# outputs


def test_with_swapped_outputs_commanding_one_moves_the_other(hand) -> None:
    hand.warn()
    miswire(hand, "turn.to_0", "swapped", other="turn.to_90")
    hand.set("turn.to_90")
    hand.wait(2000)
    assert hand.value("turn.at_0") and effect(hand, "turn.to_0")  # held at the stop where it is
    hand.off("turn.to_90")
    hand.set("turn.to_0")
    hand.until("turn.at_90")
    assert hand.rules() == []


def test_an_inverted_output_works_while_it_is_off_but_not_without_power(hand) -> None:
    hand.warn()
    miswire(hand, "tamp.brush", "inverted")
    hand.wait(100)
    assert hand.value("tamp.brush") is False and hand.value("tamp.brush_running") is True
    hand.set("tamp.brush")
    hand.wait(100)
    assert hand.value("tamp.brush_running") is False
    hand.off("tamp.brush")
    hand.plant.do("cut power", for_ms=5000)
    hand.wait(1000)
    assert not effect(hand, "tamp.brush")


def test_a_dead_output_moves_nothing_and_reads_back_as_written(hand) -> None:
    hand.warn()
    miswire(hand, "tamp.press", "dead")
    hand.set("tamp.press")
    hand.wait(9000)
    assert hand.value("tamp.press") is True and hand.value("tamp.press_up") is True


def test_the_hard_wired_cut_is_the_actuators_whichever_register_commands_it(hand) -> None:
    hand.warn()
    miswire(hand, "tamp.brush", "swapped", other="sowing.beacon")
    hand.set("sowing.beacon")
    hand.wait(100)
    assert hand.value("tamp.brush_running")
    hand.plant.do("open", "fill")
    hand.wait(200)
    assert not hand.value("tamp.brush_running")


def test_a_set_point_off_by_ten_drives_ten_times_as_fast(hand) -> None:
    miswire(hand, "fill.speed", "scale")
    hand.speed("fill")
    assert hand.value("fill.speed") == 250 and effect(hand, "fill.speed") == 2500


def test_a_carriage_sent_nowhere_ends_at_its_stop_with_the_limit_gone(hand) -> None:
    hand.warn()
    miswire(hand, "infeed.target", "word_order")
    hand.set("infeed.target", 3000)
    hand.set("infeed.run")
    hand.until("infeed.running")
    hand.until("infeed.running", False)
    assert hand.value("infeed.limits_ok") is False
    assert hand.value("infeed.position") < 10_000


# on the wire


def asked(device: ServedDevice, function: int, address: int, count: int) -> tuple[int, ...]:
    answer = device.request(struct.pack(">BHH", function, address, count), 0)
    return struct.unpack(f">{count}H", answer[2:])


def served(hand, name: str) -> ServedDevice:
    site = hand.plant.site
    return ServedDevice(name, site.file.devices[name], site.points, hand.plant)


def test_the_words_on_the_wire_are_the_wrong_way_round(hand) -> None:
    hand.plant.do("hold sensor", "infeed.position", value=70_000)
    device = served(hand, "axis_infeed")
    assert asked(device, READ_INPUT, 1, 2) == (1, 4464)
    miswire(hand, "infeed.position", "word_order")
    assert asked(device, READ_INPUT, 1, 2) == (4464, 1)
    # what a controller makes of them that goes by the IO list
    point = hand.plant.site.points[hand.tags["infeed.position"]]
    assert decode(point, (4464, 1)) == hand.value("infeed.position")


def test_a_set_point_written_over_the_wire_arrives_with_its_words_swapped(hand) -> None:
    miswire(hand, "infeed.target", "word_order")
    device = served(hand, "axis_infeed")
    device.request(struct.pack(">BHHBHH", WRITE_REGISTERS, 0, 2, 4, 0, 5), 0)
    assert asked(device, READ_HOLDING, 0, 2) == (0, 5)
    assert effect(hand, "infeed.target") == 5 << 16


# what can be


def test_every_mistake_that_can_be_made_at_any_point_is_made_and_put_right(small) -> None:
    points, plant = small.points, linectl_sim.open(small, 1)
    for point in points:
        inputs = [p.index for p in points if p.direction == point.direction == "in"]
        before = [plant.read(index) for index in inputs]
        effects = list(plant.world.outputs.effect)
        for kind in miswirings(point):
            others = [p.tag for p in points if swappable(point, p)]
            if kind == "swapped" and not others:
                continue
            other = {"other": others[0]} if kind == "swapped" else {}
            plant.do("miswire", point.tag, kind=kind, **other)
            plant.do("put wires right", point.tag)
        assert [plant.read(index) for index in inputs] == before, point.tag
        assert list(plant.world.outputs.effect) == effects, point.tag


@pytest.mark.parametrize(
    ("tag", "options", "told"),
    [
        ("fill.exit_ey", {"kind": "dead"}, "fill.exit_eye"),
        ("fill.exit_eye", {"kind": "scale"}, "cannot be 'scale'; possible: swapped"),
        ("seed.vacuum", {"kind": "word_order"}, "cannot be 'word_order'"),
        ("seed.vacuum", {"kind": "inverted"}, "cannot be 'inverted'"),
        ("seed.vacuum", {"kind": "scale", "by": 1}, "not 1"),
        ("fill.exit_eye", {"kind": "swapped"}, "with which other point"),
        ("fill.exit_eye", {"kind": "swapped", "other": "fill.exit_eye"}, "cannot be swapped"),
        ("fill.exit_eye", {"kind": "swapped", "other": "fill.run"}, "cannot be swapped"),
        ("fill.exit_eye", {"kind": "swapped", "other": "seed.vacuum"}, "cannot be swapped"),
        ("seed.vacuum", {"kind": "swapped", "other": "seed.seed_counter"}, "cannot be swapped"),
    ],
)
def test_a_mistake_that_cannot_be_made_is_refused(hand, tag, options, told) -> None:
    with pytest.raises(UsageError, match=told):
        hand.plant.do("miswire", tag, **options)


def test_wires_that_are_swapped_are_not_swapped_with_a_third(hand) -> None:
    miswire(hand, "fill.entry_eye", "swapped", other="fill.exit_eye")
    with pytest.raises(UsageError, match="swapped already"):
        miswire(hand, "tamp.entry_eye", "swapped", other="fill.exit_eye")


def test_the_bench_sees_what_the_wire_shows(shift) -> None:
    run = shift("small", start=False)
    tags = run.plant.site.tags

    def seen(tag: str):
        run.run(f"{run.rehearsal.bench.now + 2000}ms")
        return run.line.inputs.value[tags[tag]]

    run.do("miswire", "infeed.position", kind="word_order")
    run.do("miswire", "seed.vacuum", kind="scale", by=100)
    run.do("hold sensor", "infeed.position", value=4)
    run.do("hold sensor", "seed.vacuum", value=60)
    assert seen("infeed.position") == 4 << 16
    assert seen("seed.vacuum") == pytest.approx(655.35)
