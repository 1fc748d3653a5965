"""A vent valve of a transmitter: where it is driven from, and what can't be meant."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.config.samples import loaded, problems, spoilt

VENT = "span: [0 kPa, 60 kPa]\n      vent: {link: panel, unit: 1, coil: 6}"


def site(vent: str = VENT) -> str:
    return spoilt("span: [0 kPa, 60 kPa]", vent)


def test_it_is_one_of_the_site_s_valves_so_that_guard_start_and_shut_know_it(tmp_path: Path) -> None:
    whole = loaded(site(), tmp_path)
    assert list(whole.valves) == ["sump", "sump (vent valve)"]
    assert [whole.owner(called) for called in whole.valves] == ["sump", "sump"]
    vent = whole.tanks["sump"].transmitter.vent
    assert vent is not None
    assert (vent.every_s, vent.correct, vent.valve.max_open_s) == (7 * 86400.0, False, 60.0)
    assert "tanks.sump.transmitter.vent.every: 7 day" in whole.defaults


@pytest.mark.parametrize(
    ("old", "new", "key", "wrong"),
    [
        ("coil: 6", "coil: 0", "coil", "same address"),
        ("link: panel, unit: 1, coil: 6", "link: pannel, unit: 1, coil: 6", "link", "there is no link"),
        ("unit: 1, coil: 6", "unit: 1", "", "neither `coil` nor `register`"),
        ("coil: 6", "coil: 6, max_open: 9 min", "max_open", "do not fit between two purges"),
        ("coil: 6", "coil: 6, every: 10 min", "every", "10 min"),
        ("coil: 6", "coil: 6, correct: maybe", "correct", "maybe"),
        ("coil: 6}", "coil: 6, correct: true}\n      reference: absolute", "correct", "weather"),
        ("coil: 6", "coil: 6, corect: true", "corect", "did you mean `correct`"),
    ],
)
def test_what_can_t_be_meant_is_told_once_at_its_place(
    old: str, new: str, key: str, wrong: str, tmp_path: Path
) -> None:
    text = site(VENT.replace(old, new)).replace(
        "[0 kPa, 60 kPa]", "[0 kPa, 2 bar]" if "absolute" in new else "[0 kPa, 60 kPa]"
    )
    (problem,) = problems(text, tmp_path)
    assert problem.key == ".".join(["tanks.sump.transmitter.vent", *([key] if key else [])])
    assert wrong in f"{problem.wrong} {problem.right}"
