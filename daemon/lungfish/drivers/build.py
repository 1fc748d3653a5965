"""From the site file to devices: one link object for each connection, shared by every tank that is on it."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass

from lungfish.config.link_model import (
    GpioLinkSpec,
    ModbusLinkSpec,
    ModbusRtuLinkSpec,
    ModbusTcpLinkSpec,
    SerialTextLinkSpec,
)
from lungfish.config.model import PressureLimitSpec, Site, SwitchSpec, TransmitterSpec, ValveSpec
from lungfish.core.events import Input
from lungfish.drivers.gpio import GpioValve, let_go
from lungfish.drivers.limit_switch import LimitedValve
from lungfish.drivers.modbus_rtu import ModbusRtuLink
from lungfish.drivers.modbus_tcp import ModbusTcpLink
from lungfish.drivers.owned_link import OwnedLink
from lungfish.drivers.relay import RelayValve
from lungfish.drivers.serial_port import SerialPort
from lungfish.drivers.switch import ModbusSwitch, PressureLimit
from lungfish.drivers.tcp_pipe import TcpPipe
from lungfish.drivers.text_link import TextLink
from lungfish.drivers.text_transmitter import AskedTransmitter, StreamingTransmitter
from lungfish.drivers.transmitter import ModbusTransmitter
from lungfish.drivers.valve import ModbusValve, RegisterTurns
from lungfish.ports import Clock, Isolating, Switch, Transmitter, Valve

__all__ = ["Devices", "build_devices", "link_for"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Devices:
    """Everything that a site's daemon talks to."""

    links: Mapping[str, OwnedLink]
    """Links that carry Modbus, by name."""
    text_links: Mapping[str, TextLink]
    """Links that carry text, by name."""
    chips: Mapping[str, GpioLinkSpec]
    """Chips with pins of the computer's own, by name."""
    transmitters: Mapping[str, Transmitter]
    """Transmitters by tank."""
    valves: Mapping[str, Valve]
    """Purge valves by tank."""
    blow_valves: Mapping[str, Valve]
    """Blow valves of their own by tank; a tank without one is not in it."""
    vent_valves: Mapping[str, Valve]
    """Vent valves of transmitters by tank; a tank without one is not in it."""
    isolating: Mapping[str, Isolating]
    """What cuts transmitters off, by tank; a tank without it is not in it."""
    switches: Mapping[str, Mapping[Input, Switch]]
    """By tank, the switches that it has; may be empty."""
    hold_off: Mapping[str, Mapping[str, Switch]]
    """By tank and name, what postpones a purge; may be empty."""

    async def close(self) -> None:
        """Close every link, each after the request that it has on the wire."""
        closing = [link.close() for link in self.links.values()]
        let_go(self.chips)
        await asyncio.gather(*closing, *(link.close() for link in self.text_links.values()))


def build_devices(site: Site, clock: Clock) -> Devices:
    """Make the drivers of a site. Nothing is connected or sent before the first request.

    Args:
        site: The site file's meaning.
        clock: Monotonic time and waiting.
    """
    links = {name: link_for(spec, clock) for name, spec in site.links.items() if isinstance(spec, ModbusLinkSpec)}
    streams = {
        tank.transmitter.link for tank in site.tanks.values() if tank.transmitter.text and not tank.transmitter.text.ask
    }
    text_links = {
        name: _text_link(spec, clock, streams=name in streams)
        for name, spec in site.links.items()
        if isinstance(spec, SerialTextLinkSpec)
    }
    turns = RegisterTurns()

    def transmitter(spec: TransmitterSpec) -> Transmitter:
        if spec.text is None:
            return ModbusTransmitter(links[spec.link], spec)
        if spec.text.ask is None:
            return StreamingTransmitter(text_links[spec.link], spec, spec.text, clock)
        return AskedTransmitter(text_links[spec.link], spec, spec.text, spec.text.ask)

    def valve(spec: ValveSpec) -> Valve:
        output: Valve
        chip = site.links[spec.link]
        if isinstance(chip, GpioLinkSpec):
            output = GpioValve(chip, spec, clock.monotonic_s)
        elif spec.relay is not None:
            output = RelayValve(text_links[spec.link], spec.place, spec.relay, clock.monotonic_s)
        else:
            output = ModbusValve(links[spec.link], spec, clock, turns)
        limit = spec.limit_switch
        if limit is None:
            return output
        return LimitedValve(spec.place, output, ModbusSwitch(links[limit.switch.link], limit.switch), limit, clock)

    return Devices(
        links=links,
        text_links=text_links,
        chips={name: spec for name, spec in site.links.items() if isinstance(spec, GpioLinkSpec)},
        transmitters={name: transmitter(tank.transmitter) for name, tank in site.tanks.items()},
        valves={name: valve(tank.valve) for name, tank in site.tanks.items()},
        blow_valves={name: valve(spec) for name, tank in site.tanks.items() if (spec := tank.blow_valve) is not None},
        vent_valves={name: valve(spec) for name, tank in site.tanks.items() if (spec := tank.vent_valve) is not None},
        isolating={
            name: Isolating(
                valve=valve(isolate.valve),
                shut=ModbusSwitch(links[isolate.shut.link], isolate.shut),
                safe=ModbusSwitch(links[isolate.safe.link], isolate.safe),
            )
            for name, tank in site.tanks.items()
            if (isolate := tank.isolate) is not None
        },
        switches={
            name: {
                which: _switch(links[spec.link], spec)
                for which, spec in ((Input.SUPPLY, tank.inputs.supply), (Input.FLOW, tank.inputs.flow))
                if spec is not None
            }
            for name, tank in site.tanks.items()
        },
        hold_off={
            name: {hold.name: ModbusSwitch(links[hold.switch.link], hold.switch) for hold in tank.schedule.hold_off}
            for name, tank in site.tanks.items()
        },
    )


def link_for(spec: ModbusLinkSpec, clock: Clock) -> OwnedLink:
    """The driver of a link that carries Modbus.

    Args:
        spec: the link.
        clock: Monotonic time and waiting.
    """
    if isinstance(spec, ModbusTcpLinkSpec):
        return ModbusTcpLink(spec.name, spec.host, spec.port, spec.timeout_s, clock, spec.tls)
    if isinstance(spec, ModbusRtuLinkSpec):
        label = f"link {spec.name} ({spec.serial.port})"
        serial = SerialPort(label, spec.serial, clock.monotonic_s, shared=True)
        char_s = spec.serial.char_s
        silence_s = spec.serial.gap_s + spec.turn_round_s
        return ModbusRtuLink(spec.name, label, serial, spec.timeout_s, clock, char_s=char_s, gap_s=silence_s)
    label = f"link {spec.name} ({spec.host}:{spec.port})"
    pipe = TcpPipe(label, spec.host, spec.port, spec.timeout_s, clock.monotonic_s)
    return ModbusRtuLink(spec.name, label, pipe, spec.timeout_s, clock, char_s=0.0, gap_s=spec.turn_round_s)


def _text_link(spec: SerialTextLinkSpec, clock: Clock, *, streams: bool) -> TextLink:
    """One that is asked shares its port by turns, so that a valve on it can be shut beside a living daemon."""
    label = f"link {spec.name} ({spec.serial.port})"
    port = SerialPort(label, spec.serial, clock.monotonic_s, shared=not streams)
    return TextLink(spec.name, label, port, spec.timeout_s, spec.serial.char_s, clock)


def _switch(link: OwnedLink, spec: SwitchSpec | PressureLimitSpec) -> Switch:
    return ModbusSwitch(link, spec) if isinstance(spec, SwitchSpec) else PressureLimit(link, spec)
