"""The zero on the screen: nothing to tell, a drift, a check that failed, and what was seen under other settings."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from lungfish.app.tank_loop import settings_hash
from lungfish.cli.explain_zero import KeptZeros, zero_call_lines, zero_lines
from lungfish.cli.main import main
from lungfish.config import cycle_setup
from lungfish.core.zero import Outcome, Source, Zero
from lungfish.ports import ZeroRecord
from lungfish.store import Store
from tests.app.virtual_site import HEAD, TANK, site_of
from tests.store.samples import reading, stamp

UTC = ZoneInfo("UTC")
SITE = site_of(1)
SETUP = cycle_setup(SITE, SITE.tanks["t0"])
SOUND = Zero(
    source=Source.VENT, outcome=Outcome.MEASURED, zero_pa=3.0, u_pa=1.0, rest_pa=14e3, proven=True, came_back=True
)
DRIFTED = Zero(
    source=Source.VENT, outcome=Outcome.MEASURED, zero_pa=-300.0, u_pa=1.0, rest_pa=14e3, proven=True, came_back=True
)
STUCK = Zero(
    source=Source.VENT, outcome=Outcome.MEASURED, zero_pa=3.0, u_pa=1.0, rest_pa=14e3, proven=True, came_back=False
)
FAILED = Zero(source=Source.VENT, outcome=Outcome.NOT_MOVED, rest_pa=14e3, detail="the valve did not open")


def kept(*zeros: Zero, vented: bool = True) -> KeptZeros:
    records = [
        ZeroRecord(tank="t0", at=stamp(60.0 * n), config=settings_hash(SETUP), zero=zero)
        for n, zero in enumerate(zeros)
    ]
    return KeptZeros(setup=SETUP, records=records, vented=vented)


def both(it: KeptZeros) -> tuple[Sequence[str], Sequence[str]]:
    return list(zero_call_lines(it)), list(zero_lines(it, UTC))


def test_a_tank_without_vent_and_sighting_takes_no_room() -> None:
    assert both(kept(vented=False)) == ([], [])
    assert both(kept()) == ([], ["zero: not checked yet"])


def test_a_sound_zero_calls_nothing() -> None:
    calls, lines = both(kept(SOUND))
    assert calls == []
    assert "+3.0 Pa (u = 1.0 Pa), within the 69 Pa of its tolerance" in " ".join(" ".join(lines).split())


@pytest.mark.parametrize(
    ("zero", "says"), [(DRIFTED, "has drifted"), (FAILED, "could not be checked"), (STUCK, "did not come back")]
)
def test_what_asks_for_a_visit_stands_at_the_top(zero: Zero, says: str) -> None:
    (call,), lines = both(kept(zero, SOUND))
    assert says in call
    assert "NE 107: M maintenance required" in call
    assert max(map(len, lines)) <= 100


def test_the_command_shows_it_and_json_has_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site = tmp_path / "site.yaml"
    text = HEAD.format(simultaneous=1) + TANK.format(name="t0", unit=1, max_open="60 s", every="10 min")
    site.write_text(text, "utf-8")
    with Store.open(tmp_path / "invented.db") as store:
        store.put_reading(reading(tank="t0"))
        for config, zero in (("other settings", SOUND), (settings_hash(SETUP), DRIFTED)):
            store.put_zero(ZeroRecord(tank="t0", at=stamp(), config=config, zero=zero))
    assert main(["explain", str(site), "t0"]) == 0
    screen = capsys.readouterr().out
    assert "the transmitter's zero has drifted" in screen
    assert "-300.0 Pa" in screen
    assert main(["explain", str(site), "t0", "--json"]) == 0
    (zero,) = json.loads(capsys.readouterr().out)["zeros"]
    assert (zero["zero_pa"], zero["drifted"], zero["came_back"]) == (-300.0, True, True)
    assert zero["tolerance_pa"] == pytest.approx(69.35, abs=0.1)
