"""Each layer, how it is broken, and the tests that must see it. The text to replace stands once in its file."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["MUTATIONS", "Mutation"]


@dataclass(frozen=True, slots=True)
class Mutation:
    """One layer broken."""

    layer: str
    """What it is for."""
    file: str
    """Below `daemon/lungfish/`."""
    old: str
    """What stands there."""
    new: str
    """What breaks it."""
    tests: tuple[str, ...]
    """Below `tests/`."""


_CYCLE = ("core/test_cycle.py", "core/test_cycle_property.py")
_RUNNER = ("app/test_runner.py", "app/test_parts.py", "app/test_faulty_links.py")
_GATE = ("drivers/test_gate.py",)
_BUDGET = ("core/test_air_budget.py", "app/test_air_budget.py")

MUTATIONS = (
    Mutation(
        "an open valve is shut at its longest time",
        "core/cycle.py",
        "if now_s - commanded_s >= min(self._plan.open_limit_s, self._setup.max_open_s) - DUE_S:",
        "if now_s - commanded_s >= 1e9:",
        _CYCLE,
    ),
    Mutation(
        "an open valve is shut when nothing is heard",
        "core/cycle.py",
        "if now_s - max(record.last_good_s, commanded_s) >= SILENCE_S - DUE_S:",
        "if False:",
        _CYCLE,
    ),
    Mutation(
        "shut at the transmitter's limit",
        "core/cycle.py",
        "if trouble is None and event.gauge_pa >= plan.over_range_pa:",
        "if False:",
        _CYCLE,
    ),
    Mutation(
        "shut beyond what a brim-full tank gives",
        "core/cycle.py",
        "if trouble is None and record.beyond_brim >= 2:",
        "if False:",
        (*_CYCLE, "core/test_pumping_up.py"),
    ),
    Mutation(
        "not opened on a tube shut in beyond brim",
        "core/cycle.py",
        "if (record.trapped_pa or 0.0) > self._plan.brim_pa:",
        "if False:",
        (*_CYCLE, "core/test_pumping_up.py"),
    ),
    Mutation(
        "a value that is no number counts for nothing",
        "core/cycle.py",
        "valid = math.isfinite(event.gauge_pa) and event.gauge_pa >= plan.invalid_low_pa",
        "valid = event.gauge_pa >= plan.invalid_low_pa or not math.isfinite(event.gauge_pa)",
        _CYCLE,
    ),
    Mutation(
        "the valve first, on every way out of a cycle",
        "core/cycle.py",
        "return SHUT, Sample(period_s=0.0), Finish(reading=reading)",
        "return Sample(period_s=0.0), Finish(reading=reading)",
        _CYCLE,
    ),
    Mutation(
        "opened only from a confirmed shut",
        "app/purge_valve.py",
        "if self.observed is not ValveState.SHUT or self._shutting is not None:",
        "if False:",
        _RUNNER,
    ),
    Mutation(
        "never open with another valve of the tank",
        "app/purge_valve.py",
        "if other is not None:",
        "if False:",
        ("app/test_parts.py", "app/test_zero.py", "app/test_isolating.py"),
    ),
    Mutation(
        "opened only with air to spare",
        "app/purge_valve.py",
        "if not self._has_air:",
        "if False:",
        _RUNNER,
    ),
    Mutation(
        "the guard is armed before the valve opens",
        "app/purge_valve.py",
        "self._watch.arm(self.called, self._clock.monotonic_s() + self._max_open_s)",
        "pass",
        (*_RUNNER, "system/test_guard.py"),
    ),
    Mutation(
        "shut again until it is confirmed",
        "app/purge_valve.py",
        "pause_s = min(2.0 * pause_s, _LONGEST_PAUSE_S)\n                    continue",
        "raise",
        _RUNNER,
    ),
    Mutation(
        "what reads back otherwise is not shut",
        "app/purge_valve.py",
        "if echo.state is not ValveState.SHUT:\n            raise",
        "if False:\n            raise",
        _RUNNER,
    ),
    Mutation(
        "an open valve is read back",
        "app/runner.py",
        "if state is ValveState.SHUT:\n                reason",
        "if False:\n                reason",
        ("app/test_daemon.py",),
    ),
    Mutation(
        "the guard acts when the time is over",
        "app/guard.py",
        "if wait_s <= 0:",
        "if False:",
        ("system/test_guard.py",),
    ),
    Mutation(
        "an intent is put down before each opening",
        "app/daemon.py",
        "announce=(lambda: journal.announce(name)) if lets_air_in else None,",
        "announce=None,",
        ("app/test_daemon.py", "app/test_with_store.py", "system/test_kills.py"),
    ),
    Mutation(
        "an opening that nobody lived to finish has its row",
        "app/house.py",
        "store.put_aborted(intent, sentence)",
        "pass",
        ("app/test_with_store.py", "system/test_run.py", "system/test_kills.py"),
    ),
    Mutation(
        "the watchdog is fed by completed work only",
        "app/daemon.py",
        "if not late:",
        "if True:",
        ("app/test_daemon.py", "app/test_parts.py"),
    ),
    Mutation(
        "a wait for others is no endless promise",
        "app/admission.py",
        "if turns.given != given:",
        "if True:",
        ("app/test_link_turns.py",),
    ),
    Mutation(
        "no more valves open than the air bears",
        "app/air.py",
        "asyncio.Semaphore(simultaneous)",
        "asyncio.Semaphore(simultaneous + 1)",
        ("app/test_daemon.py", "app/test_parts.py"),
    ),
    Mutation(
        "the air budget outlives a restart",
        "app/air_budget.py",
        "self._count_kept()\n\n",
        "\n",
        _BUDGET,
    ),
    Mutation(
        "rest between two purges",
        "core/air_budget.py",
        "if limits.rest_s <= 0.0 or ended_s is None or ended_s + limits.rest_s <= now_s:",
        "if True:",
        _BUDGET,
    ),
    Mutation(
        "purges an hour",
        "core/air_budget.py",
        "if len(ends_s) < most:",
        "if True:",
        _BUDGET,
    ),
    Mutation(
        "early purges of the watch are capped",
        "core/watch_limits.py",
        "if self._left < 1.0:",
        "if False:",
        ("core/test_watch.py",),
    ),
    Mutation(
        "tries at a plug are counted",
        "core/clearing_tries.py",
        "if today >= per_day:",
        "if False:",
        ("core/test_clearing_tries.py", "app/test_clearing.py"),
    ),
    Mutation(
        "a blow-down ends at its limit",
        "core/clearing.py",
        "if event.gauge_pa >= self._clear.limit_pa or now_s >= self._deadline_s() - DUE_S:",
        "if False:",
        ("core/test_clearing.py", "core/test_clearing_property.py"),
    ),
    Mutation(
        "an answer from another unit is none",
        "drivers/gate.py",
        "if frame[6] != request[6]:",
        "if False:",
        _GATE,
    ),
    Mutation(
        "an answer to another function is none",
        "drivers/gate.py",
        "if frame[7] != function:",
        "if False:",
        _GATE,
    ),
    Mutation(
        "a late answer is none",
        "drivers/gate.py",
        "if head[:2] != request[:2]:",
        "if False:",
        _GATE,
    ),
    Mutation(
        "an answer of another length is none",
        "drivers/gate.py",
        "if length != 3 + payload:",
        "if False:",
        _GATE,
    ),
    Mutation(
        "the echo of a command is compared",
        "drivers/gate.py",
        "return None if sent.startswith(echo) else",
        "return None if True else",
        _GATE,
    ),
    Mutation(
        "an output is read back",
        "drivers/valve.py",
        "while (found := bit_of(spec, (seen := await self._read()).values[0])) != value:",
        "while (found := bit_of(spec, (seen := await self._read()).values[0])) != value and False:",
        ("drivers/test_devices.py",),
    ),
    Mutation(
        "`shut` believes what is read back only",
        "drivers/shut.py",
        "if bit_of(valve, ask(read).values[0]) == value:",
        "if ask(read):",
        ("peer/test_shut_alone.py",),
    ),
    Mutation(
        "when the daemon dies its widow shuts every valve",
        "drivers/kept_valves.py",
        "if os.read(sys.stdin.fileno(), 1) == RELEASE:",
        "if os.read(sys.stdin.fileno(), 1) is not None:",
        ("drivers/test_kept_valves.py",),
    ),
    Mutation(
        "one daemon for a store",
        "store/lock.py",
        "fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)",
        "pass",
        ("store", "system/test_run.py"),
    ),
    Mutation(
        "a new site file waits for the old one's valves",
        "app/service.py",
        "if all_shut:\n                before, site = site, fresh",
        "if True:\n                before, site = site, fresh",
        ("system/test_reload.py",),
    ),
    Mutation(
        "a transmitter is cut off before it is blown past its limit",
        "app/tank_loop.py",
        "why = None if self._isolator is None else await self._isolator.isolate()",
        "why = None",
        ("app/test_isolating.py",),
    ),
    Mutation(
        "a contact holds a purge off for so long only",
        "app/hold_off.py",
        "holding = [spec for spec in saying_yes if waited_s < spec.at_most_s]",
        "holding = saying_yes",
        ("app/test_schedule.py", "app/test_switches.py", "app/test_scheduled_daemon.py"),
    ),
    Mutation(
        "a tank that is not vented is refused",
        "config/build.py",
        "if not form.vented:",
        "if False:",
        ("config/test_bad_files.py", "config/test_agreement.py"),
    ),
)
