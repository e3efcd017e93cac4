"""The site's own conditions: the broker, the clock, the store, the notices, the mirror."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import partial

from monitor.engine.events import Evidence
from monitor.engine.plan import Plan
from monitor.engine.specification import Priority
from monitor.engine.state import State
from monitor.engine.view import Condition

# Which link's fall is which alarm.
LINK_ALARMS: Mapping[str, str] = {
    "broker": "broker_lost",
    "clock": "clock_not_trusted",
    "store": "store_failing",
    "notice": "notice_not_delivered",
    "mirror": "mirror_behind",
}


def site_conditions(state: State, plan: Plan) -> Iterator[Condition]:
    """One condition for each link that was ever heard of, in a fixed order."""
    for link, name in LINK_ALARMS.items():
        limit = plan.specification.site_limits.get(name)
        if limit is None or link not in state.links:
            continue
        priority = limit.priority
        if name == "broker_lost" and _chicks_need_heat(state, plan):
            priority = Priority.URGENT  # blind over birds that die of a cold night
        yield Condition(
            name, "", not state.links[link], limit, partial(_evidence, state.link_detail.get(link, ""), limit.source), priority
        )


def _evidence(detail: str, source: str) -> Evidence:
    return {"note": detail, "source": source}


def _chicks_need_heat(state: State, plan: Plan) -> bool:
    for name, pen_plan in plan.pens.items():
        pen = state.pens[name]
        warmth = pen_plan.band(state.day, pen.counts)
        if warmth is not None and warmth.band.needs_heat and not pen.heat_off:
            return True
    return False
