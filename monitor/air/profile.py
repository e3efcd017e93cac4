"""Least squares where one parameter bends the curve and the others only scale it.

For each trial value of the bending parameter the others have a closed answer; what is left is a search
along one line (variable projection [1]). The confidence interval is the stretch of that line on which
the sum of squares stays within what chance explains, not a symmetric ± around the best value.

Rules of this file: pure Python; the parameter is positive and searched by its logarithm.

Sources
    [1] G. H. Golub, V. Pereyra, SIAM J. Numer. Anal. 10 (1973) 413-432.
    [2] D. M. Bates, D. G. Watts, Nonlinear Regression Analysis and Its Applications (1988), section 6.1.
    [3] M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions, 26.7.5 and 26.4.17.
    [4] G. V. Bayley, J. M. Hammersley, J. R. Stat. Soc. Suppl. 8 (1946) 184: readings that resemble their
        neighbour count for fewer; for a first-order process n·(1 − r)/(1 + r).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise

NORMAL_975 = 1.959963984540054  # 97.5 % point of the normal distribution


def student_975(degrees_of_freedom: float) -> float:
    """97.5 % point of Student's distribution, within 0.3 % from 4 degrees of freedom on ([3] 26.7.5)."""
    z, n = NORMAL_975, degrees_of_freedom
    first = (z**3 + z) / 4.0
    second = (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0
    third = (3.0 * z**7 + 19.0 * z**5 + 17.0 * z**3 - 15.0 * z) / 384.0
    return z + first / n + second / n**2 + third / n**3


def chi_square_95(degrees_of_freedom: int) -> float:
    """95 % point of the χ² distribution, within 4 % from one degree of freedom on ([3] 26.4.17)."""
    part = 2.0 / (9.0 * degrees_of_freedom)
    return float(degrees_of_freedom * (1.0 - part + 1.644853626951 * math.sqrt(part)) ** 3)


def likeness_inflation(residuals: Sequence[float], fitted: int = 3) -> float:
    """By how much neighbouring residuals that resemble one another widen a variance; 1 when they do not [4].

    Only a correlation that chance would rarely give (one time in twenty) counts. A fit of some parameters
    takes likeness out of its residuals, which is put back to first order.
    """
    count = len(residuals)
    total = sum(r * r for r in residuals)
    if count < 8 or total <= 0.0:
        return 1.0
    likeness = sum(a * b for a, b in pairwise(residuals)) / total
    likeness += fitted * (1.0 + likeness) / count
    if likeness <= 1.645 / math.sqrt(count):
        return 1.0
    likeness = min(likeness, 0.95)
    return (1.0 + likeness) / (1.0 - likeness)


def best(loss: Callable[[float], float], lowest: float, highest: float, trials: int = 40) -> float:
    """Parameter with the least loss between lowest and highest: a coarse row of trials, then golden section.

    Args:
        loss: sum of squares at a parameter.
        lowest, highest: ends of the search, above 0.
        trials: of the coarse row.
    """
    step = (math.log(highest) - math.log(lowest)) / (trials - 1)
    row = [math.log(lowest) + step * i for i in range(trials)]
    centre = min(row, key=lambda x: loss(math.exp(x)))
    low, high = max(row[0], centre - step), min(row[-1], centre + step)
    golden = 0.6180339887498949
    a, b = high - golden * (high - low), low + golden * (high - low)
    loss_a, loss_b = loss(math.exp(a)), loss(math.exp(b))
    while high - low > 1e-6:
        if loss_a < loss_b:
            high, b, loss_b = b, a, loss_a
            a = high - golden * (high - low)
            loss_a = loss(math.exp(a))
        else:
            low, a, loss_a = a, b, loss_b
            b = low + golden * (high - low)
            loss_b = loss(math.exp(b))
    return math.exp(0.5 * (low + high))


def interval(loss: Callable[[float], float], centre: float, limit: float, lowest: float, highest: float) -> tuple[float, float]:
    """Stretch around the best parameter on which the loss stays at or below a limit [2].

    Returns:
        (low, high); 0 and infinity where the loss never exceeds the limit before the end of the search.
    """
    ends = []
    for end, open_end in ((lowest, 0.0), (highest, math.inf)):
        direction = math.copysign(1.0, math.log(end / centre)) if end != centre else 1.0
        inside, step = math.log(centre), 0.05
        while True:
            outside = inside + direction * step
            if direction * (outside - math.log(end)) >= 0.0:
                ends.append(open_end)
                break
            if loss(math.exp(outside)) > limit:
                for _ in range(14):
                    middle = 0.5 * (inside + outside)
                    if loss(math.exp(middle)) > limit:
                        outside = middle
                    else:
                        inside = middle
                ends.append(math.exp(0.5 * (inside + outside)))
                break
            inside, step = outside, step * 1.5
    return ends[0], ends[1]
