"""The form of `transmitter.vent`: the valve that opens the transmitter to the atmosphere, and how it is used."""

from __future__ import annotations

from typing import Annotated

from lungfish.config.fields import Quantity
from lungfish.config.valve_form import ValveForm
from lungfish.units import DURATION

__all__ = ["VentForm"]


class VentForm(ValveForm):
    """A three-way valve, or block and vent moved by one output: open, it cuts the transmitter off and vents it."""

    max_open: Annotated[float, Quantity(DURATION, "5 s", "10 min")] = 60.0
    """Longest time that the vent may be open; 60 s by default."""
    every: Annotated[float, Quantity(DURATION, "1 h", "366 day")] = 7 * 86400.0
    """From one zero check to the next; 7 days by default."""
    correct: bool = False
    """`true`: a zero that was found is taken out of the readings; by default it is told and widens them."""
