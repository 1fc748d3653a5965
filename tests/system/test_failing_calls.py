"""System calls that fail under the daemon: whichever, whenever, however often, the valve ends shut and no level lies.

The real daemon, started as its service manager starts it, with a library before libc that lets the n-th call of a kind
fail on its sockets and on everything in its directory. 1,100 points with
`pytest -m campaign -s tests/system/test_failing_calls.py`, half an hour; a few of them without the mark.

What shuts the valve of a daemon that dies is the process beside it; should that fail as well, `lungfish shut`, which
systemd runs after every end (`ExecStopPost`). Both are tried here as they would be, and counted.
"""

from __future__ import annotations

import errno
import random
import shutil
import signal
import sqlite3
import subprocess
import time
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest
from tests.system.rigs import HEAD, LEVEL_M, TANK, Daemon, Rig, daemon_on, free_port, lungfish, rig_for

from lungfish.errors import StoreError
from lungfish.store import Archive

WORKERS = 4
SETTLE_S = 2.0
"""So long after the end of the daemon the process beside it has to shut the valve."""
PATIENCE_S = 12.0
CALLS = {"open": 33, "read": 218, "write": 286, "sync": 30, "connect": 1}
"""As many of each kind are made from the start to the first reading and the stop."""
ERRORS = ("EIO", "ENOSPC", "EROFS", "EINTR", "ENOMEM")
WRONG_M = 0.02


@dataclass(frozen=True)
class Point:
    """Which calls fail."""

    kind: str
    at: int
    number: int
    """How many in a row; a million: all from there on."""
    error: str


@dataclass(frozen=True)
class Outcome:
    """What came of it."""

    point: Point
    injected: bool
    """At least one call failed."""
    readings: int
    wrong: int
    """Levels called good that are off by more than 20 mm."""
    by_stop_post: bool
    """The valve was open until `lungfish shut` ran."""
    left_open: bool
    """And after that."""
    sound: bool
    """The store is sound, or can't be opened and says so."""
    ended: str


def points(count: int) -> list[Point]:
    """Every kind as often as any other, every error, once, some times, and for good; at random places."""
    rng = random.Random(20261201)
    found = []
    for number in range(count):
        kind = list(CALLS)[number % len(CALLS)]
        error = ERRORS[number // len(CALLS) % len(ERRORS)]
        many = rng.choice((1, 1, 3, 20, 1_000_000))
        if error == "EINTR":
            many = min(many, 20)  # whoever is told so tries again, as POSIX wants it
        found.append(Point(kind, rng.randint(1, CALLS[kind]), many, error))
    return found


def site_of(folder: Path, port: int, workers: Sequence[int]) -> Path:
    folder.mkdir()
    text = HEAD.format(store="site.db", port=port, simultaneous=len(workers))
    for number in workers:
        text += TANK.format(
            name=f"t{number}", unit=number + 1, coil=number, max_open="8 s", every="10 s", damping="100 ms", vent=""
        )
    file = folder / "site.yaml"
    file.write_text(text, encoding="utf-8")
    return file


def failing(library: Path, folder: Path, port: int, worker: int, rig: Rig, point: Point) -> Outcome:
    file = site_of(folder, port, [worker])
    told, tank = folder.with_suffix(".told"), f"t{worker}"
    environment = {
        "LD_PRELOAD": str(library),
        "FAIL_KIND": point.kind,
        "FAIL_AT": str(point.at),
        "FAIL_FOR": str(point.number),
        "FAIL_ERRNO": str(getattr(errno, point.error)),
        "FAIL_UNDER": str(folder),
        "FAIL_TELL": str(told),
        "RUNTIME_DIRECTORY": str(folder / "run"),
    }
    (folder / "run").mkdir()
    with daemon_on(file, folder.with_suffix(".log"), environment) as daemon:
        ended = _until_its_end(daemon)
    deadline_s = time.monotonic() + SETTLE_S
    while rig.is_open.get(tank, False) and time.monotonic() < deadline_s:
        time.sleep(0.02)
    by_stop_post = rig.is_open.get(tank, False)
    if by_stop_post:
        lungfish("shut", file)
        time.sleep(0.2)
    levels, sound = _levels(folder / "site.db")
    wrong = sum(abs(level_m - LEVEL_M) > WRONG_M for level_m in levels)
    injected = told.exists() and any(int(line.split()[-1]) > 0 for line in told.read_text().splitlines())
    left_open = rig.is_open.get(tank, False)
    shutil.rmtree(folder)
    return Outcome(point, injected, len(levels), wrong, by_stop_post, left_open, sound, ended)


def _until_its_end(daemon: Daemon) -> str:
    """Stop it after its first reading, or when none comes; how it ended."""
    deadline_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline_s and daemon.process.poll() is None and not _has_read(daemon):
        time.sleep(0.05)
    if daemon.process.poll() is not None:
        return f"by itself, {daemon.process.returncode}"
    try:
        return f"stopped, {daemon.end(signal.SIGTERM)}"
    except subprocess.TimeoutExpired:
        return "killed"


def _has_read(daemon: Daemon) -> bool:
    return "event=reading " in daemon.log.read_text(encoding="utf-8")  # not every line is whole, with calls that fail


def _levels(store: Path) -> tuple[list[float], bool]:
    """Levels that were called good, and whether the store is sound, or is none and says so."""
    if not store.exists():
        return [], True
    try:
        with closing(sqlite3.connect(store)) as connection:
            sound = connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    except sqlite3.Error:
        return [], store.stat().st_size == 0  # its making failed
    try:
        with Archive(store) as archive:
            rows = list(archive.readings())
    except StoreError:
        return [], sound  # not all of its tables were made: the next start makes the others
    return [row.level_m for row in rows if row.quality == "good" and row.level_m is not None], sound


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("library") / "failing_calls.so"
    source = Path(__file__).with_name("failing_calls.c")
    subprocess.run(["gcc", "-shared", "-fPIC", "-O1", "-o", made, source, "-ldl"], check=True)
    return made


@pytest.mark.parametrize(
    "count",
    [
        pytest.param(5, id="few", marks=pytest.mark.timeout(300)),
        pytest.param(1100, id="all", marks=[pytest.mark.campaign, pytest.mark.timeout(4 * 3600)]),
    ],
)
def test_whichever_call_fails_the_valve_ends_shut_and_no_level_lies(library: Path, tmp_path: Path, count: int) -> None:
    port = free_port()
    everyone = site_of(tmp_path / "rig", port, range(WORKERS))
    free = list(range(WORKERS))

    def one(numbered: tuple[int, Point]) -> Outcome:
        number, point = numbered
        worker = free.pop()
        try:
            return failing(library, tmp_path / f"p{number}", port, worker, rig, point)
        finally:
            free.append(worker)

    outcomes: list[Outcome] = []
    with rig_for(everyone, tanks=WORKERS) as rig, ThreadPoolExecutor(WORKERS) as pool:
        for outcome in pool.map(one, enumerate(points(count))):
            outcomes.append(outcome)
            if len(outcomes) % 100 == 0:
                print(f"{len(outcomes)} of {count}", flush=True)
    injected = [each for each in outcomes if each.injected]
    print(f"\n{len(injected)} of {count} points were reached: {dict(Counter(each.point.kind for each in injected))}")
    print(f"ended: {dict(Counter(each.ended for each in outcomes).most_common())}")
    print(f"valves shut only by what runs after the end: {sum(each.by_stop_post for each in outcomes)}")
    print(f"readings: {sum(each.readings for each in outcomes)}")
    for each in outcomes:
        if each.left_open or each.wrong or not each.sound or each.ended == "killed":
            print(each)
    assert not any(each.left_open for each in outcomes)
    assert not any(each.wrong for each in outcomes)
    assert all(each.sound for each in outcomes)
    assert len(injected) >= 0.5 * count, "else it would hold for want of trying; a busy machine makes fewer calls"
