"""`lungfish demo`: invented tanks behind a real Modbus TCP server, and the real daemon on them."""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import math
import socket
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from textwrap import wrap

from lungfish.app.journal import iso_utc
from lungfish.app.log import set_up_logging
from lungfish.app.service import run_site
from lungfish.config import Site, load_site
from lungfish.ports import ReadingRecord
from lungfish.rig.demo_site import demo_levels, demo_site_text
from lungfish.units import DURATION, QuantityError, quantity

__all__ = ["add_parser", "run"]

_TRIES = 5
_START_WITHIN_S = 20.0
_STOP_WITHIN_S = 10.0
_WIDTH = 100
_INDENT = 10

_DESCRIPTION = """\
Four invented tanks at work in this terminal: simulated plants behind a real Modbus TCP server on this computer, and the
real daemon measuring them. No hardware, no file, no root. The first reading comes after about fifteen seconds; then
each reading as it comes, with what it rests on, how far it is from the simulated truth, and the air that it took.
Ends after --for, or with Ctrl-C: every valve is shut, and a summary is printed.
"""
_EPILOG = """\
Examples
  lungfish demo
  lungfish demo --for 2min

Exit status
  0  ended as told, with every simulated valve shut
  2  --for is no duration
  3  the simulated tanks could not be started, or a simulated valve was not shut
"""


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command.

    Args:
        subparsers: of the main parser.
    """
    parser = subparsers.add_parser(
        "demo",
        help="invented tanks at work in the terminal; no hardware",
        description=_DESCRIPTION,
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--for", dest="duration", metavar="DURATION", help="end after this, such as 90s or 2min")
    parser.add_argument("--seed", type=int, default=1, help="of noise and bubbles (default: 1)")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Show the demo.

    Returns:
        0 ended as told, 2 bad duration, 3 the tanks could not be started or a valve was not shut.
    """
    duration_s = None
    if args.duration is not None:
        try:
            duration_s = quantity(args.duration, DURATION)
        except QuantityError as error:
            print(f"lungfish demo: --for {args.duration}: {error}", file=sys.stderr)
            return 2
    set_up_logging(level=logging.ERROR)
    with tempfile.TemporaryDirectory(prefix="lungfish-demo-") as folder:
        tanks = _start_tanks(Path(folder), args.seed)
        if tanks is None:
            print("lungfish demo: the simulated tanks could not be started on a port of this computer", file=sys.stderr)
            return 3
        with tanks.running():
            board = _Board(tanks)
            board.open()
            all_shut = asyncio.run(_measure(tanks.site, board.reading, duration_s))
        board.close()
    return 0 if all_shut and not tanks.left_open else 3


async def _measure(site: Site, on_reading: Callable[[ReadingRecord, bool], None], duration_s: float | None) -> bool:
    stop = asyncio.Event()
    if duration_s is not None:
        asyncio.get_running_loop().call_later(duration_s, stop.set)
    return await run_site(site, on_reading, stop)


@dataclass(slots=True, kw_only=True)
class _Tanks:
    """The process that simulates the tanks."""

    site: Site
    """Their site file's meaning."""
    port: int
    """Where they are served."""
    began_s: float
    """Monotonic time at which they began."""
    process: subprocess.Popen[str]
    """The process."""
    air_sl: Mapping[str, float] = field(default_factory=dict)
    """Air that each plant has taken in, standard litres; known after the end."""
    left_open: tuple[str, ...] = ()
    """Valves that are open at the end; known after the end."""

    @contextmanager
    def running(self) -> Iterator[None]:
        """Stop the process at the end, and hear what it has to say."""
        try:
            yield
        finally:
            self.process.terminate()
            try:
                said, _ = self.process.communicate(timeout=_STOP_WITHIN_S)
            except subprocess.TimeoutExpired:
                self.process.kill()
                said, _ = self.process.communicate()
            if said.strip():
                told = json.loads(said)
                self.air_sl, self.left_open = told["air_sl"], tuple(told["open"])


def _start_tanks(folder: Path, seed: int) -> _Tanks | None:
    """Start the simulated tanks on a free port; another process may snatch it, so a few are tried."""
    for _ in range(_TRIES):
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        file = folder / "demo.yaml"
        file.write_text(demo_site_text(port, str(folder / "demo.db")), encoding="utf-8")
        process = subprocess.Popen(  # noqa: S603 - our own interpreter and our own file
            [sys.executable, "-m", "lungfish.rig.demo_site", str(file), "--seed", str(seed)],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            start_new_session=True,  # Ctrl-C is for the daemon: the tanks must outlive it
        )
        line = process.stdout.readline() if process.stdout is not None else ""
        if line:
            return _Tanks(site=load_site(file), port=port, began_s=json.loads(line)["began_s"], process=process)
        process.kill()
        process.wait()
    return None


@dataclass(slots=True)
class _Tally:
    """What has been seen of one tank."""

    readings: int = 0
    good: int = 0
    worst_m: float = 0.0
    air_sl: float = 0.0


class _Board:
    """What the terminal shows."""

    def __init__(self, tanks: _Tanks) -> None:
        self._tanks = tanks
        self._levels = demo_levels()
        self._tallies = {name: _Tally() for name in tanks.site.tanks}

    def open(self) -> None:
        """Say what is to be seen."""
        site = self._tanks.site
        where = f"127.0.0.1:{self._tanks.port}"
        print(f"lungfish demo: {len(site.tanks)} invented tanks behind a Modbus TCP server on {where}")
        print("Each reading is one purge: air until bubbles leave the tip, valve shut, listen. Ctrl-C ends it.")
        print()
        for name, tank in site.tanks.items():
            print(
                f"  {name:<9} {tank.vessel_height_m:.1f} m high, tube {1000 * tank.tube_bore_m:g} mm, "
                f"line {tank.line_length_m:g} m, {tank.liquid.density_kg_m3:g} kg/m3, every {tank.every_s:g} s"
            )
        print()
        print("time UTC  tank       level     U, k=2  off truth  quality    open    air", flush=True)

    def reading(self, record: ReadingRecord, _kept: bool) -> None:
        """Show one reading."""
        tally = self._tallies[record.tank]
        tally.readings += 1
        tally.good += record.quality == "good"
        tally.air_sl += record.air_sl if math.isfinite(record.air_sl) else 0.0
        level, u, off = "not known", "", ""
        if record.level_m is not None:
            truth_m = self._levels[record.tank](record.at.monotonic_s - self._tanks.began_s)
            tally.worst_m = max(tally.worst_m, abs(record.level_m - truth_m))
            level = f"{record.level_m:.4f} m"
            u = "" if record.level_u_m is None else f"{1000 * record.level_u_m:.1f} mm"
            off = f"{1000 * (record.level_m - truth_m):+.1f} mm"
        purge = f"{record.purge_s:.1f} s" if math.isfinite(record.purge_s) else "-"
        air = f"{record.air_sl:.3f} SL" if math.isfinite(record.air_sl) else "-"
        clock = iso_utc(record.at.utc_s)[11:19]
        print(f"{clock}  {record.tank:<9}  {level:<9} {u:>7}  {off:>9}  {record.quality:<9}  {purge:<6}  {air}")
        sentences = record.evidence.get("sentences")
        why = "; ".join(map(str, sentences)) if isinstance(sentences, list) else ""
        for line in wrap(f"{record.diagnosis}: {why}", _WIDTH - _INDENT, break_on_hyphens=False):
            print(" " * _INDENT + line)
        sys.stdout.flush()

    def close(self) -> None:
        """Sum up."""
        print()
        print("tank       readings  good  furthest off truth  air, by lungfish  air, by the plants")
        for name, tally in self._tallies.items():
            used = self._tanks.air_sl.get(name)
            plant = "not told" if used is None else f"{used:.3f} SL"
            worst = f"{1000 * tally.worst_m:.1f} mm"
            print(
                f"{name:<9}  {tally.readings:>8}  {tally.good:>4}  {worst:>18}  {tally.air_sl:>13.3f} SL  {plant:>18}"
            )
        print()
        if self._tanks.left_open:
            print(f"NOT shut: the valves of {', '.join(self._tanks.left_open)}")
        else:
            print("every simulated valve is shut", flush=True)
