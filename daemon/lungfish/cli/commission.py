"""`lungfish commission`: tries the wiring step by step, with a person at the panel."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import logging
import os
import signal
import sys
import termios
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from lungfish import __version__
from lungfish.app.clock import now_utc_s
from lungfish.app.commissioning import Commissioning, Outcome, Step
from lungfish.app.house import on_signals, open_house
from lungfish.app.log import set_up_logging
from lungfish.cli.terminal import put, shows_unicode
from lungfish.config import Site, Tank, find_tank, load_site

__all__ = ["add_parser", "record_of", "run"]

_DESCRIPTION = """\
Tries the wiring with you at the panel, tank by tank: does the transmitter answer, in which order do its words come,
does the right valve click, does the pressure move, does the I/O block shut the valve by itself. Asks before anything
opens, and writes down what came of each step. Not while the daemon runs on the same store.
"""
_EPILOG = """\
Examples
  lungfish commission larkfield.yaml
  lungfish commission larkfield.yaml wet-well --record wet-well.txt

Caution
  Opens valves for some seconds, each after your yes: compressed air, and gas stirred up in the tank.

Exit status
  0  every step passed
  1  a step failed, or was not shown or left out
  2  the site file or an argument is wrong
  3  a valve is not confirmed shut at the end, a device does not answer, or another lungfish holds the store
"""
_CAUTIONS = (
    "Before you go on:",
    "  - Sumps and sludge tanks give off hydrogen sulphide and other gases, and may hold too",
    "    little oxygen: nobody goes into or over one for this. Where the atmosphere may be",
    "    explosive, tools and panel must be fit for it.",
    "  - Compressed air: lines held fast, eyes guarded, nobody's hands on tube, line or valve.",
    "  - Where the tank may overflow meanwhile, see to it another way: this is no safety function.",
    "  Local codes and those licensed for the work decide.",
)


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command.

    Args:
        subparsers: of the main parser.
    """
    parser = subparsers.add_parser(
        "commission",
        help="try the wiring step by step, with a person at the panel",
        description=_DESCRIPTION,
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("site", metavar="SITE.yaml", help="the site file")
    parser.add_argument("tank", metavar="TANK", nargs="?", help="only this tank (default: all)")
    parser.add_argument("--record", metavar="FILE", type=Path, help="write the record here (default: beside the store)")
    parser.add_argument("--no-valves", action="store_true", help="ask nothing and open nothing: links and words only")
    parser.set_defaults(func=run)


def run(args: argparse.Namespace) -> int:
    """Try the wiring.

    Returns:
        0 all passed, 1 not all, 2 no terminal or no place for the record, 3 not confirmed shut or nobody answers.

    Raises:
        ConfigError: the site file is wrong, or has no such tank.
        StoreError: another lungfish holds the store, or it can't be used.
    """
    site = load_site(args.site)
    tanks = list(site.tanks.values()) if args.tank is None else [find_tank(site, args.tank)]
    begun = datetime.fromtimestamp(now_utc_s(), ZoneInfo(site.timezone))
    record: Path = args.record or site.store_path.with_name(f"commission-{begun:%Y-%m-%d-%H%M%S}.txt")
    if not record.parent.is_dir():
        print(f"lungfish commission: {record}: there is no such directory; write --record FILE", file=sys.stderr)
        return 2
    if not args.no_valves and not sys.stdin.isatty():
        print(
            "lungfish commission: nobody is at a terminal to answer; run it at one, or with --no-valves",
            file=sys.stderr,
        )
        return 2
    set_up_logging(level=logging.CRITICAL)  # what happens is told step by step
    steps, why_ended, all_shut = asyncio.run(_commission(site, tanks, opens=not args.no_valves))
    lines = record_of(site, begun, steps, why_ended)
    with contextlib.suppress(OSError):
        put(["", *lines[-2:]], unicode=shows_unicode())
    fresh = record.with_name(f".{record.name}.new")
    try:
        fresh.write_text("\n".join(lines) + "\n", encoding="utf-8")
        os.replace(fresh, record)
    except OSError as error:
        with contextlib.suppress(OSError):
            print(f"lungfish commission: the record can't be written: {record}: {error.strerror}", file=sys.stderr)
    else:
        with contextlib.suppress(OSError):
            print(f"record: {record}", flush=True)
    if not all_shut or any(step.what == "transmitter answers" and step.outcome is Outcome.FAILED for step in steps):
        return 3
    return 0 if not why_ended and all(step.outcome is Outcome.PASSED for step in steps) else 1


async def _commission(site: Site, tanks: list[Tank], *, opens: bool) -> tuple[list[Step], str, bool]:
    """All of it; what was tried, why it ended early, and whether every valve is confirmed shut."""
    person = _Terminal()
    why_ended = ""
    async with open_house(site) as house:
        work = Commissioning(house, person, opens=opens)
        task = asyncio.create_task(_with_yes(work, person, tanks, opens=opens))

        def interrupt() -> None:
            task.cancel()

        # a terminal that is closed, or a session that drops, sends SIGHUP
        with on_signals(interrupt, (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)):
            try:
                await task
            except asyncio.CancelledError:
                why_ended = "interrupted"
            except EOFError:
                why_ended = "nobody answered any more"
        return work.steps, why_ended, work.all_shut or not work.steps


async def _with_yes(work: Commissioning, person: _Terminal, tanks: list[Tank], *, opens: bool) -> None:
    if opens:
        for line in _CAUTIONS:
            person.say(line)
        if not await person.ask("is all that seen to, and are you at the panel?"):
            raise EOFError
    await work.run(tanks)


class _Terminal:
    """The person, through standard input and output; a question never stops the event loop, nor what shuts valves."""

    def __init__(self) -> None:
        self._unicode = shows_unicode()

    def say(self, text: str) -> None:
        """Show a line; a terminal that is gone is no reason to leave off."""
        with contextlib.suppress(OSError):
            put([text], unicode=self._unicode)
            sys.stdout.flush()

    async def ask(self, question: str) -> bool:
        """Ask until the answer is a yes or a no.

        Raises:
            EOFError: nobody answers any more.
        """
        while True:
            with contextlib.suppress(termios.error):
                termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)  # what was typed before is no answer to this
            try:
                print(f"  ?          {question} [yes/no] ", end="", flush=True)
            except OSError:
                raise EOFError from None
            answer = (await self._line()).strip().lower()
            if answer in ("y", "yes", "n", "no"):
                return answer.startswith("y")

    async def _line(self) -> str:
        loop, descriptor = asyncio.get_running_loop(), sys.stdin.fileno()
        got = bytearray()
        while not got.endswith(b"\n"):
            ready = asyncio.Event()
            loop.add_reader(descriptor, ready.set)
            try:
                await ready.wait()
            finally:
                loop.remove_reader(descriptor)
            try:
                more = os.read(descriptor, 1)
            except OSError:  # the terminal is gone
                more = b""
            if not more:
                raise EOFError
            got += more
        return got.decode("utf-8", "replace")


def record_of(site: Site, begun: datetime, steps: Iterable[Step], why_ended: str) -> list[str]:
    """The record, for the file of the plant.

    Args:
        site: the site.
        begun: when, in its time zone.
        steps: what was tried.
        why_ended: why it ended early; empty when it did not.
    """
    steps = list(steps)
    counts = ", ".join(f"{sum(step.outcome is each for step in steps)} {each.value}" for each in Outcome)
    return [
        f"Check of the wiring: {site.name}",
        f"begun {begun.isoformat(timespec='seconds')}, lungfish {__version__}, store {site.store_path}",
        "",
        *(f"{step.outcome.value:<9}  {step.part}: {step.what}: {step.text}" for step in steps),
        "",
        f"ended early: {why_ended}" if why_ended else "ran to its end",
        f"steps: {counts}",
    ]
