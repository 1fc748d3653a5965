"""`run` as a real process over real Modbus TCP: its ways out, its rivals, and the troubles of its surroundings."""

from __future__ import annotations

import resource
import signal
import struct
import subprocess
import time
from itertools import pairwise
from pathlib import Path

import pytest
from tests.system.rigs import daemon_on, lungfish, rig_for, until, write_site

from lungfish.core.reading import Phase
from lungfish.store import Archive, StoredReading


def rows(folder: Path) -> list[StoredReading]:
    with Archive(folder / "site.db") as archive:
        return list(archive.readings())


@pytest.mark.parametrize(
    ("phase", "signal_number"),
    [("start", signal.SIGTERM), ("look", signal.SIGINT), ("open", signal.SIGTERM), ("shut-in", signal.SIGINT)],
)
def test_told_to_stop_in_any_phase_it_shuts_everything_and_ends_well(
    tmp_path: Path, phase: str, signal_number: int
) -> None:
    file = write_site(tmp_path, tanks=2, simultaneous=2)
    with rig_for(file, tanks=2) as rig, daemon_on(file, tmp_path / "log") as daemon:
        until(lambda: daemon.events("start"), 15.0)
        if phase == "look":
            time.sleep(0.5)
        elif phase == "open":
            rig.wait_for_opening(2)
        elif phase == "shut-in":
            until(lambda: len(rig.moves) >= 4, 15.0)
        assert daemon.end(signal_number) == 0
        until(lambda: rig.open_now() == [], 1.0)
        opened = sum(is_open for _, is_open, _ in rig.moves)
    assert "every valve is confirmed shut" in daemon.events("stop")[-1]["text"]
    kept = rows(tmp_path)
    assert sum((row.purge_s or 0.0) > 0.0 for row in kept) == opened
    assert {row.diagnosis for row in kept} <= {"aborted"}
    assert all(row.level_m is None for row in kept)


def test_a_second_daemon_and_a_reading_beside_it_are_refused_and_the_first_goes_on(tmp_path: Path) -> None:
    file = write_site(tmp_path)
    with rig_for(file) as rig, daemon_on(file, tmp_path / "log") as daemon:
        until(lambda: daemon.events("start"), 15.0)
        second = lungfish("run", file)
        assert second.returncode == 3
        assert f"process {daemon.process.pid} holds this store" in second.stderr
        reading = lungfish("read", file, "t0")
        assert reading.returncode == 3
        assert "lungfish export" in reading.stderr  # where the latest reading is to be had
        assert "Traceback" not in second.stderr + reading.stderr
        until(lambda: daemon.events("reading"), 30.0)
        assert daemon.end(signal.SIGTERM) == 0
        assert [is_open for _, is_open, _ in rig.moves[:2]] == [True, False]
    assert rows(tmp_path)[0].quality == "good"


def test_shut_beside_a_running_daemon_shuts_at_once_and_no_level_comes_of_the_cycle(tmp_path: Path) -> None:
    file = write_site(tmp_path, tanks=2, simultaneous=2, every="20 s")
    with rig_for(file, tanks=2) as rig, daemon_on(file, tmp_path / "log") as daemon:
        rig.wait_for_opening()
        done = lungfish("shut", file)
        assert (done.returncode, done.stderr) == (0, "")
        assert done.stdout.splitlines() == ["t0: confirmed shut", "t1: confirmed shut"]
        until(lambda: len(daemon.events("reading")) >= 2, 30.0)
        assert daemon.end(signal.SIGTERM) == 0
        longest_s = rig.longest_open_s()
    # either it was shut in time to break the cycle off, or the purge was over before: never something in between
    for row in rows(tmp_path):
        assert row.diagnosis in ("aborted", "ok")
        assert row.diagnosis == "ok" or row.level_m is None
    assert longest_s < 8.0


def test_a_panel_that_stops_answering_while_a_valve_is_open_is_told_and_shut_as_soon_as_it_answers(
    tmp_path: Path,
) -> None:
    file = write_site(tmp_path)
    with rig_for(file) as rig, daemon_on(file, tmp_path / "log") as daemon:
        rig.wait_for_opening()
        rig.process.send_signal(signal.SIGSTOP)
        try:
            until(lambda: any("may be open" in line["text"] for line in daemon.events("valve")), 20.0)
        finally:
            rig.process.send_signal(signal.SIGCONT)
        until(lambda: rig.moves and not rig.open_now(), 20.0)
        until(lambda: any("confirmed shut" in line["text"] for line in daemon.events("valve")), 20.0)
        until(lambda: any(line["quality"] == "good" for line in daemon.events("reading")), 60.0)
        assert daemon.end(signal.SIGTERM) == 0
    first = rows(tmp_path)[0]
    assert (first.diagnosis, first.level_m) == ("link_lost", None)


def test_started_before_its_panel_it_measures_once_the_panel_is_there(tmp_path: Path) -> None:
    file = write_site(tmp_path, every="6 s", max_open="5 s")
    with daemon_on(file, tmp_path / "log") as daemon:
        until(lambda: any(line["diagnosis"] == "link_lost" for line in daemon.events("reading")), 40.0)
        with rig_for(file):
            until(lambda: any(line["quality"] == "good" for line in daemon.events("reading")), 60.0)
            assert daemon.end(signal.SIGTERM) == 0


def test_a_full_disk_stops_no_measuring_is_told_and_what_waited_is_kept_when_there_is_room(tmp_path: Path) -> None:
    file = write_site(tmp_path, every="6 s", max_open="5 s")
    with rig_for(file) as rig, daemon_on(file, tmp_path / "log") as daemon:
        until(lambda: daemon.events("start"), 15.0)
        _, hard = resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE)
        resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, (20_000, hard))  # as if the disk were full
        until(lambda: len(daemon.events("reading")) >= 2, 60.0)
        assert {line["kept"] for line in daemon.events("reading")} == {"not yet"}
        assert any("can't be written" in line["text"] for line in daemon.events("store"))
        assert len(rig.moves) >= 4
        resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, (hard, hard))
        until(lambda: any("can be written again" in line["text"] for line in daemon.events("store")), 70.0)
        assert daemon.end(signal.SIGTERM) == 0
        told = daemon.events("reading")
    kept = {f"{row.at.monotonic_s:.6f}" for row in rows(tmp_path)}
    assert {line["monotonic_s"] for line in told} <= kept


def test_records_that_the_disk_never_took_are_told_at_the_end_and_the_valves_are_shut(tmp_path: Path) -> None:
    file = write_site(tmp_path)
    with rig_for(file) as rig, daemon_on(file, tmp_path / "log") as daemon:
        until(lambda: daemon.events("start"), 15.0)
        _, hard = resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE)
        resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, (20_000, hard))
        rig.wait_for_opening()
        assert daemon.end(signal.SIGTERM) == 3
        until(lambda: rig.open_now() == [], 1.0)
    text = daemon.log.read_text()
    assert "could not be written and are lost" in text
    assert "Traceback" not in text


@pytest.fixture(scope="module")
def clock_step(tmp_path_factory: pytest.TempPathFactory) -> Path:
    library = tmp_path_factory.mktemp("clock") / "clock_step.so"
    source = Path(__file__).with_name("clock_step.c")
    subprocess.run(["cc", "-shared", "-fPIC", "-O1", "-Wall", "-Werror", "-o", library, source, "-ldl"], check=True)
    return library


def test_a_stepped_wall_clock_is_told_and_moves_no_purge(tmp_path: Path, clock_step: Path) -> None:
    file = write_site(tmp_path, every="6 s", max_open="5 s")
    offset = tmp_path / "offset"
    offset.write_bytes(struct.pack("q", 0))
    environment = {"LD_PRELOAD": str(clock_step), "WALL_OFFSET": str(offset)}
    steps = {1: 86400, 2: -7200}
    with rig_for(file) as rig, daemon_on(file, tmp_path / "log", environment) as daemon:
        for opening in range(1, 4):
            rig.wait_for_opening(opening, 40.0)
            if opening in steps:
                with offset.open("r+b") as stream:
                    stream.write(struct.pack("q", steps[opening]))
        until(lambda: len(daemon.events("clock-step")) >= 2, 10.0)
        assert daemon.end(signal.SIGTERM) == 0
        opened_s = [at_s for _, is_open, at_s in rig.moves if is_open]
    gaps = [b - a for a, b in pairwise(opened_s)]
    # every slot is a multiple of 6 s after the first; a step of a day would show as a purge at once, or as none at all
    assert all(abs(gap / 6.0 - round(gap / 6.0)) < 0.15 for gap in gaps), gaps
    with Archive(tmp_path / "site.db") as archive:
        told = [event.text for event in archive.events() if event.kind == "clock-step"]
        kept = sorted(archive.readings(), key=lambda row: row.id)
        traces = [archive.trace(row.id) for row in kept]
    # a slot is passed over for one reason only: the cycle before is not over yet. That is how long it was, as its trace
    # tells (the second of a life listens 15 s for a leak): the next purge comes in the first slot after that
    for gap, trace in zip(gaps, traces, strict=False):
        after_s = gap - (trace[-1].t_s - next(point.t_s for point in trace if point.phase is Phase.FILL))
        assert after_s < 6.0 + 1.0, (gaps, after_s)  # a slot, and the look before opening
    assert sorted("forward" in text for text in told) == [False, True]
    # each row carries both clocks as they stood: the monotonic one orders what the wall clock does not
    assert [row.at.monotonic_s for row in kept] == sorted(row.at.monotonic_s for row in kept)
    assert [row.at.utc_s for row in kept] != sorted(row.at.utc_s for row in kept)


def test_a_file_that_is_no_store_is_refused_in_a_sentence_and_left_alone(tmp_path: Path) -> None:
    file = write_site(tmp_path, store="notes.txt")
    notes = tmp_path / "notes.txt"
    notes.write_text("this is no store\n" * 100)
    for words in (("run", file), ("read", file, "t0")):
        done = lungfish(*words)
        assert done.returncode == 3
        assert "notes.txt" in done.stderr
        assert "Traceback" not in done.stderr
    assert notes.read_text() == "this is no store\n" * 100
