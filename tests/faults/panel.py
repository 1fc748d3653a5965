"""An I/O block in memory, with simulated plants behind it: the right answers, and every wrong way of giving them."""

from __future__ import annotations

import asyncio
import math
import random
import struct
from collections.abc import Sequence
from dataclasses import dataclass

from lungfish.config import Site, Tank
from lungfish.config.model import Output
from lungfish.rig.plant import Plant
from lungfish.rig.registers import registers_of_pressure
from tests.faults.wire import Wire
from tests.peer.faults import faults as ways_to_answer
from tests.peer.faulty_peer import Asked, Close, Pause, Step, frame

__all__ = ["BlockFaults", "LinkFaults", "Panel"]

TAKES_S = 0.006
"""From request to answer when all is well."""
_WAYS = ways_to_answer()
_READS, _WRITES = (1, 3, 4), (5, 6)
_ILLEGAL_ADDRESS = 2


@dataclass(slots=True, kw_only=True)
class LinkFaults:
    """What is wrong between daemon and I/O block; to be changed while it runs."""

    refused: bool = False
    """Connections are refused."""
    unreachable: bool = False
    """Connections never come about: the host does not answer at all."""
    closed_at_once: bool = False
    """Connections are accepted and closed."""
    cut: bool = False
    """Connections that stand do so in name only: nothing comes through either way."""
    silent_unit: int | None = None
    """This unit does not answer."""
    deaf_to: str = ""
    """These requests are lost on the way: `shut`, `open`, `writes`, `reads`; empty for none."""
    requests_lost_share: float = 0.0
    """Share of requests that are lost on the way."""
    answers_lost_share: float = 0.0
    """Share of requests that are carried out, but their answers are lost."""
    late_s: float = 0.0
    """Answers are late by this, s."""
    late_share: float = 1.0
    """Share of the answers that are."""
    answers: str = ""
    """The name of a way to answer wrongly, of `tests/peer/faults.py`; empty for right answers."""
    answers_share: float = 1.0
    """Share of the requests that are answered so."""
    answers_to: str = "all"
    """Which are: `all`, `reads`, `writes`."""


@dataclass(slots=True, kw_only=True)
class BlockFaults:
    """What is wrong with the I/O block or its registers; to be changed while it runs."""

    coil_reads: bool | None = None
    """What reading the output back says, whatever it is; None: the truth."""
    coil_ignores: str = ""
    """Writes to it are echoed and change nothing: `all`, `open`, `shut`; empty for none."""
    coil_opens_itself: bool = False
    """Set: another hand opens the output once."""
    coil_drops_after_s: float = 0.0
    """The output falls back to shut so long after it was opened, s; 0: it holds."""
    restart_s: float = 0.0
    """Set: the block restarts once, and is away so long, s; 0: it does not."""
    restart_coil: bool = False
    """What the output is while and after it restarts."""
    restart_reads_pa: float = math.nan
    """What the register holds for the first seconds after a restart, Pa."""
    write_exception: int = 0
    """Exception code that writes are answered with; 0 for none."""
    read_exception: int = 0
    """Exception code that reads of the pressure are answered with; 0 for none."""
    registers: str = ""
    """What the pressure's registers hold: `nan`, `infinite`, `swapped`, `bytes-swapped`, `zeros`, `ones`, `frozen`."""


class Panel:
    """Everything behind one link. Make it inside the running loop."""

    def __init__(self, site: Site, plants: dict[str, Plant], seed: int) -> None:
        self.link = LinkFaults()
        self.block = BlockFaults()
        self.longest_open_s = dict.fromkeys(plants, 0.0)
        """Longest time that an output was on, s, by tank."""
        self._opened_s: dict[str, float] = {}
        self._tanks = list(site.tanks.values())
        self._plants = plants
        self._loop = asyncio.get_running_loop()
        self._random = random.Random(seed)
        self._queues: dict[Wire, asyncio.Queue[bytes]] = {}
        self._tasks: dict[Wire, asyncio.Task[None]] = {}
        self._asked = 0
        self._away_until_s = self._cold_until_s = -math.inf
        self._held_words: dict[str, tuple[int, ...]] = {}

    # -- the listener

    async def accept(self) -> None:
        if self.link.unreachable:
            await asyncio.Event().wait()
        if self.link.refused or self._loop.time() < self._away_until_s:
            raise ConnectionRefusedError

    def attach(self, wire: Wire) -> None:
        if self.link.closed_at_once:
            self._loop.call_soon(wire.hang_up)
            return
        self._queues[wire] = asyncio.Queue()
        self._tasks[wire] = asyncio.create_task(self._serve(wire), name="panel")

    def received(self, wire: Wire, data: bytes) -> None:
        if wire in self._queues:
            self._queues[wire].put_nowait(data)

    def detached(self, wire: Wire) -> None:
        self._queues.pop(wire, None)
        task = self._tasks.pop(wire, None)
        if task is not None and task is not asyncio.current_task():
            task.cancel()

    def _hang_up(self, wire: Wire) -> None:
        self.detached(wire)
        wire.hang_up()

    def close(self) -> None:
        """Drop every connection."""
        for wire in list(self._tasks):
            self._hang_up(wire)

    # -- what happens by itself

    def disturb(self) -> None:
        """Let what a fault does once happen now."""
        if self.block.coil_opens_itself:
            for tank in self._tanks:
                self._move(tank, True)
            self._opened_s.clear()  # nobody here opened it
        if self.block.restart_s > 0:
            self._away_until_s = self._loop.time() + self.block.restart_s
            self._cold_until_s = self._away_until_s + 5.0
            for tank in self._tanks:
                self._move(tank, self.block.restart_coil)
            self._opened_s.clear()
            self.close()

    def _move(self, tank: Tank, to_open: bool) -> None:
        plant, now_s = self._plants[tank.name], self._loop.time()
        plant.advance(now_s)
        if plant.coil is not to_open:
            self.note(tank.name)
            if to_open:
                self._opened_s[tank.name] = now_s
                if self.block.coil_drops_after_s > 0:
                    self._loop.call_later(self.block.coil_drops_after_s, self._move, tank, False)
            plant.command(to_open)

    def note(self, name: str) -> None:
        """Count the time that an output has been on up to now."""
        if self._plants[name].coil and name in self._opened_s:
            open_s = self._loop.time() - self._opened_s[name]
            self.longest_open_s[name] = max(self.longest_open_s[name], open_s)

    # -- requests

    async def _serve(self, wire: Wire) -> None:
        buffer, number = b"", len(self._tasks)
        while True:
            buffer += await self._queues[wire].get()
            while len(buffer) >= 12:
                transaction, _, length, unit, function, address, operand = struct.unpack(">HHHBBHH", buffer[:12])
                buffer = buffer[6 + length :]
                self._asked += 1
                await self._answer(wire, Asked(self._asked, number, transaction, unit, function, address, operand))

    async def _answer(self, wire: Wire, asked: Asked) -> None:
        await asyncio.sleep(TAKES_S / 2)
        link = self.link
        if link.cut or asked.unit == link.silent_unit or self._deaf(asked) or self._chance(link.requests_lost_share):
            return
        right = self._carry_out(asked)
        if self._chance(link.answers_lost_share):
            return
        await asyncio.sleep(TAKES_S / 2 + (link.late_s if link.late_s and self._chance(link.late_share) else 0.0))
        for step in self._steps(asked, right):
            if isinstance(step, bytes):
                wire.deliver(step)
            elif isinstance(step, Pause):
                await asyncio.sleep(step.for_s)
            else:
                self._hang_up(wire)
                return

    def _chance(self, share: float) -> bool:
        return share > 0 and self._random.random() < share

    def _deaf(self, asked: Asked) -> bool:
        kinds = {"reads": asked.function in _READS, "writes": asked.function in _WRITES}
        kinds |= {"open": kinds["writes"] and asked.operand > 0, "shut": kinds["writes"] and asked.operand == 0}
        return kinds.get(self.link.deaf_to, False)

    def _steps(self, asked: Asked, right: bytes) -> Sequence[Step]:
        link = self.link
        hit = {"all": True, "reads": asked.function in _READS, "writes": asked.function in _WRITES}[link.answers_to]
        if not link.answers or not hit or not self._chance(link.answers_share):
            return (right,)
        steps: list[Step] = []
        for step in _WAYS[link.answers](asked, right, self._random):
            steps.append(step if not isinstance(step, Close) else Close())
        return steps

    def _carry_out(self, asked: Asked) -> bytes:
        if asked.function in _WRITES:
            return self._write(asked)
        for tank in self._tanks:
            sender, valve = tank.transmitter, tank.valve
            if asked.function == 1 and (asked.unit, asked.address) == (valve.unit, valve.address):
                state = self._plants[tank.name].coil if self.block.coil_reads is None else self.block.coil_reads
                return frame(asked.transaction, asked.unit, bytes((1, 1, int(state))))
            table = {3: "holding", 4: "input"}.get(asked.function)
            if (asked.unit, asked.address, table) == (sender.unit, sender.register, sender.table.value):
                if self.block.read_exception:
                    return self._refusal(asked, self.block.read_exception)
                words = self._words(tank)
                return frame(asked.transaction, asked.unit, struct.pack(f">BB{len(words)}H", asked.function, 4, *words))
        return self._refusal(asked, _ILLEGAL_ADDRESS)

    def _write(self, asked: Asked) -> bytes:
        if self.block.write_exception:
            return self._refusal(asked, self.block.write_exception)
        to_open = asked.operand > 0
        for tank in self._tanks:
            valve = tank.valve
            if valve.output is Output.COIL and (asked.unit, asked.address) == (valve.unit, valve.address):
                if self.block.coil_ignores not in ("all", "open" if to_open else "shut"):
                    self._move(tank, to_open)
                pdu = struct.pack(">BHH", asked.function, asked.address, asked.operand)
                return frame(asked.transaction, asked.unit, pdu)
        return self._refusal(asked, _ILLEGAL_ADDRESS)

    @staticmethod
    def _refusal(asked: Asked, code: int) -> bytes:
        return frame(asked.transaction, asked.unit, bytes((asked.function | 0x80, code)))

    def _words(self, tank: Tank) -> tuple[int, ...]:
        plant, now_s = self._plants[tank.name], self._loop.time()
        plant.advance(now_s)
        gauge_pa = self.block.restart_reads_pa if now_s < self._cold_until_s else plant.gauge_pa()
        words = registers_of_pressure(gauge_pa, tank.transmitter)
        match self.block.registers:
            case "nan":
                words = (0x7FC0, 0)
            case "infinite":
                words = (0x7F80, 0)
            case "zeros":
                words = (0,) * len(words)
            case "ones":
                words = (0xFFFF,) * len(words)
            case "swapped":
                words = words[::-1]
            case "bytes-swapped":
                words = tuple((word & 0xFF) << 8 | word >> 8 for word in words)
            case "frozen":
                words = self._held_words.get(tank.name, words)
        self._held_words[tank.name] = words
        return words
