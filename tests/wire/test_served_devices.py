"""The served plant, asked with hand-written bytes: what a real device would do, not a kind one."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from linectl.registers.frames import crc16
from linectl.site.hardware import Device, Point, RtuBus, TcpBus
from linectl.site.model import Site, SiteFile

pytestmark = pytest.mark.wire

TCP = {"kind": "tcp", "host": "127.0.0.1", "poll": "20ms", "timeout": "100ms"}
RTU = {"kind": "rtu", "port": "/dev/null", "baud": 115_200, "poll": "50ms", "timeout": "100ms"}
DEVICES: dict[str, dict[str, Any]] = {
    "hundred": {"bus": "net", "unit": 1},
    "small": {"bus": "net", "unit": 2, "max_read_registers": 4, "write": "single"},
    "gappy": {"bus": "net", "unit": 3, "gaps": True, "write": "multiple"},
    "drive": {"bus": "line", "unit": 17, "watchdog": "150ms"},
    "guarded": {
        "bus": "net",
        "unit": 4,
        "notation": "reference",
        "watchdog": "150ms",
        "heartbeat": {"address": "40101", "every": "50ms"},
        "gaps": True,
        "readable": {"holding": ["40001-40020", "40101"]},
        "holes": {"holding": ["40008-40009"]},
    },
}


def rows() -> Iterator[dict[str, Any]]:
    for address in range(100):
        yield {"device": "hundred", "direction": "out", "table": "holding", "address": address}
    for address in range(19):
        yield {"device": "hundred", "direction": "out", "table": "coil", "address": 19 + address}
    for address in range(8):
        yield {"device": "small", "direction": "out", "table": "holding", "address": address}
    yield {"device": "small", "direction": "out", "table": "coil", "address": 0}
    for address in (2, 5):
        yield {"device": "gappy", "direction": "in", "table": "input", "address": address}
    yield {"device": "gappy", "direction": "out", "table": "holding", "address": 0}
    for address in (0, 1, 2, 30):
        yield {"device": "guarded", "direction": "out", "table": "holding", "address": address}
    for address in (0x6B, 0x6C, 0x6D):
        yield {"device": "drive", "direction": "in", "table": "holding", "address": address}
    yield {"device": "drive", "direction": "out", "table": "coil", "address": 0}


def bench_site() -> Site:
    """Four devices on a network and a serial line."""
    points = []
    for index, row in enumerate(rows()):
        type_ = "bool" if row["table"] == "coil" else "u16"
        fixed = {"index": index, "line": index + 2, "tag": f"p{index}.value", "type": type_}
        points.append(Point.model_validate(fixed | row))
    return Site.model_construct(
        file=SiteFile.model_construct(
            name="bench",
            buses={"net": TcpBus.model_validate(TCP), "line": RtuBus.model_validate(RTU)},
            devices={
                name: Device.model_validate({"silent_after": "500ms", "turnaround": "1ms"} | facts)
                for name, facts in DEVICES.items()
            },
        ),
        points=tuple(points),
    )


class Tcp:
    """Raw bytes to the network side."""

    def __init__(self, port: int) -> None:
        self.link = socket.create_connection(("127.0.0.1", port), timeout=0.3)

    def ask(self, unit: int, pdu: str, transaction: int = 0x1234) -> str:
        """PDU to PDU, in hex; empty for silence."""
        body = bytes((unit,)) + bytes.fromhex(pdu)
        self.link.sendall(transaction.to_bytes(2, "big") + b"\0\0" + len(body).to_bytes(2, "big"))
        self.link.sendall(body)
        try:
            answer = self.link.recv(512)
        except TimeoutError:
            return ""
        assert answer[:4] == transaction.to_bytes(2, "big") + b"\0\0"
        assert int.from_bytes(answer[4:6], "big") == len(answer) - 6
        assert answer[6] == unit
        return answer[7:].hex(" ").upper()


class Serial:
    """Raw bytes to the serial side."""

    def __init__(self, path: str) -> None:
        self.fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)

    def ask(self, frame: str | bytes, wait_s: float = 0.15) -> str:
        """Frame to frame, in hex; empty for silence."""
        os.write(self.fd, bytes.fromhex(frame) if isinstance(frame, str) else frame)
        answer = b""
        end_s = time.monotonic() + wait_s
        while time.monotonic() < end_s:
            try:
                answer += os.read(self.fd, 512)
            except BlockingIOError:
                time.sleep(0.002)
        return answer.hex(" ").upper()


@pytest.fixture
def served(serve: Callable[..., Any]) -> Any:
    return serve(bench_site())


@pytest.fixture
def net(served: Any) -> Iterator[Tcp]:
    tcp = Tcp(served.port("net"))
    yield tcp
    tcp.link.close()


@pytest.fixture
def line(served: Any) -> Iterator[Serial]:
    serial = Serial(served.path("line"))
    yield serial
    os.close(serial.fd)


def place(site: Site, device: str, address: int) -> int:
    return next(p.index for p in site.points if p.device == device and p.address == address)


def tag(site: Site, device: str, address: int) -> str:
    return site.points[place(site, device, address)].tag


# MODBUS Application Protocol V1.1b3, 4.4 and 5.1: with 100 registers, start 96 quantity 4 is
# served, start 96 quantity 5 is exception 02.
def test_the_end_of_the_registers(net: Tcp) -> None:
    assert net.ask(1, "03 00 60 00 04") == "03 08 " + " ".join(["00"] * 8)
    assert net.ask(1, "03 00 60 00 05") == "83 02"


# V1.1b3, 6.1: coils 20-38 of the read example.
def test_the_read_coils_example(served: Any, net: Tcp) -> None:
    on = "1011 0011 1101 0110 101".replace(" ", "")
    first = next(p.index for p in served.site.points if p.table == "coil")
    for offset, bit in enumerate(on):
        served.plant.values[first + offset] = bit == "1"
    assert net.ask(1, "01 00 13 00 13") == "01 03 CD 6B 05"


# V1.1b3, 6.11: write ten coils from 20 on; the answer repeats address and quantity.
def test_the_write_coils_example(served: Any, net: Tcp) -> None:
    assert net.ask(1, "0F 00 13 00 0A 02 CD 01") == "0F 00 13 00 0A"
    first = next(p.index for p in served.site.points if p.table == "coil")
    bits = [int(served.plant.values[first + offset]) for offset in range(10)]
    assert bits == [1, 0, 1, 1, 0, 0, 1, 1, 1, 0]


# V1.1b3, 6.16: register 12h, AND F2h, OR 25h becomes 17h.
def test_the_mask_write_example(served: Any, net: Tcp) -> None:
    index = place(served.site, "hundred", 4)
    served.plant.values[index] = 0x12
    assert net.ask(1, "16 00 04 00 F2 00 25") == "16 00 04 00 F2 00 25"
    assert served.plant.values[index] == 0x17


# V1.1b3, 6.3 and 6.12 (quantity limits), 6.5 (a coil is FF00 or 0000), 7 (exceptions).
@pytest.mark.parametrize(
    ("pdu", "answer"),
    [
        ("03 00 00 00 00", "83 03"),
        ("03 00 00 00 7E", "83 03"),
        ("01 00 13 07 D1", "81 03"),
        ("05 00 13 00 01", "85 03"),
        ("10 00 00 00 01 03 00 00", "90 03"),
        ("0F 00 13 00 0A 01 CD", "8F 03"),
        ("06 00 64 00 01", "86 02"),
        ("03 FF FF 00 02", "83 02"),
        ("04 00 00 00 01", "84 02"),
        ("2B 0D 01 00", "AB 01"),
        ("2B 0E 05 00", "AB 03"),
        ("2B 0E 04 03", "AB 02"),
        ("41", "C1 01"),
        ("07", "87 01"),
    ],
)
def test_what_is_wrong_gets_its_exception(net: Tcp, pdu: str, answer: str) -> None:
    assert net.ask(1, pdu) == answer


# A unit that is not there is silent on a line behind one connection (common practice, no source).
def test_an_unknown_unit_is_silent(net: Tcp, line: Serial) -> None:
    assert net.ask(99, "03 00 00 00 01") == ""
    frame = bytes.fromhex("01 03 00 6B 00 03 74 17")
    assert line.ask(frame) == ""


# V1.02, 2.1: a request to unit 0 is for everyone, and nobody answers it.
def test_a_broadcast_gets_no_answer(line: Serial) -> None:
    frame = bytes.fromhex("00 05 00 00 FF 00")
    assert line.ask(frame + crc16(frame)) == ""


def test_a_device_has_limits_and_functions_of_its_own(net: Tcp) -> None:
    assert net.ask(2, "03 00 00 00 04").startswith("03 08")
    assert net.ask(2, "03 00 00 00 05") == "83 03"
    assert net.ask(2, "0F 00 00 00 01 01 01") == "8F 01"
    assert net.ask(3, "06 00 00 00 01") == "86 01"
    assert net.ask(3, "10 00 00 00 01 02 00 01") == "10 00 00 00 01"


def test_a_hole_is_an_exception_unless_gaps_may_be_read(net: Tcp) -> None:
    assert net.ask(3, "04 00 02 00 04") == "04 08 " + " ".join(["00"] * 8)
    assert net.ask(3, "04 00 01 00 02") == "84 02"
    assert net.ask(1, "01 00 12 00 02") == "81 02"


def test_an_input_cannot_be_written(line: Serial) -> None:
    frame = bytes.fromhex("11 06 00 6B 00 01")
    answer = line.ask(frame + crc16(frame))
    assert answer.startswith("11 86 02")


# V1.1b3, 6.3 with unit 11h and the CRCs of MODBUS over Serial Line V1.02.
def test_the_serial_read_example_and_its_crc(served: Any, line: Serial) -> None:
    for address, value in ((0x6B, 0x022B), (0x6C, 0x0000), (0x6D, 0x0064)):
        served.plant.values[place(served.site, "drive", address)] = value
    assert line.ask("11 03 00 6B 00 03 76 87") == "11 03 06 02 2B 00 00 00 64 C8 BA"


# V1.02, 2.4.1: a frame with a wrong CRC is not answered, and the next one is.
def test_a_damaged_frame_gets_no_answer_at_all(line: Serial) -> None:
    assert line.ask("11 03 00 6B 00 03 76 88") == ""
    assert line.ask("11 03 00 6B 00 03 76 87") != ""


def test_a_frame_may_come_in_pieces(line: Serial) -> None:
    os.write(line.fd, bytes.fromhex("11 03 00"))
    assert line.ask("6B 00 03 76 87").startswith("11 03 06")


def test_an_unknown_function_is_answered_after_the_silence(line: Serial) -> None:
    frame = bytes.fromhex("11 41 0E 01 00")
    assert line.ask(frame + crc16(frame)).startswith("11 C1 01")


def test_a_silent_device_says_nothing_and_takes_nothing(served: Any, net: Tcp) -> None:
    served.plant.silent.add("hundred")
    assert net.ask(1, "06 00 00 00 07") == ""
    assert served.plant.values[place(served.site, "hundred", 0)] == 0


def test_a_stream_that_is_no_modbus_is_closed(served: Any, net: Tcp) -> None:
    net.link.sendall(b"GET / HTTP/1.1\r\n\r\n")
    assert net.link.recv(16) == b""


def test_outputs_fall_when_writes_stop(
    served: Any, line: Serial, eventually: Callable[..., float]
) -> None:
    """S12: the device's own watchdog, without the controller's doing."""
    index = next(
        p.index for p in served.site.points if p.device == "drive" and p.direction == "out"
    )
    frame = bytes.fromhex("11 05 00 00 FF 00")
    line.ask(frame + crc16(frame), wait_s=0.05)
    assert served.plant.values[index] is True
    eventually(lambda: served.plant.values[index] is False, 0.5)


# The heartbeat: watchdogs as common practice has them, no source.
BEAT = "06 00 64"
"""Write register 100: 40101 as the device's manual prints it."""


def test_a_heartbeat_must_change(
    served: Any, net: Tcp, eventually: Callable[..., float], clock: Callable[[], int]
) -> None:
    """Neither other writes nor the same beat again keep the outputs from falling."""
    index = place(served.site, "guarded", 0)
    assert net.ask(4, f"{BEAT} 00 01") == f"{BEAT} 00 01"
    assert net.ask(4, "06 00 00 00 07") == "06 00 00 00 07"
    assert served.plant.values[index] == 7
    end_ms = clock() + 400
    beat = 1
    while clock() < end_ms:
        beat += 1
        net.ask(4, f"{BEAT} 00 {beat & 0xFF:02X}")
        assert served.plant.values[index] == 7
    start_ms = clock()
    while served.plant.values[index] == 7:
        assert clock() - start_ms < 500
        net.ask(4, f"{BEAT} 00 {beat & 0xFF:02X}")
        net.ask(4, "06 00 01 00 01")
    assert served.plant.values[index] == 0
    assert clock() - start_ms >= 100


def test_what_is_written_without_a_heartbeat_waits_for_it(served: Any, net: Tcp) -> None:
    index = place(served.site, "guarded", 0)
    assert net.ask(4, "06 00 00 00 07") == "06 00 00 00 07"
    assert served.plant.values[index] == 0
    assert net.ask(4, "03 00 00 00 01") == "03 02 00 07"
    assert net.ask(4, f"{BEAT} 00 01") == f"{BEAT} 00 01"
    assert served.plant.values[index] == 7
    assert net.ask(4, "03 00 64 00 01") == "03 02 00 01"


def test_declared_ranges_and_holes_bind_even_where_gaps_may_be_read(net: Tcp) -> None:
    assert net.ask(4, "03 00 00 00 07") == "03 0E " + " ".join(["00"] * 14)
    assert net.ask(4, "03 00 09 00 0B") == "03 16 " + " ".join(["00"] * 22)
    assert net.ask(4, "03 00 06 00 02") == "83 02"  # 40008 is a hole
    assert net.ask(4, "03 00 13 00 02") == "83 02"  # 40021 is outside
    assert net.ask(4, "03 00 1E 00 01") == "83 02"  # a point, but outside


def test_outputs_can_be_read_back(net: Tcp) -> None:
    assert net.ask(1, "10 00 00 00 02 04 12 34 56 78") == "10 00 00 00 02"
    assert net.ask(1, "03 00 00 00 02") == "03 04 12 34 56 78"


def test_a_write_may_be_answered_and_change_nothing(served: Any, net: Tcp) -> None:
    device = served.server.devices["hundred"]
    device.without_effect.add(tag(served.site, "hundred", 1))
    assert net.ask(1, "10 00 00 00 02 04 12 34 56 78") == "10 00 00 00 02"
    assert net.ask(1, "03 00 00 00 02") == "03 04 12 34 00 00"


def test_a_device_may_refuse_one_output_and_then_takes_nothing(served: Any, net: Tcp) -> None:
    device = served.server.devices["hundred"]
    device.refuses[tag(served.site, "hundred", 1)] = 4
    assert net.ask(1, "10 00 00 00 02 04 12 34 56 78") == "90 04"
    assert net.ask(1, "03 00 00 00 02") == "03 04 00 00 00 00"


# V1.1b3, 6.21: code, conformity (basic, also one by one), no more follows, objects 0 to 2.
def test_a_device_says_what_it_is(net: Tcp) -> None:
    objects = [(0, b"linectl model"), (1, b"hundred"), (2, b"1.0")]
    listed = b"".join(bytes((at, len(text))) + text for at, text in objects)
    answer = bytes.fromhex("2B 0E 01 81 00 00 03") + listed
    assert net.ask(1, "2B 0E 01 00") == answer.hex(" ").upper()
    one = bytes.fromhex("2B 0E 04 81 00 00 01 01 07") + b"hundred"
    assert net.ask(1, "2B 0E 04 01") == one.hex(" ").upper()


def test_a_device_without_identification_has_no_such_function(served: Any, net: Tcp) -> None:
    served.server.devices["hundred"].identified = False
    assert net.ask(1, "2B 0E 01 00") == "AB 01"


def test_late_answers_over_tcp_keep_their_order_and_number(served: Any, net: Tcp) -> None:
    served.server.late_ms["hundred"] = 60
    start_s = time.monotonic()
    asked = [bytes.fromhex(f"00 0{n} 00 00 00 06 01 03 00 0{n} 00 01") for n in (1, 2)]
    net.link.sendall(asked[0] + asked[1])
    heard = b""
    while len(heard) < 22:
        heard += net.link.recv(64)
    assert time.monotonic() - start_s >= 0.12
    assert [heard[1], heard[12]] == [1, 2]


def test_a_pulled_cable_is_silent_and_the_device_comes_back_without_memory(
    served: Any, net: Tcp
) -> None:
    assert net.ask(1, "03 00 00 00 01") == "03 02 00 00"
    served.server.pull("net")
    time.sleep(0.05)
    assert net.ask(1, "03 00 00 00 01") == ""
    served.server.plug("net")
    again = Tcp(served.port("net"))
    try:
        assert again.ask(1, "03 00 00 00 01") == "03 02 00 00"
        with pytest.raises(ConnectionResetError):
            net.link.recv(16)
    finally:
        again.link.close()
