"""Valves on the computer's own pins, through libgpiod's Python bindings, which are loaded on first use only.

The interface is that of the bindings' version 2, as they document it. The kernel gives a line back when the process
that requested it dies; what level it has then is the chip's business, so nothing here is a layer outside this computer.
Not tried on a board with such pins.
"""

from __future__ import annotations

import errno
import threading
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Final

from lungfish.config.link_model import GpioLinkSpec
from lungfish.config.model import ValveSpec
from lungfish.core.events import ValveState
from lungfish.drivers.valve import output_state, output_value
from lungfish.errors import DeviceAbsent, DeviceRefused
from lungfish.ports import ValveEcho

if TYPE_CHECKING:
    from types import ModuleType

__all__ = ["GpioValve", "let_go", "shut_line"]

_CONSUMER: Final = "lungfish"
_REMEDIES: Final = {
    errno.ENOENT: "there is no such chip; look at `chip`",
    errno.EACCES: "no right to use it; the user that lungfish runs as must be in the chip's group, such as `gpio`",
    errno.EPERM: "no right to use it; the user that lungfish runs as must be in the chip's group, such as `gpio`",
    errno.EBUSY: "another program holds this line",
    errno.EINVAL: "the chip has no such line, or it can't be an output",
}
_HELD: dict[tuple[str, int], Any] = {}
"""Lines that this process holds: the guard's thread must shut one that the loop has opened, and none is held twice."""
_TURN = threading.Lock()


class GpioValve:
    """Implements `lungfish.ports.Valve`. A line is requested when it is first told something, and shut from then on.

    Args:
        chip: the chip that it is on.
        spec: the line, and which level opens the valve.
        now: monotonic time, s.
    """

    def __init__(self, chip: GpioLinkSpec, spec: ValveSpec, now: Callable[[], float]) -> None:
        self._chip = chip
        self._spec = spec
        self._now = now

    async def command(self, state: ValveState) -> ValveEcho:
        """Set the line and read it back.

        Raises:
            ValueError: The state is UNKNOWN.
            DeviceRefused: It reads back otherwise.
            DeviceAbsent: The line can't be had.
        """
        value = output_value(self._spec, state)
        began_s = self._now()
        seen = _set(self._chip.chip, self._spec, value)
        if seen != value:
            raise DeviceRefused(f"{self._spec.place}: told to {state.value} by {value}, reads back {seen}")
        return ValveEcho(at_s=(began_s + self._now()) / 2.0, state=state)

    async def observe(self) -> ValveEcho:
        """Read the line; one that we do not hold yet is unknown, for to ask for it would be to set it.

        Raises:
            DeviceAbsent: It can't be read.
        """
        began_s = self._now()
        with _TURN:
            request = _HELD.get((self._chip.chip, self._spec.address))
            state = ValveState.UNKNOWN
            if request is not None:
                state = output_state(
                    self._spec, _done(self._spec, lambda: int(request.get_value(self._spec.address).value))
                )
        return ValveEcho(at_s=(began_s + self._now()) / 2.0, state=state)


def shut_line(chip: str, spec: ValveSpec) -> bool:
    """Shut a valve, in any thread, over the request that this process has or one of its own.

    Args:
        chip: the chip's file.
        spec: the valve.

    Returns:
        Whether it reads back as shut.

    Raises:
        DeviceAbsent: The line can't be had.
    """
    return _set(chip, spec, spec.shut_value) == spec.shut_value


def let_go(chips: Mapping[str, GpioLinkSpec]) -> None:
    """Give the lines of some chips back.

    Args:
        chips: by name.
    """
    names = {chip.chip for chip in chips.values()}
    with _TURN:
        for key in [key for key in _HELD if key[0] in names]:
            _HELD.pop(key).release()


def _set(chip: str, spec: ValveSpec, value: int) -> int:
    """Set a line and read it back."""
    bindings = _bindings(spec)
    levels = bindings.line.Value
    level = levels.ACTIVE if value else levels.INACTIVE

    def act() -> int:
        request = _HELD.get((chip, spec.address))
        if request is None:
            settings = bindings.LineSettings(direction=bindings.line.Direction.OUTPUT, output_value=level)
            request = bindings.request_lines(chip, consumer=_CONSUMER, config={spec.address: settings})
            _HELD[chip, spec.address] = request
        else:
            request.set_value(spec.address, level)
        return int(request.get_value(spec.address) is levels.ACTIVE)

    with _TURN:
        return _done(spec, act)


def _done(spec: ValveSpec, act: Callable[[], int]) -> int:
    """What it returns.

    Raises:
        DeviceAbsent: It can't be done.
    """
    try:
        return act()
    except (OSError, ValueError) as error:
        why = _REMEDIES.get(getattr(error, "errno", None) or 0, str(error))
        raise DeviceAbsent(f"{spec.place}: {why}") from error


def _bindings(spec: ValveSpec) -> ModuleType:
    try:
        import gpiod
        import gpiod.line
    except ImportError as error:
        text = "the bindings of libgpiod are not installed: `pip install lungfish[gpio]`"
        raise DeviceAbsent(f"{spec.place}: {text}") from error
    module: ModuleType = gpiod
    return module
