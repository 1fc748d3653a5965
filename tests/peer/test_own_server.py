"""The daemon on the rig's own Modbus TCP server, as the demo has it: how far its levels are from the plants' own."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.peer.own_site import OwnSite, own_site
from tests.peer.real_runs import Score, run_for, score


def measured(site: OwnSite, rows: list[dict[str, str]]) -> Score:
    """Every valve shut, every plant purged; each level against the plant's at the moment its valve shut."""
    assert not [name for name, plant in site.plants.items() if plant.valve_open]
    assert set(site.shut) == set(site.plants)
    found = score(rows, lambda row: site.level_at_shutting_m(row["tank"], float(row["monotonic_s"])))
    print(f"\nover our own server: {found}")
    assert found.within >= 0.95 * found.levels
    return found


async def test_the_first_levels_are_the_plants_own(tmp_path: Path) -> None:
    async with own_site(tmp_path, tanks=10, seed=41) as site:
        rows = await run_for(site.path, 27.0)
        found = measured(site, rows)
    assert {row["tank"] for row in rows if row["level_m"]} == set(site.plants)
    assert found.covered >= 0.90 * found.levels  # one of ten may be outside: k = 2 means one in twenty


@pytest.mark.campaign
@pytest.mark.timeout(600)
async def test_five_minutes_of_levels_are_the_plants_own(tmp_path: Path) -> None:
    async with own_site(tmp_path, tanks=20, seed=51) as site:
        rows = await run_for(site.path, 300.0)
        found = measured(site, rows)
    assert found.levels >= 300  # some nineteen slots for each, of which its second cycle takes two
    assert found.covered >= 0.93 * found.levels
