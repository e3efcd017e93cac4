"""The minimum-ventilation timer, worked out from the birds' required airflow and what the fan delivers."""

from __future__ import annotations

from monitor.engine.judge import View
from monitor.engine.plan import PenPlan
from monitor.engine.state import PenState


def plan_timer(plan: PenPlan, pen: PenState, view: View, altitude_m: float) -> PenState:
    return pen
