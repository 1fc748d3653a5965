"""`clear`, from its form to what it means, and whether that can do any good without doing harm."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import Final

from lungfish.config.clear_form import ClearForm
from lungfish.config.document import KeyPath
from lungfish.config.isolating import build_isolate, check_isolate
from lungfish.config.link_model import LinkSpec
from lungfish.config.model import AirSpec, ClearSpec, Tank, ValveSpec
from lungfish.config.report import Report
from lungfish.config.valves import build_valve
from lungfish.core.blow import ClearSetup
from lungfish.core.expect import full_gauge_pa
from lungfish.core.room import Room, worst_rise_pa_s
from lungfish.core.setup import CycleSetup, Learned
from lungfish.physics.standard import throughput_pa_m3_s

__all__ = ["begins_below_pa", "blow_setup", "check_clear", "clear_setup", "with_clear"]

_TIME_OUTS: Final = 4.0
"""One for a read that is under way, one for a lost command, one for connecting anew, one for the command again."""
_VALVE_S: Final = 0.5
"""A small solenoid valve shuts within 0.1 s (common practice); the rest is for the device and the computer."""


def with_clear(
    tank: Tank,
    form: ClearForm | None,
    links: Mapping[str, LinkSpec | None],
    air: AirSpec | None,
    report: Report,
) -> Tank:
    """A tank with what may be done about its plugs.

    Args:
        tank: the tank.
        form: its section `clear`; None when there is none: then nothing is blown.
        links: of the site.
        air: the site's compressed air; None for one that is wrong in itself, which is told elsewhere.
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
        valve_link = form.valve.link if form.valve is not None else tank.valve.link
        used = (links.get(name) for name in (tank.transmitter.link, valve_link))
        delay_s = _TIME_OUTS * max((link.timeout_s for link in used if link is not None), default=0.5) + _VALVE_S
        report.assume((*path, "delay"), f"{delay_s:g} s (four time-outs of the link, and the valve)")
    if tank.transmitter.overload_gauge_pa is None:
        report.assume(
            ("tanks", tank.name, "transmitter", "overload"),
            f"{tank.transmitter.span_high_gauge_pa:g} Pa, the top of the span: nothing says that it bears more",
        )
    valve = _own_valve(path, form, report)
    spec = ClearSpec(
        valve=valve,
        supply_gauge_pa=form.supply if valve is not None else None,
        flow_pa_m3_s=(
            throughput_pa_m3_s(form.flow, air.reference, air.temperature_k)
            if valve is not None and form.flow is not None and air is not None
            else None
        ),
        pressure_gauge_pa=form.pressure,
        pulses=form.pulses,
        pulse_s=form.pulse,
        rest_s=form.rest,
        tries=form.tries,
        between_s=form.between,
        friction_ratio=form.friction,
        delay_s=delay_s,
        isolate=build_isolate((*path, "isolate"), form.isolate, report),
    )
    return dataclasses.replace(tank, clear=spec)


def _own_valve(path: KeyPath, form: ClearForm, report: Report) -> ValveSpec | None:
    """The blow valve of its own; what is stated of its air without it, or not with it, is told."""
    if form.valve is None:
        for key, value in (("flow", form.flow), ("supply", form.supply)):
            if value is not None:
                report.error(
                    (*path, key),
                    "the purge valve blows, with the air that `air` states",
                    "delete it, or add the blow valve under `valve`",
                )
        return None
    if form.flow is None:
        report.error(
            (*path, "flow"),
            "is missing: how fast the pressure can rise follows from it",
            "write the greatest flow that the blow valve can let in, such as `flow: 10 L/min`",
        )
    if form.supply is None:
        report.assume((*path, "supply"), "that of `air`")
    return build_valve((*path, "valve"), form.valve, report)


def blow_setup(tank: Tank, setup: CycleSetup) -> CycleSetup:
    """The tank as a blow-down sees it: with the air and the valve that it is blown with.

    Args:
        tank: the tank.
        setup: the same, as its cycle sees it.
    """
    spec = tank.clear
    if spec is None or spec.valve is None:
        return setup
    return dataclasses.replace(
        setup,
        supply_gauge_pa=setup.supply_gauge_pa if spec.supply_gauge_pa is None else spec.supply_gauge_pa,
        flow_pa_m3_s=setup.flow_pa_m3_s if spec.flow_pa_m3_s is None else spec.flow_pa_m3_s,
        max_open_s=spec.valve.max_open_s,
    )


def clear_setup(tank: Tank) -> ClearSetup | None:
    """What a try at one tank's tube may do; None when its file allows none.

    Args:
        tank: the tank.
    """
    spec, transmitter = tank.clear, tank.transmitter
    if spec is None:
        return None
    bears_pa = transmitter.overload_gauge_pa
    return ClearSetup(
        limit_pa=min(spec.pressure_gauge_pa, transmitter.span_high_gauge_pa if bears_pa is None else bears_pa),
        pulses=spec.pulses,
        pulse_s=spec.pulse_s,
        rest_s=spec.rest_s,
        delay_s=spec.delay_s,
    )


def begins_below_pa(setup: CycleSetup, clear: ClearSetup) -> float:
    """Highest pressure in the tube from which a pulse is begun, Pa gauge, before anything is learned of it.

    Args:
        setup: the tank.
        clear: what a try may do.
    """
    return Room(setup, Learned(), clear).begins_below_pa


def check_clear(tank: Tank, setup: CycleSetup, report: Report) -> None:
    """Refuse a section that could never do anything, and tell what it rests on.

    Args:
        tank: the tank.
        setup: the tank, with site and air.
        report: where findings go.
    """
    clear = clear_setup(tank)
    if clear is None:
        return
    path: KeyPath = ("tanks", tank.name, "clear")
    setup = blow_setup(tank, setup)
    check_isolate(tank, setup, clear.limit_pa, report)
    # as a first cycle would have it: what is learned of damping and friction only narrows it
    room = Room(setup, Learned(), clear)
    full_pa, rise_pa_s = full_gauge_pa(setup), worst_rise_pa_s(setup)
    if math.isinf(rise_pa_s) and not room.harmless:
        report.error(
            (*path, "pressure"),
            f"a brim-full tank ({setup.full_head_m:g} m above the tip) stands above the tube of "
            f"{setup.tube_length_m:g} m and may fill the line with liquid: how fast a pulse would rise is not known",
            f"use a supply below {_kpa(clear.limit_pa)}, or a tube that reaches above the brim; or leave `clear` out",
        )
        return
    if room.begins_below_pa < full_pa:
        report.error(
            (*path, "pressure"),
            f"under a brim-full tank ({_kpa(full_pa)}) no pulse could begin: until the valve is shut again "
            f"({clear.delay_s:g} s) the pressure can rise at {_kpa(rise_pa_s)}/s, and must stay below "
            f"{_kpa(clear.limit_pa)}",
            "state what the transmitter bears (`overload`), a higher `pressure` if line and tube bear it, a shorter "
            "time-out of the link, or a lower `air.flow`; or leave `clear` out and clear by hand",
        )
        return
    if tank.isolate is None and not room.harmless and (*path, "delay") not in report.document.lines:
        report.warn(
            path,
            f"the transmitter is safe as long as the valve shuts within {clear.delay_s:g} s of being told; a link that "
            "stays dead meanwhile, or a valve that sticks, lets the supply's whole pressure "
            f"({_kpa(setup.supply_gauge_pa)}) on it",
            "set the device's outputs to drop by themselves when it hears nothing, and write that time as `delay`; or "
            "use a supply below what the transmitter bears",
        )


def _kpa(pascals: float) -> str:
    return f"{pascals:.0f} Pa" if abs(pascals) < 1000.0 else f"{pascals / 1000.0:.4g} kPa"
