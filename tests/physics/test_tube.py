"""Air trapped in tube and line."""

from __future__ import annotations

import math
from typing import TypedDict

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from lungfish.physics.constants import STANDARD_ATMOSPHERE_PA as ATM
from lungfish.physics.constants import STANDARD_GRAVITY_M_S2 as G0
from lungfish.physics.standard import ANR, throughput_pa_m3_s
from lungfish.physics.tube import AirSpace, bore_area_m2, pipe_volume_m3
from tests.physics.published import Check, each


class Place(TypedDict):
    """The liquid and the air above it."""

    density_kg_m3: float
    gravity_m_s2: float
    atmosphere_pa: float


RHO = 998.2
HERE: Place = {"density_kg_m3": RHO, "gravity_m_s2": G0, "atmosphere_pa": ATM}
LIQUID_PA_M = RHO * G0
DIP = bore_area_m2(10e-3)
SPACE = AirSpace(pipe_volume_m3(10e-3, 4.5) + pipe_volume_m3(4.3e-3, 20.0), DIP)
LINE = AirSpace(pipe_volume_m3(6e-3, 30.0), bore_area_m2(6e-3))
Q = throughput_pa_m3_s(1e-3 / 60.0, ANR, 293.15)
BOYLE = "pressure times volume of the line, by hand"


ROWS = [
    Check("volume of 30 m of 6 mm tube, L", lambda: 1e3 * pipe_volume_m3(6e-3, 30.0), 0.84823, 1e-5, BOYLE),
    Check("volume of 3 m of 25 mm tube, L", lambda: 1e3 * pipe_volume_m3(25e-3, 3.0), 1.47262, 1e-5, BOYLE),
    Check("1 L/min into that line, Pa/s", lambda: LINE.rigid_fill_slope_pa_s(Q), 1964.9, 0.1, BOYLE),
    Check("30 kPa in it, s", lambda: 30e3 / LINE.rigid_fill_slope_pa_s(Q), 15.27, 5e-3, BOYLE),
]


@each(ROWS)
def test_tube_is_as_worked_by_hand(check: Check) -> None:
    check.hold()


spaces = st.builds(
    AirSpace,
    volume_m3=st.floats(5e-5, 5e-3),
    area_m2=st.floats(4e-3, 25e-3).map(bore_area_m2),
)
heads = st.floats(0.05, 10)
shares = st.floats(0, 1.2)


@given(spaces, heads, shares)
def test_trapped_air_obeys_boyle_with_the_liquid_as_piston(space: AirSpace, head: float, share: float) -> None:
    full = (ATM + LIQUID_PA_M * head) * space.volume_m3
    pv = share * full
    rise = space.surface_rise_m(pv, head, **HERE)
    if share >= 1.0:
        assert rise == 0.0  # what the tube cannot hold has bubbled out
        pv = full
    assert rise >= 0.0
    assert (ATM + LIQUID_PA_M * (head - rise)) * (space.volume_m3 - space.area_m2 * rise) == pytest.approx(
        pv, rel=1e-9, abs=1e-9
    )


@given(spaces, heads, shares)
def test_amount_of_air_comes_back_from_its_own_pressure(space: AirSpace, head: float, share: float) -> None:
    full = (ATM + LIQUID_PA_M * head) * space.volume_m3
    gauge = space.trapped_gauge_pa(share * full, head, **HERE)
    assert space.stored_pv_pa_m3(gauge, head, **HERE) == pytest.approx(min(share, 1.0) * full, rel=1e-9, abs=1e-9)
    assert gauge <= LIQUID_PA_M * head + 1e-9


@given(spaces, heads, st.floats(-2e4, 1.2e5))
def test_least_air_is_never_negative_and_brings_the_tube_to_its_tip(space: AirSpace, head: float, now: float) -> None:
    need = space.least_air_pa_m3(now, head, **HERE)
    assert need >= 0.0
    if need > 0.0:
        held = space.stored_pv_pa_m3(now, head, **HERE) + need
        assert space.surface_rise_m(held, head, **HERE) == pytest.approx(0.0, abs=1e-9)
        # ... and a little less does not.
        assert space.surface_rise_m(held - 0.1 * need, head, **HERE) > 0.0


def test_a_clear_tube_costs_nothing() -> None:
    assert SPACE.least_air_pa_m3(LIQUID_PA_M * 2.0, 2.0, **HERE) == 0.0
    assert SPACE.least_air_pa_m3(LIQUID_PA_M * 2.0 + 50.0, 2.0, **HERE) == 0.0  # still blowing against friction
    assert SPACE.fill_time_s(Q, LIQUID_PA_M * 2.0, 2.0, **HERE) == 0.0


def test_a_flooded_tube_costs_its_volume_at_the_tip_less_what_was_in_it() -> None:
    # Vented before: the liquid inside stands as high as outside, the air above it is at the atmosphere.
    tip_pa = ATM + LIQUID_PA_M * 2.0
    by_hand = tip_pa * SPACE.volume_m3 - ATM * (SPACE.volume_m3 - DIP * 2.0)
    assert SPACE.least_air_pa_m3(0.0, 2.0, **HERE) == pytest.approx(by_hand, rel=1e-12)


@pytest.mark.parametrize("head", [0.0, -0.5])
def test_an_uncovered_tip_holds_air_at_the_atmosphere_and_costs_nothing(head: float) -> None:
    assert SPACE.surface_rise_m(0.5 * ATM * SPACE.volume_m3, head, **HERE) == 0.0
    assert SPACE.trapped_gauge_pa(0.5 * ATM * SPACE.volume_m3, head, **HERE) == 0.0
    assert SPACE.stored_pv_pa_m3(0.0, head, **HERE) == pytest.approx(ATM * SPACE.volume_m3, rel=1e-15)
    assert SPACE.least_air_pa_m3(0.0, head, **HERE) == 0.0


@pytest.mark.parametrize(("now", "head"), [(0.0, 2.0), (0.0, 0.3), (9e3, 2.0), (1e4, 5.0)])
def test_fill_time_is_what_following_the_slope_takes(now: float, head: float) -> None:
    def climb(_: float, y: list[float]) -> list[float]:
        rise = head - y[0] / LIQUID_PA_M
        return [SPACE.fill_slope_pa_s(Q, ATM + y[0], rise, density_kg_m3=RHO, gravity_m_s2=G0)]

    def knee(_: float, y: list[float]) -> float:
        return float(y[0] - LIQUID_PA_M * head)

    knee.terminal = True  # type: ignore[attr-defined]
    walked = solve_ivp(climb, (0.0, 1e4), [now], events=knee, rtol=1e-10, atol=1e-6)
    assert SPACE.fill_time_s(Q, now, head, **HERE) == pytest.approx(float(walked.t_events[0][0]), rel=1e-7)


@given(spaces, heads, st.floats(0, 0.99))
def test_clearing_the_tube_is_slower_than_filling_a_rigid_one(space: AirSpace, head: float, share: float) -> None:
    # A slope above Q / V would say that the air space has shrunk: a plug, or liquid in the line.
    rise = share * min(head, space.volume_m3 / space.area_m2)
    abs_pa = ATM + LIQUID_PA_M * (head - rise)
    slope = space.fill_slope_pa_s(Q, abs_pa, rise, density_kg_m3=RHO, gravity_m_s2=G0)
    assert 0.0 < slope < space.rigid_fill_slope_pa_s(Q)


def test_fill_time_without_flow_is_never() -> None:
    assert SPACE.fill_time_s(0.0, 0.0, 2.0, **HERE) == math.inf
    assert SPACE.fill_time_s(0.0, LIQUID_PA_M * 2.0, 2.0, **HERE) == 0.0


@given(spaces, st.floats(0.2, 8), st.floats(0.6, 0.999))
def test_rising_level_is_read_from_the_trapped_pressure(space: AirSpace, head: float, share: float) -> None:
    # The head change that a small change of pressure stands for, against Boyle's law solved twice.
    pv = share * (ATM + LIQUID_PA_M * head) * space.volume_m3
    rise, step = space.surface_rise_m(pv, head, **HERE), 1e-4
    low = space.trapped_gauge_pa(pv, head, **HERE)
    high = space.trapped_gauge_pa(pv, head + step, **HERE)
    factor = space.head_change_factor(ATM + low, rise, density_kg_m3=RHO, gravity_m_s2=G0)
    assert factor >= 1.0
    assert factor * (high - low) == pytest.approx(LIQUID_PA_M * step, rel=2e-3)


def test_cooled_air_reads_low_as_charles_and_boyle_say() -> None:
    # 0.64 L of air at 2 m of head cooled by 1 K; the exact solution against the first-order one.
    head = 2.0
    full = (ATM + LIQUID_PA_M * head) * SPACE.volume_m3
    exact = SPACE.trapped_gauge_pa(full * (293.15 - 1.0) / 293.15, head, **HERE) - LIQUID_PA_M * head
    first = SPACE.temperature_shift_pa(
        -1.0,
        temperature_k=293.15,
        abs_pa=ATM + LIQUID_PA_M * head,
        rise_m=0.0,
        density_kg_m3=RHO,
        gravity_m_s2=G0,
    )
    assert first == pytest.approx(exact, rel=5e-3)
    assert -20e-3 < first / LIQUID_PA_M < -15e-3  # 17 mm of water for one kelvin


@pytest.mark.parametrize(
    ("volume", "area"), [(0.0, 1e-4), (1e-3, 0.0), (-1.0, 1e-4), (math.nan, 1e-4), (1.0, math.inf)]
)
def test_an_air_space_must_hold_air(volume: float, area: float) -> None:
    with pytest.raises(ValueError, match="air space"):
        AirSpace(volume, area)


@pytest.mark.parametrize("pv", [-1e-6, math.nan])
def test_an_amount_of_air_is_not_negative(pv: float) -> None:
    with pytest.raises(ValueError, match="amount of air"):
        SPACE.surface_rise_m(pv, 2.0, **HERE)


@pytest.mark.parametrize("flow", [-1e-6, math.nan])
def test_a_throughput_is_not_negative(flow: float) -> None:
    with pytest.raises(ValueError, match="throughput"):
        SPACE.fill_time_s(flow, 0.0, 2.0, **HERE)


def test_more_liquid_than_tube_leaves_no_air_but_no_less_than_none() -> None:
    assert SPACE.air_volume_m3(1e3) == 0.0
    assert SPACE.air_volume_m3(0.0) == SPACE.volume_m3
