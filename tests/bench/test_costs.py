"""What the daemon costs, each figure as a ratio to a named baseline measured in the same run on the same machine.

Nothing here is asserted but that the figures mean something: the ratios and their limits are printed.
"""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import pytest

from lungfish.store import Archive
from tests.bench.processes import install_runtime, judged, processor_s, requests, resident_bytes, running
from tests.bench.sites import write_site

pytestmark = [pytest.mark.bench, pytest.mark.timeout(1800)]

MEMORY_LIMIT = 1.25
PROCESSOR_LIMIT = 1.5
PER_TANK_LIMIT = 1.1
MINUTE_S = 60.0
TRIES = 3
PLAIN = (
    *("argparse", "asyncio", "json", "logging", "sqlite3", "zoneinfo", "apscheduler.schedulers.asyncio"),
    *("apscheduler.triggers.cron", "pint", "pydantic", "pymodbus.client", "yaml"),
)
"""What lungfish says `import` to. It understates what using them loads: pydantic keeps back nearly all of itself."""


@dataclass(frozen=True)
class Cost:
    """What a daemon has used over some whole rounds of cycles, start-up left out."""

    processor_s: float
    resident_bytes: int
    requests: int
    cycles: int
    window_s: float
    held: list[str]
    """Modules that it held at its end, lungfish's own left out."""


@pytest.fixture(scope="session")
def runtime(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Interpreter of an environment with the runtime packages only."""
    return install_runtime(tmp_path_factory.mktemp("runtime"))


def measure(
    python: Path, directory: Path, *, tanks: int, every_s: int, simultaneous: int, settle_s: float, window_s: float
) -> Cost:
    """Run the daemon on simulated tanks and measure a window of its life.

    Args:
        python: interpreter that it runs on.
        directory: for site file and store.
        tanks: how many.
        every_s: time between two purges of a tank.
        simultaneous: valves that may be open at once.
        settle_s: how long the daemon has run before the window begins; no cycle may be under way when it ends.
        window_s: its length, a whole number of rounds.
    """
    site, _ = write_site(directory, tanks=tanks, every_s=every_s, simultaneous=simultaneous)
    held = directory / "held.txt"
    with (
        running("tests.bench.counted_rig", str(site)) as rig,
        running("tests.bench.held_modules", str(held), "run", str(site), says_ready=False, python=python) as daemon,
    ):
        time.sleep(settle_s)
        began_s, used_s, asked, wall_s = time.monotonic(), processor_s(daemon), requests(rig), time.time()
        time.sleep(window_s)
        used_s, asked = processor_s(daemon) - used_s, requests(rig) - asked
        window_s, resident = time.monotonic() - began_s, resident_bytes(daemon)
        ended_s = time.time()
    with Archive(directory / "bench.db") as archive:
        readings = list(archive.readings(since=wall_s, until=ended_s))
    assert readings
    assert [reading.diagnosis for reading in readings if reading.quality != "good"] == []
    return Cost(used_s, resident, asked, len(readings), window_s, held.read_text(encoding="ascii").split())


def imports_bytes(python: Path, directory: Path, modules: Iterable[str]) -> int:
    """Resident memory of a process that imports these modules and nothing else."""
    names = directory / "modules.txt"
    names.write_text("\n".join(modules), encoding="ascii")
    with running("tests.bench.bare_imports", str(names), python=python) as libraries:
        return resident_bytes(libraries)


def bare_request_s(python: Path, directory: Path, cost: Cost) -> float:
    """Processor time a request of a bare pymodbus loop that reads as often as the daemon asked, on the same server."""
    site, port = write_site(directory, tanks=3, every_s=15, simultaneous=1)
    with (
        running("tests.bench.counted_rig", str(site)) as rig,
        running("tests.bench.bare_loop", str(port), str(cost.requests / cost.window_s), python=python) as loop,
    ):
        used_s, asked = processor_s(loop), requests(rig)
        time.sleep(cost.window_s)
        used_s, asked = processor_s(loop) - used_s, requests(rig) - asked
    assert asked == pytest.approx(cost.requests, rel=0.03)
    return used_s / asked


def test_memory_and_processor_of_three_tanks(tmp_path: Path, runtime: Path) -> None:
    costs, bare = [], []
    for number in range(TRIES):  # in turns, for a machine may be slower at one time than at another
        directory = tmp_path / str(number)
        directory.mkdir()
        costs.append(measure(runtime, directory, tanks=3, every_s=15, simultaneous=1, settle_s=25.0, window_s=MINUTE_S))
        bare.append(bare_request_s(runtime, directory, costs[-1]))
    resident = min(each.resident_bytes for each in costs)
    imports, plain = (imports_bytes(runtime, tmp_path, modules) for modules in (costs[0].held, PLAIN))
    assert set(PLAIN) < set(costs[0].held)  # else the baselines are of something else
    assert "numpy" not in costs[0].held  # the tests' own packages would hide what the daemon weighs
    cost = min(costs, key=lambda each: each.processor_s / each.requests)
    request_s = cost.processor_s / cost.requests
    print(f"\n3 tanks, {cost.cycles} cycles in {cost.window_s:.1f} s, {cost.requests} requests")
    print(
        f"resident: lungfish run {resident / 2**20:.1f} MiB; the {len(costs[0].held)} modules that it held, alone "
        f"{imports / 2**20:.1f} MiB; a plain import of each library {plain / 2**20:.1f} MiB"
    )
    print(judged("memory, against importing the same modules", resident / imports, MEMORY_LIMIT))
    print(judged("memory, stricter: against a plain import of each library", resident / plain, MEMORY_LIMIT))
    print(
        f"processor a request, best of {TRIES}: lungfish run {1e6 * request_s:.0f} us "
        f"({cost.processor_s:.2f} s a minute), bare pymodbus loop {1e6 * min(bare):.0f} us"
    )
    print(judged("processor, against a bare pymodbus loop of as many reads", request_s / min(bare), PROCESSOR_LIMIT))


def test_a_hundred_tanks_against_ten(tmp_path: Path, runtime: Path) -> None:
    each_s: dict[int, float] = {}
    print()
    for tanks in (10, 100):
        directory = tmp_path / str(tanks)
        directory.mkdir()
        cost = measure(runtime, directory, tanks=tanks, every_s=120, simultaneous=4, settle_s=100.0, window_s=120.0)
        each_s[tanks] = cost.processor_s / tanks
        print(
            f"{tanks} tanks: {cost.cycles} cycles, {cost.requests / cost.cycles:.0f} requests each, "
            f"{1e3 * each_s[tanks]:.1f} ms of processor a tank in {cost.window_s:.0f} s, "
            f"{cost.resident_bytes / 2**20:.1f} MiB"
        )
    print(judged("processor a tank, 100 tanks against 10", each_s[100] / each_s[10], PER_TANK_LIMIT))
