"""A bad file of the catalogue gets one clear message: where, what is wrong, and what would be right."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.__main__ import main
from tests.faults.faultfile import BadFaultFile, catalogue, read_fault

GOOD = """
name: air supply lost
kind: plant
says: Nothing arrives.
sets: {plant: {air_lost: true}}
expect: {outcome: told, codes: [no_air], quality: [bad]}
"""

BAD = {
    "unknown key": ("kind: plant", "kind: plant\ngood_cycle: 3", "good_cycle: no such key; did you mean good_cycles?"),
    "unknown fault": ("air_lost", "air_los", "sets.plant.air_los: no such fault; did you mean air_lost?"),
    "unknown section": ("{plant: {", "{plants: {", "sets.plants: nothing of that name; did you mean plant?"),
    "wrong type": ("air_lost: true", "air_lost: perhaps", "sets.plant.air_lost: "),
    "missing key": ("says: Nothing arrives.\n", "", "says: missing"),
    "unknown code": ("no_air", "no_aire", "expect.codes.0: "),
    "unknown kind": ("kind: plant", "kind: plants", "kind: "),
    "nothing to tell it by": ("codes: [no_air], ", "", "codes: missing"),
    "no reason": ("outcome: told, codes: [no_air]", "outcome: untold", "says why these signals can't tell it"),
    "no such way to answer": ("{plant: {air_lost: true}}", "{link: {answers: doubbled}}", "did you mean doubled"),
    "infinite": ("air_lost: true", "zero_shift_pa: .inf", "sets.plant.zero_shift_pa: must be finite"),
    "not YAML": ("kind: plant", "kind: [plant", "not YAML"),
}


def test_the_good_file_that_the_bad_ones_are_made_of_is_good(tmp_path: Path) -> None:
    path = tmp_path / "fault.yaml"
    path.write_text(GOOD, encoding="utf-8")
    assert read_fault(path).form.sets == {"plant": {"air_lost": True}}


@pytest.mark.parametrize(("old", "new", "message"), BAD.values(), ids=BAD)
def test_a_bad_file_gets_one_clear_message(tmp_path: Path, old: str, new: str, message: str) -> None:
    path = tmp_path / "fault.yaml"
    assert old in GOOD
    path.write_text(GOOD.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(BadFaultFile) as caught:
        read_fault(path)
    assert str(path) in str(caught.value)
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


def test_two_faults_of_one_name_are_refused(tmp_path: Path) -> None:
    (tmp_path / "plant").mkdir()
    for name in ("a.yaml", "b.yaml"):
        (tmp_path / "plant" / name).write_text(GOOD, encoding="utf-8")
    with pytest.raises(BadFaultFile, match=r"b\.yaml: name: 'air supply lost' is that of a\.yaml already"):
        catalogue(tmp_path)


def test_the_command_prints_a_matrix(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["air supply lost from"]) == 0
    printed = capsys.readouterr().out
    row = next(line for line in printed.splitlines() if line.startswith("plant: air supply lost from"))
    assert "no_air" in row
    assert "bad" in row
    assert "shut" in row
    assert "after 1" in row
    assert "told 1, in time 1" in printed


def test_the_command_says_of_a_bad_file_what_is_wrong_and_exits_with_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "fault.yaml"
    path.write_text(GOOD.replace("air_lost", "air_los"), encoding="utf-8")
    assert main([str(path)]) == 2
    assert "did you mean air_lost?" in capsys.readouterr().err
    assert main([str(tmp_path / "none.yaml")]) == 2
    assert "can't be read" in capsys.readouterr().err
