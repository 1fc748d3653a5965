"""Valves on the computer's own pins, on a fake of the bindings' documented interface: no such pins were here."""

from __future__ import annotations

import asyncio
import enum
import errno
import sys
import types
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from tests.config.samples import loaded, problems, spoilt
from tests.drivers.contract import check_valve

from lungfish.app.clock import LoopClock
from lungfish.config import ValveSpec
from lungfish.config.link_model import GpioLinkSpec
from lungfish.config.model import Output
from lungfish.core.events import ValveState
from lungfish.drivers.build import build_devices
from lungfish.drivers.gpio import GpioValve, let_go, shut_line
from lungfish.drivers.kept_spec import kept_valve
from lungfish.drivers.shut import shut_valve
from lungfish.errors import DeviceAbsent, DeviceRefused
from lungfish.rig.virtual_loop import run_virtual

CHIP = GpioLinkSpec(name="pins", chip="/dev/gpiochip0")
VALVE = "valve: {link: panel, unit: 1, coil: 0, max_open: 90 s}"


class Value(enum.Enum):
    """As `gpiod.line.Value`, version 2.5."""

    INACTIVE = 0
    ACTIVE = 1


class Direction(enum.Enum):
    """As `gpiod.line.Direction`."""

    AS_IS = 1
    INPUT = 2
    OUTPUT = 3


@dataclass
class Settings:
    """As `gpiod.LineSettings`, as far as it is used."""

    direction: Direction = Direction.AS_IS
    output_value: Value = Value.INACTIVE


@dataclass
class Chip:
    """A chip: levels of its lines, and who holds them."""

    levels: dict[int, Value] = field(default_factory=dict)
    held: set[int] = field(default_factory=set)
    stuck: bool = False
    trouble: OSError | None = None

    def request_lines(self, path: str, config: dict[int, Settings], consumer: str | None = None) -> Request:
        assert (path, consumer) == (CHIP.chip, "lungfish")
        if self.trouble is not None:
            raise self.trouble
        (line, settings), *more = config.items()
        assert not more
        assert settings.direction is Direction.OUTPUT
        if line in self.held:
            raise OSError(errno.EBUSY, "Device or resource busy")
        self.held.add(line)
        self.levels[line] = settings.output_value
        return Request(self, line)


@dataclass
class Request:
    """As `gpiod.LineRequest`."""

    chip: Chip
    line: int

    def set_value(self, line: int, value: Value) -> None:
        assert line == self.line
        if self.chip.trouble is not None:
            raise self.chip.trouble
        if not self.chip.stuck:
            self.chip.levels[line] = value

    def get_value(self, line: int) -> Value:
        assert line == self.line
        if self.chip.trouble is not None:
            raise self.chip.trouble
        return self.chip.levels[line]

    def release(self) -> None:
        self.chip.held.discard(self.line)


@pytest.fixture
def chip(monkeypatch: pytest.MonkeyPatch) -> Iterator[Chip]:
    made = Chip()
    bindings, line = types.ModuleType("gpiod"), types.ModuleType("gpiod.line")
    vars(line).update(Value=Value, Direction=Direction)
    vars(bindings).update(line=line, LineSettings=Settings, request_lines=made.request_lines)
    monkeypatch.setitem(sys.modules, "gpiod", bindings)
    monkeypatch.setitem(sys.modules, "gpiod.line", line)
    yield made
    let_go({"pins": CHIP})


def spec(*, line: int = 17, low: bool = False) -> ValveSpec:
    return ValveSpec(
        link="pins",
        unit=0,
        output=Output.LINE,
        address=line,
        open_value=int(not low),
        shut_value=int(low),
        max_open_s=90.0,
    )


class LineBench:
    """For the contract."""

    def __init__(self, chip: Chip, of: ValveSpec) -> None:
        self.clock = LoopClock()
        self.valve = GpioValve(CHIP, of, self.clock.monotonic_s)
        self._chip = chip
        self._spec = of

    async def output(self) -> ValveState:
        value = self._chip.levels[self._spec.address].value
        return ValveState.OPEN if value == self._spec.open_value else ValveState.SHUT

    async def force(self, state: ValveState) -> None:
        value = self._spec.open_value if state is ValveState.OPEN else self._spec.shut_value
        self._chip.levels[self._spec.address] = Value(value)

    async def cut_off(self) -> None:
        self._chip.trouble = OSError(errno.ENODEV, "No such device")

    async def restore(self) -> None:
        self._chip.trouble = None


@pytest.mark.parametrize("low", [False, True])
def test_a_line_keeps_the_contract_of_a_valve(chip: Chip, low: bool) -> None:
    async def work() -> None:
        await check_valve(LineBench(chip, spec(low=low)))

    run_virtual(work())


@pytest.mark.parametrize("low", [False, True])
def test_a_line_is_shut_from_the_moment_that_it_is_ours(chip: Chip, low: bool) -> None:
    async def work() -> None:
        valve = GpioValve(CHIP, spec(low=low), LoopClock().monotonic_s)
        assert (await valve.observe()).state is ValveState.UNKNOWN
        assert chip.levels == {}, "a look sets nothing"
        await valve.command(ValveState.SHUT)
        assert chip.levels == {17: Value(int(low))}

    run_virtual(work())


def test_the_guard_shuts_over_the_request_that_the_loop_has(chip: Chip) -> None:
    async def work() -> None:
        await GpioValve(CHIP, spec(), LoopClock().monotonic_s).command(ValveState.OPEN)
        assert await asyncio.get_running_loop().run_in_executor(None, shut_valve, CHIP, spec())
        assert chip.levels[17] is Value.INACTIVE

    asyncio.run(work())


def test_a_command_of_its_own_shuts_without_the_daemon_and_is_refused_beside_it(chip: Chip) -> None:
    chip.levels[17] = Value.ACTIVE
    assert shut_line(CHIP.chip, spec())
    assert chip.levels[17] is Value.INACTIVE
    chip.held.add(18)
    with pytest.raises(DeviceAbsent, match="link pins, line 18: another program holds this line"):
        shut_line(CHIP.chip, spec(line=18))


def test_a_line_that_does_not_follow_is_refused(chip: Chip) -> None:
    async def work() -> None:
        valve = GpioValve(CHIP, spec(), LoopClock().monotonic_s)
        await valve.command(ValveState.OPEN)
        chip.stuck = True
        with pytest.raises(DeviceRefused, match="told to shut by 0, reads back 1"):
            await valve.command(ValveState.SHUT)

    run_virtual(work())


def test_without_the_bindings_it_is_said_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "gpiod", None)
    with pytest.raises(DeviceAbsent, match=r"pip install lungfish\[gpio\]"):
        shut_line(CHIP.chip, spec())


def site_text(valve: str, *, link: str = "pins") -> str:
    text = spoilt(VALVE, f"valve: {{link: {link}, {valve}, max_open: 90 s}}")
    return text.replace("air:\n", "  pins: {kind: gpio, chip: /dev/gpiochip0}\nair:\n", 1)


def test_a_site_file_names_chip_and_line(tmp_path: Path, chip: Chip) -> None:
    site = loaded(site_text("line: 17"), tmp_path)
    made = site.valves["sump"]
    assert (made.output, made.address, made.open_value, made.outside_bound_s) == (Output.LINE, 17, 1, None)
    assert kept_valve("sump", site.links["pins"], made) is None, "the list can't hold it: left to `lungfish shut`"

    async def work() -> None:
        devices = build_devices(site, LoopClock())
        await devices.valves["sump"].command(ValveState.OPEN)
        assert chip.levels[17] is Value.ACTIVE
        await devices.close()
        assert chip.held == set()

    run_virtual(work())


@pytest.mark.parametrize(
    ("valve", "link", "key", "wrong"),
    [
        ("line: 17, coil: 3", "pins", "coil", "has no such thing"),
        ("line: 17, unit: 1", "pins", "unit", "has no such thing"),
        ("line: 17, module_timeout: 1 s", "pins", "module_timeout", "has no such thing"),
        ("line: 17, pulse: {register: 3, unit_time: 1 s}", "pins", "pulse", "has no such thing"),
        ("line: 17", "panel", "link", "carries Modbus TCP and has no lines"),
        ("unit: 1, coil: 3", "pins", "link", "is a chip with pins"),
        ("line: 4096", "pins", "line", "too large"),
    ],
)
def test_a_line_that_can_t_be_meant_is_told(tmp_path: Path, valve: str, link: str, key: str, wrong: str) -> None:
    found = problems(site_text(valve, link=link), tmp_path)
    assert [each.key for each in found] == [f"tanks.sump.valve.{key}"]
    assert wrong in found[0].wrong


def test_a_valve_that_a_dead_computer_opens_is_warned_of(tmp_path: Path) -> None:
    warnings = loaded(site_text("line: 17, active: low"), tmp_path).warnings
    assert any("while the computer starts or is dead" in warning.wrong for warning in warnings)
