"""`linectl` with everything as it is, but that it kills itself when its orders are met.

    python killed_run.py ORDERS DEATH PORT run SITE --at FILE --ledger FILE --json --rehearsal

    python killed_run.py nursery

reads such arguments from its standard input, a JSON line each with a file for the errors, forks
a process for each and prints its number, then how it ended: imports and the reading of the site's
files are paid for once.

ORDERS: a file of orders. DEATH: a file that gets one JSON line just before the end. PORT: the
plant's own talk; each move is told there once it is on disk, before the line hears that it is, so
that the plant's auditor knows exactly what the ledger has.

Ledger, writer and field are the real ones; what is added here only looks on.
"""

from __future__ import annotations

import importlib
import json
import os
import signal
import socket
import sys
import threading
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

from kills.orders import ASKED, BEFORE, SIGNED, TRAVEL, Order, read_orders
from linectl.cli import main
from linectl.field import wiring
from linectl.field.snapshots import Outputs
from linectl.image import Event, Move
from linectl.ledger import record, writer
from linectl.runtime import live


class Reaper:
    """Knows the orders, is shown what happens, and ends the process when one of them is met."""

    def __init__(self, orders: Sequence[Order], death: Path) -> None:
        self._orders = orders
        self._passed = [0] * len(orders)
        self._death = death
        self._words = 0
        self._asked: dict[int, tuple[int, Order]] = {}
        """Moves on whose way the end is due: the word to wait for, by number."""
        self._due: dict[int, Order] = {}
        """Their word is on disk; the scan that sees it has not published yet."""
        self._timers: dict[int, threading.Timer] = {}
        self._kinds: dict[int, Move] = {}

    def told(self, moves: Sequence[Move]) -> None:
        """The scan has told these; the writer has not got them."""
        for move in moves:
            self._words += 1
            if not move.done:
                self._intended(move)
                continue
            if move.kind != "reserve":  # done at once: what stands then is the reservation
                timer = self._timers.pop(move.number, None)
                if timer is not None:
                    timer.cancel()
                self._asked.pop(move.number, None)
            if move.number in self._kinds:
                order = self._wanted(move.kind, (SIGNED,))
                if order is not None:
                    self._end(move.number, order)

    def _intended(self, move: Move) -> None:
        self._kinds[move.number] = move
        order = self._wanted(move.kind, (BEFORE, ASKED, TRAVEL))
        if order is None:
            return
        if order.phase == BEFORE:
            self._end(move.number, order)
        else:
            self._asked[move.number] = (self._words, order)

    def _wanted(self, kind: str, phases: tuple[str, ...]) -> Order | None:
        found = None
        for place, order in enumerate(self._orders):
            if order.kind == kind and order.phase in phases:
                self._passed[place] += 1
                if self._passed[place] == order.skip + 1 and found is None:
                    found = order
        return found

    def durable(self, words: int) -> None:
        """The scan is about to hear that so many words are on disk."""
        for number, (word, order) in list(self._asked.items()):
            if words >= word:
                del self._asked[number]
                self._due[number] = order

    def publishing(self) -> None:
        """The scan that heard it hands over its outputs: not any more."""
        for number, order in self._due.items():
            if order.phase == ASKED:
                self._end(number, order)

    def published(self) -> None:
        """It has: the move is under way."""
        for number, order in self._due.items():
            timer = threading.Timer(order.delay_ms / 1000, self._kill, (number, order))
            timer.daemon = True
            self._timers[number] = timer
            timer.start()
        self._due.clear()

    def _end(self, number: int, order: Order) -> None:
        if order.delay_ms and order.phase != ASKED:  # somewhere in the writer's transaction
            timer = threading.Timer(order.delay_ms / 1000, self._kill, (number, order))
            timer.daemon = True
            timer.start()
        else:
            self._kill(number, order)

    def _kill(self, number: int, order: Order) -> None:
        move = self._kinds[number]
        said = {"number": number, "order": list(order), "move": list(move)}
        with open(self._death, "a", encoding="utf-8") as handle:
            handle.write(json.dumps(said) + "\n")
        os.kill(os.getpid(), signal.SIGKILL)


class Telling:
    """The plant's talk; answers are waited for."""

    def __init__(self, port: int) -> None:
        self._link = socket.create_connection(("127.0.0.1", port), 5.0)

    def tell(self, moves: Sequence[Move]) -> None:
        line = json.dumps({"told": [list(move) for move in moves]}).encode() + b"\n"
        try:
            self._link.sendall(line)
            heard = b""
            while not heard.endswith(b"\n"):
                data = self._link.recv(65_536)
                if not data:
                    return  # the plant has ended
                heard += data
        except OSError:
            return


def watch(reaper: Reaper, telling: Telling) -> None:
    """Put the onlookers where the live controller takes its parts from."""

    class Writer(writer.LedgerWriter):
        def put(self, moves: Sequence[Move], events: Sequence[Event]) -> None:
            reaper.told(moves)
            super().put(moves, events)

        def durable(self) -> int:
            words = super().durable()
            reaper.durable(words)
            return words

    class Ledger(record.Ledger):
        def record(self, moves: Sequence[Move], events: Sequence[Event], *more: Any) -> None:
            super().record(moves, events, *more)
            if moves:
                telling.tell(moves)

    class Field(wiring.Field):
        def publish(self, outputs: Outputs, changed: bool) -> None:
            reaper.publishing()
            super().publish(outputs, changed)
            reaper.published()

    live.LedgerWriter = Writer  # type: ignore[misc]
    live.Ledger = Ledger  # type: ignore[misc]
    live.Field = Field  # type: ignore[misc]


def begin(arguments: list[str]) -> None:
    """Become the controller."""
    orders_file, death_file, port, *own = arguments
    watch(Reaper(read_orders(Path(orders_file)), Path(death_file)), Telling(int(port)))
    sys.argv = ["linectl", *own]
    main()


def nursery() -> None:
    """One child at a time, until the input ends."""
    run = importlib.import_module("linectl.cli.run")
    run.load_site = cache(run.load_site)
    for line in sys.stdin:
        asked = json.loads(line)
        run.load_site(Path(asked["site"]))
        pid = os.fork()
        if pid == 0:
            sys.stdin.close()
            for name, fd in ((os.devnull, 1), (asked["errors"], 2)):
                handle = os.open(name, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
                os.dup2(handle, fd)
                os.close(handle)
            begin(asked["arguments"])
            return
        print(pid, flush=True)
        _, status = os.waitpid(pid, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


if __name__ == "__main__":
    if sys.argv[1:] == ["nursery"]:
        nursery()
    else:
        begin(sys.argv[1:])
