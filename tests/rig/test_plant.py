"""The simulated plant against the physics, by hand and by libraries, without a word of the cycle that it is to test."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import lfilter

from lungfish.physics.tube import AirSpace, pipe_volume_m3
from lungfish.rig.plant import Faults
from tests.core.curves import Purge, shown_by
from tests.rig.plants import (
    AREA,
    ATMOSPHERE,
    HEAD_M,
    LINE_M3,
    TIP_M,
    TUBE_M3,
    WEIGHT,
    column_pa,
    full,
    opened,
    plant_of,
    trace,
)

# -- filling ---------------------------------------------------------------------------------------------------------


def test_it_starts_flooded() -> None:
    plant = plant_of()
    assert plant.rise_m == pytest.approx(HEAD_M, rel=1e-9)
    assert plant.gauge_pa() == pytest.approx(0.0, abs=2.0), "nothing but the weight of some air"
    assert plant.trapped_pa_m3 == pytest.approx(ATMOSPHERE * (TUBE_M3 + LINE_M3 - AREA * HEAD_M), rel=1e-9)


@pytest.mark.parametrize(("level", "line"), [(2.0, 0.0), (4.0, 0.0), (2.0, 20.0), (0.5, 20.0)])
def test_time_of_filling(level: float, line: float) -> None:
    """`physics.tube` knows the time to the first bubble; a line has to be packed to its friction besides."""
    plant = plant_of(level_m=lambda _t_s: level, line_length_m=line)
    space = AirSpace(TUBE_M3 + (LINE_M3 if line else 0.0), AREA)
    expected_s = space.fill_time_s(
        2.5, 0.0, level - TIP_M, density_kg_m3=998.2, gravity_m_s2=9.80665, atmosphere_pa=ATMOSPHERE
    )
    plant.command(True)
    while plant.rise_m > 0.0:
        plant.advance(plant.now_s + 0.01)
        assert plant.now_s < 100.0
    packing_s = 0.5 * 900.0 * LINE_M3 / 2.5 if line else 0.0
    assert plant.now_s == pytest.approx(expected_s + packing_s, abs=0.03)


def test_slope_of_filling() -> None:
    """Q / (V - A z + p A / rho g), ten seconds into the filling of a tank of 4 m."""
    plant = opened(plant_of(level_m=lambda _t_s: 4.0, line_length_m=0.0), 6.0)
    rise, before = plant.rise_m, plant.gauge_pa()
    plant.advance(plant.now_s + 0.1)
    pressure = ATMOSPHERE + WEIGHT * (3.9 - rise)
    expected = 2.5 / (TUBE_M3 - AREA * rise + pressure * AREA / WEIGHT)
    assert (plant.gauge_pa() - before) / 0.1 == pytest.approx(expected, rel=0.01)


def test_every_pascal_cubic_metre_is_somewhere() -> None:
    """While nothing bubbles: what came in is what the tube holds more. While it bubbles: the tube holds no more."""
    plant = plant_of()
    before = plant.trapped_pa_m3
    opened(plant, 8.0)
    assert plant.rise_m > 0.0
    assert plant.air_in_pa_m3 == pytest.approx(8.0 * 2.5, rel=1e-9)
    assert plant.trapped_pa_m3 - before == pytest.approx(plant.air_in_pa_m3, rel=1e-6)
    plant.advance(20.0)
    held = plant.trapped_pa_m3
    plant.advance(30.0)
    assert plant.air_in_pa_m3 == pytest.approx(30.0 * 2.5, rel=1e-5)
    assert plant.trapped_pa_m3 == pytest.approx(held, rel=1e-6)
    assert held == pytest.approx((ATMOSPHERE + WEIGHT * HEAD_M) * (TUBE_M3 + LINE_M3) + 0.5 * 900.0 * LINE_M3, rel=1e-4)
    assert plant.full_pa_m3 == pytest.approx((ATMOSPHERE + WEIGHT * HEAD_M) * (TUBE_M3 + LINE_M3), rel=1e-9)


def test_air_that_leaks_out_is_missing() -> None:
    """With the tip plugged and the valve shut the tube loses just what the leak takes: exponential fall, C = V / k."""
    leak = 4e-6
    plant = full(plant_of(line_length_m=0.0))
    plant.faults.plugged, plant.faults.extra_leak_pa_m3_s_pa = True, leak
    opened(plant, 5.0)
    start_pa = (plant.trapped_pa_m3 / TUBE_M3) - ATMOSPHERE
    plant.command(False)
    plant.advance(plant.now_s + 30.0)
    end_pa = (plant.trapped_pa_m3 / TUBE_M3) - ATMOSPHERE
    assert start_pa > WEIGHT * HEAD_M + 5_000.0
    assert end_pa == pytest.approx(start_pa * math.exp(-30.0 * leak / TUBE_M3), rel=1e-3)


# -- plateau ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("level", [0.3, 2.0, 4.4])
def test_plateau_and_shut_in_are_those_of_the_column(level: float) -> None:
    """Bubbling: column and the friction of 4.5 m of 10 mm bore (128 mu L Q / pi d^4, about 7 Pa); shut: the column."""
    plant = opened(plant_of(level_m=lambda _t_s: level), 40.0)
    flow = 2.5 / (ATMOSPHERE + WEIGHT * (level - TIP_M))
    tube_pa = 128.0 * 1.8133e-5 * 4.5 * flow / (math.pi * 0.010**4)
    assert plant.gauge_pa() == pytest.approx(column_pa(level - TIP_M) + tube_pa, abs=0.5)
    plant.command(False)
    plant.advance(plant.now_s + 3.0)
    assert plant.gauge_pa() == pytest.approx(column_pa(level - TIP_M), abs=0.5)
    assert plant.head_pa == pytest.approx(WEIGHT * (level - TIP_M))
    assert plant.level_m == level


def test_friction_is_seen_at_the_valve_end_only() -> None:
    """128 mu L Q / pi d^4 of 20 m of 4.3 mm at 1.5 L/min: about 898 Pa, 90 mm of water."""
    shown = {tee: opened(plant_of(tee_at_valve=tee), 20.0).gauge_pa() for tee in (True, False)}
    assert shown[True] - shown[False] == pytest.approx(897.6, rel=0.01)
    assert opened(plant_of(tee_at_valve=True, line_length_m=0.0), 20.0).gauge_pa() == pytest.approx(
        shown[False], abs=0.1
    )


@pytest.mark.parametrize("length", [20.0, 60.0])
def test_friction_dies_away_as_air_diffuses_along_the_line(length: float) -> None:
    """Against a line cut into cells and integrated; the plant keeps the three slowest modes of it."""
    plant = opened(plant_of(tee_at_valve=True, line_length_m=length), 40.0)
    plateau = plant.gauge_pa()
    plant.command(False)
    times, gauges = trace(plant, 1.0)
    closed_s = times[0] - 0.02
    plant.advance(plant.now_s + 20.0)
    rest = plant.gauge_pa()
    abs_pa = ATMOSPHERE + WEIGHT * HEAD_M + 0.5 * (plateau - rest)
    resistance = 128.0 * 1.8133e-5 * length / (math.pi * 0.0043**4)
    settling = 4.0 / math.pi**2 * resistance * pipe_volume_m3(0.0043, length) / abs_pa
    friction = plateau - rest
    cells = shown_by(
        Purge(head_pa=0.0, friction_pa=friction, settling_s=settling, damping_s=1e-4, period_s=0.02, shut_in_s=1.0)
    )
    integrated = np.interp(np.array(times) - closed_s, cells.times_s, cells.gauge_pa)
    ours = np.array(gauges) - rest
    assert float(np.max(np.abs(ours - integrated)[1:])) < 0.06 * friction
    assert ours[0] > 0.5 * friction


def test_ripple_is_as_high_as_it_is_said_to_be_and_closing_freezes_it() -> None:
    plant = opened(plant_of(ripple_pa=80.0), 20.0)
    flat = opened(plant_of(), 20.0).gauge_pa()
    _, gauges = trace(plant, 10.0, 0.013)
    assert max(gauges) - min(gauges) == pytest.approx(80.0, rel=0.1)
    assert float(np.mean(gauges)) == pytest.approx(flat, abs=4.0)
    frozen = []
    for _ in range(30):
        plant.command(False)
        _, shut = trace(plant, 3.0)
        assert max(shut[-20:]) - min(shut[-20:]) < 0.01
        frozen.append(shut[-1] - column_pa(HEAD_M))
        opened(plant, 1.7)
    assert max(frozen) - min(frozen) > 40.0, "every closing catches the bubble elsewhere"
    assert max(abs(value) for value in frozen) < 41.0


def test_damped_ripple_is_no_higher_than_the_bubbles_make_it() -> None:
    """Through filling, bubbling and shutting, however the strides fall: a lag never adds to its input."""
    plant, calm = (plant_of(ripple_pa=ripple_pa, damping_s=0.7, line_length_m=0.0) for ripple_pa in (80.0, 0.0))
    for cycle in range(60):
        for to_open, seconds in ((True, 9.0 + 0.037 * cycle), (False, 5.0)):
            for both in (plant, calm):
                both.command(to_open)
                both.advance(both.now_s + seconds)
            assert abs(plant.gauge_pa() - calm.gauge_pa()) <= 40.1


def test_no_bubble_ripples_where_there_is_no_liquid() -> None:
    _, gauges = trace(opened(plant_of(ripple_pa=80.0, level_m=lambda _t_s: 0.05), 5.0), 2.0)
    assert max(gauges) - min(gauges) < 0.5
    assert abs(gauges[-1]) < 15.0


# -- transmitter -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("tau", [0.05, 0.3, 1.5])
def test_damping_is_a_first_order_lag(tau: float) -> None:
    """The damped reading is the undamped one through a recursive filter (scipy); line and corner and all."""
    step = 0.005
    bare, damped = (plant_of(tee_at_valve=True, damping_s=damping) for damping in (0.0, tau))
    shown = []
    for plant in (bare, damped):
        readings = [plant.gauge_pa()]
        for command, seconds in ((True, 14.0), (False, 4.0)):
            plant.command(command)
            readings += trace(plant, seconds, step)[1]
        shown.append(np.array(readings))
    keep = math.exp(-step / tau)
    filtered, _ = lfilter([0.0, 1.0 - keep], [1.0, -keep], shown[0], zi=[shown[0][0]])
    swing = float(np.max(shown[0]) - np.min(shown[0]))
    assert float(np.max(np.abs(filtered - shown[1]))) < 0.01 * swing


def test_noise_zero_and_gain() -> None:
    plant = opened(plant_of(noise_pa=5.0), 20.0)
    ideal = opened(plant_of(), 20.0).gauge_pa()
    readings = [plant.gauge_pa() for _ in range(4000)]
    assert float(np.std(readings)) == pytest.approx(5.0, rel=0.05)
    assert float(np.mean(readings)) == pytest.approx(ideal, abs=0.4)
    assert opened(plant_of(zero_pa=-30.0, gain=1.01), 20.0).gauge_pa() == pytest.approx(1.01 * ideal - 30.0, abs=1e-6)


def test_it_saturates_at_the_ends_of_its_span() -> None:
    plant = plant_of(span_high_pa=10_000.0, faults=Faults(plugged=True))
    opened(plant, 30.0)
    assert plant.gauge_pa() == 10_000.0
    assert plant_of(zero_pa=-5_000.0).gauge_pa() == -600.0


def test_frozen_and_failed() -> None:
    plant = plant_of(noise_pa=5.0)
    plant.faults.frozen = True
    last = plant.gauge_pa()
    opened(plant, 10.0)
    assert [plant.gauge_pa() for _ in range(5)] == [last] * 5
    plant.faults.frozen = False
    assert plant.gauge_pa() > last + 5_000.0
    plant.faults.reads_pa = 77e3
    assert plant.gauge_pa() == 77e3, "a failed cell knows no span"
    plant.faults.reads_pa = math.nan
    assert math.isnan(plant.gauge_pa())


# -- faults of tube, valve and supply --------------------------------------------------------------------------------


def test_a_plugged_tip_lets_the_pressure_climb_to_the_supply() -> None:
    """Q / V, no liquid yielding any more; and it stays there when the valve shuts."""
    plant = full(plant_of(line_length_m=0.0, span_high_pa=1e6))
    plant.faults.plugged = True
    before = plant.gauge_pa()
    opened(plant, 1.0)
    assert plant.gauge_pa() - before == pytest.approx(2.5 / TUBE_M3, rel=0.02)
    plant.advance(plant.now_s + 300.0)
    assert plant.gauge_pa() == pytest.approx(300e3, rel=1e-3)
    plant.command(False)
    plant.advance(plant.now_s + 100.0)
    assert plant.gauge_pa() == pytest.approx(300e3, rel=1e-3)


def test_a_partial_plug_costs_pressure_in_proportion_to_flow_and_only_while_air_flows() -> None:
    plain, half = (
        full(plant_of(faults=Faults(tip_pa_s_m3=resistance), line_length_m=0.0)) for resistance in (0.0, 200.0)
    )
    excess = [opened(plant, 5.0).gauge_pa() for plant in (plain, half)]
    assert excess[1] - excess[0] == pytest.approx(200.0 * 2.5, rel=0.02)
    half.command(False)
    half.advance(half.now_s + 200.0 * TUBE_M3)  # one time constant
    assert half.gauge_pa() - column_pa(HEAD_M) == pytest.approx(200.0 * 2.5 * math.exp(-1.0), rel=0.05)
    half.advance(half.now_s + 5.0)
    assert half.gauge_pa() == pytest.approx(column_pa(HEAD_M), abs=0.5)


def test_a_stuck_valve_does_not_heed_its_coil() -> None:
    plant = plant_of()
    plant.faults.valve_stuck = True
    plant.command(False)
    plant.advance(4.0)
    passes = [plant.valve_open]
    assert plant.air_in_pa_m3 == pytest.approx(10.0)
    plant.faults.valve_stuck = False
    opened(plant, 4.0)
    passes.append(plant.valve_open)
    assert passes == [True, False]
    assert plant.air_in_pa_m3 == pytest.approx(10.0)
    plant.faults.valve_stuck = None
    opened(plant, 4.0)
    assert plant.air_in_pa_m3 == pytest.approx(20.0)


def test_lost_air_brings_nothing() -> None:
    plant = opened(plant_of(faults=Faults(air_lost=True)), 10.0)
    assert plant.air_in_pa_m3 == 0.0
    assert plant.gauge_pa() == pytest.approx(0.0, abs=2.0)


def test_a_supply_below_the_head_stops_at_its_own_pressure() -> None:
    plant = opened(plant_of(supply_gauge_pa=9_000.0, line_length_m=0.0), 200.0)
    assert plant.rise_m > 0.5
    assert WEIGHT * (HEAD_M - plant.rise_m) == pytest.approx(9_000.0, rel=0.01)
    flows = plant.air_in_pa_m3
    plant.advance(plant.now_s + 60.0)
    assert plant.air_in_pa_m3 - flows < 0.1, "and nothing flows any more"


@pytest.mark.parametrize("at_valve", [False, True])
def test_a_leak_lets_the_tube_fall_and_the_liquid_in(at_valve: bool) -> None:
    """At first k p / (V + p_abs A / rho g): the air that is lost, over what compressing and the liquid make of it."""
    leak = 2e-6
    plant = full(plant_of(leak_pa_m3_s_pa=leak, leak_at_valve=at_valve))
    opened(plant, 20.0)
    plant.command(False)
    plant.advance(plant.now_s + 3.0)
    before = plant.gauge_pa()
    plant.advance(plant.now_s + 5.0)
    head_pa = WEIGHT * HEAD_M
    capacity = TUBE_M3 + LINE_M3 + (ATMOSPHERE + head_pa) * AREA / WEIGHT
    assert (before - plant.gauge_pa()) / 5.0 == pytest.approx(leak * head_pa / capacity, rel=0.05)
    assert plant.rise_m > 0.0
    plant.faults.extra_leak_pa_m3_s_pa = leak
    before = plant.gauge_pa()
    plant.advance(plant.now_s + 5.0)
    assert (before - plant.gauge_pa()) / 5.0 == pytest.approx(2.0 * leak * before / capacity, rel=0.1)


def test_a_leak_of_more_than_the_flow_never_lets_the_tip_be_reached() -> None:
    plant = opened(plant_of(leak_pa_m3_s_pa=2.0 * 2.5 / 18_600.0, line_length_m=0.0), 60.0)
    assert plant.rise_m > 0.5
    assert WEIGHT * (HEAD_M - plant.rise_m) == pytest.approx(18_600.0 / 2.0, rel=0.01)
