"""A valve that cuts the transmitter off while a tube is blown down: what it needs, and what can't be meant."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from tests.config.samples import loaded, problems, spoilt

WHOLE = (
    "clear: {pressure: 3.4 bar, delay: 1 s, isolate: {link: panel, unit: 1, coil: 7, "
    "shut: {link: panel, unit: 1, input: 2}, safe: {link: panel, unit: 1, input: 3}}}\n    every: 10 min"
)


def site(clear: str = WHOLE) -> str:
    text = spoilt("every: 10 min", clear)
    return text.replace("span: [0 kPa, 60 kPa]", "span: [0 kPa, 60 kPa]\n      overload: 2 bar")


def test_it_is_one_of_the_site_s_valves_and_may_be_open_without_limit(tmp_path: Path) -> None:
    whole = loaded(site(), tmp_path)
    assert list(whole.valves) == ["sump", "sump (isolating valve)"]
    isolate = whole.tanks["sump"].isolate
    assert isolate is not None
    assert (isolate.valve.address, isolate.shut.address, isolate.safe.address) == (7, 2, 3)
    assert math.isinf(isolate.valve.max_open_s)
    assert not [w for w in whole.warnings if "clear" in w.key], "the valve's delay does not endanger the transmitter"


@pytest.mark.parametrize(
    ("old", "new", "key", "wrong"),
    [
        ("shut: {link: panel, unit: 1, input: 2}, ", "", "isolate.shut", "missing"),
        (", safe: {link: panel, unit: 1, input: 3}", "", "isolate.safe", "missing"),
        ("coil: 7", "coil: 0", "isolate.coil", "same address"),
        ("input: 3", "input: 2", "isolate.safe.input", "same"),
        ("unit: 1, input: 2", "unit: 1", "isolate.shut", "where to read"),
        ("link: panel, unit: 1, input: 3", "link: pannel, unit: 1, input: 3", "isolate.safe.link", "there is no link"),
        ("coil: 7", "coil: 7, active: low", "isolate.active", "without power"),
        ("coil: 7", "coil: 7, max_open: 3 s", "isolate.max_open", "unknown key"),
        ("pressure: 3.4 bar", "pressure: 3.2 bar", "pressure", "up to that of the supply"),
    ],
)
def test_what_can_t_be_meant_is_told_once_at_its_place(
    old: str, new: str, key: str, wrong: str, tmp_path: Path
) -> None:
    assert old in WHOLE
    (problem,) = problems(site(WHOLE.replace(old, new)), tmp_path)
    assert problem.key == f"tanks.sump.clear.{key}"
    assert wrong in f"{problem.wrong} {problem.right}"


def test_one_that_is_not_needed_is_called_so(tmp_path: Path) -> None:
    text = site().replace("overload: 2 bar", "overload: 4 bar")
    assert [w.key for w in loaded(text, tmp_path).warnings if "isolate" in w.key] == ["tanks.sump.clear.isolate"]
