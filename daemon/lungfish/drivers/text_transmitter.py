"""Transmitters that speak lines of text: asked, or sending by themselves."""

from __future__ import annotations

import asyncio
import contextlib

from lungfish.config.model import TransmitterSpec
from lungfish.config.text_model import TextSpec
from lungfish.drivers.text_lines import LineSplitter, pressure_of
from lungfish.drivers.text_link import TextLink
from lungfish.errors import DeviceTimeout
from lungfish.ports import Clock, PressureSample

__all__ = ["AskedTransmitter", "StreamingTransmitter"]


class AskedTransmitter:
    """Implements `lungfish.ports.Transmitter`: a line counts when it came after its own question.

    Args:
        link: the line that it is on.
        spec: what the number means.
        text: what its lines are like, and what it is asked with.
        question: the same as bytes.
    """

    def __init__(self, link: TextLink, spec: TransmitterSpec, text: TextSpec, question: bytes) -> None:
        self._link = link
        self._spec = spec
        self._text = text
        self._question = question

    async def read(self) -> PressureSample:
        """Take one reading.

        Raises:
            DeviceError: No usable answer; never a stale value.
        """
        splitter = LineSplitter(self._text.ends, self._link.gap_s, whole=True)

        def hear(data: bytes, now_s: float) -> tuple[float, int] | None:
            for line in splitter.put(data, now_s):
                if (number := pressure_of(self._text, line.text)) is not None:
                    return number, line.size
            return None

        answer, sent_s, came_s = await self._link.ask(self._question, hear, what="reading")
        assert answer is not None  # noqa: S101 - it is waited for
        number, size = answer
        # the device looked between the end of the question and the beginning of its line
        heard_s = min(sent_s + len(self._question) * self._link.char_s, came_s)
        spoke_s = max(came_s - size * self._link.char_s, heard_s)
        gauge_pa = self._spec.offset_gauge_pa + self._spec.scale_pa * number
        return PressureSample(at_s=(heard_s + spoke_s) / 2.0, gauge_pa=gauge_pa, took_s=came_s - sent_s)


class StreamingTransmitter:
    """Implements `lungfish.ports.Transmitter`: each line counts once, and for a short time.

    Args:
        link: the line that it is on, alone.
        spec: what the number means.
        text: what its lines are like.
        clock: monotonic time.
    """

    def __init__(self, link: TextLink, spec: TransmitterSpec, text: TextSpec, clock: Clock) -> None:
        self._link = link
        self._spec = spec
        self._text = text
        self._now = clock.monotonic_s
        self._splitter = LineSplitter(text.ends, link.gap_s, whole=False)
        self._listens = False
        self._latest: PressureSample | None = None
        self._arrived = asyncio.Event()
        self.refused = 0
        """Whole lines that were none of this transmitter's, or that their checksum says are spoilt."""

    async def read(self) -> PressureSample:
        """The next line: one that has come since the last reading, if it is not too old, or the one that comes now.

        Raises:
            DeviceError: None comes; never a stale value.
        """
        if not self._listens:
            self._splitter = LineSplitter(self._text.ends, self._link.gap_s, whole=False)
            await self._link.listen(self._hear, self._lost)
            self._listens = True
        began_s = self._now()
        until_s = began_s + max(self._link.timeout_s, self._text.max_age_s)
        while True:
            sample, self._latest = self._latest, None
            if sample is not None and self._now() - sample.at_s <= self._text.max_age_s:
                return sample
            left_s = until_s - self._now()
            if left_s <= 0.0 or not self._listens:
                told = "" if self.refused == 0 else f" ({self.refused} lines so far were none of its own, or spoilt)"
                raise DeviceTimeout(f"{self._link.label}: no line within {until_s - began_s:g} s{told}")
            self._arrived.clear()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(left_s):
                    await self._arrived.wait()

    def _hear(self, data: bytes, now_s: float) -> None:
        for line in self._splitter.put(data, now_s):
            number = pressure_of(self._text, line.text)
            if number is None:
                self.refused += 1
                continue
            self._link.well()
            gauge_pa = self._spec.offset_gauge_pa + self._spec.scale_pa * number
            took_s = line.size * self._link.char_s
            self._latest = PressureSample(at_s=now_s - took_s, gauge_pa=gauge_pa, took_s=took_s)
            self._arrived.set()

    def _lost(self) -> None:
        self._listens, self._latest = False, None
        self._arrived.set()
