"""Transmitters and valves as a site file would describe them."""

from __future__ import annotations

from lungfish.config.model import ByteOrder, NumberFormat, Output, RegisterTable, TransmitterSpec, ValveSpec
from lungfish.config.valve_model import PulseSpec

__all__ = ["transmitter_spec", "valve_spec"]


def transmitter_spec(
    *,
    unit: int = 1,
    table: RegisterTable = RegisterTable.INPUT,
    register: int = 10,
    number_format: NumberFormat = NumberFormat.FLOAT32,
    word_order: ByteOrder = ByteOrder.BIG,
    byte_order: ByteOrder = ByteOrder.BIG,
    scale_pa: float = 1.0,
    offset_gauge_pa: float = 0.0,
) -> TransmitterSpec:
    """A transmitter of 0 to 60 kPa."""
    return TransmitterSpec(
        link="panel",
        unit=unit,
        table=table,
        register=register,
        format=number_format,
        word_order=word_order,
        byte_order=byte_order,
        scale_pa=scale_pa,
        offset_gauge_pa=offset_gauge_pa,
        span_low_gauge_pa=0.0,
        span_high_gauge_pa=60e3,
        u_pa=30.0,
        height_m=4.5,
        damping_s=None,
    )


def valve_spec(
    *,
    unit: int = 1,
    output: Output = Output.COIL,
    address: int = 20,
    open_value: int = 1,
    shut_value: int = 0,
    bit: int | None = None,
    mask_write: bool = False,
    pulse: PulseSpec | None = None,
) -> ValveSpec:
    """A valve that may be open for 90 s."""
    return ValveSpec(
        link="panel",
        unit=unit,
        output=output,
        address=address,
        open_value=open_value,
        shut_value=shut_value,
        max_open_s=90.0,
        bit=bit,
        mask_write=mask_write,
        pulse=pulse,
    )
