"""A serial port over a pair of pseudo-terminals: whole writes, loss told once, one owner, back again."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import time
import tty
from collections.abc import Iterator

import pytest

from lungfish.config.link_model import Parity, SerialSettings
from lungfish.drivers.serial_port import SerialPort
from lungfish.errors import DeviceAbsent

WITHIN_S = 5.0


class Line:
    """The other end of the line, and what the port's owner was told."""

    def __init__(self) -> None:
        self.other, self.slave = os.openpty()
        tty.setraw(self.slave)
        self.name = os.ttyname(self.slave)
        self.got = b""
        self.lost: list[str] = []
        self.port = self.owner()

    def owner(self, name: str | None = None) -> SerialPort:
        settings = SerialSettings(port=name or self.name, baud=19200, parity=Parity.NONE, stop_bits=1)
        port = SerialPort("link bench", settings, time.monotonic)
        port.on_bytes = self.hear
        port.on_lost = self.lost.append
        return port

    def hear(self, data: bytes) -> None:
        self.got += data

    def pull_out(self) -> None:
        for fd in (self.other, self.slave):
            if fd >= 0:
                os.close(fd)
        self.other = self.slave = -1


@pytest.fixture
def line() -> Iterator[Line]:
    made = Line()
    yield made
    made.pull_out()


async def until(true: object) -> None:
    assert callable(true)
    async with asyncio.timeout(WITHIN_S):
        while not true():
            await asyncio.sleep(0.005)


async def test_bytes_go_both_ways_unchanged(line: Line) -> None:
    await line.port.open()
    every = bytes(range(256))
    await line.port.write(every)
    assert os.read(line.other, 1000) == every
    os.write(line.other, every)
    await until(lambda: len(line.got) == 256)
    assert line.got == every
    line.port.close()
    assert line.lost == []


async def test_a_write_longer_than_the_ports_buffer_arrives_whole(line: Line) -> None:
    await line.port.open()
    sent = bytes(range(256)) * 200
    writing = asyncio.create_task(line.port.write(sent))
    got = b""
    async with asyncio.timeout(WITHIN_S):
        while len(got) < len(sent):
            got += await asyncio.to_thread(os.read, line.other, 1000)
    await writing
    assert got == sent
    line.port.close()


async def test_a_port_that_takes_nothing_is_given_up_on(line: Line) -> None:
    await line.port.open()
    with pytest.raises(DeviceAbsent, match="takes no bytes"):
        await line.port.write(bytes(1_000_000))
    line.port.close()


async def test_a_port_pulled_out_is_told_once_and_opened_again_after_a_growing_pause(line: Line) -> None:
    await line.port.open()
    line.pull_out()
    await until(lambda: line.lost)
    await asyncio.sleep(0.05)
    assert len(line.lost) == 1
    assert not line.port.is_open
    with pytest.raises(DeviceAbsent, match="not open"):
        await line.port.write(b"x")
    with pytest.raises(DeviceAbsent):
        await line.port.open()
    with pytest.raises(DeviceAbsent, match="next attempt in"):
        await line.port.open()


@pytest.mark.parametrize(
    ("name", "why"), [("/dev/no-such-port", "there is no such port"), ("/dev/null", "no serial port")]
)
async def test_what_can_not_be_opened_is_told_with_a_remedy(line: Line, name: str, why: str) -> None:
    with pytest.raises(DeviceAbsent, match=why):
        await line.owner(name).open()


async def test_a_second_owner_is_refused_until_the_first_lets_go(line: Line) -> None:
    await line.port.open()
    second = line.owner()
    with pytest.raises(DeviceAbsent, match="another program holds it"):
        await second.open()
    line.port.close()
    await second.open()
    second.close()


async def test_the_lock_goes_with_a_killed_process(line: Line) -> None:
    hold = (
        "import serial, sys, time; port = serial.Serial(sys.argv[1], exclusive=True); print('held', flush=True);"
        "time.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", hold, line.name], stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        assert (await asyncio.to_thread(other.stdout.readline)).strip() == b"held"
        with pytest.raises(DeviceAbsent, match="another program holds it"):
            await line.port.open()
        other.kill()
        await asyncio.to_thread(other.wait)
        await line.port.open()  # the first failure costs no pause
        line.port.close()


async def test_what_has_arrived_can_be_thrown_away(line: Line) -> None:
    await line.port.open()
    os.write(line.other, b"old")
    line.port.discard()
    await asyncio.sleep(0.02)
    os.write(line.other, b"new")
    await until(lambda: line.got)
    assert line.got == b"new"
    assert line.lost == []
    line.port.close()
