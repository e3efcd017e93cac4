"""A barn in which nothing fails but what a test makes fail: for asking after one thing that the years met by dice."""

from __future__ import annotations

from pathlib import Path
from random import Random

from tests.simulation.odds import KINDS, Odds, Weather
from tests.simulation.pace import TURN_S, Pace
from tests.simulation.world import World

CALM = Odds({kind.name: 0.0 for kind in KINDS}, 0.0, 0.0, broker_keeps_file=True, keeps_time=True, acknowledges_after_s=1e9)
READINGS_EVERY_S = 300.0
PACE = Pace(READINGS_EVERY_S, judged_every_s=300.0, longest_turn_s=TURN_S, heat="none")  # no turn is longer than a test asks for


class CalmWorld(World):
    def __init__(self, folder: Path, seed: int = 1) -> None:
        super().__init__(seed, folder, PACE)
        self.odds = CALM
        self.weather = Weather(CALM, Random(seed))

    def live(self, seconds: float, *faults: str) -> None:
        """So long, with these faults and no others, to the last turn."""
        self.weather.until = dict.fromkeys(faults, self.now + seconds + TURN_S)
        self._spell(seconds, is_stormy=True)
