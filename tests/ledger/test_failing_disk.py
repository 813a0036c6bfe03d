"""S32: a disk that fails: the line is told why, nothing told is lost, nothing is there twice.

The failures are real ones: a full file system of its own, a limit on the file's size (the kernel
answers EFBIG, which SQLite reports as an I/O error), bytes overwritten in the file, another
process's lock, a file taken away. Those that need it play in a child process.
"""

from __future__ import annotations

import ctypes
import os
import resource
import signal
import sqlite3
import subprocess
import sys
import threading
import time
import traceback
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from linectl.errors import LedgerUnreachable
from linectl.image import Event
from linectl.ledger import Ledger, LedgerWriter

CLONE_NEWNS, CLONE_NEWUSER = 0x00020000, 0x10000000
LIMIT_S = 20.0


def until(true: Callable[[], bool], what: str) -> None:
    """Wait for what another thread or process does."""
    end_s = time.monotonic() + LIMIT_S
    while not true():
        assert time.monotonic() < end_s, f"not within {LIMIT_S:g} s: {what}"
        threading.Event().wait(0.002)


class Line:
    """What a running line tells its ledger, and what of it is acknowledged."""

    def __init__(self, path: str, site, journey) -> None:
        self.path, self.journey = path, journey
        self.ledger = Ledger.open(path, site)
        self.writer = LedgerWriter(self.ledger, retry_s=0.005)
        self.gutters = 0

    def sow(self) -> None:
        """A gutter on its way in and a stroke, handed over as one scan would; never waits."""
        self.gutters += 1
        self.writer.put([*self.journey.sow(self.gutters), *self.journey.stroke("lane1.germ")], [])

    def acknowledged(self) -> None:
        until(lambda: self.writer.durable() == self.journey.words, f"{self.writer.fault()}")

    def fails(self, says: str) -> None:
        until(lambda: self.writer.fault() is not None, "a fault")
        assert says in (self.writer.fault() or ""), self.writer.fault()
        assert self.path in (self.writer.fault() or "")

    def end(self) -> None:
        """All is on disk, and through another connection each word is there exactly once."""
        self.acknowledged()
        assert self.writer.fault() is None
        self.look(self.gutters)
        assert self.writer.close()
        self.ledger.close()
        self.look(self.gutters)

    def look(self, gutters: int) -> None:
        """A second connection finds these gutters whole, and nothing of later ones."""
        other = sqlite3.connect(self.path)
        try:
            numbers = other.execute("SELECT number FROM moves WHERE took_ms IS NOT NULL")
            assert [n for (n,) in numbers] == list(range(1, 11 * gutters + 1))
            assert other.execute("SELECT count(*) FROM moves").fetchone() == (11 * gutters,)
            stand = other.execute("SELECT gutter, slot FROM slots ORDER BY gutter").fetchall()
            assert stand == [(n, gutters - n + 1) for n in range(1, gutters + 1)]
            assert other.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        finally:
            other.close()


def play(line: Line, spoil: Callable[[], None], mend: Callable[[], None], says: str) -> None:
    """A disk that works, fails while words come, and works again."""
    line.sow()
    line.acknowledged()
    spoil()
    line.sow()
    line.fails(says)
    line.sow()  # the scan goes on telling, and is not held up
    assert line.writer.durable() == 22
    line.look(1)
    mend()
    line.end()
    assert line.gutters == 3


def in_a_child(act: Callable[[], None]) -> None:
    """Do `act` in a process of its own; its failures are this test's."""
    sys.stdout.flush()
    child = os.fork()
    if child == 0:
        status = 1
        try:
            act()
            status = 0
        except BaseException:  # noqa: BLE001 told to the parent
            traceback.print_exc()
            sys.stderr.flush()
        finally:
            os._exit(status)
    assert os.waitpid(child, 0)[1] == 0, "the child process failed; see its traceback"


# full --------------------------------------------------------------------------------------------


def test_a_database_at_its_greatest_size_is_told_as_a_full_disk(path, site, journey):
    line = Line(path, site, journey)

    def pages(most: int) -> None:
        line.ledger._connection.execute(f"PRAGMA max_page_count = {most}")

    count = line.ledger._connection.execute("PRAGMA page_count").fetchone()[0]
    line.sow()
    line.acknowledged()
    pages(count)
    while line.writer.fault() is None and line.gutters < 3:  # what is free within is used first
        line.writer.put([], [Event(0, "note", "fill", "x" * 20_000, {})])
        until(lambda: not line.writer._queue or line.writer.fault() is not None, "the disk")
    line.sow()
    line.fails("the disk is full; free space, the record goes on by itself")
    assert line.writer.durable() == 22
    line.look(1)
    pages(1 << 20)
    line.end()


def own_tmpfs(folder: Path) -> bool:
    """In a child: mount a file system of 1 MB, seen by this process alone. False: not allowed."""
    libc = ctypes.CDLL(None, use_errno=True)
    uid, gid = os.getuid(), os.getgid()
    if libc.unshare(CLONE_NEWNS) != 0:
        if libc.unshare(CLONE_NEWNS | CLONE_NEWUSER) != 0:
            return False
        Path("/proc/self/setgroups").write_text("deny")
        Path("/proc/self/uid_map").write_text(f"0 {uid} 1")
        Path("/proc/self/gid_map").write_text(f"0 {gid} 1")
    private = 1 << 18 | 1 << 14  # MS_PRIVATE | MS_REC: nothing of this is seen outside
    if libc.mount(b"none", b"/", None, private, None) != 0:
        return False
    return bool(libc.mount(b"tmpfs", bytes(folder), b"tmpfs", 0, b"size=1m") == 0)


def remount(folder: Path, read_only: bool) -> None:
    flags = 1 << 5 | (1 if read_only else 0)  # MS_REMOUNT | MS_RDONLY
    libc = ctypes.CDLL(None, use_errno=True)
    answer = libc.mount(b"tmpfs", bytes(folder), b"tmpfs", flags, None)
    assert answer == 0, os.strerror(ctypes.get_errno())


def obey_rights() -> None:
    """This process gives up what lets root write in spite of a file's rights."""
    header = (ctypes.c_uint32 * 2)(0x20080522, 0)  # _LINUX_CAPABILITY_VERSION_3, itself
    assert ctypes.CDLL(None).capset(header, (ctypes.c_uint32 * 6)()) == 0


def limit_files(most: int) -> None:
    """No file of this process grows beyond `most` bytes: a write answers EFBIG."""
    hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, hard))


def full_disk(folder: Path, site, journey) -> None:
    """On a file system of its own; where none may be mounted, with the limit that is left."""
    if not own_tmpfs(folder):
        print("no file system may be mounted here: a limit on file sizes stands for it")
        io_error(folder, site, journey)
        return
    ballast = folder / "ballast"

    def fill() -> None:
        with ballast.open("wb", buffering=0) as file:
            try:
                while True:
                    file.write(b"x" * 4096)
            except OSError as error:
                assert error.errno == 28  # ENOSPC

    line = Line(str(folder / "line.sqlite3"), site, journey)
    says = "the disk is full; free space, the record goes on by itself"
    play(line, fill, ballast.unlink, says)


def test_a_full_file_system_loses_nothing_and_goes_on_when_there_is_room(tmp_path, site, journey):
    in_a_child(partial(full_disk, tmp_path, site, journey))


# input and output errors, a disk that can only be read -------------------------------------------


def io_error(folder: Path, site, journey) -> None:
    path = folder / "line.sqlite3"
    line = Line(str(path), site, journey)
    play(
        line,
        lambda: limit_files(os.path.getsize(f"{path}-wal")),
        lambda: limit_files(resource.RLIM_INFINITY),
        "the disk reports an error; check disk and cable, keep the file",
    )


def test_an_input_output_error_loses_nothing_and_is_tried_again(tmp_path, site, journey):
    in_a_child(partial(io_error, tmp_path, site, journey))


def read_only(folder: Path, site, journey) -> None:
    if not own_tmpfs(folder):
        print("no file system may be mounted here: rights on the file stand for it")
    path = str(folder / "line.sqlite3")
    line = Line(path, site, journey)
    line.sow()
    line.end()
    mounted = os.path.ismount(folder)
    if mounted:
        remount(folder, True)
    else:
        obey_rights()
        os.chmod(path, 0o444)
        os.chmod(folder, 0o555)
    with pytest.raises(LedgerUnreachable, match=r"can only be read|cannot be opened") as refused:
        Ledger.open(path, site)
    assert "write" in str(refused.value)
    if mounted:
        remount(folder, False)
    else:
        os.chmod(folder, 0o755)
        os.chmod(path, 0o644)
    again = Ledger.open(path, site)
    assert again.next_gutter() == 2
    again.close()


def test_a_disk_that_can_only_be_read_is_said_so_and_nothing_is_begun(tmp_path, site, journey):
    in_a_child(partial(read_only, tmp_path, site, journey))


def test_a_ledger_that_may_no_longer_be_written_waits_for_its_right(path, site, journey):
    line = Line(path, site, journey)
    own = line.ledger._connection
    play(
        line,
        lambda: own.execute("PRAGMA query_only = ON"),
        lambda: own.execute("PRAGMA query_only = OFF"),
        "it can only be read",
    )


# damage, locks, a file that is taken away --------------------------------------------------------


def page_of(path: str, name: str) -> int:
    other = sqlite3.connect(path)
    try:
        root = other.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (name,))
        return int(root.fetchone()[0])
    finally:
        other.close()


def overwrite(path: str, page: int, data: bytes) -> bytes:
    """Put bytes in the place of a page's first ones; returns what was there."""
    with open(path, "r+b") as file:
        file.seek((page - 1) * 4096)
        was = file.read(len(data))
        file.seek((page - 1) * 4096)
        file.write(data)
    return was


@pytest.mark.parametrize("name", ["gutters", "gutters_by_place", "moves", "events", "places"])
def test_a_damaged_page_is_met_in_opening_or_writing_and_nothing_is_made_worse(
    path, site, journey, events, name
):
    first = Line(path, site, journey)
    for _ in range(2):
        first.sow()
    first.writer.put([], events(5))
    first.end()
    page = page_of(path, name)
    was = overwrite(path, page, b"\xff" * 512)
    damaged = Path(path).read_bytes()
    with pytest.raises(LedgerUnreachable, match=r"damaged; keep the file as it is.*backup"):
        ledger = Ledger.open(path, site)
        try:
            ledger.record(journey.sow(9), events(1))
        finally:
            ledger.close()
    assert Path(path).read_bytes()[(page - 1) * 4096 :][:512] == b"\xff" * 512
    assert len(damaged) == len(Path(path).read_bytes())
    overwrite(path, page, was)
    first.look(2)


def test_a_page_damaged_under_a_running_controller_is_said_and_waited_for(path, site, journey):
    line = Line(path, site, journey)
    line.sow()
    line.acknowledged()
    own = line.ledger._connection
    own.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # so that pages are read from the file itself
    page = page_of(path, "moves_by_gutter")
    was = overwrite(path, page, b"\xff" * 512)
    own.execute("PRAGMA shrink_memory")
    line.sow()
    line.fails("it is damaged; keep the file as it is and go back to a backup copy")
    assert line.writer.durable() == 22
    overwrite(path, page, was)
    line.end()


HOLD = """
import sqlite3, sys
other = sqlite3.connect(sys.argv[1], isolation_level=None)
other.execute("BEGIN EXCLUSIVE")
print("held", flush=True)
sys.stdin.read()
other.execute("ROLLBACK")
"""


def test_another_processs_lock_is_waited_for_and_named(path, site, journey, monkeypatch):
    monkeypatch.setattr("linectl.ledger.opening.BUSY_MS", 20)
    line = Line(path, site, journey)
    held: list[subprocess.Popen[str]] = []

    def hold() -> None:
        command = [sys.executable, "-c", HOLD, path]
        held.append(
            subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        )
        assert held[0].stdout is not None and held[0].stdout.readline() == "held\n"

    play(line, hold, lambda: held[0].communicate(), "another program holds it locked")


def test_a_ledger_taken_from_under_the_controller_is_noticed_and_goes_on_when_it_is_back(
    path, site, journey
):
    line = Line(path, site, journey)
    line.sow()
    line.acknowledged()
    for name in (path, path + "-wal"):
        os.rename(name, name + ".away")
        line.sow()
        line.fails("was moved, removed or replaced under the controller")
        assert line.writer.durable() < journey.words
        os.rename(name + ".away", name)
        line.acknowledged()
    line.end()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_writer_that_dies_of_a_mistake_is_said_and_acknowledges_nothing(
    path, site, journey, monkeypatch
):
    def mistake(moves: object, events: object) -> None:
        raise ZeroDivisionError

    line = Line(path, site, journey)
    monkeypatch.setattr(line.ledger, "record", mistake)
    line.sow()
    line.fails("the program that writes it has failed")
    assert line.writer.durable() == 0
    assert not line.writer.close()
    line.ledger.close()
    line.look(0)
