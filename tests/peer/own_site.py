"""Simulated plants behind the rig's own Modbus TCP server, as the demo has them; each plant says what was true."""

from __future__ import annotations

import random
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.peer.drawn_site import drawn_level, drawn_plant, drawn_text

from lungfish.config import load_site
from lungfish.rig.plant import Plant
from lungfish.rig.server import RigServer

__all__ = ["OwnSite", "own_site"]


@dataclass
class OwnSite:
    """A running site."""

    path: Path
    plants: dict[str, Plant]
    shut: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    """By tank, each time that its valve shut: monotonic time, s, and the plant's true level then, m."""

    def moved(self, tank: str, is_open: bool, at_s: float) -> None:
        """Note a change of a valve's coil."""
        if not is_open:
            self.shut.setdefault(tank, []).append((at_s, self.plants[tank].level_m))

    def level_at_shutting_m(self, tank: str, near_s: float) -> float:
        """What the plant's level was when its valve shut, m.

        Args:
            tank: its name.
            near_s: when lungfish says that this was, monotonic s.
        """
        at_s, level_m = min(self.shut[tank], key=lambda noted: abs(noted[0] - near_s))
        # half a round trip is all that the stamp may be off by, and a round trip ends with the link's time-out
        assert abs(at_s - near_s) <= 0.5, f"{tank}: no valve shut within half a second of {near_s:.3f} s"
        return level_m


@asynccontextmanager
async def own_site(folder: Path, tanks: int, seed: int) -> AsyncIterator[OwnSite]:
    """Serve some tanks of random depth, bore, line, tee, format, ripple, noise and damping, their levels moving."""
    rng = random.Random(seed)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    path = folder / "thornhill.yaml"
    link = f"{{kind: modbus-tcp, host: 127.0.0.1, port: {port}, timeout: 500 ms}}"
    path.write_text(
        drawn_text(rng, link, tanks, bores_mm=(5.0, 10.0), lines_m=(0.5, 30.0), line_bores_mm=(4.0, 4.5, 5.0))
    )
    site = load_site(path)
    plants = {name: drawn_plant(site, name, drawn_level(rng), rng, seed + k) for k, name in enumerate(site.tanks)}
    own = OwnSite(path, plants)
    server = RigServer(site, plants, on_coil=own.moved, seed=seed)
    await server.start()
    try:
        yield own
    finally:
        await server.stop()
