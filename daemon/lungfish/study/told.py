"""The verdicts of a kept reading with what the table says of them: category, what to do, cautions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from lungfish.core.advice import Advice, category_of, signal_told
from lungfish.core.advice_table import ADVICE
from lungfish.core.codes import Category, Diagnosis, Quality

__all__ = ["Told", "told_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One verdict of a reading."""

    code: str
    """As it stands in the store; empty for sentences that nobody can assign to one of several codes."""
    quality: str
    """What it leaves of the reading; that of the whole reading when the store does not tell it apart."""
    sentences: tuple[str, ...]
    """Why, with the numbers and the limits."""

    @property
    def diagnosis(self) -> Diagnosis | None:
        """The code; None for one that this lungfish does not know."""
        return Diagnosis(self.code) if self.code in {each.value for each in Diagnosis} else None

    @property
    def advice(self) -> Advice | None:
        """Its row of the table; None for a code that this lungfish does not know."""
        return None if self.diagnosis is None else ADVICE[self.diagnosis]

    @property
    def category(self) -> Category | None:
        """Its status signal of NAMUR NE 107; None for a code or quality that this lungfish does not know."""
        if self.diagnosis is None or self.quality not in {each.value for each in Quality}:
            return None
        return category_of(self.diagnosis, Quality(self.quality))

    @property
    def category_told(self) -> str:
        """The status signal in words."""
        category = self.category
        return "not known" if category is None else signal_told(category)


def told_of(diagnosis: str, quality: str, evidence: Mapping[str, object]) -> tuple[Told, ...]:
    """The verdicts of a reading, the gravest first.

    Args:
        diagnosis: codes joined by `+`, the gravest first.
        quality: of the reading.
        evidence: as kept with it.
    """
    findings = list(_findings(evidence))
    codes = diagnosis.split("+")
    if not findings:
        sentences = tuple(_texts(evidence.get("sentences")))
        if len(codes) == 1:
            return (Told(code=codes[0], quality=quality, sentences=sentences),)
        apart = tuple(Told(code=code, quality=quality, sentences=()) for code in codes)
        return (*apart, Told(code="", quality=quality, sentences=sentences)) if sentences else apart
    told = []
    for code in codes:
        mine = [(q, sentence) for name, q, sentence in findings if name == code]
        order = [each.value for each in (Quality.BAD, Quality.UNCERTAIN, Quality.GOOD)]
        worst = min((q for q, _ in mine), key=lambda q: order.index(q) if q in order else 0, default=quality)
        told.append(Told(code=code, quality=worst, sentences=tuple(sentence for _, sentence in mine)))
    return tuple(told)


def _findings(evidence: Mapping[str, object]) -> Iterator[tuple[str, str, str]]:
    findings = evidence.get("findings")
    for finding in findings if isinstance(findings, Sequence) else ():
        match finding:
            case {"code": str() as code, "quality": str() as quality, "sentence": str() as sentence}:
                yield code, quality, sentence
            case _:
                pass


def _texts(sentences: object) -> Iterator[str]:
    if isinstance(sentences, Sequence) and not isinstance(sentences, str):
        yield from (str(sentence) for sentence in sentences)
