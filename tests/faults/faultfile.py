"""A fault as a file: what it is, on which tank, when, what it sets, and what must be told of it."""

from __future__ import annotations

import dataclasses
import difflib
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal, get_type_hints

import yaml
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError, model_validator

from lungfish.core.codes import Diagnosis
from lungfish.rig.faults import Faults
from lungfish.rig.parameters import PlantParameters
from tests.faults.clocks import ClockFaults
from tests.faults.disk import DiskFaults
from tests.faults.panel import BlockFaults, LinkFaults
from tests.peer.faults import faults as ways_to_answer

__all__ = ["CATALOGUE", "BadFaultFile", "FaultFile", "catalogue", "read_fault"]

CATALOGUE = Path(__file__).parent / "catalogue"

Kind = Literal["plant", "device", "link", "clock", "store"]
_CODES = tuple(code.value for code in Diagnosis)
_SETTABLE: Mapping[str, type[Any]] = {
    "plant": Faults,
    "truth": PlantParameters,
    "block": BlockFaults,
    "link": LinkFaults,
    "clock": ClockFaults,
    "disk": DiskFaults,
}
"""Section of `sets`: what may be set there."""


class BadFaultFile(Exception):
    """A fault's file says something that can't be meant; the message has file, key, what is wrong and what is right."""


class _Form(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, str_min_length=1)


class TankForm(_Form):
    """The tank that the fault befalls; it is the smallest useful site, but for these."""

    level_m: float = Field(default=2.0, ge=0.0, le=5.0)
    """Level above the floor, m; the tip stands at 0.1 m."""
    level_change_m: float = 0.0
    """By how much the level moves while the fault is there, m; it stays there afterwards."""
    tee: Literal["valve-end", "tube-end"] = "valve-end"
    every_s: float = Field(default=600.0, ge=60.0)
    """From cycle to cycle, s."""
    span_kpa: float = Field(default=60.0, gt=0.0)
    """Top of the transmitter's span, kPa."""
    neighbour: bool = False
    """A second tank stands on the same link, as unit 2; it must stay well."""


class ExpectForm(_Form):
    """What must come of it."""

    outcome: Literal["told", "untold", "harmless"]
    """Told by a code or an event; not to be told from these signals; or nothing to tell, for nothing is harmed."""
    codes: tuple[Literal[_CODES], ...] = ()  # type: ignore[valid-type] # made from the codes themselves
    """Any of these tells it."""
    also: tuple[Literal[_CODES], ...] = ()  # type: ignore[valid-type]
    """May stand beside them, or before they are told."""
    event: str = ""
    """An event of this kind tells it."""
    within: int = Field(default=1, ge=1)
    """Cycles from its beginning to the first that tells it."""
    passing: bool = False
    """It comes and goes: not every cycle after the first has to tell it."""
    quality: tuple[Literal["good", "uncertain", "bad"], ...] = ("good",)
    """Qualities that rows of its time may have."""
    valve: Literal["shut", "passes", "unknown"] = "shut"
    """After each of its cycles: shut and confirmed; confirmed shut though air passes; or known to be unknown."""
    recovers: int = Field(default=1, ge=0)
    """Cycles after its end until a good row with nothing to tell; 0: it can't recover by itself."""
    because: str = ""
    """Why these signals can't tell it."""
    rows_kept: bool = True
    """Every row of every cycle is in the store in the end; else only those since it began have to be."""
    marked: bool = False
    """Rows of its time are marked as stamped by a clock that nothing keeps right."""

    @model_validator(mode="after")
    def _sensible(self) -> ExpectForm:
        if self.outcome == "told" and not (self.codes or self.event):
            raise ValueError("codes: missing; an outcome `told` needs codes, such as `codes: [no_air]`, or an event")
        if (self.outcome == "untold") != bool(self.because):
            raise ValueError("because: an outcome `untold` says why these signals can't tell it, and no other does")
        return self


class FaultForm(_Form):
    """The file."""

    name: str
    kind: Kind
    says: str
    """What it is, in one sentence for a technician."""
    tank: TankForm = TankForm()
    good_cycles: int = Field(default=3, ge=0)
    """Cycles before it begins; 0: from the first."""
    faulty_cycles: int = Field(default=3, ge=1)
    after_cycles: int = Field(default=3, ge=0)
    begins_s: float | None = None
    """So many seconds into the cycle after the good ones; None: midway of the rest before it."""
    lasts_s: float | None = Field(default=None, gt=0.0)
    """How long, s; None: to midway of the rest after the last faulty cycle."""
    restarts: bool = False
    """The daemon is stopped before it begins and started again with it."""
    sets: dict[str, dict[str, Any]]
    expect: ExpectForm


@dataclasses.dataclass(frozen=True)
class FaultFile:
    """A fault that has been read."""

    path: Path
    form: FaultForm

    @property
    def begins_s(self) -> float:
        """Seconds after the start."""
        form = self.form
        start_s = form.good_cycles * form.tank.every_s
        if form.begins_s is not None:
            return start_s + form.begins_s
        return max(0.0, start_s - 0.5 * form.tank.every_s)

    @property
    def ends_s(self) -> float:
        """Seconds after the start."""
        form = self.form
        if form.lasts_s is not None:
            return self.begins_s + form.lasts_s
        return (form.good_cycles + form.faulty_cycles - 0.5) * form.tank.every_s

    @property
    def over_s(self) -> float:
        """When the run is over, seconds after the start."""
        form = self.form
        return (form.good_cycles + form.faulty_cycles + form.after_cycles - 0.1) * form.tank.every_s


def read_fault(path: Path) -> FaultFile:
    """Read one file.

    Args:
        path: the file.

    Raises:
        BadFaultFile: with one clear message.
    """
    try:
        content = yaml.safe_load(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise BadFaultFile(f"{path}: can't be read: {error}") from error
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        line = f", line {mark.line + 1}" if mark is not None else ""
        raise BadFaultFile(f"{path}{line}: not YAML: {getattr(error, 'problem', error)}") from error
    if not isinstance(content, dict):
        raise BadFaultFile(f"{path}: not a fault; it must have the keys name, kind, says, sets, expect")
    try:
        form = FaultForm.model_validate(content)
    except ValidationError as error:
        raise BadFaultFile(f"{path}: {_first(error)}") from error
    try:
        for section, values in form.sets.items():
            _check_section(section, values)
        if form.kind not in (path.parent.name, "") and path.parent.parent == CATALOGUE:
            raise ValueError(f"kind: {form.kind}, but it lies in {path.parent.name}; move the file or change the kind")
    except ValueError as error:
        raise BadFaultFile(f"{path}: {error}") from error
    return FaultFile(path, form)


def catalogue(folder: Path = CATALOGUE) -> list[FaultFile]:
    """All files of a catalogue, by kind and name.

    Raises:
        BadFaultFile: one of them is bad, or two have one name.
    """
    read = [read_fault(path) for path in sorted(folder.glob("*/*.yaml"))]
    names: dict[str, Path] = {}
    for fault in read:
        if fault.form.name in names:
            first = names[fault.form.name].name
            raise BadFaultFile(f"{fault.path}: name: {fault.form.name!r} is that of {first} already; choose another")
        names[fault.form.name] = fault.path
    order = ("plant", "device", "link", "clock", "store")
    return sorted(read, key=lambda fault: (order.index(fault.form.kind), fault.path.name))


def _first(error: ValidationError) -> str:
    problem = error.errors(include_url=False)[0]
    where = ".".join(str(part) for part in problem["loc"])
    if problem["type"] == "extra_forbidden":
        owner: Any = FaultForm
        for part in problem["loc"][:-1]:
            owner = owner.model_fields[str(part)].annotation
        return f"{where}: no such key{_nearest(str(problem['loc'][-1]), list(owner.model_fields))}"
    if problem["type"] == "missing":
        return f"{where}: missing"
    said = problem["msg"].removeprefix("Value error, ")
    return f"{where}: {said}, not {problem['input']!r}" if problem["type"] != "value_error" else f"{where}.{said}"


def _nearest(word: str, known: list[str]) -> str:
    close = difflib.get_close_matches(word, known, n=1, cutoff=0.5)
    return f"; did you mean {close[0]}?" if close else f"; known are {', '.join(known)}"


def _check_section(section: str, values: Mapping[str, object]) -> None:
    if section not in _SETTABLE:
        raise ValueError(f"sets.{section}: nothing of that name{_nearest(section, list(_SETTABLE))}")
    owner = _SETTABLE[section]
    hints = get_type_hints(owner)
    known = [each.name for each in dataclasses.fields(owner) if each.init and each.name != "level_m"]
    for key, value in values.items():
        if key not in known:
            raise ValueError(f"sets.{section}.{key}: no such fault{_nearest(key, known)}")
        try:
            TypeAdapter(hints[key]).validate_python(value, strict=not isinstance(value, int))
        except ValidationError as error:
            said = error.errors(include_url=False)[0]["msg"]
            raise ValueError(f"sets.{section}.{key}: {said}, not {value!r}") from error
        if isinstance(value, float) and math.isinf(value):
            raise ValueError(f"sets.{section}.{key}: must be finite, or .nan where a value may be no number")
    if section == "link" and values.get("answers", "honest") not in ways_to_answer():
        known = sorted(ways_to_answer())
        raise ValueError(f"sets.link.answers: no such way{_nearest(str(values['answers']), known)}")
