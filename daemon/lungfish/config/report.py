"""What is found while a site file is being understood: errors, warnings, and what was assumed."""

from __future__ import annotations

from dataclasses import dataclass, field

from lungfish.config.document import Document, KeyPath
from lungfish.config.messages import dotted
from lungfish.errors import Problem

__all__ = ["Report"]


@dataclass(slots=True)
class Report:
    """Findings on one document."""

    document: Document
    """Where lines come from."""
    errors: list[Problem] = field(default_factory=list)
    """What must be put right."""
    warnings: list[Problem] = field(default_factory=list)
    """What is allowed but unwise."""
    assumed: list[str] = field(default_factory=list)
    """What the file left out and was assumed, as `key: value`."""

    def error(self, path: KeyPath, wrong: str, right: str) -> None:
        """Refuse something.

        Args:
            path: of the key to blame.
            wrong: what was wrong.
            right: what would be right.
        """
        self.errors.append(Problem(self.document.line(path), dotted(path), wrong, right))

    def warn(self, path: KeyPath, wrong: str, right: str) -> None:
        """Call something unwise.

        Args:
            path: of the key to blame.
            wrong: what is unwise.
            right: what would be better.
        """
        self.warnings.append(Problem(self.document.line(path), dotted(path), wrong, right))

    def assume(self, path: KeyPath, value: str) -> None:
        """Note what was assumed for a key that was left out.

        Args:
            path: of the key.
            value: what was assumed, and from where.
        """
        self.assumed.append(f"{dotted(path)}: {value}")
