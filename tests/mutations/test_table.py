"""The table of broken layers holds as long as what it replaces stands once in its file, and its tests are there."""

from __future__ import annotations

import pytest

from tests.mutations.table import MUTATIONS, Mutation
from tests.repo.house import ROOT


@pytest.mark.parametrize("mutation", MUTATIONS, ids=lambda mutation: mutation.layer)
def test_what_is_replaced_stands_once_and_its_tests_are_there(mutation: Mutation) -> None:
    text = (ROOT / "daemon" / "lungfish" / mutation.file).read_text(encoding="utf-8")
    assert text.count(mutation.old) == 1
    assert mutation.new != mutation.old
    for test in mutation.tests:
        assert (ROOT / "tests" / test).exists(), test


def test_there_are_at_least_twenty() -> None:
    assert len(MUTATIONS) >= 20
    assert len({mutation.layer for mutation in MUTATIONS}) == len(MUTATIONS)
