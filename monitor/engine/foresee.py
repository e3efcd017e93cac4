"""What is coming: conditions that look ahead. Each foresight keeps what it has learned in the pen's memory."""

from __future__ import annotations

from monitor.engine.plan import PenPlan
from monitor.engine.state import PenState, State
from monitor.engine.view import Condition, View


def foresee(plan: PenPlan, pen: PenState, view: View, state: State) -> tuple[PenState, list[Condition]]:  # noqa: ARG001
    """The pen with what it has learned at this moment, and the conditions foreseen."""
    return pen, []
