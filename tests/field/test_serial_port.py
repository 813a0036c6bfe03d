"""What is said about a serial port: who holds it, its latency timer, its stable name, why not."""

from __future__ import annotations

import array
import errno
import fcntl
import os
import subprocess
import sys
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from linectl.errors import LinkDown
from linectl.field import links, serial_port
from linectl.field.links import SerialLink
from linectl.field.serial_port import (
    LATENCY_MS_MAX,
    latency_ms,
    owners,
    remarks,
    stable_name,
    why_not,
)
from linectl.site.hardware import RtuBus

BUS = {"kind": "rtu", "port": "/dev/null", "poll": "20ms", "timeout": "50ms"}

HOLDER = """
import os, sys
handle = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
print("open", flush=True)
sys.stdin.read()
"""


@pytest.fixture
def pty() -> Iterator[tuple[int, str]]:
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    yield ours, os.ttyname(theirs)
    os.close(ours)
    os.close(theirs)


@pytest.fixture
def holder(pty: tuple[int, str]) -> Iterator[subprocess.Popen[str]]:
    """Another process that has the port open."""
    with subprocess.Popen(
        [sys.executable, "-S", "-c", HOLDER, pty[1]],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "open\n"
        yield process
        assert process.stdin is not None
        process.stdin.close()
        process.wait()


def test_the_process_that_holds_a_port_is_named(
    pty: tuple[int, str], holder: subprocess.Popen[str]
) -> None:
    (owner,) = owners(pty[1])
    assert owner.endswith(f"(process {holder.pid})")
    assert owner.startswith("python")
    assert owner in why_not(pty[1])
    assert "end that first" in why_not(pty[1])


def test_it_is_found_by_the_ports_stable_name_too(
    pty: tuple[int, str], holder: subprocess.Popen[str], tmp_path: Path
) -> None:
    link = tmp_path / "usb-adapter"
    link.symlink_to(pty[1])
    assert len(owners(str(link))) == 1


def test_we_are_not_our_own_owner(pty: tuple[int, str]) -> None:
    assert owners(pty[1]) == []
    assert "refuses the line's speed or parity" in why_not(pty[1])


def test_a_port_that_is_not_there_is_told_as_that() -> None:
    assert why_not("/dev/serial/by-id/none") == (
        "there is no such port: is the adapter plugged in?"
    )


def test_a_port_that_is_not_for_this_user_is_told_as_that(
    pty: tuple[int, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    assert "add the user to the group" in why_not(pty[1])


def adapter(folder: Path, timer: str, name: str = "null") -> Path:
    """A sysfs in which the port has that latency timer."""
    device = folder / "class" / "tty" / name / "device"
    device.mkdir(parents=True)
    (device / "latency_timer").write_text(timer, encoding="ascii")
    return folder


def test_an_adapters_latency_timer_is_read(tmp_path: Path) -> None:
    assert latency_ms("/dev/null", adapter(tmp_path, "16\n")) == 16


@pytest.mark.parametrize("timer", ["", "fast"])
def test_a_timer_that_says_nothing_is_none(tmp_path: Path, timer: str) -> None:
    assert latency_ms("/dev/null", adapter(tmp_path, timer)) is None


def test_a_port_without_a_timer_has_none(tmp_path: Path) -> None:
    assert latency_ms("/dev/null", tmp_path) is None
    assert remarks("/dev/null", tmp_path) == []


def test_a_slow_timer_is_remarked_with_what_to_do(tmp_path: Path) -> None:
    (said,) = remarks("/dev/null", adapter(tmp_path, "16"))
    assert "up to 16 ms" in said
    assert "echo 1 > /sys/class/tty/null/device/latency_timer" in said
    assert "udev" in said


@pytest.mark.parametrize("timer", range(LATENCY_MS_MAX + 1))
def test_a_fast_timer_is_not_worth_a_word(tmp_path: Path, timer: int) -> None:
    assert remarks("/dev/null", adapter(tmp_path, str(timer))) == []


def test_the_timer_is_found_through_a_stable_name(tmp_path: Path) -> None:
    link = tmp_path / "by-id"
    link.symlink_to("/dev/null")
    assert latency_ms(str(link), adapter(tmp_path / "sys", "8")) == 8


def test_a_moving_name_is_answered_with_the_stable_one(tmp_path: Path) -> None:
    (tmp_path / "usb-other").symlink_to("/dev/zero")
    (tmp_path / "usb-line").symlink_to("/dev/null")
    assert stable_name("/dev/null", tmp_path) == str(tmp_path / "usb-line")
    assert stable_name("/dev/full", tmp_path) is None
    assert stable_name("/dev/null", tmp_path / "missing") is None


def test_a_stable_name_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "usb-line").symlink_to("/dev/null")
    assert stable_name("/dev/serial/by-id/usb-line", tmp_path) is None


def test_a_moving_name_is_remarked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial_port, "stable_name", lambda path: "/dev/serial/by-id/usb-line")
    (said,) = remarks("/dev/null", tmp_path)
    assert "may name another adapter after the next start" in said
    assert "/dev/serial/by-id/usb-line will not" in said


# The link on a port.


def link_on(path: str, **facts: object) -> SerialLink:
    return SerialLink(RtuBus.model_validate(BUS | facts), path)


def test_a_driver_that_does_not_turn_the_line_round_is_told_and_let_go(
    pty: tuple[int, str],
) -> None:
    """A pseudo-terminal has no RS-485 mode, as most adapters have none."""
    link = link_on(pty[1], direction="kernel")
    with pytest.raises(LinkDown, match="does not turn the RS-485 line round") as caught:
        link.open()
    assert "direction: adapter" in str(caught.value)
    assert not link.is_open
    other = link_on(pty[1])
    other.open()  # the port is free again
    other.close()


def test_a_driver_that_says_yes_and_does_not_is_found_out(
    pty: tuple[int, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The mode is read back: here the port takes it, and the driver knows nothing of it."""

    class Yes(serial.Serial):
        def __setattr__(self, name: str, value: object) -> None:
            if name != "rs485_mode":
                super().__setattr__(name, value)

    monkeypatch.setattr(links.serial, "Serial", Yes)
    link = link_on(pty[1], direction="kernel")
    with pytest.raises(LinkDown, match="does not turn the RS-485 line round"):
        link.open()
    assert not link.is_open


@pytest.mark.parametrize("flags", [0, 1])
def test_the_mode_that_the_driver_says_counts(
    pty: tuple[int, str], monkeypatch: pytest.MonkeyPatch, flags: int
) -> None:
    def says(handle: int, request: int, held: array.array[int], change: bool) -> int:
        assert request == 0x542E  # TIOCGRS485 of linux/asm-generic/ioctls.h
        held[0] = flags  # bit 0: SER_RS485_ENABLED of linux/serial.h
        return 0

    monkeypatch.setattr(fcntl, "ioctl", says)
    if flags:
        links._check_rs485(pty[0])
    else:
        with pytest.raises(OSError, match="the mode is off"):
            links._check_rs485(pty[0])


def test_a_port_that_another_of_us_has_is_refused(pty: tuple[int, str]) -> None:
    first, second = link_on(pty[1]), link_on(pty[1])
    first.open()
    with pytest.raises(LinkDown, match="another program holds it"):
        second.open()
    first.close()
    second.open()
    second.close()


def test_a_pulled_adapter_closes_the_port_at_once() -> None:
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    link = link_on(os.ttyname(theirs))
    link.open()
    os.close(theirs)
    os.close(ours)
    with pytest.raises(LinkDown, match="unplugged"):
        link.receive(0.0)
    assert not link.is_open
    with pytest.raises(LinkDown, match="not open"):
        link.send(b"\0", 0.01)


def test_a_port_that_breaks_under_a_request_is_closed_at_once(
    pty: tuple[int, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    link = link_on(pty[1])
    link.open()

    def gone(handle: int, data: bytes) -> int:
        raise OSError(errno.EIO, "input/output error")

    monkeypatch.setattr(os, "write", gone)
    with pytest.raises(LinkDown, match="input/output error"):
        link.send(b"\0", 0.01)
    assert not link.is_open
