"""`lungfish check`: reads a site file, says what is wrong with it or what it means. Touches no device."""

from __future__ import annotations

import argparse
import dataclasses
import json
import sys
import textwrap
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime

from lungfish.app.bus_load import link_loads
from lungfish.app.clock import now_utc_s
from lungfish.app.outlook import purges_a_day
from lungfish.app.proofs import proven_utc_s
from lungfish.cli.check_alarms import alarm_rows
from lungfish.cli.check_links import link_as_json, link_rows
from lungfish.config import (
    PressureLimitSpec,
    Site,
    SwitchSpec,
    Tank,
    Tee,
    blow_setup,
    clear_setup,
    cycle_setup,
    load_site,
)
from lungfish.config.budget import TANK_LIMITS
from lungfish.config.clearing import begins_below_pa
from lungfish.config.current import failure_limits_pa
from lungfish.config.meaning import TankMeaning, meaning_of
from lungfish.config.valve_model import shut_by_this_computer_alone, valves_shut_by_this_computer_alone
from lungfish.core.air_budget import Limits
from lungfish.errors import ConfigError, Problem
from lungfish.physics.standard import ANR, standard_volume_m3
from lungfish.units import DENSITY, FLOW, LENGTH, PRESSURE, TEMPERATURE, VOLUME, from_si

__all__ = ["add_parser", "run"]

_HELP = "read a site file and say what it means"
_DESCRIPTION = """\
Reads a site file and touches no device. Tells every problem at once, each with line, key, what was wrong and what would
be right; or, when there is none, what the file means in SI and trade units.
Exit status: 0 sound, 2 not.
"""
_CAUTIONS = (
    "Caution: measures only; never the one thing between a tank and an overflow. Shut the air and let it",
    "off before work on tube or line. Purge air brings gas and foam out of the liquid: keep the vent open.",
)
_CLEAR_CAUTIONS = (
    "Blowing down (`clear`): line and tube stand under its pressure; it throws liquid about and stirs up",
    "gas. Nobody at the tank or on the line while the file allows it: `lungfish handbook clearing`.",
)
_FOOTNOTE = (
    "Pressures are gauge; a mm beside one is a mm of the liquid. inH2O is the conventional inch of water,",
    "249.0889 Pa; a transmitter set to inches at 4 degC, 60 degF or 68 degF shows 1.00003, 1.0010 or 1.0018",
    "times as many.",
    "SL: standard litre, 20 degC and 1 bar (ISO 8778). Bubbling: about 2 s of it make a reading.",
)
_NAME_WIDTH = 31
_VALUE_WIDTH = 16
_WIDTH = 100


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command.

    Args:
        subparsers: of the main parser.
    """
    parser = subparsers.add_parser(
        "check", help=_HELP, description=_DESCRIPTION, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("site", metavar="SITE.yaml", help="the site file")
    parser.add_argument("--json", action="store_true", help="for a program: one JSON object, SI units")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Check a site file.

    Returns:
        0 sound, 2 not.
    """
    try:
        site = load_site(args.site)
    except ConfigError as exc:
        if args.json:
            print(json.dumps({"file": exc.file, "sound": False, "problems": _told(exc.problems)}, indent=2))
        else:
            print(exc, file=sys.stderr)
        return 2
    if args.json:
        print(json.dumps(_as_json(args.site, site), indent=2))
    else:
        print("\n".join(_as_text(args.site, site)))
    return 0


def _told(problems: Iterable[Problem]) -> list[dict[str, object]]:
    return [dataclasses.asdict(problem) for problem in problems]


def _as_json(file: str, site: Site) -> dict[str, object]:
    return {
        "file": file,
        "sound": True,
        "site": site.name,
        "gravity_m_s2": site.gravity_m_s2,
        "atmosphere_abs_pa": site.atmosphere_abs_pa,
        "store": str(site.store_path),
        "links": {name: link_as_json(load) for name, load in link_loads(site, now_utc_s()).items()},
        "tanks": {name: dataclasses.asdict(_meaning(site, tank)) for name, tank in site.tanks.items()},
        "outside_layer_proven_utc_s": proven_utc_s(site),
        "shut_by_this_computer_alone": valves_shut_by_this_computer_alone(site.valves),
        "defaults": list(site.defaults),
        "warnings": _told(site.warnings),
        "problems": [],
    }


def _as_text(file: str, site: Site) -> Iterator[str]:
    yield f"{file}: sound; {_counted(len(site.tanks), 'tank')}, {_counted(len(site.warnings), 'warning')}"
    yield from (f"warning: {warning.told(file)}" for warning in site.warnings)
    yield ""
    yield from _site_lines(site)
    for name, load in link_loads(site, now_utc_s()).items():
        yield ""
        yield f"link {name}"
        yield from (_row(*row) for row in link_rows(site.links[name], load))
    proven = proven_utc_s(site)
    for tank in site.tanks.values():
        yield ""
        yield from _tank_lines(site, tank, _meaning(site, tank), proven)
    yield ""
    yield from _FOOTNOTE
    yield ""
    yield from _default_lines(site)
    yield ""
    if alone := valves_shut_by_this_computer_alone(site.valves):
        yield from textwrap.wrap(f"Caution: {shut_by_this_computer_alone(alone)}.", _WIDTH, break_on_hyphens=False)
    yield from _CAUTIONS
    if any(tank.clear is not None for tank in site.tanks.values()):
        yield from _CLEAR_CAUTIONS


def _meaning(site: Site, tank: Tank) -> TankMeaning:
    return meaning_of(site, tank, purges_a_day(tank, site.timezone, now_utc_s()))


def _counted(count: int, what: str) -> str:
    return f"{count or 'no'} {what}{'' if count == 1 else 's'}"


def _default_lines(site: Site) -> Iterator[str]:
    """What was assumed; what holds for several tanks is told once."""
    tanks: dict[tuple[str, str], list[str]] = {}
    for default in site.defaults:
        key, value = default.split(": ", 1)
        name = ""
        if key.startswith("tanks."):
            _, name, key = key.split(".", 2)
        tanks.setdefault((key, value), []).append(name)
    yield "Assumed, because the file does not say:"
    for (key, value), names in tanks.items():
        all_of_many = len(names) == len(site.tanks) > 1
        where = "" if names == [""] else f"each tank's {key}" if all_of_many else f"{', '.join(names)}: {key}"
        yield f"  {where or key:<43} {value}"


def _site_lines(site: Site) -> Iterator[str]:
    air = site.air
    yield f"{site.name} ({site.timezone})"
    yield _row("gravity", f"{site.gravity_m_s2:.5f} m/s2")
    yield _row("atmosphere", f"{site.atmosphere_abs_pa / 100:.1f} hPa", f"{_psi(site.atmosphere_abs_pa)}, absolute")
    yield _row("air supply", _pa(air.supply_gauge_pa), _trade_pressure(air.supply_gauge_pa))
    state = f"at {_celsius(air.reference.temperature_k)}, {air.reference.pressure_pa / 1e5:.4g} bar"
    flow = from_si(air.flow_m3_s, "L/min", FLOW)
    hourly = from_si(air.flow_m3_s, "ft**3/h", FLOW)
    yield _row("air flow, set", f"{flow:.3g} L/min", f"{hourly:.3g} ft3/h, counted {state}")
    warmth = from_si(air.temperature_k, "degF", TEMPERATURE)
    yield _row("air in tube and line", _celsius(air.temperature_k), f"{warmth:.0f} degF")
    yield _row("valves open at once", str(air.simultaneous))
    yield from _budget_lines("all tanks together, at most", air.budget)
    yield _row("readings are kept in", str(site.store_path))


def _tank_lines(site: Site, tank: Tank, meaning: TankMeaning, proven: Mapping[str, float]) -> Iterator[str]:
    density = tank.liquid.density_kg_m3
    full = meaning.full
    yield tank.name
    yield _row("liquid", f"{density:.1f} kg/m3", f"{from_si(density, 'lb/ft**3', DENSITY):.2f} lb/ft3")
    yield _row("  one metre of it", f"{meaning.pa_per_m:.0f} Pa", _trade_pressure(meaning.pa_per_m))
    yield _row("brim above the floor", *_lengths(tank.vessel_height_m))
    gallons = from_si(meaning.full_m3, "US_gal", VOLUME)
    yield _row("volume, brim-full", f"{meaning.full_m3:.2f} m3", f"{gallons:.0f} US gal")
    yield _row("tip above the floor", *_lengths(tank.tip_m))
    yield _row("head, brim-full", *_lengths(full.head_m))
    yield _row("  at the transmitter", _pa(full.gauge_pa), _trade_pressure(full.gauge_pa))
    span = f"{_pa(tank.transmitter.span_low_gauge_pa)} to {_pa(tank.transmitter.span_high_gauge_pa)}"
    yield _row("  of the span", f"{100 * meaning.span_used:.0f} %", span)
    if tank.transmitter.current_loop:
        ends = " and ".join(_pa(pascals) for pascals in failure_limits_pa(tank.transmitter) if pascals is not None)
        yield _row("  failure signal", "3.6 and 21 mA", f"read as {ends} (NAMUR NE 43)")
    yield _row("gas columns take off", _pa(full.gas_column_pa), _millimetres(full.gas_column_pa, meaning))
    yield from _friction_lines(tank, meaning)
    yield _row("ripple, peak to peak, at most", _pa(meaning.ripple_pa), _millimetres(meaning.ripple_pa, meaning))
    worst, half = 1000 * full.level_u_m, 1000 * meaning.half.level_u_m
    yield _row("level at best known to (k = 2)", f"{worst:.0f} mm", f"brim-full; {half:.0f} mm half full")
    yield from _purge_lines(tank, meaning, proven)
    yield from (_row(*row) for row in alarm_rows(tank))
    yield from _input_lines(tank)
    yield from _vent_lines(tank)
    yield from _clear_lines(site, tank)


def _vent_lines(tank: Tank) -> Iterator[str]:
    vent = tank.transmitter.vent
    if vent is not None:
        yield _row("zero of the transmitter", "checked", f"every {_duration(vent.every_s)}, by its vent valve")
        held = "taken out of the readings" if vent.correct else "told, and widens the readings"
        yield _row("  a drift is", held, f"the vent is open {vent.valve.max_open_s:g} s at most")


def _clear_lines(site: Site, tank: Tank) -> Iterator[str]:
    spec, clear = tank.clear, clear_setup(tank)
    if spec is None or clear is None:
        yield _row("a plugged tube is blown down", "never", "the file has no `clear`")
        return
    yield _row("a plugged tube is blown down", f"to {_pa(clear.limit_pa)}", _trade_pressure(clear.limit_pa))
    setup = blow_setup(tank, cycle_setup(site, tank))
    begins_pa = begins_below_pa(setup, clear)
    if spec.valve is not None:
        flow = from_si(standard_volume_m3(setup.flow_pa_m3_s, setup.air_k, ANR), "L/min", FLOW)
        yield _row("  by a valve of its own", f"{flow:.3g} SL/min", f"at most, from {_pa(setup.supply_gauge_pa)}")
    yield _row("  a pulse begins below", _pa(begins_pa), f"shutting may take {clear.delay_s:g} s")
    if spec.isolate is not None:
        yield _row("  in the tube, up to", _pa(setup.supply_gauge_pa), "the transmitter is cut off meanwhile")
    yield _row("  pulses of one try", f"{clear.pulses}", f"of {clear.pulse_s:g} s at most, {clear.rest_s:g} s between")
    yield _row("  tries in 24 h", f"{spec.tries}", f"{_duration(spec.between_s)} apart at least")
    yield _row("  or when friction is", f"{spec.friction_ratio:g} times", "what is expected, twice running")


def _input_lines(tank: Tank) -> Iterator[str]:
    supply, flow = tank.inputs.supply, tank.inputs.flow
    if isinstance(supply, PressureLimitSpec):
        limit = supply.at_least_gauge_pa
        yield _row("supply is there from", _pa(limit), _trade_pressure(limit))
        yield _row("", "", _place(supply))
    elif supply is not None:
        yield _row("supply is there when", f"{supply.bit.value} is {supply.active_value}", _place(supply))
    if flow is not None:
        seen = f"{_place(flow)}; a no counts after {tank.inputs.flow_response_s:g} s"
        yield _row("air flows when", f"{flow.bit.value} is {flow.active_value}", seen)


def _place(spec: SwitchSpec | PressureLimitSpec) -> str:
    number = f"{spec.bit.value} {spec.address}" if isinstance(spec, SwitchSpec) else f"register {spec.register}"
    return f"link {spec.link}, unit {spec.unit}, {number}"


def _friction_lines(tank: Tank, meaning: TankMeaning) -> Iterator[str]:
    full = meaning.full
    if tank.line_length_m > 0:
        seen = "seen by the transmitter" if tank.tee is Tee.VALVE_END else "not seen by it"
        size = _millimetres(full.line_friction_pa, meaning)
        yield _row("friction of the line", _pa(full.line_friction_pa), f"{size}, {seen}")
        yield _row("  gone after closing within", f"{5 * meaning.settling_s:.2f} s", "five time constants")
    else:
        yield _row("friction of the line", "none", "no line")


def _proof(utc_s: float | None) -> str:
    if utc_s is None:
        return "stated, never tried here (`commission`)"
    return f"seen to work on {datetime.fromtimestamp(utc_s, UTC):%Y-%m-%d}"


def _purge_lines(tank: Tank, meaning: TankMeaning, proven: Mapping[str, float]) -> Iterator[str]:
    yield _row("purge of a flooded tube", "first bubble", "least air, the same with bubbling")
    for name, at in (("  brim-full", meaning.full), ("  half full", meaning.half)):
        air = f"{_litres(at.least_air_m3)}, {_litres(at.least_air_m3 + at.bubbling_air_m3)}"
        yield _row(name, f"{at.fill_s:.1f} s", air)
    yield _row("purge of a tight, full tube", "at once", f"0 SL, {_litres(meaning.half.bubbling_air_m3)}")
    spare = tank.valve.max_open_s / meaning.full.fill_s
    yield _row("valve open at most", f"{tank.valve.max_open_s:g} s", f"{spare:.1f} times the longest filling")
    outside_s = tank.valve.outside_bound_s
    known = ("nothing known", "see the caution below")
    if outside_s is not None:
        known = (f"{outside_s:g} s", f"by the I/O block: {_proof(proven.get(tank.name))}")
    yield _row("  if this computer dies", *known)
    limit = tank.valve.limit_switch
    if limit is not None:
        says = "shut" if limit.says_shut else "open"
        seen = f"{limit.switch.bit.value} is {limit.switch.active_value}, within {limit.within_s:g} s"
        yield _row(f"  seen {says} by the valve itself", seen, _place(limit.switch))
    yield _row("a purge at least every", _duration(tank.every_s))
    yield from _schedule_lines(tank)
    yield from _budget_lines("this tank, at most", tank.budget)
    if tank.watch is None:
        yield _row("  sooner", "never", "`watch: off`")
    else:
        looks = f"the shut tube is read every {tank.watch.every_s:g} s"
        yield _row("  sooner, if it may have moved", f"{1000.0 * tank.watch.step_m:g} mm", looks)
        if tank.alarms.levels_m:
            yield _row("  or may have passed", "an alarm's level", "whatever is left of the air budget")
    yield _row("air a day, half full", _litres(meaning.day_air_tight_m3), "while the tube keeps its air")
    yield _row("", _litres(meaning.day_air_flooded_m3), "if it floods between purges")
    yield _row("", _litres(meaning.day_air_continuous_m3), "if the valve stood open all day instead")


def _budget_lines(name: str, limits: Limits) -> Iterator[str]:
    """What an air budget allows; nothing where there is none."""
    most = []
    if limits.purges_per_hour is not None:
        most.append((f"{limits.purges_per_hour} an hour", "purges, over restarts too"))
    if limits.air_per_day_m3 is not None:
        most.append((_litres(limits.air_per_day_m3), "within 24 h, over restarts too"))
    if limits.rest_s > (0.0 if most else TANK_LIMITS.rest_s):
        most.append((f"{limits.rest_s:g} s apart", "from the end of a purge to the next"))
    for number, (value, more) in enumerate(most):
        yield _row("" if number else name, value, more)


def _schedule_lines(tank: Tank) -> Iterator[str]:
    schedule = tank.schedule
    out = schedule.out_of_service
    if out is not None:
        yield _row("  out of service until", out.until, out.reason)
    for window in schedule.windows:
        yield _row(f"  {window.text}", _duration(window.every_s))
    for cron in schedule.crons:
        yield _row("  and at each moment of", cron, "minute, hour, day, month, weekday")
    if schedule.faster is not None:
        faster, every = schedule.faster, _duration(schedule.faster.every_s)
        if faster.moving_m_s is not None:
            yield _row("  while the level moves", every, f"by {3.6e6 * faster.moving_m_s:.4g} mm/h or more")
        if faster.near_m is not None:
            yield _row("  near an alarm's level", every, f"within {1000.0 * faster.near_m:.4g} mm")
    if schedule.stagger:
        yield _row("  spread over the tanks", f"by {100 * schedule.stagger:.0f} %", "of an interval, once")
    for hold in schedule.hold_off:
        yield _row(f"  waits for {hold.name}", _duration(hold.at_most_s), f"at most; {_place(hold.switch)}")


def _row(name: str, value: str, more: str = "") -> str:
    return f"  {name:<{_NAME_WIDTH}} {value:<{_VALUE_WIDTH}} {more}".rstrip()


def _pa(pascals: float) -> str:
    if abs(pascals) < 1000:
        return f"{pascals:.0f} Pa"
    return f"{pascals / 1000:.4g} kPa" if abs(pascals) < 1e6 else f"{pascals / 1e6:.4g} MPa"


def _psi(pascals: float) -> str:
    return f"{from_si(pascals, 'psi', PRESSURE):.4g} psi"


def _trade_pressure(pascals: float) -> str:
    mbar, inches = from_si(pascals, "mbar", PRESSURE), from_si(pascals, "inH2O_conv", PRESSURE)
    first = f"{mbar:.4g} mbar" if abs(mbar) < 1000 else f"{mbar / 1000:.4g} bar"
    return f"{first}, {_psi(pascals)}, {inches:.4g} inH2O"


def _millimetres(pascals: float, meaning: TankMeaning) -> str:
    return f"{1000 * pascals / meaning.pa_per_m:.1f} mm"


def _lengths(metres: float) -> tuple[str, str]:
    feet, inches = from_si(metres, "ft", LENGTH), from_si(metres, "in", LENGTH)
    return f"{metres:.3f} m", f"{feet:.2f} ft" if feet >= 3 else f"{inches:.2f} in"


def _celsius(kelvin: float) -> str:
    return f"{from_si(kelvin, 'degC', TEMPERATURE):.4g} degC"


def _litres(cubic_metres: float) -> str:
    litres = 1000 * cubic_metres
    return f"{litres:.2f} SL" if litres < 10 else f"{litres:.0f} SL"


def _duration(seconds: float) -> str:
    for size, unit in ((86400, "day"), (3600, "h"), (60, "min")):
        if seconds >= size and seconds % size == 0:
            return f"{seconds / size:g} {unit}"
    return f"{seconds:g} s"
