"""Writers that are killed, and the check of what they leave: all acknowledged rows, and no number missing."""

from __future__ import annotations

import math
import os
import random
import select
import signal
import struct
import time
from dataclasses import dataclass
from pathlib import Path

from lungfish.ports import Stamp
from lungfish.store import Archive, Store
from tests.store.samples import integrity, reading, stamp

_ACK = struct.Struct("<q")


@dataclass
class Toll:
    """What a series of kills has shown."""

    kills: int = 0
    """Writers killed."""
    acknowledged: int = 0
    """Readings that a writer was told are on disk."""
    lost: int = 0
    """Of those, not found afterwards."""
    aborted: int = 0
    """Openings that a death left without a reading, and that got their row."""


def write_until_killed(path: Path, acks: int, first: int, *, ack_early: bool) -> None:
    """Announce, read, acknowledge, for ever. `ack_early` is the control: it says so before the disk has it."""
    store = Store.open(path)
    for intent in store.unfinished_intents():
        store.put_aborted(intent, "the daemon died")
    n = first
    while True:
        n += 1
        announced = store.announce("sump", stamp(n))
        assert ack_early or announced.result()
        store.put_reading(reading(n + 0.5, evidence={"n": n}))
        if ack_early or store.flush().result():
            os.write(acks, _ACK.pack(n))


def kill_once(path: Path, rng: random.Random, first: int, *, ack_early: bool) -> list[int]:
    """Start a writer, kill it at a random moment.

    Returns:
        The numbers that it acknowledged.
    """
    ready, acks = os.pipe()
    pid = os.fork()
    if pid == 0:
        try:
            os.close(ready)
            write_until_killed(path, acks, first, ack_early=ack_early)
        finally:
            os._exit(1)
    os.close(acks)
    try:
        select.select([ready], [], [], 10.0)  # the first acknowledgement: it is at work
        time.sleep(rng.expovariate(1 / 0.004))
        os.kill(pid, signal.SIGKILL)
        status = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
        assert status == -signal.SIGKILL, f"the writer ended by itself: {status}"
        got = b"".join(iter(lambda: os.read(ready, 65536), b""))
    finally:
        os.close(ready)
    return [n for (n,) in _ACK.iter_unpack(got)]


def kill_many(path: Path, kills: int, seed: int, *, ack_early: bool = False) -> Toll:
    """Kill writers on one store, one after the other, and look at what is left each time.

    Args:
        path: the store.
        kills: how many.
        seed: of the random moments.
        ack_early: the control, that must lose rows.
    """
    rng = random.Random(seed)
    toll = Toll()
    last = 0
    for _ in range(kills):
        acknowledged = kill_once(path, rng, last, ack_early=ack_early)
        with Archive(path) as archive:
            kept = sorted(archive.readings(), key=lambda one: one.id)
            openings = [*(_opening(one.at) for one in kept), *(_opening(one.at) for one in archive.intents())]
        found = [one.evidence["n"] for one in kept if "n" in one.evidence]
        toll.kills += 1
        toll.acknowledged += len(acknowledged)
        toll.lost += len(set(acknowledged).difference(found))
        last = max([last, *acknowledged, *openings])
        assert [one.seq for one in kept] == list(range(1, len(kept) + 1)), f"seed {seed}: a number is missing"
        assert len(set(found)) == len(found), f"seed {seed}: a reading stands there twice"
    with Store.open(path) as store:
        for intent in store.unfinished_intents():
            store.put_aborted(intent, "the daemon died")
    assert integrity(path) == "ok"
    with Archive(path) as archive:
        assert archive.intents() == []
        rows = list(archive.readings())
    toll.aborted = sum(one.diagnosis == "aborted" for one in rows)
    assert sorted(_opening(one.at) for one in rows) == list(range(1, last + 1)) or ack_early, (
        f"seed {seed}: a row lacks"
    )
    return toll


def _opening(at: Stamp) -> int:
    """Which opening a row or an intent belongs to: the reading comes half a second after it."""
    return math.floor(at.monotonic_s - stamp().monotonic_s)
