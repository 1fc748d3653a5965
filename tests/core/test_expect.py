"""What geometry and flow make one expect, worked by hand for one sump.

The sump of `samples`: water of 998.2 kg/m3 at 9.80665 m/s2; 1.5 L/min of air (20 degC, 1 bar: 2.5 Pa m3/s) through 20 m
of 4.3 mm bore into a dip tube of 10 mm bore, 4.5 m long. Areas and volumes by hand: bore area 78.5398 mm2, tube
0.353429 L, line 0.290440 L, together 0.643869 L. Viscosity of air at 20 degC 18.133 uPa s (Sutherland).
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lungfish.core import expect
from lungfish.core.setup import CycleSetup
from tests.core.samples import SUMP, setup_of

MMH2O_PA = 9.80665
VOLUME = 0.643869e-3


def test_head_of_a_full_tank() -> None:
    assert expect.unit_weight_pa_m(SUMP) == pytest.approx(9788.998, abs=1e-3)  # 998.2 x 9.80665
    assert expect.full_gauge_pa(SUMP) == pytest.approx(43_071.6, abs=0.1)  # x 4.4 m


def test_the_air_space_is_tube_and_line() -> None:
    assert SUMP.air_space.volume_m3 == pytest.approx(VOLUME, rel=1e-5)
    assert SUMP.air_space.area_m2 == pytest.approx(78.5398e-6, rel=1e-6)
    bare = setup_of(line_length_m=0.0).air_space
    assert bare.volume_m3 == pytest.approx(0.353429e-3, rel=1e-5)


def test_the_restrictor_is_choked_until_the_pressure_behind_it_is_high() -> None:
    """4 bar absolute upstream, critical ratio 0.3: choked below 1.2 bar absolute (ISO 6358-1)."""
    assert expect.throughput_pa_m3_s(SUMP, 18_000.0) == 2.5
    # 240,795 Pa over 401,325 Pa: r = 0.6, factor sqrt(1 - (0.3 / 0.7)^2) = 0.9035079
    assert expect.throughput_pa_m3_s(SUMP, 139_470.0) == pytest.approx(2.5 * 0.9035079, rel=1e-6)
    assert expect.throughput_pa_m3_s(SUMP, 300_000.0) == 0.0
    assert expect.throughput_pa_m3_s(SUMP, -200_000.0) == 2.5, "a pressure that can't be is no reason to fail"


def test_friction_of_the_line_is_about_90_mm_of_water() -> None:
    """128 mu L / (pi d^4) = 4.3221e7 Pa s/m3; 2.5 Pa m3/s at 120,374 Pa (tube and half the friction) is 2.0769e-5 m3/s.

    So 897.6 Pa, 91.5 mm of water; laminar, Re about 400.
    """
    friction = expect.line_friction_at_pa(SUMP, 2.5, 18_600.0)
    assert friction == pytest.approx(897.6, abs=0.3)
    assert 85.0 < friction / MMH2O_PA < 95.0


def test_the_transmitter_sees_the_friction_of_the_line_only_at_the_valve_end() -> None:
    at_valve = expect.bubbling_friction_pa(SUMP, 18_600.0)
    at_tube = expect.bubbling_friction_pa(setup_of(tee_at_valve=False), 18_600.0)
    # 4.5 m of 10 mm bore: 128 x 18.133e-6 x 4.5 / (pi x 1e-8) = 3.3247e5 Pa s/m3, times 2.0846e-5 m3/s
    assert at_tube == pytest.approx(6.93, abs=0.02)
    assert at_valve - at_tube == pytest.approx(897.6, abs=0.3)
    bare = expect.bubbling_friction_pa(setup_of(line_length_m=0.0), 18_600.0)
    assert bare == pytest.approx(at_tube, rel=1e-4)


def test_slope_of_filling() -> None:
    """Q / (V + p A / rho g) = 2.5 / (0.643869e-3 + 119,925 x 78.5398e-6 / 9788.998) = 1556.6 Pa/s, 159 mm/s."""
    assert expect.slowest_fill_pa_s(SUMP, 18_600.0) == pytest.approx(1556.6, abs=0.2)


def test_settling_of_the_line() -> None:
    """4 / pi^2 R C = 0.405285 x 4.3221e7 x 0.290440e-3 / 119,925 = 42.4 ms (diffusion, one end open)."""
    assert expect.tube_settling_s(SUMP, 18_600.0) == pytest.approx(0.04242, abs=2e-5)
    assert expect.tube_settling_s(setup_of(line_length_m=0.0), 18_600.0) == 0.0


def test_a_fill_flattens_as_the_air_space_grows() -> None:
    """Against Euler's steps of the tube being cleared: a (t - k t^2) over the first two seconds."""
    k = expect.fill_flattening_s(SUMP, 0.0, 18_600.0)
    weight, area = 9788.998, 78.5398e-6
    rise, time, step = 18_600.0 / weight, 0.0, 1e-4
    pressure, first = 0.0, 0.0
    while time < 2.0:
        volume = VOLUME - area * rise
        slope = 2.5 / (volume + (101_325.0 + pressure) * area / weight)
        first = first or slope
        pressure += slope * step
        rise = (18_600.0 - pressure) / weight
        time += step
    assert first * (2.0 - k * 4.0) == pytest.approx(pressure, rel=2e-3)
    assert first * 2.0 > 1.01 * pressure, "a straight line would be off by more than 1 %"
    assert expect.fill_flattening_s(setup_of(flow_pa_m3_s=0.0), 0.0, 18_600.0) == 0.0


def test_time_that_filling_may_take() -> None:
    """From flooded under a full tank: 43,071.6 x V + 101,325 x A x 4.4 = 62.75 Pa m3, at 2.49 Pa m3/s 25.2 s."""
    needed_s = (43_071.6 * VOLUME + 101_325.0 * 78.5398e-6 * 4.4) / 2.49
    limit_s = expect.fill_limit_s(SUMP)
    assert needed_s == pytest.approx(25.2, abs=0.05)
    assert 1.2 * needed_s < limit_s < SUMP.max_open_s
    assert expect.fill_limit_s(setup_of(max_open_s=20.0)) == 20.0, "never longer than the valve may be open"
    assert expect.fill_limit_s(setup_of(supply_gauge_pa=30e3)) == SUMP.max_open_s, "a supply that never gets there"
    assert expect.fill_limit_s(setup_of(flow_pa_m3_s=0.0)) == SUMP.max_open_s


@given(bore=st.floats(0.004, 0.025), length=st.floats(0.0, 60.0), gauge=st.floats(0.0, 60e3), flow=st.floats(0.3, 10.0))
@settings(max_examples=150, deadline=None)
def test_expectations_move_the_way_that_they_must(bore: float, length: float, gauge: float, flow: float) -> None:
    def at(**changes: object) -> CycleSetup:
        return setup_of(**{"line_bore_m": bore, "line_length_m": length, "flow_pa_m3_s": flow, **changes})

    here = at()
    assert expect.bubbling_friction_pa(at(line_length_m=length + 1.0), gauge) > expect.bubbling_friction_pa(here, gauge)
    assert expect.bubbling_friction_pa(at(flow_pa_m3_s=1.1 * flow), gauge) > expect.bubbling_friction_pa(here, gauge)
    assert expect.line_friction_at_pa(here, flow, gauge) >= expect.line_friction_at_pa(here, flow, gauge + 5e3)
    assert expect.slowest_fill_pa_s(at(flow_pa_m3_s=1.1 * flow), gauge) > expect.slowest_fill_pa_s(here, gauge)
    assert expect.slowest_fill_pa_s(at(tube_bore_m=0.02), gauge) < expect.slowest_fill_pa_s(here, gauge)
    assert expect.slowest_fill_pa_s(here, gauge + 5e3) < expect.slowest_fill_pa_s(here, gauge)
    assert expect.tube_settling_s(at(line_length_m=length + 1.0), gauge) > expect.tube_settling_s(here, gauge)
    assert expect.fill_limit_s(at(line_length_m=length + 1.0)) >= expect.fill_limit_s(here)
    assert expect.fill_limit_s(at(flow_pa_m3_s=1.1 * flow)) <= expect.fill_limit_s(here)
    for value in (expect.fill_flattening_s(here, 0.0, gauge), expect.fill_limit_s(here)):
        assert math.isfinite(value)
        assert value >= 0.0
