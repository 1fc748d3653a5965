"""Rows of the table of verdicts that ask whether air came, went all the way to the tip, and stopped with the valve."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from lungfish.core import balance, evidence, friction_shown, level, stuck, verdict
from lungfish.core.advice import AIR_OFF, GAS, Advice, Ground, Source
from lungfish.core.codes import Diagnosis, Quality

__all__ = ["AIR_ADVICE"]

_GOOD, _UNCERTAIN, _BAD = Quality.GOOD, Quality.UNCERTAIN, Quality.BAD

AIR_ADVICE: Mapping[Diagnosis, Advice] = MappingProxyType(
    {
        Diagnosis.OK: Advice(
            says="the cycle ran as it should",
            qualities=(_GOOD, _UNCERTAIN),
            grounds=(
                Ground(feature="all the others", limit="none of them is met", source=Source.PROTOCOL),
                Ground(
                    feature="air at the tip, by what closing takes away",
                    limit=f"proven by {100 * friction_shown.FRICTION_SEEN:.0f} % of the expected friction, or by a "
                    f"small one in all closings together, {friction_shown.SHOWN_SIGMAS:g} standard deviations of their "
                    "mean",
                    source=Source.LEARNED,
                ),
                Ground(
                    feature="the same, by a rise that stopped when the tube must have been full",
                    limit=f"proven by {evidence.TIMELY[0]:g} to {evidence.TIMELY[1]:g} times what the set flow needs, "
                    f"from {evidence.TIMELY_LEAST_S:g} s on (shorter than {evidence.UNPAID_S:g} s only where opening "
                    f"brought what it owed); where the damping is still a guess (its logarithm to "
                    f"{evidence.KNOWN_DAMPING:g}), from {evidence.GUESSED_LAGS:g} times the longest that it can be",
                    source=Source.GEOMETRY,
                ),
                Ground(
                    feature="the same, by bubbles",
                    limit=f"proven by {evidence.RIPPLE_SHOWS:g} times the noise of the valve shut; or by a step that "
                    f"closing takes away or freezes, once the pressure stands still within {evidence.SETTLED_PA_S:g} "
                    "Pa/s",
                    source=Source.TRANSMITTER,
                ),
                Ground(
                    feature="the same, by what the level pressed into the shut tube",
                    limit=f"proven where opening brings that back, {balance.PAID[0]:g} to {balance.PAID[1]:g} times; "
                    f"in a tube never seen full {balance.PAID_EXACTLY[0]:g} to {balance.PAID_EXACTLY[1]:g} times, the "
                    f"pressure then standing still within {evidence.STOOD_PA_S:g} Pa/s",
                    source=Source.GEOMETRY,
                ),
                Ground(
                    feature="how far the level may have moved since air was last proven",
                    limit=f"in the uncertainty; beyond {1000 * verdict.DOUBT_M:.0f} mm the reading is uncertain. A "
                    f"tube that lost less than {1000 * balance.UNPROVEN_M:.0f} mm between two proven readings (in "
                    f"{balance.UNPROVEN_OVER_S / 3600:g} h after a restart) keeps its air; a fall slower than "
                    f"{balance.FALLING_LEVEL_PA_S:g} Pa/s may be the level's",
                    source=Source.LEARNED,
                ),
                Ground(
                    feature="friction that closing did not take away, and too little to call the valve stuck by",
                    limit="the reading is uncertain where it would read as "
                    f"{1000 * friction_shown.FLOWING_ON_M:.0f} mm or more",
                    source=Source.LEARNED,
                ),
            ),
            remedies=(),
        ),
        Diagnosis.TIP_UNCOVERED: Advice(
            says="air flows freely with no head: the liquid is at or below the tip",
            qualities=(_GOOD, _UNCERTAIN),
            grounds=(
                Ground(
                    feature="head after closing",
                    limit=f"below {1000 * evidence.UNCOVERED_M:.0f} mm, or below three standard uncertainties",
                    source=Source.TRANSMITTER,
                ),
                Ground(
                    feature="plateau (as well)",
                    limit="no higher than twice the friction expected and 200 Pa",
                    source=Source.GEOMETRY,
                ),
                Ground(
                    feature="friction and air (for a good reading)",
                    limit=f"friction known to {verdict.KNOWN_FRICTION_PA:.0f} Pa, air seen to come and no sign of a "
                    "narrowed tip: a tube that has come off, or loses all its air, looks much the same",
                    source=Source.LEARNED,
                ),
            ),
            remedies=(
                "if the tank is meant to be that low: nothing",
                "compare with a dipstick: a tube that has come off its fitting above the liquid reads the same",
                "a good moment to check the transmitter's zero: no head stands on it",
            ),
            caution=GAS,
        ),
        Diagnosis.NO_AIR: Advice(
            says="the valve is open and nothing arrives: supply lost, or valve stuck shut",
            qualities=(_BAD, _UNCERTAIN),
            grounds=(
                Ground(
                    feature="friction taken away by closing, with no rise at opening",
                    limit=f"less than {100 * friction_shown.FRICTION_SEEN:.0f} % of what flowing air gives, and more "
                    f"than a bubble can hide that closing froze ({friction_shown.FROZEN_MOST:g} of its standard "
                    "deviations, half of the largest ripple at most)",
                    source=Source.LEARNED,
                ),
                Ground(
                    feature="the same in all closings since air was last proven, two at least",
                    limit=f"their mean lies below that by {friction_shown.MISSING_SIGMAS:g} of its standard deviations",
                    source=Source.LEARNED,
                ),
                Ground(
                    feature="any sign of air at the tip: friction, rise, ripple "
                    f"({evidence.RIPPLE_SHOWS:g} times the noise)",
                    limit="none, air was never proven before, and none came: no rise, now or ever, of "
                    f"{evidence.ROSE_PA:.0f} Pa and {evidence.ROSE_NOISES:g} times the noise within "
                    f"{evidence.TIMELY[1]:g} times what the set flow needs (and the longest damping)",
                    source=Source.LEARNED,
                ),
                Ground(
                    feature="no sign of air at the tip, and no head (plateau and shut-in as for `tip_uncovered`)",
                    limit=f"where the level may have moved by more than {1000 * balance.UNPROVEN_M:.0f} mm unseen: bad",
                    source=Source.GEOMETRY,
                ),
                Ground(
                    feature="rise at opening, after the level has compressed the air of the shut tube",
                    limit=f"less than {100 * balance.UNPAID_SHARE:.0f} % of what must come",
                    source=Source.GEOMETRY,
                ),
                Ground(
                    feature="pressure that opening did not lift",
                    limit=f"more than {1000 * verdict.UNDER_M:.0f} mm of the liquid below nothing: the suction of "
                    "liquid that stands in the tube",
                    source=Source.GEOMETRY,
                ),
                Ground(
                    feature="supply switch, flow switch (where there are such)",
                    limit="off, and nothing else shows air",
                    source=Source.PROTOCOL,
                ),
            ),
            remedies=(
                "the supply's gauge, its shut-off, the filter and the restrictor",
                "listen and feel at the valve during `lungfish read`: does it click, does air pass?",
                "the valve's coil, its fuse and the output of the I/O block",
                "the line between valve and tube: off its fitting, frozen, or full of water",
                "a valve that does not shut can look the same: the trapped pressure then stands above the head by the "
                "friction, and bubbles go on",
                "the transmitter: does its value move when the line is opened to the air?",
            ),
            caution=AIR_OFF,
        ),
        Diagnosis.SUPPLY_LOW: Advice(
            says="the pressure stops at what the supply can give, below the head",
            qualities=(_BAD,),
            grounds=(
                Ground(
                    feature="shape of the rise: time from 50 to 90 % over time from 10 to 50 %",
                    limit=f"more than {evidence.DYING_RISE:g} (1 to 1.4 for a steady flow, 2.7 for one that dies away)",
                    source=Source.GEOMETRY,
                ),
                Ground(
                    feature="time of the rise",
                    limit=f"more than {evidence.LATE_SHARE:g} times what the set flow needs, and {evidence.LATE_S:g} s "
                    "and the delays of line and transmitter besides",
                    source=Source.GEOMETRY,
                ),
                Ground(
                    feature="either of these, with the friction that closing takes away",
                    limit=f"less than {100 * verdict.FULL_FLOW:.0f} % of what flowing air gives; else the flow is set",
                    source=Source.LEARNED,
                ),
                Ground(
                    feature="slope at the cycle's time limit",
                    limit="still climbing, and nothing shows air at the tip",
                    source=Source.GEOMETRY,
                ),
                Ground(
                    feature="friction taken away by closing, after a rise",
                    limit=f"less than {100 * friction_shown.FRICTION_SEEN:.0f} % of what flowing air gives",
                    source=Source.LEARNED,
                ),
                Ground(
                    feature="what closing leaves, after a rise",
                    limit=f"more than {1000 * verdict.UNDER_M:.0f} mm of the liquid below nothing: the suction of "
                    "liquid that stands in the tube",
                    source=Source.GEOMETRY,
                ),
            ),
            remedies=(
                "the supply's gauge during a purge: is it what `air.supply` promises?",
                "the compressor's state, the regulator, and who else takes air at that moment",
                "the filter and the restrictor: dirt in them starves the tube",
                "a shut-off that is only half open",
            ),
            caution=AIR_OFF,
        ),
        Diagnosis.VALVE_STUCK_OPEN: Advice(
            says="the valve was told to shut and air still flows",
            qualities=(_UNCERTAIN,),
            grounds=(
                Ground(
                    feature="ripple after closing was confirmed",
                    limit=f"more than {evidence.RIPPLE_SHOWS:g} times the usual noise and half of that while bubbling, "
                    f"after a quiet look; not before the line has emptied itself, {evidence.LINE_EMPTIES:g} of its "
                    "time constants in half a shut-in",
                    source=Source.LEARNED,
                ),
                Ground(
                    feature="friction taken away by closing, though air flowed at opening",
                    limit=f"less than {100 * friction_shown.STUCK_DROP:.0f} % of what flowing air gives; or half of "
                    "it, where the rest came at rest since the last purge (within "
                    f"{100 * stuck.SEAT_SHARE:.0f} % of all of it, and what ripple and noise make)",
                    source=Source.LEARNED,
                ),
                Ground(
                    feature="the same where bubbles could hide the friction, and the tip is proven reached",
                    limit=f"plateau less friction lies more than {level.DISAGREEMENT_SIGMAS:.0f} standard deviations "
                    "below the shut-in",
                    source=Source.LEARNED,
                ),
                Ground(
                    feature="a closing before that took away as little, or was told as stuck, with no rise since",
                    limit=f"and this one takes away less than {100 * friction_shown.FRICTION_SEEN:.0f} %, alone or on "
                    "the mean of them",
                    source=Source.LEARNED,
                ),
                Ground(
                    feature="flow switch (where there is one)",
                    limit="on before the valve was opened",
                    source=Source.PROTOCOL,
                ),
            ),
            remedies=(
                "shut the air off by hand at once: nothing else stops it",
                "dirt on the valve's seat: exercise it some times with clean air, then clean or replace it",
                "a welded relay or a forced output at the I/O block: does the coil have voltage?",
                "a manual override on the valve that is left open",
            ),
            caution="air runs on into the tank until it is shut off by hand: gas, foam and the vent's capacity",
        ),
    }
)
