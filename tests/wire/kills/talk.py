"""The talk of a served plant, as somebody beside the controller holds it."""

from __future__ import annotations

import json
import socket
from collections.abc import Iterable
from typing import Any

from linectl.image import Move, Slot


class Talk:
    """One question a line, and its answer. Raises ConnectionError when the plant has ended."""

    def __init__(self, port: int) -> None:
        self.port = port
        self._link = socket.create_connection(("127.0.0.1", port), 10.0)
        self._heard = b""

    def ask(self, **asked: Any) -> dict[str, Any]:
        self._link.sendall(json.dumps(asked).encode() + b"\n")
        while b"\n" not in self._heard:
            data = self._link.recv(65_536)
            if not data:
                raise ConnectionError("the plant's process has ended")
            self._heard += data
        line, self._heard = self._heard.split(b"\n", 1)
        answer: dict[str, Any] = json.loads(line)
        if "error" in answer:
            raise AssertionError(f"the plant refused {asked}: {answer['error']}")
        return answer

    def do(self, verb: str, part: str = "", **options: Any) -> None:
        """A scenario's verb, now."""
        self.ask(do=verb, part=part, options=options)

    def seen(self) -> dict[str, Any]:
        """What somebody sees who walks round, and the moves that the plant was told."""
        return self.ask(places=True)

    def tell(self, moves: Iterable[Move]) -> None:
        """Moves that the ledger has, for the auditor."""
        told = [list(move) for move in moves]
        if told:
            self.ask(told=told)

    def stock(self, slots: Iterable[Slot]) -> None:
        """Stand these gutters in the lanes."""
        self.ask(stock=[list(slot) for slot in slots])

    def violations(self) -> list[dict[str, Any]]:
        """What the auditor has seen so far."""
        found: list[dict[str, Any]] = self.ask(report=True)["report"]["violations"]
        return found

    def close(self) -> None:
        self._link.close()


def tell_what_is_new(talk: Talk, moves: dict[int, Move]) -> None:
    """Tell the plant what the ledger has and the plant was not told: the teller was killed."""
    seen = talk.seen()
    for move in moves.values():
        if move.number > seen["last"]:
            talk.tell([move._replace(done=False)])
    still = talk.seen()["open"]
    talk.tell(move for move in moves.values() if move.done and move.number in still)
