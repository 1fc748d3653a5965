"""From a contact's form to what it means."""

from __future__ import annotations

from lungfish.config.contact_form import ContactForm
from lungfish.config.document import KeyPath
from lungfish.config.input_forms import FlowForm
from lungfish.config.report import Report
from lungfish.config.wire_model import Bit, SwitchSpec

__all__ = ["build_contact", "switch_of"]


def build_contact(path: KeyPath, form: ContactForm | FlowForm, report: Report) -> SwitchSpec | None:
    """Settle a contact.

    Args:
        path: of its section.
        form: the section.
        report: where findings go.
    """
    if (form.input is None) == (form.coil is None):
        wrong = "it does not say where to read" if form.coil is None else "`input` and `coil` are both stated"
        report.error(path, wrong, "write one of `input` and `coil`")
        return None
    return switch_of(form.link, form.unit, form.input, form.coil, form.active)


def switch_of(link: str, unit: int, input_: int | None, coil: int | None, active: str) -> SwitchSpec:
    """A bit that means yes or no.

    Args:
        link: name of the link.
        unit: Modbus unit id.
        input_: 0-based address of a discrete input; None: `coil` it is.
        coil: 0-based address of a coil.
        active: `high` or `low`.
    """
    return SwitchSpec(
        link=link,
        unit=unit,
        bit=Bit.COIL if input_ is None else Bit.INPUT,
        address=(coil or 0) if input_ is None else input_,
        active_value=int(active == "high"),
    )
