"""The local socket of a running controller: questions and commands, considered once a scan.

JSON lines over a Unix socket in the user's runtime folder: one request a line, one reply to it.

    {"ask": "status"}                                → the object of `status --json`
    {"ask": "why", "name": "fill.exit_eye"}          → {"name": …, "lines": [{…}, …]}
    {"ask": "alarms"}                                → the object of `alarms --json`
    {"ask": "alarm changes"}                         → {"from_ms": …, "to_ms": …, "changes": […]}
    {"ask": "recovery"}                              → the object of `recover --json`
    {"ask": "points", "since": 17}                   → {"site_digest": …, "now_ms": …, "scan_ms": …,
                                                        "number": 19, "lost": false,
                                                        "points": {tag: value or null if bad},
                                                        "changes": [[18, at_ms, tag, value], …]}
    {"ask": "steps", "since": 17}                    → {"site_digest": …, "now_ms": …, "number": 99,
                                                        "more": false, "lost": false, "steps":
                                                        [[at_ms, kind, source, text, data], …]}
    {"ask": "command", "unit": "sowing", "name": "start", "argument": "", "by": "anna"}
                                                     → {"accepted": true|false, "why": …}

`points` are inputs before forces and delays, and outputs as the line commands them; `changes` those
after number `since` (left out: none), each with the scan that saw it; `lost`: there were more than
are kept. `steps` are the states of parts and units and the alarms between, a stretch at a time: ask
again from `number` while there is `more`.

A thread of its own owns every connection. The scan only takes what has been queued (`poll`)
and hands back replies; neither side ever waits for the other. Every limit is written below.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import json
import os
import selectors
import socket
import stat
import tempfile
import threading
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

from linectl.errors import NoController, Unreachable

Request = dict[str, Any]
Reply = Callable[[dict[str, Any]], None]

REQUESTS_MAX = 64
"""Requests waiting for a scan; a scan comes every few tens of milliseconds."""
CLIENTS_MAX = 16
"""Connections at once."""
LINE_BYTES_MAX = 65_536
"""Longest request; a longer one ends its connection."""
REPLY_BYTES_MAX = 4_194_304
"""Replies a client has not fetched; beyond it the connection is ended."""
ANSWER_TIMEOUT_S = 5.0
"""How long a client waits: over a hundred scans."""


def runtime_folder() -> Path:
    """This user's folder for sockets, made if missing, for this user only.

    `XDG_RUNTIME_DIR/linectl`, else `linectl-UID` in the system's temporary folder. Raises
    Unreachable if somebody else owns it: a socket there could be anybody's.
    """
    base = os.environ.get("XDG_RUNTIME_DIR")
    if base and os.access(base, os.W_OK):
        folder = Path(base) / "linectl"
    else:
        folder = Path(tempfile.gettempdir()) / f"linectl-{os.getuid()}"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        found = folder.lstat()
    except OSError as error:
        raise Unreachable(f"{folder}: cannot be made ({error.strerror})") from error
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.getuid() or found.st_mode & 0o077:
        raise Unreachable(
            f"{folder}: it must be a folder that this user alone can enter; remove it, or correct"
            f" it with: chmod 700 {folder}"
        )
    return folder


def socket_path(site_folder: str | Path) -> Path:
    """Where the controller of that site folder listens."""
    whole = Path(site_folder).resolve()
    mark = hashlib.sha256(str(whole).encode()).hexdigest()[:12]
    return runtime_folder() / f"{whole.name[:40]}-{mark}.sock"


def running_controller(site_folder: str | Path) -> str | None:
    """The process that controls that site folder for this user; None if none does."""
    lock = socket_path(site_folder).with_suffix(".lock")
    try:
        with open(lock, encoding="utf-8") as handle:
            try:
                fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
            except OSError:
                return handle.read().strip() or "unknown"
    except FileNotFoundError:
        pass
    return None


class _Client:
    """One connection: what came and is no whole line yet, and what still has to go out."""

    __slots__ = ("heard", "link", "open", "unsent")

    def __init__(self, link: socket.socket) -> None:
        self.link = link
        self.heard = b""
        self.unsent = b""
        self.open = True


class ControlServer:
    """Listens for one site. `poll` and the replies belong to the scan's thread.

    Raises Unreachable if another controller of the same site holds the socket (says which), or
    the socket cannot be made.
    """

    def __init__(self, site_folder: str | Path) -> None:
        self.path = socket_path(site_folder)
        self._lock = self._hold(site_folder)
        self._requests: deque[tuple[Request, Reply]] = deque()
        self._replies: deque[tuple[_Client, dict[str, Any]]] = deque()
        self._clients: set[_Client] = set()
        self._stopping = False
        self._selector = selectors.DefaultSelector()
        self._wake_out, self._wake_in = socket.socketpair()
        self._wake_in.setblocking(False)
        self._wake_out.setblocking(False)
        self._listener = self._listen()
        self._selector.register(self._listener, selectors.EVENT_READ, None)
        self._selector.register(self._wake_in, selectors.EVENT_READ, None)
        self._thread = threading.Thread(target=self._serve, name="control", daemon=True)
        self._thread.start()

    def _hold(self, site_folder: str | Path) -> IO[str]:
        # The lock, not the socket's file, says who is there: a killed process leaves its file.
        handle = open(self.path.with_suffix(".lock"), "a+", encoding="utf-8")  # noqa: SIM115
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            handle.seek(0)
            holder = handle.read().strip() or "unknown"
            handle.close()
            raise Unreachable(
                f"a controller of {site_folder} is running already (process {holder}); ask it with:"
                f" linectl status {site_folder}. Nothing was started."
            ) from error
        handle.truncate(0)
        handle.write(str(os.getpid()))
        handle.flush()
        return handle

    def _listen(self) -> socket.socket:
        with contextlib.suppress(FileNotFoundError):
            self.path.unlink()  # stale: we hold the lock
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            listener.bind(str(self.path))
            os.chmod(self.path, 0o600)
            listener.listen(CLIENTS_MAX)
        except OSError as error:
            listener.close()
            self._lock.close()
            raise Unreachable(f"{self.path}: cannot listen ({error.strerror or error})") from error
        listener.setblocking(False)
        return listener

    # ---- the scan's side ----------------------------------------------------------------

    def poll(self) -> list[tuple[Request, Reply]]:
        """Requests since the last call, in order of arrival; each wants one reply."""
        taken = []
        while self._requests:
            taken.append(self._requests.popleft())
        return taken

    def close(self) -> None:
        """Stop listening; connections end, waiting requests get no reply."""
        self._stopping = True
        self._wake()
        self._thread.join(2.0)
        with contextlib.suppress(FileNotFoundError):
            self.path.unlink()
        self._lock.close()

    def _wake(self) -> None:
        with contextlib.suppress(BlockingIOError, OSError):
            self._wake_out.send(b"x")  # a full pipe wakes as well

    # ---- the thread's side --------------------------------------------------------------

    def _serve(self) -> None:
        try:
            while not self._stopping:
                for key, ready in self._selector.select():
                    if key.fileobj is self._listener:
                        self._accept()
                    elif key.fileobj is self._wake_in:
                        self._send_replies()
                    else:
                        self._tend(key.data, ready)
        finally:
            for client in list(self._clients):
                self._end(client)
            for link in (self._listener, self._wake_in, self._wake_out):
                link.close()
            self._selector.close()

    def _accept(self) -> None:
        try:
            link, _ = self._listener.accept()
        except OSError:
            return  # the other side left before we came
        if len(self._clients) >= CLIENTS_MAX:
            link.close()
            return
        link.setblocking(False)
        client = _Client(link)
        self._clients.add(client)
        self._selector.register(link, selectors.EVENT_READ, client)

    def _tend(self, client: _Client, ready: int) -> None:
        try:
            if ready & selectors.EVENT_READ:
                data = client.link.recv(LINE_BYTES_MAX)
                if not data:
                    self._end(client)
                    return
                client.heard += data
                self._take_lines(client)
            if client.open and ready & selectors.EVENT_WRITE:
                self._send(client)
        except BlockingIOError:
            return
        except OSError:
            self._end(client)

    def _take_lines(self, client: _Client) -> None:
        *lines, client.heard = client.heard.split(b"\n")
        for line in lines:
            try:
                request = json.loads(line)
            except ValueError:
                request = None
            if not isinstance(request, dict) or not isinstance(request.get("ask"), str):
                self._queue(client, {"error": "a request is one JSON object a line, with an ask"})
            elif len(self._requests) >= REQUESTS_MAX:
                self._queue(client, {"error": "too many requests wait; ask again in a second"})
            else:
                self._requests.append((request, self._reply_to(client)))
        if len(client.heard) > LINE_BYTES_MAX:
            self._end(client)

    def _reply_to(self, client: _Client) -> Reply:
        def reply(answer: dict[str, Any]) -> None:
            self._replies.append((client, answer))
            self._wake()

        return reply

    def _send_replies(self) -> None:
        with contextlib.suppress(BlockingIOError):
            self._wake_in.recv(4096)
        while self._replies:
            client, answer = self._replies.popleft()
            if client.open:
                self._queue(client, answer)

    def _queue(self, client: _Client, answer: dict[str, Any]) -> None:
        client.unsent += json.dumps(answer, default=str).encode() + b"\n"
        if len(client.unsent) > REPLY_BYTES_MAX:
            self._end(client)
            return
        try:
            self._send(client)
        except OSError:
            self._end(client)

    def _send(self, client: _Client) -> None:
        with contextlib.suppress(BlockingIOError):
            while client.unsent:
                sent = client.link.send(client.unsent)
                client.unsent = client.unsent[sent:]
        wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if client.unsent else 0)
        self._selector.modify(client.link, wanted, client)

    def _end(self, client: _Client) -> None:
        if not client.open:
            return
        client.open = False
        self._clients.discard(client)
        self._selector.unregister(client.link)
        client.link.close()


def ask(
    site_folder: str | Path, request: Request, timeout_s: float = ANSWER_TIMEOUT_S
) -> dict[str, Any]:
    """One question to the running controller of that site folder, and its answer.

    Raises NoController if none runs, or one holds the socket and does not answer.
    """
    path = socket_path(site_folder)
    link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    link.settimeout(timeout_s)
    try:
        link.connect(str(path))
        link.sendall(json.dumps(request).encode() + b"\n")
        heard = b""
        while not heard.endswith(b"\n"):
            data = link.recv(LINE_BYTES_MAX)
            if not data:
                raise NoController(
                    f"the controller of {site_folder} ended the connection without an answer;"
                    f" see whether it still runs: linectl status {site_folder}"
                )
            heard += data
    except (FileNotFoundError, ConnectionRefusedError) as error:
        raise NoController(
            f"no controller of {site_folder} runs for this user on this machine;"
            f" start one with: linectl run {site_folder}"
        ) from error
    except TimeoutError as error:
        raise NoController(
            f"the controller of {site_folder} holds its socket and did not answer within"
            f" {timeout_s:g} s: its scan stands. Look at its own output, then start it again."
        ) from error
    except OSError as error:
        raise NoController(f"{path}: {error.strerror or error}") from error
    finally:
        link.close()
    answer: dict[str, Any] = json.loads(heard)
    return answer
