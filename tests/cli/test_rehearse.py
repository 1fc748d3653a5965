"""`lungfish rehearse`: what people and programs get, and what bad arguments are told."""

from __future__ import annotations

import csv
import re
import sys
from pathlib import Path

import pytest

from lungfish.cli.main import main
from tests.app.virtual_site import HEAD, TANK

DAYS = "0.05"
"""Seventy-two minutes: seven or eight cycles."""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    file = tmp_path / "site.yaml"
    text = HEAD.format(simultaneous=1) + TANK.format(name="t0", unit=1, every="10 min", max_open="60 s")
    file.write_text(text, encoding="utf-8")
    return file


def test_people_get_three_ways_a_picture_and_the_load_of_the_link(
    site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["rehearse", str(site), "--days", DAYS]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 100
    ways = [line.split()[0] for line in lines if line.startswith(("  continuous", "  fixed", "  lungfish"))]
    assert ways == ["continuous", "fixed", "lungfish"]
    assert any(line.strip().startswith("purges") and "█" in line for line in lines)
    assert any(line.startswith("link panel: 0.") for line in lines)
    assert lines[-1] == "every simulated valve is shut"


def test_nothing_is_kept_beside_the_site_file(site: Path) -> None:
    assert main(["rehearse", str(site), "--days", "0.01"]) == 0
    assert [file.name for file in site.parent.iterdir()] == [site.name]


def test_programs_get_a_row_for_each_way(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    copy = site.parent / "copy.csv"
    assert main(["rehearse", str(site), "--days", DAYS, "--format", "csv", "--csv", str(copy)]) == 0
    out = capsys.readouterr().out
    assert copy.read_text(encoding="utf-8") == out
    rows = list(csv.DictReader(out.splitlines()))
    assert [row["way"] for row in rows] == ["continuous", "fixed timer", "lungfish"]
    ours = rows[-1]
    assert int(ours["readings"]) >= 7
    assert ours["good_readings"] == ours["readings"] == ours["valve_openings"]
    assert float(ours["air_sl"]) == pytest.approx(float(ours["plant_air_sl"]), rel=0.01)
    assert float(rows[0]["air_sl"]) == pytest.approx(2.0 * 72.0, rel=1e-4)
    assert ours["alarm_delay_mean_s"] == ""  # never passed: not known, and no zero


def test_an_inflow_comes_from_a_file(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    inflow = site.parent / "inflow.csv"
    inflow.write_text("time h,inflow L/s\n0,5\n24,5\n", encoding="utf-8")
    assert main(["rehearse", str(site), "--days", DAYS, "--inflow", str(inflow), "--alarm", "1.5 m"]) == 0
    out = capsys.readouterr().out
    assert "mean inflow 5 L/s" in out
    assert "alarm at 1.50 m" in out
    assert re.search(r"\d of 2$", out, re.MULTILINE)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--days", "0"), "`0` is no number of days; write one above 0"),
        (("--days", "many"), "`many` is no number of days"),
        (("--pattern", "tidal"), "invalid choice: 'tidal'"),
        (("--pattern", "daily", "--inflow", "x.csv"), "not allowed with"),
    ],
)
def test_a_bad_word_is_told(site: Path, words: tuple[str, ...], told: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["rehearse", str(site), *words])
    assert left.value.code == 2
    assert told in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--alarm", "high"), "--alarm high: `high` does not begin with a number; write a number with its unit"),
        (("--alarm", "-1 m"), "this is not above zero"),
        (("--transaction", "5"), "--transaction 5: "),
        (("--plot", "a.txt"), "write a name that ends in .png"),
        (("--inflow", "none.csv"), "none.csv: No such file or directory; name a CSV file"),
        (("--csv", "no/such/folder.csv"), "no/such/folder.csv: No such file or directory"),
    ],
)
def test_a_bad_argument_is_told_in_one_line(
    site: Path, words: tuple[str, ...], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    flag, value = words
    assert main(["rehearse", str(site), "--days", "0.01", f"{flag}={value}"]) == 2
    captured = capsys.readouterr()
    assert told in captured.err
    assert len(captured.err.splitlines()) == 1
    assert captured.out == ""


def test_a_plot_without_its_library_is_told_before_the_time_is_spent(
    site: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    assert main(["rehearse", str(site), "--plot", str(site.parent / "a.png")]) == 2
    assert "needs matplotlib, which is not installed; add it with" in capsys.readouterr().err


def test_levels_and_purges_are_drawn_into_a_file(site: Path) -> None:
    drawing = site.parent / "levels.svg"
    assert main(["rehearse", str(site), "--days", "0.02", "--plot", str(drawing)]) == 0
    text = drawing.read_text(encoding="utf-8")
    assert "<svg" in text
    assert text.count("<use") > 3  # a mark for each purge, besides the ticks


def test_the_picture_without_unicode_is_plain(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("lungfish.cli.rehearse.shows_unicode", lambda: False)
        assert main(["rehearse", str(site), "--days", "0.02"]) == 0
    assert capsys.readouterr().out.isascii()
