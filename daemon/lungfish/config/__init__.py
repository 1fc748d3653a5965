"""The site file: YAML to frozen SI values, every error at once."""

from __future__ import annotations

from lungfish.config.clearing import blow_setup, clear_setup
from lungfish.config.cycle import cycle_setup
from lungfish.config.load import find_tank, forget_reading, load_site, load_site_text
from lungfish.config.model import (
    AirSpec,
    AlarmLimits,
    Bit,
    ByteOrder,
    ClearSpec,
    InputsSpec,
    IsolateSpec,
    LiquidSpec,
    ModbusTcpLinkSpec,
    NumberFormat,
    Output,
    PressureLimitSpec,
    RegisterTable,
    Site,
    SwitchSpec,
    Tank,
    Tee,
    TransmitterSpec,
    ValveSpec,
    VentSpec,
    blow_valve_name,
    isolating_valve_name,
    vent_valve_name,
)
from lungfish.config.schema import json_schema

__all__ = [
    "AirSpec",
    "AlarmLimits",
    "Bit",
    "ByteOrder",
    "ClearSpec",
    "InputsSpec",
    "IsolateSpec",
    "LiquidSpec",
    "ModbusTcpLinkSpec",
    "NumberFormat",
    "Output",
    "PressureLimitSpec",
    "RegisterTable",
    "Site",
    "SwitchSpec",
    "Tank",
    "Tee",
    "TransmitterSpec",
    "ValveSpec",
    "VentSpec",
    "blow_setup",
    "blow_valve_name",
    "clear_setup",
    "cycle_setup",
    "find_tank",
    "forget_reading",
    "isolating_valve_name",
    "json_schema",
    "load_site",
    "load_site_text",
    "vent_valve_name",
]
