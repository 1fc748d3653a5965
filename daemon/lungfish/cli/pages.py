"""The handbook's pages: files beside the code, with the numbers of the code put in, and pages made from tables.

To add a page, put a file `TOPIC.md` into `lungfish/handbook/`: a first line `# Title`, then paragraphs, `## Headings`
and lists of `- ` or `1. `. A number that the code holds is written `${name}` and stands in `FIGURES`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from importlib.resources import files
from importlib.resources.abc import Traversable
from string import Template
from textwrap import wrap

from lungfish.cli.terminal import WIDTH
from lungfish.core import plan
from lungfish.core.advice import category_of, signal_told
from lungfish.core.advice_table import ADVICE
from lungfish.core.baseline import FALSE_CALL_CYCLES, LEARNING_CYCLES
from lungfish.core.closing_verdict import LEAK_PA_S
from lungfish.core.codes import GRAVITY_ORDER, Category, Diagnosis
from lungfish.core.level import DISAGREEMENT_SIGMAS
from lungfish.core.zero import MOST_SHARE, SIGMAS

__all__ = ["FIGURES", "lines_of", "title_of", "topics"]

FIGURES: Mapping[str, str] = {
    "look_least_s": f"{plan.LOOK_S[0]:g}",
    "look_most_s": f"{plan.LOOK_S[1]:g}",
    "hold_least_s": f"{plan.HOLD_S[0]:g}",
    "hold_most_s": f"{plan.HOLD_S[1]:g}",
    "shut_in_least_s": f"{plan.SHUT_IN_S[0]:g}",
    "shut_in_most_s": f"{plan.SHUT_IN_S[1]:g}",
    "period_ms": f"{1000 * plan.PERIOD_S:.0f}",
    "silence_s": f"{plan.SILENCE_S:g}",
    "learning_cycles": f"{LEARNING_CYCLES}",
    "false_call_cycles": f"{FALSE_CALL_CYCLES:,.0f}",
    "leak_pa_s": f"{LEAK_PA_S:.0f}",
    "sigmas": f"{DISAGREEMENT_SIGMAS:.0f}",
    "zero_sigmas": f"{SIGMAS:.0f}",
    "zero_share": f"{100.0 * MOST_SHARE:.0f}",
}
"""Numbers of the code that pages tell."""

_FOLDER = "handbook"
_TITLE = re.compile(r"# +(.+)")
_ITEM = re.compile(r"(- |\d+\. )(.*)", re.DOTALL)


def topics() -> list[str]:
    """Every page there is, by the alphabet."""
    stored = [entry.name.removesuffix(".md") for entry in _folder().iterdir() if entry.name.endswith(".md")]
    return sorted([*stored, *_MADE])


def title_of(topic: str) -> str:
    """The title of a page.

    Args:
        topic: one of `topics`.
    """
    title = _TITLE.match(_source(topic))
    return title[1] if title else topic


def lines_of(topic: str) -> Iterator[str]:
    """A page for the terminal, plain text of at most 100 columns.

    Args:
        topic: one of `topics`.
    """
    for place, block in enumerate(re.split(r"\n\s*\n", _source(topic).strip())):
        if place and not block.lstrip().startswith("$"):
            yield ""
        yield from _block_lines(block)


def _block_lines(block: str) -> Iterator[str]:
    if block.startswith("#"):
        marks, text = block.split(maxsplit=1)
        yield text
        yield ("=" if len(marks) == 1 else "-") * len(text)
        return
    if block.startswith("    "):
        yield from block.splitlines()
        return
    for entry in re.split(r"\n(?=\s*(?:- |\d+\. ))", block):
        inset = len(entry) - len(entry.lstrip(" "))
        item = _ITEM.match(entry.lstrip(" "))
        lead, text = (item[1], item[2]) if item else ("", entry)
        yield from wrap(
            " ".join(text.split()),
            WIDTH,
            initial_indent=" " * inset + lead,
            subsequent_indent=" " * (inset + len(lead)),
            break_on_hyphens=False,
            break_long_words=False,
        )


def _source(topic: str) -> str:
    made = _MADE.get(topic)
    if made is not None:
        return made()
    return Template((_folder() / f"{topic}.md").read_text("utf-8")).substitute(FIGURES)


def _folder() -> Traversable:
    return files("lungfish") / _FOLDER


def _diagnosis() -> str:
    """The table of verdicts as a page."""
    blocks = [
        "# What each code means, what makes it, and what to do",
        "Several codes of one cycle are joined by +, the gravest first; so is this page, but for `ok`. Behind each "
        "stand the quality that it leaves of the reading and its NAMUR NE 107 status signal: "
        + ", ".join(signal_told(category) for category in Category if category is not Category.NONE)
        + ".",
        "Behind each limit stands where it comes from: geometry (worked out from the site file), learned (this tank's "
        "own earlier cycles), transmitter (its span, accuracy and noise), common practice, or a rule of the cycle. Any "
        "one of the limits makes the code. What to do is in the order of likelihood and cheapness.",
        "`lungfish explain SITE.yaml TANK` shows the numbers of a tank; what no code can tell is on the page "
        "`cannot-be-told`.",
    ]
    order = [Diagnosis.OK, *(code for code in GRAVITY_ORDER if code is not Diagnosis.OK)]
    for code in order:
        blocks += _of_code(code)
    return "\n\n".join(blocks)


def _of_code(code: Diagnosis) -> Iterator[str]:
    advice = ADVICE[code]
    yield f"## {code.value}"
    yield f"{advice.says[0].upper()}{advice.says[1:]}."
    yield "\n".join(f"- {quality.value}: {signal_told(category_of(code, quality))}" for quality in advice.qualities)
    yield "Made by:"
    yield "\n".join(f"- {ground.feature}: {ground.limit} ({ground.source.value})" for ground in advice.grounds)
    if advice.remedies:
        yield "What to do:"
        yield "\n".join(f"{place}. {remedy}" for place, remedy in enumerate(advice.remedies, start=1))
    if advice.caution is not None:
        yield f"Caution: {advice.caution}."


_MADE: Mapping[str, Callable[[], str]] = {"diagnosis": _diagnosis}
"""Pages that are made from tables when they are asked for."""
