"""How fast a rehearsal goes: virtual days a second of one core, and how its cost grows with the tanks.

Baseline, measured in the same run: the same number of cycles on the same plants without the daemon, by the rig's own
driver: what cycle and plant cost alone. Nothing is asserted but that the figures mean something.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Iterator

import pytest

from lungfish.app.rehearsal import Rehearsal, rehearse
from lungfish.app.rehearsal_plot import filling_of, plot_of
from lungfish.config import cycle_setup
from lungfish.core.setup import Learned
from lungfish.rig.drive import run_plant_cycle
from lungfish.rig.server import plant_for
from tests.app.virtual_site import site_of

pytestmark = [pytest.mark.bench, pytest.mark.timeout(1800)]

DAY_S = 86400.0
DAYS = 2.0
TANKS = (1, 2, 4, 8)
YEAR_GOAL_S = 300.0
LINEAR_WITHIN = 0.1


@pytest.fixture(autouse=True)
def _quiet() -> Iterator[None]:
    logging.disable(logging.INFO)
    yield
    logging.disable(logging.NOTSET)


def rehearsed(tanks: int, days: float) -> tuple[Rehearsal, float]:
    """A rehearsal, and the processor's time that it took, s."""
    site = site_of(tanks)
    fillings = {
        name: filling_of(tank, "daily", days * DAY_S, 1 + number)
        for number, (name, tank) in enumerate(site.tanks.items())
    }
    plot = plot_of(site, fillings, days * DAY_S, 1, 0.005, None)
    began_s = time.process_time()
    return rehearse(plot), time.process_time() - began_s


def bare(days: float) -> tuple[int, float]:
    """The cycles of one tank without a daemon: how many, and the processor's time, s."""
    site = site_of(1)
    (tank,) = site.tanks.values()
    track = filling_of(tank, "daily", days * DAY_S, 1).track
    plant, setup, learned = plant_for(site, tank, track, 1), cycle_setup(site, tank), Learned()
    began_s, cycles = time.process_time(), 0
    while (start_s := cycles * tank.every_s) < days * DAY_S:
        plant.advance(start_s)
        learned = run_plant_cycle(plant, setup, learned).learned
        cycles += 1
    return cycles, time.process_time() - began_s


def test_virtual_days_a_second_and_growth_with_the_tanks() -> None:
    rehearsed(1, 0.1)  # what is loaded and cached by then is no cost of a day
    cycles, bare_s = bare(DAYS)
    print(f"\nbaseline, cycles and plant alone: {1000 * bare_s / cycles:.1f} ms a cycle")
    one_s = 0.0
    for tanks in TANKS:
        found, took_s = rehearsed(tanks, DAYS)
        readings = sum(tank.readings for tank in found.tanks.values())
        assert readings >= 0.99 * tanks * cycles
        one_s = one_s or took_s
        year_s = took_s * 365.0 / DAYS
        each_ms, to_one = 1000.0 * took_s / readings, took_s / tanks / one_s
        print(
            f"{tanks:>3} tanks: {DAYS / took_s:.2f} virtual days a second, {each_ms:.1f} ms a reading "
            f"({took_s / readings / (bare_s / cycles):.2f} of the baseline), a year in {year_s:.0f} s (goal for one "
            f"tank {YEAR_GOAL_S:.0f}); a tank costs {to_one:.2f} of one alone (limit {1 + LINEAR_WITHIN:.2f})"
        )
