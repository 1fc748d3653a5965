"""`explain` on stores that the real daemon wrote in virtual time, with a fault or without."""

from __future__ import annotations

import asyncio
import hashlib
import io
import json
import socket
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest

from lungfish.cli.main import main
from lungfish.ports import TracePoint
from lungfish.rig.virtual_loop import run_virtual
from lungfish.store import Archive
from tests.app.test_with_store import StoreKeeper, opened
from tests.app.virtual_site import HEAD, TANK, VirtualSite, site_of
from tests.store.samples import reading

CYCLES = 4
LAST_WITHOUT_FAULT_S = 1500.0


@dataclass(frozen=True)
class Kept:
    """A site file with its store."""

    site: Path
    """The site file."""
    store: Path
    """Its store."""

    @property
    def words(self) -> list[str]:
        return ["explain", str(self.site), "t0"]


def keep(folder: Path, fault: Mapping[str, object]) -> Kept:
    """Four cycles of one tank by the timer alone, the last of them with the fault."""
    site = folder / "site.yaml"
    site.write_text(
        HEAD.format(simultaneous=1)
        + TANK.format(name="t0", unit=1, max_open="60 s", every="10 min")
        + "    watch: off\n",
        "utf-8",
    )
    store = folder / "invented.db"

    async def run(keeper: StoreKeeper) -> None:
        virtual = VirtualSite(site_of(1, watched=False), keeper=keeper)

        def strike() -> None:
            for name, value in fault.items():
                setattr(virtual.plants["t0"].faults, name, value)

        asyncio.get_running_loop().call_later(LAST_WITHOUT_FAULT_S, strike)
        await virtual.run_for(600.0 * CYCLES - 1.0)

    with opened(store) as keeper:
        run_virtual(run(keeper))
    return Kept(site, store)


@pytest.fixture(scope="module")
def healthy(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    return keep(tmp_path_factory.mktemp("healthy"), {})


@pytest.fixture(scope="module")
def plugged(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    return keep(tmp_path_factory.mktemp("plugged"), {"plugged": True})


@pytest.fixture(scope="module")
def leaking(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    return keep(tmp_path_factory.mktemp("leaking"), {"extra_leak_pa_m3_s_pa": 3e-5})


@pytest.fixture(scope="module")
def no_number(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    return keep(tmp_path_factory.mktemp("no-number"), {"reads_pa": float("nan")})


def screen(kept: Kept, capsys: pytest.CaptureFixture[str], *more: str) -> str:
    assert main([*kept.words, *more]) == 0
    return capsys.readouterr().out


def as_json(kept: Kept, capsys: pytest.CaptureFixture[str], *more: str) -> dict[str, object]:
    told = json.loads(screen(kept, capsys, "--json", *more))
    assert isinstance(told, dict)
    return told


def section(text: str, begins: str) -> list[str]:
    """Lines from the one that begins so to the next blank one."""
    lines = text.splitlines()
    first = next(k for k, line in enumerate(lines) if line.lstrip().startswith(begins))
    return lines[first : next((k for k in range(first, len(lines)) if not lines[k].strip()), len(lines))]


def test_all_of_it_is_one_screen(
    healthy: Kept, leaking: Kept, plugged: Kept, capsys: pytest.CaptureFixture[str]
) -> None:
    for kept in (healthy, leaking, plugged):
        lines = screen(kept, capsys).splitlines()
        assert max(map(len, lines)) <= 100
        assert len(lines) <= 50


def test_a_good_reading_is_shown_with_its_uncertainty_and_nothing_to_do(
    healthy: Kept, capsys: pytest.CaptureFixture[str]
) -> None:
    text = screen(healthy, capsys)
    with Archive(healthy.store) as archive:
        last = archive.last_reading("t0")
    assert last is not None
    assert last.level_m is not None
    assert last.level_u_m is not None
    assert f"GOOD   level {last.level_m:.4f} m ± {1000 * last.level_u_m:.1f} mm (k = 2)" in text
    assert "\nok\n" in text
    assert "NE 107" not in text
    assert "caution" not in text


def test_a_leak_is_told_with_its_numbers_its_signal_and_what_to_do_first(
    leaking: Kept, capsys: pytest.CaptureFixture[str]
) -> None:
    text = screen(leaking, capsys)
    head, *lines = section(text, "line_leak")
    assert head == "line_leak   uncertain   NE 107: S out of specification"
    assert "the shut-in fell" in lines[0]
    assert any(line.startswith("  1 ") for line in lines)
    assert any(line.startswith("  ! caution") for line in lines)
    assert "its closing, enlarged" in text
    for letter in ("A valve opened", "B knee", "C plateau", "D valve shut", "E shut-in gone back to closing"):
        assert letter in text


def test_the_picture_is_the_trace_and_the_marks_are_what_the_cycle_kept(
    leaking: Kept, capsys: pytest.CaptureFixture[str]
) -> None:
    told = as_json(leaking, capsys)
    with Archive(leaking.store) as archive:
        last = archive.last_reading("t0")
        assert last is not None
        points = archive.trace(last.id)
    assert [TracePoint(p[0], p[1], q.phase) for p, q in zip(told["trace"], points, strict=True)] == list(points)  # type: ignore[call-overload] # JSON
    seen, features = told["seen"], last.evidence["features"]
    assert isinstance(seen, dict)
    assert isinstance(features, dict)
    assert seen["plateau_pa"] == features["plateau_pa"]
    assert seen["shut_in_pa"] == features["shut_in_pa"]
    assert seen["knee_s"] == pytest.approx(seen["opened_s"] + features["fill_s"])
    assert last.purge_s == pytest.approx(seen["shut_s"] - seen["opened_s"], abs=1e-6)


def test_a_cycle_that_was_broken_off_claims_no_level_and_shows_the_limit_that_ended_it(
    plugged: Kept, capsys: pytest.CaptureFixture[str]
) -> None:
    text = screen(plugged, capsys)
    assert "BAD   level not known   head not known   volume not known" in text
    assert "tube_plugged   bad   NE 107: F failure" in text
    assert "X ended here" in text
    assert "L most that a brim-full tank can give" in text
    assert "let it out at the valve's end" in " ".join(text.split())
    newest, *older = section(text, "cycle")[2:]
    assert newest.split()[2] == "?"
    assert newest.endswith("B tube_plugged")
    assert all(line.endswith("ok") for line in older)
    told = as_json(plugged, capsys)
    seen, record = told["seen"], told["reading"]
    assert isinstance(seen, dict)
    assert isinstance(record, dict)
    assert seen["shut_in_pa"] is seen["plateau_pa"] is seen["knee_s"] is None
    assert record["level_m"] is None


def test_without_a_usable_sample_it_says_that_there_is_no_trace(
    no_number: Kept, capsys: pytest.CaptureFixture[str]
) -> None:
    text = screen(no_number, capsys)
    assert "no trace: this cycle left none" in text
    assert "the valve was not opened" in text
    assert "nan" not in text
    assert "None" not in text
    newest = section(text, "cycle")[2]
    assert newest.split()[2:9] == ["?"] * 7  # not known is not zero


def test_so_many_cycles_stand_side_by_side_as_were_asked_for(healthy: Kept, capsys: pytest.CaptureFixture[str]) -> None:
    rows = section(screen(healthy, capsys, "--last", "2"), "cycle")[2:]
    assert len(rows) == 2
    assert len(section(screen(healthy, capsys, "--last", "1000"), "cycle")[2:]) == CYCLES
    cycles = as_json(healthy, capsys, "--last", "3")["cycles"]
    assert isinstance(cycles, list)
    times = [cycle["time"] for cycle in cycles]
    assert times == sorted(times, reverse=True)
    assert len(times) == 3


def test_trends_and_what_was_learned_are_told(leaking: Kept, capsys: pytest.CaptureFixture[str]) -> None:
    text = screen(leaking, capsys)
    (fall,) = [line for line in text.splitlines() if line.startswith("  fall of the shut-in")]
    assert fall.split()[4] == "▁▁▁█"
    assert float(fall.split()[-2]) > 300.0
    assert "learned in 4 cycles: friction" in text
    assert "baseline: learning, " in text


def test_it_reads_the_store_only_and_the_daemon_may_write_meanwhile(
    healthy: Kept, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_device(*_: object, **__: object) -> None:
        raise AssertionError("explain must not talk to anything")

    before = hashlib.sha256(healthy.store.read_bytes()).digest()
    monkeypatch.setattr(socket, "socket", no_device)
    screen(healthy, capsys)
    assert hashlib.sha256(healthy.store.read_bytes()).digest() == before
    site = tmp_path / "site.yaml"
    site.write_bytes(healthy.site.read_bytes())
    with opened(tmp_path / "invented.db") as keeper:  # locked as the daemon locks it
        keeper.put_reading(reading(0.0, tank="t0"))
        keeper.flush()
        assert main(["explain", str(site), "t0"]) == 0
    assert "level 2.5000 m" in capsys.readouterr().out


def test_what_switches_said_is_told_where_there_are_some(
    healthy: Kept, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "switch" not in screen(healthy, capsys)
    site = tmp_path / "site.yaml"
    site.write_bytes(healthy.site.read_bytes())
    with opened(tmp_path / "invented.db") as keeper:
        features = {"supply_seen": False, "flow_seen": True}
        keeper.put_reading(reading(0.0, tank="t0", evidence={"features": features}))
        keeper.flush()
    assert main(["explain", str(site), "t0"]) == 0
    assert "\nswitches: supply missing, flow seen\n" in capsys.readouterr().out


def test_a_tank_that_has_left_the_site_file_still_has_its_screen(
    healthy: Kept, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = tmp_path / "site.yaml"
    text = healthy.site.read_text("utf-8").replace("  t0:", "  t1:")
    site.write_text(text.replace("path: invented.db", f"path: {healthy.store}"), "utf-8")
    assert main(["explain", str(site), "t0"]) == 0
    assert "GOOD   level" in capsys.readouterr().out


@pytest.mark.parametrize("words", [["--last", "0"], ["--last", "many"], ["--last", "-1"], ["--last", "1e3"]])
def test_a_number_of_cycles_that_is_none_is_refused(
    words: list[str], healthy: Kept, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as left:
        main([*healthy.words, *words])
    assert left.value.code == 2
    assert "write a whole number from 1 to 1000" in capsys.readouterr().err


def refused(words: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    status = main(words)
    out, err = capsys.readouterr()
    assert out == ""
    assert "Traceback" not in err
    return status, err


def test_where_there_is_nothing_to_show_one_message_says_why(
    healthy: Kept, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, said = refused(["explain", str(healthy.site), "t9"], capsys)
    assert (status, "there is no tank `t9`" in said, "`t0`" in said) == (2, True, True)
    site, store = tmp_path / "site.yaml", tmp_path / "invented.db"
    site.write_bytes(healthy.site.read_bytes())
    status, said = refused(["explain", str(site), "t0"], capsys)
    assert (status, "there is no store yet" in said) == (2, True)
    status, said = refused(["explain", str(site), "t9"], capsys)
    assert (status, "there is no tank `t9`" in said) == (2, True)
    with opened(store):
        pass
    status, said = refused(["explain", str(site), "t0"], capsys)
    assert (status, "no reading of t0 is kept" in said) == (1, True)
    store.write_bytes(b"this is no store" * 500)
    status, said = refused(["explain", str(site), "t0"], capsys)
    assert (status, str(store) in said) == (2, True)
    status, said = refused(["explain", str(tmp_path / "none.yaml"), "t0"], capsys)
    assert (status, "none.yaml" in said) == (2, True)


def test_a_terminal_that_knows_ascii_alone_gets_the_same_screen_in_ascii(
    leaking: Kept, monkeypatch: pytest.MonkeyPatch
) -> None:
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding="ascii"))
    assert main(leaking.words) == 0
    sys.stdout.flush()
    text = raw.getvalue().decode("ascii")
    assert "+-" in text
    assert "\\" not in text
    assert max(map(len, text.splitlines())) <= 100
    assert "its closing, enlarged" in text
