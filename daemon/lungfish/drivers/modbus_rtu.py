"""A Modbus RTU link: one owner of a serial line, or of a TCP connection to one, and one request after the other on it.

A frame on such a line has no number, so beside the rules of every owner (see `owned_link`):

- What counts is a whole frame with a good CRC that fits the request in every field (see `rtu_frame`); noise, the own
  request come back, and answers to others are passed over.
- After a time-out the line is left quiet, at least as long as the latest answer so far was late, and till it is silent.
  An answer that comes in that time, or at any other before the next request, is thrown away, and nothing is owed.
- While an answer is still owed, nothing goes to that unit whose answer could be mistaken for it: a question of another
  kind goes first (see `rtu_owed`). A unit to which no such question is left waits until the answer is too old to come.
"""

from __future__ import annotations

import asyncio
import contextlib
from dataclasses import replace
from typing import NoReturn

from lungfish.drivers.byte_pipe import BytePipe
from lungfish.drivers.messages import EXCEPTIONS, GATEWAY_TARGET_SILENT, Function, Reply, Request
from lungfish.drivers.owned_link import Job, NotSent, OwnedLink
from lungfish.drivers.rtu_frame import Heard, answer_bytes, hunt, request_frame
from lungfish.drivers.rtu_owed import Owed
from lungfish.errors import DeviceAbsent, DeviceError, DeviceGarbled, DeviceRefused, DeviceTimeout
from lungfish.ports import Clock

__all__ = ["ModbusRtuLink"]

_FORGET_TIMEOUTS, _SHORTEST_FORGET_S = 10.0, 5.0
_LONGEST_QUIET_S, _LONGEST_QUIET_BEFORE_WRITE_S = 2.0, 0.25
_USUAL_QUIET_S = 0.25
_LATER_STILL = 1.25
"""The next late answer may be later than the latest so far by this factor."""
_MOST_KEPT = 1024
"""Bytes kept of what nobody asked for."""
_MOST_PROBES = 3
_ECHOES_MISSED = 3
_EARLY = 0.95
"""Serial clocks differ by some percent."""
_EARLY_ANSWERS = 3
"""So many answers in a row that came too early and were followed by nothing: the line is no true serial line."""
_SILENT_REQUESTS = 5
"""After so many requests in a row without a single byte a connection is made anew: it may be dead."""


class ModbusRtuLink(OwnedLink):
    """One line and all units on it.

    Args:
        name: Name in the site file.
        label: What messages call it.
        pipe: What carries its bytes.
        timeout_s: Longest wait for an answer to begin, counted from the end of the request, s.
        clock: Monotonic time.
        char_s: Time of one character on the wire, s; 0 where it is not known.
        gap_s: Silence kept before each request, s.
    """

    def __init__(
        self, name: str, label: str, pipe: BytePipe, timeout_s: float, clock: Clock, *, char_s: float, gap_s: float
    ) -> None:
        super().__init__(name, label, timeout_s, clock)
        self._pipe = pipe
        self._char_s = char_s
        self._gap_s = gap_s
        self._forget_s = max(_FORGET_TIMEOUTS * timeout_s, _SHORTEST_FORGET_S)
        self._owed: dict[int, Owed] = {}
        self._received = bytearray()
        self._heard = asyncio.Event()
        self._last_byte_s = self._quiet_until_s = float("-inf")
        self._sent_end_s = 0.0
        self._silent = self._early_answers = 0
        self._came_early = False
        self._turn_ends: asyncio.TimerHandle | None = None
        self._echo_misses = _ECHOES_MISSED
        self._lost: str | None = None
        pipe.on_bytes = self._on_bytes
        pipe.on_lost = self._on_lost

    async def _transact(self, job: Job) -> Reply:
        request = job.request
        if not self._pipe.is_open:
            await self._pipe.open()
            self.stats.connects += 1
            self._received.clear()
            # a request of whoever had the line before may still be answered
            self._quiet_until_s = self._now() + min(self._timeout_s, _LONGEST_QUIET_S)
        if self._turn_ends is not None:
            self._turn_ends.cancel()
        gap_left_s = self._last_byte_s + self._gap_s - self._now()
        if gap_left_s > 0.0:
            await asyncio.sleep(gap_left_s)  # before our turn: it is the time in which another can have one
        try:
            await self._pipe.take_turn()
            await self._silence(request)
            owed = self._look_back(request.unit)
            if owed.blocks(request):
                await self._settle(request, owed, job)
            if job.done.done():
                raise NotSent
            try:
                return await self._ask(request, owed)
            except DeviceGarbled:
                if request.is_write and self._came_early:
                    await self._learn(request, owed)
                raise
        finally:
            # while the line is left quiet it stays ours: who comes now would meet the late answer
            left_s = self._quiet_until_s - self._now()
            if left_s > 0.0:
                self._turn_ends = asyncio.get_running_loop().call_later(left_s, self._pipe.end_turn)
            else:
                self._pipe.end_turn()

    async def _drop_connection(self) -> None:
        if self._turn_ends is not None:
            self._turn_ends.cancel()
        self._pipe.end_turn()
        self._pipe.close()

    @property
    def _usual_quiet_s(self) -> float:
        return min(self._timeout_s / 2.0, _USUAL_QUIET_S)

    async def _silence(self, request: Request) -> None:
        """Wait until the line has been silent for long enough; not for ever, for a line that is never silent."""
        began_s = self._now()
        quiet_until_s = self._quiet_until_s
        if request.is_write:
            quiet_until_s = min(quiet_until_s, began_s + _LONGEST_QUIET_BEFORE_WRITE_S)
        give_up_s = max(quiet_until_s, began_s) + self._timeout_s
        while True:
            now_s = self._now()
            until_s = min(max(self._last_byte_s + self._gap_s, quiet_until_s), give_up_s)
            if until_s <= now_s:
                return
            await asyncio.sleep(until_s - now_s)

    def _look_back(self, unit: int) -> Owed:
        """Throw away what came since the last request, unless it is the answer that came too late: that settles it."""
        owed = self._owed.get(unit)
        if owed is None:
            owed = self._owed[unit] = Owed(self._forget_s)
        for each in self._owed.values():
            each.forget(self._now())
            if each.arrived(bytes(self._received), echoed=self._echoes):
                # when it came is known only while the line was ours
                most_s = _LATER_STILL * (self._quiet_until_s - self._sent_end_s)
                each.late_s = max(each.late_s, min(self._last_byte_s - self._sent_end_s, most_s))
                self.stats.skipped += 1
        self._received.clear()
        return owed

    @property
    def _echoes(self) -> bool:
        return self._echo_misses < _ECHOES_MISSED

    async def _settle(self, request: Request, owed: Owed, job: Job) -> None:
        """Ask something else first, whose answer can't be mistaken: when it has come, nothing older is to come.

        Raises:
            DeviceError: No answer to that either, or nothing is left that could be asked.
        """
        for probe in owed.probes(request)[:_MOST_PROBES]:
            if job.done.done():
                raise NotSent
            try:
                await self._ask(probe, owed)
            except DeviceRefused:
                pass  # an exception is an answer as well
            except (DeviceTimeout, DeviceGarbled) as error:
                raise type(error)(
                    f"{self._label}, {request}: not asked, for an answer is still owed that could be taken for this "
                    f"one's, and what was asked to make sure brought none either: {error}"
                ) from error
            if not owed:
                await self._silence(request)
                self._received.clear()
                return
            await self._silence(request)
        wait_s = max(0.0, owed.free_at_s() - self._now())
        raise DeviceTimeout(
            f"{self._label}, {request}: not asked, for an answer is still owed that could be taken for this one's; "
            f"asked again in {wait_s:.1f} s"
        )

    async def _ask(self, request: Request, owed: Owed) -> Reply:
        """Send one request and wait for its answer.

        Raises:
            DeviceAbsent: The line has gone.
            DeviceTimeout: No answer in time.
            DeviceGarbled: Bytes, and no answer among them.
            DeviceRefused: An exception response.
        """
        out = request_frame(request)
        self._received.clear()
        self._lost = None
        self._came_early = False
        self.stats.requests += 1
        began_s = self._now()
        try:
            await self._pipe.write(out)
        except DeviceAbsent:
            owed.add(request, began_s)
            raise
        self._sent_end_s = began_s + len(out) * self._char_s
        heard = await self._answer(request)
        self._note_echo(request, heard)
        self.stats.skipped += heard.frames
        if not heard.answered:
            owed.add(request, began_s)
            self._unanswered(request, heard, owed)
        self._pipe.answered()
        self._troubles.well(self._label)
        self._silent = 0
        del self._received[: heard.end]
        ours = owed.settle(request, self._last_byte_s, exception=heard.exception is not None)
        if heard.values is None:
            code = heard.exception or 0
            text = f"{self._label}, {request}: exception {code}, {EXCEPTIONS.get(code, 'not a code that Modbus knows')}"
            raise (DeviceTimeout if code == GATEWAY_TARGET_SILENT else DeviceRefused)(text)
        if not ours and not request.is_write:
            raise DeviceGarbled(f"{self._label}, {request}: an answer that may be an older one's")
        came_s = self._last_byte_s
        return Reply(values=heard.values, at_s=(began_s + came_s) / 2.0, took_s=came_s - began_s)

    async def _learn(self, request: Request, owed: Owed) -> None:
        """After a write whose answer could not be believed: read, for only that tells what kind of line this is."""
        function = Function.READ_COILS if request.function is Function.WRITE_COIL else Function.READ_HOLDING
        read = Request(function, request.unit, request.address, 1)
        possible = owed.probes(read) if owed.blocks(read) else [read]
        if possible:
            with contextlib.suppress(DeviceError):
                await self._silence(request)
                await self._ask(possible[0], owed)

    async def _answer(self, request: Request) -> Heard:
        """Listen until the answer is there, or its time is up.

        What comes earlier than the wire allows was sent before the request was heard: it is an older answer, sent twice
        or late. Only when that happens to several requests in a row, and nothing follows, the line is faster than its
        rate says, as adapters and modules are that are no true serial lines.
        """
        deadline_s = self._sent_end_s + self._timeout_s + answer_bytes(request) * self._char_s
        early = False
        while True:
            self._heard.clear()
            heard = hunt(request, bytes(self._received), echoed=self._echoes)
            if heard.answered:
                if not self._too_early(heard):
                    return heard
                early = self._came_early = True
                self.stats.skipped += 1
                del self._received[: heard.end]
                continue
            wait_s = deadline_s - self._now()
            if wait_s <= 0.0 or self._lost is not None:
                # of a write it may be the write itself, come back from a line where nobody is
                self._early_answers += early and not request.is_write
                return replace(heard, frames=heard.frames + early)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(wait_s):
                    await self._heard.wait()

    def _too_early(self, heard: Heard) -> bool:
        if self._last_byte_s >= self._sent_end_s + _EARLY * heard.size * self._char_s:
            self._early_answers = 0
            return False
        return self._early_answers < _EARLY_ANSWERS

    def _unanswered(self, request: Request, heard: Heard, owed: Owed) -> NoReturn:
        """Tell why there is no answer, and keep the line quiet for a late one.

        Raises:
            DeviceError: Always.
        """
        if self._lost is not None:
            raise DeviceAbsent(f"{self._label}, {request}: {self._lost}")
        self._quiet_until_s = self._now() + self._usual_quiet_s
        if heard.noise or heard.frames:
            self._silent = 0
            kind: type[DeviceError] = DeviceGarbled
            why = f"{heard.noise} bytes that are no frame, {heard.frames} frames that are no answer to it"
            shown = bytes(self._received[:24]).hex(" ")
            text = f"{why} within {self._timeout_s:g} s (received {shown}); look at wiring, baud, parity and unit ids"
        else:
            self._silent += 1
            kind, text = DeviceTimeout, f"no answer within {self._timeout_s:g} s"
            if owed.late_s > 0.0:
                quiet_s = min(_LATER_STILL * owed.late_s - self._timeout_s, _LONGEST_QUIET_S)
                self._quiet_until_s = max(self._quiet_until_s, self._now() + quiet_s)
                text += f"; one has come {owed.late_s:.2f} s after its request, so the time-out may be too short"
                # one that was late once must not cost the others so much for ever; if this is late too, it is seen
                owed.late_s = owed.late_s / 2.0 if owed.late_s > self._timeout_s else 0.0
            if self._silent >= _SILENT_REQUESTS and self._pipe.may_be_half_open:
                self._silent = 0
                self._pipe.close()
        raise kind(f"{self._label}, {request}: {text}")

    def _note_echo(self, request: Request, heard: Heard) -> None:
        """Learn whether the line gives back what is sent. Only a read can tell: a write's answer is the same bytes."""
        if request.is_write:
            return
        if heard.echo:
            self._echo_misses = 0
        elif heard.answered:
            self._echo_misses = min(self._echo_misses + 1, _ECHOES_MISSED)

    def _on_bytes(self, data: bytes) -> None:
        self._last_byte_s = self._now()
        self._received += data
        del self._received[:-_MOST_KEPT]
        self._heard.set()

    def _on_lost(self, why: str) -> None:
        self._lost = why
        self._heard.set()
