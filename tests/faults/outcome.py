"""What came of a fault, against what had to: in one row of the matrix, and in sentences where the two differ."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby

from lungfish.core.events import ValveState
from lungfish.ports import ClockState, ReadingRecord
from tests.faults.faultfile import FaultFile
from tests.faults.life import Life, Seen

__all__ = ["WRONG_M", "Outcome", "judged", "wrong_m"]

WRONG_M = 0.020
"""A good level that is off by more than this, and by more than three standard uncertainties, is a wrong one."""
_OPEN_LIMIT_S = 90.0 + 2.0
"""`max_open`, and what a command needs to get through a link that is well."""


@dataclass(frozen=True)
class Outcome:
    """One row of the matrix."""

    fault: FaultFile
    detected: str
    """The codes and the event that told it."""
    after: int | None
    """Cycles from its beginning to the first that tells it; None: not told."""
    qualities: str
    """Qualities of the rows of its time, in order."""
    wrong_good: int
    """Wrong levels shown as good in its time."""
    worst_good_m: float
    """Largest error of a good row in its time, m."""
    valve: str
    """After its last cycle."""
    recovered: int | None
    """Cycles after its end until all is well; None: not so far."""
    failures: tuple[str, ...]
    """What is not as it has to be."""


def wrong_m(life: Life, row: ReadingRecord) -> float:
    """Error of a row's level, m; below the tip the tip is right."""
    assert row.level_m is not None
    return row.level_m - max(life.tip_m, life.level_m(row.at.monotonic_s))


def _is_wrong(life: Life, row: ReadingRecord) -> bool:
    if row.quality != "good" or row.level_m is None:
        return False
    return abs(wrong_m(life, row)) > max(WRONG_M, 1.5 * (row.level_u_m or 0.0))  # three standard uncertainties


def _is_well(life: Life, row: ReadingRecord) -> bool:
    """Good, right, and with nothing to tell but a tip that is uncovered in truth."""
    uncovered = life.level_m(row.at.monotonic_s) <= life.tip_m
    nothing_to_tell = row.diagnosis == ("tip_uncovered" if uncovered else "ok")
    return nothing_to_tell and row.quality == "good" and not _is_wrong(life, row)


def judged(life: Life) -> Outcome:
    """Compare a life with what its file expects.

    Args:
        life: what came of the fault.
    """
    fault, form = life.fault, life.fault.form
    first, beyond = form.good_cycles, form.good_cycles + form.faulty_cycles
    faulty = [row for row in life.rows if first <= life.slot(row) < beyond]
    after, codes, events = _told(life, faulty)
    goods = [row for row in faulty if row.quality == "good" and row.level_m is not None]
    looks = [seen for seen in life.seen if first <= seen.slot < beyond]
    failures = [
        *_telling_failures(life, faulty, after),
        *_quality_failures(life, faulty),
        *_valve_failures(life, looks),
        *_keeping_failures(life),
        *_stamp_failures(life, faulty),
    ]
    recovered = _recovered(life)
    if form.expect.recovers and (recovered is None or recovered > form.expect.recovers):
        since = "not at all" if recovered is None else f"after {recovered} cycles"
        rows = ", ".join(row.diagnosis for row in life.rows if life.slot(row) >= beyond)
        failures.append(f"well again {since}, wanted after {form.expect.recovers}: {rows}")
    return Outcome(
        fault=fault,
        detected=" ".join([*codes, *(f"[{kind}]" for kind in events)]) or "-",
        after=after,
        qualities=" > ".join(quality for quality, _ in groupby(row.quality for row in faulty)) or "no row",
        wrong_good=sum(_is_wrong(life, row) for row in faulty),
        worst_good_m=max((abs(wrong_m(life, row)) for row in goods), default=0.0),
        valve=_valve_word(looks[-1]) if looks else "-",
        recovered=recovered,
        failures=tuple(failures),
    )


def _told(life: Life, faulty: list[ReadingRecord]) -> tuple[int | None, list[str], list[str]]:
    """Cycles until told, all codes of the fault's time, the kinds of event that tell it."""
    form = life.fault.form
    codes: list[str] = []
    for row in faulty:
        codes += [code for code in row.diagnosis.split("+") if code not in codes]
    wanted = set(form.expect.codes)
    firsts = [n for n, row in enumerate(faulty, 1) if wanted & set(row.diagnosis.split("+"))]
    kind = form.expect.event
    at_s = [e.at.monotonic_s for e in life.events if e.kind == kind and e.at.monotonic_s >= life.fault.begins_s - 1.0]
    if kind == "store" and life.troubles:
        at_s.append(life.fault.begins_s)  # it was told at once, outside the store that could not take it
    if kind and at_s:
        firsts.append(max(1, sum(row.at.monotonic_s < min(at_s) for row in faulty)))
    return (min(firsts) if firsts else None), codes, [kind] if kind and at_s else []


def _telling_failures(life: Life, faulty: list[ReadingRecord], after: int | None) -> list[str]:
    expect, found = life.fault.form.expect, []
    if len(faulty) < life.fault.form.faulty_cycles:
        found.append(f"{len(faulty)} rows for {life.fault.form.faulty_cycles} cycles")
    if expect.outcome == "told" and (after is None or after > expect.within):
        told = "never told" if after is None else f"told after {after} cycles"
        found.append(f"{told}, wanted after {expect.within}: {'; '.join(row.diagnosis for row in faulty)}")
    allowed = {"ok", *expect.codes, *expect.also}
    for number, row in enumerate(faulty, 1):
        codes = set(row.diagnosis.split("+"))
        if expect.outcome != "untold" and not codes <= allowed:
            found.append(f"cycle {number} told as {row.diagnosis}: {_why(row)}")
        lasting = expect.outcome == "told" and expect.codes and not expect.passing and number > expect.within
        if lasting and not codes & set(expect.codes):
            found.append(f"cycle {number} no longer tells it, but {row.diagnosis}: {_why(row)}")
    return found


def _quality_failures(life: Life, faulty: list[ReadingRecord]) -> list[str]:
    expect, found = life.fault.form.expect, []
    for row in life.rows:
        if (row.level_m is None) != (row.quality == "bad"):
            found.append(f"a {row.quality} row with level {row.level_m}")
        if _is_wrong(life, row) and (expect.outcome != "untold" or row not in faulty):
            found.append(
                f"a good level off by {1000 * wrong_m(life, row):.0f} mm "
                f"(stated {1000 * (row.level_u_m or 0.0):.0f} mm) in cycle {life.slot(row) + 1}: {_why(row)}"
            )
    late = faulty[expect.within - 1 :] if expect.outcome == "told" else faulty
    for row in late:
        if expect.outcome != "untold" and row.quality not in expect.quality:
            found.append(f"shown as {row.quality}, wanted {' or '.join(expect.quality)}: {row.diagnosis}, {_why(row)}")
    found += [
        f"before the fault: {row.diagnosis}, {row.quality}: {_why(row)}"
        for row in life.rows
        if life.slot(row) < life.fault.form.good_cycles and not _is_well(life, row)
    ]
    found += [f"the neighbour suffers: {row.diagnosis}" for row in life.neighbour if row.quality != "good"]
    return found


def _valve_word(seen: Seen) -> str:
    if seen.observed is not ValveState.SHUT:
        return f"not known, {'on' if seen.coil else 'off'}"
    if seen.coil:
        return "OPEN"
    return "shut, passes" if seen.passes else "shut"


def _valve_failures(life: Life, looks: list[Seen]) -> list[str]:
    wanted = life.fault.form.expect.valve
    found = []
    for seen in looks:
        word = _valve_word(seen)
        fits = {"shut": word == "shut", "passes": word == "shut, passes", "unknown": word.startswith("not known")}
        if not fits[wanted]:
            found.append(f"{seen.at_s:.0f} s: the valve is {word}, wanted {wanted}")
    if wanted != "unknown" and life.longest_open_s > _OPEN_LIMIT_S:
        found.append(f"the output was on for {life.longest_open_s:.0f} s")
    if life.fault.form.after_cycles and not life.shut_at_end:
        found.append("at the end the valve is not confirmed shut")
    return found


def _keeping_failures(life: Life) -> list[str]:
    since_s = -1.0 if life.fault.form.expect.rows_kept else life.fault.begins_s
    made = [round(row.at.monotonic_s, 6) for row in life.rows if row.at.monotonic_s > since_s]
    kept = [round(row.at.monotonic_s, 6) for row in sorted(life.stored, key=lambda row: row.seq)]
    kept = [at_s for at_s in kept if at_s > since_s]
    return [] if made == kept else [f"{len(made)} rows were made, {len(kept)} are in the store"]


def _stamp_failures(life: Life, faulty: list[ReadingRecord]) -> list[str]:
    if not life.fault.form.expect.marked:
        return []
    return [
        f"a row at {row.at.monotonic_s:.0f} s claims a synchronised clock"
        for row in faulty
        if row.at.clock is ClockState.SYNCHRONISED
    ]


def _recovered(life: Life) -> int | None:
    """Cycles that began after the fault's end until one is well: the row good, on disk, the level right."""
    every_s = life.fault.form.tank.every_s
    since = [n for n, row in enumerate(life.rows) if life.slot(row) * every_s >= life.fault.ends_s]
    for count, n in enumerate(since, 1):
        if _is_well(life, life.rows[n]) and life.kept[n]:
            return count
    return None


def _why(row: ReadingRecord) -> str:
    sentences = row.evidence.get("sentences")
    return str(sentences[0]) if isinstance(sentences, list) and sentences else "no sentence"
