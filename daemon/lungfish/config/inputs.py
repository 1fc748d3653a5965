"""Optional inputs, from their form to what they mean."""

from __future__ import annotations

import dataclasses

from lungfish.config.contacts import build_contact, switch_of
from lungfish.config.document import KeyPath
from lungfish.config.input_forms import FlowForm, InputsForm, SupplyForm
from lungfish.config.model import (
    ByteOrder,
    InputsSpec,
    NumberFormat,
    PressureLimitSpec,
    RegisterTable,
    SwitchSpec,
    Tank,
)
from lungfish.config.report import Report
from lungfish.units import PRESSURE, unit_in_si

__all__ = ["SupplySpec", "build_supply", "with_inputs"]

SupplySpec = SwitchSpec | PressureLimitSpec
_OF_A_NUMBER = ("table", "format", "word_order", "byte_order", "scale", "offset", "reads_in", "at_least")


def build_supply(path: KeyPath, form: SupplyForm | None, report: Report) -> SupplySpec | None:
    """Settle a supply's switch.

    Args:
        path: of its section.
        form: the section; None when there is none.
        report: where findings go.
    """
    if form is None:
        return None
    stated = [key for key, value in _places(form) if value is not None]
    if len(stated) != 1:
        wrong = (
            f"{' and '.join(f'`{key}`' for key in stated)} are stated" if stated else "it does not say where to read"
        )
        report.error(path, wrong, "write one of `input`, `coil` and `register`")
        return None
    if form.register_ is None:
        extra = [key for key in _OF_A_NUMBER if key in form.model_fields_set]
        for key in extra:
            report.error((*path, key), f"`{stated[0]}` is one bit, yes or no", "delete it, or read a `register`")
        return None if extra else switch_of(form.link, form.unit, form.input, form.coil, form.active)
    return _limit(path, form, form.register_, report)


def _places(form: SupplyForm) -> tuple[tuple[str, int | None], ...]:
    return ("input", form.input), ("coil", form.coil), ("register", form.register_)


def _limit(path: KeyPath, form: SupplyForm, register: int, report: Report) -> PressureLimitSpec | None:
    needed = {"table": "input", "format": "float32", "reads_in": "bar", "at_least": "2 bar"}
    missing = [key for key in needed if getattr(form, key) is None]
    for key in missing:
        report.error((*path, key), "is missing", f"add `{key}: {needed[key]}`: a register holds a number")
    if form.active == "low":
        report.error((*path, "active"), "turns a bit round, not a pressure", "delete it; `at_least` is the limit")
        return None
    if form.scale == 0.0:
        report.error((*path, "scale"), "a scale of 0 makes every pressure the same", "write what one count is worth")
        return None
    if form.table is None or form.format is None or form.reads_in is None or form.at_least is None:
        return None
    return PressureLimitSpec(
        link=form.link,
        unit=form.unit,
        table=RegisterTable(form.table),
        register=register,
        format=NumberFormat(form.format),
        word_order=ByteOrder(form.word_order),
        byte_order=ByteOrder(form.byte_order),
        scale_pa=form.scale * unit_in_si(form.reads_in, PRESSURE),
        offset_gauge_pa=form.offset,
        at_least_gauge_pa=form.at_least,
    )


def with_inputs(tank: Tank, form: InputsForm | None, shared: SupplySpec | None, report: Report) -> Tank:
    """A tank with its inputs.

    Args:
        tank: without them.
        form: its section `inputs`; None when there is none.
        shared: the site's supply switch.
        report: where findings go.
    """
    path: KeyPath = ("tanks", tank.name, "inputs")
    own = build_supply((*path, "supply"), form.supply, report) if form else None
    flow = _flow((*path, "flow"), form.flow, report) if form and form.flow else None
    response_s = form.flow.response if form and form.flow and flow else 0.0
    return dataclasses.replace(tank, inputs=InputsSpec(supply=own or shared, flow=flow, flow_response_s=response_s))


def _flow(path: KeyPath, form: FlowForm, report: Report) -> SwitchSpec | None:
    contact = build_contact(path, form, report)
    if contact is not None and "response" not in form.model_fields_set:
        report.assume((*path, "response"), f"{form.response * 1000:.0f} ms (common practice for a reed contact)")
    return contact
