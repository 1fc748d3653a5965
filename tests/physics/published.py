"""One shape for a value that was published, or worked out by other means than ours, and what we make of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import pytest


@dataclass(frozen=True)
class Check:
    """A value to agree with."""

    name: str
    """Unique within its table; shown when it fails."""
    ours: Callable[[], float]
    """Works out our value, in the unit of `theirs`."""
    theirs: float
    """The value to agree with."""
    within: float
    """Largest difference, in the unit of `theirs`; that of the publication's rounding, or of its model."""
    source: str
    """Where it was published; or that it is from memory, worked by hand, or derived."""

    def hold(self) -> None:
        """Fail, naming the source, if ours and theirs differ by more than allowed."""
        ours = self.ours()
        assert abs(ours - self.theirs) <= self.within, (
            f"{self.name}: ours {ours!r}, theirs {self.theirs!r} within {self.within:g} ({self.source})"
        )


def each(checks: Sequence[Check]) -> pytest.MarkDecorator:
    """Parametrise a test with `check`, one case a row."""
    names = [check.name for check in checks]
    assert len(set(names)) == len(names), "two checks share a name"
    return pytest.mark.parametrize("check", checks, ids=names)
