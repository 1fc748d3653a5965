"""Standard volumes of gas: what a "litre" means, and pressure times volume as the common coin.

An amount of gas is carried as its ``pV`` at a stated temperature (Pa m3), a flow as throughput (Pa m3/s).
Two reference states differ by up to 7 %, so no function here assumes one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from lungfish.physics.constants import (
    ANR_PRESSURE_PA,
    ANR_TEMPERATURE_K,
    STANDARD_ATMOSPHERE_PA,
    ZERO_CELSIUS_K,
)

__all__ = [
    "ANR",
    "ATM_20C",
    "NORMAL",
    "SCF_60F",
    "SCF_68F",
    "ReferenceState",
    "convert_standard_volume",
    "standard_flow_m3_s",
    "standard_volume_m3",
    "throughput_pa_m3_s",
]

_PSI_PA = 6894.757293168


@dataclass(frozen=True, slots=True)
class ReferenceState:
    """The pressure and temperature at which a standard volume of gas is counted.

    Raises:
        ValueError: Pressure or temperature not above zero.
    """

    pressure_pa: float
    """Absolute pressure, Pa."""
    temperature_k: float
    """Temperature, K."""

    def __post_init__(self) -> None:
        """Refuse a state that no gas can have."""
        if not (self.pressure_pa > 0.0 and self.temperature_k > 0.0):
            msg = (
                "a reference state needs pressure and temperature above zero: "
                f"{self.pressure_pa:g} Pa, {self.temperature_k:g} K"
            )
            raise ValueError(msg)


ANR: Final = ReferenceState(ANR_PRESSURE_PA, ANR_TEMPERATURE_K)
"""Standard reference atmosphere of pneumatics: 20 degC, 1 bar (ISO 8778; ideal dry gas used here)."""

NORMAL: Final = ReferenceState(STANDARD_ATMOSPHERE_PA, ZERO_CELSIUS_K)
"""Normal state: 0 degC, 101325 Pa (DIN 1343)."""

SCF_60F: Final = ReferenceState(14.696 * _PSI_PA, (60.0 + 459.67) / 1.8)
"""Standard cubic foot at 60 degF and 14.696 psia (common practice in gas measurement)."""

SCF_68F: Final = ReferenceState(14.5 * _PSI_PA, (68.0 + 459.67) / 1.8)
"""Standard cubic foot at 68 degF and 14.5 psia (common practice for compressors)."""

ATM_20C: Final = ReferenceState(STANDARD_ATMOSPHERE_PA, ANR_TEMPERATURE_K)
"""20 degC and 101325 Pa."""


def throughput_pa_m3_s(standard_flow_m3_s: float, reference: ReferenceState, temperature_k: float) -> float:
    """Throughput of a standard flow: its pV each second at a temperature (ideal gas law).

    Args:
        standard_flow_m3_s: Flow counted in the reference state, m3/s.
        reference: The state it is counted in.
        temperature_k: Temperature of the real gas, K.

    Returns:
        Throughput, Pa m3/s.
    """
    return standard_flow_m3_s * reference.pressure_pa * temperature_k / reference.temperature_k


def standard_flow_m3_s(throughput_pa_m3_s: float, reference: ReferenceState, temperature_k: float) -> float:
    """Standard flow of a throughput; inverse of `throughput_pa_m3_s`.

    Args:
        throughput_pa_m3_s: pV each second, Pa m3/s.
        reference: The state to count in.
        temperature_k: Temperature of the real gas, K.

    Returns:
        Flow in the reference state, m3/s.
    """
    return throughput_pa_m3_s * reference.temperature_k / (reference.pressure_pa * temperature_k)


def standard_volume_m3(pv_pa_m3: float, temperature_k: float, reference: ReferenceState) -> float:
    """Standard volume of an amount of gas given as pV.

    Args:
        pv_pa_m3: Absolute pressure times volume, Pa m3.
        temperature_k: Temperature of the gas, K.
        reference: The state to count in.

    Returns:
        Volume in the reference state, m3.
    """
    return pv_pa_m3 * reference.temperature_k / (reference.pressure_pa * temperature_k)


def convert_standard_volume(volume_m3: float, source: ReferenceState, target: ReferenceState) -> float:
    """The same gas counted in another reference state; holds for flows too.

    Args:
        volume_m3: Volume (m3) or flow (m3/s) in the source state.
        source: The state it is counted in.
        target: The state to count in.

    Returns:
        Volume or flow in the target state.
    """
    return volume_m3 * source.pressure_pa * target.temperature_k / (source.temperature_k * target.pressure_pa)
