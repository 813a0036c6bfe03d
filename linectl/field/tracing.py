"""Frames to a file while the line runs, and the last frames of a bus when there is trouble.

A bus's thread hands over a frame and goes on: it never waits for the disk. A thread of the
tracer's own writes them; what it has no room for is dropped, counted, and told in the file.
Without a tracer a wire pays one test for None a frame.
"""

from __future__ import annotations

import contextlib
import queue
import re
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import IO, NamedTuple

from linectl.errors import Unreachable
from linectl.field.kept_frames import Frame
from linectl.field.trace_lines import (
    Header,
    Traced,
    dropped_line,
    end_line,
    frame_line,
    header_line,
)

QUEUE_MAX = 20_000
"""Frames that wait for the disk: about a minute of a busy line."""
BYTES_MAX = 1_000_000_000
"""Of one trace: `config/small` writes about 25 kB a second, which is eleven hours."""
WRITE_EVERY_S = 0.1
CLOSE_LIMIT_S = 5.0
"""A disk that has not taken the rest by then is left alone."""

FILES_MAX = 20
"""Dumps kept in a ring's folder; the oldest goes first."""
PAUSE_S = 10.0
"""Between two dumps of one bus, so that a device that comes and goes does not fill them all."""
DUMPS_WAITING_MAX = 8


class Written(NamedTuple):
    """What became of a trace. `fault`: why not all of it could be written, or None."""

    frames: int
    dropped: dict[str, int]
    fault: str | None


class Tracer:
    """Writes every frame to one file. `frame` is for any thread, one thread for each bus."""

    def __init__(
        self,
        path: Path,
        header: Header,
        *,
        queue_max: int = QUEUE_MAX,
        bytes_max: int = BYTES_MAX,
        open_file: Callable[[Path], IO[str]] | None = None,
    ) -> None:
        """Opens the file anew. Raises Unreachable if it cannot be written."""
        self._path = path
        self._queue: deque[Traced] = deque()
        self._queue_max = queue_max
        self._bytes_left = bytes_max
        # A bus's count has one writer, the bus's thread: no lock, no lost count.
        self._dropped = dict.fromkeys(header.buses, 0)
        self._lost = dict.fromkeys(header.buses, 0)
        """Frames that were taken and then had no place in the file: the writing thread's count."""
        self._told: dict[str, int] = {}
        self._frames = 0
        self._full = False
        self._fault: str | None = None
        self._ending = threading.Event()
        try:
            self._file = open_file(path) if open_file else path.open("w", encoding="utf-8")
            self._file.write(header_line(header))
            self._file.flush()
        except OSError as error:
            raise Unreachable(f"{path}: cannot be written ({error.strerror})") from error
        self._thread = threading.Thread(target=self._run, name="tracer", daemon=True)
        self._thread.start()

    def frame(self, bus: str, at_s: float, sent: bool, data: bytes) -> None:
        """Hand over one frame; returns at once, whatever the disk does."""
        waiting = self._queue
        if len(waiting) < self._queue_max:
            waiting.append(Traced(at_s, bus, sent, data))
        else:
            self._dropped[bus] = self._dropped.get(bus, 0) + 1

    def close(self) -> Written:
        """Write what is left and close; what the disk does not take in time is dropped."""
        self._ending.set()
        self._thread.join(CLOSE_LIMIT_S)
        if self._thread.is_alive():
            self._fault = self._fault or f"{self._path}: the disk did not take it in time"
        for frame in list(self._queue):
            self._lost[frame.bus] = self._lost.get(frame.bus, 0) + 1
        return Written(self._frames, self._missing(), self._fault)

    def _missing(self) -> dict[str, int]:
        """Frames by bus that are not in the file, and never will be."""
        buses = dict.fromkeys((*self._dropped, *self._lost))
        missing = {bus: self._dropped.get(bus, 0) + self._lost.get(bus, 0) for bus in buses}
        return {bus: count for bus, count in missing.items() if count}

    def _run(self) -> None:
        try:
            while not self._ending.wait(WRITE_EVERY_S):
                self._write()
            self._write()
            self._file.write(end_line(self._frames, self._full))
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or error
            self._fault = f"{self._path}: cannot be written ({reason})"
            self._queue_max = 0  # from here on every frame is counted as dropped
        finally:
            with contextlib.suppress(OSError, ValueError):
                self._file.close()

    def _write(self) -> None:
        """Everything that waits, then how much has been dropped, if that has grown."""
        waiting = self._queue
        for _ in range(len(waiting)):
            if self._full:
                frame = waiting.popleft()
                self._lost[frame.bus] = self._lost.get(frame.bus, 0) + 1
                continue
            text = frame_line(waiting[0])
            self._bytes_left -= len(text)
            self._full = self._bytes_left < 0
            if self._full:
                self._queue_max = 0
                self._lost[waiting.popleft().bus] += 1
                continue
            self._file.write(text)
            waiting.popleft()
            self._frames += 1
        missing = self._missing()
        if missing != self._told and not self._full:
            self._told = missing
            self._file.write(dropped_line(missing, time.monotonic()))
        self._file.flush()


class _Dump(NamedTuple):
    bus: str
    what: str
    frames: tuple[Traced, ...]


class Ring:
    """Writes a bus's last frames to a file of their own when there is trouble, a few files only.

    The wire keeps the frames; `trouble` is for the bus's thread, which owns them, and returns at
    once. Files are traces, named `frames-BUS-NUMBER.jsonl`; at most `files_max` stay.
    """

    def __init__(
        self,
        folder: Path,
        header: Header,
        *,
        files_max: int = FILES_MAX,
        pause_s: float = PAUSE_S,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """The folder is made when there is something to put in."""
        self._folder = folder
        self._header = header
        self._files_max = files_max
        self._pause_s = pause_s
        self._clock = clock
        self._next_at_s: dict[str, float] = {}
        self._waiting: queue.Queue[_Dump | None] = queue.Queue(DUMPS_WAITING_MAX)
        self.passed_over = dict.fromkeys(header.buses, 0)
        """Troubles by bus that came too soon after another to be written."""
        self.fault: str | None = None
        self._thread = threading.Thread(target=self._run, name="ring", daemon=True)
        self._thread.start()

    def trouble(self, bus: str, what: str, frames: Iterable[Frame]) -> bool:
        """Dump `frames`, the bus's last; `what` happened, for people. False if too soon."""
        now_s = self._clock()
        if now_s < self._next_at_s.get(bus, now_s):
            self.passed_over[bus] = self.passed_over.get(bus, 0) + 1
            return False
        kept = tuple(Traced(frame.at_s, bus, frame.sent, frame.data) for frame in frames)
        try:
            self._waiting.put_nowait(_Dump(bus, what, kept))
        except queue.Full:
            self.passed_over[bus] = self.passed_over.get(bus, 0) + 1
            return False
        self._next_at_s[bus] = now_s + self._pause_s
        return True

    def close(self) -> None:
        """Write what waits and end; a disk that does not take it in time is left alone."""
        with contextlib.suppress(queue.Full):
            self._waiting.put(None, timeout=CLOSE_LIMIT_S)
        self._thread.join(CLOSE_LIMIT_S)

    def _run(self) -> None:
        while (dump := self._waiting.get()) is not None:
            try:
                self._write(dump)
            except OSError as error:
                self.fault = f"{self._folder}: cannot be written ({error.strerror})"

    def _write(self, dump: _Dump) -> None:
        self._folder.mkdir(parents=True, exist_ok=True)
        ours = self._ours()
        number = max((number for number, _ in ours), default=0) + 1
        for _, old in ours[: max(len(ours) - self._files_max + 1, 0)]:
            old.unlink(missing_ok=True)
        header = replace(self._header, trouble=f"{dump.bus}: {dump.what}")
        lines = [header_line(header), *map(frame_line, dump.frames)]
        path = self._folder / f"frames-{dump.bus}-{number:06d}.jsonl"
        path.write_text("".join(lines) + end_line(len(dump.frames), False), encoding="utf-8")

    def _ours(self) -> list[tuple[int, Path]]:
        """Dumps that lie in the folder, oldest first; another program's files are left alone."""
        found = []
        for path in self._folder.iterdir():
            if match := re.fullmatch(r"frames-[a-z0-9_]+-(\d{6})\.jsonl", path.name):
                found.append((int(match[1]), path))
        return sorted(found)
