"""`lungfish export`: the columns that people's scripts hold on to, and what it says when something is wrong."""

from __future__ import annotations

import csv
import io
import json
import math
import subprocess
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from lungfish.cli.main import main
from lungfish.core.reading import Phase
from lungfish.ports import ClockState, ReadingRecord, Stamp, TracePoint
from lungfish.store import Store

CONTRACT = [
    *("time", "tank", "level_m", "level_u_m", "head_pa", "volume_m3"),
    *("quality", "diagnosis", "purge_s", "air_sl"),
]
SITE = """\
site:
  name: Larkfield transfer station
  timezone: Europe/London
  gravity: 9.80665 m/s**2
store: {path: larkfield.db}
links:
  panel: {kind: modbus-tcp, host: 127.0.0.1, port: 5020, timeout: 500 ms}
air: {supply: 3 bar, flow: 1.5 L/min, simultaneous: 1}
tanks:
  wet-well:
    vented: true
    tolerates_air: true
    liquid: {density: 998.2 kg/m**3}
    vessel: {shape: upright-cylinder, diameter: 2.4 m, height: 5 m}
    tube: {tip: 100 mm, bore: 10 mm, length: 4.5 m}
    line: {bore: 4.3 mm, length: 20 m, tee: valve-end}
    transmitter:
      {link: panel, unit: 1, table: input, register: 0, format: float32, reads_in: Pa, span: [0 kPa, 60 kPa]}
    valve: {link: panel, unit: 1, coil: 0, max_open: 90 s}
    every: 10 min
"""


def record(when: str, **changes: Any) -> ReadingRecord:  # noqa: ANN401 -- any field of a record
    """A good reading of the site's tank at a moment in ISO 8601."""
    moment = datetime.fromisoformat(when)
    values: dict[str, Any] = {
        "tank": "wet-well",
        "at": Stamp(boot_id="boot-1", monotonic_s=60.5, utc_s=moment.timestamp(), clock=ClockState.SYNCHRONISED),
        "level_m": 2.3412345678,
        "level_u_m": 0.0034567,
        "head_pa": 21_940.123456,
        "volume_m3": 10.5914,
        "quality": "good",
        "diagnosis": "ok",
        "purge_s": 7.25,
        "air_sl": 0.18125,
        "evidence": {},
        "trace": (TracePoint(0.0, 1.0, Phase.LOOK),),
    }
    return ReadingRecord(**{**values, **changes})


NOTHING = dict.fromkeys(("level_m", "level_u_m", "head_pa", "volume_m3"))


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """The site file, no store beside it yet."""
    path = tmp_path / "larkfield.yaml"
    path.write_text(SITE)
    return path


@pytest.fixture
def keep(site: Path) -> Callable[..., None]:
    """Puts readings into the site's store."""

    def put(*records: ReadingRecord) -> None:
        with Store.open(site.with_name("larkfield.db")) as store:
            for one in records:
                store.put_reading(one)

    return put


@pytest.fixture
def export(site: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., str]:
    """Runs the command and gives its output; it must succeed and say nothing else."""

    def run(*options: str) -> str:
        status = main(["export", str(site), *options])
        out, err = capsys.readouterr()
        assert (status, err) == (0, "")
        return out

    return run


def rows(text: str) -> list[dict[str, str]]:
    """CSV as any reader of RFC 4180 takes it."""
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


def test_the_first_ten_columns_stand_as_promised(keep: Callable[..., None], export: Callable[..., str]) -> None:
    keep(record("2026-03-05T06:00:01.2344+00:00"))
    header, row = export().splitlines()
    assert header.split(",")[:10] == CONTRACT
    assert header.split(",")[10:] == ["seq", "boot", "clock", "monotonic_s"]
    assert row == (
        "2026-03-05T06:00:01.234Z,wet-well,2.34123,0.00346,21940.12,10.5914,good,ok,7.25,0.1812,"
        "1,boot-1,synchronised,60.5"
    )


def test_json_lines_hold_the_same(keep: Callable[..., None], export: Callable[..., str]) -> None:
    keep(record("2026-03-05T06:00:01.2344+00:00"))
    (line,) = export("--format", "jsonl").splitlines()
    row = json.loads(line)
    assert list(row)[:10] == CONTRACT
    assert row["time"] == "2026-03-05T06:00:01.234Z"
    assert (row["level_m"], row["level_u_m"], row["head_pa"]) == (2.34123, 0.00346, 21_940.12)
    assert (row["seq"], row["boot"], row["clock"]) == (1, "boot-1", "synchronised")


def test_what_is_not_known_is_empty(keep: Callable[..., None], export: Callable[..., str]) -> None:
    keep(
        record("2026-03-05T06:00:00+00:00"),
        record("2026-03-05T06:10:00+00:00", quality="bad", diagnosis="link_lost", purge_s=0.0, air_sl=0.0, **NOTHING),
        record("2026-03-05T06:20:00+00:00", quality="bad", diagnosis="aborted", purge_s=math.nan, air_sl=math.nan,
               **NOTHING),
    )  # fmt: skip
    _, lost, aborted = rows(export())
    assert [lost[name] for name in CONTRACT[2:]] == ["", "", "", "", "bad", "link_lost", "0.0", "0.0"]
    assert [aborted[name] for name in CONTRACT[2:]] == ["", "", "", "", "bad", "aborted", "", ""]
    _, lost_json, aborted_json = map(json.loads, export("--format", "jsonl").splitlines())
    assert [lost_json[name] for name in ("level_m", "volume_m3", "purge_s")] == [None, None, 0.0]
    assert [aborted_json[name] for name in ("level_m", "purge_s", "air_sl")] == [None, None, None]


def test_readings_come_oldest_first(keep: Callable[..., None], export: Callable[..., str]) -> None:
    times = ["2026-03-05T06:20:00Z", "2026-03-05T06:00:00Z", "2026-03-05T06:10:00Z"]
    keep(*(record(when) for when in times))
    assert [row["time"] for row in rows(export())] == sorted(when.replace("Z", ".000Z") for when in times)


def test_an_empty_store_gives_the_columns_alone(keep: Callable[..., None], export: Callable[..., str]) -> None:
    keep()
    assert export().startswith(",".join(CONTRACT))
    assert len(export().splitlines()) == 1
    assert export("--format", "jsonl") == ""


def test_one_tank_of_several(keep: Callable[..., None], export: Callable[..., str]) -> None:
    keep(record("2026-03-05T06:00:00Z"), record("2026-03-05T06:01:00Z", tank="old-tank"))
    assert [row["tank"] for row in rows(export("--tank", "wet-well"))] == ["wet-well"]
    assert [row["tank"] for row in rows(export("--tank", "old-tank"))] == ["old-tank"]  # gone from the file since


SUMMER = [
    "2026-06-30T22:59:59.999Z",
    "2026-06-30T23:00:00.000Z",
    "2026-07-01T11:30:00.000Z",
    "2026-07-01T23:00:00.000Z",
]


@pytest.mark.parametrize(
    ("options", "found"),
    [
        (["--since", "2026-07-01"], SUMMER[1:]),  # local midnight: an hour before that of UTC
        (["--until", "2026-07-01"], SUMMER[:1]),
        (["--since", "2026-07-01", "--until", "2026-07-02"], SUMMER[1:3]),  # one local day, the next midnight left out
        (["--since", "2026-07-01T00:00Z"], SUMMER[2:]),
        (["--since", "2026-07-01T12:30"], SUMMER[2:]),
        (["--since", "2026-07-01T12:30:00.001"], SUMMER[3:]),
        (["--since", "2026-07-01T13:30+02:00", "--until", "2026-07-01T13:30:00.001+02:00"], SUMMER[2:3]),
        (["--since", "20260701T123000"], SUMMER[2:]),
        (["--since", "2026-W27-3"], SUMMER[1:]),  # ISO 8601 week date of the same day
        (["--since", SUMMER[2], "--until", SUMMER[2]], []),
        (["--since", SUMMER[1], "--until", SUMMER[3]], SUMMER[1:3]),  # a time as it was shown finds its reading
    ],
)
def test_a_span_of_time_in_site_time_or_any_zone(
    keep: Callable[..., None], export: Callable[..., str], options: list[str], found: list[str]
) -> None:
    keep(*(record(when) for when in SUMMER))
    assert [row["time"] for row in rows(export(*options))] == found


def test_a_time_as_shown_finds_its_reading_whichever_way_it_was_rounded(
    keep: Callable[..., None], export: Callable[..., str]
) -> None:
    for part in ("0000", "0004", "0005", "0006", "0009"):
        keep(record(f"2026-03-05T06:00:00.{part}Z"))
    every = [row["time"] for row in rows(export())]
    for shown in sorted(set(every)):
        assert [row["time"] for row in rows(export("--since", shown))] == [when for when in every if when >= shown]
        assert [row["time"] for row in rows(export("--until", shown))] == [when for when in every if when < shown]


def test_the_examples_of_the_internet_standard_for_times(keep: Callable[..., None], export: Callable[..., str]) -> None:
    """RFC 3339 section 5.8: both forms of one moment, and a fraction of a second."""
    keep(record("1996-12-20T00:39:57Z"), record("1985-04-12T23:20:50.52Z"))
    shown = [
        row["time"] for row in rows(export("--since", "1985-04-12T23:20:50.52Z", "--until", "1996-12-20T00:39:58Z"))
    ]
    assert shown == ["1985-04-12T23:20:50.520Z", "1996-12-20T00:39:57.000Z"]
    assert [row["time"] for row in rows(export("--since", "1996-12-19T16:39:57-08:00"))] == shown[1:]


def test_the_hour_that_comes_twice_means_the_first_one(keep: Callable[..., None], export: Callable[..., str]) -> None:
    """01:30 on 25 October 2026 in London is first 00:30 UTC, then 01:30 UTC."""
    keep(record("2026-10-25T00:30:00Z"), record("2026-10-25T01:30:00Z"))
    assert len(rows(export("--since", "2026-10-25T01:30"))) == 2
    assert len(rows(export("--since", "2026-10-25T01:30+00:00"))) == 1


@pytest.mark.parametrize(
    "name", ["=1+1", "+1", "-1", "@sum", "\t=1", "\r=1", '=HYPERLINK("x")', 'a"b', "a,b", "a\nb", "Senkgrube Süd"]
)
def test_no_text_turns_into_a_formula_and_every_text_survives(
    keep: Callable[..., None], export: Callable[..., str], name: str
) -> None:
    keep(record("2026-03-05T06:00:00Z", tank=name, level_m=-0.25))
    (row,) = rows(export())
    assert row["tank"] in (name, "'" + name)
    assert row["tank"][0] not in "=+-@\t\r"
    assert row["level_m"] == "-0.25"  # a number below zero stays a number
    assert json.loads(export("--format", "jsonl"))["tank"] == name


def test_no_level_is_shown_as_minus_zero(keep: Callable[..., None], export: Callable[..., str]) -> None:
    keep(record("2026-03-05T06:00:00Z", level_m=-1e-9, head_pa=-0.0))
    (row,) = rows(export())
    assert (row["level_m"], row["head_pa"]) == ("0.0", "0.0")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (
            ["--since", "yesterday"],
            "--since: 'yesterday' is not an ISO 8601 date or time; write one such as 2026-03-05",
        ),
        (["--until", "2026-02-30"], "--until: '2026-02-30' is not"),
        (["--since", ""], "--since: '' is not"),
        (
            ["--since", "2026-03-06", "--until", "2026-03-05"],
            "--since 2026-03-06 lies after --until 2026-03-05; swap them",
        ),
        (["--tank", "wet-wall"], "did you mean `wet-well`?"),
        (["--tank", "\x1b[2J"], "there is no tank"),
    ],
)
def test_a_wrong_option_is_told_with_its_remedy(
    site: Path, keep: Callable[..., None], capsys: pytest.CaptureFixture[str], options: list[str], message: str
) -> None:
    keep(record("2026-03-05T06:00:00Z"))
    assert main(["export", str(site), *options]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert message in err
    assert err.count("\n") == 1


def test_an_unknown_format_is_told(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["export", str(site), "--format", "xml"])
    assert ended.value.code == 2
    assert "'csv', 'jsonl'" in capsys.readouterr().err


def test_a_site_without_a_store_yet_is_told(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["export", str(site)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "larkfield.db: there is no store yet; `lungfish run` makes it" in err
    assert not site.with_name("larkfield.db").exists()


def test_a_store_that_is_none_is_told(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site.with_name("larkfield.db").write_bytes(b"not a database, by far" * 100)
    assert main(["export", str(site)]) == 2
    assert "can't be read as a store of lungfish" in capsys.readouterr().err


def test_damage_in_the_middle_of_a_store_is_told_and_not_passed_over(
    site: Path, keep: Callable[..., None], capsys: pytest.CaptureFixture[str]
) -> None:
    keep(*(record("2026-03-05T06:00:00Z", trace=()) for _ in range(2000)))
    path = site.with_name("larkfield.db")
    content = bytearray(path.read_bytes())
    content[len(content) // 2 :] = b"\xa5" * (len(content) - len(content) // 2)
    path.write_bytes(content)
    assert main(["export", str(site)]) == 2
    assert "larkfield.db: can't be read: database disk image is malformed" in capsys.readouterr().err


def test_a_bad_site_file_is_told_with_its_line(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site.write_text(SITE.replace("height: 5 m", "height: 5 bar"))
    assert main(["export", str(site)]) == 2
    assert "larkfield.yaml:14: tanks.wet-well.vessel.height" in capsys.readouterr().err


def test_while_the_daemon_writes_what_it_has_committed_is_exported(site: Path, export: Callable[..., str]) -> None:
    with Store.open(site.with_name("larkfield.db")) as store:
        store.put_reading(record("2026-03-05T06:00:00Z"))
        assert store.flush().result(10)
        assert len(rows(export())) == 1
        store.put_reading(record("2026-03-05T06:10:00Z"))
        assert store.flush().result(10)
        assert len(rows(export())) == 2


def test_a_reader_that_has_seen_enough_is_no_error(site: Path, keep: Callable[..., None]) -> None:
    """As in `lungfish export SITE.yaml | head`; the output is larger than a pipe holds."""
    keep(*(record("2026-03-05T06:00:00Z", trace=()) for _ in range(3000)))
    command = [sys.executable, "-m", "lungfish", "export", str(site)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline().startswith("time,tank,")
        process.stdout.close()
        assert process.stderr.read() == ""
        assert process.wait(60) == 0


def test_an_output_that_can_not_be_written_is_told(site: Path, keep: Callable[..., None]) -> None:
    keep(*(record("2026-03-05T06:00:00Z", trace=()) for _ in range(300)))
    with Path("/dev/full").open("w") as full:  # the kernel's own device that is always full
        command = [sys.executable, "-m", "lungfish", "export", str(site)]
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 2
    assert done.stderr == "lungfish export: the output can't be written: No space left on device\n"


def test_the_help_explains_every_column(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["export", "--help"])
    text = capsys.readouterr().out
    for name in [*CONTRACT, "seq", "boot", "clock", "monotonic_s"]:
        assert f"\n  {name} " in text
