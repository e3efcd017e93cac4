"""What the gas in the air says of an opened door: a door lets outside air in, a dead source leaves the gas alone.

Carbon dioxide (else ammonia) above outside air, over what is usual here, stands near 1. While a door is open it falls with
the warmth, and comes back slowly. How much for each °C is learned from the doors that the pen has seen; before two
were seen a fall of the gas only speaks for a door, and gas that holds still speaks for nothing.

Rules of this file: pure; works on what `foresee_heat` has learned of one pen. What the fan takes away is learned as well and
put back; while it runs long, and where no such sensor is believed, the gas says nothing. It never says more than MOST.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from operator import mul
from statistics import median
from typing import TYPE_CHECKING

from monitor.engine.heat_shapes import LIKENESS, door_shape, end_and_slope, scatter_about_line

if TYPE_CHECKING:
    from monitor.engine.heat_memory import Learned

LAG_MIN = 1.25  # of a gas sensor, and that what was heard is half an interval old. Common practice.
BACK_MIN = 30.0  # in which it gathers again; a closed small barn changes its air every half hour to two. Our own rule.
MOST = 3.0  # log-likelihood; a door on the far side of a large pen may leave the sensor alone
DOORS_NEEDED = 2
LEAST_LEFT = 0.2  # of the gas; no door takes more
LONGEST_RUN_MIN = 2.0  # of the fan, in a window: with more, what it takes cannot be told from what a door takes
USUAL_OVER_MIN = 120.0
LEARN_SHARE = 0.1  # of what one more window says of noise and fan
LEAST_VARIANCE = 0.001


@dataclass(frozen=True, slots=True)
class Air:
    """What is measured of the air at one moment: the gas above outside air, in any unit, and how long the fan has run in all."""

    gas: float
    fan_min: float


@dataclass(frozen=True, slots=True)
class Witness:
    """The gas of the last minutes over what is usual, the fan's part put back; its variance; what a door takes for each °C."""

    values: Sequence[float]
    step_min: float
    variance: float
    for_each_c: float | None

    def against(self, since_min: float, open_min: float, dip_c: float) -> float:
        """Log-likelihood that speaks against a door then which cost so many °C; negative when it speaks for one."""
        square, along = self._along(since_min, open_min)
        if square < 1e-9:
            return 0.0
        took = -along / square if self.for_each_c is None else self.for_each_c * dip_c
        took = min(max(took, 0.0), 1.0 - LEAST_LEFT)
        said = (took * took * square + 2.0 * took * along) / (2.0 * LIKENESS * (self.variance + LEAST_VARIANCE))
        return max(-MOST, min(MOST, said))

    def took(self, since_min: float, open_min: float) -> float | None:
        """Part of the gas that a door then took, by least squares; None when the shape cannot tell."""
        square, along = self._along(since_min, open_min)
        return None if square < 1e-9 else -along / square

    def _along(self, since_min: float, open_min: float) -> tuple[float, float]:
        """Sums of squares and products, about their means, of a door's shape and the values."""
        z, n = self.values, len(self.values)
        shape, s, ss = door_shape(n, self.step_min, since_min, open_min, BACK_MIN, LAG_MIN)
        return ss - s * s / n, sum(map(mul, shape, z)) - s * sum(z) / n


def follow_gas(learned: Learned, air: Air | None, keep: int, step: float, window_ends: bool) -> Witness | None:
    """Take one sample of the air in; what it can say, or None.

    Args:
        learned: changed in place.
        air: of this moment; None where no sensor tells.
        keep: samples of a window.
        step: from sample to sample, minutes.
        window_ends: noise and fan are learned now.
    """
    if air is None:
        learned.gas, learned.fan = [], []
        return None
    learned.gas = [*learned.gas, round(air.gas, 2)][-keep:]
    learned.fan = [*learned.fan, round(air.fan_min, 3)][-keep:]
    if len(learned.gas) < keep:
        return None
    if learned.gas_usual is None:
        learned.gas_usual = median(learned.gas)
    elif not learned.failing:
        learned.gas_usual = round(learned.gas_usual + step / USUAL_OVER_MIN * (air.gas - learned.gas_usual), 4)
    usual, ran = learned.gas_usual, learned.fan[-1] - learned.fan[0]
    if usual <= 0.0 or not 0.0 <= ran <= LONGEST_RUN_MIN:
        return None
    raw = [value / usual for value in learned.gas]
    late = round(LAG_MIN / step)
    fan = [f - learned.fan[0] for f in [learned.fan[0]] * late + learned.fan[: keep - late]]
    if window_ends and not learned.failing and fan[-1] > 0.0 and fan[keep // 4] == 0.0 and fan[-keep // 4] == fan[-1]:
        takes = min(max(-_step_of(fan, raw), 0.0), 1.0)
        learned.fan_takes = round(learned.fan_takes + LEARN_SHARE * (takes - learned.fan_takes), 5)
    values = [z + learned.fan_takes * f for z, f in zip(raw, fan, strict=True)]
    if window_ends:
        least = min(scatter_about_line(values), 3.0 * learned.gas_variance)
        learned.gas_variance = round(learned.gas_variance + LEARN_SHARE * (least - learned.gas_variance), 6)
    enough = len(learned.doors_took) >= DOORS_NEEDED
    return Witness(values, step, learned.gas_variance, max(0.0, median(learned.doors_took)) if enough else None)


def _step_of(fan: Sequence[float], values: Sequence[float]) -> float:
    """How much the values change with each minute of the fan, a steady drift left aside."""
    end, slope = end_and_slope(fan, 1.0)
    off_line: list[float] = [f - end - slope * (i - len(fan) + 1) for i, f in enumerate(fan)]
    square: float = sum(map(mul, off_line, off_line))
    along: float = sum(map(mul, off_line, values))
    return along / square
