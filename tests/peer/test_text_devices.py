"""The real daemon on serial devices that speak text: transmitters asked and streaming, a relay board that confirms.

A quarter of an hour of readings with `pytest -m campaign -s tests/peer/test_text_devices.py`; some without the mark.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from pathlib import Path

import pytest
from tests.peer.real_runs import Score, lungfish, run_for, score
from tests.peer.text_peers import AskedPeer, PtyLine, RelayPeer, StreamPeer, pty_line

from lungfish.config import load_site
from lungfish.drivers.kept_spec import kept_valve
from lungfish.drivers.kept_valves import keep, kept_in, shut_kept
from lungfish.rig.server import plant_for

SITE = """
site: {{name: Invented, timezone: UTC, gravity: 9.81 m/s**2}}
store: {{path: text.db}}
links:
  asked: {{kind: serial-text, port: {asked}, baud: 115200, timeout: 300 ms}}
  stream: {{kind: serial-text, port: {stream}, baud: 115200, timeout: 300 ms}}
  relays: {{kind: serial-text, port: {relays}, baud: 115200, timeout: 300 ms}}
air: {{supply: 3 bar, flow: 3 L/min, simultaneous: 2}}
tanks:
"""
TANK = """
  {name}:
    vented: true
    tolerates_air: true
    liquid: {{density: 998.2 kg/m**3}}
    vessel: {{shape: upright-cylinder, diameter: 1.2 m, height: 1.4 m}}
    tube: {{tip: 50 mm, bore: 6 mm, length: 1.5 m}}
    line: {{bore: 4 mm, length: 5 m, tee: valve-end}}
    transmitter: {{link: {link}, {text}, span: [0 kPa, 20 kPa]}}
    valve: {{link: relays, relay: {{open: hex A0 0{n} 01 A{open}, shut: hex A0 0{n} 00 A{n}, ask: hex A0 0{n} 02 A{ask},
             open_answer: hex A0 0{n} 11 B{open}, shut_answer: hex A0 0{n} 10 B{n}}}, max_open: 8 s}}
    every: 9 s
"""
ASKED = (
    r"reads_in: kPa, text: {ask: 'P?\r', checksum: crc-16, "
    r"pattern: '(?P<body>P=(?P<value>[-+]\d+\.\d+))\*(?P<checksum>[0-9A-F]{4})'}"
)
STREAM = (
    r"text: {checksum: xor, pattern: '\$(?P<body> *(?P<value>-?\d+\.\d+) (?P<unit>\w+)),(?P<checksum>[0-9A-F]{2})'}"
)


def site_text(asked: str, stream: str, relays: str) -> str:
    text = SITE.format(asked=asked, stream=stream, relays=relays)
    text += TANK.format(name="t1", n=1, open=2, ask=3, link="asked", text=ASKED)
    return text + TANK.format(name="t2", n=2, open=3, ask=4, link="stream", text=STREAM)


class Bench:
    """Serves two tanks while inside an `ExitStack`; levels stand still, so that the truth needs no clock."""

    def __init__(self, folder: Path, stack: ExitStack, levels_m: tuple[float, float]) -> None:
        lines: list[PtyLine] = [stack.enter_context(pty_line()) for _ in range(3)]
        path = folder / "text.yaml"
        path.write_text(site_text(*(line.port for line in lines)), encoding="utf-8")
        site = load_site(path)
        self.plants = {
            name: plant_for(site, tank, _steady(level_m), seed)
            for seed, ((name, tank), level_m) in enumerate(zip(site.tanks.items(), levels_m, strict=True))
        }
        self.path = path
        self.began_s = time.monotonic()
        self.asked = AskedPeer(lines[0], lambda: self._gauge_pa("t1") / 1e3)
        self.stream = StreamPeer(lines[1], lambda: self._gauge_pa("t2") / 1e2)
        self.relays = RelayPeer(lines[2], self._moved)
        self.openings = 0

    def start(self) -> asyncio.Task[None]:
        self.asked.start()
        self.relays.start()
        return asyncio.create_task(self.stream.run())

    def truth_m(self, row: Mapping[str, str]) -> float:
        """True level of a row's tank."""
        return self.plants[row["tank"]].level_m

    def open_now(self) -> list[str]:
        return [name for name, plant in self.plants.items() if plant.coil]

    def _gauge_pa(self, name: str) -> float:
        self.plants[name].advance(time.monotonic() - self.began_s)
        return self.plants[name].gauge_pa()

    def _moved(self, number: int, to_open: bool) -> None:
        plant = self.plants[f"t{number}"]
        plant.advance(time.monotonic() - self.began_s)
        self.openings += to_open and not plant.coil
        plant.command(to_open)


def _steady(level_m: float) -> Callable[[float], float]:
    return lambda _t_s: level_m


@pytest.mark.parametrize(
    "seconds",
    [
        pytest.param(25.0, id="short", marks=pytest.mark.timeout(120)),
        pytest.param(900.0, id="long", marks=[pytest.mark.campaign, pytest.mark.timeout(1200)]),
    ],
)
async def test_readings_over_text_are_within_3_mm_or_0_2_percent(tmp_path: Path, seconds: float) -> None:
    with ExitStack() as stack:
        bench = Bench(tmp_path, stack, (0.9, 0.55))
        streaming = bench.start()
        rows = await run_for(bench.path, seconds)
        streaming.cancel()
        found: Score = score([row for row in rows if row["diagnosis"] != "aborted"], bench.truth_m)
        print(f"\n{bench.openings} openings; {found}")
        assert bench.open_now() == []
        assert {row["tank"] for row in rows if row["level_m"]} == {"t1", "t2"}
        assert found.levels >= 2 * (seconds // 25)
        assert found.within >= 0.95 * found.levels


@pytest.mark.timeout(120)
async def test_a_killed_daemon_s_relays_are_shut_by_the_command_and_confirmed(tmp_path: Path) -> None:
    with ExitStack() as stack:
        bench = Bench(tmp_path, stack, (0.9, 0.55))
        streaming = bench.start()
        for number in (1, 2):
            bench.relays.hear(bytes((0xA0, number, 1, (0xA1 + number) & 0xFF)))
        assert bench.open_now() == ["t1", "t2"]
        status, out, err = await lungfish("shut", str(bench.path))
        assert status == 0, out + err
        assert bench.open_now() == []
        bench.relays.deaf = True
        status, out, err = await lungfish("shut", str(bench.path))
        assert status == 3
        assert "no answer" in out + err
        streaming.cancel()


@pytest.mark.timeout(60)
async def test_the_list_that_outlives_the_daemon_holds_relays(tmp_path: Path) -> None:
    with ExitStack() as stack:
        bench = Bench(tmp_path, stack, (0.9, 0.55))
        streaming = bench.start()
        for number in (1, 2):
            bench.relays.hear(bytes((0xA0, number, 1, (0xA1 + number) & 0xFF)))
        site = load_site(bench.path)
        rows = [kept_valve(name, site.links["relays"], spec) for name, spec in site.valves.items()]
        keep(tmp_path / "valves.json", [row for row in rows if row is not None], complete=True)
        kept, complete = kept_in(tmp_path / "valves.json")
        assert complete
        assert await asyncio.to_thread(shut_kept, kept) == {"t1": None, "t2": None}
        assert bench.open_now() == []
        streaming.cancel()
