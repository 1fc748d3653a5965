"""Alarm limits of a tank: what the keys mean, and what can't be meant."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.config.samples import GOOD, loaded, problems

ALARMS = """\
    alarms: {high-high: 4.2 m, high: 3.8 m, low: 0.6 m, low-low: 0.3 m, rising: 50 mm/min, falling: 30 mm/min,
             deadband: 30 mm, delay: 10 s}
"""


def test_the_keys_mean_what_they_say(tmp_path: Path) -> None:
    limits = loaded(GOOD + ALARMS, tmp_path).tanks["sump"].alarms
    assert limits.levels_m == (0.3, 0.6, 3.8, 4.2)
    assert (limits.low_low_m, limits.low_m, limits.high_m, limits.high_high_m) == limits.levels_m
    assert limits.rising_m_s == pytest.approx(0.05 / 60.0)
    assert limits.falling_m_s == pytest.approx(0.03 / 60.0)
    assert (limits.deadband_m, limits.delay_s) == (0.03, 10.0)


def test_each_is_optional_and_what_is_assumed_is_told(tmp_path: Path) -> None:
    site = loaded(GOOD + "    alarms: {high: 3.8 m}\n", tmp_path)
    assert site.tanks["sump"].alarms.levels_m == (3.8,)
    told = [line for line in site.defaults if "alarms" in line]
    assert told == ["tanks.sump.alarms.deadband: 20 mm", "tanks.sump.alarms.delay: 0 s"]
    assert loaded(GOOD, tmp_path).tanks["sump"].alarms.levels_m == ()


# what is spoilt in ALARMS, into what; key, parts of what was wrong and would be right
BAD = [
    ("4.2 m", "5.2 m", "high-high", "5.2 m lies above the brim at 5 m", "below 5 m"),
    ("0.3 m", "0.1 m", "low-low", "not above the tip at 0.1 m", "hang the tube lower"),
    ("high: 3.8 m", "high: 4.3 m", "high-high", "4.2 m does not lie above `high` at 4.3 m", "rising order"),
    ("low: 0.6 m", "low: 3.8 m", "high", "does not lie above `low`", "rising order"),
    ("low: 0.6 m", "low: 3.75 m", "deadband", "30 mm reaches from `low` to `high`", "less than 25 mm"),
    ("50 mm/min", "50 mm", "rising", "not a unit of speed", "mm/min"),
    ("delay: 10 s", "delay: 2 h", "delay", "outside", "to 1 h"),
    ("high: 3.8 m", "hihg: 3.8 m", "hihg", "unknown key", "`high`"),
]


@pytest.mark.parametrize(("old", "new", "key", "wrong", "right"), BAD, ids=[f"{row[2]}={row[1]!r}" for row in BAD])
def test_what_can_t_be_meant_is_told_with_key_and_remedy(
    tmp_path: Path, old: str, new: str, key: str, wrong: str, right: str
) -> None:
    text = ALARMS.replace(f" {old}", f" {new}") if f" {old}" in ALARMS else ALARMS.replace(old, new)
    assert text != ALARMS
    found = problems(GOOD + text, tmp_path)
    assert len(found) == 1, [problem.told("site.yaml") for problem in found]
    assert found[0].key == f"tanks.sump.alarms.{key}"
    assert wrong in found[0].wrong
    assert right in found[0].right


def test_purges_closer_together_near_a_limit_need_a_limit(tmp_path: Path) -> None:
    near = "    faster: {every: 2 min, near: 200 mm}\n"
    faster = loaded(GOOD + ALARMS + near, tmp_path).tanks["sump"].schedule.faster
    assert faster is not None
    assert (faster.near_m, faster.moving_m_s) == (0.2, None)
    (problem,) = problems(GOOD + near, tmp_path)
    assert (problem.key, "no alarm level" in problem.wrong) == ("tanks.sump.faster.near", True)
    (problem,) = problems(GOOD + "    faster: {every: 2 min}\n", tmp_path)
    assert (problem.key, "says nothing of when" in problem.wrong) == ("tanks.sump.faster", True)
