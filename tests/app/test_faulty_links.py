"""Links that fail at random, in virtual time: no valve open too long, no wrong level called good, and then well again.

One seed is one run; a failing one can be run again by its number.
"""

from __future__ import annotations

import asyncio
import random
from collections import Counter

import pytest

from lungfish.rig.virtual_loop import run_virtual
from tests.app.virtual_site import VirtualSite, site_of

TANKS = 3
EVERY_S = 120.0
MAX_OPEN_S = 30.0
FAULTY_S = 2400.0
CALM_S = 3 * EVERY_S
LONGEST_FAULT_S = 90.0


async def _trouble(site: VirtualSite, dice: random.Random) -> None:
    """Make one link after the other fail in one way or another; in the end all are well."""
    while site.clock.monotonic_s() < FAULTY_S:
        await asyncio.sleep(dice.expovariate(1 / 20.0))
        link = site.links[dice.choice(list(site.links))]
        fault = dice.choice(["silent", "deaf_to_shut", "loses_answers", "slow"])
        if fault == "slow":
            link.takes_s = dice.choice([0.002, 0.03, 0.2, 0.45])
        else:
            lasts_s = min(LONGEST_FAULT_S, dice.expovariate(1 / 8.0))
            setattr(link, fault, True)
            asyncio.get_running_loop().call_later(lasts_s, setattr, link, fault, False)
    await asyncio.sleep(LONGEST_FAULT_S)
    for link in site.links.values():
        link.takes_s = 0.005


async def _live(seed: int) -> VirtualSite:
    dice = random.Random(seed)
    levels = [dice.uniform(0.3, 2.6) for _ in range(TANKS)]
    site = VirtualSite(
        site_of(TANKS, every=f"{EVERY_S:g} s", max_open=f"{MAX_OPEN_S:g} s", simultaneous=2),
        level_m=lambda _t_s: levels[0],
    )
    trouble = asyncio.create_task(_trouble(site, dice))
    assert await site.run_for(FAULTY_S + LONGEST_FAULT_S + CALM_S), f"seed {seed}: a valve is not confirmed shut"
    await trouble
    return site


def _examine(site: VirtualSite, seed: int) -> Counter[str]:
    # the longest fault, its time-out, and the pause between two tries are what a dead link adds to the cycle's limit
    assert site.longest_open_s() < MAX_OPEN_S + LONGEST_FAULT_S + 20.0, f"seed {seed}"
    assert site.any_open() == []
    for tank in site.site.tanks:
        rows = site.keeper.of(tank)
        told = sum(row.purge_s != 0.0 for row in rows)  # unknown counts as told
        assert told >= len(site.opened_s(tank)), f"seed {seed}: {tank} was opened more often than told"
        for row in rows:
            assert (row.level_m is None) == (row.quality == "bad")
            if row.quality == "good":
                truth_m = site.plants[tank].params.level_m(row.at.monotonic_s)
                assert row.level_m == pytest.approx(truth_m, abs=max(0.010, 2.0 * (row.level_u_m or 0.0))), (
                    f"seed {seed}: {tank} at {row.at.monotonic_s:.1f} s: {row.evidence['sentences']}"
                )
        assert rows[-1].quality == "good", f"seed {seed}: {tank} is not well again: {rows[-1].evidence['sentences']}"
    return Counter(row.diagnosis for row in site.keeper.readings)


def test_with_links_that_fail_at_random_it_stays_safe_and_honest() -> None:
    seen: Counter[str] = Counter()
    for seed in range(4):
        seen += _examine(run_virtual(_live(seed)), seed)
    assert seen["link_lost"] > 5  # there was trouble to be met


@pytest.mark.campaign
@pytest.mark.timeout(3000)
def test_with_two_hundred_such_runs() -> None:
    seen: Counter[str] = Counter()
    for seed in range(100, 300):
        seen += _examine(run_virtual(_live(seed)), seed)
    for diagnosis, count in seen.most_common():
        print(f"{diagnosis:<40}{count:>7}")
