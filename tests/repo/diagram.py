"""The state diagram of the measuring cycle, drawn from its transition table. `python -m tests.repo.diagram` renews it.

The table says which event may happen in which phase and who answers; where the answer can lead is read from the
answering methods themselves: every `self.phase = ...` that can be reached from there in that phase.
"""

from __future__ import annotations

import ast
import inspect
import sys
import textwrap
from collections.abc import Iterable

from lungfish.core.cycle import TRANSITIONS, Cycle
from lungfish.core.machine import ignore
from lungfish.core.reading import Phase
from tests.repo.house import ROOT

DOCUMENT = ROOT / "DEVELOPERS.md"
BEGIN = "<!-- drawn from the transition table by `python -m tests.repo.diagram`: do not edit by hand -->"
END = "<!-- end of the drawing -->"


class _Walk:
    """What can be assigned to `self.phase` from a method on, entered in a given phase."""

    def __init__(self) -> None:
        tree = ast.parse(textwrap.dedent(inspect.getsource(Cycle))).body[0]
        assert isinstance(tree, ast.ClassDef)
        self._methods = {item.name: item for item in tree.body if isinstance(item, ast.FunctionDef)}
        self._targets: set[Phase] = set()
        self._entered: set[tuple[str, Phase | None]] = set()
        self._phase: Phase | None = None

    def targets(self, method: str, phase: Phase) -> set[Phase]:
        """Phases that a method may lead to from a phase; nothing when it stays."""
        self._targets, self._entered, self._phase = set(), set(), phase
        self._method(method)
        return self._targets

    def _method(self, name: str) -> None:
        if (name, self._phase) not in self._entered and name in self._methods:
            self._entered.add((name, self._phase))
            self._body(self._methods[name].body)

    def _body(self, statements: Iterable[ast.stmt]) -> bool:
        """Walk statements in order; True when the end is never reached."""
        for statement in statements:
            if isinstance(statement, ast.If):
                if self._if(statement):
                    return True
                continue
            self._calls(statement)
            for target, value in _assignments(statement):
                if _is_phase(target):
                    self._targets.add(_phase(value))
                    self._phase = None
            if isinstance(statement, ast.Return | ast.Raise):
                return True
            for inner in ("body", "orelse"):
                self._body(getattr(statement, inner, ()))
        return False

    def _if(self, statement: ast.If) -> bool:
        self._calls(statement.test)
        sure = self._decided(statement.test)
        if sure is not None:
            return self._body(statement.body if sure else statement.orelse)
        before = self._phase
        ends = self._body(statement.body)
        after, self._phase = self._phase, before
        ends_else = self._body(statement.orelse)
        if self._phase is not after and not ends:
            self._phase = None
        return ends and ends_else and bool(statement.orelse)

    def _decided(self, test: ast.expr) -> bool | None:
        """The answer to `self.phase is Phase.X` while the phase is known; None: it could be either."""
        plain = isinstance(test, ast.Compare) and isinstance(test.ops[0], ast.Is) and _is_phase(test.left)
        if self._phase is None or not plain:
            return None
        assert isinstance(test, ast.Compare)
        return self._phase is _phase(test.comparators[0])

    def _calls(self, node: ast.AST) -> None:
        if isinstance(node, ast.For | ast.While | ast.With | ast.Try):
            return  # their bodies are walked one by one
        for call in ast.walk(node):
            if isinstance(call, ast.Call) and isinstance(call.func, ast.Attribute):
                self._method(call.func.attr)


def _assignments(statement: ast.stmt) -> list[tuple[ast.expr, ast.expr]]:
    """What is assigned to what; `a, b = 1, 2` is two of them."""
    if not isinstance(statement, ast.Assign):
        return []
    target, value = statement.targets[0], statement.value
    if isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
        return list(zip(target.elts, value.elts, strict=True))
    return [(target, value)]


def _is_phase(node: ast.expr) -> bool:
    return isinstance(node, ast.Attribute) and node.attr == "phase"


def _phase(node: ast.expr) -> Phase:
    assert isinstance(node, ast.Attribute), ast.dump(node)
    return Phase[node.attr]


def arrows() -> dict[tuple[Phase, Phase], list[str]]:
    """Events by the change of phase that they can bring; in the table's order."""
    walk = _Walk()
    drawn: dict[tuple[Phase, Phase], list[str]] = {}
    for (phase, event), handler in TRANSITIONS.items():
        for target in sorted(walk.targets(handler.__name__, phase) - {phase}, key=list(Phase).index):
            drawn.setdefault((phase, target), []).append(event.__name__)
    return drawn


def drawing() -> str:
    """The diagram and the list of what each phase leaves unanswered, as Markdown."""
    lines = [BEGIN, "", "```mermaid", "stateDiagram-v2", "    [*] --> rest"]
    names = {phase: phase.value.replace("-", "_") for phase in Phase}
    lines += [f'    state "{phase.value}" as {names[phase]}' for phase in Phase if names[phase] != phase.value]
    for (phase, target), events in arrows().items():
        lines.append(f"    {names[phase]} --> {names[target]} : {', '.join(events)}")
    lines += ["    done --> [*]", "```", ""]
    kinds = list(dict.fromkeys(event.__name__ for _, event in TRANSITIONS))
    table = {(phase, event.__name__): handler for (phase, event), handler in TRANSITIONS.items()}
    lines += [f"| phase | {' | '.join(kinds)} |", f"|---|{'---|' * len(kinds)}"]
    for phase in Phase:
        cells = [_cell(table.get((phase, kind))) for kind in kinds]
        lines.append(f"| {phase.value} | {' | '.join(cells)} |")
    lines += ["", END]
    return "\n".join(lines)


def _cell(handler: object) -> str:
    if handler is None:
        return "illegal"
    return "ignored" if handler is ignore else "taken"


def drawn_in_document() -> str:
    """What stands in DEVELOPERS.md now."""
    text = DOCUMENT.read_text(encoding="utf-8")
    return text[text.index(BEGIN) : text.index(END) + len(END)]


def main() -> None:
    """Renew the drawing in DEVELOPERS.md."""
    text = DOCUMENT.read_text(encoding="utf-8")
    DOCUMENT.write_text(text.replace(drawn_in_document(), drawing()), encoding="utf-8")
    sys.stdout.write(f"{DOCUMENT.name}: the drawing is up to date\n")


if __name__ == "__main__":
    main()
