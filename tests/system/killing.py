"""Killing the daemon again and again at random moments, and looking at what each death has left behind."""

from __future__ import annotations

import random
import signal
import sqlite3
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from tests.system.rigs import Daemon, Rig, daemon_on, lungfish, rig_for, until, write_site

from lungfish.store import Archive, StoredReading

TANKS = 3
LONGEST_LIFE_S = 6.0
"""Start, look, fill, hold and shut-in of the first cycles, and the beginning of the second ones."""
SHORTEST_LIFE_S = 0.3


@dataclass
class Report:
    """What a row of kills has come to."""

    kills: int = 0
    while_open: int = 0
    committed: int = 0
    openings: int = 0
    aborted_rows: int = 0


class Campaign:
    """Kills, one after the other, on one store and one rig."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.folder = folder
        self.store = folder / "site.db"
        self.random = random.Random(seed)
        self.report = Report()
        self.committed: set[tuple[str, str]] = set()
        """Tank and monotonic time of each reading that the log has called kept."""

    def run(self, kills: int) -> Report:
        """Kill so often; every check is made after every kill."""
        file = write_site(self.folder, tanks=TANKS, simultaneous=2, every="6 s", max_open="5 s")
        with rig_for(file, tanks=TANKS) as rig:
            for number in range(kills):
                self._live_and_die(file, rig, number)
                self._look_at_store()
                if number % 2:
                    self._shut_by_command(file, rig)
            self._last_life(file, rig)
        return self.report

    def _live_and_die(self, file: Path, rig: Rig, number: int) -> None:
        log = self.folder / f"log-{number}"
        left_open, moves_before = rig.open_now(), len(rig.moves)
        with daemon_on(file, log) as daemon:
            if number == 0:  # so that there is something to lose
                until(lambda: daemon.events("reading"), 30.0)
            elif number == 1:  # so that one death at least meets an open valve
                until(lambda: any(is_open for _, is_open, _ in rig.moves[moves_before:]) and rig.open_now(), 30.0)
            else:
                time.sleep(self.random.uniform(SHORTEST_LIFE_S, LONGEST_LIFE_S))
            daemon.process.send_signal(signal.SIGKILL)
            daemon.process.wait()
        self.report.kills += 1
        time.sleep(0.05)  # what it had sent before it died has then arrived
        self._look_at_start(rig.moves[moves_before:], left_open)
        self.report.while_open += bool(rig.open_now())
        self._note_committed(daemon)
        log.unlink()

    def _look_at_start(self, moves: list[tuple[str, bool, float]], left_open: list[str]) -> None:
        """Whatever the last death left open is shut before anything is opened."""
        still_open = set(left_open)
        for tank, is_open, _ in moves:
            if is_open:
                assert not still_open, f"{tank} was opened while {still_open} were not shut yet"
                break
            still_open.discard(tank)

    def _note_committed(self, daemon: Daemon) -> None:
        for line in daemon.events("reading"):
            if line["kept"] == "yes":
                self.committed.add((line["tank"], line["monotonic_s"]))
        for line in daemon.lines():
            assert line.get("event") != "fault", line
        self.report.committed = len(self.committed)

    def _look_at_store(self) -> None:
        if not self.store.exists():
            assert not self.committed
            return
        connection = sqlite3.connect(self.store)
        try:
            assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        finally:
            connection.close()
        there = {(row.tank, f"{row.at.monotonic_s:.6f}") for row in self._rows()}
        assert self.committed <= there, f"lost: {self.committed - there}"

    def _rows(self) -> list[StoredReading]:
        with Archive(self.store) as archive:
            return list(archive.readings())

    def _shut_by_command(self, file: Path, rig: Rig) -> None:
        done = lungfish("shut", file)
        assert done.returncode == 0, done.stderr
        assert done.stdout.count("confirmed shut") == TANKS
        until(lambda: not rig.open_now(), 1.0)

    def _last_life(self, file: Path, rig: Rig) -> None:
        """One more start, which tells what the last death left unfinished, and an orderly end."""
        with daemon_on(file, self.folder / "log-last") as daemon:
            until(lambda: daemon.events("start"), 10.0)
            assert daemon.end(signal.SIGTERM) == 0
            self._note_committed(daemon)
        assert rig.open_now() == []
        self._look_at_store()
        rows = self._rows()
        openings = Counter(tank for tank, is_open, _ in rig.moves if is_open)
        told = Counter(row.tank for row in rows if row.purge_s is None or row.purge_s > 0)
        for tank, count in openings.items():
            # every opening has a row; a death between announcing and opening leaves one row more
            assert count <= told[tank] <= count + self.report.kills
        assert rig.longest_open_s() < LONGEST_LIFE_S + 15.0
        aborted = [row for row in rows if row.diagnosis == "aborted"]
        assert all(row.level_m is None and row.quality == "bad" for row in aborted)
        self.report.openings = sum(openings.values())
        self.report.aborted_rows = len(aborted)
