"""Log lines about trouble that lasts."""

from __future__ import annotations

import logging

import pytest

from lungfish.drivers.troublelog import TroubleLog


class Hands:
    """A clock that is set by hand."""

    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def test_one_line_then_one_a_minute_with_a_count(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    hands = Hands()
    troubles = TroubleLog(logging.getLogger("test"), hands)
    for tenth in range(1201):
        hands.now_s = tenth / 10
        troubles.trouble("pump", "pump: no answer")
    assert [record.message for record in caplog.records] == [
        "pump: no answer",
        "pump: no answer (and 599 more troubles since the last line about it)",
        "pump: no answer (and 599 more troubles since the last line about it)",
    ]


def test_what_comes_and_goes_says_two_lines_a_minute(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    hands = Hands()
    troubles = TroubleLog(logging.getLogger("test"), hands)
    for tenth in range(600):
        hands.now_s = tenth / 10
        troubles.trouble("pump", "pump: no answer")
        troubles.well("pump")
    assert [record.message for record in caplog.records] == ["pump: no answer", "pump: works again"]


def test_each_subject_has_its_own_voice(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    troubles = TroubleLog(logging.getLogger("test"), Hands())
    troubles.well("pump")
    troubles.trouble("pump", "pump: no answer")
    troubles.trouble("lamp", "lamp: no answer")
    troubles.well("lamp")
    assert [record.message for record in caplog.records] == [
        "pump: no answer",
        "lamp: no answer",
        "lamp: works again",
    ]
