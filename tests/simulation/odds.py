"""What may go wrong, how often and for how long: each run draws odds of its own, so that some runs know no broken disk
and others hardly anything else."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of fault: the most often a day it may begin, and its mean length."""

    name: str
    most_a_day: float
    mean_s: float


KINDS = (
    Kind("link cut", 30.0, 20.0),
    Kind("broker down", 8.0, 600.0),
    Kind("broker hung", 4.0, 900.0),
    Kind("disk full", 4.0, 1800.0),
    Kind("disk read-only", 2.0, 1800.0),
    Kind("disk errors", 4.0, 600.0),
    Kind("phone refuses", 6.0, 1800.0),
    Kind("phone hangs", 4.0, 3600.0),
    Kind("phone answers lost", 6.0, 1800.0),
    Kind("mail refuses", 4.0, 3600.0),
    Kind("clock wrong", 2.0, 3600.0),
    Kind("sensors flood", 3.0, 300.0),
    Kind("sensors silent", 3.0, 1200.0),
    Kind("lamp out", 3.0, 2700.0),
    Kind("ammonia up", 4.0, 2700.0),
    Kind("ammonia dangerous", 2.0, 1200.0),
)
MOST_KILLS_A_DAY = 40.0
MOST_REBOOTS_A_DAY = 4.0


@dataclass(frozen=True, slots=True)
class Odds:
    """The dice of one run. Rates are a second."""

    rates: dict[str, float]
    kills: float
    reboots: float
    broker_keeps_file: bool  # a killed broker comes back with what it had saved, else with nothing
    keeps_time: bool  # a battery clock is built in
    acknowledges_after_s: float  # the keeper, once awake


def draw(dice: Random) -> Odds:
    def some(most_a_day: float) -> float:
        return 0.0 if dice.random() < 0.35 else dice.random() ** 2 * most_a_day / 86_400.0

    return Odds(
        {kind.name: some(kind.most_a_day) for kind in KINDS},
        some(MOST_KILLS_A_DAY),
        some(MOST_REBOOTS_A_DAY),
        dice.random() < 0.6,
        dice.random() < 0.5,
        dice.uniform(120.0, 5400.0),
    )


class Weather:
    """The faults that stand now."""

    def __init__(self, odds: Odds, dice: Random) -> None:
        self._odds = odds
        self._dice = dice
        self.until: dict[str, float] = {}  # by kind
        self.counts: dict[str, int] = {}

    def pass_time(self, now: float, seconds: float, is_stormy: bool) -> None:
        """Faults end, and while it is stormy new ones begin."""
        if not is_stormy:
            self.until.clear()
            return
        self.until = {name: end for name, end in self.until.items() if end > now}
        for kind in KINDS:
            if kind.name not in self.until and self._dice.random() < self._odds.rates[kind.name] * seconds:
                self.until[kind.name] = now + self._dice.expovariate(1.0 / kind.mean_s)
                self.counts[kind.name] = self.counts.get(kind.name, 0) + 1

    def __contains__(self, name: object) -> bool:
        return name in self.until
