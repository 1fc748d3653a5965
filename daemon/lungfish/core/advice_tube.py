"""Rows of the table of verdicts that ask whether the tube holds its air, lets it out, and lets it come to rest."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from lungfish.core import break_through, case, closing_verdict, level, narrowed, plan, slow, verdict
from lungfish.core.advice import AIR_OFF, GAS, PRESSED, Advice, Ground, Source
from lungfish.core.codes import Diagnosis, Quality

__all__ = ["TUBE_ADVICE"]

_GOOD, _UNCERTAIN, _BAD = Quality.GOOD, Quality.UNCERTAIN, Quality.BAD

TUBE_ADVICE: Mapping[Diagnosis, Advice] = MappingProxyType(
    {
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
                    limit=f"more than {level.DISAGREEMENT_SIGMAS:.0f} standard deviations below it",
                    source=Source.LEARNED,
                ),
                Ground(
                    feature="scatter of the shut-in about a straight line",
                    limit=f"more than {case.RESTLESS:g} times the noise at rest, {case.RESTLESS_PA:.0f} Pa (or "
                    f"{100 * case.RIPPLE_SHARE:.0f} % of the largest ripple peak to peak if that is more) and "
                    f"{100 * case.LINE_MODEL:.0f} % of the friction, together; or 60 % of that where neighbouring "
                    f"samples stray alike (autocorrelation above {closing_verdict.BENDS:g}): a bend",
                    source=Source.TRANSMITTER,
                ),
                Ground(
                    feature="damping that the curve after closing fits",
                    limit=f"more than {case.STRANGE_DAMPING:g} standard deviations of its logarithm "
                    f"({case.STRANGE_LEAST:g} at least) from the one known; or friction comes and goes "
                    f"{slow.SLOW_TIMES:g} times slower than that",
                    source=Source.LEARNED,
                ),
            ),
            remedies=(
                "look whether pumps, mixers or a filling stream are at work, and read again without them",
                "compare the flow at the restrictor with `air.flow`: too low a flow never fills the tube in time",
                "look for water in the sense line: blow the line out, lay it with a fall towards the tube",
                "check the transmitter's mounting and cable, if it strays when shut in; its port, if it is slow",
            ),
            caution=AIR_OFF,
        ),
        Diagnosis.LINE_LEAK: Advice(
            says="the shut-in pressure falls too fast, or the tip is never reached",
            qualities=(_UNCERTAIN, _BAD),
            grounds=(
                Ground(
                    feature="fall of the shut-in",
                    limit=f"faster than {closing_verdict.LEAK_PA_S:.0f} Pa/s beyond three standard uncertainties, to "
                    "its end, and by more than a last bubble can lower it",
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
            caution=AIR_OFF,
        ),
        Diagnosis.TUBE_RESTRICTED: Advice(
            says="friction at the tip or in the line has grown: a plug is forming",
            qualities=(_GOOD, _UNCERTAIN),
            grounds=(
                Ground(
                    feature="plateau less friction, against the shut-in",
                    limit=f"more than {level.DISAGREEMENT_SIGMAS:.0f} standard deviations above it; uncertain where "
                    f"the shut-in is less than {100 * closing_verdict.LEFT_SHARE:.0f} % of what closing took away "
                    "beyond friction: a leak ends at nothing, a narrowed tip at the head",
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
                    f"{break_through.PEAK_NOISES:g} times the noise and {break_through.PEAK_PA:.0f} Pa, seen through "
                    f"a damping known to {break_through.SURE_DAMPING:g} of its logarithm: solids over the tip; what "
                    "they still hold back reads as liquid, and as much as the peak is in the uncertainty",
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
            caution=AIR_OFF,
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
            caution=f"{PRESSED}; {GAS}",
        ),
    }
)
