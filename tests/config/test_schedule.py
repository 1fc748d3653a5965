"""When a tank is purged besides `every`: what the keys mean, and what can't be meant."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from lungfish.config.cron import BadCron, cron_fields, weekdays
from tests.config.samples import GOOD, loaded, problems

KEYS = """\
    schedule:
      - {from: "06:00", to: "22:00", days: mon-fri, every: 5 min}
      - {cron: "0 */2 * * 0"}
    faster: {every: 2 min, moving: 100 mm/h}
    hold_off:
      mixer: {link: panel, unit: 1, input: 4, at_most: 20 min}
      pump: {link: panel, unit: 1, input: 5}
    out_of_service: {reason: tube taken out, until: "2026-07-01 08:00"}
"""


def test_a_file_without_the_keys_has_every_alone(tmp_path: Path) -> None:
    assert loaded(GOOD, tmp_path).tanks["sump"].schedule.plain


def test_the_keys_mean_what_they_say(tmp_path: Path) -> None:
    site = loaded(GOOD + KEYS, tmp_path)
    schedule = site.tanks["sump"].schedule
    (window,) = schedule.windows
    assert (window.from_min, window.to_min, window.every_s) == (360, 1320, 300.0)
    assert window.days == frozenset({0, 1, 2, 3, 4})
    assert schedule.crons == ("0 */2 * * sun",)
    assert schedule.faster is not None
    assert schedule.faster.moving_m_s == pytest.approx(0.1 / 3600.0)
    assert [(each.name, each.switch.address, each.at_most_s) for each in schedule.hold_off] == [
        ("mixer", 4, 1200.0),
        ("pump", 5, 1800.0),
    ]
    assert "tanks.sump.hold_off.pump.at_most: 30 min" in site.defaults
    assert schedule.out_of_service is not None
    # British Summer Time, one hour ahead of UTC
    assert schedule.out_of_service.until_utc_s == datetime(2026, 7, 1, 7, 0, tzinfo=UTC).timestamp()


def test_hours_may_run_over_midnight(tmp_path: Path) -> None:
    text = KEYS.replace('from: "06:00", to: "22:00"', 'from: "22:00", to: "06:00"')
    (window,) = loaded(GOOD + text, tmp_path).tanks["sump"].schedule.windows
    assert (window.from_min, window.to_min) == (22 * 60, 30 * 60)


def test_stagger_spreads_the_tanks_over_an_interval(tmp_path: Path) -> None:
    tank = GOOD[GOOD.index("  sump:") :]
    text = GOOD.replace("simultaneous: 1", "simultaneous: 1\n  stagger: true")
    for number in range(1, 4):
        spare = tank.replace("sump", f"silo-{number}").replace("register: 0", f"register: {2 * number}")
        text += spare.replace("coil: 0", f"coil: {number}")
    assert [each.schedule.stagger for each in loaded(text, tmp_path).tanks.values()] == [0.25, 0.5, 0.75, 1.0]
    assert loaded(GOOD.replace("ultaneous: 1", "ultaneous: 1\n  stagger: true"), tmp_path).tanks["sump"].schedule.plain


# the place in KEYS that is spoilt, into what; line, key below the tank, parts of what was wrong and would be right
BAD = [
    ("days: mon-fri", "dayz: mon-fri", 32, "schedule.0.dayz", "unknown key", "`days`"),
    ('"06:00"', "06:00", 32, "schedule.0.from", "base 60", "in quotes"),
    ('"06:00"', '"26:00"', 32, "schedule.0.from", "no time of the day", '"06:00"'),
    ('"06:00"', '"24:30"', 32, "schedule.0.from", "no time of the day", '"06:00"'),
    ('"22:00"', '"06:00"', 32, "schedule.0.from", "no length", '"24:00"'),
    ('to: "22:00", ', "", 32, "schedule.0.to", "is missing", 'add `to: "22:00"`'),
    ("mon-fri", "mon-fry", 32, "schedule.0.days", "`fry` is no day", "one of mon, tue"),
    ("mon-fri", "1-5", 32, "schedule.0.days", "`1` is no day", "one of mon, tue"),
    ("every: 5 min", "every: 15 min", 32, "schedule.0.every", "not shorter than the tank's own", "shorter one here"),
    ("every: 5 min", "every: 80 s", 32, "schedule.0.every", "may last 90 s", "more than 90 s"),
    ("0 */2 * * 0", "0 25 * * *", 33, "schedule.1.cron", "maximum value (23)", "five fields"),
    ("0 */2 * * 0", "0 25 *", 33, "schedule.1.cron", "it has 3 fields", "day of the week"),
    ("0 */2 * * 0", "0 0 30 2 *", 33, "schedule.1.cron", "never comes", "a day that exists"),
    ("0 */2 * * 0", "0 0 1 * mon", 33, "schedule.1.cron", "day of the month and a day of the week", "`*` for one"),
    ("0 */2 * * 0", "0 0 * * 8", 33, "schedule.1.cron", "`8` is no day", "one of mon"),
    ("0 */2 * * 0", "*/1 6 * * *", 33, "schedule.1.cron", "comes 60 s after itself", "further apart"),
    ('* 0"}', '* 0", every: 5 min}', 33, "schedule.1.every", "beside `cron`", "either hours or"),
    ("2 min, moving", "20 min, moving", 34, "faster.every", "not shorter", "shorter one here"),
    ("100 mm/h", "100 mm", 34, "faster.moving", "not a unit of speed", "`mm/h`"),
    ("input: 4, ", "", 36, "hold_off.mixer", "does not say where", "one of `input` and `coil`"),
    ("panel, unit: 1, input: 4", "pannel, unit: 1, input: 4", 36, "hold_off.mixer.link", "no link", "`panel`"),
    ("at_most: 20 min", "at_most: 20 h", 36, "hold_off.mixer.at_most", "outside", "to 12 h"),
    ('"2026-07-01 08:00"', "2026-07-01 08:00", 38, "out_of_service.until", "is a date to some", "in quotes"),
    ('"2026-07-01 08:00"', '"2026-07-32 08:00"', 38, "out_of_service.until", "no date with a time", "in quotes"),
    ("reason: tube taken out, ", "", 38, "out_of_service.reason", "is missing", "add `reason:"),
]


@pytest.mark.parametrize(
    ("old", "new", "line", "key", "wrong", "right"), BAD, ids=[f"{row[3]}={row[1][:24]!r}" for row in BAD]
)
def test_what_can_t_be_meant_is_told_with_line_key_and_remedy(
    tmp_path: Path, old: str, new: str, line: int, key: str, wrong: str, right: str
) -> None:
    assert KEYS.count(old) == 1
    found = problems(GOOD + KEYS.replace(old, new), tmp_path)
    assert len(found) == 1, [problem.told("site.yaml") for problem in found]
    assert (found[0].line, found[0].key) == (line, f"tanks.sump.{key}")
    assert wrong in found[0].wrong
    assert right in found[0].right


@pytest.mark.parametrize(
    ("text", "days"),
    [
        # crontab(5): "day of week 0-7 (0 or 7 is Sunday, or use names)"; from memory
        ("0 0 * * 0", "sun"),
        ("0 0 * * 7", "sun"),
        ("0 0 * * 1-5", "mon,tue,wed,thu,fri"),
        ("0 0 * * 5-7", "fri,sat,sun"),
        ("0 0 * * sun-tue", "mon,tue,sun"),
        ("0 0 * * MON,3", "mon,wed"),
        ("0 0 * * 0-7", "mon,tue,wed,thu,fri,sat,sun"),
        ("0 0 * * 0-6", "mon,tue,wed,thu,fri,sat,sun"),
        ("0 0 * * */2", "tue,thu,sat,sun"),
    ],
)
def test_weekdays_are_counted_as_crontab_counts_them(text: str, days: str) -> None:
    assert cron_fields(text) == f"0 0 * * {days}"


def test_hours_must_leave_room_for_a_zero_check_too(tmp_path: Path) -> None:
    vented = GOOD.replace("60 kPa]", "60 kPa]\n      vent: {link: panel, unit: 1, coil: 6, max_open: 60 s}")
    text = KEYS.replace("every: 5 min", "every: 140 s").replace("every: 2 min", "every: 170 s")
    (found,) = problems(vented + text, tmp_path)
    assert found.key == "tanks.sump.schedule.0.every"
    assert "with its zero check may last 150 s" in found.wrong


def test_the_share_of_the_air_is_that_of_the_shortest_interval(tmp_path: Path) -> None:
    assert not [each for each in loaded(GOOD, tmp_path).warnings if each.key == "air.simultaneous"]
    tank, text = GOOD[GOOD.index("  sump:") :], GOOD + KEYS
    for number in range(1, 7):
        other = tank.replace("sump", f"silo-{number}").replace("register: 0", f"register: {2 * number}")
        text += other.replace("coil: 0", f"coil: {number}") + KEYS
    told = [each.wrong for each in loaded(text, tmp_path).warnings if each.key == "air.simultaneous"]
    assert len(told) == 1
    assert not [each for each in loaded(text.replace(KEYS, ""), tmp_path).warnings if each.key == "air.simultaneous"]


def test_a_contact_that_is_an_input_of_something_else_is_told(tmp_path: Path) -> None:
    text = GOOD + KEYS + "    inputs: {flow: {link: panel, unit: 1, input: 5, response: 1 s}}\n"
    (found,) = problems(text, tmp_path)
    assert found.key == "tanks.sump.hold_off.pump.input"
    assert "`tanks.sump.inputs.flow.input`" in found.wrong


def test_days_that_run_over_the_weekend() -> None:
    assert weekdays("sat-mon") == {5, 6, 0}
    with pytest.raises(BadCron):
        weekdays("mon-")
