"""Four invented tanks for the demo: what their site file says, and what is true of them.

As a program it serves them over Modbus TCP until it is told to stop, then prints what each plant has really used:
`python -m lungfish.rig.demo_site SITE.yaml --seed N`.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import math
import signal
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from lungfish.config import Site, load_site
from lungfish.physics.standard import ANR, standard_volume_m3
from lungfish.rig.plant import Plant
from lungfish.rig.server import RigServer, plant_for

__all__ = ["demo_levels", "demo_plants", "demo_site_text", "main"]

_SITE = """\
# Four invented tanks behind one invented panel.
site:
  name: Demo
  timezone: UTC
  gravity: 9.81 m/s**2

store:
  path: {store}

links:
  panel: {{kind: modbus-tcp, host: 127.0.0.1, port: {port}, timeout: 500 ms}}

air:
  supply: 3 bar
  flow: 2.5 L/min
  simultaneous: 2

tanks:
  wet-well:                      # fills slowly, is pumped down now and then; transmitter at the valve's end of its line
    vented: true
    tolerates_air: true
    liquid: {{density: 998.2 kg/m**3}}
    vessel: {{shape: upright-cylinder, diameter: 2.4 m, height: 2.6 m}}
    tube: {{tip: 100 mm, bore: 8 mm, length: 2.6 m}}
    line: {{bore: 4 mm, length: 10 m, tee: valve-end}}
    transmitter:
      {{link: panel, unit: 1, table: input, register: 0, format: float32, reads_in: Pa, span: [0 kPa, 40 kPa],
        damping: 100 ms}}
    valve: {{link: panel, unit: 1, coil: 0, max_open: 20 s}}
    every: 25 s
  brine:                         # dense, being drawn off; a counting transmitter at the tube's end of the line
    vented: true
    tolerates_air: true
    liquid: {{density: 1197 kg/m**3, tolerance: 0.2 %}}
    vessel: {{shape: horizontal-cylinder, diameter: 1.6 m, length: 3 m}}
    tube: {{tip: 60 mm, bore: 6 mm, length: 1.8 m}}
    line: {{bore: 4 mm, length: 15 m, tee: tube-end}}
    transmitter:
      link: panel
      unit: 1
      table: holding
      register: 100
      format: uint16
      reads_in: Pa
      scale: 1
      span: [0 kPa, 30 kPa]
      damping: 100 ms
    valve: {{link: panel, unit: 1, coil: 1, max_open: 20 s}}
    every: 30 s
  day-tank:                      # stands still; its tube is tight, so a reading costs next to no air
    vented: true
    tolerates_air: true
    liquid: {{density: 1030 kg/m**3}}
    vessel: {{shape: rectangle, length: 1.5 m, width: 1 m, height: 1.2 m}}
    tube: {{tip: 50 mm, bore: 8 mm, length: 1.3 m}}
    transmitter:
      {{link: panel, unit: 2, table: input, register: 10, format: int32, word_order: little, reads_in: Pa, scale: 0.1,
        span: [0 kPa, 20 kPa], damping: 100 ms}}
    valve: {{link: panel, unit: 2, coil: 0, max_open: 20 s}}
    every: 35 s
  sludge:                        # its line has a leak, which each shut-in shows
    vented: true
    tolerates_air: true
    liquid: {{density: 1045 kg/m**3, tolerance: 1 %}}
    vessel: {{shape: upright-cylinder, diameter: 3 m, height: 2 m}}
    tube: {{tip: 200 mm, bore: 10 mm, length: 2 m}}
    line: {{bore: 6 mm, length: 6 m, tee: tube-end}}
    transmitter:
      {{link: panel, unit: 2, table: input, register: 20, format: float32, reads_in: mbar, span: [0 mbar, 250 mbar]}}
    valve: {{link: panel, unit: 2, coil: 1, max_open: 20 s}}
    every: 40 s
"""

_LEAK_PA_M3_S_PA = 8e-6
"""The leak of the line of `sludge`: about 0.05 SL/min at its head of a metre."""
_FILL_M_S = 0.4e-3
_WELL_LOW_M, _WELL_HIGH_M = 1.2, 2.2
_PUMP_M_S = 8e-3
_LITRES = 1000.0


def demo_site_text(port: int, store: str) -> str:
    """The site file of the demo.

    Args:
        port: TCP port of the panel on this computer.
        store: path of the store.
    """
    return _SITE.format(port=port, store=json.dumps(store))


def _wet_well_m(t_s: float) -> float:
    """Filled slowly up to a mark, pumped down fast to another, again and again."""
    span_m = _WELL_HIGH_M - _WELL_LOW_M
    fill_s, pump_s = span_m / _FILL_M_S, span_m / _PUMP_M_S
    phase_s = (t_s + 0.3 * fill_s) % (fill_s + pump_s)
    if phase_s < fill_s:
        return _WELL_LOW_M + _FILL_M_S * phase_s
    return _WELL_HIGH_M - _PUMP_M_S * (phase_s - fill_s)


def demo_levels() -> Mapping[str, Callable[[float], float]]:
    """True level above the floor of each tank, m, as a function of time since the server's start, s."""
    return {
        "wet-well": _wet_well_m,
        "brine": lambda t_s: 0.9 + 0.4 * math.exp(-t_s / 3000.0),
        "day-tank": lambda _t_s: 0.74,
        "sludge": lambda _t_s: 1.15,
    }


def demo_plants(site: Site, seed: int) -> dict[str, Plant]:
    """A plant behind each tank.

    Args:
        site: the demo's site.
        seed: of noise and bubbles.
    """
    levels = demo_levels()
    plants = {
        name: plant_for(site, tank, levels[name], seed + number)
        for number, (name, tank) in enumerate(site.tanks.items())
    }
    leaky = plants["sludge"]
    plants["sludge"] = Plant(replace(leaky.params, leak_pa_m3_s_pa=_LEAK_PA_M3_S_PA), seed + len(plants))
    return plants


def _say(what: Mapping[str, object]) -> None:
    sys.stdout.write(json.dumps(what) + "\n")
    sys.stdout.flush()


async def _serve(site: Site, seed: int) -> None:
    plants = demo_plants(site, seed)
    server = RigServer(site, plants)
    await server.start()
    _say({"began_s": time.monotonic()})
    stop = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
    await stop.wait()
    server.advance()
    await server.stop()
    _say(
        {
            "air_sl": {
                name: _LITRES * standard_volume_m3(plant.air_in_pa_m3, plant.params.air_k, ANR)
                for name, plant in plants.items()
            },
            "open": [name for name, plant in plants.items() if plant.valve_open],
        }
    )


def main(argv: Sequence[str] | None = None) -> int:
    """Serve the demo's tanks until SIGTERM.

    Args:
        argv: arguments without the program's name; None takes them from the process.

    Returns:
        The exit status.
    """
    parser = argparse.ArgumentParser(prog="python -m lungfish.rig.demo_site")
    parser.add_argument("site", metavar="SITE.yaml")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args(argv)
    asyncio.run(_serve(load_site(arguments.site), arguments.seed))
    return 0


if __name__ == "__main__":
    sys.exit(main())
