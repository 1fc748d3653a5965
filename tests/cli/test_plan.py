"""`lungfish plan`: what is due, when and why; folded where it repeats itself."""

from __future__ import annotations

from pathlib import Path

import pytest

from lungfish.app.outlook import Purge
from lungfish.cli.main import main
from lungfish.cli.plan import picture, runs_of
from lungfish.cli.terminal import WIDTH
from tests.config.samples import GOOD

KEYS = """\
    schedule:
      - {from: "06:00", to: "22:00", days: mon-fri, every: 5 min}
      - {cron: "0 12 * * *"}
    hold_off: {mixer: {link: panel, unit: 1, input: 4}}
"""


def planned(text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], *more: str) -> list[str]:
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    assert main(["plan", str(path), *more]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= WIDTH
    return lines


def row(lines: list[str], begins: str) -> str:
    (found,) = [line for line in lines if line.startswith(begins)]
    return " ".join(found.split())


def test_every_alone_is_one_line_a_day(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = planned(GOOD, tmp_path, capsys, "--from", "2026-06-01T10:00")
    assert row(lines, "Mon 10:00") == "Mon 10:00 sump the first"
    assert row(lines, "Mon 10:10") == "Mon 10:10 to Tue 09:50 sump every 10 min, 143 times"
    assert row(lines, "sump ") == "sump " + 72 * "2"


def test_hours_moments_and_contacts_are_all_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = GOOD.replace("every: 10 min", "every: 1 h") + KEYS
    lines = planned(text, tmp_path, capsys, "--from", "2026-06-01T00:00")
    assert row(lines, "Mon 06:05").startswith("Mon 06:05 to Mon 21:55 sump mon-fri 06:00 to 22:00, every 5 min")
    assert row(lines, "sump  ") == "sump " + 6 * "1.." + 48 * "4" + "..1..1"
    assert "sump: mixer may postpone each of its purges by 30 min at most" in lines
    saturday = planned(text, tmp_path, capsys, "--from", "2026-06-06T09:30")
    assert row(saturday, "Sat 12:00") == "Sat 12:00 sump cron 0 12 * * *"


def test_the_long_day_has_25_hours_of_purges_in_its_local_times(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # IANA rule EU, 2026: back on 25 October at 01:00 UTC; so 24 hours from midnight end at 23:00
    lines = planned(GOOD, tmp_path, capsys, "--from", "2026-10-25")
    assert "from BST to GMT" in lines[2]
    assert row(lines, "Sun 00:10 BST") == "Sun 00:10 BST to Sun 22:50 GMT sump every 10 min, 143 times"


def test_tanks_with_the_same_plan_are_one_line_and_spread_ones_are_not(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tank, text = GOOD[GOOD.index("  sump:") :], GOOD
    for number in range(1, 6):
        other = tank.replace("sump", f"silo-{number}").replace("register: 0", f"register: {2 * number}")
        text += other.replace("coil: 0", f"coil: {number}")
    lines = planned(text, tmp_path, capsys, "--from", "2026-06-01")
    assert row(lines, "Mon 00:00") == "Mon 00:00 sump and 5 more the first"
    spread = planned(text.replace("neous: 1", "neous: 1\n  stagger: true"), tmp_path, capsys, "--from", "2026-06-01")
    assert row(spread, "Mon 00:01:40") == "Mon 00:01:40 sump every 10 min, spread over the tanks"
    assert row(spread, "Mon 00:11:40") == "Mon 00:11:40 to Mon 23:51:40 sump every 10 min, 143 times"


def test_out_of_service_is_told_and_has_no_purge(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = GOOD + '    out_of_service: {reason: tube taken out, until: "2026-06-03 08:00"}\n'
    lines = planned(text, tmp_path, capsys, "--from", "2026-06-01")
    assert row(lines, "sump  ") == "sump " + 72 * "."
    assert "sump is out of service until 2026-06-03 08:00 BST: tube taken out" in lines


@pytest.mark.parametrize(
    ("more", "told"),
    [(("--tank", "sumb"), "did you mean `sump`?"), (("--from", "noon"), "2026-03-05T06:00")],
)
def test_what_can_t_be_meant_is_told(
    more: tuple[str, str], told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(GOOD, encoding="utf-8")
    assert main(["plan", str(path), *more]) == 2
    assert told in capsys.readouterr().err


@pytest.mark.parametrize("begin", ["0001-01-01", "9999-12-31", "1970-01-01", "2026-03-29T01:30"])
def test_the_ends_of_the_calendar_are_no_traceback(
    begin: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(GOOD + KEYS.replace("every: 5 min", "every: 8 min"), encoding="utf-8")
    assert main(["plan", str(path), "--from", begin]) in {0, 2}
    capsys.readouterr()


def test_a_row_that_changes_its_distance_is_no_longer_one_line() -> None:
    purges = [Purge(at_s, "why") for at_s in (0.0, 60.0, 120.0, 180.0, 300.0, 420.0, 540.0)]
    assert [(each.first_s, each.last_s, each.number) for each in runs_of(purges)] == [
        (0.0, 180.0, 4),
        (300.0, 540.0, 3),
    ]


def test_the_picture_counts() -> None:
    purges = [Purge(1000.0 + 100.0 * n, "") for n in range(12)]
    assert picture(purges, 1000.0) == "+" + 71 * "."
    assert picture(purges[:9], 1000.0 - 1200.0) == ".9" + 70 * "."
