"""Days of the whole daemon with a plug behind a link with gaps: cleared, better, or given up, and never harmed.

`pytest -m campaign -s tests/campaign/test_clearing.py` prints what came of how many.
"""

from __future__ import annotations

import asyncio
import random
from collections import Counter

import pytest

from lungfish.rig.virtual_loop import run_virtual
from tests.app.test_clearing import LIMIT_PA, live, site_with
from tests.app.virtual_site import VirtualSite

STRENGTHS_PA = {"weak": (20e3, 40e3), "middle": (40e3, 110e3), "strong": (110e3, 500e3)}
"""Difference of pressure at which the plug gives way. A cycle by itself presses to some 30 kPa here, a pulse on."""


async def _gaps(site: VirtualSite, dice: random.Random) -> None:
    """The link is silent now and then, shorter than the delay that the site file states."""
    while True:
        await asyncio.sleep(dice.expovariate(1 / 120.0))
        site.links["t0"].silent = True
        await asyncio.sleep(dice.uniform(0.1, 0.45))
        site.links["t0"].silent = False


async def _day(strength: str, seed: int) -> VirtualSite:
    dice = random.Random(seed)
    level_m = dice.uniform(0.2, 2.8)
    site = VirtualSite(site_with(span=dice.choice(["40 kPa", "150 kPa"])), level_m=lambda _t_s: level_m)
    site.links["t0"].takes_s = dice.choice([0.005, 0.03, 0.1])
    site.plants["t0"].faults.plug_weakens_share = dice.choice([0.0, 0.2])
    gaps = asyncio.create_task(_gaps(site, dice))
    try:
        return await live(site, dice.uniform(*STRENGTHS_PA[strength]), 8.0, left_share=dice.choice([1.0, 0.3, 0.03]))
    finally:
        gaps.cancel()


def _run(count: int) -> tuple[Counter[tuple[str, str]], float]:
    """How often each strength ended how, and the highest share of the limit that was reached."""
    ends: Counter[tuple[str, str]] = Counter()
    highest_share = 0.0
    for strength in STRENGTHS_PA:
        for seed in range(count):
            site = run_virtual(_day(strength, seed))
            share = site.plants["t0"].highest_pa / LIMIT_PA
            assert share <= 1.0, f"{strength}, seed {seed}"
            assert site.any_open() == [], f"{strength}, seed {seed}"
            assert len(site.keeper.tries) <= 2, f"{strength}, seed {seed}"
            highest_share = max(highest_share, share)
            told = [text for text in site.keeper.told("clearing") if text.startswith(("result", "given up"))]
            last = told[-1] if told else "no try: the cycles' own pressure was enough"
            ends[strength, last.removeprefix("result of the try: ").split(";")[0].split(":")[0]] += 1
    return ends, highest_share


def test_plugs_of_three_strengths_are_cleared_or_given_up() -> None:
    ends, _ = _run(3)
    assert any(end == "cleared" for _, end in ends)
    assert ends["strong", "given up for now"] >= 2
    assert not any("no change" in end for _, end in ends), "what is not cleared goes on to its end"


@pytest.mark.campaign
@pytest.mark.timeout(3000)
def test_three_hundred_such_days() -> None:
    ends, highest_share = _run(100)
    for (strength, end), count in sorted(ends.items()):
        print(f"{strength:<8} {end:<50} {count:>4}")
    print(f"highest pressure at the transmitter: {highest_share:.3f} of its limit")
