"""The owner of a serial line, in virtual time: nothing late, doubled or foreign is taken for an answer."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
from collections.abc import Awaitable, Callable, Sequence

import pytest
from tests.drivers.rtu_line import GAP_S, TIMEOUT_S, TURN_S, Asked, Line, Say, honest, link_on, rtu, tell

from lungfish.drivers.modbus_rtu import ModbusRtuLink
from lungfish.errors import DeviceAbsent, DeviceError, DeviceGarbled, DeviceRefused, DeviceTimeout
from lungfish.rig.virtual_loop import run_virtual

Scene = Callable[[ModbusRtuLink, Line], Awaitable[None]]


def on_a_line(scene: Scene, line: Line | None = None) -> Line:
    async def run() -> Line:
        bench = line or Line()
        link = link_on(bench)
        await scene(link, bench)
        await link.close()
        return bench

    return run_virtual(run())


async def read(link: ModbusRtuLink, address: int, unit: int = 1, count: int = 2) -> tuple[int, int]:
    return tell((await link.read_registers(unit=unit, table="input", address=address, count=count)).values)


def late_once(after_s: float) -> Callable[[Asked, bytes], Sequence[Say]]:
    """The first request is answered so late; all others at once."""

    def script(asked: Asked, right: bytes) -> Sequence[Say]:
        return (Say(after_s, right),) if asked.number == 1 else honest(asked, right)

    return script


def test_reads_and_writes_go_through() -> None:
    async def scene(link: ModbusRtuLink, line: Line) -> None:
        assert await read(link, 10) == (10, 1)
        await link.write_coil(unit=1, address=3, on=True)
        assert (await link.read_coil(unit=1, address=3)).values == (1,)
        await link.write_coil(unit=1, address=3, on=False)
        assert (await link.read_coil(unit=1, address=3)).values == (0,)
        await link.write_register(unit=1, address=5, value=0xABCD)
        reply = await link.read_registers(unit=1, table="holding", address=5, count=1)
        assert reply.values == (0xABCD,)

    on_a_line(scene)


def test_a_reading_is_stamped_when_the_device_looked() -> None:
    """Between the end of the request and the beginning of its answer, whatever the wire takes for both."""

    async def scene(link: ModbusRtuLink, line: Line) -> None:
        reply = await link.read_registers(unit=1, table="input", address=0, count=2)
        asked_end_s = line.asked[-1].at_s
        assert asked_end_s < reply.at_s < asked_end_s + TURN_S

    on_a_line(scene)


@pytest.mark.parametrize("after_s", [0.21, 0.25, 0.29, 0.31, 0.5, 1.0, 2.0, 4.5])
@pytest.mark.parametrize("wait_s", [0.0, 0.1, 0.4, 1.0])
def test_a_late_answer_is_never_the_answer_to_the_next_request(after_s: float, wait_s: float) -> None:
    """The two reads look alike on the wire but for the address: their answers tell neither address nor number."""

    async def scene(link: ModbusRtuLink, line: Line) -> None:
        with pytest.raises(DeviceTimeout):
            await read(link, 111)
        await asyncio.sleep(wait_s)
        for address in (222, 333, 222, 111):
            try:
                found = await read(link, address)
            except (DeviceTimeout, DeviceGarbled):
                continue  # no answer is no wrong answer
            assert found == (address, line.asked[-1].number)
        await asyncio.sleep(5.0)
        assert await read(link, 111) == (111, line.asked[-1].number)

    on_a_line(scene, Line(script=late_once(after_s)))


def test_a_device_that_is_always_too_late_never_gives_a_value_and_the_reason_is_told() -> None:
    told: list[str] = []

    async def scene(link: ModbusRtuLink, line: Line) -> None:
        for address in range(10):
            with pytest.raises(DeviceTimeout) as error:
                await read(link, address)
            told.append(str(error.value))

    on_a_line(scene, Line(script=lambda _, right: (Say(TIMEOUT_S + 0.05, right),)))
    assert "the time-out may be too short" in told[-1]


def test_the_same_question_twice_is_not_answered_by_the_first_ones_answer() -> None:
    """No byte tells the two answers apart. So a question of another kind goes first: devices answer in order."""

    async def scene(link: ModbusRtuLink, line: Line) -> None:
        with pytest.raises(DeviceTimeout):
            await read(link, 111)
        assert await read(link, 111) == (111, 3)
        assert [(asked.function, asked.operand) for asked in line.asked] == [(4, 2), (4, 1), (4, 2)]

    on_a_line(scene, Line(script=lambda asked, right: () if asked.number == 1 else honest(asked, right)))


def test_a_device_that_refuses_the_other_question_is_asked_a_third() -> None:
    def script(asked: Asked, right: bytes) -> Sequence[Say]:
        if asked.number == 1:
            return ()
        if (asked.function, asked.operand) != (4, 2):
            return (Say(TURN_S, rtu(bytes((asked.unit, asked.function | 0x80, 1)))),)
        return honest(asked, right)

    async def scene(link: ModbusRtuLink, line: Line) -> None:
        with pytest.raises(DeviceTimeout):
            await read(link, 111)
        assert await read(link, 111) == (111, 4)
        assert [asked.function for asked in line.asked] == [4, 4, 3, 4]

    on_a_line(scene, Line(script=script))


def test_a_late_refusal_does_not_settle_what_is_owed() -> None:
    """An exception tells only its function: the late one of the first request looks like one to the second question."""

    def script(asked: Asked, right: bytes) -> Sequence[Say]:
        if asked.number == 1:
            return (Say(0.45, rtu(bytes((1, 0x84, 6)))),)
        return honest(asked, right)

    async def scene(link: ModbusRtuLink, line: Line) -> None:
        with pytest.raises(DeviceTimeout):
            await read(link, 111)
        for address in (1, 2, 3, 4):
            try:
                assert await read(link, address) == (address, line.asked[-1].number)
            except DeviceError:
                continue

    on_a_line(scene, Line(script=script))


def test_a_device_back_from_the_dead_is_found_again() -> None:
    alive = False

    def script(asked: Asked, right: bytes) -> Sequence[Say]:
        return honest(asked, right) if alive else ()

    async def scene(link: ModbusRtuLink, line: Line) -> None:
        nonlocal alive
        for _ in range(200):
            with pytest.raises(DeviceTimeout):
                await read(link, 1)
            await asyncio.sleep(0.05)
        alive = True
        began_s = asyncio.get_running_loop().time()
        while True:
            try:
                assert await read(link, 1) == (1, line.asked[-1].number)
                break
            except DeviceTimeout:
                await asyncio.sleep(0.05)
        assert asyncio.get_running_loop().time() - began_s < 5.5

    on_a_line(scene, Line(script=script))


def test_an_order_to_shut_goes_out_at_once_whatever_is_owed() -> None:
    def script(asked: Asked, right: bytes) -> Sequence[Say]:
        return honest(asked, right) if asked.function == 5 else ()

    async def scene(link: ModbusRtuLink, line: Line) -> None:
        for _ in range(6):
            with pytest.raises(DeviceTimeout):
                await read(link, 1)
        before_s = asyncio.get_running_loop().time()
        await link.write_coil(unit=1, address=0, on=False)
        assert asyncio.get_running_loop().time() - before_s < 0.3

    on_a_line(scene, Line(script=script))


def test_the_late_echo_of_open_does_not_confirm_shut() -> None:
    async def scene(link: ModbusRtuLink, line: Line) -> None:
        with pytest.raises(DeviceTimeout):
            await link.write_coil(unit=1, address=3, on=True)
        line.script = lambda _asked, _right: ()  # the order to shut is lost
        with pytest.raises(DeviceError):
            await link.write_coil(unit=1, address=3, on=False)

    on_a_line(scene, Line(script=late_once(TIMEOUT_S + 0.15)))


@pytest.mark.parametrize("noise", ["00", "ff 04", "01 03 02", "00 ff 00 ff 00 ff", "01 04 04 00"])
def test_noise_before_an_answer_does_not_cost_it(noise: str) -> None:
    async def scene(link: ModbusRtuLink, line: Line) -> None:
        assert await read(link, 9) == (9, 1)
        assert (link.stats.timeouts, link.stats.garbled) == (0, 0)

    on_a_line(scene, Line(script=lambda _, right: (Say(TURN_S, bytes.fromhex(noise)), Say(0.0, right))))


def test_a_pause_within_a_frame_does_not_cost_it() -> None:
    async def scene(link: ModbusRtuLink, line: Line) -> None:
        assert await read(link, 9) == (9, 1)

    on_a_line(scene, Line(script=lambda _, right: (Say(TURN_S, right[:4]), Say(0.02, right[4:]))))


def test_a_line_that_echoes_is_learned_and_its_echo_confirms_no_write() -> None:
    async def scene(link: ModbusRtuLink, line: Line) -> None:
        assert await read(link, 9) == (9, 1)
        line.script = lambda _asked, _right: ()  # nobody there: all that comes back is our own
        with pytest.raises(DeviceTimeout):
            await link.write_coil(unit=1, address=3, on=False)

    on_a_line(scene, Line(echo=True))


@pytest.mark.parametrize("after_s", [0.0, 0.001, 0.003, 0.005, 0.006])
def test_what_comes_doubled_is_thrown_away(after_s: float) -> None:
    """In the silence before the next request, or while that goes out: earlier than its own answer could be there."""

    async def scene(link: ModbusRtuLink, line: Line) -> None:
        for address in range(20):
            assert await read(link, address) == (address, address + 1)

    on_a_line(scene, Line(script=lambda _, right: (Say(TURN_S, right), Say(after_s, right))))


def test_every_request_waits_for_the_silence_of_the_standard() -> None:
    """V1.02, section 2.5.1.1: at least 3.5 characters between frames; whoever sends earlier talks into another's."""

    async def scene(link: ModbusRtuLink, line: Line) -> None:
        await asyncio.gather(*(read(link, address, unit=1 + address % 3) for address in range(30)))

    line = on_a_line(scene)
    spoken = sorted(line.spoken)
    gaps = [later[0] - earlier[1] for earlier, later in itertools.pairwise(spoken)]
    assert min(gaps) >= GAP_S - 1e-9
    assert len(spoken) == 60


def test_a_damaged_answer_is_told_as_such_and_the_next_is_sound() -> None:
    def script(asked: Asked, right: bytes) -> Sequence[Say]:
        return (Say(TURN_S, right[:-1] + bytes((right[-1] ^ 1,))),) if asked.number == 1 else honest(asked, right)

    async def scene(link: ModbusRtuLink, line: Line) -> None:
        with pytest.raises(DeviceGarbled, match="look at wiring, baud, parity"):
            await read(link, 1)
        assert await read(link, 1) == (1, 3)

    on_a_line(scene, Line(script=script))


def test_a_refusal_is_told_with_its_reason() -> None:
    async def scene(link: ModbusRtuLink, line: Line) -> None:
        with pytest.raises(DeviceRefused, match="illegal data address"):
            await read(link, 1)

    on_a_line(scene, Line(script=lambda asked, _: (Say(TURN_S, rtu(bytes((asked.unit, 0x84, 2)))),)))


def test_a_caller_that_gives_up_while_the_line_is_left_quiet_has_its_order_not_sent() -> None:
    """An order to open must not come after the order to shut."""

    async def scene(link: ModbusRtuLink, line: Line) -> None:
        with pytest.raises(DeviceTimeout):
            await read(link, 1)
        opening = asyncio.create_task(link.write_coil(unit=2, address=3, on=True))
        await asyncio.sleep(0.01)
        opening.cancel()
        line.script = honest
        await link.write_coil(unit=2, address=3, on=False)
        assert [asked.operand for asked in line.asked if asked.function == 5] == [0]

    on_a_line(scene, Line(script=lambda _asked, _right: ()))


def test_a_port_pulled_out_ends_the_request_at_once_and_is_opened_again() -> None:
    async def scene(link: ModbusRtuLink, line: Line) -> None:
        assert await read(link, 1) == (1, 1)
        line.script = lambda _asked, _right: ()
        asking = asyncio.create_task(read(link, 2))
        await asyncio.sleep(0.02)
        line.lose()
        with pytest.raises(DeviceAbsent, match="hung up"):
            await asking
        line.script = honest
        assert await read(link, 3) == (3, line.asked[-1].number)
        assert line.opened == 2

    on_a_line(scene)


def test_a_line_that_is_never_silent_does_not_hold_up_an_order_for_ever() -> None:
    async def scene(link: ModbusRtuLink, line: Line) -> None:
        assert await read(link, 1) == (1, 1)
        loop = asyncio.get_running_loop()

        async def babble() -> None:
            while True:
                line.on_bytes(b"\x55")
                await asyncio.sleep(0.0005)

        babbling = asyncio.create_task(babble())
        await asyncio.sleep(0.01)
        began_s = loop.time()
        with contextlib.suppress(DeviceError):  # its echo may be lost in the babble
            await link.write_coil(unit=1, address=0, on=False)
        assert line.outputs == {(1, 5, 0): 0}
        assert line.asked[-1].at_s - began_s < 2.0 * TIMEOUT_S
        babbling.cancel()

    on_a_line(scene)


def test_an_answer_that_was_late_once_does_not_hold_up_the_line_for_ever() -> None:
    async def scene(link: ModbusRtuLink, line: Line) -> None:
        loop = asyncio.get_running_loop()
        with pytest.raises(DeviceTimeout):
            await read(link, 1)
        await asyncio.sleep(5.0)
        line.script = lambda asked, right: () if asked.unit == 1 else honest(asked, right)
        took = []
        for _ in range(4):
            with pytest.raises(DeviceTimeout):
                await read(link, 1)
            began_s = loop.time()
            await read(link, 1, unit=2)
            took.append(loop.time() - began_s)
            await asyncio.sleep(6.0)
        assert took[-1] <= 0.5 * TIMEOUT_S + 0.05

    on_a_line(scene, Line(script=late_once(2.0)))


def test_where_only_the_own_order_comes_back_nothing_is_ever_confirmed() -> None:
    async def scene(link: ModbusRtuLink, line: Line) -> None:
        for _ in range(10):
            with pytest.raises(DeviceError):
                await link.write_coil(unit=1, address=3, on=False)
        line.script = honest
        await asyncio.sleep(6.0)
        await link.write_coil(unit=1, address=3, on=False)
        assert (await link.read_coil(unit=1, address=3)).values == (0,)

    on_a_line(scene, Line(script=lambda _asked, _right: (), echo=True))


def test_a_fast_line_is_learned_from_orders_alone() -> None:
    """A valve is shut before anything is read: its module must not stay unconfirmed for ever."""

    async def scene(link: ModbusRtuLink, line: Line) -> None:
        async def write(data: bytes) -> None:
            size = (data[5] + 7) // 8 if data[1] in (1, 2) else 2 * data[5]
            line.on_bytes(data if data[1] == 5 else rtu(bytes((data[0], data[1], size)) + bytes(size)))

        line.write = write  # type: ignore[method-assign]
        for _ in range(10):
            with contextlib.suppress(DeviceError):
                await link.write_coil(unit=1, address=3, on=False)
                break
            await asyncio.sleep(1.0)
        else:
            raise AssertionError("never confirmed")

    on_a_line(scene)


def test_a_line_that_is_faster_than_its_rate_is_learned() -> None:
    """Adapters and modules that are no true serial lines answer at once, whatever rate was set."""

    async def scene(link: ModbusRtuLink, line: Line) -> None:
        async def write(data: bytes) -> None:
            unit, function, count = data[0], data[1], data[5]
            line.on_bytes(rtu(bytes((unit, function, 2 * count)) + data[2:4] + bytes(2 * count - 2)))

        line.write = write  # type: ignore[method-assign]
        for address in range(3):
            with pytest.raises(DeviceGarbled):
                await read(link, address)
        await asyncio.sleep(5.0)
        began_s = asyncio.get_running_loop().time()
        for address in range(10):
            assert await read(link, address) == (address, 0)
        assert asyncio.get_running_loop().time() - began_s < 10 * 2 * GAP_S

    on_a_line(scene)
