"""Weak air, lazy valves, lying transmitters: what somebody at the gauge, and at two switches, would see."""

from __future__ import annotations

import math

import numpy as np
import pytest

from lungfish.rig.plant import Faults, Plant
from tests.rig.plants import ATMOSPHERE, HEAD_M, TUBE_M3, WEIGHT, column_pa, full, opened, plant_of, trace

FLOW, SUPPLY_PA = 2.5, 300e3


def flow_of(plant: Plant, seconds: float = 10.0) -> float:
    """Mean throughput over some seconds of bubbling."""
    before = plant.air_in_pa_m3
    plant.advance(plant.now_s + seconds)
    return (plant.air_in_pa_m3 - before) / seconds


# -- supply ----------------------------------------------------------------------------------------------------------


def test_a_restrictor_passes_in_proportion_to_its_setting_and_to_the_absolute_supply_pressure() -> None:
    """ISO 6358: choked flow is conductance times absolute pressure upstream."""
    high_pa = 500e3
    for faults, share in (
        (Faults(flow_factor=0.6), 0.6),
        (Faults(flow_factor=1.5), 1.5),
        (Faults(supply_factor=0.9), (ATMOSPHERE + 0.9 * high_pa) / (ATMOSPHERE + high_pa)),
        (Faults(valve_opens_share=0.3), 0.3),
    ):
        plant = opened(plant_of(faults=faults, line_length_m=0.0, supply_gauge_pa=high_pa), 60.0)
        assert flow_of(plant) == pytest.approx(share * FLOW, rel=1e-6)


def test_a_supply_that_is_too_low_never_uncovers_the_tip() -> None:
    plant = opened(plant_of(faults=Faults(supply_factor=0.03), line_length_m=0.0), 1200.0)
    assert plant.rise_m > 0.9
    assert WEIGHT * (HEAD_M - plant.rise_m) == pytest.approx(9_000.0, rel=0.01)


def test_a_soft_supply_gives_way_to_the_flow_until_both_agree() -> None:
    """Choked: q = C p and p = p0 - R q, so q = C p0 / (1 + R C)."""
    resistance, high_pa = 40e3, 600e3
    faults = Faults(supply_pa_s_m3=resistance)
    plant = opened(plant_of(faults=faults, line_length_m=0.0, supply_gauge_pa=high_pa), 60.0)
    conductance = FLOW / (ATMOSPHERE + high_pa)
    expected = FLOW / (1.0 + resistance * conductance)
    assert flow_of(plant) == pytest.approx(expected, rel=1e-6)
    gauge_pa = high_pa - resistance * expected
    assert plant.supply_switch(0.99 * gauge_pa / high_pa)
    assert not plant.supply_switch(1.01 * gauge_pa / high_pa)
    plant.command(False)
    plant.advance(plant.now_s + 1.0)
    assert plant.supply_switch(0.99), "at rest all of the pressure is there"


def test_a_vessel_that_nothing_fills_runs_down_with_use() -> None:
    """Boyle: every Pa m3 taken from 20 litres lowers it by 50 Pa; one that is filled again is full again."""
    plant = opened(plant_of(faults=Faults(supply_vessel_m3=0.020), line_length_m=0.0), 100.0)
    left_pa = SUPPLY_PA - plant.air_in_pa_m3 / 0.020
    assert 285e3 < left_pa < 292e3
    assert plant.supply_switch(0.999 * left_pa / SUPPLY_PA)
    assert not plant.supply_switch(1.001 * left_pa / SUPPLY_PA)
    plant = opened(plant_of(faults=Faults(supply_vessel_m3=0.005), line_length_m=0.0), 5_000.0)
    assert plant.air_in_pa_m3 == pytest.approx(0.005 * (SUPPLY_PA - WEIGHT * HEAD_M), rel=0.01), "down to the head"
    plant.faults.supply_vessel_m3 = 0.0
    plant.advance(plant.now_s + 1.0)
    assert flow_of(plant) == pytest.approx(FLOW, rel=1e-6)


def test_what_a_supply_switch_and_a_flow_switch_say() -> None:
    told = {}
    for name, faults in {
        "well": Faults(),
        "no supply": Faults(air_lost=True),
        "restrictor fouled": Faults(flow_factor=0.2),
        "valve hangs": Faults(valve_stuck=False),
        "supply low": Faults(supply_factor=0.3),
        "shut": Faults(),
    }.items():
        plant = full(plant_of())
        plant.faults = faults
        plant.command(name != "shut")
        plant.advance(plant.now_s + 3.0)
        told[name] = (plant.supply_switch(), plant.flow_switch())
    assert told == {
        "well": (True, True),
        "no supply": (False, False),
        "restrictor fouled": (True, False),
        "valve hangs": (True, False),
        "supply low": (False, False),
        "shut": (True, False),
    }


def test_a_plugged_tube_stops_the_flow_switch_once_it_has_the_pressure_of_the_supply() -> None:
    plant = full(plant_of())
    plant.faults.plugged = True
    opened(plant, 3.0)
    early = plant.flow_switch()
    opened(plant, 300.0)
    assert (early, plant.flow_switch(), plant.supply_switch()) == (True, False, True)


# -- valve -----------------------------------------------------------------------------------------------------------


def test_a_slow_valve_moves_after_its_coil_both_ways() -> None:
    plant = full(plant_of(faults=Faults(valve_delay_s=1.5)))
    plant.advance(plant.now_s + 10.0)
    before = plant.air_in_pa_m3
    opened(plant, 1.4)
    assert (plant.coil, plant.valve_open) == (True, False)
    plant.advance(plant.now_s + 4.6)
    assert plant.air_in_pa_m3 - before == pytest.approx(4.5 * FLOW, rel=1e-4)
    plant.command(False)
    plant.advance(plant.now_s + 1.4)
    assert (plant.coil, plant.valve_open) == (False, True)
    plant.advance(plant.now_s + 60.0)
    assert not plant.valve_open
    assert plant.air_in_pa_m3 - before == pytest.approx(6.0 * FLOW, rel=1e-4)


def test_a_valve_that_leaks_when_shut_keeps_the_tube_full_for_nothing() -> None:
    """A rising level is followed as by a tube that bubbles all the time; the air that passes is what it costs."""
    shares = {}
    for share in (0.0, 0.02):
        plant = full(plant_of(level_m=lambda t_s: 2.0 + 1e-5 * max(0.0, t_s - 100.0), line_length_m=0.0))
        plant.faults.valve_passes_share = share
        before, began_s = plant.air_in_pa_m3, plant.now_s
        plant.advance(10_000.0)
        shares[share] = (plant.rise_m, (plant.air_in_pa_m3 - before) / (plant.now_s - began_s))
    assert shares[0.0][0] > 0.02
    assert shares[0.0][1] == 0.0
    assert shares[0.02][0] == 0.0
    assert shares[0.02][1] == pytest.approx(0.02 * FLOW, rel=1e-6)


# -- transmitter -----------------------------------------------------------------------------------------------------


def test_zero_and_gain_drift_while_it_runs() -> None:
    plant = opened(plant_of(), 20.0)
    ideal = plant.gauge_pa()
    plant.faults.zero_shift_pa = -250.0
    assert plant.gauge_pa() == pytest.approx(ideal - 250.0, abs=1e-6)
    plant.faults.gain_error = 0.01
    assert plant.gauge_pa() == pytest.approx(1.01 * ideal - 250.0, abs=1e-6)


def test_a_value_that_moves_in_coarse_steps_only() -> None:
    plant = plant_of(noise_pa=5.0)
    plant.faults.stuck_counts_pa = 50.0
    plant.command(True)
    _, gauges = trace(plant, 15.0, 0.1)
    seen = {round(gauge / 50.0, 9) for gauge in gauges}
    assert all(step == int(step) for step in seen)
    assert len(seen) > 100, "while the tube fills it goes through all of them"
    _, gauges = trace(plant, 5.0, 0.1)
    assert len(set(gauges)) <= 2, "while it bubbles it stands still"


def test_a_fouled_sense_line_answers_late() -> None:
    """Added to the time constant of the transmitter: after one of both 63 % of a step is seen."""
    plant = full(plant_of(faults=Faults(damping_extra_s=2.5), damping_s=0.5, line_length_m=0.0, span_high_pa=1e6))
    plant.faults.plugged = True
    opened(plant, 60.0)
    high = plant.gauge_pa()
    plant.faults.plugged = False
    plant.command(False)
    plant.advance(plant.now_s + 3.0)
    rest = column_pa(HEAD_M)
    assert high - rest > 20_000.0
    assert (plant.gauge_pa() - rest) / (high - rest) < 0.5
    first = plant.gauge_pa() - rest
    plant.advance(plant.now_s + 3.0)
    assert (plant.gauge_pa() - rest) / first == pytest.approx(math.exp(-1.0), rel=0.01)


def test_what_stood_at_the_transmitter_is_remembered() -> None:
    plant = full(plant_of(line_length_m=0.0, span_high_pa=20e3))
    plant.faults.plugged = True
    opened(plant, 4.0)
    assert plant.gauge_pa() == 20e3, "the transmitter is at its end"
    assert plant.highest_pa == pytest.approx(column_pa(HEAD_M) + 4.0 * FLOW / TUBE_M3, rel=0.02)
    plant.faults.plugged = False
    plant.command(False)
    plant.advance(plant.now_s + 5.0)
    plant.highest_pa = 0.0
    plant.advance(plant.now_s + 5.0)
    assert plant.highest_pa == pytest.approx(column_pa(HEAD_M), abs=1.0)


# -- faults that come and go -----------------------------------------------------------------------------------------


def test_a_fault_that_goes_leaves_a_plant_as_good_as_new() -> None:
    """Every single one that does not break something: after it the gauge shows the column again."""
    for change in (
        {"tip_area_share": 0.002},
        {"line_area_share": 0.01},
        {"tip_pa_s_m3": 5_000.0},
        {"solids_pa": 2_000.0},
        {"water_in_line_m": 0.05},
        {"extra_leak_at_valve_pa_m3_s_pa": 1e-5},
        {"supply_factor": 0.02},
        {"supply_pa_s_m3": 1e6},
        {"supply_vessel_m3": 1e-4},
        {"flow_factor": 0.1},
        {"valve_delay_s": 3.0},
        {"valve_opens_share": 0.1},
        {"valve_passes_share": 0.1},
        {"zero_shift_pa": 500.0},
        {"gain_error": -0.05},
        {"stuck_counts_pa": 500.0},
        {"damping_extra_s": 5.0},
        {"plugged": True},
        {"air_lost": True},
        {"frozen": True},
    ):
        plant = full(plant_of())
        for name, value in change.items():
            setattr(plant.faults, name, value)
        full(plant)
        plant.faults = Faults()
        full(plant)
        assert plant.gauge_pa() == pytest.approx(column_pa(HEAD_M), abs=1.0), change


def test_hours_with_a_stuck_valve_end_as_minutes_do() -> None:
    """Long strides reach the same place: bubbling, a plug at the supply's pressure, a leak that takes all."""
    for faults in (
        Faults(valve_stuck=True),
        Faults(valve_stuck=True, plugged=True),
        Faults(valve_stuck=True, extra_leak_pa_m3_s_pa=2.0 * FLOW / 18_600.0),
        Faults(valve_stuck=True, line_area_share=0.005),
        Faults(valve_stuck=True, tip_area_share=0.002),
        Faults(valve_stuck=True, line_area_share=0.001, supply_pa_s_m3=1e4),
    ):
        ends = []
        for hours in (0.5, 1.5):
            plant = plant_of(faults=faults, tee_at_valve=True, span_high_pa=1e6)
            plant.advance(3600.0 * hours)
            _, gauges = trace(plant, 10.0, 0.1)
            assert float(np.ptp(gauges)) < 1e-4 * gauges[0], "it stands still"
            ends.append(gauges[-1])
        assert ends[0] == pytest.approx(ends[1], rel=1e-4)
