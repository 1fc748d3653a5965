"""The JSON schema that editors get: sound, agrees with the check on good files, and catches what an editor can."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from lungfish.config import json_schema
from lungfish.config.document import read_document
from tests.config.samples import EXAMPLES, GOOD, spoilt

SCHEMA = json_schema()
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)


def data(text: str | bytes) -> dict[str, Any]:
    return read_document(text if isinstance(text, bytes) else text.encode()).data


def test_the_schema_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("file", EXAMPLES, ids=lambda file: file.stem)
def test_the_example_files_pass(file: Path) -> None:
    assert [error.message for error in VALIDATOR.iter_errors(data(file.read_bytes()))] == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("diameter: 2.4 m", "diameter: 2.4"),
        ("diameter: 2.4 m", "diametre: 2.4 m"),
        ("diameter: 2.4 m, ", ""),
        ("shape: upright-cylinder", "shape: barrel"),
        ("tee: valve-end", "tee: middle"),
        ("port: 5020", "port: 70000"),
        ("port: 5020", "port: '5020'"),
        ("vented: true", "vented: false"),
        ("[0 kPa, 60 kPa]", "60 kPa"),
        ("[0 kPa, 60 kPa]", "[0 kPa]"),
        ("coil: 0", "coil: 0, register: 4"),
        ("coil: 0, ", ""),
        ("  sump:", "  wet well:"),
        ("reads_in: Pa", "reads_in: Pa\n      accuracy: 5"),
        ("density: 998.2 kg/m**3", "density: sewage"),
        ("density: 998.2 kg/m**3", "density: [[1 degC, 3 kg/m3]]"),
    ],
)
def test_what_an_editor_can_see_is_refused(old: str, new: str) -> None:
    assert VALIDATOR.is_valid(data(GOOD))
    assert not VALIDATOR.is_valid(data(spoilt(old, new)))


def _fields(schema: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    for name, section in {"": schema, **schema["$defs"]}.items():
        for key, field in section["properties"].items():
            yield f"{name}.{key}", field


def test_every_key_is_described_for_the_person_at_the_editor() -> None:
    silent = []
    for name, field in _fields(SCHEMA):
        target = SCHEMA["$defs"][field["$ref"].rsplit("/", 1)[-1]] if "$ref" in field else field
        if not (field.get("description") or target.get("description")):
            silent.append(name)

    assert silent == []


def test_every_example_in_the_schema_passes_its_own_pattern() -> None:
    checked = 0
    for name, field in _fields(SCHEMA):
        for example in field.get("examples", ()):
            assert jsonschema.Draft202012Validator(field).is_valid(example), name
            checked += 1

    assert checked > 15


def test_no_unit_less_default_is_offered() -> None:
    # A default in SI, offered by an editor, would be written without its unit.
    assert [name for name, field in _fields(SCHEMA) if "default" in field] == []


def test_asking_for_the_schema_gives_a_copy() -> None:
    before = copy.deepcopy(SCHEMA)
    json_schema()["$defs"].clear()

    assert json_schema() == before
