"""Ways for a Modbus TCP server to answer that are not the right answer, and some that are but look odd.

Each takes the request and its right answer, and a source of chance, and gives what the peer does instead.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Callable, Sequence

from tests.peer.faulty_peer import Asked, Close, Pause, Step, frame

__all__ = ["HARMLESS", "LATE_S", "Fault", "faults"]

LATE_S = 0.08
"""How late an answer is: to be more than the time-out that the tests use."""

Fault = Callable[[Asked, bytes, random.Random], Sequence[Step]]

HARMLESS = frozenset(
    {"honest", "split", "slow", "doubled", "doubled later", "older answers first", "then garbage", "then closing"}
)
"""Those that do give the right answer, in time, among whatever else."""


def _with(right: bytes, at: int, value: bytes) -> bytes:
    return right[:at] + value + right[at + len(value) :]


def _flip(right: bytes, at: int) -> bytes:
    return _with(right, at, bytes((right[at] ^ 0x01,)))


def _split(_asked: Asked, right: bytes, chance: random.Random) -> Sequence[Step]:
    steps: list[Step] = []
    for piece in range(0, len(right), 4):
        steps += [right[piece : piece + 4], Pause(chance.choice((0.0, 0.001)))]
    return steps


def _older(asked: Asked, right: bytes, _chance: random.Random) -> bytes:
    """The same answer as it would have been to an earlier request."""
    return _with(right, 0, struct.pack(">H", (asked.transaction - 1) % 0x10000))


def _longer(asked: Asked, right: bytes, _chance: random.Random) -> Sequence[Step]:
    pdu = right[7:]
    if asked.function in (3, 4):
        pdu = bytes((pdu[0], pdu[1] + 2)) + pdu[2:] + b"\x00\x2a"
    else:
        pdu += b"\x00\x2a"
    return (frame(asked.transaction, asked.unit, pdu),)


def _shorter(asked: Asked, right: bytes, _chance: random.Random) -> Sequence[Step]:
    pdu = right[7:]
    registers = asked.function in (3, 4) and asked.operand > 1
    less = bytes((pdu[0], pdu[1] - 2)) + pdu[2:-2] if registers else pdu[:-1]
    return (frame(asked.transaction, asked.unit, less),)


def _exception(asked: Asked, _right: bytes, chance: random.Random) -> Sequence[Step]:
    code = chance.choice((1, 2, 3, 4, 5, 6, 8, 10, 11, 0x55))
    return (frame(asked.transaction, asked.unit, bytes((asked.function | 0x80, code))),)


def _foreign_function(asked: Asked, right: bytes, _chance: random.Random) -> Sequence[Step]:
    other = {1: 2, 3: 4, 4: 3, 5: 6, 6: 5}[asked.function]
    return (_with(right, 7, bytes((other,))),)


def _foreign_exception(asked: Asked, _right: bytes, _chance: random.Random) -> Sequence[Step]:
    return (frame(asked.transaction, asked.unit, bytes((0x80 | (asked.function ^ 0x07), 2))),)


def faults() -> dict[str, Fault]:
    """All of them, by name."""
    return {
        "honest": lambda _a, right, _c: (right,),
        "split": _split,
        "slow": lambda _a, right, _c: (Pause(0.005), right),
        "doubled": lambda _a, right, _c: (right + right,),
        "doubled later": lambda _a, right, _c: (right, Pause(0.002), right),
        "older answers first": lambda a, right, c: (_older(a, right, c) * c.randrange(1, 5) + right,),
        "then garbage": lambda _a, right, c: (right, Pause(0.002), c.randbytes(9)),
        "then closing": lambda _a, right, _c: (right, Close()),
        "late": lambda _a, right, _c: (Pause(LATE_S), right),
        "silent": lambda _a, _r, _c: (),
        "closing": lambda _a, _r, _c: (Close(),),
        "closing midway": lambda _a, right, c: (right[: c.randrange(1, len(right))], Close()),
        "cut off": lambda _a, right, c: (right[: c.randrange(1, len(right))],),
        "older answer instead": lambda a, right, c: (_older(a, right, c),),
        "transaction id 0": lambda _a, right, _c: (_with(right, 0, b"\0\0"),),
        "foreign transaction id": lambda _a, right, _c: (_flip(right, 0),),
        "foreign unit": lambda _a, right, _c: (_flip(right, 6),),
        "foreign function": _foreign_function,
        "foreign exception": _foreign_exception,
        "exception": _exception,
        "longer": _longer,
        "shorter": _shorter,
        "foreign protocol": lambda _a, right, _c: (_with(right, 2, b"\0\1"),),
        "length 0": lambda _a, right, _c: (_with(right, 4, b"\0\0"),),
        "length 2": lambda _a, right, _c: (_with(right, 4, b"\0\2"),),
        "huge length": lambda _a, right, c: (_with(right, 4, b"\xff\xff") + c.randbytes(c.choice((0, 600))),),
        "length one too many": lambda _a, right, _c: (_with(right, 5, bytes((right[5] + 1,))),),
        "count or echo changed": lambda _a, right, _c: (_flip(right, 8),),
        "garbage": lambda _a, _r, c: (c.randbytes(c.randrange(1, 400)),),
        "garbage, then the answer": lambda _a, right, c: (c.randbytes(c.randrange(7, 30)) + right,),
        "garbage, then closing": lambda _a, _r, c: (c.randbytes(20), Close()),
        "text": lambda _a, _r, _c: (b"HTTP/1.1 400 Bad Request\r\nConnection: close\r\n\r\n",),
    }
