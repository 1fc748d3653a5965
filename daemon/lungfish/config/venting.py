"""`transmitter.vent`, from its form to what it means, and whether a zero check fits between two cycles."""

from __future__ import annotations

import dataclasses

from lungfish.config.document import KeyPath
from lungfish.config.model import Tank, VentSpec
from lungfish.config.report import Report
from lungfish.config.valves import build_valve
from lungfish.config.vent_form import VentForm

__all__ = ["with_vent"]


def with_vent(tank: Tank, form: VentForm | None, report: Report) -> Tank:
    """A tank whose transmitter can be opened to the atmosphere.

    Args:
        tank: without that.
        form: its section `transmitter.vent`; None when there is none.
        report: where findings go.
    """
    if form is None:
        return tank
    path: KeyPath = ("tanks", tank.name, "transmitter", "vent")
    valve = build_valve(path, form, report)
    if valve is None:
        return tank
    for key, shown in (
        ("max_open", f"{form.max_open:g} s"),
        ("every", f"{form.every / 86400.0:g} day"),
        ("correct", "false: a drift is told, not taken out"),
    ):
        if key not in form.model_fields_set:
            report.assume((*path, key), shown)
    if form.correct and tank.transmitter.absolute:
        report.error(
            (*path, "correct"),
            "the zero of an absolute transmitter is the weather, which will have changed by the next reading",
            "delete it, or use a gauge transmitter",
        )
    together_s = tank.valve.max_open_s + valve.max_open_s
    if tank.every_s <= together_s:
        report.error(
            (*path, "max_open"),
            f"a purge of up to {tank.valve.max_open_s:g} s and a zero check of up to {valve.max_open_s:g} s do not fit "
            f"between two purges, {tank.every_s:g} s apart",
            f"write a shorter `max_open`, or an `every` of the tank above {together_s:g} s",
        )
    vent = VentSpec(valve=valve, every_s=form.every, correct=form.correct)
    return dataclasses.replace(tank, transmitter=dataclasses.replace(tank.transmitter, vent=vent))
