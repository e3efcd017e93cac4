"""How cold the pen gets by morning, from how the last nights went.

A room has many stores of heat; a model of one of them, fitted in the evening, forecasts the morning worse
than a single figure: the share of the evening's lead over the outside low that the last nights lost.

Rules of this file: evening is 21:00, the night lasts until 08:00, local time; °C. Wrong by 1.3 to
1.8 °C on average without a forecast of the outside low, by 0.8 to 1.0 °C with one (simulated rooms under
measured winter weather, two independent simulations); one night in ten by about twice that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.air.ranges import within

HIGHEST_RATIO = 1.2


@dataclass(frozen=True, slots=True)
class Night:
    """One night that has passed.

    Attributes:
        evening_c: in the pen at 21:00, °C.
        low_c: lowest in the pen until 08:00, °C.
        outside_low_c: lowest outside in that time, °C.
        outside_evening_c: outside at 21:00, °C; None when it is not known.
    """

    evening_c: float
    low_c: float
    outside_low_c: float
    outside_evening_c: float | None = None


def decrement_ratio(nights: Sequence[Night]) -> float | None:
    """Share of the evening's lead over the coming outside low that the pen loses overnight.

    Least squares of (evening − low) on (evening − outside low) over the last nights, held between 0 and 1.2.
    Three nights are enough and follow the season; a mild night in which both hardly differ counts little.

    Args:
        nights: the last nights, best three.

    Returns:
        The ratio; None without any night in which the evening stood above the outside low.
    """
    square = sum((n.evening_c - n.outside_low_c) ** 2 for n in nights)
    if square < 1.0:
        return None
    product = sum((n.evening_c - n.low_c) * (n.evening_c - n.outside_low_c) for n in nights)
    return min(HIGHEST_RATIO, max(0.0, product / square))


def expected_outside_low_c(outside_evening_c: float, nights: Sequence[Night]) -> float | None:
    """Outside low to expect without any forecast: tonight's 21:00 less the usual fall of the last nights.

    Args:
        outside_evening_c: outside at 21:00 today, °C, −60 to 60.
        nights: the last nights, best three.

    Returns:
        °C; None when no night with its outside evening is known.

    Raises:
        OutOfRange: the temperature lies outside the range above.
    """
    within("outside_evening_c", outside_evening_c, -60.0, 60.0)
    falls = [n.outside_evening_c - n.outside_low_c for n in nights if n.outside_evening_c is not None]
    return outside_evening_c - sum(falls) / len(falls) if falls else None


def overnight_low_c(evening_c: float, outside_low_c: float, ratio: float) -> float:
    """Tonight's low in the pen: evening − ratio · (evening − outside low).

    Args:
        evening_c: in the pen at 21:00, °C, −60 to 60.
        outside_low_c: expected outside, °C, −60 to 60.
        ratio: from `decrement_ratio`, 0 to 1.2.

    Raises:
        OutOfRange: an argument lies outside the range above.
    """
    within("evening_c", evening_c, -60.0, 60.0)
    within("outside_low_c", outside_low_c, -60.0, 60.0)
    within("ratio", ratio, 0.0, HIGHEST_RATIO)
    return evening_c - ratio * (evening_c - outside_low_c)
