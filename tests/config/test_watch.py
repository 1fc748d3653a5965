"""`watch` in a site file: on unless it says otherwise, and one message for what it can't be."""

from __future__ import annotations

from pathlib import Path

import pytest

from lungfish.config import load_site_text
from lungfish.config.watching import WatchSpec
from lungfish.errors import ConfigError
from tests.app.virtual_site import HEAD, TANK

TEXT = HEAD.format(simultaneous=1) + TANK.format(name="t0", unit=1, every="10 min", max_open="60 s")


def watch_of(line: str) -> WatchSpec | None:
    return load_site_text(TEXT + (f"    {line}\n" if line else ""), Path()).tanks["t0"].watch


@pytest.mark.parametrize(
    ("line", "meant"),
    [
        ("", WatchSpec(step_m=0.05, every_s=5.0)),
        ("watch: {step: 20 mm}", WatchSpec(step_m=0.02, every_s=5.0)),
        ("watch: {every: 2 s}", WatchSpec(step_m=0.05, every_s=2.0)),
        ("watch: off", None),
        ('watch: "off"', None),
        ("watch: false", None),
    ],
)
def test_it_means_what_it_says(line: str, meant: WatchSpec | None) -> None:
    assert watch_of(line) == meant


def test_that_it_is_on_without_a_word_is_told() -> None:
    assert any("watch: on: step 50 mm, every 5 s" in told for told in load_site_text(TEXT, Path()).defaults)


@pytest.mark.parametrize(
    ("line", "wrong", "right"),
    [
        ("watch: on", "`on` is neither `off` nor a section", "`watch: off`"),
        ("watch: true", "`true` is neither `off` nor a section", "`watch: off`"),
        ("watch: 0", "`0` is neither `off` nor a section", "`watch: off`"),
        ("watch: {step: 5}", "`5` has no unit", "`step: 50 mm`"),
        ("watch: {stpe: 5 mm}", "unknown key", "`step`"),
        ("watch: {step: 1 mm}", "outside", "from 2 mm to 5 m"),
    ],
)
def test_what_it_cannot_be_is_told_once_with_the_remedy(line: str, wrong: str, right: str) -> None:
    with pytest.raises(ConfigError) as caught:
        watch_of(line)
    (problem,) = caught.value.problems
    assert problem.line == TEXT.count("\n") + 1
    assert wrong in problem.wrong
    assert right in problem.right
