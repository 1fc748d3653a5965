"""Whether the numbers of a tank agree: span and supply with the head, the tip with the vessel, times with the air."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from lungfish.config.current import FAILED_MA, current_ma
from lungfish.config.document import KeyPath
from lungfish.config.model import NumberFormat, PressureLimitSpec, Tank, Tee, TransmitterSpec
from lungfish.config.report import Report
from lungfish.core.expect import (
    bubbling_friction_pa,
    fill_limit_s,
    full_gauge_pa,
    line_friction_at_pa,
    throughput_pa_m3_s,
)
from lungfish.core.setup import CycleSetup
from lungfish.physics.column import gauge_at_transmitter_pa
from lungfish.physics.strapping import Strapping

__all__ = ["check_air_share", "check_tank", "fill_s", "full_at_transmitter_pa"]

_POOR_SPAN_SHARE: Final = 0.25
_SOFT_FLOW_SHARE: Final = 0.9
_COARSE_COUNT_M: Final = 0.005
_SHORT_PURGE_S: Final = 0.8


def full_at_transmitter_pa(setup: CycleSetup, share: float = 1.0) -> float:
    """Gauge pressure at the transmitter, air at rest, Pa.

    Args:
        setup: the tank.
        share: of the brim-full head above the tip.
    """
    return gauge_at_transmitter_pa(
        share * setup.full_head_m,
        density_kg_m3=setup.density_kg_m3,
        gravity_m_s2=setup.gravity_m_s2,
        height_m=setup.transmitter_height_m,
        atmosphere_pa=setup.atmosphere_abs_pa,
        air_k=setup.air_k,
    )


def fill_s(setup: CycleSetup, share: float = 1.0) -> float:
    """Time from opening the valve to the first bubble, tube flooded, s; infinite when the air can't get there.

    Args:
        setup: the tank.
        share: of the brim-full head above the tip.
    """
    gauge = share * full_gauge_pa(setup)
    flow = throughput_pa_m3_s(setup, gauge + line_friction_at_pa(setup, setup.flow_pa_m3_s, gauge))
    return setup.air_space.fill_time_s(
        flow,
        0.0,
        share * setup.full_head_m,
        density_kg_m3=setup.density_kg_m3,
        gravity_m_s2=setup.gravity_m_s2,
        atmosphere_pa=setup.atmosphere_abs_pa,
    )


def check_tank(tank: Tank, setup: CycleSetup, report: Report) -> None:
    """Check one tank's numbers against each other.

    Args:
        tank: the tank.
        setup: the same, with site and air; its tip lies below the brim.
        report: where findings go.
    """
    path: KeyPath = ("tanks", tank.name)
    _check_span(path, tank, setup, report)
    _check_number(path, tank, setup, report)
    _check_supply(path, setup, report)
    _check_places(path, tank, setup, report)
    _check_times(path, tank, setup, report)
    _check_table(path, tank, report)
    _check_inputs(path, tank, setup, report)


def _check_span(path: KeyPath, tank: Tank, setup: CycleSetup, report: Report) -> None:
    span: KeyPath = (*path, "transmitter", "span")
    low, high = setup.span_low_pa, setup.span_high_pa
    above, kind = (setup.atmosphere_abs_pa, " absolute") if tank.transmitter.absolute else (0.0, "")
    full = full_at_transmitter_pa(setup)
    friction = bubbling_friction_pa(setup, full_gauge_pa(setup))
    ripple = setup.ripple_bound_pa
    open_pa = full + friction + ripple
    if low > 0.0:
        report.error(
            span,
            f"an uncovered tip gives {_kpa(above)}{kind}, below the span's {_kpa(low + above)}",
            f"use a span that begins at {_kpa(above)} or below",
        )
    if full > high:
        report.error(
            span,
            f"a full tank gives {_kpa(full + above)}{kind} ({setup.full_head_m:g} m above the tip), beyond the span's "
            f"{_kpa(high + above)}",
            f"use a transmitter with a span to at least {_kpa(_rounded_up(open_pa + above))}",
        )
    elif open_pa > high:
        report.error(
            span,
            f"with the valve open a full tank gives {_kpa(open_pa + above)}{kind} (head {_kpa(full)}, friction "
            f"{_kpa(friction)}, ripple to {_kpa(ripple)}), beyond the span's {_kpa(high + above)}",
            f"use a span to at least {_kpa(_rounded_up(open_pa + above))}, a lower `air.flow`, a wider line, "
            "or `tee: tube-end`",
        )
    elif not tank.transmitter.absolute and full < _POOR_SPAN_SHARE * (high - low):
        report.warn(
            span,
            f"a full tank uses only {100.0 * full / (high - low):.0f} % of the span",
            f"a span to about {_kpa(_rounded_up(1.2 * open_pa))} would be more accurate",
        )


def _check_number(path: KeyPath, tank: Tank, setup: CycleSetup, report: Report) -> None:
    transmitter = tank.transmitter
    if transmitter.format.is_float:
        return
    least, most = _counts(transmitter.format)
    ends = sorted(transmitter.offset_gauge_pa + count * transmitter.scale_pa for count in (least, most))
    tolerance = abs(transmitter.scale_pa)
    if (
        ends[1] < transmitter.span_high_gauge_pa - tolerance
        or ends[0] > max(transmitter.span_low_gauge_pa, 0.0) + tolerance
    ):
        report.error(
            (*path, "transmitter", "format"),
            f"{transmitter.format.value} with this scale and offset runs from {_kpa(ends[0])} to {_kpa(ends[1])} "
            "and can't show the whole span",
            "put `scale`, `offset` or `reads_in` right, or use a wider format",
        )
    if transmitter.current_loop:
        _check_loop(path, transmitter, ends, report)
    step_m = abs(transmitter.scale_pa) / (setup.density_kg_m3 * setup.gravity_m_s2)
    if step_m > _COARSE_COUNT_M:
        report.warn(
            (*path, "transmitter", "scale"),
            f"one count is {step_m * 1000:.0f} mm of the liquid",
            "read a finer number from the device, if it has one",
        )


def _check_loop(path: KeyPath, transmitter: TransmitterSpec, ends: list[float], report: Report) -> None:
    """A number that stops at 4 or 20 mA hides what NAMUR NE 43 keeps for a failed transmitter."""
    shown = [current_ma(transmitter, end) for end in ends]
    if shown[0] > FAILED_MA[0] or shown[1] < FAILED_MA[1]:
        report.warn(
            (*path, "transmitter", "format"),
            f"{transmitter.format.value} with this scale and offset runs from {shown[0]:.4g} to {shown[1]:.4g} mA: a "
            f"failed transmitter ({FAILED_MA[0]:g} mA and less, {FAILED_MA[1]:g} mA and more) can't be told by it",
            "read a number that shows the whole current, if the device has one",
        )


def _counts(number: NumberFormat) -> tuple[int, int]:
    bits = 16 * number.registers
    return (0, 2**bits - 1) if number.value.startswith("u") else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)


def _check_supply(path: KeyPath, setup: CycleSetup, report: Report) -> None:
    name = path[-1]
    full = full_gauge_pa(setup)
    line = line_friction_at_pa(setup, setup.flow_pa_m3_s, full)
    need = full + line
    if need >= setup.supply_gauge_pa:
        parts = f"head {_kpa(full)}, line {_kpa(line)}"
        cure = "a higher supply" if line < full else "a lower `air.flow`, a wider or shorter line, or a higher supply"
        report.error(
            ("air", "supply"),
            f"{_kpa(setup.supply_gauge_pa)} can't push the air out under a full `{name}`, which takes {_kpa(need)} "
            f"({parts})",
            f"it takes {cure}",
        )
        return
    share = throughput_pa_m3_s(setup, need) / setup.flow_pa_m3_s
    if share < _SOFT_FLOW_SHARE:
        report.warn(
            ("air", "supply"),
            f"under a full `{name}` the flow falls to {100.0 * share:.0f} % of what is set, because the restrictor no "
            "longer chokes",
            "a higher supply keeps the flow, and with it the filling time, the same at every level",
        )


def _check_places(path: KeyPath, tank: Tank, setup: CycleSetup, report: Report) -> None:
    reach = setup.tube_length_m + setup.line_length_m
    height = setup.transmitter_height_m
    key: KeyPath = (*path, "transmitter", "height")
    if tank.tee is Tee.VALVE_END and height > reach:
        report.error(
            key,
            f"the transmitter is {height:g} m above the tip, further than tube and line reach ({reach:g} m)",
            "measure it from the tip, straight up",
        )
    elif height < min(setup.full_head_m, setup.tube_length_m):
        report.warn(
            key,
            f"the transmitter is {height:g} m above the tip and a full tank reaches {setup.full_head_m:g} m: when the "
            "line loses its air, liquid may run to it",
            "mount it above the brim",
        )


def _check_times(path: KeyPath, tank: Tank, setup: CycleSetup, report: Report) -> None:
    need, limit = fill_s(setup), fill_limit_s(setup)
    key: KeyPath = (*path, "valve", "max_open")
    if math.isinf(need):
        pass  # the supply is too low, which is told there
    elif not need < setup.max_open_s:
        report.error(
            key,
            f"filling a flooded tube under a full tank takes {need:.0f} s, longer than the {setup.max_open_s:g} s "
            "allowed",
            f"allow about {_seconds_up(1.5 * need + 10.0)}, or raise `air.flow`",
        )
    elif not limit < setup.max_open_s:
        report.warn(
            key,
            f"filling a flooded tube under a full tank takes {need:.0f} s of the {setup.max_open_s:g} s allowed, which "
            "leaves little for bubbling and for a flow a little lower than stated",
            f"allow about {_seconds_up(1.5 * need + 15.0)}",
        )
    if tank.every_s <= setup.max_open_s:
        report.error(
            (*path, "every"),
            f"the next purge would be due after {tank.every_s:g} s, while one may last {setup.max_open_s:g} s",
            f"write more than {setup.max_open_s:g} s, or lower `valve.max_open`",
        )


def _check_table(path: KeyPath, tank: Tank, report: Report) -> None:
    if isinstance(tank.vessel, Strapping) and tank.vessel.levels_m[0] > tank.tip_m:
        report.warn(
            (*path, "vessel", "table"),
            f"the table begins at {tank.vessel.levels_m[0]:g} m and the tip is at {tank.tip_m:g} m: below the table no "
            "volume is known",
            "begin the table at the tip or below",
        )


def _check_inputs(path: KeyPath, tank: Tank, setup: CycleSetup, report: Report) -> None:
    supply = tank.inputs.supply
    if isinstance(supply, PressureLimitSpec):
        own = (*path, "inputs", "supply") in report.document.lines
        key: KeyPath = (*path, "inputs", "supply", "at_least") if own else ("inputs", "supply", "at_least")
        full = full_gauge_pa(setup)
        need = full + line_friction_at_pa(setup, setup.flow_pa_m3_s, full)
        if supply.at_least_gauge_pa > setup.supply_gauge_pa:
            report.error(
                key,
                f"{_kpa(supply.at_least_gauge_pa)} is more than the {_kpa(setup.supply_gauge_pa)} that `air.supply` "
                "states: the supply would count as missing for ever",
                f"write less than {_kpa(setup.supply_gauge_pa)}",
            )
        elif supply.at_least_gauge_pa < need:
            report.warn(
                key,
                f"{_kpa(supply.at_least_gauge_pa)} can't push the air out under a full `{tank.name}`, which takes "
                f"{_kpa(need)}, and would count as a sound supply",
                f"write more than {_kpa(need)}",
            )
    if tank.inputs.flow is not None and tank.inputs.flow_response_s > _SHORT_PURGE_S:
        report.warn(
            (*path, "inputs", "flow", "response"),
            f"a purge of a tight tube is over in about {_SHORT_PURGE_S:g} s, before this switch says anything",
            "use one that follows within half a second; this one speaks in long purges only",
        )


def check_air_share(
    tanks: Mapping[str, Tank], setups: Mapping[str, CycleSetup], simultaneous: int, report: Report
) -> None:
    """Check that the tanks can take turns at the air.

    Args:
        tanks: by name.
        setups: by name; a tank without one is passed over.
        simultaneous: valves that may be open at once.
        report: where findings go.
    """
    busy = math.fsum(
        fill_limit_s(setup) / tanks[name].schedule.shortest_s(tanks[name].every_s) for name, setup in setups.items()
    )
    if busy > simultaneous:
        report.warn(
            ("air", "simultaneous"),
            f"at worst the tanks want {busy:.1f} valves open at once, and {simultaneous} may be: purges will be late",
            "raise it if the compressor allows, or lengthen `every`",
        )


def _kpa(pascals: float) -> str:
    return f"{pascals:.0f} Pa" if abs(pascals) < 1000.0 else f"{pascals / 1000.0:.4g} kPa"


def _rounded_up(pascals: float) -> float:
    """The next of 1, 1.2, 1.6, 2, 2.5, 3, 4, 5, 6, 8 times a power of ten: spans that are made (common practice)."""
    decade = 10.0 ** math.floor(math.log10(pascals))
    return next(
        step * decade for step in (1.0, 1.2, 1.6, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0) if step * decade >= pascals
    )


def _seconds_up(seconds: float) -> str:
    return f"{10 * math.ceil(seconds / 10.0)} s"
