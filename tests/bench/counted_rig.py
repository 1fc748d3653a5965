"""The rig's server for benches: it counts requests, and moves only the plant that is asked for.

`python -m tests.bench.counted_rig SITE.yaml`. Says `ready`, then at each SIGUSR1 how many requests it has had.
"""

from __future__ import annotations

import asyncio
import signal
import sys
import time
from collections.abc import Sequence

from lungfish.config import Site, Tank, load_site
from lungfish.rig.outputs import Driven
from lungfish.rig.server import RigServer, plant_for


class CountedRig(RigServer):
    """Each unit has one tank, so a request moves one plant: a hundred idle ones cost nothing."""

    requests = 0

    def __init__(self, site: Site) -> None:
        super().__init__(
            site,
            {
                name: plant_for(site, tank, lambda _t_s: 0.9, seed)
                for seed, (name, tank) in enumerate(site.tanks.items())
            },
        )
        self._zero_s = time.monotonic()

    def advance(self) -> None:
        """Time does not pass for all at once here."""

    async def _request(
        self,
        senders: Sequence[Tank],
        valves: Sequence[Driven],
        function: int,
        address: int,
        registers: list[int],
        values: Sequence[int | bool] | None,
    ) -> None:
        self.requests += 1
        for tank in senders:
            self.plants[tank.name].advance(time.monotonic() - self._zero_s)
        await super()._request(senders, valves, function, address, registers, values)


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


async def _serve(site: Site) -> None:
    rig = CountedRig(site)
    await rig.start()
    loop, stop = asyncio.get_running_loop(), asyncio.Event()
    loop.add_signal_handler(signal.SIGUSR1, lambda: _say(str(rig.requests)))
    loop.add_signal_handler(signal.SIGTERM, stop.set)
    _say("ready")
    await stop.wait()
    await rig.stop()


if __name__ == "__main__":
    asyncio.run(_serve(load_site(sys.argv[1])))
