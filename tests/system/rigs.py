"""Real processes: the simulated plants of a site behind a Modbus TCP server, and the command on top of them."""

from __future__ import annotations

import os
import shlex
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

HEAD = """
site: {{name: Invented, timezone: Europe/London, gravity: 9.81 m/s**2}}
store: {{path: {store}}}
links: {{panel: {{kind: modbus-tcp, host: 127.0.0.1, port: {port}, timeout: 300 ms}}}}
air: {{supply: 3 bar, flow: 3 L/min, simultaneous: {simultaneous}}}
tanks:
"""
TANK = """
  {name}:
    vented: true
    tolerates_air: true
    liquid: {{density: 998.2 kg/m**3}}
    vessel: {{shape: upright-cylinder, diameter: 1.2 m, height: 1 m}}
    tube: {{tip: 50 mm, bore: 6 mm, length: 1.1 m}}
    line: {{bore: 4 mm, length: 5 m, tee: valve-end}}
    transmitter: {{link: panel, unit: {unit}, table: input, register: 0, format: float32, reads_in: Pa,
                   span: [0 kPa, 15 kPa], damping: {damping}{vent}}}
    valve: {{link: panel, unit: {unit}, coil: {coil}, max_open: {max_open}}}
    every: {every}
"""
LEVEL_M = 0.6
VENT_COIL = 100


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def write_site(
    folder: Path,
    *,
    tanks: int = 1,
    every: str = "10 s",
    max_open: str = "8 s",
    simultaneous: int = 1,
    store: str = "site.db",
    damping: str = "100 ms",
    port: int | None = None,
    vented: bool = False,
) -> Path:
    """A site file of small tanks, named `t0`, `t1` and so on, on a free port; `vented`: with a vent valve each."""
    text = HEAD.format(store=store, port=port or free_port(), simultaneous=simultaneous)
    for number in range(tanks):
        unit = number + 1
        vent = f", vent: {{link: panel, unit: {unit}, coil: {VENT_COIL}, max_open: 5 s}}" if vented else ""
        text += TANK.format(
            name=f"t{number}", unit=unit, coil=number, max_open=max_open, every=every, damping=damping, vent=vent
        )
    file = folder / "site.yaml"
    file.write_text(text, encoding="utf-8")
    return file


@dataclass
class Rig:
    """The plants' process, and what its coils have done."""

    process: subprocess.Popen[str]
    is_open: dict[str, bool] = field(default_factory=dict)
    moves: list[tuple[str, bool, float]] = field(default_factory=list)

    def open_now(self) -> list[str]:
        return [tank for tank, is_open in self.is_open.items() if is_open]

    def listen(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            _, called = line.split(maxsplit=1)
            tank, state, at = called.rsplit(maxsplit=2)  # "t0 (vent valve)" has spaces
            self.is_open[tank] = state == "open"
            self.moves.append((tank, state == "open", float(at)))

    def wait_for_opening(self, count: int = 1, within_s: float = 15.0) -> None:
        """Until so many openings have been seen in all."""
        until(lambda: sum(is_open for _, is_open, _ in self.moves) >= count, within_s)

    def longest_open_s(self) -> float:
        since: dict[str, float] = {}
        longest_s = 0.0
        for tank, is_open, at_s in self.moves:
            if is_open:
                since[tank] = at_s
            elif tank in since:
                longest_s = max(longest_s, at_s - since.pop(tank))
        return longest_s


def until(holds: object, within_s: float) -> None:
    """Wait until something holds."""
    assert callable(holds)
    deadline_s = time.monotonic() + within_s
    while not holds():
        assert time.monotonic() < deadline_s, "it never came about"
        time.sleep(0.01)


@contextmanager
def rig_for(file: Path, *, tanks: int = 1, more: Sequence[str] = ()) -> Iterator[Rig]:
    """Serve a site's plants while inside."""
    levels = [argument for n in range(tanks) for argument in ("--level", f"t{n}={LEVEL_M}")]
    process = subprocess.Popen(
        [sys.executable, "-m", "lungfish.rig.server", str(file), "--watch", *levels, *more],
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        rig = Rig(process)
        listening = threading.Thread(target=rig.listen, daemon=True)
        listening.start()
        yield rig
    finally:
        process.terminate()
        process.wait(10.0)
        if process.stdout is not None:
            listening.join(5.0)
            process.stdout.close()


def lungfish(*words: str | Path, timeout_s: float = 60.0) -> subprocess.CompletedProcess[str]:
    """Run a command to its end."""
    return subprocess.run(
        [sys.executable, "-m", "lungfish", *map(str, words)], capture_output=True, text=True, timeout=timeout_s
    )


@dataclass
class Daemon:
    """A running `lungfish run`."""

    process: subprocess.Popen[str]
    log: Path

    def lines(self) -> list[dict[str, str]]:
        """Whole log lines as fields."""
        text = self.log.read_text(encoding="utf-8")
        return [fields_of(line) for line in text.splitlines(keepends=True) if line.endswith("\n")]

    def events(self, event: str) -> list[dict[str, str]]:
        return [line for line in self.lines() if line.get("event") == event]

    def end(self, signal_number: int, within_s: float = 40.0) -> int:
        self.process.send_signal(signal_number)
        return self.process.wait(within_s)


def fields_of(line: str) -> dict[str, str]:
    """Fields of a `key=value` line whose values are bare or in quotes."""
    return dict(word.split("=", 1) for word in shlex.split(line) if "=" in word)


@contextmanager
def daemon_on(file: Path, log: Path, environment: Mapping[str, str] | None = None) -> Iterator[Daemon]:
    """Run the daemon while inside; it is killed at the end if it still runs."""
    with log.open("w", encoding="utf-8") as stream:
        process = subprocess.Popen(
            [sys.executable, "-m", "lungfish", "run", str(file)],
            stderr=stream,
            env={**os.environ, **(environment or {})},
        )
        try:
            yield Daemon(process, log)  # type: ignore[arg-type]  # no pipe, so text or bytes is all the same
        finally:
            if process.poll() is None:
                process.kill()
                process.wait(10.0)
