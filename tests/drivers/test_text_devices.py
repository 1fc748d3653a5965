"""Transmitters and relay boards that speak text: no stale, late, doubled, foreign, spoilt or cut line is a pressure.

A million of such frames with `pytest -m campaign -s tests/drivers/test_text_devices.py`; some thousands without.
"""

from __future__ import annotations

import asyncio
import random
import re
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from typing import Any, TypeVar

import pytest
from tests.drivers.specs import transmitter_spec
from tests.drivers.text_line import FakePipe
from tests.peer.text_peers import crc_modbus, xor_of

from lungfish.app.clock import LoopClock
from lungfish.config.text_model import Checksum, RelaySpec, TextSpec
from lungfish.core.events import ValveState
from lungfish.drivers.relay import RelayValve
from lungfish.drivers.text_link import TextLink
from lungfish.drivers.text_transmitter import AskedTransmitter, StreamingTransmitter
from lungfish.errors import DeviceAbsent, DeviceError, DeviceGarbled, DeviceRefused, DeviceTimeout
from lungfish.rig.virtual_loop import run_virtual

TIMEOUT_S = 0.1
_T = TypeVar("_T")
Answers = Callable[[bytes], list[tuple[float, bytes]]]


def text_spec(ask: bytes | None, checksum: Checksum) -> TextSpec:
    return TextSpec(
        ask=ask,
        pattern=re.compile(r"(?P<body>(?P<value>\d{8}\.\d))\*(?P<checksum>[0-9A-F]+)"),
        ends=b"\n",
        checksum=checksum,
        max_age_s=0.5,
        units_pa={},
    )


def line_of(value: float, checksum: Checksum) -> bytes:
    body = f"{value:010.1f}".encode()
    made = crc_modbus(body) if checksum is Checksum.CRC16 else xor_of(body)
    return body + (b"*%04X\r\n" if checksum is Checksum.CRC16 else b"*%02X\r\n") % made


def value_of(line: bytes, checksum: Checksum) -> float | None:
    """The number of a line that is sound by its checksum; written here once more, with no code of ours."""
    body, star, digits = line.rstrip(b"\r").partition(b"*")
    if not star or re.fullmatch(rb"\d{8}\.\d", body) is None:
        return None
    return float(body) if line_of(float(body), checksum).rstrip() == body + b"*" + digits else None


def asked_on(answer: Answers) -> tuple[AskedTransmitter, FakePipe]:
    pipe = FakePipe(answer)
    link = TextLink("line", "link line", pipe, TIMEOUT_S, 1e-4, LoopClock())
    return AskedTransmitter(link, transmitter_spec(), text_spec(b"P?\r", Checksum.CRC16), b"P?\r"), pipe


def virtually(work: Coroutine[Any, Any, _T]) -> _T:
    return run_virtual(work)


def test_an_answer_is_stamped_between_question_and_line() -> None:
    async def work() -> None:
        transmitter, pipe = asked_on(lambda _q: [(0.02, b"0000"), (0.03, line_of(123.4, Checksum.CRC16)[4:])])
        clock = LoopClock()
        began_s = clock.monotonic_s()
        sample = await transmitter.read()
        assert pipe.written == [b"P?\r"]
        assert sample.gauge_pa == 123.4
        assert began_s < sample.at_s - sample.took_s / 2.0 + 0.01
        assert sample.took_s == pytest.approx(0.03, abs=1e-6)

    virtually(work())


def test_what_came_before_the_question_is_thrown_away() -> None:
    async def work() -> None:
        transmitter, pipe = asked_on(lambda _q: [(0.05, line_of(2.0, Checksum.CRC16))])
        pipe.arrive(0.0, line_of(1.0, Checksum.CRC16))
        pipe.arrive(0.005, line_of(1.5, Checksum.CRC16))
        assert (await transmitter.read()).gauge_pa == 2.0
        pipe.arrive(0.0, line_of(1.0, Checksum.CRC16))
        await asyncio.sleep(0.3)
        assert (await transmitter.read()).gauge_pa == 2.0

    virtually(work())


def test_a_late_answer_is_nobody_s() -> None:
    async def work() -> None:
        delays = [1.5 * TIMEOUT_S, 0.01, 2.9 * TIMEOUT_S, 0.01]
        count = 0

        def answer(_question: bytes) -> list[tuple[float, bytes]]:
            nonlocal count
            count += 1
            return [(delays[count - 1], line_of(float(count), Checksum.CRC16))]

        transmitter, _ = asked_on(answer)
        for number in (1, 3):
            with pytest.raises(DeviceTimeout):
                await transmitter.read()
            assert (await transmitter.read()).gauge_pa == number + 1.0

    virtually(work())


def test_a_line_that_is_never_silent_is_told() -> None:
    async def work() -> None:
        transmitter, pipe = asked_on(lambda _q: [])

        async def babble() -> None:
            while True:
                pipe.arrive(0.0, b"x")
                await asyncio.sleep(0.004)

        babbling = asyncio.create_task(babble())
        with pytest.raises(DeviceGarbled, match="never silent"):
            await transmitter.read()
        babbling.cancel()

    virtually(work())


def test_a_port_that_has_gone_is_told_at_once_and_comes_back() -> None:
    async def work() -> None:
        transmitter, pipe = asked_on(lambda _q: [] if pipe_goes else [(0.01, line_of(5.0, Checksum.CRC16))])
        pipe_goes = True
        asyncio.get_running_loop().call_later(0.05, pipe.lose)
        with pytest.raises(DeviceAbsent, match="has gone"):
            await transmitter.read()
        with pytest.raises(DeviceAbsent):
            await transmitter.read()
        pipe_goes, pipe.gone = False, False
        assert (await transmitter.read()).gauge_pa == 5.0

    virtually(work())


def streaming_on() -> tuple[StreamingTransmitter, FakePipe]:
    pipe = FakePipe(lambda _q: [])
    link = TextLink("line", "link line", pipe, TIMEOUT_S, 1e-4, LoopClock())
    asyncio.get_running_loop().create_task(pipe.take_turn())  # alone on its line: told all that comes
    return StreamingTransmitter(link, transmitter_spec(), text_spec(None, Checksum.XOR), LoopClock()), pipe


def test_a_streamed_line_counts_once_and_only_while_it_is_young() -> None:
    async def work() -> None:
        transmitter, pipe = streaming_on()
        for k in range(4):
            pipe.arrive(0.1 * (k + 1), line_of(float(k), Checksum.XOR))
        assert (await transmitter.read()).gauge_pa == 1.0, "the first may have begun before we listened"
        assert (await transmitter.read()).gauge_pa == 2.0
        await asyncio.sleep(2.0)
        with pytest.raises(DeviceTimeout):
            await transmitter.read()  # 3.0 is two seconds old by now
        pipe.arrive(0.1, line_of(9.0, Checksum.XOR))
        assert (await transmitter.read()).gauge_pa == 9.0
        with pytest.raises(DeviceTimeout):
            await transmitter.read()

    virtually(work())


def test_a_stream_whose_port_goes_is_listened_to_again() -> None:
    async def work() -> None:
        transmitter, pipe = streaming_on()
        pipe.arrive(0.1, b"\n" + line_of(1.0, Checksum.XOR))
        assert (await transmitter.read()).gauge_pa == 1.0
        pipe.arrive(0.0, b"0000")
        asyncio.get_running_loop().call_later(0.1, pipe.lose)
        with pytest.raises(DeviceTimeout):
            await transmitter.read()
        pipe.gone = False
        pipe.arrive(0.1, b"0007.0*00\n" + line_of(2.0, Checksum.XOR))
        assert (await transmitter.read()).gauge_pa == 2.0

    virtually(work())


class Board:
    """One relay: `ON`, `OFF`, `?`; answers `is ON`, `is OFF`."""

    def __init__(self, *, asks: bool = True, answers: bool = True) -> None:
        self.is_open = False
        self.silent = self.stuck = False
        self.pipe = FakePipe(self._answer)
        self.spec = RelaySpec(
            open=b"ON\r",
            shut=b"OFF\r",
            ask=b"?\r" if asks else None,
            open_answer=b"is ON\r" if answers else None,
            shut_answer=b"is OFF\r" if answers else None,
        )
        link = TextLink("line", "link line", self.pipe, TIMEOUT_S, 1e-4, LoopClock())
        self.valve = RelayValve(link, "relay", self.spec, LoopClock().monotonic_s)
        self._answers_all = answers and not asks

    def _answer(self, said: bytes) -> list[tuple[float, bytes]]:
        if said in (b"ON\r", b"OFF\r") and not self.stuck:
            self.is_open = said == b"ON\r"
        if self.silent or not (said == b"?\r" or self._answers_all):
            return []
        return [(0.01, b"is ON\r" if self.is_open else b"is OFF\r")]


@pytest.mark.parametrize(("asks", "answers"), [(True, True), (False, True), (False, False)])
def test_a_board_is_told_and_believed_as_far_as_it_speaks(asks: bool, answers: bool) -> None:
    async def work() -> None:
        board = Board(asks=asks, answers=answers)
        assert (await board.valve.command(ValveState.SHUT)).state is ValveState.SHUT
        for state in (ValveState.OPEN, ValveState.SHUT):
            assert (await board.valve.command(state)).state is state
            assert (await board.valve.observe()).state is state
            assert board.is_open is (state is ValveState.OPEN)
        with pytest.raises(ValueError, match="unknown"):
            await board.valve.command(ValveState.UNKNOWN)

    virtually(work())


def test_a_board_that_does_not_follow_is_refused_and_one_that_is_silent_is_unknown() -> None:
    async def work() -> None:
        board = Board()
        await board.valve.command(ValveState.OPEN)
        board.stuck = True
        with pytest.raises(DeviceRefused, match="it says that it is open"):
            await board.valve.command(ValveState.SHUT)
        board.silent = True
        with pytest.raises(DeviceTimeout):
            await board.valve.command(ValveState.SHUT)
        with pytest.raises(DeviceTimeout):
            await board.valve.observe()

    virtually(work())


def test_a_board_without_a_word_is_unknown_after_a_failure_and_until_it_was_told() -> None:
    async def work() -> None:
        board = Board(asks=False, answers=False)
        assert (await board.valve.observe()).state is ValveState.UNKNOWN
        await board.valve.command(ValveState.SHUT)
        assert (await board.valve.observe()).state is ValveState.SHUT
        board.pipe.gone = True
        with pytest.raises(DeviceAbsent):
            await board.valve.command(ValveState.OPEN)
        assert (await board.valve.observe()).state is ValveState.UNKNOWN

    virtually(work())


def test_an_order_to_shut_goes_out_at_once_though_the_line_is_left_silent() -> None:
    async def work() -> None:
        board = Board(asks=False)
        await board.valve.command(ValveState.OPEN)
        board.silent = True
        with pytest.raises(DeviceTimeout):
            await board.valve.command(ValveState.OPEN)
        board.silent = False
        shutting = asyncio.create_task(board.valve.command(ValveState.SHUT))
        await asyncio.sleep(0.001)
        assert not board.is_open
        assert not shutting.done(), "and it is believed only when what is late has passed"
        assert (await shutting).state is ValveState.SHUT

    virtually(work())


@dataclass
class Tally:
    """What a campaign has seen."""

    frames: int = 0
    taken: int = 0
    let_through: int = 0
    """Spoilt lines that the checksum itself takes for sound."""
    wrong: list[str] = field(default_factory=list)


def spoil(rng: random.Random, line: bytes) -> bytes:
    """A line with bits turned over, bytes lost, doubled, or put in."""
    data = bytearray(line)
    for _ in range(rng.randint(1, 3)):
        at = rng.randrange(len(data))
        match rng.randrange(4):
            case 0:
                data[at] ^= 1 << rng.randrange(8)
            case 1:
                del data[at]
            case 2:
                data.insert(at, data[at])
            case _:
                data.insert(at, rng.choice(b"0123456789.*\n\r\x00\xff"))
        if not data:
            break
    return bytes(data)


async def _asked_campaign(frames: int, rng: random.Random, checksum: Checksum) -> Tally:
    tally = Tally()
    value = 0.0
    heard = b""

    def answer(_question: bytes) -> list[tuple[float, bytes]]:
        nonlocal value, heard
        value = round(value + 1.1, 1)
        line = line_of(value, checksum)
        tally.frames += 1
        soon_s = rng.uniform(0.002, 0.04)
        match rng.randrange(8):
            case 0:
                sent = [(soon_s, spoil(rng, line))]
            case 1:
                sent = [(rng.uniform(1.0, 2.9) * TIMEOUT_S, line)]
            case 2:
                sent = [(soon_s, line), (soon_s, line)]
            case 3:
                sent = [(soon_s, b"T=%07d\r\n" % rng.randrange(10**7)), (soon_s + 0.01, line)]
            case 4:
                sent = [(soon_s, line[: rng.randrange(len(line))])]
            case 5:
                cut = rng.randrange(1, len(line))
                sent = [(soon_s, line[:cut]), (soon_s + 0.02, line[cut:])]
            case 6:
                sent = [(soon_s, line_of(rng.uniform(0, 9e6), checksum)[rng.randrange(1, 12) :] + line)]
            case _:
                sent = [(soon_s, line)]
        heard = b"".join(piece for _, piece in sent)
        return sent

    pipe = FakePipe(answer)
    link = TextLink("line", "link line", pipe, TIMEOUT_S, 1e-4, LoopClock())
    transmitter = AskedTransmitter(link, transmitter_spec(), text_spec(b"P?\r", checksum), b"P?\r")
    while tally.frames < frames:
        try:
            gauge_pa = (await transmitter.read()).gauge_pa
        except DeviceError:
            continue
        tally.taken += 1
        if gauge_pa == value:
            continue
        sound = [value_of(line, checksum) for line in heard.split(b"\n")]
        if gauge_pa in sound:
            tally.let_through += 1
        else:
            tally.wrong.append(f"{gauge_pa} for {value}, heard {heard!r}")
    return tally


async def _stream_campaign(frames: int, rng: random.Random, checksum: Checksum) -> Tally:
    tally = Tally()
    pipe = FakePipe(lambda _q: [])
    link = TextLink("line", "link line", pipe, TIMEOUT_S, 1e-4, LoopClock())
    transmitter = StreamingTransmitter(link, transmitter_spec(), text_spec(None, checksum), LoopClock())
    await pipe.take_turn()
    sent: list[tuple[float, float]] = []
    bytes_sent = bytearray()
    now = LoopClock().monotonic_s

    async def send() -> None:
        value = 0.0
        while True:
            await asyncio.sleep(rng.choice((0.02, 0.05, 0.1, 0.1, 0.8)))
            value = round(value + 1.1, 1)
            line = line_of(value, checksum)
            tally.frames += 1
            sent.append((now(), value))
            del sent[:-50]
            match rng.randrange(6):
                case 0:
                    line = spoil(rng, line)
                case 1:
                    line = line[: rng.randrange(len(line))]
                case 2:
                    line = line + line
                case 3:
                    line = b"T=%07d\r\n" % rng.randrange(10**7) + line
                case 4:
                    line = line[rng.randrange(1, len(line)) :]
                case _:
                    pass
            if len(sent) > 1 and sent[-1][0] - sent[-2][0] >= link.gap_s - 1e-9:
                bytes_sent.extend(b"\n")  # a silence ends a line too: what follows it may be sound by its checksum
            bytes_sent.extend(line)
            del bytes_sent[:-4000]
            pipe.arrive(0.0, line)

    sending = asyncio.create_task(send())
    while tally.frames < frames:
        if rng.random() < 0.02:
            await asyncio.sleep(rng.uniform(0.0, 3.0))
        try:
            gauge_pa = (await transmitter.read()).gauge_pa
        except DeviceError:
            continue
        tally.taken += 1
        young = [value for at_s, value in sent if now() - at_s <= 0.55]
        if gauge_pa in young:
            continue
        if gauge_pa in [value_of(line, checksum) for line in bytes(bytes_sent).split(b"\n")] and gauge_pa not in [
            value for _, value in sent
        ]:
            tally.let_through += 1
        else:
            tally.wrong.append(f"{gauge_pa} at {now():.3f}, young were {young}")
    sending.cancel()
    return tally


@pytest.mark.parametrize(
    "frames",
    [
        pytest.param(1500, id="some"),
        pytest.param(250_000, id="all", marks=[pytest.mark.campaign, pytest.mark.timeout(7200)]),
    ],
)
def test_no_wrong_value_beyond_what_the_checksum_itself_lets_through(frames: int) -> None:
    told, wrong = [], []
    for checksum in (Checksum.CRC16, Checksum.XOR):
        for name, campaign in (("asked", _asked_campaign), ("streaming", _stream_campaign)):
            tally = virtually(campaign(frames, random.Random(7), checksum))
            told.append(
                f"{name}, {checksum.value}: {tally.frames} frames, {tally.taken} values taken, "
                f"{tally.let_through} spoilt ones that the checksum takes for sound, {len(tally.wrong)} wrong"
            )
            wrong += tally.wrong
            assert tally.taken > frames // 5
    print("\n" + "\n".join(told))
    assert wrong == []
