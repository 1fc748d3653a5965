"""From a valve's form to what it means."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from lungfish.config.contacts import build_contact
from lungfish.config.document import KeyPath
from lungfish.config.report import Report
from lungfish.config.text_form import RelayForm
from lungfish.config.texts import build_relay
from lungfish.config.valve_form import OutputForm, PulseForm, ValveForm
from lungfish.config.valve_model import LimitSwitchSpec, Output, PulseSpec, ValveSpec

__all__ = ["build_valve"]

_BIT_VALUES: Final = (1, 0)
_OF_MODBUS: Final = (
    "unit",
    "coil",
    "register_",
    "bit",
    "mask_write",
    "open_value",
    "shut_value",
    "pulse",
)


def build_valve(path: KeyPath, form: OutputForm, report: Report) -> ValveSpec | None:
    """Settle one valve.

    Args:
        path: of its section.
        form: the section.
        report: where findings go.
    """
    if form.relay is not None:
        return _relay(path, form, form.relay, report)
    if form.line is not None:
        return _line(path, form, form.line, report)
    if form.unit is None and (form.coil is not None or form.register_ is not None):
        report.error((*path, "unit"), "is missing", "add `unit: 1`, the device's Modbus unit id")
        return None
    values = _values(path, form, report)
    if values is None:
        return None
    if form.active == "low":
        thing = "coil" if form.coil is not None else "bit"
        report.warn(
            (*path, "active"),
            f"the valve opens when the {thing} is off, so an I/O block that loses its power or restarts may open it",
            f"wire a valve that is shut without power, and a {thing} that opens it when on",
        )
    if form.bit is not None and not form.mask_write:
        report.warn(
            (*path, "bit"),
            "the register is read and written whole, so a bit that another master, or `lungfish shut` beside the "
            "running daemon, changes between the two is put back as it was",
            "write `mask_write: true` if the device knows function 22, or let nobody else write this register",
        )
    pulse = None
    if isinstance(form, ValveForm) and form.pulse is not None:
        pulse = _pulse(path, form, form.pulse, report)
        if pulse is None:
            return None
    kind = Output.COIL if form.coil is not None else Output.REGISTER if form.bit is None else Output.BIT
    spec = ValveSpec(
        link=form.link,
        unit=form.unit or 0,
        output=kind,
        address=(form.register_ or 0) if form.coil is None else form.coil,
        open_value=values[0],
        shut_value=values[1],
        max_open_s=math.inf,
        module_timeout_s=form.module_timeout,
        bit=form.bit,
        mask_write=form.mask_write,
        pulse=pulse,
    )
    return _used(path, spec, form, report)


def _used(path: KeyPath, spec: ValveSpec, form: OutputForm, report: Report) -> ValveSpec | None:
    """A valve that is used as its form says; one that is held open without a limit has none of these keys."""
    if not isinstance(form, ValveForm):
        return spec
    limit = None
    if form.limit_switch is not None:
        contact = build_contact((*path, "limit_switch"), form.limit_switch, report)
        if contact is None:
            return None
        says_shut, within_s = form.limit_switch.says == "shut", form.limit_switch.within
        limit = LimitSwitchSpec(switch=contact, says_shut=says_shut, within_s=within_s)
    return replace(spec, max_open_s=form.max_open, rated_operations=form.rated_operations, limit_switch=limit)


def _relay(path: KeyPath, form: OutputForm, relay: RelayForm, report: Report) -> ValveSpec | None:
    extra = [key for key in ("line", "active", *_OF_MODBUS) if key in form.model_fields_set]
    for key in extra:
        report.error(
            (*path, key.rstrip("_")),
            "there is a `relay` as well, whose byte strings say all",
            "keep `relay`, or `coil` or `register` with their keys",
        )
    spec = build_relay((*path, "relay"), relay, report)
    if spec is None or extra:
        return None
    valve = ValveSpec(
        link=form.link,
        unit=0,
        output=Output.RELAY,
        address=0,
        open_value=1,
        shut_value=0,
        max_open_s=math.inf,
        module_timeout_s=form.module_timeout,
        relay=spec,
    )
    return _used(path, valve, form, report)


def _values(path: KeyPath, form: OutputForm, report: Report) -> tuple[int, int] | None:
    """What opens and what shuts; None when the keys contradict each other."""
    if (form.coil is None) == (form.register_ is None):
        wrong = (
            "neither `coil` nor `register` is stated" if form.coil is None else "`coil` and `register` are both stated"
        )
        report.error(path, wrong, "write one of them: the coil or the holding register that drives the valve")
        return None
    if form.bit is not None and form.coil is not None:
        report.error((*path, "bit"), "a coil is one bit already", "delete it, or write `register` instead of `coil`")
        return None
    if form.mask_write and form.bit is None:
        report.error((*path, "mask_write"), "changes one bit of a register", "delete it, or add `bit` to `register`")
        return None
    one_bit = form.coil is not None or form.bit is not None
    if one_bit and (form.open_value is not None or form.shut_value is not None):
        thing = "coil" if form.coil is not None else "bit"
        report.error(
            path,
            f"a {thing} has no `open_value` or `shut_value`",
            f"delete them; `active: low` turns a {thing} round",
        )
        return None
    if one_bit:
        return _BIT_VALUES[::-1] if form.active == "low" else _BIT_VALUES
    if form.active == "low":
        report.error(
            (*path, "active"), "turns a coil round, not a register", "write `open_value` and `shut_value` instead"
        )
        return None
    values = (1 if form.open_value is None else form.open_value, 0 if form.shut_value is None else form.shut_value)
    if values[0] == values[1]:
        report.error(path, f"open and shut are the same value ({values[0]})", "write two different values")
        return None
    return values


def _pulse(path: KeyPath, form: ValveForm, pulse: PulseForm, report: Report) -> PulseSpec | None:
    spec = PulseSpec(register=pulse.register_, unit_s=pulse.unit_time, most=pulse.most)
    if form.register_ == pulse.register_:
        report.error(
            (*path, "pulse", "register"),
            "the length is written to the register that shows the output: it could not be read back",
            "name the coil or register that shows the output under `coil` or `register`, and another one here",
        )
        return None
    if form.max_open > spec.longest_s + 1e-9:
        report.error(
            (*path, "max_open"),
            f"the block counts to {spec.most} x {spec.unit_s:g} s, and a pulse is half a second longer than the "
            f"{form.max_open:g} s that the valve may be open",
            f"write {math.floor(10.0 * spec.longest_s) / 10.0:g} s or less, or set a longer `unit_time`",
        )
        return None
    return spec


def _line(path: KeyPath, form: OutputForm, line: int, report: Report) -> ValveSpec | None:
    extra = [key for key in ("module_timeout", *_OF_MODBUS) if key in form.model_fields_set]
    for key in extra:
        report.error((*path, key.rstrip("_")), "a line of our own computer has no such thing", "delete it")
    if extra:
        return None
    low = form.active == "low"
    if low:
        report.warn(
            (*path, "active"),
            "the valve opens when the line is low, as it may be while the computer starts or is dead",
            "wire a driver that opens it when the line is high, with a resistor that pulls it low",
        )
    valve = ValveSpec(
        link=form.link,
        unit=0,
        output=Output.LINE,
        address=line,
        open_value=int(not low),
        shut_value=int(low),
        max_open_s=math.inf,
    )
    return _used(path, valve, form, report)
