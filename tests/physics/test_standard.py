"""Standard volumes of gas and their reference states."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lungfish.physics.air import air_density_kg_m3
from lungfish.physics.standard import (
    ANR,
    ATM_20C,
    NORMAL,
    SCF_60F,
    SCF_68F,
    ReferenceState,
    convert_standard_volume,
    standard_flow_m3_s,
    standard_volume_m3,
    throughput_pa_m3_s,
)
from tests.physics.published import Check, each

CUBIC_FOOT_M3 = 0.3048**3
IDEAL = "ratio of the two states (ideal gas), by hand"
BAR = "ratio of the two states, with 14.5 psia taken as 1 bar (0.03 % apart), by hand"
STATES = [ANR, ATM_20C, NORMAL, SCF_60F, SCF_68F]


def litres_a_minute(source: ReferenceState, target: ReferenceState) -> Callable[[], float]:
    """One standard cubic foot a minute of the source state, in litres of the target state."""
    return lambda: 1e3 * convert_standard_volume(CUBIC_FOOT_M3, source, target)


def scfm_of_1000_kg_h(temperature_f: float) -> float:
    density = air_density_kg_m3(101325.0, (temperature_f + 459.67) / 1.8)
    return 1000.0 / 60.0 / density / CUBIC_FOOT_M3


ROWS = [
    Check("1 Nm3 in ANR", lambda: convert_standard_volume(1.0, NORMAL, ANR), 1.087440, 1e-6, IDEAL),
    Check(
        "1 Nm3 in SCF at 60 degF",
        lambda: convert_standard_volume(1.0, NORMAL, SCF_60F) / CUBIC_FOOT_M3,
        37.3258,
        2e-4,
        IDEAL,
    ),
    Check(
        "1 Nm3 in SCF at 68 degF",
        lambda: convert_standard_volume(1.0, NORMAL, SCF_68F) / CUBIC_FOOT_M3,
        38.4026,
        0.0115,
        BAR,
    ),
    Check("1 SCFM at 60 degF, normal", litres_a_minute(SCF_60F, NORMAL), 26.7911, 2e-4, IDEAL),
    Check("1 SCFM at 60 degF, ANR", litres_a_minute(SCF_60F, ANR), 29.1337, 2e-4, IDEAL),
    Check("1 SCFM at 60 degF, 20 degC", litres_a_minute(SCF_60F, ATM_20C), 28.7528, 1e-4, IDEAL),
    Check("1 SCFM at 68 degF, normal", litres_a_minute(SCF_68F, NORMAL), 26.040, 8e-3, BAR),
    Check(
        "1000 kg/h at 32 degF",
        lambda: scfm_of_1000_kg_h(32.0),
        455.0,
        0.6,
        "encyclopaedia article 'Normal cubic metre': 1000 kg/h of air is 455 SCFM at 32 degF",
    ),
    Check(
        "1000 kg/h at 60 degF",
        lambda: scfm_of_1000_kg_h(60.0),
        481.0,
        0.6,
        "encyclopaedia article 'Normal cubic metre': 1000 kg/h of air is 481 SCFM at 60 degF",
    ),
    Check(
        "100 g/h in normal litres a minute",
        lambda: 0.1 / 60.0 / air_density_kg_m3(NORMAL.pressure_pa, NORMAL.temperature_k) * 1e3,
        1.29,
        5e-3,
        "round value of metering practice",
    ),
    Check(
        "100 g/h in litres a minute at 20 degC",
        lambda: 0.1 / 60.0 / air_density_kg_m3(ATM_20C.pressure_pa, ATM_20C.temperature_k) * 1e3,
        1.38,
        5e-3,
        "round value of metering practice",
    ),
    Check("ANR pressure", lambda: ANR.pressure_pa, 100e3, 0.0, "ISO 8778:2003 (from memory)"),
    Check("ANR temperature", lambda: ANR.temperature_k, 293.15, 0.0, "ISO 8778:2003 (from memory)"),
    Check("normal pressure", lambda: NORMAL.pressure_pa, 101325.0, 0.0, "DIN 1343"),
    Check("normal temperature", lambda: NORMAL.temperature_k, 273.15, 0.0, "DIN 1343"),
    Check(
        "1 L/min ANR at its own temperature",
        lambda: throughput_pa_m3_s(1e-3 / 60.0, ANR, 293.15),
        100e3 * 1e-3 / 60.0,
        1e-12,
        "pressure times volume flow",
    ),
    Check(
        "1 L/min ANR ten kelvin warmer",
        lambda: throughput_pa_m3_s(1e-3 / 60.0, ANR, 303.15) / (100e3 * 1e-3 / 60.0),
        303.15 / 293.15,
        1e-12,
        "ideal gas law",
    ),
]


@each(ROWS)
def test_standard_volumes_are_as_published(check: Check) -> None:
    check.hold()


@given(st.floats(0, 1e-2), st.sampled_from(STATES), st.floats(240, 330))
def test_throughput_turns_back_into_its_flow(flow: float, state: ReferenceState, t: float) -> None:
    assert standard_flow_m3_s(throughput_pa_m3_s(flow, state, t), state, t) == pytest.approx(flow, rel=1e-12)


@given(st.floats(0, 10), st.sampled_from(STATES), st.sampled_from(STATES))
def test_counting_in_another_state_and_back_changes_nothing(
    volume: float, one: ReferenceState, other: ReferenceState
) -> None:
    there = convert_standard_volume(volume, one, other)
    assert convert_standard_volume(there, other, one) == pytest.approx(volume, rel=1e-12)


@given(st.floats(0, 1e3), st.sampled_from(STATES), st.floats(240, 330))
def test_volume_and_flow_are_counted_alike(pv: float, state: ReferenceState, t: float) -> None:
    # A second of a throughput is an amount: the ledger of volumes must agree with the flows.
    assert standard_volume_m3(pv, t, state) == pytest.approx(standard_flow_m3_s(pv, state, t), rel=1e-15)


@pytest.mark.parametrize(("p", "t"), [(0.0, 293.0), (-1.0, 293.0), (1e5, 0.0), (math.nan, 293.0), (1e5, math.nan)])
def test_a_reference_state_must_be_one_that_gas_can_have(p: float, t: float) -> None:
    with pytest.raises(ValueError, match="reference state"):
        ReferenceState(p, t)
