"""The table of verdicts for a technician: what makes each code, where its limits come from, what to do about it.

Every number of a limit is taken from the code that judges, so that what is told can't drift from what is done.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from lungfish.core import break_through, narrowed, plan, slow, stuck, verdict
from lungfish.core.advice import Advice, Ground, Source
from lungfish.core.codes import Diagnosis, Quality
from lungfish.core.level import DISAGREEMENT_SIGMAS

__all__ = ["ADVICE"]

_GOOD, _UNCERTAIN, _BAD = Quality.GOOD, Quality.UNCERTAIN, Quality.BAD

_AIR_OFF = "shut the air off by hand, let it out and make sure it stays off before opening tube, line or valve"
_GAS = "gas can come out of the tube and of stirred-up liquid: no confined-space entry, no leaning in without a permit"
_PRESSED = "a plugged tube can hold its pressure for hours: let it out at the valve's end before opening any fitting"

ADVICE: Mapping[Diagnosis, Advice] = MappingProxyType(
    {
        Diagnosis.OK: Advice(
            says="the cycle ran as it should",
            qualities=(_GOOD, _UNCERTAIN),
            grounds=(
                Ground(feature="all the others", limit="none of them is met", source=Source.PROTOCOL),
                Ground(
                    feature="how far the level may have moved unseen",
                    limit=f"uncertain beyond {1000 * verdict.DOUBT_M:.0f} mm: nothing showed air at the tip",
                    source=Source.LEARNED,
                ),
                Ground(
                    feature="air at the tip",
                    limit="proven by friction, ripple, a timely knee, or steps at opening and closing; or proven "
                    "before, and how far the level may have moved unseen since is in its uncertainty",
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
                    limit=f"below {1000 * verdict.UNCOVERED_M:.0f} mm, or below three standard uncertainties",
                    source=Source.TRANSMITTER,
                ),
                Ground(
                    feature="plateau (as well)",
                    limit="no higher than twice the friction expected and 200 Pa",
                    source=Source.GEOMETRY,
                ),
            ),
            remedies=(
                "if the tank is meant to be that low: nothing",
                "compare with a dipstick: a tube that has come off its fitting above the liquid reads the same",
                "a good moment to check the transmitter's zero: no head stands on it",
            ),
            caution=_GAS,
        ),
        Diagnosis.UNSTEADY: Advice(
            says="the pressure never settled within the time that this tube can need",
            qualities=(_UNCERTAIN,),
            grounds=(
                Ground(
                    feature="slope while the valve is open",
                    limit=f"its interval (k = 2) never inside {100 * plan.FALSE_STEADY:.0f} % of the slowest filling, "
                    f"or {plan.LEVEL_RATE_PA_S:.0f} Pa/s if that is more, before the cycle's own time limit; or it "
                    "falls and rises again by more than twice the friction and what ripple and noise can make",
                    source=Source.GEOMETRY,
                ),
                Ground(
                    feature="plateau less friction, against the shut-in",
                    limit=f"more than {DISAGREEMENT_SIGMAS:.0f} standard deviations below it",
                    source=Source.LEARNED,
                ),
                Ground(
                    feature="scatter of the shut-in about a straight line",
                    limit=f"more than {verdict.RESTLESS:g} times the noise at rest and {verdict.RESTLESS_PA:.0f} Pa, "
                    f"or {100 * verdict.RIPPLE_SHARE:.0f} % of the largest ripple peak to peak if that is more; or 60 "
                    f"% of it where neighbouring samples stray alike (autocorrelation above {verdict.BENDS:g}): a bend",
                    source=Source.TRANSMITTER,
                ),
                Ground(
                    feature="damping that the curve after closing fits",
                    limit=f"more than {verdict.STRANGE_DAMPING:g} standard deviations of its logarithm (0.4 at least) "
                    f"from the one known; or friction comes and goes {slow.SLOW_TIMES:g} times slower than that",
                    source=Source.LEARNED,
                ),
            ),
            remedies=(
                "look whether pumps, mixers or a filling stream are at work, and read again without them",
                "compare the flow at the restrictor with `air.flow`: too low a flow never fills the tube in time",
                "look for water in the sense line: blow the line out, lay it with a fall towards the tube",
                "check the transmitter's mounting and cable, if it strays when shut in; its port, if it is slow",
            ),
            caution=_AIR_OFF,
        ),
        Diagnosis.LINE_LEAK: Advice(
            says="the shut-in pressure falls too fast, or the tip is never reached",
            qualities=(_UNCERTAIN, _BAD),
            grounds=(
                Ground(
                    feature="fall of the shut-in",
                    limit=f"faster than {verdict.LEAK_PA_S:.0f} Pa/s beyond three standard uncertainties, to its end, "
                    "and by more than a last bubble can lower it",
                    source=Source.PRACTICE,
                ),
                Ground(
                    feature="air lost by the fall right after closing",
                    limit=f"more than {100 * verdict.LEAK_SHARE_LIMIT:.0f} % of the purge's flow: the tip is not "
                    "proven to be reached, and the reading is bad",
                    source=Source.GEOMETRY,
                ),
                Ground(
                    feature="the same where the rise died away before the tip",
                    limit=f"more than {100 * verdict.LEAK_STOPS:.0f} %: the leak and not the supply has stopped it",
                    source=Source.GEOMETRY,
                ),
                Ground(
                    feature="slope at the cycle's time limit",
                    limit="still climbing, and falling after closing: the tip was never reached, the reading is bad",
                    source=Source.GEOMETRY,
                ),
                Ground(
                    feature="what is left after closing",
                    limit="next to nothing: the tube can't hold its air, and the reading is bad",
                    source=Source.GEOMETRY,
                ),
            ),
            remedies=(
                "see whether the level itself was falling that fast: within one cycle it looks the same",
                "soap water on every fitting from the valve to the tube, with the valve open",
                "the valve's seat and its exhaust: a leak backwards through the valve looks the same",
                "compare the flow at the restrictor with `air.flow`: with too little air the tip is never reached",
                "a crack or a loose joint of the tube above the liquid",
            ),
            caution=_AIR_OFF,
        ),
        Diagnosis.TUBE_RESTRICTED: Advice(
            says="friction at the tip or in the line has grown: a plug is forming",
            qualities=(_GOOD, _UNCERTAIN),
            grounds=(
                Ground(
                    feature="plateau less friction, against the shut-in",
                    limit=f"more than {DISAGREEMENT_SIGMAS:.0f} standard deviations above it",
                    source=Source.LEARNED,
                ),
                Ground(
                    feature="what dies away after closing",
                    limit="more than twice the friction and what ripple and noise can make, or "
                    f"{100 * narrowed.GROWN_SHARE:.0f} % more than friction where a fall goes on after it; the level "
                    "is read from what is left, uncertain when that has not come to rest",
                    source=Source.LEARNED,
                ),
                Ground(
                    feature="pressure above its plateau before air broke through",
                    limit=f"more than {100 * break_through.PEAK_SHARE:.0f} % of the largest ripple, "
                    f"{break_through.PEAK_NOISES:g} times the noise and {break_through.PEAK_PA:.0f} Pa: solids over "
                    "the tip; what they still hold back reads as liquid, and as much as the peak is in the uncertainty",
                    source=Source.GEOMETRY,
                ),
            ),
            remedies=(
                "sludge or silt over the tip: stir it up, pump it out, or hang the tip higher",
                "look at the trend: a plug grows over days, a kinked line or a setting changes at once",
                "compare the flow at the restrictor with `air.flow`: more flow is more friction",
                "blow the tube down: `lungfish handbook clearing`",
                "pull the tube and clean its tip; look for a kink, ice or water in the line",
            ),
            caution=_AIR_OFF,
        ),
        Diagnosis.TUBE_PLUGGED: Advice(
            says="pressure passed what a brim-full tank could give",
            qualities=(_BAD,),
            grounds=(
                Ground(
                    feature="pressure with the valve open",
                    limit="above the head of a brim-full tank with its friction (1.5 times what geometry gives, or "
                    "what was learned if that is more) and a margin, twice in a row",
                    source=Source.GEOMETRY,
                ),
            ),
            remedies=(
                "see whether the tank stands above its brim, or its vent is blocked: the pressure would be true",
                "blow the tube down: `lungfish handbook clearing`",
                "pull the tube and clean it",
                "a pinched or frozen line, if the transmitter sits at the valve's end",
            ),
            caution=f"{_PRESSED}; {_GAS}",
        ),
        Diagnosis.NO_AIR: Advice(
            says="the valve is open and nothing arrives: supply lost, or valve stuck shut",
            qualities=(_BAD, _UNCERTAIN),
            grounds=(
                Ground(
                    feature="friction taken away by closing, with no rise at opening",
                    limit=f"less than {100 * verdict.FRICTION_SEEN:.0f} % of what flowing air gives",
                    source=Source.LEARNED,
                ),
                Ground(
                    feature="any sign of air at the tip: friction, rise, ripple "
                    f"({verdict.RIPPLE_SHOWS:g} times the noise)",
                    limit="none, and air was never proven before",
                    source=Source.LEARNED,
                ),
                Ground(
                    feature="rise at opening, after the level has compressed the air of the shut tube",
                    limit="less than a third of what must come",
                    source=Source.GEOMETRY,
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
            caution=_AIR_OFF,
        ),
        Diagnosis.SUPPLY_LOW: Advice(
            says="the pressure stops at what the supply can give, below the head",
            qualities=(_BAD,),
            grounds=(
                Ground(
                    feature="shape of the rise: time from 50 to 90 % over time from 10 to 50 %",
                    limit=f"more than {verdict.DYING_RISE:g} (1 to 1.4 for a steady flow, 2.7 for one that dies away)",
                    source=Source.GEOMETRY,
                ),
                Ground(
                    feature="time of the rise",
                    limit=f"more than {verdict.LATE_SHARE:g} times what the set flow needs, and a second and the "
                    "delays of line and transmitter besides",
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
                    limit=f"less than {100 * verdict.FRICTION_SEEN:.0f} % of what flowing air gives",
                    source=Source.LEARNED,
                ),
            ),
            remedies=(
                "the supply's gauge during a purge: is it what `air.supply` promises?",
                "the compressor's state, the regulator, and who else takes air at that moment",
                "the filter and the restrictor: dirt in them starves the tube",
                "a shut-off that is only half open",
            ),
            caution=_AIR_OFF,
        ),
        Diagnosis.VALVE_STUCK_OPEN: Advice(
            says="the valve was told to shut and air still flows",
            qualities=(_UNCERTAIN,),
            grounds=(
                Ground(
                    feature="ripple after closing was confirmed",
                    limit=f"more than {verdict.RIPPLE_SHOWS:g} times the usual noise and half of that while bubbling, "
                    "after a quiet look",
                    source=Source.LEARNED,
                ),
                Ground(
                    feature="friction taken away by closing, though air flowed at opening",
                    limit=f"less than {100 * stuck.STUCK_DROP:.0f} % of what flowing air gives; or half of it, where "
                    "the rest came at rest since the last purge (within "
                    f"{100 * stuck.SEAT_SHARE:.0f} % of all of it, and what ripple and noise make)",
                    source=Source.LEARNED,
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
        Diagnosis.TRANSMITTER_FAULT: Advice(
            says="off its span while the valve is shut, or a value that is no number",
            qualities=(_BAD,),
            grounds=(
                Ground(
                    feature="value with the valve shut",
                    limit="below span - 2.5 % or above span + 3.125 % (3.6 and 20.5 mA of 4 to 20 mA, NAMUR NE 43)",
                    source=Source.TRANSMITTER,
                ),
                Ground(feature="value", limit="no number, three times in a row", source=Source.PROTOCOL),
            ),
            remedies=(
                "`format`, `word_order`, `register` and `reads_in` in the site file, if it never worked",
                "the transmitter's supply, its cable and its fuse",
                "a transmitter that is set to another span or unit than the site file says",
                "the cell itself: an over-pressure or a frozen sense line breaks it",
            ),
        ),
        Diagnosis.TRANSMITTER_FROZEN: Advice(
            says="the value does not move when the pressure must, or only in large steps",
            qualities=(_UNCERTAIN, _BAD),
            grounds=(
                Ground(
                    feature="values through opening and closing",
                    limit=f"{stuck.FROZEN_SAMPLES} or more, all equal to the last digit; not at an end of its range, "
                    "nor from a transmitter so coarse that it never stirs at rest",
                    source=Source.TRANSMITTER,
                ),
                Ground(
                    feature="steps in which the values move",
                    limit=f"half of one is more than {1000 * stuck.COARSE_M:.0f} mm of the liquid: uncertain; what it "
                    "may hide is in the level's uncertainty",
                    source=Source.TRANSMITTER,
                ),
                Ground(
                    feature="pressure after a zero check with the vent valve",
                    limit="not halfway back to that of the tube, until a cycle shows it again",
                    source=Source.PROTOCOL,
                ),
            ),
            remedies=(
                "take the transmitter's supply away and give it back: some hold their last value",
                "a gateway or I/O block that answers from its memory although the transmitter is gone",
                "in steps: set register or converter to a finer unit, or the span nearer to what the tank needs",
                "a shut isolating valve, a vent valve stuck open, ice or water between line and transmitter",
            ),
            caution=_AIR_OFF,
        ),
        Diagnosis.LINK_LOST: Advice(
            says="the transmitter or the valve does not answer",
            qualities=(_BAD,),
            grounds=(
                Ground(feature="reads without an answer", limit="three in a row", source=Source.PROTOCOL),
                Ground(
                    feature="silence with the valve open",
                    limit=f"{plan.SILENCE_S:g} s, and the valve is shut",
                    source=Source.PROTOCOL,
                ),
                Ground(feature="valve", limit="not confirmed open or shut by its read-back", source=Source.PROTOCOL),
            ),
            remedies=(
                "power and network lights of the I/O block",
                "`host`, `port`, `unit` and addresses in the site file, if it never worked",
                "cable, switch, and whether another program holds the only connection",
                "the sentence says what was heard last; a block that answers late needs a longer `timeout`",
            ),
            caution="while the valve does not answer it may be open: look at it, and shut the air off by hand",
        ),
        Diagnosis.OVER_RANGE: Advice(
            says="the transmitter's limit was reached with the valve open: it was shut at once",
            qualities=(_BAD,),
            grounds=(
                Ground(
                    feature="value with the valve open",
                    limit="within 0.1 % of the top of the span",
                    source=Source.TRANSMITTER,
                ),
            ),
            remedies=(
                "`lungfish check`: is the span enough for a full tank with its friction?",
                "a plugged tip: `lungfish handbook clearing`",
                "a restrictor that was opened too far: compare the flow with `air.flow`",
            ),
            caution=_PRESSED,
        ),
        Diagnosis.ABORTED: Advice(
            says="ended before its reading: stop, `shut`, a guard, a death of the daemon",
            qualities=(_BAD,),
            grounds=(
                Ground(feature="cycle", limit="ended from outside before its shut-in", source=Source.PROTOCOL),
                Ground(
                    feature="isolating valve (`clear.isolate`)",
                    limit="not known to be open: the transmitter is cut off from the tube",
                    source=Source.PROTOCOL,
                ),
            ),
            remedies=(
                "nothing, if it was you who stopped it",
                "the log says who ended it and why",
                "a transmitter that stays cut off: let the tube's pressure out at the valve's end",
                "a death of the daemon: look for missing power, memory or disk in the system's journal",
            ),
        ),
    }
)
"""One row for each diagnosis."""
