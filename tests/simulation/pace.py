"""How finely a simulated barn is lived: every twenty seconds, or from one moment at which something may happen to the next.

The engine judges each moment that fell due at its own second, so how often the world turns changes no decision of the
daemon's; between two such moments a calm barn is skipped. `EVEN` leaves the engine as it is. `BRISK` lives a day in a fifth
of the time: its sensors speak every five minutes, the engine asks its slow conditions (silent, stuck, twins, weak fan) as
seldom instead of every minute, and the pen has no heat source, whose failing is otherwise looked for every half minute. The
chicks' warmth is judged all the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from unittest import mock

from monitor.engine import step

TURN_S = 20.0


@dataclass(frozen=True, slots=True)
class Pace:
    readings_every_s: float
    judged_every_s: float  # even if nothing happens
    longest_turn_s: float
    heat: str  # kind of heat source; with one the engine looks every half minute whether it fails

    @contextmanager
    def kept(self) -> Iterator[None]:
        """The engine's slow conditions are asked at this pace inside."""
        with mock.patch.object(step, "JUDGE_EVERY_S", self.judged_every_s):
            yield

    def turn_s(self, now: float, awaited: Iterable[float]) -> float:
        """Seconds to the next reading, or to the first of the moments awaited if that comes sooner."""
        next_reading = (now // self.readings_every_s + 1.0) * self.readings_every_s
        coming = [moment for moment in awaited if moment > now]
        return min(self.longest_turn_s, max(TURN_S, min([next_reading, *coming]) - now))

    def is_time_for_readings(self, now: float, turn_s: float) -> bool:
        """Did the moment of a reading pass in the turn that ends now?"""
        return now // self.readings_every_s > (now - turn_s) // self.readings_every_s


EVEN = Pace(readings_every_s=120.0, judged_every_s=60.0, longest_turn_s=TURN_S, heat="steady")
BRISK = Pace(readings_every_s=300.0, judged_every_s=300.0, longest_turn_s=300.0, heat="none")


def pace_of(seed: int) -> Pace:
    """One barn in twenty is lived evenly."""
    return EVEN if seed % 20 == 0 else BRISK
