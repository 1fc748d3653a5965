"""Narrow, plugged and buried tips, fouled lines: what somebody at the gauge would see."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from lungfish.physics.restrictor import hole_mass_flow_kg_s
from lungfish.rig.plant import Faults, Plant
from tests.rig.plants import (
    AREA,
    ATMOSPHERE,
    HEAD_M,
    LEVEL_M,
    LINE_M3,
    TUBE_M3,
    WEIGHT,
    column_pa,
    full,
    opened,
    plant_of,
    trace,
)

FLOW = 2.5
GAS = 287.055 * 293.15
"""R T of dry air at 20 degC, J/kg (ISO 2533)."""
BUBBLING_PA = opened(plant_of(), 30.0).gauge_pa()


def orifice_pa(area_share: float, area_m2: float, behind_abs_pa: float, flow: float = FLOW) -> float:
    """ISO 5167-1 with Cd 0.62, solved for the density at the mean pressure, by hand."""
    drop = 0.0
    for _ in range(60):
        mean = behind_abs_pa + drop / 2.0
        speed = flow / mean / (0.62 * area_m2)
        drop = 0.5 * mean / GAS * speed**2 * (1.0 / area_share**2 - 1.0)
    return drop


def moving(rate_m_s: float) -> Callable[[float], float]:
    return lambda t_s: LEVEL_M + rate_m_s * max(0.0, t_s - 200.0)


def shut(plant: Plant, seconds: float) -> Plant:
    plant.command(False)
    plant.advance(plant.now_s + seconds)
    return plant


def pulse(plant: Plant, seconds: float = 4.0) -> float:
    """One opening; what stands at the transmitter at its end."""
    opened(plant, seconds)
    stood = plant.gauge_pa()
    shut(plant, 5.0)
    return stood


# -- a narrow tip ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("area_share", [0.1, 0.03, 0.01])
def test_a_narrow_tip_costs_what_an_orifice_costs_and_only_while_air_flows(area_share: float) -> None:
    plant = opened(full(plant_of(faults=Faults(tip_area_share=area_share))), 40.0)
    expected = orifice_pa(area_share, AREA, ATMOSPHERE + WEIGHT * HEAD_M)
    assert plant.gauge_pa() - BUBBLING_PA == pytest.approx(expected, rel=0.03, abs=0.5)
    assert shut(plant, 20.0).gauge_pa() == pytest.approx(column_pa(HEAD_M), abs=0.5)


@pytest.mark.parametrize(("area_share", "follows", "ripple_pa"), [(0.25, True, 40.0), (0.25, False, 80.0)])
def test_ripple_goes_with_the_width_of_the_hole(area_share: float, follows: bool, ripple_pa: float) -> None:
    # one bore of liquid at most (common practice): half the width, half the ripple
    faults = Faults(tip_area_share=area_share)
    plant = opened(plant_of(ripple_pa=80.0, ripple_follows_tip=follows, faults=faults), 20.0)
    _, gauges = trace(plant, 10.0, 0.013)
    assert max(gauges) - min(gauges) == pytest.approx(ripple_pa, rel=0.1)


def test_the_orifice_agrees_with_the_nozzle_of_the_handbooks_where_air_is_slow() -> None:
    """Saint-Venant and Wantzel's isentropic flow through a hole, with the same coefficient of discharge."""
    plant = opened(full(plant_of(faults=Faults(tip_area_share=0.005), line_length_m=0.0)), 300.0)
    outside = ATMOSPHERE + WEIGHT * HEAD_M
    drop = plant.gauge_pa() - opened(plant_of(line_length_m=0.0), 30.0).gauge_pa()
    mass = hole_mass_flow_kg_s(
        0.005 * AREA,
        upstream_abs_pa=outside + drop,
        downstream_abs_pa=outside,
        temperature_k=293.15,
        discharge_coefficient=0.62,
    )
    assert drop > 4_000.0
    assert mass * GAS == pytest.approx(FLOW, rel=0.03)


def test_a_strong_restriction_lets_the_pressure_down_slowly_after_closing() -> None:
    """dp / dt = -Q(dp) / V, integrated by hand with small steps: a fall that gets steeper than an exponential."""
    share = 0.003
    plant = opened(full(plant_of(faults=Faults(tip_area_share=share), line_length_m=0.0)), 300.0)
    plant.command(False)
    outside = ATMOSPHERE + WEIGHT * HEAD_M
    drop = plant.gauge_pa() - BUBBLING_PA
    _, gauges = trace(plant, 3.0, 0.05)
    by_hand, hole_m = [], 0.005 * math.sqrt(share)
    for k in range(30_000):
        mean = outside + drop / 2.0
        a = (1.0 / share**2 - 1.0) / (2.0 * GAS * (0.62 * AREA) ** 2) / mean
        b = 3.0 * 1.8133e-5 / hole_m**3 / mean
        drop -= 1e-4 * (math.sqrt(b * b + 4.0 * a * max(0.0, drop)) - b) / (2.0 * a) / TUBE_M3
        if (k + 1) % 500 == 0:
            by_hand.append(drop)
    start = by_hand[0]
    assert start > 8_000.0
    for seen, expected in zip(gauges, by_hand, strict=True):
        assert seen - column_pa(HEAD_M) == pytest.approx(expected, abs=0.02 * start)


def test_a_share_of_nothing_is_refused() -> None:
    for share in (0.0, -0.1, 1.2, math.nan):
        with pytest.raises(ValueError, match="share of free area"):
            opened(plant_of(faults=Faults(tip_area_share=share)), 1.0)


# -- plugs -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("left", [1.0, 0.05])
def test_a_plug_holds_up_to_its_strength_and_breaks_out_in_part_or_wholly(left: float) -> None:
    plant = full(plant_of())
    plant.faults.plug_holds_pa, plant.faults.plug_left_share = 20e3, left
    opened(plant, 12.0)
    assert plant.highest_pa == pytest.approx(column_pa(HEAD_M) + 20e3, rel=0.02)
    expected = BUBBLING_PA + orifice_pa(left, AREA, ATMOSPHERE + WEIGHT * HEAD_M)
    assert plant.gauge_pa() == pytest.approx(expected, rel=1e-3)
    assert (plant.faults.plug_holds_pa, plant.faults.tip_area_share) == (0.0, left)


def test_pulses_weaken_a_plug_until_one_of_them_clears_it() -> None:
    """Four seconds of Q / V on a tube at rest; at each end the plug loses a tenth, and yields to what still stands."""
    lift_pa = 4.0 * FLOW / (TUBE_M3 + LINE_M3)
    needed = math.ceil(math.log(lift_pa / 20e3) / math.log(0.9))
    faults, held = Faults(plug_holds_pa=20e3, plug_weakens_share=0.1), []
    for _ in range(needed):
        plant = full(plant_of())  # somebody lets the pressure off between the pulses
        plant.faults = faults
        pulse(plant)
        held.append(faults.plug_holds_pa > 0.0)
    assert held == [True] * (needed - 1) + [False]
    assert needed == 3
    assert plant.gauge_pa() == pytest.approx(column_pa(HEAD_M), abs=5.0)


def test_a_plug_that_is_too_strong_stays() -> None:
    plant = full(plant_of(faults=Faults(plug_holds_pa=400e3, plug_weakens_share=0.0), span_high_pa=1e6))
    for _ in range(5):
        pulse(plant, 300.0)
    assert plant.faults.plug_holds_pa == 400e3
    assert plant.gauge_pa() == pytest.approx(300e3, rel=2e-3)


def test_behind_a_plug_the_pressure_no_longer_follows_the_level() -> None:
    """Neither down nor up, however far it goes: a level that stands still is all that the gauge shows."""
    for rate in (-5e-4, 5e-4):
        plant = full(plant_of(level_m=moving(rate)))
        before = plant.gauge_pa()
        plant.faults.plugged = True
        plant.advance(1200.0)
        assert abs(plant.head_pa - WEIGHT * HEAD_M) > 4_500.0
        assert plant.gauge_pa() == pytest.approx(before, abs=30.0)
        plant.faults.plugged = False
        plant.advance(plant.now_s + 60.0)
        assert abs(plant.gauge_pa() - before) > 1_000.0


def test_a_falling_level_may_pull_a_weak_plug_out() -> None:
    plant = full(plant_of(level_m=moving(-5e-4)))
    plant.faults.plug_holds_pa = 3_000.0
    plant.advance(700.0)  # 0.25 m lower: 2.4 kPa
    assert plant.gauge_pa() == pytest.approx(column_pa(HEAD_M), abs=30.0)
    plant.advance(1000.0)
    assert plant.faults.plug_holds_pa == 0.0
    assert plant.gauge_pa() == pytest.approx(column_pa(plant.level_m - 0.1), abs=10.0)


# -- solids ----------------------------------------------------------------------------------------------------------


def test_solids_over_the_tip_show_a_break_through_and_read_too_high_ever_after() -> None:
    plant = full(plant_of())
    plant.faults.solids_pa, plant.faults.solids_break_share = 3_000.0, 0.8
    opened(plant, 10.0)
    assert plant.highest_pa == pytest.approx(BUBBLING_PA + 3_000.0, rel=0.01)
    assert plant.gauge_pa() == pytest.approx(BUBBLING_PA + 600.0, abs=5.0)
    assert shut(plant, 5.0).gauge_pa() == pytest.approx(column_pa(HEAD_M) + 600.0, abs=5.0), "trapped under the solids"


def test_solids_settle_again_at_rest() -> None:
    """After one time constant at rest 63 % of what was blown away lies there again."""
    peaks = []
    for rest_s in (1.0, 600.0, 6000.0):
        plant = full(plant_of())
        plant.faults.solids_pa, plant.faults.solids_break_share, plant.faults.solids_rebuild_s = 3_000.0, 0.8, 600.0
        opened(plant, 10.0)
        shut(plant, rest_s)
        plant.highest_pa = 0.0
        opened(plant, 10.0)
        peaks.append(plant.highest_pa - BUBBLING_PA)
    assert peaks[0] == pytest.approx(600.0, abs=30.0)
    assert peaks[1] == pytest.approx(600.0 + 2_400.0 * (1.0 - math.exp(-1.0)), rel=0.03)
    assert peaks[2] == pytest.approx(3_000.0, rel=0.03)


# -- the line --------------------------------------------------------------------------------------------------------


def test_a_narrow_line_shows_at_the_valve_end_only() -> None:
    line_area = math.pi / 4.0 * 0.0043**2
    shown = {}
    for tee in (True, False):
        for share in (1.0, 0.03):
            plant = full(plant_of(tee_at_valve=tee, faults=Faults(line_area_share=share)))
            shown[tee, share] = opened(plant, 60.0).gauge_pa()
    expected = orifice_pa(0.03, line_area, ATMOSPHERE + WEIGHT * HEAD_M)
    # the line's own friction is a little less in the denser air before the narrowing
    assert shown[True, 0.03] - shown[True, 1.0] == pytest.approx(expected, rel=0.03)
    assert shown[False, 0.03] - shown[False, 1.0] == pytest.approx(0.0, abs=0.5)


def test_a_narrow_line_empties_slowly_into_the_tube_after_closing() -> None:
    quick, slow = (
        opened(full(plant_of(tee_at_valve=True, faults=Faults(line_area_share=share))), 60.0) for share in (1.0, 0.01)
    )
    for plant in (quick, slow):
        shut(plant, 1.5)
    assert quick.gauge_pa() == pytest.approx(column_pa(HEAD_M), abs=5.0)
    assert slow.gauge_pa() > column_pa(HEAD_M) + 5_000.0
    assert shut(slow, 60.0).gauge_pa() == pytest.approx(column_pa(HEAD_M), abs=1.0)


def test_no_air_is_made_or_lost_behind_narrow_places() -> None:
    plant = plant_of(faults=Faults(line_area_share=0.02, plugged=True))
    before = plant.trapped_pa_m3
    opened(plant, 6.0)
    shut(plant, 100.0)
    assert plant.air_in_pa_m3 == pytest.approx(15.0, rel=1e-3)
    assert plant.trapped_pa_m3 - before == pytest.approx(plant.air_in_pa_m3, rel=1e-6)


def test_a_slug_of_water_swings_while_air_flows_and_stays_where_it_was() -> None:
    plant = opened(full(plant_of(faults=Faults(water_in_line_m=0.05))), 10.0)
    _, gauges = trace(plant, 20.0, 0.05)
    assert max(gauges) - min(gauges) == pytest.approx(0.05 * WEIGHT, rel=0.05)
    left = []
    for _ in range(12):
        shut(plant, 3.0)
        left.append(plant.gauge_pa() - column_pa(HEAD_M))
        assert shut(plant, 20.0).gauge_pa() - column_pa(HEAD_M) == pytest.approx(left[-1], abs=0.5)
        opened(plant, 2.3)
    assert max(left) - min(left) > 0.5 * 0.05 * WEIGHT, "every closing leaves it elsewhere"
    assert -1.0 <= min(left) <= max(left) <= 0.05 * WEIGHT + 1.0


def test_both_leaks_take_air_and_only_the_one_at_the_valve_draws_it_through_the_line() -> None:
    leak = 2e-5
    tube, valve = (
        full(plant_of(tee_at_valve=True, faults=faults))
        for faults in (Faults(extra_leak_pa_m3_s_pa=leak), Faults(extra_leak_at_valve_pa_m3_s_pa=leak))
    )
    for plant in (tube, valve):
        opened(plant, 20.0)
        shut(plant, 5.0)
        start = plant.trapped_pa_m3
        plant.advance(plant.now_s + 1.0)
        assert start - plant.trapped_pa_m3 == pytest.approx(leak * plant.gauge_pa(), rel=0.05)
    flow = leak * valve.gauge_pa() / (ATMOSPHERE + valve.gauge_pa())
    drawn_pa = 128.0 * 1.8133e-5 * 20.0 * flow / (math.pi * 0.0043**4)
    assert drawn_pa > 100.0
    assert tube.gauge_pa() - valve.gauge_pa() == pytest.approx(drawn_pa, rel=0.1)
