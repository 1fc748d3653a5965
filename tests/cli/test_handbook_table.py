"""The table of verdicts that a technician reads: complete, and its numbers are those that the code judges by."""

from __future__ import annotations

import ast
import inspect
import runpy
from collections.abc import Mapping
from types import ModuleType

import pytest

from lungfish.core import (
    advice_air,
    advice_instrument,
    advice_tube,
    balance,
    break_through,
    case,
    closing_verdict,
    evidence,
    friction_shown,
    level,
    narrowed,
    slow,
    stuck,
    verdict,
)
from lungfish.core.advice import Advice, category_of, signal_told
from lungfish.core.advice_table import ADVICE
from lungfish.core.codes import Category, Diagnosis, Quality
from lungfish.core.plan import Plan
from lungfish.core.setup import Learned
from lungfish.rig.drive import run_plant_cycle
from lungfish.rig.plant import Faults
from lungfish.study.told import told_of
from tests.core.samples import SUMP, plant_of
from tests.repo.house import ROOT

README_ROWS = {
    line.split("`")[1]: line.split("|")[3]
    for line in (ROOT / "README.md").read_text("utf-8").splitlines()
    if line.startswith("| `") and line.count("|") == 5
}
JUDGES = (verdict, closing_verdict, stuck, break_through, narrowed, slow, friction_shown, evidence, balance, case)
TABLES = {advice_air: "AIR_ADVICE", advice_tube: "TUBE_ADVICE", advice_instrument: "INSTRUMENT_ADVICE"}


def limits_of(module: ModuleType) -> list[str]:
    """The public limits that a module sets itself, listed by it in `__all__` or not."""
    names = []
    for statement in ast.parse(inspect.getsource(module)).body:
        targets = statement.targets if isinstance(statement, ast.Assign) else []
        names += [node.id for target in targets for node in ast.walk(target) if isinstance(node, ast.Name)]
    return [name for name in names if name.isupper() and not name.startswith("_")]


LIMITS = [(module, name) for module in JUDGES for name in limits_of(module)] + [(level, "DISAGREEMENT_SIGMAS")]


def anew() -> str:
    """The table's text, made again from the limits as they are now."""
    rows: dict[Diagnosis, Advice] = {}
    for module, name in TABLES.items():
        rows |= runpy.run_path(str(module.__file__))[name]
    return told({code: rows[code] for code in Diagnosis})


def other(limit: float | tuple[float, ...]) -> float | tuple[float, ...]:
    return tuple(7.0 * part for part in limit) if isinstance(limit, tuple) else 7.0 * limit


def told(table: Mapping[Diagnosis, Advice]) -> str:
    return "\n".join(f"{ground.feature}: {ground.limit}" for row in table.values() for ground in row.grounds)


@pytest.mark.parametrize("code", Diagnosis, ids=lambda code: code.value)
def test_every_code_says_what_it_is_what_makes_it_and_what_to_do(code: Diagnosis) -> None:
    row = ADVICE[code]
    assert row.says
    assert row.grounds
    assert bool(row.remedies) is (code is not Diagnosis.OK)
    for text in (row.says, *row.remedies, *(ground.limit for ground in row.grounds)):
        assert text == text.strip()
        assert not text.endswith(".")


@pytest.mark.parametrize("code", Diagnosis, ids=lambda code: code.value)
def test_the_readme_gives_each_code_the_same_qualities(code: Diagnosis) -> None:
    cell = README_ROWS[code.value]
    assert {quality for quality in Quality if quality.value in cell} == set(ADVICE[code].qualities)


def test_status_signals_are_those_of_namur_ne_107() -> None:
    """NAMUR NE 107 (from memory): F output invalid, C temporarily invalid by work on the device, S used outside its
    limits or the value more uncertain than usual, M value valid but its reserve is nearly used up."""
    assert category_of(Diagnosis.TUBE_PLUGGED, Quality.BAD) is Category.FAILURE
    assert category_of(Diagnosis.LINE_LEAK, Quality.BAD) is Category.FAILURE
    assert category_of(Diagnosis.LINE_LEAK, Quality.UNCERTAIN) is Category.OUT_OF_SPECIFICATION
    assert category_of(Diagnosis.TUBE_RESTRICTED, Quality.GOOD) is Category.MAINTENANCE
    assert category_of(Diagnosis.ABORTED, Quality.BAD) is Category.FUNCTION_CHECK
    assert category_of(Diagnosis.OK, Quality.GOOD) is Category.NONE
    assert category_of(Diagnosis.TIP_UNCOVERED, Quality.GOOD) is Category.NONE
    assert [signal_told(category)[0] for category in Category if category is not Category.NONE] == list("FCSM")


@pytest.mark.parametrize(("module", "name"), LIMITS, ids=lambda value: getattr(value, "__name__", value))
def test_every_limit_is_told_and_follows_the_code(
    module: ModuleType, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The table is made anew with another limit: its text must change."""
    usual = anew()
    assert usual == told(ADVICE)
    monkeypatch.setattr(module, name, other(getattr(module, name)))
    assert anew() != usual


def test_the_edges_of_the_span_are_those_of_the_plan() -> None:
    plan = Plan.of(SUMP, Learned())
    span = SUMP.span_high_pa - SUMP.span_low_pa
    below, above = SUMP.span_low_pa - plan.invalid_low_pa, plan.invalid_high_pa - SUMP.span_high_pa
    fault = ADVICE[Diagnosis.TRANSMITTER_FAULT].grounds[0].limit
    assert f"below span - {100 * below / span:g} %" in fault
    assert f"above span + {100 * above / span:g} %" in fault
    # 4 to 20 mA: 16 mA of span
    assert f"{4 - 16 * below / span:.1f} and {20 + 16 * above / span:.1f} mA" in fault
    over = ADVICE[Diagnosis.OVER_RANGE].grounds[0].limit
    assert f"within {100 * (SUMP.span_high_pa - plan.over_range_pa) / span:g} %" in over


def test_so_many_bad_values_in_a_row_as_the_table_says() -> None:
    reading = run_plant_cycle(plant_of(SUMP, 2.0, faults=Faults(reads_pa=float("nan"))), SUMP, Learned())
    (finding,) = reading.findings
    assert finding.code is Diagnosis.TRANSMITTER_FAULT
    assert finding.sentence.startswith("3 values")
    assert "three times in a row" in ADVICE[Diagnosis.TRANSMITTER_FAULT].grounds[1].limit


def test_work_that_can_hurt_has_its_caution() -> None:
    for code in (Diagnosis.TUBE_PLUGGED, Diagnosis.OVER_RANGE):
        assert "hold its pressure" in str(ADVICE[code].caution)
    assert "shut the air off by hand" in ADVICE[Diagnosis.VALVE_STUCK_OPEN].remedies[0]
    for code in (Diagnosis.LINE_LEAK, Diagnosis.TUBE_RESTRICTED, Diagnosis.NO_AIR, Diagnosis.SUPPLY_LOW):
        assert "shut the air off by hand" in str(ADVICE[code].caution)


def test_each_code_of_a_reading_has_its_own_quality_and_sentence() -> None:
    evidence = {
        "sentences": ["it fell", "it was high"],
        "findings": [
            {"code": "line_leak", "quality": "uncertain", "sentence": "it fell"},
            {"code": "tube_restricted", "quality": "good", "sentence": "it was high"},
        ],
    }
    leak, restricted = told_of("line_leak+tube_restricted", "uncertain", evidence)
    assert (leak.sentences, leak.category_told) == (("it fell",), "S out of specification")
    assert (restricted.sentences, restricted.category_told) == (("it was high",), "M maintenance required")


def test_readings_that_kept_sentences_alone_are_told_as_far_as_is_known() -> None:
    (only,) = told_of("no_air", "bad", {"sentences": ["nothing came"]})
    assert (only.sentences, only.category_told) == (("nothing came",), "F failure")
    one, two, rest = told_of("line_leak+unsteady", "uncertain", {"sentences": ["a", "b"]})
    assert [one.code, two.code, rest.code] == ["line_leak", "unsteady", ""]
    assert (one.sentences, rest.sentences) == ((), ("a", "b"))  # nobody knows which is whose
    (new,) = told_of("a_code_to_come", "bad", {})
    assert (new.advice, new.category_told) == (None, "not known")
