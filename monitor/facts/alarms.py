"""The default limits and delays of every alarm, each with its ground.

How to read a row: `on` and `off` are in `unit`; `off` on the far side of `on` is the deadband, never
below three times the noise of a usual sensor (1 °C, 3 % humidity, 3 ppm ammonia). Unit "state" means
the alarm has no number: 1 when it stands, 0 when it does not. Delays run on elapsed time. Priorities
follow ANSI/ISA-18.2 in spirit: urgent only where birds or a person come to harm tonight.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from monitor.facts.sources import Sureness

Priority = Literal["urgent", "high", "medium", "low"]


@dataclass(frozen=True, slots=True)
class LimitRow:
    """One alarm's default. `off` < `on` for a limit from above, `off` > `on` for one from below."""

    on: float
    off: float
    unit: str
    on_delay_s: float
    off_delay_s: float
    priority: Priority
    source: str
    sureness: Sureness
    note: str = ""


DEFAULT_LIMITS: Mapping[str, LimitRow] = MappingProxyType(
    {
        # Warmth. The °C come from the warmth table of the birds' class and age.
        "birds_cold": LimitRow(
            1, 0, "state", 600, 300, "urgent", "renwick-1982", "inference",
            "limit from the warmth table; chicks cannot keep themselves warm before 12–14 days. 10 min outlasts a door",
        ),
        "birds_hot": LimitRow(
            1, 0, "state", 300, 300, "urgent", "van-der-hel", "inference",
            "limit from the warmth table; 5 min, for at 36 °C in still air crowded birds last 20 to 30 (Kentucky)",
        ),
        "heat_failing": LimitRow(
            0.5, 0.75, "fraction", 0, 300, "urgent", "inference", "calculated",
            "fraction of the heat source's usual power that the warming curve still shows, alarm from below; no delay of its "
            "own, for the watch itself waits until a door of three minutes no longer explains the fall (simulated nights)",
        ),
        "heat_rising": LimitRow(
            1, 0, "state", 300, 600, "high", "inference", "inference",
            "at the present rise the birds' hot limit is reached within the hour",
        ),
        "cold_by_morning": LimitRow(
            1, 0, "state", 900, 1800, "high", "inference", "inference",
            "the forecast low crosses the birds' cold limit before morning: said in the evening, while someone is up",
        ),
        # Air.
        "ammonia_birds": LimitRow(
            20, 17, "ppm", 900, 600, "high", "eu-2007-43", "seen",
            "limit at head height; 15 min, so that stirred litter does not ring. High, not urgent: eyes suffer in hours to "
            "days, not minutes",
        ),
        "ammonia_people": LimitRow(
            35, 30, "ppm", 300, 600, "urgent", "niosh", "seen",
            "short-term limit of a 15 min mean; called after 5 so that nobody walks in unwarned. Air the pen before entering",
        ),
        "ammonia_danger": LimitRow(
            50, 40, "ppm", 120, 600, "urgent", "extension-eye", "seen",
            "blinds birds, and is twice what people should work in; moves the fan only, people are called by ammonia_people",
        ),
        "ammonia_by_morning": LimitRow(
            20, 17, "ppm", 900, 1800, "medium", "eu-2007-43", "inference", "the bird limit, foreseen for the morning peak",
        ),
        "damp": LimitRow(
            75, 70, "%", 1800, 900, "medium", "inference", "inference",
            "70 % is the EU 48 h mean; 80 % Cornell's winter limit",
        ),
        "dry": LimitRow(
            30, 35, "%", 3600, 1800, "low", "layer-guide", "seen",
            "limit from below; dusty air, restless chicks",
        ),
        "condensation": LimitRow(
            0, 1, "K", 1800, 1800, "medium", "inference", "inference",
            "degrees by which the coldest inside surface stays above the dew point, limit from below",
        ),
        "frostbite": LimitRow(
            -9.4, -8.4, "degC", 1800, 1800, "high", "arkansas-winter", "seen",
            "limit from below in damp air (15 °F); dry air bears more, see the climate facts",
        ),
        "airflow_short": LimitRow(
            1.0, 1.1, "fraction", 3600, 3600, "medium", "uga-minimum", "inference",
            "adequacy of the governing need, limit from below; published minimum rates are good to a factor of "
            "two, so an hour of it",
        ),
        # The fan and the sensors.
        "fan_not_obeying": LimitRow(
            1, 0, "state", 120, 60, "high", "inference", "inference",
            "no matching report after re-sending; two minutes",
        ),
        "fan_weak": LimitRow(
            0.75, 0.85, "fraction", 0, 0, "medium", "inference", "inference",
            "measured against usual air changes, limit from below, judged on the upper end of the 95 % interval",
        ),
        "sensor_silent": LimitRow(
            1, 0, "state", 0, 60, "high", "inference", "inference",
            "the sensor's own promised interval sets the wait",
        ),
        "sensor_stuck": LimitRow(
            1, 0, "state", 0, 300, "medium", "inference", "inference",
            "not one digit moved for the sensor's own stuck time",
        ),
        "sensor_implausible": LimitRow(
            1, 0, "state", 120, 300, "medium", "inference", "inference",
            "no such air exists",
        ),
        "sensors_disagree": LimitRow(
            1, 0, "state", 900, 900, "high", "inference", "inference", "two of one kind and place; which is right is not known",
        ),
        # The house and the daemon itself.
        "mains_lost": LimitRow(
            1, 0, "state", 60, 60, "urgent", "inference", "inference",
            "a minute outlasts a flicker; urgent while birds need heat, and a fan at rest is no proof of clean air",
        ),
        "broker_lost": LimitRow(
            1, 0, "state", 60, 30, "urgent", "inference", "inference",
            "the daemon is blind and cannot switch the fan",
        ),
        "clock_not_trusted": LimitRow(
            1, 0, "state", 900, 0, "low", "inference", "inference",
            "ages and dates wait; judging goes on",
        ),
        "store_failing": LimitRow(
            1, 0, "state", 60, 60, "high", "inference", "inference",
            "judging goes on, nothing is kept",
        ),
        "notice_not_delivered": LimitRow(
            1, 0, "state", 0, 0, "high", "inference", "inference",
            "nobody may have been told; shown where it can be",
        ),
        "mirror_behind": LimitRow(
            1, 0, "state", 3600, 300, "low", "inference", "inference",
            "the copy elsewhere lags; nothing is lost here",
        ),
    }
)  # fmt: skip

# Half the distance at which a flapping alarm would ring: readings must move this far inside before it clears.
WARMTH_DEADBAND_C = 1.0
FRESH_FOR_S = 300.0
