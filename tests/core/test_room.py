"""How long a pulse may go on, worked by hand: what rises, what lags, and what a reading can't tell."""

from __future__ import annotations

import math

import pytest

from lungfish.core.blow import ClearSetup
from lungfish.core.room import Room, worst_rise_pa_s
from lungfish.core.setup import Learned
from tests.core.samples import SUMP, setup_of

CLEAR = ClearSetup(limit_pa=160e3, pulses=3, pulse_s=60.0, rest_s=20.0, delay_s=1.0)


def known(damping_s: float = 0.1) -> Learned:
    return Learned(damping_s=damping_s, log_damping_u=0.0)


def room(damping_s: float = 0.1, **changes: object) -> Room:
    made = Room(setup_of(**changes), known(damping_s), CLEAR)
    made.open_at(100.0, 20e3)
    return made


def test_the_worst_rise_is_the_flow_into_the_line_and_what_a_brim_full_tank_leaves_of_the_tube() -> None:
    # by hand: 20 m of 4.3 mm and 0.1 m of 10 mm; 2.5 Pa m3/s and half as much again (Boyle's law: dp/dt = Q / V)
    volume_m3 = math.pi / 4.0 * (0.0043**2 * 20.0 + 0.010**2 * (4.5 - 4.4))
    assert worst_rise_pa_s(SUMP) == pytest.approx(1.5 * 2.5 / volume_m3)


def test_the_deadline_leaves_the_delay_and_what_stands_beside_the_reading() -> None:
    made = room()
    rise = worst_rise_pa_s(SUMP)
    # by hand: Hagen-Poiseuille through 20 m of 4.3 mm at 101325 Pa, 2.5 Pa m3/s: 128 mu L Q / (pi d^4) = 1067 Pa,
    # taken twice; one bore of liquid as ripple, 98 Pa; three times 6 Pa of the transmitter
    friction_pa = 128.0 * 1.813e-5 * 20.0 * (2.5 / 101325.0) / (math.pi * 0.0043**4)
    tube_pa = 128.0 * 1.813e-5 * 4.5 * (2.5 / 101325.0) / (math.pi * 0.010**4)
    beside_pa = 2.0 * (friction_pa + tube_pa) + 0.010 * 998.2 * 9.80665 + 3.0 * 6.0
    assert made.deadline_s == pytest.approx(100.0 + (160e3 - 20e3 - beside_pa) / rise - 1.0, abs=0.01)


def test_what_is_read_while_the_pressure_rises_lags_by_the_damping() -> None:
    quick, slow = room(0.1), room(0.6)
    for made in (quick, slow):
        made.read(102.0, 21e3)
    assert quick.deadline_s - slow.deadline_s == pytest.approx(0.5)


@pytest.mark.parametrize(
    "useless",
    [
        [59_990.0, 59_999.0, 60_000.0],  # the span ends at 60 kPa: behind it the truth goes on
        [20_000.0, 20_000.0, 20_000.0],  # as before the opening: a frozen transmitter
        [50_000.0, 50_000.0],
    ],
)
def test_a_value_that_says_nothing_of_how_high_it_is_gives_no_time(useless: list[float]) -> None:
    made = room()
    if useless[0] == 50_000.0:
        made.read(101.0, useless[0])
    before_s = made.deadline_s
    for number, gauge_pa in enumerate(useless):
        made.read(109.0 + 0.05 * number, gauge_pa)
    assert made.deadline_s == before_s


def test_a_value_that_falls_all_at_once_gives_no_time() -> None:
    made = room()
    made.read(101.0, 50e3)
    before_s = made.deadline_s
    made.read(103.0, 21e3)
    assert made.deadline_s == before_s


def test_a_value_that_is_good_gives_time() -> None:
    made = room()
    before_s = made.deadline_s
    made.read(103.0, 21e3)
    assert made.deadline_s > before_s + 2.0


def test_a_tube_that_fills_faster_than_it_can_by_its_size_has_its_plug_in_the_line() -> None:
    made = room()
    for number in range(8):
        made.read(100.1 + 0.1 * number, 20e3 + 3e3 * number)  # 30 kPa/s
    # from then on half as much again counts, less what friction may have been of it
    left_s = made.deadline_s - 100.8
    assert left_s < (160e3 - 41e3) / 30e3 - 1.0


def test_air_that_can_t_press_beyond_the_limit_needs_no_deadline() -> None:
    assert room(supply_gauge_pa=140e3).deadline_s == math.inf
    assert room(supply_gauge_pa=150e3).deadline_s < math.inf  # a tenth more must not pass it either


def test_liquid_that_may_fill_the_line_leaves_nothing_that_is_sure() -> None:
    assert Room(setup_of(tube_length_m=4.4, line_length_m=0.0), known(), CLEAR).refusal(10e3) is not None
