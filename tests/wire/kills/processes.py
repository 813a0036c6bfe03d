"""A plant and the controller that is killed on it, each in a process of its own."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from kills.orders import Order, write_orders
from kills.talk import Talk
from linectl.errors import LinectlError
from linectl.runtime.control import ask

ROOT = Path(__file__).parents[3]
KILLED_RUN = Path(__file__).with_name("killed_run.py")
PATIENCE_S = 30.0


def environment() -> dict[str, str]:
    """Ours, with the path on which this process finds linectl and the kills."""
    return {**os.environ, "PYTHONPATH": os.pathsep.join(path for path in sys.path if path)}


class PlantProcess:
    """`linectl plant`; its bodies outlive every controller."""

    def __init__(self, site: Path, file: Path, seed: int) -> None:
        command = [sys.executable, "-m", "linectl.cli", "plant", str(site), "--json"]
        command += ["--seed", str(seed), "--file", str(file)]
        self._process = subprocess.Popen(
            command, cwd=ROOT, env=environment(), stdout=subprocess.PIPE
        )
        out = self._process.stdout
        assert out is not None
        ready = select.select([out], [], [], PATIENCE_S)[0]
        line = out.readline() if ready else b""
        if not line:
            self._end()
            raise AssertionError("the plant did not start")
        self.talk = Talk(int(json.loads(line)["control"]))

    def close(self) -> None:
        self.talk.close()
        self._end()

    def _end(self) -> None:
        self._process.terminate()
        try:
            self._process.communicate(timeout=PATIENCE_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.communicate()


class Nursery:
    """A process that has imported all, and forks controllers: their start costs a third."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, str(KILLED_RUN), "nursery"],
            cwd=ROOT, env=environment(), stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        )  # fmt: skip

    def bear(self, arguments: list[str], site: Path, errors: Path) -> Born:
        """A controller with these arguments."""
        assert self._process.stdin is not None
        asked = {"arguments": arguments, "site": str(site), "errors": str(errors)}
        self._process.stdin.write(json.dumps(asked).encode() + b"\n")
        self._process.stdin.flush()
        return Born(int(self._line(None) or 0), self._line)

    def _line(self, timeout_s: float | None) -> str | None:
        out = self._process.stdout
        assert out is not None
        if not select.select([out], [], [], timeout_s)[0]:
            return None
        return out.readline().decode()

    def close(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(PATIENCE_S)
        assert self._process.stdout is not None
        self._process.stdout.close()


class Born:
    """A controller that a nursery has forked; as much of Popen as is needed."""

    def __init__(self, pid: int, line: Callable[[float | None], str | None]) -> None:
        self.pid = pid
        self._line = line
        self._code: int | None = None

    def poll(self) -> int | None:
        return self._ended(0.0)

    def wait(self, timeout: float | None = None) -> int:
        code = self._ended(timeout)
        if code is None:
            raise subprocess.TimeoutExpired(str(self.pid), timeout or 0.0)
        return code

    def _ended(self, timeout_s: float | None) -> int | None:
        if self._code is None and (line := self._line(timeout_s)) is not None:
            self._code = int(line or -1)
        return self._code

    def kill(self) -> None:
        self._send(signal.SIGKILL)

    def terminate(self) -> None:
        self._send(signal.SIGTERM)

    def _send(self, number: signal.Signals) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)


class RunProcess:
    """`linectl run` with orders to die."""

    def __init__(
        self,
        site: Path,
        file: Path,
        ledger: Path,
        talk_port: int,
        orders: Sequence[Order] = (),
        *,
        beside: Path,
        nursery: Nursery | None = None,
        environ: Mapping[str, str] | None = None,
    ) -> None:
        """beside: a folder for what it says. environ: see `disks.Disk`."""
        self.site = site
        self._death, self._errors = beside / "controller.death", beside / "controller.stderr"
        self._death.unlink(missing_ok=True)
        listed = beside / "controller.orders"
        write_orders(listed, orders)
        arguments = [str(listed), str(self._death), str(talk_port)]
        arguments += ["run", str(site), "--at", str(file), "--ledger", str(ledger), "--json"]
        arguments += ["--rehearsal"]
        self.began_s = time.monotonic()
        self.process: Born | subprocess.Popen[bytes]
        if nursery is not None:
            self.process = nursery.bear(arguments, site, self._errors)
            return
        with open(self._errors, "wb") as errors:
            self.process = subprocess.Popen(
                [sys.executable, str(KILLED_RUN), *arguments],
                cwd=ROOT,
                env=environment() | dict(environ or {}),
                stdout=subprocess.DEVNULL,
                stderr=errors,
            )

    def ask(self, **asked: Any) -> dict[str, Any]:
        """A question to the running controller. Raises LinectlError if it is gone."""
        return ask(self.site, asked, timeout_s=PATIENCE_S)

    def command(self, unit: str, name: str, argument: str = "") -> str | None:
        """A person's command: None if it was taken, else why not."""
        answer = self.ask(
            ask="command", unit=unit, name=name, argument=argument, by="the attendant"
        )
        if answer.get("accepted"):
            return None
        return str(answer.get("why") or answer.get("error"))

    def ready(self) -> dict[str, Any] | None:
        """Waits until it has judged what its ledger left open; its answer to "recovery". None if
        its orders were met before: it tells moves, too, while it judges."""
        while time.monotonic() - self.began_s < PATIENCE_S:
            if self.dead():
                if self.death() is not None:
                    return None
                raise AssertionError(f"the controller ended: {self.said()}")
            try:
                answer = self.ask(ask="recovery")
            except LinectlError:
                time.sleep(0.05)
                continue
            if answer["judged"]:
                return answer
            time.sleep(0.05)
        raise AssertionError(f"the controller did not judge within {PATIENCE_S} s: {self.said()}")

    def dead(self) -> bool:
        return self.process.poll() is not None

    def said(self) -> str:
        """What it said on standard error."""
        return self._errors.read_text(encoding="utf-8", errors="replace").strip()

    def death(self) -> dict[str, Any] | None:
        """What it was killed at, if by its orders; None while it lives or if it ended otherwise."""
        if self.process.poll() != -signal.SIGKILL or not self._death.exists():
            return None
        found: dict[str, Any] = json.loads(self._death.read_text().splitlines()[0])
        return found

    def kill(self) -> None:
        """SIGKILL, whatever it is at."""
        self.process.kill()
        self.process.wait()

    def stop(self) -> int:
        """As a service is stopped; its exit code."""
        self.process.terminate()
        return self.process.wait(PATIENCE_S)
