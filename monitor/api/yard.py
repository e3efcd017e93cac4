"""The yard: every site's answer and open alarms, as they were heard on the broker, on one small page.

Rules of this file: what was not heard of late is said to be old, and never counts as well; a board that has
stopped stands above one that has a small trouble.
"""

from __future__ import annotations

from fastapi import APIRouter, Request

from monitor.api.here import BarnHere, Looker
from monitor.api.moments import for_long, rfc3339
from monitor.api.status import Now
from monitor.engine.events import Json
from monitor.engine.specification import Priority
from monitor.wire.other_sites import OtherSites, SiteSaid

yard = APIRouter(prefix="/api")

SILENT_S = 900.0  # three times the five minutes in which a site speaks in any case

ANSWERING, SILENT, GONE, NOT_HEARD = "answering", "silent", "gone", "not heard yet"
_VERDICTS = ("bad", "unknown", "watch", "good")
_PRIORITIES = tuple(priority.value for priority in Priority)


@yard.get("/yard", response_model=None)
def whole_yard(request: Request, barn: BarnHere, _: Looker) -> dict[str, Json]:
    """Every site this broker carries, those that need someone first. `watched` is false where the settings do not ask for it."""
    heard: OtherSites | None = request.app.state.other_sites
    return yard_status(heard, barn.now())


def yard_status(heard: OtherSites | None, now: Now) -> dict[str, Json]:
    """The JSON of the yard at this moment."""
    told = [] if heard is None else [_site(said, now) for said in heard.sites()]
    told.sort(key=_need)
    sites: list[Json] = [*told]
    return {
        "watched": heard is not None,
        "time": rfc3339(now[1]),
        "sites": sites,
        "sites_left_out": 0 if heard is None else heard.left_out,
        "unusable_messages": 0 if heard is None else heard.unusable,
    }


def _site(said: SiteSaid, now: Now) -> dict[str, Json]:
    age_s = _age_s(said, now)
    if said.alive is False:
        state, sentence = GONE, "Its daemon has stopped, or has lost its broker. What stands here is old."
    elif not said.has_answered:
        state, sentence = NOT_HEARD, "Nothing was heard of its pens yet."
    elif said.is_cut_off:
        state, sentence = SILENT, "Its line is down: the barn may be well, and nothing of it comes here. What stands here is old."
    elif age_s is None:
        state, sentence = SILENT, "When this was said is not known: it is the broker's memory."
    elif age_s > SILENT_S:
        state, sentence = SILENT, f"Nothing heard for {for_long(age_s)}. What stands here is old."
    else:
        state, sentence = ANSWERING, ""
    worst = next((verdict for verdict in _VERDICTS if any(pen.verdict == verdict for pen in said.pens)), "unknown")
    pens: list[Json] = [
        {"pen": pen.pen, "answer": pen.answer, "verdict": pen.verdict if pen.verdict in _VERDICTS else "unknown"}
        for pen in said.pens
    ]
    alarms: list[Json] = [
        {"pen": one.pen, "title": one.title, "priority": one.priority, "state": one.state}
        for one in sorted(said.alarms, key=lambda alarm: _rank(alarm.priority))
    ]
    return {
        "site": said.site,
        "state": state,
        "sentence": sentence,
        "verdict": worst if state == ANSWERING else "unknown",
        "heard_ago_s": None if age_s is None else round(age_s),
        "heard_ago_shown": None if age_s is None else for_long(age_s),
        "pens": pens,
        "alarms": alarms,
    }


def _age_s(said: SiteSaid, now: Now) -> float | None:
    """How old it is, by our own ear, else by its own clock; None when neither can tell."""
    at, now_ms = now
    if said.heard_at is not None:
        return max(0.0, at - said.heard_at)
    if said.time_ms is None or now_ms is None or said.time_ms > now_ms + 60_000:
        return None
    return max(0.0, (now_ms - said.time_ms) / 1000.0)


def _rank(priority: str) -> int:
    return _PRIORITIES.index(priority) if priority in _PRIORITIES else len(_PRIORITIES)


def _need(site: dict[str, Json]) -> tuple[int, int, str]:
    """Who needs someone first."""
    alarms = site["alarms"]
    assert isinstance(alarms, list)
    ranks = [_rank(str(one["priority"])) for one in alarms if isinstance(one, dict)]
    best = min(ranks, default=len(_PRIORITIES))
    if best == 0:
        order = 0
    elif site["state"] != ANSWERING:
        order = 1
    else:
        order = 2 + best
    return order, _VERDICTS.index(str(site["verdict"])), str(site["site"])
