"""The unit under a real systemd: killed or hung in any phase, the valve is shut and the daemon comes back.

The long form: `pytest -m campaign -s tests/system/test_box.py`, as root.
"""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from tests.system.box import Box, box
from tests.system.rigs import Rig, fields_of, rig_for, until, write_site

from lungfish.store import Archive

PHASES = ("look", "fill", "hold", "shut-in", "done")
OPEN = ("fill", "hold")
AT_WORK = 8
"""Daemons at once: most of a life is waiting."""
SHUT_WITHIN_S = 1.0
BACK_WITHIN_S = 30.0
WATCHDOG_S = 3.0
IN_FLIGHT_S = 0.1
"""A command that was on its way when its sender died arrives within this."""

pytestmark = pytest.mark.needs_systemd


@dataclass
class Report:
    """What has come of the deaths."""

    deaths: Counter[str] = field(default_factory=Counter)
    """By phase, or by the kind of stall."""
    while_open: int = 0
    not_shut: list[str] = field(default_factory=list)
    not_back: int = 0
    latencies_s: list[float] = field(default_factory=list)
    committed: int = 0
    lost: int = 0

    def told(self) -> str:
        slowest = max(self.latencies_s, default=0.0)
        median = sorted(self.latencies_s)[len(self.latencies_s) // 2] if self.latencies_s else 0.0
        return (
            f"deaths {dict(self.deaths)}; {self.while_open} with the valve open, shut after {median:.3f} s (median), "
            f"{slowest:.3f} s (longest); late or never {len(self.not_shut)}; not back {self.not_back}; readings "
            f"committed {self.committed}, lost {self.lost}"
        )


class Life:
    """One daemon in the box, with the rig that it drives."""

    def __init__(self, the_box: Box, rig: Rig, name: str, state: Path, report: Report, seed: int) -> None:
        self.box, self.rig, self.name, self.state, self.report = the_box, rig, name, state, report
        self.random = random.Random(seed)

    def phase(self) -> tuple[str, str]:
        """Process as it numbers itself, and phase; empty before the first step."""
        try:
            words = (self.state / "phase").read_text(encoding="ascii").split()
        except FileNotFoundError:
            words = []
        return (words[0], words[1]) if len(words) == 2 else ("", "")

    def wait_for(self, *phases: str) -> None:
        until(lambda: self.phase()[1] in phases, 60.0)

    def kill_in(self, phase: str) -> None:
        """SIGKILL somewhere in a phase; a phase that ended just before is counted as the one that it had become."""
        self.wait_for(phase)
        time.sleep(self.random.uniform(0.0, 0.3))
        process = self.box.main_process(self.name)
        if process is None:  # the end of the last life, not yet over
            return self.kill_in(phase)
        died_in = self.phase()
        at_s = time.monotonic()
        os.kill(process, signal.SIGKILL)
        self.report.deaths[died_in[1]] += 1
        self.look(died_in[0], at_s, SHUT_WITHIN_S)
        return None

    def stall(self, kind: str) -> None:
        """Let the loop or the whole interpreter stand still with the valve open."""
        until(lambda: self.phase()[1] in OPEN and self.rig.open_now(), 60.0)
        died = self.phase()[0]
        (self.state / "stall").write_text(kind, encoding="ascii")
        until(lambda: (self.state / "stalled").exists() and (self.state / "stalled").read_text() != "", 10.0)
        at_s = float((self.state / "stalled").read_text())
        (self.state / "stalled").unlink()
        self.report.deaths[kind] += 1
        self.look(died, at_s, WATCHDOG_S + 1.0)

    def look(self, dead: str, at_s: float, within_s: float) -> None:
        """Is the valve shut in time, is a new daemon there, is every reading kept?"""
        time.sleep(IN_FLIGHT_S)
        moves = list(self.rig.moves)
        before = [move for move in moves if move[2] <= at_s]
        late_opening = any(is_open for _, is_open, moved_s in moves[len(before) :] if moved_s <= at_s + IN_FLIGHT_S)
        if late_opening or (before and before[-1][1]):
            self.report.while_open += 1
            limit_s = time.monotonic() + within_s + 10.0
            while not (shut := self._shut_after(at_s)) and time.monotonic() < limit_s:
                time.sleep(0.01)
            took_s = shut[0] - at_s if shut else float("inf")
            self.report.latencies_s.append(took_s)
            if took_s > within_s:
                self.report.not_shut.append(f"{self.name}: {took_s:.2f} s")
        deadline_s = time.monotonic() + BACK_WITHIN_S
        while self.phase()[0] in ("", dead):
            if time.monotonic() > deadline_s:
                self.report.not_back += 1
                break
            time.sleep(0.02)

    def _shut_after(self, at_s: float) -> list[float]:
        """When the valve was shut after a moment, last of all that came in flight: monotonic, s; empty: not yet."""
        moves = [(moved_s, is_open) for _, is_open, moved_s in list(self.rig.moves) if moved_s > at_s]
        opened_s = max(
            (moved_s for moved_s, is_open in moves if is_open and moved_s <= at_s + IN_FLIGHT_S), default=0.0
        )
        return [moved_s for moved_s, is_open in moves if not is_open and moved_s > opened_s][:1]

    def count_readings(self) -> None:
        """Every reading that the log called kept is in the store."""
        lines = [fields_of(line) for line in self.box.log(self.name).splitlines() if "event=reading" in line]
        kept = {f"{float(line['monotonic_s']):.6f}" for line in lines if line.get("kept") == "yes"}
        connection = sqlite3.connect(self.state / "site.db")
        try:
            assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        finally:
            connection.close()
        with Archive(self.state / "site.db") as archive:
            there = {f"{row.at.monotonic_s:.6f}" for row in archive.readings()}
        self.report.committed += len(kept)
        self.report.lost += len(kept - there)


def campaign(folder: Path, at_work: int, deaths: list[str], drop_in: str = "") -> Report:
    """Die so often and in such ways, spread over some daemons at once; what fails is in the report."""
    report = Report()
    began_s = time.monotonic()
    with box() as the_box, ExitStack() as rigs:
        lives = []
        for number in range(at_work):
            name = f"lungfish-{number}"
            (folder / name).mkdir()
            file = write_site(folder / name, every="10 s", max_open="8 s")
            rig = rigs.enter_context(rig_for(file))
            changed = f"ExecStartPre=\nRestartSec=200ms\n{drop_in}"  # the growing pause would make days of it
            site = file.read_text(encoding="utf-8").replace("path: site.db", f"path: /var/lib/{name}/site.db")
            state = the_box.place(name, site, changed)
            lives.append(Life(the_box, rig, name, state, report, seed=number))
        with the_box.booted(), ThreadPoolExecutor(at_work) as pool:

            def lived(number: int) -> None:
                for death in deaths[number::at_work]:
                    if death in PHASES:
                        lives[number].kill_in(death)
                    else:
                        lives[number].stall(death)
                    done = report.deaths.total()
                    if done % 50 == 0:
                        print(
                            f"{done:>5} of {len(deaths)} after {time.monotonic() - began_s:.0f} s; {report.told()}",
                            flush=True,
                        )

            try:
                for each in [pool.submit(lived, number) for number in range(at_work)]:
                    each.result()
            except BaseException:
                print(the_box.log("lungfish-0")[-3000:], (the_box.folder / "systemd.log").read_text()[-3000:])
                raise
        for life in lives:
            life.count_readings()
    print(report.told(), flush=True)
    return report


def well(report: Report, deaths: int) -> None:
    assert report.deaths.total() == deaths
    assert report.not_shut == []
    assert report.not_back == 0
    assert report.lost == 0


@pytest.mark.timeout(300)
def test_killed_in_every_phase_the_unit_shuts_the_valve_and_brings_the_daemon_back(tmp_path: Path) -> None:
    report = campaign(tmp_path, 2, [*PHASES, *PHASES])
    well(report, 10)
    assert report.while_open > 0
    assert report.committed > 0


@pytest.mark.timeout(300)
def test_hung_with_the_valve_open_the_watchdog_ends_it_and_the_unit_shuts_the_valve(tmp_path: Path) -> None:
    report = campaign(tmp_path, 2, ["loop", "loop", "lock", "lock"], f"WatchdogSec={WATCHDOG_S:g}s\n")
    well(report, 4)
    assert report.while_open == 4


@pytest.mark.campaign
@pytest.mark.timeout(7200)
def test_a_thousand_kills(tmp_path: Path) -> None:
    deaths = [phase for _ in range(200) for phase in PHASES]
    random.Random(5).shuffle(deaths)
    report = campaign(tmp_path, AT_WORK, deaths)
    well(report, 1000)
    assert min(report.deaths[phase] for phase in PHASES) >= 100
    assert report.committed >= 100


@pytest.mark.campaign
@pytest.mark.timeout(7200)
def test_a_hundred_stalls_and_fifty_with_the_lock_held(tmp_path: Path) -> None:
    deaths = [*["loop"] * 100, *["lock"] * 50]
    random.Random(6).shuffle(deaths)
    report = campaign(tmp_path, AT_WORK, deaths, f"WatchdogSec={WATCHDOG_S:g}s\n")
    well(report, 150)
    assert report.while_open == 150
