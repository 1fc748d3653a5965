"""Relay boards that are driven by byte strings, with or without a word of theirs on what they did."""

from __future__ import annotations

from collections.abc import Callable

from lungfish.config.text_model import RelaySpec
from lungfish.core.events import ValveState
from lungfish.drivers.relay_answer import told_state
from lungfish.drivers.text_link import TextLink
from lungfish.errors import DeviceError, DeviceRefused
from lungfish.ports import ValveEcho

__all__ = ["RelayValve"]

_STATES = {True: ValveState.OPEN, False: ValveState.SHUT}


class RelayValve:
    """Implements `lungfish.ports.Valve`.

    Args:
        link: the line that it is on.
        place: what messages call the valve.
        spec: its byte strings.
        now: monotonic time, s.
    """

    def __init__(self, link: TextLink, place: str, spec: RelaySpec, now: Callable[[], float]) -> None:
        self._link = link
        self._place = place
        self._spec = spec
        self._now = now
        self._believed = ValveState.UNKNOWN
        """What it was last told, or said; UNKNOWN after a failure."""

    async def command(self, state: ValveState) -> ValveEcho:
        """Send the string; where the board answers, see that it says the same.

        Returns:
            The state, stamped when the string had gone out. Of a board that says nothing it is what it was told.

        Raises:
            ValueError: The state is UNKNOWN.
            DeviceRefused: The board says that it is not in that state.
            DeviceError: Not sent, or not confirmed; the state must be taken as unknown.
        """
        if state is ValveState.UNKNOWN:
            raise ValueError("a valve can be told to open or to shut, not to be unknown")
        spec, self._believed = self._spec, ValveState.UNKNOWN
        string = spec.open if state is ValveState.OPEN else spec.shut
        answers = spec.confirms and spec.ask is None
        began_s = self._now()
        urgent = state is ValveState.SHUT
        hear = self._hear() if answers else None
        said, sent_s, _ = await self._link.ask(string, hear, what=f"{state.value}", urgent=urgent)
        at_s = max(began_s, min(sent_s + len(string) * self._link.char_s, self._now()))
        if spec.ask is not None:
            said, _, _ = await self._link.ask(spec.ask, self._hear(), what="state")
        if spec.confirms and said is not None and _STATES[said] is not state:
            raise DeviceRefused(f"{self._place}: told to {state.value}, it says that it is {_STATES[said].value}")
        self._believed = state
        return ValveEcho(at_s=at_s, state=state)

    async def observe(self) -> ValveEcho:
        """Ask the board; one that can't be asked is believed to be as it was last told, and unknown after a failure.

        Raises:
            DeviceError: No usable answer.
        """
        spec = self._spec
        if spec.ask is None:
            return ValveEcho(at_s=self._now(), state=self._believed)
        try:
            said, sent_s, came_s = await self._link.ask(spec.ask, self._hear(), what="state")
        except DeviceError:
            self._believed = ValveState.UNKNOWN
            raise
        self._believed = ValveState.UNKNOWN if said is None else _STATES[said]
        return ValveEcho(at_s=(sent_s + came_s) / 2.0, state=self._believed)

    def _hear(self) -> Callable[[bytes, float], bool | None]:
        received = bytearray()

        def hear(data: bytes, _now_s: float) -> bool | None:
            received.extend(data)
            return told_state(bytes(received), self._spec.open_answer or b"", self._spec.shut_answer or b"")

        return hear
