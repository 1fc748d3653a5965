"""Cable cut or computer dead with the valve open: nothing of ours can reach it, and the I/O block's time-out shuts it.

For the block a cut cable and a dead computer are the same: no request comes any more. 1,000 random moments with
`pytest -m campaign -s tests/app/test_outside_layer.py`; some of them without the mark.
"""

from __future__ import annotations

import asyncio
import random
from dataclasses import dataclass

import pytest

from lungfish.config import Site, load_site_text
from lungfish.config.valve_model import valves_shut_by_this_computer_alone
from lungfish.rig.output_timeout import OutputTimeout
from lungfish.rig.virtual_loop import run_virtual
from tests.app.virtual_site import HEAD, TANK, VirtualSite
from tests.repo.house import ROOT

TICK_S = 0.02
"""Of the block's own clock."""
ON_THE_WAY_S = 0.0025
"""A request that was on the way at the cut arrives so much later, and the block counts from it."""
MAX_OPEN_S = 20.0


@dataclass(frozen=True)
class Cut:
    """What happened at one cut with the valve open."""

    open_for_s: float | None
    """From the cut until the block shut the valve, s; None: it was still open a minute later."""
    good: int
    """Readings called good that were made after the cut."""


def site_with(module_timeout: str) -> Site:
    text = HEAD.format(simultaneous=1) + TANK.format(name="t0", unit=1, every="1 min", max_open=f"{MAX_OPEN_S:g} s")
    return load_site_text(text.replace("max_open: 20 s", f"max_open: 20 s{module_timeout}"), ROOT)


def cut(site: Site, rng: random.Random) -> Cut:
    return run_virtual(_cut(site, rng))


async def _cut(site: Site, rng: random.Random) -> Cut:
    virtual = VirtualSite(site, level_m=lambda _t_s: 2.5)
    plant, spec, now = virtual.plants["t0"], site.tanks["t0"].valve, virtual.clock.monotonic_s
    block = OutputTimeout([spec], now())
    running = asyncio.create_task(virtual.run_for(240.0))
    opening_of = rng.randrange(3)
    wait_s = rng.expovariate(1.0 / 1.5)
    cut_at_s: float | None = None
    shut_at_s: float | None = None
    opened_at_s: float | None = None
    while shut_at_s is None and now() < (cut_at_s or 180.0) + 60.0:
        await asyncio.sleep(TICK_S)
        block.heard(spec.link, spec.unit, plant.now_s)  # each request brings the plant up to its own moment
        if plant.coil and block.over(spec, now()):
            plant.command(False)
            shut_at_s = now()
        opened_at_s = now() if plant.coil and opened_at_s is None else opened_at_s if plant.coil else None
        ready = len(virtual.opened_s()) > opening_of and opened_at_s is not None and now() - opened_at_s >= wait_s
        if cut_at_s is None and ready:
            cut_at_s, virtual.links["t0"].silent = now(), True
        elif cut_at_s is None and len(virtual.opened_s()) > opening_of and not plant.coil:
            wait_s = 0.0  # that opening was over too soon: the next one, as it begins
            opening_of += 1
    assert cut_at_s is not None, "it never opened"
    running.cancel()
    await asyncio.wait({running})
    good = sum(row.quality == "good" and row.at.monotonic_s > cut_at_s for row in virtual.keeper.readings)
    return Cut(None if shut_at_s is None else shut_at_s - cut_at_s, good)


@pytest.mark.parametrize(
    "cuts",
    [
        pytest.param(15, id="few"),
        pytest.param(1000, id="all", marks=[pytest.mark.campaign, pytest.mark.timeout(3600)]),
    ],
)
def test_the_block_s_own_time_out_shuts_it_within_its_bound(cuts: int) -> None:
    late, longest_share = 0, 0.0
    for seed in range(cuts):
        rng = random.Random(seed)
        timeout_s = round(rng.uniform(0.6, 10.0), 2)
        seen = cut(site_with(f", module_timeout: {timeout_s} s"), rng)
        late += seen.open_for_s is None or seen.open_for_s > timeout_s + TICK_S + ON_THE_WAY_S
        longest_share = max(longest_share, (seen.open_for_s or 0.0) / timeout_s)
        assert seen.good == 0, seed
    print(f"\n{cuts - late} of {cuts} shut within the time-out; the longest took {longest_share:.2f} of it")
    assert late == 0
    assert longest_share > 0.5, "else it was not the time-out that shut them"


def test_without_one_it_stays_open_and_everybody_is_warned() -> None:
    site = site_with("")
    assert cut(site, random.Random(1)).open_for_s is None
    assert valves_shut_by_this_computer_alone(site.valves) == ["t0"]
