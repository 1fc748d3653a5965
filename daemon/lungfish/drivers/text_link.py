"""The owner of a serial line with a device that speaks text or bytes of its own: one question at a time.

Nothing in such an answer says which question it belongs to. So what has arrived before a question is thrown away, the
line must be silent when it is asked, and after a question without an answer it is left silent for twice the time-out,
or for twice as long as an answer has ever been late: what comes in that time is nobody's.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable
from typing import TypeVar

from lungfish.drivers.byte_pipe import BytePipe
from lungfish.drivers.troublelog import TroubleLog
from lungfish.errors import DeviceAbsent, DeviceError, DeviceGarbled, DeviceTimeout
from lungfish.ports import Clock

__all__ = ["TextLink"]

_log = logging.getLogger(__name__)
_Answer = TypeVar("_Answer")

_QUIET_TIMEOUTS = 2.0
_LATER_STILL = 2.0
_LONGEST_QUIET_S = 10.0
_GAP_CHARS = 20.0
_LEAST_GAP_S = 0.05
"""Adapters hand bytes over in lumps, some every 16 ms (common practice): shorter silences say nothing."""
_LISTEN_EVERY_S = 0.05
_SETTLE_S = 0.01
_SETTLE_WITHIN_S = 0.5
_SHOWN = 40


class TextLink:
    """Made inside the running loop.

    Args:
        name: name in the site file.
        label: what messages call it.
        pipe: the port.
        timeout_s: longest wait for an answer, s.
        char_s: time of one character on the wire, s.
        clock: monotonic time.
    """

    def __init__(self, name: str, label: str, pipe: BytePipe, timeout_s: float, char_s: float, clock: Clock) -> None:
        self.name = name
        self.label = label
        """What messages call it."""
        self.char_s = char_s
        """Time of one character on the wire, s."""
        self.timeout_s = timeout_s
        """Longest wait for an answer, s."""
        self.gap_s = max(_GAP_CHARS * char_s, _LEAST_GAP_S)
        """A silence so long within a line shows that it was cut short, s."""
        self._pipe = pipe
        self._now = clock.monotonic_s
        self._sleep_until = clock.sleep_until
        self._turn = asyncio.Lock()
        self._troubles = TroubleLog(_log, self._now)
        self._arrived = asyncio.Event()
        self._lost: str | None = None
        self._hear: Callable[[bytes, float], None] | None = None
        self._quiet_until_s = 0.0
        self._asked_s: float | None = None
        """When the question was asked that has no answer yet; None: there is none."""
        self._latest_s = 0.0
        self._last_byte_s = 0.0
        pipe.on_bytes = self._on_bytes
        pipe.on_lost = self._on_lost

    async def ask(
        self,
        question: bytes,
        hear: Callable[[bytes, float], _Answer | None] | None,
        *,
        what: str,
        urgent: bool = False,
    ) -> tuple[_Answer | None, float, float]:
        """Send something and wait for its answer.

        Args:
            question: what is sent.
            hear: given each piece that arrives after it, with its time; returns the answer once it is there. None:
                there is no answer.
            what: what messages call the question.
            urgent: it is sent at once, and once more when the line may be believed again, should it not be now.

        Returns:
            The answer, None without `hear`; when the question was sent, and when the answer had arrived, s.

        Raises:
            DeviceError: No answer; it may or may not have been heard.
        """
        async with self._turn:
            try:
                if urgent and self._now() < self._quiet_until_s:
                    await self._say(question)
                if hear is None:
                    return None, *(await self._say(question))
                answer = await self._asked(question, hear, what)
            except DeviceError as error:
                self._troubles.trouble(self.label, str(error))
                raise
            self._troubles.well(self.label)
            return answer

    async def listen(self, hear: Callable[[bytes, float], None], lost: Callable[[], None]) -> None:
        """Be told all that arrives from now on. Such a line can't be asked.

        Args:
            hear: given each piece with its time.
            lost: told when the port has gone; listening ends then.

        Raises:
            DeviceAbsent: It can't be opened.
        """
        async with self._turn:
            if not self._pipe.is_open:
                await self._pipe.open()
                self._lost = None
            self._hear = hear

            def gone(why: str) -> None:
                self._hear = None
                self._troubles.trouble(self.label, why)
                lost()

            self._pipe.on_lost = gone

    def well(self) -> None:
        """What is listened to is sound."""
        self._pipe.answered()
        self._troubles.well(self.label)

    async def close(self) -> None:
        """Let the question in flight end, and close the port."""
        async with self._turn:
            self._pipe.close()

    async def _say(self, question: bytes) -> tuple[float, float]:
        """Send something that is not answered, whatever is on the line."""
        if not self._pipe.is_open:
            await self._pipe.open()
        await self._pipe.take_turn()
        try:
            sent_s = self._now()
            await self._pipe.write(question)
            return sent_s, self._now()
        finally:
            self._pipe.end_turn()

    async def _asked(
        self, question: bytes, hear: Callable[[bytes, float], _Answer | None], what: str
    ) -> tuple[_Answer | None, float, float]:
        if not self._pipe.is_open:
            await self._pipe.open()
        await self._settle()
        await self._pipe.take_turn()
        try:
            await self._silence()
            self._lost = None
            answers: list[_Answer] = []
            heard = bytearray()

            def take(data: bytes, now_s: float) -> None:
                heard.extend(data[:_SHOWN])
                if not answers and (answer := hear(data, now_s)) is not None:
                    answers.append(answer)

            self._hear = take
            sent_s = self._now()
            self._asked_s = sent_s
            await self._pipe.write(question)
            await self._wait_for(answers, sent_s + len(question) * self.char_s + self.timeout_s)
            if answers:
                self._asked_s = None
                self._pipe.answered()
                return answers[0], sent_s, self._last_byte_s
            self._quiet()
            if self._lost is not None:
                raise DeviceAbsent(f"{self.label}, {what}: {self._lost}")
            if heard:
                shown = bytes(heard[:_SHOWN])
                raise DeviceGarbled(f"{self.label}, {what}: no answer among what came within the time-out: {shown!r}")
            raise DeviceTimeout(f"{self.label}, {what}: no answer within {self.timeout_s:g} s")
        except asyncio.CancelledError:
            self._quiet()
            raise
        finally:
            self._hear = self._late
            self._pipe.end_turn()

    async def _wait_for(self, answers: list[_Answer], until_s: float) -> None:
        while not answers and self._lost is None and (left_s := until_s - self._now()) > 0.0:
            self._arrived.clear()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(left_s):
                    await self._arrived.wait()

    def _quiet(self) -> None:
        wait_s = max(_QUIET_TIMEOUTS * self.timeout_s, _LATER_STILL * self._latest_s - self.timeout_s)
        self._quiet_until_s = self._now() + min(wait_s, _LONGEST_QUIET_S)

    def _late(self, _data: bytes, now_s: float) -> None:
        """What nobody waits for any more."""
        if self._asked_s is not None:
            self._latest_s = max(self._latest_s, now_s - self._asked_s)

    async def _settle(self) -> None:
        """After a question without an answer: leave the line alone, and listen to what is late."""
        while (now_s := self._now()) < self._quiet_until_s:
            await self._sleep_until(min(now_s + _LISTEN_EVERY_S, self._quiet_until_s))
            await self._pipe.take_turn()  # which tells what has come; others may have the line in between
            self._pipe.end_turn()
        self._asked_s = None

    async def _silence(self) -> None:
        """Throw away what has arrived, and wait until nothing does.

        Raises:
            DeviceGarbled: Something does without end.
        """
        until_s = self._now() + _SETTLE_WITHIN_S
        settle_s = max(_SETTLE_S, 4.0 * self.char_s)
        while True:
            self._pipe.discard()
            before_s = self._last_byte_s
            await self._sleep_until(self._now() + settle_s)
            if self._last_byte_s == before_s:
                return
            if self._now() >= until_s:
                raise DeviceGarbled(f"{self.label}: it is never silent; look for a device that sends by itself")

    def _on_bytes(self, data: bytes) -> None:
        self._last_byte_s = self._now()
        if self._hear is not None:
            self._hear(data, self._last_byte_s)
        self._arrived.set()

    def _on_lost(self, why: str) -> None:
        self._lost = why
        self._arrived.set()
