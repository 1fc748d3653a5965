"""Modbus RTU as it is wired: libmodbus at the other end of a serial line that takes its time; real commands on it."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from tests.drivers.contract import check_transmitter, check_valve
from tests.drivers.specs import valve_spec
from tests.peer.clocks import SkippingClock
from tests.peer.libmodbus_peer import LibmodbusPeer
from tests.peer.real_runs import lungfish, run_for
from tests.peer.real_site import RealSite, real_site
from tests.peer.test_libmodbus import TransmitterOnPlant, ValveOnPlant
from tests.peer.test_real_input import check
from tests.peer.wire import Wire, laid_wire

from lungfish.config.link_model import ModbusRtuLinkSpec, ModbusRtuTcpLinkSpec, Parity, SerialSettings
from lungfish.config.model import Output
from lungfish.drivers.build import link_for
from lungfish.drivers.kept_spec import kept_valve
from lungfish.drivers.kept_valves import keep, kept_in, shut_kept
from lungfish.drivers.owned_link import OwnedLink
from lungfish.drivers.serial_port import SerialPort
from lungfish.drivers.shut import shut_valve
from lungfish.errors import DeviceRefused, DeviceTimeout

TIMEOUT_S = 1.0


def spec_of(wire: Wire) -> ModbusRtuLinkSpec:
    serial = SerialSettings(port=wire.ours, baud=wire.baud, parity=Parity.NONE, stop_bits=1)
    return ModbusRtuLinkSpec(name="line", serial=serial, timeout_s=TIMEOUT_S, turn_round_s=0.0)


@pytest.fixture
def wire() -> Iterator[Wire]:
    with laid_wire(19200) as laid:
        yield laid


@pytest.fixture
async def module(wire: Wire) -> AsyncIterator[LibmodbusPeer]:
    async with LibmodbusPeer(serial=(wire.device, wire.baud)) as peer:
        yield peer


@pytest.fixture
async def ours(wire: Wire, module: LibmodbusPeer, clock: SkippingClock) -> AsyncIterator[OwnedLink]:
    link = link_for(spec_of(wire), clock)
    yield link
    await link.close()


async def test_registers_coils_and_refusals_go_through(ours: OwnedLink, module: LibmodbusPeer) -> None:
    await module.set_input_registers(7, [0x1234, 0x5678, 0x9ABC])
    reply = await ours.read_registers(unit=1, table="input", address=7, count=3)
    assert reply.values == (0x1234, 0x5678, 0x9ABC)
    await ours.write_coil(unit=1, address=12, on=True)
    assert (await ours.read_coil(unit=1, address=12)).values == (1,)
    await ours.write_register(unit=1, address=9, value=4711)
    await module.settle()
    assert (module.coil(12), module.holding(9)) == (True, 4711)
    with pytest.raises(DeviceRefused, match="illegal data address"):
        await ours.read_registers(unit=1, table="input", address=199, count=2)
    assert (await ours.read_registers(unit=1, table="input", address=8, count=1)).values == (0x5678,)
    with pytest.raises(DeviceTimeout):
        await ours.read_registers(unit=2, table="input", address=7, count=2)  # nobody of that number


async def test_shut_takes_its_turn_on_a_line_that_the_daemon_is_using(
    ours: OwnedLink, wire: Wire, module: LibmodbusPeer
) -> None:
    """As the guard's thread and `lungfish shut` do: neither loses an answer to the other."""
    valve = valve_spec()
    await module.set_coil(valve.address, on=True)
    await module.set_input_registers(3, [42])
    over = asyncio.Event()
    done = 0

    async def read_on() -> None:
        nonlocal done
        while not over.is_set():
            assert (await ours.read_registers(unit=1, table="input", address=3, count=1)).values == (42,)
            done += 1

    async def ten_more() -> None:
        until = done + 10
        while done < until and not reading.done():
            await asyncio.sleep(0.01)

    reading = asyncio.create_task(read_on())
    await ten_more()
    for _ in range(5):
        assert await asyncio.to_thread(shut_valve, spec_of(wire), valve)
        assert not module.coil(valve.address)
        await module.set_coil(valve.address, on=True)
    await ten_more()
    over.set()
    await reading
    assert (ours.stats.timeouts, ours.stats.garbled) == (0, 0)


async def test_shut_goes_through_beside_an_owner_that_stands_still(wire: Wire, module: LibmodbusPeer) -> None:
    valve = valve_spec()
    await module.set_coil(valve.address, on=True)
    hold = (
        "import fcntl, sys, time; port = open(sys.argv[1], 'rb', buffering=0); fcntl.flock(port, fcntl.LOCK_EX);"
        "print('held', flush=True); time.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", hold, wire.ours], stdout=subprocess.PIPE) as holder:
        assert holder.stdout is not None
        assert (await asyncio.to_thread(holder.stdout.readline)).strip() == b"held"
        holder.send_signal(signal.SIGSTOP)
        assert await asyncio.to_thread(shut_valve, spec_of(wire), valve)
        holder.kill()
    await module.settle()
    assert not module.coil(valve.address)


async def test_shut_goes_through_while_our_own_loop_stands_still_in_its_turn(wire: Wire, module: LibmodbusPeer) -> None:
    """As the guard's thread must: the loop holds the line and will not give it back."""
    valve = valve_spec()
    await module.set_coil(valve.address, on=True)
    port = SerialPort("link line", spec_of(wire).serial, time.monotonic, shared=True)
    await port.open()
    await port.take_turn()
    shut: list[bool] = []
    guard = threading.Thread(target=lambda: shut.append(shut_valve(spec_of(wire), valve)))
    guard.start()
    guard.join(10.0)  # nothing in this loop can run meanwhile
    port.close()
    await module.settle()
    assert shut == [True]
    assert not module.coil(valve.address)


@pytest.mark.parametrize("over_tcp", [False, True], ids=["serial", "RTU over TCP"])
async def test_the_list_that_the_daemon_left_shuts_each_valve_in_turn(
    wire: Wire, module: LibmodbusPeer, tmp_path: Path, over_tcp: bool
) -> None:
    async with device_server(wire) as port:
        raw = ModbusRtuTcpLinkSpec(name="raw", host="127.0.0.1", port=port, timeout_s=TIMEOUT_S, turn_round_s=0.0)
        specs = [valve_spec(address=address) for address in (3, 4, 5)] + [valve_spec(output=Output.REGISTER, address=9)]
        for spec in specs[:3]:
            await module.set_coil(spec.address, on=True)
        await module.set_holding_registers(9, [1])
        kept = [
            listed
            for number, spec in enumerate(specs)
            if (listed := kept_valve(str(number), raw if over_tcp else spec_of(wire), spec)) is not None
        ]
        keep(tmp_path / "valves.json", kept, complete=True)
        valves, _ = kept_in(tmp_path / "valves.json")
        assert await asyncio.to_thread(shut_kept, valves) == dict.fromkeys("0123")
        await module.settle()
        assert [module.coil(3), module.coil(4), module.coil(5), module.holding(9)] == [False, False, False, 0]


async def test_a_line_behind_a_device_server_is_read_and_shut(wire: Wire, module: LibmodbusPeer) -> None:
    async with device_server(wire) as port:
        raw = ModbusRtuTcpLinkSpec(name="raw", host="127.0.0.1", port=port, timeout_s=TIMEOUT_S, turn_round_s=0.0)
        link = link_for(raw, SkippingClock())
        await module.set_input_registers(7, [0x1234, 0x5678])
        await module.set_coil(20, on=True)
        assert (await link.read_registers(unit=1, table="input", address=7, count=2)).values == (0x1234, 0x5678)
        assert (await link.read_coil(unit=1, address=20)).values == (1,)
        await link.close()
        assert await asyncio.to_thread(shut_valve, raw, valve_spec())
        await module.settle()
        assert not module.coil(20)


@asynccontextmanager
async def device_server(wire: Wire) -> AsyncIterator[int]:
    """Passes bytes on between one TCP connection at a time and the line, as they are."""
    fd = os.open(wire.ours, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    loop = asyncio.get_running_loop()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        loop.add_reader(fd, lambda: writer.write(os.read(fd, 4096)))
        try:
            while data := await reader.read(4096):
                os.write(fd, data)
        except ConnectionError:
            pass  # the client has hung up, as it may
        finally:
            loop.remove_reader(fd)
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        loop.remove_reader(fd)
        os.close(fd)


async def valve_open(site: RealSite) -> None:
    async with asyncio.timeout(20.0):
        while not site.peer.coil(0):
            await asyncio.sleep(0.01)


async def test_a_killed_daemon_on_a_serial_line_leaves_no_valve_open(tmp_path: Path, wire: Wire) -> None:
    """The process beside the daemon has the line as soon as the daemon is dead: its lock has gone with it."""
    (tmp_path / "runtime").mkdir()
    async with real_site(tmp_path, tanks=1, seed=5, wire=wire) as site:
        daemon = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "lungfish", "run", str(site.path)),
            stderr=asyncio.subprocess.DEVNULL,
            env={**os.environ, "RUNTIME_DIRECTORY": str(tmp_path / "runtime")},
        )
        await valve_open(site)
        daemon.kill()
        killed_s = time.monotonic()
        await daemon.wait()
        async with asyncio.timeout(5.0):
            while site.peer.coil(0):
                await asyncio.sleep(0.005)
        print(f"\nshut {time.monotonic() - killed_s:.3f} s after the kill")


async def test_shut_beside_a_living_daemon_shuts_and_the_daemon_goes_on(tmp_path: Path, wire: Wire) -> None:
    async with real_site(tmp_path, tanks=1, seed=5, wire=wire) as site:
        daemon = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "lungfish", "run", str(site.path)), stderr=asyncio.subprocess.PIPE
        )
        communicating = asyncio.create_task(daemon.communicate())
        await valve_open(site)
        status, told, err = await lungfish("shut", str(site.path))
        assert status == 0, err
        assert "tank-0: confirmed shut" in told
        assert not site.peer.coil(0)
        daemon.terminate()
        _, log = await communicating
        assert daemon.returncode == 0, log.decode()


async def test_run_over_a_serial_line(tmp_path: Path, wire: Wire) -> None:
    async with real_site(tmp_path, tanks=2, seed=23, wire=wire) as site:
        check(site, await run_for(site.path, 25.0), least=2)


@pytest.mark.campaign
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("baud", [9600, 19200])
async def test_long_run_over_a_serial_line(tmp_path: Path, baud: int) -> None:
    with laid_wire(baud) as wire:
        async with real_site(tmp_path, tanks=3, seed=33, wire=wire) as site:
            check(site, await run_for(site.path, 600.0), least=60)


async def test_transmitter_and_valve_keep_their_contracts(
    ours: OwnedLink, module: LibmodbusPeer, clock: SkippingClock
) -> None:
    transmitter = TransmitterOnPlant(module, ours, clock, "float32")
    valve = ValveOnPlant(module, ours, clock, "coil")
    transmitter.late_s = valve.late_s = 1.5 * TIMEOUT_S
    transmitter.skipped_s = valve.skipped_s = 0.0  # what is owed is forgotten by this clock, and comes by the real one
    await check_transmitter(transmitter)
    await check_valve(valve)
