"""The form of `clear.isolate`: the valve that cuts the transmitter off while a tube is blown down."""

from __future__ import annotations

from lungfish.config.contact_form import ContactForm
from lungfish.config.valve_form import OutputForm

__all__ = ["IsolateForm"]


class IsolateForm(OutputForm):
    """A valve that is shut without power: open, the transmitter is on the tube; shut, it is cut off."""

    shut: ContactForm
    """Says that the valve itself, not its output, is shut."""
    safe: ContactForm
    """A pressure switch on the tube's side of it: says that the pressure is below what the transmitter bears."""
