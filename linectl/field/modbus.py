"""A blocking Modbus connection that raises our errors: one exchange at a time, never retried.

For the bus's own thread only. An exchange is never cut short: it ends with its answer, or with
its time-out. On a serial line (and on TCP through a converter that passes serial frames on) a late
answer cannot be told from the next one by its form. So after a time-out `settle` keeps the line
quiet for longer than the device's worst lateness and discards what comes; and `Exchanges` then
proves the device with a read of another length before it believes it again.
"""

from __future__ import annotations

import contextlib
import time
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

from linectl.errors import DeviceRefused, ForeignAnswer, LinkDown, Silent, Unreachable
from linectl.field import pdu as pdus
from linectl.field.asks import Ask, read_of
from linectl.field.framing import (
    GLITCHES,
    Garbled,
    NotModbus,
    RtuAnswer,
    TcpAnswer,
    rtu_frame,
    tcp_frame,
)
from linectl.field.kept_frames import KEPT_BYTES, Frame, KeptFrames, Sink
from linectl.field.linking import link_of
from linectl.field.links import Link
from linectl.field.numbers import Late, Numbers
from linectl.registers.frames import RTU_OVERHEAD_BYTES, read_pdu_bytes, write_pdu_bytes
from linectl.registers.wire_time import QUIET_SLACK_MS, character_ms, serial_line, silence_ms
from linectl.site.hardware import Bus, RtuBus

__all__ = ["Ask", "Frame", "Late", "Wire"]

QUIET_LIMIT_S = 2.0
"""A line that is still not quiet so long after its quiet time counts as broken."""
FLOOD_BYTES = 8192
"""More than this within one exchange is no answer and no late ones either (31 of the longest):
nothing is gained by listening on."""
LOOK_S = 0.05
"""While a line is kept quiet, ages are looked at this often."""


class Wire:
    """A connection to one bus.

    `seen` counts what no single exchange ends with: glitches, echoes, stale and stray answers.
    `latency_ms`: of the last answer, from the request's end to the answer's beginning.
    """

    def __init__(
        self,
        name: str,
        bus: Bus,
        host: str,
        port: int | str,
        folder: Path = Path(),
        tracer: Sink | None = None,
    ) -> None:
        """`port`: number of a TCP port, or path of a serial port. folder: where the certificates
        of a TLS bus lie."""
        self.name = name
        self._kept = KeptFrames(name, tracer)
        self.frames = self._kept.last
        self.seen: Counter[str] = Counter()
        self.latency_ms = 0.0
        self.overtime_s = QUIET_LIMIT_S
        """How long a line that babbles is waited for beyond its quiet time."""
        self._bus = bus
        self._link: Link = link_of(bus, host, port, folder)
        self._line = serial_line(bus)
        self.numbered = bus.numbered
        """True if answers carry the number of their request, so that none can be mistaken."""
        self.serial = isinstance(bus, RtuBus)
        self.timeout_ms = bus.timeout_ms
        self.echoes: bool | None = False if self.numbered else None
        self._gap_s = silence_ms(self._line) / 1000 if self._line else 0.0
        self._free_at_s = 0.0
        self._numbers = Numbers()
        self._late: list[Late] = []

    @property
    def where(self) -> str:
        return self._link.where

    @property
    def is_open(self) -> bool:
        return self._link.is_open

    def open(self) -> None:
        """Connect. Raises LinkDown."""
        self._numbers.begin_anew()
        self.echoes = False if self.numbered else None
        try:
            self._link.open()
        except LinkDown as error:
            raise LinkDown(f"bus {self.name}: {error}") from error
        self._free_at_s = time.monotonic() + self._gap_s

    def remarks(self) -> tuple[str, ...]:
        """What is worth a word about an open link, and what to do about it."""
        return tuple(self._link.remarks())

    def close(self) -> None:
        """Close the connection; never raises."""
        self._link.close()

    def read(self, ask: Ask) -> Sequence[int]:
        """The `quantity` bits or registers asked for. Raises Unreachable's kinds."""
        expected = read_pdu_bytes(ask.function, ask.quantity)[1]
        answer = self._exchange(ask, pdus.request_pdu(ask), expected)
        return pdus.cells_of(ask, answer)

    def write(self, ask: Ask) -> None:
        """Write `cells`; the device's answer must fit. Raises Unreachable's kinds."""
        if self.echoes is None:
            self._learn_echo(ask)
        expected = write_pdu_bytes(ask.function, ask.quantity)[1]
        answer = self._exchange(ask, pdus.request_pdu(ask), expected)
        pdus.cells_of(ask, answer)

    def _learn_echo(self, ask: Ask) -> None:
        """A write's answer looks like its echo, so a read tells first whether the line echoes."""
        with contextlib.suppress(DeviceRefused):  # a refusal tells it as well
            self.read(read_of(ask, ask.address, ask.quantity))

    def identify(self, unit: int, device: str = "") -> dict[int, bytes]:
        """The device's basic identification (2Bh/0Eh): text by object number: 0 vendor, 1 product
        code, 2 revision. Raises Unreachable's kinds; DeviceRefused where it has none."""
        ask = Ask(device or f"unit {unit}", unit, pdus.IDENTIFY, 0, 1)
        found: dict[int, bytes] = {}
        following: int | None = 0
        while following is not None:
            answer = self._exchange(ask, pdus.identify_pdu(following), 0)
            if answer[0] == pdus.IDENTIFY | 0x80:
                raise pdus.refused(ask, answer)
            try:
                objects, after = pdus.identification(answer)
            except ValueError as error:
                raise pdus.foreign(ask, str(error)) from error
            found |= objects
            if after is not None and after <= following:
                raise pdus.foreign(ask, pdus.IDENTIFY_ENDLESS)
            following = after
        return found

    def settle(
        self,
        ask: Ask,
        late_ms: float,
        outstanding: bool,
        meanwhile: Callable[[], None] = lambda: None,
    ) -> bool:
        """Keep the line quiet for longer than `late_ms`, discarding what comes.

        outstanding: the answer to `ask` has not come at all; then its coming, whole, ends the wait
        early. meanwhile: called now and then, because a line that babbles may take a while.
        Returns True if it came so. Raises LinkDown, also for a line that never falls quiet.
        """
        if self.numbered or not self.is_open:
            return False
        began_s = time.monotonic()
        size = _answer_pdu_bytes(ask) + RTU_OVERHEAD_BYTES
        rest_s = self._gap_s + QUIET_SLACK_MS / 1000
        quiet_until_s = began_s + late_ms / 1000 + self._sending_s(size) + rest_s
        limit_s = quiet_until_s + self.overtime_s
        answer = RtuAnswer(ask.unit, rtu_frame(ask.unit, bytes((ask.function,))), 0, False)
        discarded = bytearray()
        came, count = False, 0
        while (now_s := time.monotonic()) < quiet_until_s:
            meanwhile()
            data = self._receive_in_quiet(ask, min(quiet_until_s, now_s + LOOK_S))
            if not data:
                continue
            now_s = time.monotonic()
            count += len(data)
            discarded += data[: KEPT_BYTES - len(discarded)]
            # Whatever still talks must have ended before anything is asked anew.
            quiet_until_s = max(quiet_until_s, now_s + rest_s)
            if outstanding and not came and _answers(ask, answer, data):
                came = True
                self._late.append(Late(ask.device, (now_s - began_s) * 1000))
                quiet_until_s = now_s + rest_s
            if count > FLOOD_BYTES and not self.serial:
                raise self._flooded(f"bus {self.name}: ")
            if now_s >= limit_s:
                self.close()
                raise LinkDown(
                    f"bus {self.name}: {self.where} does not fall quiet after {ask}; "
                    "a second master, a device that talks unasked, or noise without termination?"
                )
        if discarded:
            self._kept.keep(False, bytes(discarded))
        return came

    def _receive_in_quiet(self, ask: Ask, until_s: float) -> bytes:
        try:
            return self._link.receive(until_s)
        except LinkDown as error:
            raise LinkDown(f"bus {self.name}: {error}, after {ask}") from error

    def rest(self, pause_ms: float) -> None:
        """The device that has just answered needs this rest before anyone speaks again."""
        if pause_ms:
            self._free_at_s = max(self._free_at_s, time.monotonic() + pause_ms / 1000)

    def take_late(self) -> list[Late]:
        """Answers that came after their time-outs since the last call."""
        late, self._late = self._late, []
        return late

    def _exchange(self, ask: Ask, pdu: bytes, answer_pdu_bytes: int) -> bytes:
        if not self.is_open:
            raise LinkDown(f"bus {self.name}: {self.where} is not open")
        if (wait_s := self._free_at_s - time.monotonic()) > 0:
            time.sleep(wait_s)
        try:
            if self.numbered:
                return self._numbered(ask, pdu)
            return self._unnumbered(ask, pdu, answer_pdu_bytes)
        except LinkDown as error:
            raise LinkDown(f"bus {self.name}: {error}, during {ask}") from error
        except NotModbus as error:
            self.close()
            raise LinkDown(
                f"bus {self.name}: {self.where} does not speak Modbus TCP: {error}, during {ask}; "
                "is it a converter for serial frames (framing: rtu), or another port?"
            ) from error
        finally:
            self._free_at_s = time.monotonic() + self._gap_s

    def _numbered(self, ask: Ask, pdu: bytes) -> bytes:
        self._skip_unasked()
        number = self._numbers.following(ask.unit)
        timeout_s = self._bus.timeout_ms / 1000
        if self._line:  # a gateway needs its line's time too
            timeout_s += self._sending_s(len(pdu) + RTU_OVERHEAD_BYTES)
        self._send(tcp_frame(number, ask.unit, pdu), timeout_s)
        sent_s = time.monotonic()
        try:
            answer = self._await(ask, self._numbers.answers, sent_s, sent_s + timeout_s)
        except Silent:
            self._numbers.not_answered(ask.device, sent_s + timeout_s)
            raise
        finally:
            self._note_late()
        return answer

    def _skip_unasked(self) -> None:
        """Whatever has come until now is the answer to nothing that is asked from now on."""
        skipped = 0
        if not (data := self._link.receive(0.0)) and not self._numbers.answers.begun:
            return
        while data:
            skipped += len(data)
            self._kept.keep(False, data[:KEPT_BYTES])
            self._numbers.answers.skip(data)
            if skipped > FLOOD_BYTES:
                raise self._flooded()
            data = self._link.receive(0.0)
        self._numbers.answers.skip(b"")
        self._note_late()

    def _flooded(self, bus: str = "") -> LinkDown:
        """Hang up. Not on a serial port, whose bytes are limited by its speed."""
        self.close()
        return LinkDown(
            f"{bus}{self.where} floods us: more than {FLOOD_BYTES} bytes came that are no answer; "
            "is Modbus spoken there, and is `framing` right?"
        )

    def _note_late(self) -> None:
        if not self._numbers.answers.seen:
            return
        seen, late = self._numbers.take_late(time.monotonic())
        self.seen += seen
        self._late += late

    def _unnumbered(self, ask: Ask, pdu: bytes, answer_pdu_bytes: int) -> bytes:
        self._refuse_strays(ask)
        frame = rtu_frame(ask.unit, pdu)
        size = answer_pdu_bytes + RTU_OVERHEAD_BYTES if answer_pdu_bytes else 0
        answer = RtuAnswer(ask.unit, frame, size, self.echoes)
        timeout_s = self._bus.timeout_ms / 1000
        self._send(frame, timeout_s)
        sent_s = time.monotonic() + self._sending_s(len(frame))
        try:
            found = self._await(ask, answer, sent_s, sent_s + timeout_s)
        except ForeignAnswer as error:
            if error.kind == "echo":
                self.echoes = None  # another adapter, or two speak at once: look anew
            raise
        finally:
            if answer.seen:
                self.seen += answer.seen
        if self.echoes is None and answer.echoed is not None:
            self.echoes = answer.echoed
        self.latency_ms -= self._sending_s(len(found) + RTU_OVERHEAD_BYTES) * 1000
        return found

    def _refuse_strays(self, ask: Ask) -> None:
        """Bytes before the question mean that an earlier answer is still about."""
        stray = self._link.receive(0.0)
        if stray.strip(GLITCHES):
            self.seen["stray"] += 1
            self.echoes = None  # it may be an echo that was not there when the line was learned
            self._kept.keep(False, stray)
            raise ForeignAnswer(
                f"{ask}: not asked yet, because {len(stray)} bytes came that nobody had asked for",
                "stray",
            )

    def _await(
        self, ask: Ask, answer: RtuAnswer | TcpAnswer, sent_s: float, until_s: float
    ) -> bytes:
        heard, count = bytearray(), 0
        try:
            while True:
                data = self._link.receive(until_s)
                now_s = time.monotonic()
                count += len(data)
                heard += data[: KEPT_BYTES - len(heard)]
                if count > FLOOD_BYTES and not self.serial:
                    raise self._flooded()
                if data and (found := answer.feed(data)) is not None:
                    self.latency_ms = (now_s - sent_s) * 1000
                    return found
                if now_s >= until_s:
                    raise self._no_answer(ask, answer)
        except Garbled as garbled:
            raise self._garbled(ask, garbled) from garbled
        finally:
            if heard:
                self._kept.keep(False, bytes(heard))

    def _no_answer(self, ask: Ask, answer: RtuAnswer | TcpAnswer) -> Unreachable:
        if (garbled := answer.given_up()) is not None:
            return self._garbled(ask, garbled)
        only = "only our own echo came, no answer" if answer.echoed else "no answer"
        return Silent(f"{ask}: {only} within {self._bus.timeout_ms} ms")

    @staticmethod
    def _garbled(ask: Ask, garbled: Garbled) -> ForeignAnswer:
        return ForeignAnswer(f"{ask}: {garbled.came}", garbled.kind)

    def _sending_s(self, count: int) -> float:
        """Time of `count` bytes on the serial line, s; 0 without one."""
        return count * character_ms(self._line) / 1000 if self._line else 0.0

    def _send(self, frame: bytes, limit_s: float) -> None:
        self._kept.keep(True, frame)
        self._link.send(frame, max(limit_s, self._sending_s(len(frame)) * 2))


def _answers(ask: Ask, answer: RtuAnswer, data: bytes) -> bool:
    """True if `data` ends the answer to `ask`, or its refusal; not that to an earlier question."""
    try:
        found = answer.feed(data)
        if found is None:
            return False
        pdus.cells_of(ask, found)
    except (Garbled, ForeignAnswer):
        return False
    except DeviceRefused:
        return True
    return True


def _answer_pdu_bytes(ask: Ask) -> int:
    sizes: Callable[[int, int], tuple[int, int]] = write_pdu_bytes if ask.cells else read_pdu_bytes
    return sizes(ask.function, ask.quantity)[1]
