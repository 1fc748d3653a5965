"""Whole file systems that fill up, turn read-only or lose their power. They are mounted here, so it needs root."""

from __future__ import annotations

import os
import random
import select
import shutil
import signal
import sqlite3
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from lungfish.core.setup import Learned
from lungfish.store import Archive, Store
from lungfish.store.opening import Connect, connect
from tests.store.samples import NEVER, event_texts, integrity, reading, seqs, stamp

pytestmark = [pytest.mark.campaign, pytest.mark.timeout(600)]


def call(*command: object) -> None:
    """Run a command; its complaint becomes the test's."""
    done = subprocess.run([str(word) for word in command], capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{command}: {done.stderr}"


@contextmanager
def mounted(*options: object) -> Iterator[Path]:
    """Something mounted on a directory of its own."""
    assert os.geteuid() == 0, "mounting needs root"
    with tempfile.TemporaryDirectory() as name:
        call("mount", *options, name)
        try:
            yield Path(name)
        finally:
            call("umount", "--lazy", name)


def fill(directory: Path) -> Path:
    """A file that takes all the room that is left."""
    filler = directory / "filler"
    with suppress(OSError), filler.open("wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))
    assert shutil.disk_usage(directory).free == 0
    return filler


def test_a_full_file_system_is_met_and_outlived() -> None:
    with mounted("-t", "tmpfs", "-o", "size=300k", "tmpfs") as directory:
        path = directory / "site.db"
        store = Store.open(path, now=lambda: stamp(900.0), pauses_s=NEVER)
        put = 0
        while store.flush().result(10):
            store.put_reading(reading(put))
            put += 1
        assert store.trouble is not None
        assert "full" in store.trouble
        for _ in range(20):
            store.put_reading(reading(put))
            put += 1
            store.flush().result(10)
        call("mount", "-o", "remount,size=4m", directory)
        assert store.flush().result(10)
        store.close()
        assert seqs(path) == list(range(1, put + 1))
        assert any("disk is full" in text for text in event_texts(path))
        assert integrity(path) == "ok"


def test_a_start_on_a_full_file_system_goes_on_in_memory() -> None:
    with mounted("-t", "tmpfs", "-o", "size=300k", "tmpfs") as directory:
        path = directory / "site.db"
        with Store.open(path) as store:
            store.announce("sump", stamp(1.0)).result(10)
            store.put_learned("sump", Learned(cycles=5))
        filler = fill(directory)
        store = Store.open(path, now=lambda: stamp(900.0), pauses_s=NEVER)
        assert store.learned("sump") == Learned(cycles=5)
        (intent,) = store.unfinished_intents()
        store.put_aborted(intent, "the daemon died")
        store.put_reading(reading(2.0))
        assert not store.flush().result(10)
        assert store.trouble is not None
        filler.unlink()
        assert store.flush().result(10)
        store.close()
        assert seqs(path) == [1, 2]


def test_a_start_on_a_read_only_file_system_goes_on_in_memory() -> None:
    with mounted("-t", "tmpfs", "-o", "size=1m", "tmpfs") as directory:
        path = directory / "site.db"
        with Store.open(path) as store:
            store.put_reading(reading(0.0))
            store.announce("sump", stamp(1.0)).result(10)
        call("mount", "-o", "remount,ro", directory)
        store = Store.open(path, now=lambda: stamp(900.0), pauses_s=NEVER)
        assert store.trouble is not None
        (intent,) = store.unfinished_intents()
        store.put_aborted(intent, "the daemon died")
        store.put_reading(reading(2.0))
        assert not store.flush().result(10)
        with Archive(path) as archive:
            assert len(list(archive.readings())) == 1
        call("mount", "-o", "remount,rw", directory)
        assert store.flush().result(10)
        store.close()
        assert seqs(path) == [1, 2, 3]


def careless(path: Path) -> sqlite3.Connection:
    """The control: a connection that never forces anything to the disk."""

    class Careless(sqlite3.Connection):
        def execute(self, sql: str, parameters: Any = (), /) -> sqlite3.Cursor:  # noqa: ANN401 -- as in the base
            return super().execute(sql.replace("synchronous = FULL", "synchronous = OFF"), parameters)

    return sqlite3.connect(path, isolation_level=None, check_same_thread=False, factory=Careless)


def write_for_ever(path: Path, acks: int, make: Connect) -> None:
    """Put readings and acknowledge each that is on disk."""
    store = Store.open(path, make=make)
    n = 0
    while True:
        n += 1
        store.put_reading(reading(n))
        if store.flush().result():
            os.write(acks, n.to_bytes(8, "little"))


def cut(image: Path, directory: Path, rng: random.Random, make: Connect) -> tuple[int, int]:
    """Let a writer work on a mounted image, stop it, and look at a copy of what had reached the disk by then.

    Returns:
        Readings acknowledged, and readings found in the copy.
    """
    ready, acks = os.pipe()
    pid = os.fork()
    if pid == 0:
        try:
            write_for_ever(directory / "site.db", acks, make)
        finally:
            os._exit(1)
    try:
        select.select([ready], [], [], 10.0)
        time.sleep(rng.uniform(0.0, 0.05))
        os.kill(pid, signal.SIGSTOP)
        os.waitid(os.P_PID, pid, os.WSTOPPED | os.WNOWAIT)
        copy = image.with_suffix(".cut")
        shutil.copyfile(image, copy)
    finally:
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        os.close(acks)
    acknowledged = len(b"".join(iter(lambda: os.read(ready, 65536), b""))) // 8
    os.close(ready)
    with mounted("-o", "loop", copy) as after:
        path = after / "site.db"
        assert not path.exists() or integrity(path) == "ok"
        found = seqs(path) if path.exists() and acknowledged else []
    assert found == list(range(1, len(found) + 1))
    return acknowledged, len(found)


def cuts(directory: Path, number: int, make: Connect) -> tuple[int, int]:
    """Many cuts, each on a fresh file system.

    Returns:
        Readings acknowledged in all, and those of them that were lost.
    """
    rng = random.Random(11)
    acknowledged = lost = 0
    for _ in range(number):
        image = directory / "disk.img"
        with image.open("wb") as file:
            file.truncate(16 * 2**20)
        call("mkfs.ext4", "-q", "-F", image)
        with mounted("-o", "loop", image) as mount:
            told, found = cut(image, mount, rng, make)
        acknowledged += told
        lost += max(0, told - found)
    return acknowledged, lost


def test_a_power_cut_loses_no_acknowledged_reading(tmp_path: Path) -> None:
    acknowledged, lost = cuts(tmp_path, 60, connect)
    print(f"60 cuts: {acknowledged} acknowledged, {lost} lost")
    assert acknowledged > 60
    assert lost == 0


def test_the_check_finds_a_writer_that_does_not_force_its_commits(tmp_path: Path) -> None:
    """A control: without it, the test above might be blind."""
    acknowledged, lost = cuts(tmp_path, 5, careless)
    assert acknowledged > 0
    assert lost > 0
