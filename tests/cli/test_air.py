"""`lungfish air`: the ledger, with its worked example by hand."""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from lungfish.cli.air import COLUMNS
from lungfish.cli.main import main
from lungfish.ports import ClockState, Stamp
from lungfish.store import Store
from lungfish.study.ledger import fixed_timer
from tests.cli.test_export import SITE, record
from tests.config.samples import GOOD, loaded

ZONE = ZoneInfo("Europe/London")
COSTS = "simultaneous: 1, specific_power: 0.15 kWh/m**3, tariff: 0.30 EUR/kWh"


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "larkfield.yaml"
    path.write_text(SITE.replace("simultaneous: 1", COSTS).replace("90 s}", "90 s, rated_operations: 10000}"))
    return path


@pytest.fixture
def keep(site: Path) -> Callable[..., None]:
    """Puts purges of so much air each into the store, one in ten minutes from a local moment on."""

    def put(first: str, count: int, air_sl: float = 0.05) -> None:
        start = datetime.fromisoformat(first).replace(tzinfo=ZONE)
        with Store.open(site.with_name("larkfield.db")) as store:
            for number in range(count):
                when = datetime.fromtimestamp(start.timestamp() + 600.0 * number, ZONE)
                store.put_reading(record(when.isoformat(), purge_s=1.5, air_sl=air_sl))
                if number % 1000 == 999:
                    store.flush().result(10.0)

    return put


def lines(site: Path, capsys: pytest.CaptureFixture[str], *options: str) -> list[dict[str, str]]:
    assert main(["air", str(site), "--format", "csv", *options]) == 0
    return list(csv.DictReader(io.StringIO(capsys.readouterr().out)))


def test_energy_and_money_of_a_day_by_hand(
    site: Path, keep: Callable[..., None], capsys: pytest.CaptureFixture[str]
) -> None:
    """By hand: 144 purges of 0.05 SL are 7.2 SL, 0.0072 m3; x 0.15 kWh/m3 = 1.08 Wh; x 0.30 EUR/kWh = 0.000324 EUR.

    Continuous: 1.5 L/min x 1440 min = 2160 SL, 324 Wh, 0.0972 EUR.
    """
    keep("2026-03-05T00:00", 144)
    (row,) = lines(site, capsys, "--month", "2026-03")
    assert (row["day"], row["tank"], row["purges"], row["unknown"]) == ("2026-03-05", "wet-well", "144", "0")
    assert float(row["covered_s"]) == 86400.0
    assert float(row["air_sl"]) == float(row["air_most_sl"]) == pytest.approx(7.2)
    assert float(row["open_s"]) == pytest.approx(216.0)
    assert float(row["continuous_sl"]) == pytest.approx(2160.0)
    assert float(row["energy_wh"]) == pytest.approx(1.08)
    assert float(row["continuous_wh"]) == pytest.approx(324.0)
    assert float(row["cost"]) == pytest.approx(0.000324)
    assert float(row["continuous_cost"]) == pytest.approx(0.0972)
    assert float(row["timer_cost"]) == pytest.approx(float(row["timer_sl"]) * 1e-3 * 0.15 * 0.30, rel=1e-3)
    assert row["currency"] == "EUR"


def test_the_fixed_timer_by_hand(tmp_path: Path) -> None:
    """By hand, p V at constant temperature, without friction.

    Tube 5 m of 10 mm and line 20 m of 4.3 mm hold 392.7 and 290.4 mL. Brim-full, 4.9 m of 998.2 kg/m3 are 47 966 Pa:
    101 325 + 47 966 Pa x 683.1 mL = 101.98 Pa m3 must be in it at the first bubble. Flooded by 4.9 m it holds 298.3 mL
    at 101 325 Pa, 30.22 Pa m3. The difference, 71.76 Pa m3, comes at 1.5 L/min = 2.5 Pa m3/s in 28.7 s; with 2 s of
    bubbling 30.7 s, 76.8 Pa m3, 0.768 L at 1 bar. Packing the line to its friction adds a little.
    """
    site = loaded(GOOD, tmp_path)
    timer = fixed_timer(site, site.tanks["sump"])
    assert 30.7 < timer.open_s < 30.7 * 1.02
    assert 0.768e-3 < timer.air_m3 < 0.768e-3 * 1.02


def test_the_days_are_the_sites_own_and_as_long_as_its_clocks_make_them(
    site: Path, keep: Callable[..., None], capsys: pytest.CaptureFixture[str]
) -> None:
    """In 2026 London's clocks go forward on 29 March: 23 h (European directive 2000/84/EC: the last Sunday)."""
    keep("2026-03-28T00:00", 3 * 144 - 6)
    rows = lines(site, capsys)
    assert [row["day"] for row in rows] == ["2026-03-28", "2026-03-29", "2026-03-30"]
    assert [row["purges"] for row in rows] == ["144", "138", "144"]
    assert [float(row["continuous_sl"]) for row in rows] == pytest.approx([2160.0, 2070.0, 2160.0])


def test_a_day_that_was_only_begun_is_compared_with_as_much_of_it(
    site: Path, keep: Callable[..., None], capsys: pytest.CaptureFixture[str]
) -> None:
    keep("2026-01-10T18:00", 12)
    (row,) = lines(site, capsys)
    assert float(row["covered_s"]) == 7200.0
    assert float(row["continuous_sl"]) == pytest.approx(180.0)


def test_air_that_is_not_known_is_not_taken_for_none(
    site: Path, keep: Callable[..., None], capsys: pytest.CaptureFixture[str]
) -> None:
    keep("2026-03-05T00:00", 10)
    keep("2026-03-05T02:00", 2, air_sl=float("nan"))
    (row,) = lines(site, capsys)
    assert (row["purges"], row["unknown"]) == ("12", "2")
    assert float(row["air_sl"]) == pytest.approx(0.5)
    assert float(row["air_most_sl"]) == pytest.approx(0.5 + 2 * 90.0 * 1.5 / 60.0)  # the valve's 90 s at 1.5 L/min
    assert main(["air", str(site)]) == 0
    assert "openings of unknown air: 2, with at most 4.50 SL more" in capsys.readouterr().out


def test_the_table_tells_shares_energy_money_and_the_valves_life(
    site: Path, keep: Callable[..., None], capsys: pytest.CaptureFixture[str]
) -> None:
    """By hand: 288 openings of 10 000 are 2.9 %; at 144 a day the rest lasts 9712/144 d = 67.4 d = 0.185 years."""
    keep("2026-03-05T00:00", 288)
    assert main(["air", str(site)]) == 0
    out = capsys.readouterr().out
    assert "2026-03-05    144      7.20" in out
    assert "that is 0.33 % of continuous bubbling" in out
    assert "energy and money: 2.16 Wh, 0.00065 EUR; continuous 648 Wh, 0.19 EUR" in out
    assert "valve: 288 openings since the store was begun, 2.9 % of its rated 10000; the rest lasts 0.185 years" in out
    assert max(map(len, out.splitlines())) <= 110
    bars = [line.count("█") + line.count("#") for line in out.splitlines() if "2026-03-0" in line]
    assert bars[0] == bars[1] > 30


def test_the_month_is_the_one_asked_for_else_that_of_the_latest_reading(
    site: Path, keep: Callable[..., None], capsys: pytest.CaptureFixture[str]
) -> None:
    keep("2026-03-31T23:00", 12)
    assert [row["day"] for row in lines(site, capsys)] == ["2026-04-01"]
    assert [row["day"] for row in lines(site, capsys, "--month", "2026-03")] == ["2026-03-31"]
    assert main(["air", str(site), "--month", "2025-03"]) == 1
    assert "nothing of 2025-03 is kept" in capsys.readouterr().err


def test_what_retention_has_taken_stands_in_the_ledger_still(
    site: Path, keep: Callable[..., None], capsys: pytest.CaptureFixture[str]
) -> None:
    keep("2026-03-05T00:00", 300)
    before = lines(site, capsys)
    now = datetime(2026, 3, 8, tzinfo=ZONE).timestamp()
    at = Stamp(boot_id="boot-1", monotonic_s=9e5, utc_s=now, clock=ClockState.SYNCHRONISED)
    with Store.open(site.with_name("larkfield.db")) as store:
        assert store.prune(at, ZONE, readings_before=date(2026, 3, 7)).result(10.0) is not None
    after = lines(site, capsys)
    assert [(row["day"], row["air_sl"], row["purges"]) for row in after] == [
        (row["day"], row["air_sl"], row["purges"]) for row in before
    ]
    assert main(["air", str(site)]) == 0
    assert "valve: 300 openings since the store was begun" in capsys.readouterr().out


@pytest.mark.parametrize("ending", [".svg", ".png"])
def test_the_plot_is_a_picture_of_its_kind(
    site: Path, keep: Callable[..., None], capsys: pytest.CaptureFixture[str], tmp_path: Path, ending: str
) -> None:
    keep("2026-03-05T00:00", 288)
    picture = tmp_path / f"march{ending}"
    assert main(["air", str(site), "--plot", str(picture)]) == 0
    content = picture.read_bytes()
    if ending == ".png":
        assert content.startswith(b"\x89PNG\r\n\x1a\n")  # https://www.w3.org/TR/png-3/ section 5.2
    else:
        assert b"<svg" in content
        assert b"Larkfield" in content
    assert "continuous" in capsys.readouterr().out


def test_without_what_draws_there_is_one_message(
    site: Path,
    keep: Callable[..., None],
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    keep("2026-03-05T00:00", 2)
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    assert main(["air", str(site), "--plot", str(tmp_path / "march.svg")]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err == (
        "lungfish air: --plot needs matplotlib, which is not installed; add it with `pip install 'lungfish[plot]'`\n"
    )


@pytest.mark.parametrize(
    ("options", "wrong", "right"),
    [
        (("--month", "2026-13"), "'2026-13' is no month", "2026-03"),
        (("--month", "March"), "'March' is no month", "2026-03"),
        (("--plot", "march.pdf"), "'march.pdf' is no name for a picture", ".svg or .png"),
    ],
)
def test_a_bad_argument_is_told_with_what_would_be_right(
    site: Path, capsys: pytest.CaptureFixture[str], options: tuple[str, ...], wrong: str, right: str
) -> None:
    with pytest.raises(SystemExit) as left:
        main(["air", str(site), *options])
    assert left.value.code == 2
    err = capsys.readouterr().err
    assert wrong in err
    assert right in err


def test_no_store_yet_is_told(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["air", str(site)]) == 2
    assert "there is no store yet" in capsys.readouterr().err


def test_a_picture_that_cannot_be_written_is_told(
    site: Path, keep: Callable[..., None], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    keep("2026-03-05T00:00", 2)
    assert main(["air", str(site), "--plot", str(tmp_path / "nowhere" / "march.svg")]) == 2
    assert "can't be written: No such file or directory" in capsys.readouterr().err


def test_every_column_is_explained(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["air", "--help"])
    told = capsys.readouterr().out
    assert [name for name in COLUMNS if name not in told] == []


def test_the_months_length_is_the_calendars(
    site: Path, keep: Callable[..., None], capsys: pytest.CaptureFixture[str]
) -> None:
    keep("2026-02-27T12:00", 2 * 144)  # 2026 is no leap year
    days = [row["day"] for row in lines(site, capsys, "--month", "2026-02")]
    assert days == ["2026-02-27", "2026-02-28"]
    assert date.fromisoformat(days[-1]) + timedelta(days=1) == date(2026, 3, 1)
