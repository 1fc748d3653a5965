"""Frames damaged, late, doubled, foreign, cut off, lost or wrapped in noise at random: no wrong value is ever accepted.

Several callers share the line, some give up while they wait. Every answer tells the address asked for and the number of
its request: a value of another address or of an earlier request to the same address counts as wrong.

What a CRC of 16 bits can't find is found by nothing here: damage that leaves the head as it was and hits the one CRC of
65,536 is counted by its own way of computing it, and printed.

`pytest -m campaign -s tests/drivers/test_rtu_campaign.py`: 1,260,000 answers, a fifth of them sound, twenty minutes.
"""

from __future__ import annotations

import asyncio
import random
from collections import Counter
from collections.abc import Sequence

import pytest
from tests.drivers.rtu_line import TIMEOUT_S, TURN_S, Asked, Line, Say, link_on, rtu, tell

from lungfish.errors import DeviceError
from lungfish.rig.virtual_loop import run_virtual

HONEST_SHARE = 0.2
CALLERS = 4
LATEST_S, LONGEST_QUEUE_S = 4.0, 0.8


class Campaign:
    """One line, some callers, one seed."""

    def __init__(self, seed: int, frames: int, *, echo: bool) -> None:
        self.chance = random.Random(seed)
        self.frames = frames
        self.line = Line(script=self._misbehave, echo=echo)
        self.did: Counter[str] = Counter()
        """What became of answers."""
        self.ended: Counter[str] = Counter()
        """How calls ended."""
        self.passed_by_crc: set[int] = set()
        """Requests whose answer was damaged so that its CRC is right and its head still fits."""
        self.wrong = self.wrong_by_crc = 0
        self.link = link_on(self.line)

    def _misbehave(self, asked: Asked, right: bytes) -> Sequence[Say]:
        chance = self.chance
        if self.line.free_s.get(asked.unit, 0.0) > asked.at_s + LONGEST_QUEUE_S:
            self.did["too busy"] += 1  # nothing is answered more than 5 s late: by then it is taken for lost
            return ()
        if chance.random() < HONEST_SHARE:
            self.did["honest"] += 1
            return (Say(TURN_S, right),)
        kind = chance.choice(KINDS)
        self.did[kind] += 1
        match kind:
            case "damaged":
                return self._damaged(asked, right)
            case "late":
                return (Say(chance.uniform(TIMEOUT_S, LATEST_S), right),)
            case "a little late":
                return (Say(TIMEOUT_S * chance.uniform(0.9, 1.6), right),)
            case "doubled":
                return (Say(TURN_S, right), Say(chance.uniform(0.0, 0.0015), right))
            case "foreign before":
                return (Say(TURN_S, self._foreign(asked)), Say(chance.choice([0.0, 0.01]), right))
            case "foreign instead":
                return (Say(TURN_S, self._foreign(asked)),)
            case "cut off":
                return (Say(TURN_S, right[: chance.randrange(1, len(right))]),)
            case "lost":
                return ()
            case "in noise":
                front, back = (chance.randbytes(chance.randrange(0, 12)) for _ in range(2))
                return (Say(TURN_S, front), Say(0.0, right), Say(0.0, back))
            case "in pieces":
                cut = chance.randrange(1, len(right))
                return (Say(TURN_S, right[:cut]), Say(chance.uniform(0.0, 0.05), right[cut:]))
            case _:
                return (Say(TURN_S, rtu(bytes((asked.unit, asked.function | 0x80, chance.choice([1, 2, 4, 6]))))),)

    def _damaged(self, asked: Asked, right: bytes) -> Sequence[Say]:
        chance, spoilt = self.chance, bytearray(right)
        how = chance.randrange(3)
        if how == 0:  # some bits
            for _ in range(chance.randrange(1, 9)):
                spoilt[chance.randrange(len(spoilt))] ^= 1 << chance.randrange(8)
        elif how == 1:  # all behind the head, as if another had talked into it
            spoilt[3:] = chance.randbytes(len(spoilt) - 3)
        else:  # bytes left out or put in
            at = chance.randrange(len(spoilt))
            spoilt[at : at + chance.randrange(0, 3)] = chance.randbytes(chance.randrange(0, 3))
        made = bytes(spoilt)
        found = [made[at : at + len(right)] for at in range(4)]
        if any(each != right and each[:3] == right[:3] and each == rtu(each[:-2]) for each in found):
            self.passed_by_crc.add(asked.number)
        return (Say(TURN_S, made),)

    def _foreign(self, asked: Asked) -> bytes:
        """Of a unit that nobody here asks; or of this one, of another function or length, while it owes nothing."""
        chance, unit, function = self.chance, asked.unit, asked.function
        owes = self.line.free_s.get(unit, 0.0) > asked.at_s
        other = chance.randrange(0, 4, 3 if owes else 1)
        if other == 0:
            return rtu(bytes((chance.randrange(50, 248), function, 4)) + chance.randbytes(4))
        if other == 1:
            return rtu(bytes((unit, 3 if function != 3 else 4, 4)) + chance.randbytes(4))
        if other == 2:
            count = chance.choice([n for n in (1, 2, 3, 4, 5) if n != asked.operand])
            return rtu(bytes((unit, 4, 2 * count)) + chance.randbytes(2 * count))
        return rtu(bytes((chance.randrange(50, 248), 5)) + chance.randbytes(4))

    async def run(self) -> None:
        await asyncio.gather(*(self._call(unit) for unit in range(1, CALLERS + 1)))
        await self.link.close()

    async def _call(self, unit: int) -> None:
        chance = self.chance
        while len(self.line.asked) < self.frames:
            address, count = chance.randrange(1000), chance.choice([2, 2, 2, 3])
            asking = asyncio.create_task(
                self.link.read_registers(
                    unit=unit, table=chance.choice(["input", "holding"]), address=address, count=count
                )
            )
            try:
                if chance.random() < 0.03:
                    async with asyncio.timeout(chance.uniform(0.0, 0.3)):
                        reply = await asking
                else:
                    reply = await asking
            except TimeoutError:
                self.ended["given up by its caller"] += 1
                continue
            except DeviceError as error:
                self.ended[type(error).__name__] += 1
                await asyncio.sleep(chance.choice([0.0, 0.0, 0.05, 0.3]))
                continue
            self.ended["answered"] += 1
            self._judge(unit, address, reply.values)

    def _judge(self, unit: int, address: int, values: Sequence[int]) -> None:
        """The value must be that of this very request: the last one to this unit and address."""
        mine = next(asked for asked in reversed(self.line.asked) if asked.unit == unit)
        if tell(values) == (address, mine.number & 0xFFFF):
            return
        if mine.number in self.passed_by_crc:
            self.wrong_by_crc += 1
        else:
            self.wrong += 1
            print("WRONG", unit, address, values, mine)


KINDS = (
    "damaged",
    "damaged",
    "damaged",
    "late",
    "a little late",
    "doubled",
    "foreign before",
    "foreign instead",
    "cut off",
    "lost",
    "in noise",
    "in pieces",
    "refused",
)


def campaign(seeds: Sequence[int], frames: int) -> None:
    """Run, print, and assert that nothing wrong was accepted but what the CRC lets through."""
    did: Counter[str] = Counter()
    ended: Counter[str] = Counter()
    wrong = by_crc = let_through = 0

    async def one(seed: int) -> Campaign:
        made = Campaign(seed, frames // len(seeds), echo=seed % 4 == 0)
        await made.run()
        return made

    for seed in seeds:
        done = run_virtual(one(seed))
        did += done.did
        ended += done.ended
        wrong, by_crc = wrong + done.wrong, by_crc + done.wrong_by_crc
        let_through += len(done.passed_by_crc)
    print(f"\n{sum(did.values()):,} answers:", ", ".join(f"{kind} {n:,}" for kind, n in did.most_common()))
    print(f"{sum(ended.values()):,} calls:", ", ".join(f"{kind} {n:,}" for kind, n in ended.most_common()))
    print(f"wrong values accepted: {wrong}; let through by the CRC: {by_crc}, of {let_through} such frames")
    assert wrong == 0
    assert ended["answered"] > 0.25 * sum(did.values()), "a link that answers nothing can't be wrong"
    # a third of the damaged ones keep their head, and one of 65,536 of those has the right CRC
    assert by_crc <= 5 + 3 * did["damaged"] / 3 / 65536


def test_no_wrong_value_of_thousands_of_spoilt_frames() -> None:
    campaign(range(4), 5_000)


@pytest.mark.campaign
@pytest.mark.timeout(7200)
def test_no_wrong_value_of_a_million_spoilt_frames() -> None:
    campaign(range(100, 140), 1_260_000)
