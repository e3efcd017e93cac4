"""The one refusal of the physics: a number outside the range where a formula holds.

Rules of this file: no formula is used outside the range its source covers; the sentence names the
argument, the value and the allowed range, so that it can be shown to a keeper as it stands.
"""

from __future__ import annotations


class OutOfRange(ValueError):  # noqa: N818  a plain word, used across the project
    """An argument lies outside the range in which the formula holds.

    Attributes:
        name: the argument, its unit last in the name.
        value: what was given.
        low, high: the allowed range, both ends included.
    """

    def __init__(self, name: str, value: float, low: float, high: float) -> None:
        super().__init__(f"{name} is {value:g}; allowed is {low:g} to {high:g}")
        self.name = name
        self.value = value
        self.low = low
        self.high = high


def within(name: str, value: float, low: float, high: float) -> float:
    """The value itself when it lies in low … high, both ends included.

    Raises:
        OutOfRange: it lies outside, or is not a number.
    """
    if low <= value <= high:  # false for NaN as well
        return value
    raise OutOfRange(name, value, low, high)
