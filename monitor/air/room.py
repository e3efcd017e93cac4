"""How a room or a brooder holds warmth: learnt from its own readings, then asked about the next hours.

One store of heat, one loss, one source:

    τ · dT/dt = outside + base + share · lift − T

`lift` is what the heat source adds once all has settled, `base` what birds, sun and the rest add, both in
°C over `outside`. For a brooder inside a room, the room's air is its outside. The real room has more
stores than one (air, litter, walls): good for minutes to a few hours, poor across a day. For the
overnight low use `overnight`, which does better than this model there.

Rules of this file: one room; times in s; `share` is 1 with the source full on, 0 with it off.

Sources
    [1] First-order (lumped) cooling, Newton; exact step of a linear system under a held input.
    [2] Output-error fit: L. Ljung, System Identification (1999), section 4.3. The tempting shortcut, least
        squares from each reading to the next, answers 8 min for a room of 40 while a thermostat cycles
        unseen, because the noise of each reading stands on both sides of the equation.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from operator import mul
from statistics import median

from monitor.air import profile
from monitor.air.ranges import within

LEAST_READINGS = 20
WIDEST_HALF_WIDTH = 0.25  # of the time constant's 95 % interval; beyond, it is not told


@dataclass(frozen=True, slots=True)
class Warmth:
    """A room's warmth in three numbers.

    Attributes:
        time_constant_s: τ, s, 10 to 1e7: after a change 63 % of the way is done.
        heat_lift_c: what the source at full adds in the end, °C, −50 to 200.
        base_lift_c: what everything else adds in the end, °C, −50 to 100.
    """

    time_constant_s: float
    heat_lift_c: float
    base_lift_c: float = 0.0

    def __post_init__(self) -> None:
        within("time_constant_s", self.time_constant_s, 10.0, 1e7)
        within("heat_lift_c", self.heat_lift_c, -50.0, 200.0)
        within("base_lift_c", self.base_lift_c, -50.0, 100.0)

    def settles_at_c(self, outside_c: float, share: float = 1.0) -> float:
        """Where the room ends up while outside and source stay as they are, °C.

        Args:
            outside_c: °C, −60 to 60.
            share: of the source, 0 to 2 (a second lamp).

        Raises:
            OutOfRange: an argument lies outside the range above.
        """
        within("outside_c", outside_c, -60.0, 60.0)
        within("share", share, 0.0, 2.0)
        return outside_c + self.base_lift_c + share * self.heat_lift_c

    def predict(self, inside_c: float, outside_c: float, seconds: float, share: float = 1.0) -> float:
        """Temperature after some time with outside and source held as they are, °C.

        Args:
            inside_c: now, °C, −60 to 80.
            outside_c, share: as in `settles_at_c`.
            seconds: ahead, s, 0 to 1e7.

        Raises:
            OutOfRange: an argument lies outside the range above.
        """
        within("inside_c", inside_c, -60.0, 80.0)
        within("seconds", seconds, 0.0, 1e7)
        settled = self.settles_at_c(outside_c, share)
        return settled + (inside_c - settled) * math.exp(-seconds / self.time_constant_s)

    def seconds_until(self, inside_c: float, level_c: float, outside_c: float, share: float = 1.0) -> float | None:
        """Time until the room passes a level with outside and source held; None when it never does.

        Args:
            inside_c, outside_c, share: as in `predict`.
            level_c: °C, −60 to 80.

        Raises:
            OutOfRange: an argument lies outside its range.
        """
        within("inside_c", inside_c, -60.0, 80.0)
        within("level_c", level_c, -60.0, 80.0)
        settled = self.settles_at_c(outside_c, share)
        if level_c == inside_c:
            return 0.0
        way, left = inside_c - settled, level_c - settled
        if way * left <= 0.0 or abs(left) > abs(way):
            return None
        return self.time_constant_s * math.log(way / left)

    def share_of_heat(self, then_c: float, now_c: float, outside_c: float, seconds: float) -> float:
        """How much of the source must have been on between two readings to explain the second.

        The exact step of the model, solved for the source. A reading's error grows by τ/seconds: over a
        tenth of τ ten times, so take means some minutes apart. Below 0 something else cools (a door);
        the figure is not clipped, so that it can be averaged.

        Args:
            then_c, now_c: the two readings, °C, −60 to 80.
            outside_c: between them, °C, −60 to 60.
            seconds: between them, s, 1 to 1e6.

        Raises:
            OutOfRange: an argument lies outside the range above, or the source's lift is below 0.1 °C.
        """
        within("then_c", then_c, -60.0, 80.0)
        within("now_c", now_c, -60.0, 80.0)
        within("outside_c", outside_c, -60.0, 60.0)
        within("seconds", seconds, 1.0, 1e6)
        within("heat_lift_c", self.heat_lift_c, 0.1, 200.0)
        left = math.exp(-seconds / self.time_constant_s)
        settled = (now_c - left * then_c) / (1.0 - left)
        return (settled - outside_c - self.base_lift_c) / self.heat_lift_c


@dataclass(frozen=True, slots=True)
class Share:
    """How much of the source was on, as the readings of some minutes tell it.

    Attributes:
        share: 1 is full on, 0 off; not clipped.
        standard_uncertainty: one standard uncertainty.
    """

    share: float
    standard_uncertainty: float


def share_over(
    warmth: Warmth, times_s: Sequence[float], inside_c: Sequence[float], outside_c: Sequence[float], noise_c: float
) -> Share:
    """How much of the source was on during a run of readings, all of them weighed together.

    What an early warning watches: a lamp that died shows long before any limit is passed. Costs a few
    microseconds a reading, so that it can be asked anew with each one.

    Args:
        warmth: the room, from `fit`; its lift at least 0.1 °C.
        times_s: rising, s; at least three, best 5 to 15 minutes of them.
        inside_c, outside_c: the readings, °C.
        noise_c: standard deviation of a reading, °C, 0.01 to 10, from `RoomFit.noise_c`.

    Raises:
        ValueError: the series differ in number, are fewer than three, or times do not rise.
        OutOfRange: noise or lift lie outside the range above.
    """
    within("noise_c", noise_c, 0.01, 10.0)
    within("heat_lift_c", warmth.heat_lift_c, 0.1, 200.0)
    if not 3 <= len(times_s) == len(inside_c) == len(outside_c):
        raise ValueError("at least three readings are needed, as many inside and outside as there are times")
    gaps = [b - a for a, b in pairwise(times_s)]
    if not all(gap > 0.0 for gap in gaps):
        raise ValueError("times must rise from each reading to the next")
    base, lift = warmth.base_lift_c, warmth.heat_lift_c
    start, follows, lifted = 1.0, 0.0, 0.0
    ss, sl, ll, sy, ly = 1.0, 0.0, 0.0, inside_c[0], 0.0
    for i, gap in enumerate(gaps):
        kept = math.exp(-gap / warmth.time_constant_s)
        start *= kept
        follows = kept * follows + (1.0 - kept) * 0.5 * (outside_c[i] + outside_c[i + 1])
        lifted = kept * lifted + (1.0 - kept)
        wanted = inside_c[i + 1] - follows - base * lifted
        ss += start * start
        sl += start * lifted
        ll += lifted * lifted
        sy += start * wanted
        ly += lifted * wanted
    determinant = ss * ll - sl * sl
    return Share((ss * ly - sl * sy) / determinant / lift, noise_c * math.sqrt(ss / determinant) / lift)


@dataclass(frozen=True, slots=True)
class RoomFit:
    """What the readings say of a room.

    Attributes:
        warmth: the model; None when `reason` says why it cannot be told.
        low_s, high_s: 95 % interval of the time constant, also when it is withheld; None without a fit.
        noise_c: standard deviation of the readings about the fit, °C.
        reason: in words; empty when the model stands.
    """

    warmth: Warmth | None
    low_s: float | None
    high_s: float | None
    noise_c: float | None
    reason: str


def fit(
    times_s: Sequence[float],
    inside_c: Sequence[float],
    outside_c: Sequence[float],
    heating: Sequence[float] | None = None,
) -> RoomFit:
    """The room's warmth from some hours of readings, by simulating all of them at once [2].

    Hours in which nothing changes tell nothing; a cold start, a lamp that cycles, an evening that cools do.
    A thermostat whose switching is not given hides the room from the outside, and the answer says so.
    Costs about 0.4 ms a reading on a desktop: twelve hours as means over five minutes take 0.06 s.

    Args:
        times_s: rising, s.
        inside_c: in the room, or in the brooder, °C.
        outside_c: around it, °C; between two readings taken to change evenly.
        heating: share of the source from each reading to the next, 0 to 1; None for a source that is
            always on. Then one lift for all is found, and given as `heat_lift_c`.

    Returns:
        The model with the interval of its time constant, or the reason why it cannot be told.

    Raises:
        ValueError: the series differ in number, times do not rise, or a number is not finite.
    """
    series = [inside_c, outside_c] if heating is None else [inside_c, outside_c, heating]
    if any(len(one) != len(times_s) for one in series):
        raise ValueError(f"every series must have {len(times_s)} readings, as many as there are times")
    if not all(math.isfinite(x) for one in (times_s, *series) for x in one):
        raise ValueError("times, temperatures and heating must be finite numbers")
    gaps = [b - a for a, b in pairwise(times_s)]
    if any(gap <= 0.0 for gap in gaps):
        raise ValueError("times must rise from each reading to the next")
    if len(times_s) < LEAST_READINGS:
        return RoomFit(None, None, None, None, f"too few readings: {len(times_s)}, at least {LEAST_READINGS} are needed")
    switches = heating if heating is not None and max(heating) - min(heating) > 0.05 else None
    record = _Record(gaps, inside_c, outside_c, switches)
    duration = times_s[-1] - times_s[0]
    shortest, longest = max(10.0, median(gaps) / 3.0), min(1e7, 10.0 * duration)
    tau = profile.best(record.loss, shortest, longest)
    coefficients, residuals = record.solve(tau)
    least = sum(map(mul, residuals, residuals))
    freedom = len(inside_c) - len(coefficients) - 1
    variance = max(least / freedom, 1e-12)
    inflation = profile.likeness_inflation(residuals, len(coefficients) + 1)
    limit = least + profile.student_975(freedom) ** 2 * variance * inflation
    low, high = profile.interval(record.loss, tau, limit, shortest, longest)
    noise = math.sqrt(variance)
    lift, base = (coefficients[2], coefficients[1]) if switches is not None else (coefficients[1], 0.0)
    half_width = 0.5 * (high - low) / tau
    reason = ""
    if math.isinf(high) or half_width > WIDEST_HALF_WIDTH:
        told = "without bound" if math.isinf(high) else f"±{100.0 * half_width:.0f} %"
        reason = f"too uncertain: the time constant is known to {told}, at most ±{100.0 * WIDEST_HALF_WIDTH:.0f} % is told"
    elif switches is not None and lift <= 0.0:
        reason = "the source does not warm: readings fall while it is on"
    elif not (-50.0 <= lift <= 200.0 and -50.0 <= base <= 100.0):
        reason = f"no room behaves so: the source would lift by {lift:.0f} °C, the rest by {base:.0f} °C"
    return RoomFit(None if reason else Warmth(tau, lift, base), low, high, noise, reason)


class _Record:
    """Readings of a room, and what each time constant makes of them."""

    __slots__ = ("_gaps", "_heating", "_inside", "_outside")

    def __init__(
        self, gaps: Sequence[float], inside: Sequence[float], outside: Sequence[float], heating: Sequence[float] | None
    ) -> None:
        self._gaps, self._inside, self._outside, self._heating = gaps, inside, outside, heating

    def solve(self, tau: float) -> tuple[list[float], list[float]]:
        """Best start, base lift and source lift at this time constant, and the residuals."""
        start, follows, lifted, heated = 1.0, 0.0, 0.0, 0.0
        starts, follow, base, heats = [start], [follows], [lifted], [heated]
        kept, gap_before = 0.0, -1.0
        outside, heating = self._outside, self._heating
        for i, gap in enumerate(self._gaps):
            if gap != gap_before:  # readings mostly come evenly: one exponential serves them all
                kept, gap_before = math.exp(-gap / tau), gap
            taken = 1.0 - kept
            start *= kept
            follows = kept * follows + taken * 0.5 * (outside[i] + outside[i + 1])
            lifted = kept * lifted + taken
            starts.append(start)
            follow.append(follows)
            base.append(lifted)
            if heating is not None:
                heated = kept * heated + taken * heating[i]
                heats.append(heated)
        columns = [starts, base] if heating is None else [starts, base, heats]
        wanted = [y - f for y, f in zip(self._inside, follow, strict=True)]
        coefficients = _least_squares(columns, wanted)
        residuals = wanted
        for c, column in zip(coefficients, columns, strict=True):
            residuals = [r - c * x for r, x in zip(residuals, column, strict=True)]
        return coefficients, residuals

    def loss(self, tau: float) -> float:
        """Sum of squares at this time constant."""
        _, residuals = self.solve(tau)
        return float(sum(map(mul, residuals, residuals)))


def _least_squares(columns: Sequence[Sequence[float]], wanted: Sequence[float]) -> list[float]:
    """Coefficients of two or three columns, by orthogonalising them in turn; 0 for one that the others already hold."""
    basis: list[list[float]] = []
    triangle: list[list[float]] = []
    for column in columns:
        rest, row = list(column), []
        for axis in basis:
            share = float(sum(map(mul, axis, rest)))
            row.append(share)
            rest = [r - share * a for r, a in zip(rest, axis, strict=True)]
        size = math.sqrt(sum(map(mul, rest, rest)))
        kept = size > 1e-9 * math.sqrt(float(sum(map(mul, column, column))) + 1e-300)
        row.append(size if kept else 0.0)
        basis.append([r / size for r in rest] if kept else [0.0] * len(rest))
        triangle.append(row)
    shares = [float(sum(map(mul, axis, wanted))) for axis in basis]
    coefficients = [0.0] * len(columns)
    for j in reversed(range(len(columns))):
        if triangle[j][j] > 0.0:
            later = sum(triangle[k][j] * coefficients[k] for k in range(j + 1, len(columns)))
            coefficients[j] = (shares[j] - later) / triangle[j][j]
    return coefficients
