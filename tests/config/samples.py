"""A good site file to spoil, and how to load a text."""

from __future__ import annotations

from pathlib import Path

from lungfish.config import Site, load_site_text
from lungfish.errors import ConfigError, Problem

__all__ = ["EXAMPLES", "GOOD", "loaded", "problems", "spoilt"]

EXAMPLES = sorted((Path(__file__).parents[2] / "config").glob("*.yaml"))

# Lines are counted by the tests: keep them.
GOOD = """\
site:
  name: Quarry Side pumping station
  timezone: Europe/London
  gravity: 9.80665 m/s**2
store:
  path: quarry-side.db
links:
  panel: {kind: modbus-tcp, host: 127.0.0.1, port: 5020, timeout: 500 ms}
air:
  supply: 3 bar
  flow: 1.5 L/min
  simultaneous: 1
tanks:
  sump:
    vented: true
    tolerates_air: true
    liquid: {density: 998.2 kg/m**3}
    vessel: {shape: upright-cylinder, diameter: 2.4 m, height: 5 m}
    tube: {tip: 100 mm, bore: 10 mm, length: 5 m}
    line: {bore: 4.3 mm, length: 20 m, tee: valve-end}
    transmitter:
      link: panel
      unit: 1
      table: input
      register: 0
      format: float32
      reads_in: Pa
      span: [0 kPa, 60 kPa]
    valve: {link: panel, unit: 1, coil: 0, max_open: 90 s}
    every: 10 min
"""


def spoilt(old: str, new: str) -> str:
    """The good file with one place changed; the place must stand in it once."""
    assert GOOD.count(old) == 1, f"{old!r} stands {GOOD.count(old)} times in the good file"
    return GOOD.replace(old, new)


def loaded(text: str | bytes, base: Path) -> Site:
    """Load a text."""
    return load_site_text(text, base, name="site.yaml")


def problems(text: str | bytes, base: Path) -> tuple[Problem, ...]:
    """What is wrong with a text; nothing when it is sound."""
    try:
        loaded(text, base)
    except ConfigError as error:
        found, told = error.problems, str(error)
    else:
        return ()
    assert told.split("\n") == [problem.told("site.yaml") for problem in found], "one line for each problem"
    return found
