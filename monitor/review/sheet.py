"""What a ventilation sheet holds: the pen's weeks, each with its winter night and summer day. SI throughout."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from monitor.air.balance import Answer
from monitor.air.fan import Verdict
from monitor.engine.flock import Output
from monitor.engine.specification import Pen
from monitor.facts.airflow import PRESSURE
from monitor.review.horizon import Horizon

# The needs, by the name they carry on the sheet.
LIVE_WEIGHT, CARBON_DIOXIDE, MOISTURE, AMMONIA, HEAT, SUMMER = (
    "live weight",
    "carbon dioxide",
    "moisture",
    "ammonia",
    "heat",
    "summer rule",
)


@dataclass(frozen=True, slots=True)
class OutsideAir:
    """Outside air the sheet is drawn up for; humidity as a weather report gives it, over liquid water."""

    temperature_c: float  # −40 to 50
    humidity_pct: float  # 0 to 100
    is_seen: bool = False  # the temperature is the site's own sensor's extreme, not the settings' figure


@dataclass(frozen=True, slots=True)
class Case:
    """One outside state in one week.

    Attributes:
        outside: the air coming in.
        inside_c, inside_pct: the state to hold.
        birds_c: where the birds are; warmer than the room under a lamp.
        needs: m³/h by need, or why no airflow meets it.
        adequacy: delivered / required by need; empty when what the fan delivers is not known.
        governing: the need that asks most; None when none has a figure.
        required_m3_h: what it asks.
        worst: adequacy of the governing need.
    """

    outside: OutsideAir
    inside_c: float
    inside_pct: float
    birds_c: float
    needs: Mapping[str, Answer]
    adequacy: Mapping[str, float]
    governing: str | None
    required_m3_h: float | None
    worst: float | None


@dataclass(frozen=True, slots=True)
class HeatBalance:
    """Can the winter night's airflow be afforded?

    Attributes:
        birds_w: sensible heat of the birds, W.
        lamp_w: of the heat source that the birds of this age need; None when its power is not written.
        wall_loss_w_k: of walls and ceiling, W/K.
        affordable_m3_h: most airflow that this heat warms to the inside temperature; None when outside is as warm.
        heater_w: to add, so that the balance closes at the required airflow; no promise of a temperature.
        cold_c: the temperature at which birds of this age are too cold; None where they depend on a heat source.
        settles_c: where the room ends up at the required airflow without it; None beyond −20 to 45 °C.
    """

    birds_w: float
    lamp_w: float | None
    wall_loss_w_k: float
    affordable_m3_h: float | None
    heater_w: float
    cold_c: float | None
    settles_c: float | None

    @property
    def is_affordable(self) -> bool:
        return self.heater_w <= 0.5

    @property
    def is_borne(self) -> bool:
        """The room may fall short of what is wanted, but not below what the birds bear."""
        return self.cold_c is not None and self.settles_c is not None and self.settles_c >= self.cold_c


@dataclass(frozen=True, slots=True)
class Timer:
    """Setting of the minimum timer for the winter night.

    Attributes:
        on_s: on in each period.
        least_on_s: on in each period while the birds are too cold: the trade's minimum by weight alone.
        period_s: length of the period.
        speed_pct: of a variable fan; None for one of a single speed.
    """

    on_s: float
    least_on_s: float
    period_s: float
    speed_pct: float | None


@dataclass(frozen=True, slots=True)
class Week:
    """The pen on one day."""

    day: date
    ages_days: Mapping[str, int]  # by flock that is there
    count: int
    live_weight_kg: float  # all together
    birds: Output  # at the winter night's temperature
    winter: Case
    summer: Case
    heat: HeatBalance
    timer: Timer | None


@dataclass(frozen=True, slots=True)
class Delivered:
    """Where the fan works at full speed against duct and openings.

    Attributes:
        airflow_m3_h: what it moves.
        fan_pressure_pa, duct_pressure_pa, room_pressure_pa: made by the fan; lost in the duct; room below outside.
        inlet_speed_m_s: of the air coming in; None when no inlet is written.
        leakage_share: of the openings' effective area, that of cracks, 0 to 1.
        sealed_pressure_pa: room below outside with all inlets shut, leaks alone; None without inlet or leaks.
        verdict: whether the fan's curve covers the point.
    """

    airflow_m3_h: float
    fan_pressure_pa: float
    duct_pressure_pa: float
    room_pressure_pa: float
    inlet_speed_m_s: float | None
    leakage_share: float
    sealed_pressure_pa: float | None
    verdict: Verdict

    @property
    def inlet_governs(self) -> bool:
        """Do the inlets decide where the air comes in? Not in a house whose cracks pass it without them."""
        return self.inlet_speed_m_s is not None and (
            self.sealed_pressure_pa is None or self.sealed_pressure_pa >= PRESSURE["working, low"].value
        )


@dataclass(frozen=True, slots=True)
class Sheet:
    """The whole sheet. Everything is SI; `sheet_text` turns it into the keeper's units and words."""

    pen: Pen
    today: date
    horizon: Horizon
    delivered: Delivered | None
    emission_g_bird_day: float | None  # measured in this pen; None: the default, a factor of three either way
    weeks: tuple[Week, ...]  # the first is today

    def worst_week(self, case: str) -> Week | None:
        """The week in which "winter" or "summer" asks for most air; None when no week has a figure."""
        asked = [week for week in self.weeks if getattr(week, case).required_m3_h is not None]
        return max(asked, key=lambda week: float(getattr(week, case).required_m3_h), default=None)
