"""The form of `clear`: what may be done by itself about a plugged tube."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from lungfish.config.fields import Quantity
from lungfish.config.isolate_form import IsolateForm
from lungfish.config.sections import Section
from lungfish.config.valve_form import ValveForm
from lungfish.units import DURATION, FLOW, PRESSURE

__all__ = ["ClearForm"]


class ClearForm(Section):
    """Blowing a plugged or restricted tube down by itself, with the purge valve or another. By default nothing is."""

    pressure: Annotated[float, Quantity(PRESSURE, "10 kPa", "20 bar")]
    """Highest gauge pressure that line and tube may see; the transmitter's own limit counts besides."""
    pulses: Annotated[int, Field(ge=1, le=20)] = 3
    """Pulses of one try; 3 by default."""
    pulse: Annotated[float, Quantity(DURATION, "1 s", "10 min")] = 15.0
    """Longest time that the valve is open in one pulse; 15 s by default."""
    rest: Annotated[float, Quantity(DURATION, "1 s", "10 min")] = 30.0
    """From the end of a pulse to the next; 30 s by default."""
    tries: Annotated[int, Field(ge=1, le=24)] = 2
    """Tries within 24 h, restarts or not; 2 by default."""
    between: Annotated[float, Quantity(DURATION, "1 min", "24 h")] = 3600.0
    """From the start of a try to that of the next, at least; 1 h by default."""
    friction: Annotated[float, Field(ge=1.5, le=100.0)] = 3.0
    """A tube that still reads is blown down when its friction is this many times what is expected; 3 by default."""
    valve: ValveForm | None = None
    """The blow valve, if it is one of its own; by default the purge valve blows."""
    flow: Annotated[float, Quantity(FLOW, "0.01 L/min", "5000 L/min")] | None = None
    """Greatest flow that the blow valve of its own lets in, counted as `air.flow` is; needed with `valve`."""
    supply: Annotated[float, Quantity(PRESSURE, "50 mbar", "20 bar")] | None = None
    """Gauge pressure of the air that it lets in; `air.supply` by default."""
    isolate: IsolateForm | None = None
    """A valve that cuts the transmitter off meanwhile, so that the supply's whole pressure blows; none by default."""
    delay: Annotated[float, Quantity(DURATION, "50 ms", "10 min")] | None = None
    """Longest time from the decision to shut to the valve being shut: lost answers, the device's own output time-out,
    the valve itself; by default four times the longer time-out of the tank's links, and 500 ms."""
