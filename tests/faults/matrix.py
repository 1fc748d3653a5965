"""The matrix of the fault catalogue, as text."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from tests.faults.known import KNOWN
from tests.faults.outcome import Outcome

__all__ = ["HEADER", "header", "is_surprise", "line", "summary"]

_WIDTHS = (48, 40, 6, 22, 9, 15, 9)
HEADER = ("fault", "detected as", "cycles", "quality shown", "error mm", "valve after", "recovered")


def _columns(words: Sequence[str]) -> str:
    return "  ".join(word.ljust(width) for word, width in zip(words, _WIDTHS, strict=True)).rstrip()


def header() -> str:
    """Two lines above the rows."""
    return f"{_columns(HEADER)}\n{_columns(['-' * width for width in _WIDTHS])}"


def line(outcome: Outcome) -> str:
    """One row; what is not as it has to be stands below it."""
    form = outcome.fault.form
    after = "-" if outcome.after is None else str(outcome.after)
    told = outcome.detected
    if form.expect.outcome != "told":
        told, after = f"({form.expect.outcome}) {told}", "-"
    recovered = "-" if outcome.recovered is None else f"after {outcome.recovered}"
    error = f"{1000 * outcome.worst_good_m:.0f}{'  WRONG' if outcome.wrong_good else ''}"
    words = (f"{form.kind}: {form.name}", told, after, outcome.qualities, error, outcome.valve, recovered)
    below = [f"    NOT AS IT MUST BE: {text}" for text in outcome.failures]
    if form.name in KNOWN:
        below.append(f"    KNOWN: {KNOWN[form.name]}" if below else "    AS IT MUST BE NOW: take it out of known.py")
    return "\n".join([_columns(words), *below])


def is_surprise(outcome: Outcome) -> bool:
    """Whether it fails and that is not known, or is known to fail and does not."""
    return bool(outcome.failures) != (outcome.fault.form.name in KNOWN)


def summary(outcomes: Sequence[Outcome]) -> str:
    """Counts, with those apart that these signals can't tell."""
    by_kind = Counter(outcome.fault.form.kind for outcome in outcomes)
    apart = [outcome for outcome in outcomes if outcome.fault.form.expect.outcome == "untold"]
    rest = [outcome for outcome in outcomes if outcome not in apart]
    must = [outcome for outcome in rest if outcome.fault.form.expect.outcome == "told"]
    kinds = ", ".join(f"{number} {kind}" for kind, number in by_kind.items())
    lines = [
        f"{len(outcomes)} faults ({kinds}): {sum(not o.failures for o in outcomes)} as they must be, "
        f"{sum(bool(o.failures) for o in outcomes)} not, of which "
        f"{sum(bool(o.failures) and o.fault.form.name in KNOWN for o in outcomes)} are known",
        f"to be told {len(must)}, told {sum(o.after is not None for o in must)}, "
        f"in time {sum(o.after is not None and o.after <= o.fault.form.expect.within for o in must)}; "
        f"harmless {len(rest) - len(must)}; wrong levels shown as good: {sum(o.wrong_good for o in rest)}",
        f"not to be told from pressure and valve, counted apart: {len(apart)}, with "
        f"{sum(o.wrong_good for o in apart)} wrong levels shown as good",
    ]
    lines += [f"    {outcome.fault.form.name}: {outcome.fault.form.expect.because}" for outcome in apart]
    return "\n".join(lines)
