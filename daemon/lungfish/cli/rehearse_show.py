"""What a rehearsal is shown as: a table and a picture for people, CSV for programs, a drawing in a file."""

from __future__ import annotations

import csv
import importlib
import io
import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from lungfish.app.rehearsal import BEGIN, Rehearsal, TankResult, Way
from lungfish.app.rehearsal_plot import Filling
from lungfish.cli.terminal import WIDTH
from lungfish.config import Site
from lungfish.rig.filling import LevelTrack

__all__ = ["Shown", "csv_text", "plot_file", "table"]

_DAY_S, _HOUR_S = 86400.0, 3600.0
_BLOCKS, _PLAIN = " ▁▂▃▄▅▆▇█", " .::::::#"
_ROWS, _COLUMNS = 8, 88
_ENDINGS = (".png", ".svg", ".pdf")
_POINTS = 2000
_MOST_LISTED = 5
_COLUMN_NAMES = (
    *("tank", "way", "duration_s", "air_sl", "air_share_of_continuous", "valve_openings"),
    *("wait_error_p95_m", "wait_error_worst_m", "alarm_level_m", "alarms_seen", "alarms_not_seen"),
    *(
        "alarm_delay_mean_s",
        "alarm_delay_worst_s",
        "shown_delay_worst_s",
        "readings",
        "good_readings",
        "reading_error_worst_m",
    ),
    *("plant_air_sl", "link", "transactions_s", "predicted_transactions_s"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What was rehearsed, for the heading."""

    site: Site
    """The site."""
    kind: str
    """Pattern of the inflow, or its file."""
    seed: int
    """Of noise, bubbles and storm."""
    fillings: Mapping[str, Filling]
    """What was assumed of each tank."""
    predicted_s: Mapping[str, float]
    """Transactions a second on each link, from the settings alone."""


def csv_text(shown: Shown, rehearsal: Rehearsal) -> str:
    """The figures: a row for each tank and way; what does not apply or is not known is empty.

    Args:
        shown: what was rehearsed.
        rehearsal: what came of it.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_COLUMN_NAMES)
    for name, tank in rehearsal.tanks.items():
        link = shown.site.tanks[name].transmitter.link
        whole_sl = tank.ways[0].air_sl
        for way in tank.ways:
            ours = way.name == "lungfish"
            own = (
                max(tank.estimate_delays_s, default=None),
                tank.readings,
                tank.good,
                tank.worst_reading_m,
                tank.plant_air_sl,
            )
            load = (link, rehearsal.transactions_s[link], shown.predicted_s[link])
            row = (
                *(name, way.name, rehearsal.duration_s, way.air_sl, way.air_sl / whole_sl, way.openings),
                *(way.p95_m, way.worst_m, tank.alarm_m, len(way.delays_s), way.missed, _mean(way.delays_s)),
                *(max(way.delays_s, default=None), *(own if ours else ("",) * 5), *(load if ours else ("",) * 3)),
            )
            writer.writerow("" if each is None else f"{each:.6g}" if isinstance(each, float) else each for each in row)
    return text.getvalue()


def table(shown: Shown, rehearsal: Rehearsal, *, unicode: bool = True) -> Iterator[str]:
    """The rehearsal on lines of at most 100 columns.

    Args:
        shown: what was rehearsed.
        rehearsal: what came of it.
        unicode: block characters in the picture.
    """
    days = rehearsal.duration_s / _DAY_S
    when = f"{days:g} virtual day{'' if days == 1 else 's'} from {BEGIN:%Y-%m-%d}"
    yield f"{shown.site.name}: {when}, inflow {shown.kind}, seed {shown.seed}"
    for name, tank in rehearsal.tanks.items():
        yield ""
        yield from _tank_lines(tank, shown.fillings[name], rehearsal.duration_s)
        yield ""
        yield from _picture(shown.fillings[name].track, tank, rehearsal.duration_s, unicode=unicode)
    yield ""
    for link, measured in rehearsal.transactions_s.items():
        yield f"link {link}: {measured:.3f} transactions a second, predicted {shown.predicted_s[link]:.3f}"
        share, wait_s = rehearsal.bus_share[link], rehearsal.longest_wait_s[link]
        yield f"  taken {100 * share:.2f} % of the time; longest wait for a turn {wait_s:.3f} s"
    warned = [event for event in rehearsal.events if event.kind not in ("start", "stop", "baseline")]
    if warned:
        yield ""
        kinds = Counter(event.kind for event in warned).most_common()
        yield f"told meanwhile: {', '.join(f'{kind} {count}' for kind, count in kinds)}; the first of them:"
        yield from (f"  {event.text}"[:WIDTH] for event in warned[:_MOST_LISTED])
    left_open = [name for name, tank in rehearsal.tanks.items() if tank.valve_open]
    yield ""
    yield f"NOT shut: the valves of {', '.join(left_open)}" if left_open else "every simulated valve is shut"


def _tank_lines(tank: TankResult, filling: Filling, duration_s: float) -> Iterator[str]:
    pump = filling.pump
    yield (
        f"{tank.name}: mean inflow {1000 * filling.mean_m3_s:.3g} L/s; pump on at {pump.on_m:.2f} m, off at "
        f"{pump.off_m:.2f} m, {1000 * pump.flow_m3_s:.3g} L/s"
    )
    others = ", ".join(f"{code} {count}" for code, count in sorted(tank.diagnoses.items()) if code != "ok")
    if tank.readings:
        many = (
            f"{tank.readings} reading{'' if tank.readings == 1 else 's'}, {100 * tank.good / tank.readings:.1f} % good"
        )
        worst = f"furthest off the truth {_mm(tank.worst_reading_m)} at its own moment"
        yield f"  {many}{f' ({others})' if others else ''}; {worst}"
    else:
        yield "  no reading"
    yield f"  air by the ledger's count {_air(tank.ways[-1].air_sl)}, by the simulated plant {_air(tank.plant_air_sl)}"
    yield f"  the fixed timer opens for {tank.timer_open_s:.1f} s; no level was shown for {tank.unknown_s:.0f} s"
    yield ""
    above = f"  {'':<12} {'':>12} {'share of':>11} {'valve':>9}   {'error while waiting':^19}"
    yield f"{above}   alarm at {tank.alarm_m:.2f} m"
    yield (
        f"  {'way':<12} {'air':>12} {'continuous':>11} {'openings':>9}   {'95 %':>9} {'worst':>9}   "
        f"{'mean':>8} {'worst':>8} seen"
    )
    for way in tank.ways:
        yield _way_line(way, tank.ways[0].air_sl)
    if tank.ways[-1].delays_s:
        yield f"  passing by passing, lungfish had a reading or called for one after {_listed(tank.ways[-1].delays_s)}"
    if tank.estimate_delays_s:
        yield f"  the level that it showed, reading or estimate of its watch, after {_listed(tank.estimate_delays_s)}"


def _way_line(way: Way, whole_sl: float) -> str:
    passed = len(way.delays_s) + way.missed
    mean_s, worst_s = _mean(way.delays_s), max(way.delays_s, default=None)
    delays = f"{_seconds(mean_s):>8} {_seconds(worst_s):>8} {len(way.delays_s)} of {passed}" if passed else "not passed"
    return (
        f"  {way.name:<12} {_air(way.air_sl):>12} {100 * way.air_sl / whole_sl:>9.3f} % {way.openings:>9}   "
        f"{_mm(way.p95_m):>9} {_mm(way.worst_m):>9}   {delays}"
    )


def _picture(track: LevelTrack, tank: TankResult, duration_s: float, *, unicode: bool) -> Iterator[str]:
    """The true level as columns, and below how many purges fell into each."""
    truth = track.another()
    wide_s = duration_s / _COLUMNS
    levels = [truth((column + 0.5) * wide_s) for column in range(_COLUMNS)]
    top_m = 1.05 * max(*levels, tank.alarm_m)
    signs = _BLOCKS if unicode else _PLAIN
    alarm_row = math.floor(tank.alarm_m / top_m * _ROWS)
    for row in reversed(range(_ROWS)):
        cells = [_cell(level_m / top_m * _ROWS - row, signs) for level_m in levels]
        if row == alarm_row:
            cells = [("-" if cell == " " else cell) for cell in cells]
        label = f"{top_m * row / _ROWS:.2f} m"
        yield f"{label:>8} {''.join(cells)}".rstrip()
    counts = [0] * _COLUMNS
    for at_s in tank.purges:
        counts[min(_COLUMNS - 1, int(at_s / wide_s))] += 1
    most = max(counts, default=0) or 1
    yield f"{'purges':>8} {''.join(_cell(count / most, signs) for count in counts)}"
    unit, name = (_HOUR_S, "h") if duration_s <= 2.0 * _DAY_S else (_DAY_S, "days")
    ends = f"0 to {duration_s / unit:g} {name}; purges: up to {most} in {wide_s / 60.0:.1f} min"
    yield f"{'':>8} {ends}; the dashes stand at the alarm's level"


def _cell(share: float, signs: str) -> str:
    return signs[min(len(signs) - 1, max(0, math.ceil(share * (len(signs) - 1) - 1e-9)))]


def plot_file(path: Path) -> Callable[[Shown, Rehearsal], None]:
    """Make ready to draw into a file, before the time of a rehearsal is spent.

    Args:
        path: ends in .png, .svg or .pdf.

    Returns:
        What draws into it; raises OSError when it can't be written.

    Raises:
        ValueError: another ending, or matplotlib is not installed.
    """
    if path.suffix.lower() not in _ENDINGS:
        msg = f"--plot {path}: write a name that ends in {', '.join(_ENDINGS)}"
        raise ValueError(msg)
    try:
        figure = importlib.import_module("matplotlib.figure").Figure
    except ImportError as error:
        msg = "--plot needs matplotlib, which is not installed; add it with `pip install 'lungfish[plot]'`"
        raise ValueError(msg) from error

    def draw(shown: Shown, rehearsal: Rehearsal) -> None:
        number = len(rehearsal.tanks)
        drawing = figure(figsize=(11.0, 1.0 + 2.4 * number), layout="constrained")
        axes = drawing.subplots(number, 1, squeeze=False, sharex=True)[:, 0]
        for ax, (name, tank) in zip(axes, rehearsal.tanks.items(), strict=True):
            truth = shown.fillings[name].track.another()
            times = [rehearsal.duration_s * k / _POINTS for k in range(_POINTS + 1)]
            ax.plot([t_s / _HOUR_S for t_s in times], [truth(t_s) for t_s in times], lw=1.0, label="true level")
            ax.plot(
                [t_s / _HOUR_S for t_s in tank.purges],
                [truth(t_s) for t_s in tank.purges],
                linestyle="none",
                marker=".",
                ms=3.0,
                label="purges",
            )
            ax.axhline(tank.alarm_m, color="0.4", ls="--", lw=0.8, label="alarm's level")
            ax.set_title(name)
            ax.set_ylabel("level, m")
            ax.legend(loc="upper right", fontsize="small")
        axes[-1].set_xlabel("time, h")
        drawing.savefig(path)

    return draw


def _listed(delays_s: Sequence[float]) -> str:
    told = ", ".join(f"{delay_s:.0f} s" for delay_s in delays_s[:_MOST_LISTED])
    return f"{told} and {len(delays_s) - _MOST_LISTED} more" if len(delays_s) > _MOST_LISTED else told


def _mean(values: Sequence[float]) -> float | None:
    return math.fsum(values) / len(values) if values else None


def _seconds(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f} s"


def _mm(value: float | None) -> str:
    return "not known" if value is None else f"{1000 * value:.1f} mm"


def _air(litres: float) -> str:
    return f"{litres:.1f} SL" if litres >= 1.0 else f"{litres:.3f} SL"
