"""`clear`, from its form to what it means, and whether that can do any good without doing harm."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Final

from lungfish.config.clear_form import ClearForm
from lungfish.config.document import KeyPath
from lungfish.config.model import AirSpec, ClearSpec, ModbusTcpLinkSpec, Tank
from lungfish.config.report import Report
from lungfish.core.clearing_plan import LEAST_PULSE_S, ClearSetup, clear_bounds, worth_it
from lungfish.core.expect import full_gauge_pa
from lungfish.core.setup import CycleSetup

__all__ = ["check_clear", "clear_setup", "with_clear"]

_TIME_OUTS: Final = 4.0
"""One for a read that is under way, one for a lost command, one for connecting anew, one for the command again."""
_VALVE_S: Final = 0.5
"""A small solenoid valve shuts within 0.1 s (common practice); the rest is for the device and the computer."""


def with_clear(
    tank: Tank, form: ClearForm | None, links: Mapping[str, ModbusTcpLinkSpec | None], report: Report
) -> Tank:
    """A tank with what may be done about its plugs.

    Args:
        tank: the tank.
        form: its section `clear`; None when there is none: then nothing is blown.
        links: of the site.
        report: where findings go.
    """
    if form is None:
        return tank
    path: KeyPath = ("tanks", tank.name, "clear")
    for key, shown in (
        ("pulses", f"{form.pulses}"),
        ("pulse", f"{form.pulse:g} s"),
        ("rest", f"{form.rest:g} s"),
        ("tries", f"{form.tries} within 24 h"),
        ("between", f"{form.between / 60.0:g} min"),
        ("friction", f"{form.friction:g} times the expected"),
    ):
        if key not in form.model_fields_set:
            report.assume((*path, key), shown)
    delay_s = form.delay
    if delay_s is None:
        used = (links.get(name) for name in (tank.transmitter.link, tank.valve.link))
        delay_s = _TIME_OUTS * max((link.timeout_s for link in used if link is not None), default=0.5) + _VALVE_S
        report.assume((*path, "delay"), f"{delay_s:g} s (four time-outs of the link, and the valve)")
    if tank.transmitter.overload_gauge_pa is None:
        report.assume(
            ("tanks", tank.name, "transmitter", "overload"),
            f"{tank.transmitter.span_high_gauge_pa:g} Pa, the top of the span: nothing says that it bears more",
        )
    spec = ClearSpec(
        pressure_gauge_pa=form.pressure,
        pulses=form.pulses,
        pulse_s=form.pulse,
        rest_s=form.rest,
        tries=form.tries,
        between_s=form.between,
        friction_ratio=form.friction,
        delay_s=delay_s,
    )
    return dataclasses.replace(tank, clear=spec)


def clear_setup(tank: Tank, air: AirSpec) -> ClearSetup | None:
    """What a clearing of one tank must know; None when its file allows none.

    Args:
        tank: the tank.
        air: the site's compressed air.
    """
    spec, transmitter = tank.clear, tank.transmitter
    if spec is None:
        return None
    bears_pa = transmitter.overload_gauge_pa
    return ClearSetup(
        pressure_pa=spec.pressure_gauge_pa,
        bears_pa=transmitter.span_high_gauge_pa if bears_pa is None else bears_pa,
        pulses=spec.pulses,
        pulse_s=spec.pulse_s,
        rest_s=spec.rest_s,
        tries=spec.tries,
        between_s=spec.between_s,
        delay_s=spec.delay_s,
        friction_ratio=spec.friction_ratio,
        supply_gauge_pa=air.supply_gauge_pa,
        flow_pa_m3_s=air.flow_pa_m3_s,
        max_open_s=tank.valve.max_open_s,
    )


def check_clear(tank: Tank, air: AirSpec, setup: CycleSetup, report: Report) -> None:
    """Refuse a section that could never do anything, and tell what it rests on.

    Args:
        tank: the tank.
        air: the site's compressed air.
        setup: the tank, with site and air.
        report: where findings go.
    """
    clear = clear_setup(tank, air)
    if clear is None:
        return
    path: KeyPath = ("tanks", tank.name, "clear")
    bounds = clear_bounds(setup, clear)
    least_pa = full_gauge_pa(setup) + LEAST_PULSE_S * bounds.rate_pa_s
    if not worth_it(setup, bounds) or bounds.limit_pa < full_gauge_pa(setup):
        report.error(
            (*path, "pressure"),
            f"a pulse would have to end at {_kpa(bounds.stop_pa)} to stay below the limit of {_kpa(bounds.limit_pa)}, "
            f"for it can rise at up to {_kpa(bounds.rate_pa_s)}/s for {clear.delay_s:g} s more: no harder than a "
            f"brim-full tank presses ({_kpa(full_gauge_pa(setup))})",
            "state what the transmitter bears (`overload`), a higher `pressure` if line and tube bear it, a shorter "
            "time-out of the link, or a lower `air.flow`; or leave `clear` out and clear by hand",
        )
        return
    if bounds.rate_pa_s > 0.0 and bounds.stop_pa < least_pa:
        report.warn(
            (*path, "pressure"),
            f"a pulse ends at {_kpa(bounds.stop_pa)}, hardly above what a brim-full tank presses "
            f"({_kpa(full_gauge_pa(setup))})",
            "a higher `overload` and `pressure`, or a shorter time-out, would press harder",
        )
    if bounds.rate_pa_s > 0.0 and (*path, "delay") not in report.document.lines:
        report.warn(
            path,
            f"the transmitter is safe as long as the valve shuts within {clear.delay_s:g} s of being told; a link that "
            "stays dead meanwhile, or a valve that sticks, lets the supply's whole pressure "
            f"({_kpa(clear.supply_gauge_pa)}) on it",
            "set the device's outputs to drop by themselves when it hears nothing, and write that time as `delay`; or "
            "use a supply below what the transmitter bears",
        )


def _kpa(pascals: float) -> str:
    return f"{pascals:.0f} Pa" if abs(pascals) < 1000.0 else f"{pascals / 1000.0:.4g} kPa"
