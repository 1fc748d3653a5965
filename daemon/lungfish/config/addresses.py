"""Whether links and addresses of a site can all be meant: no two tanks on one coil, no link that does not exist."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from lungfish.config.document import KeyPath
from lungfish.config.inputs import SupplySpec
from lungfish.config.keys import nearest
from lungfish.config.link_model import GpioLinkSpec, LinkSpec, SerialTextLinkSpec
from lungfish.config.links import check_carries_modbus
from lungfish.config.model import (
    Bit,
    Output,
    PressureLimitSpec,
    RegisterTable,
    SwitchSpec,
    Tank,
    TransmitterSpec,
    ValveSpec,
)
from lungfish.config.report import Report
from lungfish.config.text_model import TextSpec
from lungfish.config.texts import check_carries_text

__all__ = ["check_addresses"]

_LAST_REGISTER = 65535
_Links = Mapping[str, LinkSpec | None]


@dataclass(frozen=True, slots=True)
class _Use:
    """One use of a stretch of a device's addresses."""

    path: KeyPath
    device: tuple[object, ...]
    table: str
    first: int
    count: int
    drives: bool
    bit: int | None = None

    def meets(self, other: _Use) -> bool:
        same = (self.device, self.table) == (other.device, other.table)
        bits = {self.bit, other.bit}
        if same and None not in bits and len(bits) == 2:
            return False  # two bits of one register
        return same and self.first < other.first + other.count and other.first < self.first + self.count


def check_addresses(links: _Links, tanks: Mapping[str, Tank], report: Report, supply: SupplySpec | None = None) -> None:
    """Check links and addresses against each other.

    Args:
        links: by name; None for one that is wrong in itself, which is told elsewhere.
        tanks: by name.
        report: where findings go.
        supply: the switch that tanks share; None: there is none.
    """
    uses: list[_Use] = []
    groups = [_input_uses(("inputs", "supply"), supply, links, report)] if supply and tanks else []
    groups += [_uses(name, tank, links, report) for name, tank in tanks.items()]
    groups += [
        _input_uses(("tanks", name, "inputs", key), spec, links, report)
        for name, tank in tanks.items()
        for key, spec in (("supply", tank.inputs.supply), ("flow", tank.inputs.flow))
        if spec is not None and spec is not supply
    ]
    groups += list(_hold_off_uses(tanks, links, report))
    for group in groups:
        for use in group:
            for earlier in uses:
                if use.meets(earlier):
                    _tell_clash(use, earlier, report)
            uses.append(use)
    used = {link for tank in tanks.values() for link in _links_of(tank)}
    for link in links:
        if link not in used and links[link] is not None and tanks:
            report.warn(("links", link), "no tank uses this link", "delete it, or name it in a tank")
    _check_streams(tanks, links, report)
    _check_topics(tanks, report)


def _uses(name: str, tank: Tank, links: _Links, report: Report) -> Iterator[_Use]:
    _check_link(("tanks", name, "transmitter", "link"), tank.transmitter.link, links, report)
    if tank.transmitter.text is None:
        yield _number_use(("tanks", name, "transmitter"), tank.transmitter, links, report)
    else:
        yield from _text_uses(("tanks", name, "transmitter"), tank.transmitter, tank.transmitter.text, links, report)
    yield from _valve_uses(("tanks", name, "valve"), tank.valve, links, report)
    if tank.blow_valve is not None:
        yield from _valve_uses(("tanks", name, "clear", "valve"), tank.blow_valve, links, report)
    if tank.isolate is not None:
        path: KeyPath = ("tanks", name, "clear", "isolate")
        yield from _valve_uses(path, tank.isolate.valve, links, report)
        yield from _input_uses((*path, "shut"), tank.isolate.shut, links, report)
        yield from _input_uses((*path, "safe"), tank.isolate.safe, links, report)
    if tank.vent_valve is not None:
        yield from _valve_uses(("tanks", name, "transmitter", "vent"), tank.vent_valve, links, report)


def _hold_off_uses(tanks: Mapping[str, Tank], links: _Links, report: Report) -> Iterator[Iterator[_Use]]:
    """One contact may hold off several tanks: it is one use."""
    seen: set[SwitchSpec] = set()
    for name, tank in tanks.items():
        for hold in tank.schedule.hold_off:
            if hold.switch not in seen:
                seen.add(hold.switch)
                yield _input_uses(("tanks", name, "hold_off", hold.name), hold.switch, links, report)


def _valve_uses(path: KeyPath, valve: ValveSpec, links: _Links, report: Report) -> Iterator[_Use]:
    _check_link((*path, "link"), valve.link, links, report)
    if valve.relay is not None:
        check_carries_text(path, links.get(valve.link), report)
        device = _device(valve.link, 0, links)
        yield _Use((*path, "relay"), device, f"relay string {valve.relay.open!r}", 0, 1, drives=True)
        if valve.limit_switch is not None:
            yield from _input_uses((*path, "limit_switch"), valve.limit_switch.switch, links, report)
        return
    if valve.output is Output.LINE:
        link = links.get(valve.link)
        if link is not None and not isinstance(link, GpioLinkSpec):
            right = "name a link of kind `gpio`"
            report.error((*path, "link"), f"`{link.name}` carries {link.spoken} and has no lines", right)
        yield _Use((*path, "line"), _device(valve.link, 0, links), "lines", valve.address, 1, drives=True)
        if valve.limit_switch is not None:
            yield from _input_uses((*path, "limit_switch"), valve.limit_switch.switch, links, report)
        return
    check_carries_modbus(path, links.get(valve.link), valve.unit, report)
    coil = valve.output is Output.COIL
    device = _device(valve.link, valve.unit, links)
    table = "coils" if coil else "holding registers"
    yield _Use((*path, "coil" if coil else "register"), device, table, valve.address, 1, drives=True, bit=valve.bit)
    if valve.pulse is not None:
        yield _Use((*path, "pulse", "register"), device, "holding registers", valve.pulse.register, 1, drives=True)
    if valve.limit_switch is not None:
        yield from _input_uses((*path, "limit_switch"), valve.limit_switch.switch, links, report)


def _links_of(tank: Tank) -> tuple[str, ...]:
    inputs = tuple(spec.link for spec in (tank.inputs.supply, tank.inputs.flow) if spec is not None)
    driven = [valve for valve in (tank.valve, tank.blow_valve, tank.vent_valve) if valve is not None]
    valves = tuple(valve.link for valve in driven)
    limits = tuple(valve.limit_switch.switch.link for valve in driven if valve.limit_switch is not None)
    spec = tank.isolate
    isolate = () if spec is None else (spec.valve.link, spec.shut.link, spec.safe.link)
    holds = tuple(hold.switch.link for hold in tank.schedule.hold_off)
    return (tank.transmitter.link, *valves, *limits, *isolate, *inputs, *holds)


def _check_link(path: KeyPath, link: str, links: _Links, report: Report) -> None:
    if not links or link in links:
        return
    close = nearest(link, tuple(links))
    known = ", ".join(f"`{known}`" for known in links)
    report.error(
        path,
        f"there is no link `{link[:40]}`",
        f"did you mean `{close}`?" if close else f"write one of {known}, or add it under `links`",
    )


def _number_use(path: KeyPath, spec: TransmitterSpec | PressureLimitSpec, links: _Links, report: Report) -> _Use:
    check_carries_modbus(path, links.get(spec.link), spec.unit, report)
    count = spec.format.registers
    if spec.register + count - 1 > _LAST_REGISTER:
        report.error(
            (*path, "register"),
            f"a {spec.format.value} takes {count} registers, which end beyond {_LAST_REGISTER}",
            f"write {_LAST_REGISTER + 1 - count} or less",
        )
    table = "input registers" if spec.table is RegisterTable.INPUT else "holding registers"
    return _Use((*path, "register"), _device(spec.link, spec.unit, links), table, spec.register, count, drives=False)


def _text_uses(path: KeyPath, spec: TransmitterSpec, text: TextSpec, links: _Links, report: Report) -> Iterator[_Use]:
    """One that sends by itself has the line alone: whatever else is asked there would not hear its own answer."""
    check_carries_text(path, links.get(spec.link), report)
    device = _device(spec.link, 0, links)
    asked = "lines that come by themselves" if text.ask is None else f"question {text.ask!r}"
    yield _Use((*path, "text"), device, asked, 0, 1, drives=False)


def _check_streams(tanks: Mapping[str, Tank], links: _Links, report: Report) -> None:
    uses = Counter(link for tank in tanks.values() for link in _links_of(tank))
    for name, tank in tanks.items():
        text = tank.transmitter.text
        streams = (
            text is not None and text.ask is None and isinstance(links.get(tank.transmitter.link), SerialTextLinkSpec)
        )
        if streams and uses[tank.transmitter.link] > 1:
            report.error(
                ("tanks", name, "transmitter", "link"),
                "a transmitter that sends by itself has its line alone, and something else is on it",
                "let it be asked, by `text.ask`, or give it a serial port of its own",
            )


def _input_uses(path: KeyPath, spec: SupplySpec, links: _Links, report: Report) -> Iterator[_Use]:
    _check_link((*path, "link"), spec.link, links, report)
    if isinstance(spec, PressureLimitSpec):
        yield _number_use(path, spec, links, report)
        return
    check_carries_modbus(path, links.get(spec.link), spec.unit, report)
    table = "coils" if spec.bit is Bit.COIL else "discrete inputs"
    yield _Use((*path, spec.bit.value), _device(spec.link, spec.unit, links), table, spec.address, 1, drives=False)


def _device(link: str, unit: int, links: _Links) -> tuple[object, ...]:
    """What tells two devices apart; two links to one address are one device."""
    spec = links.get(link)
    return (link, unit) if spec is None else (spec.place, unit)


def _tell_clash(use: _Use, earlier: _Use, report: Report) -> None:
    other = ".".join(str(part) for part in earlier.path)
    line = report.document.line(earlier.path)
    if use.drives and earlier.drives:
        wrong = f"the valve of `{earlier.path[1]}` is driven from the same address (line {line})"
        right = "give each valve its own: two tanks on one would purge each other"
    else:
        wrong = f"`{other}` (line {line}) uses the same {use.table}"
        right = "give each its own address; look at the device's register list"
    report.error(use.path, wrong, right)


def _check_topics(tanks: Mapping[str, Tank], report: Report) -> None:
    """Outside this file a name keeps only plain letters, digits, `-` and `_`."""
    seen: dict[str, str] = {}
    for name in tanks:
        plain = re.sub(r"[^A-Za-z0-9_-]", "-", name)
        first = seen.setdefault(plain, name)
        if first != name:
            report.error(
                ("tanks", name),
                f"this name and `{first}` are the same (`{plain}`) where only plain letters are allowed",
                "write one of them differently",
            )
