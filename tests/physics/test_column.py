"""The gas between the tip and the transmitter."""

from __future__ import annotations

import math
from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lungfish.physics.column import gas_column_pa, gauge_at_transmitter_pa, head_from_gauge_m
from lungfish.physics.constants import R_AIR_J_KG_K
from lungfish.physics.constants import STANDARD_ATMOSPHERE_PA as ATM
from lungfish.physics.constants import STANDARD_GRAVITY_M_S2 as G0
from tests.physics.published import Check, each

BAROMETRIC = "isothermal barometric formula, dry air of 287.055 J/(kg K) at 20 degC, by hand"
COLUMNS = [  # gauge Pa; weight of 10 m of gas in Pa, by the first term and by the exponential
    (0.0, 118.08, 118.15),
    (20e3, 141.39, 141.47),
    (50e3, 176.35, 176.45),
    (98066.5, 232.37, 232.50),
]
MM_OF_WATER = [(0.0, 12.07), (20e3, 14.45), (50e3, 18.03), (98066.5, 23.75)]


def column(gauge: float, exact: bool) -> float:
    return gas_column_pa(gauge, 10.0, ATM, 293.15, exact)


def column_mm(gauge: float) -> float:
    return column(gauge, exact=True) / (998.207 * G0) * 1e3


GAS = [
    *(Check(f"{p} Pa, linear", partial(column, p, exact=False), pa, 0.012, BAROMETRIC) for p, pa, _ in COLUMNS),
    *(Check(f"{p} Pa, exact", partial(column, p, exact=True), pa, 0.012, BAROMETRIC) for p, _, pa in COLUMNS),
    *(Check(f"{p} Pa, mm of water", partial(column_mm, p), mm, 0.006, BAROMETRIC) for p, mm in MM_OF_WATER),
    Check("3 m at 3 m of water", lambda: gas_column_pa(29.42e3, 3.0, ATM, 293.15), 45.71, 0.012, BAROMETRIC),
    Check(
        "100 ft at 20 psig in inches of water",
        lambda: gas_column_pa(20 * 6894.757, 30.48, ATM, 293.15) / 248.6423,
        3.421,
        0.005,
        "density of real air (Lemmon et al. 2000) times g times height",
    ),
]


@each(GAS)
def test_gas_column_weighs_what_it_should(check: Check) -> None:
    check.hold()


@pytest.mark.parametrize(("gauge", "t"), [(-2e5, 293.15), (0.0, 0.0), (math.nan, 293.15)])
def test_gas_column_refuses_states_that_cannot_be(gauge: float, t: float) -> None:
    with pytest.raises(ValueError, match="above 0 K"):
        gas_column_pa(gauge, 10.0, ATM, t)


def by_the_exponential(head: float, rise: float, height: float, rho: float, air_k: float) -> float:
    """The same pressure walked along the path: transmitter, outside down to the surface, tip, up the tube."""
    per_m = G0 / (R_AIR_J_KG_K * air_k)
    surface_abs = ATM * math.exp(per_m * (height - head))
    inside_abs = surface_abs + rho * G0 * (head - rise)
    return inside_abs * math.exp(-per_m * (height - rise)) - ATM


@pytest.mark.parametrize("height", [0.5, 4.0, 10.0])
@pytest.mark.parametrize("head", [0.1, 2.0, 8.0])
@pytest.mark.parametrize("rise", [0.0, 0.09])
def test_transmitter_pressure_agrees_with_a_walk_along_the_path(height: float, head: float, rise: float) -> None:
    ours = gauge_at_transmitter_pa(
        head,
        density_kg_m3=998.2,
        gravity_m_s2=G0,
        height_m=height,
        atmosphere_pa=ATM,
        air_k=293.15,
        surface_rise_m=rise,
    )
    assert ours == pytest.approx(by_the_exponential(head, rise, height, 998.2, 293.15), abs=0.15)  # 0.02 mm of water


def test_transmitter_above_the_tip_reads_low_by_the_net_weight_of_the_air() -> None:
    # 4 m of gas in the tube less 2 m of air outside, at 2 m of head: 28.1 Pa less, nearly 3 mm of water.
    p = gauge_at_transmitter_pa(
        2.0, density_kg_m3=998.2, gravity_m_s2=G0, height_m=4.0, atmosphere_pa=ATM, air_k=293.15
    )
    gas, outside = (ATM + p) / (R_AIR_J_KG_K * 293.15), ATM / (R_AIR_J_KG_K * 293.15)
    assert 998.2 * G0 * 2.0 - p == pytest.approx((gas * 4.0 - outside * 2.0) * G0, abs=1e-6)
    assert 998.2 * G0 * 2.0 - p > 25.0


@pytest.mark.parametrize("head", [0.0, -0.001, -3.0])
def test_uncovered_tip_reads_zero(head: float) -> None:
    p = gauge_at_transmitter_pa(
        head, density_kg_m3=998.2, gravity_m_s2=G0, height_m=4.0, atmosphere_pa=ATM, air_k=293.15
    )
    assert p == pytest.approx(0.0, abs=1e-9)


@given(
    head=st.floats(0, 30),
    height=st.floats(0, 60),
    rho=st.floats(600, 2000),
    g=st.floats(9.77, 9.84),
    atm=st.floats(60e3, 110e3),
    air_k=st.floats(240, 330),
)
def test_head_comes_back_from_its_own_pressure(
    head: float, height: float, rho: float, g: float, atm: float, air_k: float
) -> None:
    p = gauge_at_transmitter_pa(
        head, density_kg_m3=rho, gravity_m_s2=g, height_m=height, atmosphere_pa=atm, air_k=air_k
    )
    back = head_from_gauge_m(p, density_kg_m3=rho, gravity_m_s2=g, height_m=height, atmosphere_pa=atm, air_k=air_k)
    assert back == pytest.approx(head, abs=1e-9)


@pytest.mark.parametrize(("rho", "g"), [(1.0, G0), (0.0, G0), (998.0, 0.0), (math.nan, G0)])
def test_head_needs_a_liquid_heavier_than_air(rho: float, g: float) -> None:
    with pytest.raises(ValueError, match="denser than air"):
        head_from_gauge_m(1e4, density_kg_m3=rho, gravity_m_s2=g, height_m=4.0, atmosphere_pa=ATM, air_k=293.15)
