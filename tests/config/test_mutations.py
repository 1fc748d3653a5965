"""Whatever happens to a good file: it stays sound or is told, and nothing else ever comes out."""

from __future__ import annotations

import dataclasses
import math
import random
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from lungfish.config import cycle_setup, load_site_text
from lungfish.config.meaning import meaning_of
from lungfish.errors import ConfigError
from tests.config.samples import EXAMPLES, GOOD

SEEDS = [GOOD.encode(), *(file.read_bytes() for file in EXAMPLES)]

NASTY = (
    b"~ null yes no on off true false y n 0 -0 1 -1 0x10 017 1e3 1.0e+3 .inf -.inf .nan 1_000 12:30:00 2026-01-31 "
    b"= << * & ! !!str !!python/object:os.system [ ] { } , : - ? | > ' \" # % @ ` \t \\ --- ... {} [] '' \"\" *a &a "
    b"nan inf 99999999999999999999 1e400 -1e-400 1e999\xc2\xa0m 1\xc2\xb5m 5\xc2\xb0 \xff \xfe\xff \xef\xbb\xbf \x00 "
    b"\x1b \x7f \xe2\x80\xa8 \xf0\x9f\x90\x9f m mm km bar barg psig inH2O inH2O_68F degC kg/m**3 kg m**9 m/ /m % ppm "
    b"L/min NL/min s min h 0.5mm"
).split(b" ")

Mutation = Callable[[random.Random, bytes], bytes]


def _flip(rng: random.Random, text: bytes) -> bytes:
    at = rng.randrange(len(text))
    return text[:at] + bytes([rng.randrange(256)]) + text[at + 1 :]


def _insert(rng: random.Random, text: bytes) -> bytes:
    at = rng.randrange(len(text) + 1)
    return text[:at] + rng.choice(NASTY) + text[at:]


def _cut(rng: random.Random, text: bytes) -> bytes:
    start = rng.randrange(len(text))
    return text[:start] + text[start + rng.randrange(1, 40) :]


def _truncate(rng: random.Random, text: bytes) -> bytes:
    return text[: rng.randrange(len(text))]


def _repeat(rng: random.Random, text: bytes) -> bytes:
    start = rng.randrange(len(text))
    return text[:start] + text[start : start + rng.randrange(1, 60)] * rng.choice((2, 2, 3, 30)) + text[start:]


def _tokens(text: bytes) -> list[bytes]:
    return re.findall(rb"[\w.*/-]+|\s+|.", text)


def _replace_token(rng: random.Random, text: bytes) -> bytes:
    tokens = _tokens(text)
    tokens[rng.randrange(len(tokens))] = rng.choice(NASTY)
    return b"".join(tokens)


def _swap_tokens(rng: random.Random, text: bytes) -> bytes:
    tokens = _tokens(text)
    one, other = rng.randrange(len(tokens)), rng.randrange(len(tokens))
    tokens[one], tokens[other] = tokens[other], tokens[one]
    return b"".join(tokens)


def _other_number(rng: random.Random, text: bytes) -> bytes:
    numbers = list(re.finditer(rb"(?<![\w.])[0-9]+(?:\.[0-9]+)?", text))
    if not numbers:
        return text + b"7"
    place = rng.choice(numbers)
    value = float(place[0]) * 10.0 ** rng.uniform(-4, 4) * rng.choice((1, 1, 1, -1, 0))
    return text[: place.start()] + f"{value:.6g}".encode() + text[place.end() :]


def _lines(rng: random.Random, text: bytes) -> bytes:
    lines = text.splitlines(keepends=True)
    at, other = rng.randrange(len(lines)), rng.randrange(len(lines))
    match rng.randrange(5):
        case 0:
            del lines[at]
        case 1:
            lines.insert(other, lines[at])
        case 2:
            lines[at], lines[other] = lines[other], lines[at]
        case 3:
            lines[at] = b" " * rng.randrange(6) + lines[at].lstrip()
        case _:
            lines[at] = lines[at].rstrip(b"\n") + b" " + lines[other].lstrip()
    return b"".join(lines)


MUTATIONS: tuple[Mutation, ...] = (
    _flip, _insert, _cut, _truncate, _repeat, _replace_token, _swap_tokens, _other_number, _lines,
)  # fmt: skip


def mutated(seed: int) -> bytes:
    """The same mutation for the same seed, so that a failure can be looked at again."""
    rng = random.Random(seed)
    text = rng.choice(SEEDS)
    for _ in range(rng.choice((1, 1, 1, 2, 5))):
        text = rng.choice(MUTATIONS)(rng, text) or b"\n"
    return text


def _assert_sound_or_told(content: bytes, base: Path) -> bool:
    """True when sound."""
    try:
        site = load_site_text(content, base, name="site.yaml")
    except ConfigError as error:
        found, lines = error.problems, str(error).split("\n")
    else:
        for tank in site.tanks.values():
            setup = cycle_setup(site, tank)
            numbers = [value for value in dataclasses.astuple(setup) if isinstance(value, float)]
            assert all(math.isfinite(value) for value in numbers)
            assert setup.full_head_m > 0
            assert setup.density_kg_m3 > 0
            assert meaning_of(site, tank).full.fill_s < setup.max_open_s
        return True
    last_line = content.count(b"\n") + content.count(b"\r") + content.count(b"\xe2\x80\xa8") + 1
    assert found
    for problem, line in zip(found, lines, strict=True):
        assert problem.wrong
        assert problem.right
        assert problem.line is None or 1 <= problem.line <= last_line
        assert line.isprintable()
    return False


def _run(count: int, base: Path) -> tuple[int, int]:
    sound = 0
    for seed in range(count):
        content = mutated(seed)
        try:
            sound += _assert_sound_or_told(content, base)
        except BaseException as error:
            error.add_note(f"mutation {seed}: {content!r}")
            raise
    return sound, count - sound


def test_two_thousand_mutations_are_sound_or_told(tmp_path: Path) -> None:
    sound, told = _run(2_000, tmp_path)

    # Both ways out must have been taken often, or the mutations are not what they should be.
    assert sound > 100
    assert told > 1_000


@pytest.mark.campaign
@pytest.mark.timeout(1800)
def test_a_hundred_thousand_mutations_are_sound_or_told(tmp_path: Path) -> None:
    sound, told = _run(100_000, tmp_path)

    print(f"100,000 mutations: {sound} sound, {told} told, nothing else")
    assert sound > 5_000
    assert told > 50_000
