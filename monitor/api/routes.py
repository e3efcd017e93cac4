"""The addresses programs and the page use. Handlers only: what they say is made elsewhere."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request
from fastapi.responses import PlainTextResponse, Response, StreamingResponse
from pydantic import BaseModel, ConfigDict, Field

from monitor.api import acts, fan_track, journal, metrics, series, status, stream
from monitor.api.here import Actor, BarnHere, Looker, SignInHere
from monitor.api.problems import Refused
from monitor.engine.events import Json
from monitor.engine.specification import Measure, Place
from monitor.engine.state import PenState
from monitor.review import facts_sheet

api = APIRouter(prefix="/api")
plain = APIRouter()

From = Annotated[str | None, Query(alias="from", max_length=40, description="RFC 3339 with an offset, or ms since 1970")]
To = Annotated[str | None, Query(max_length=40, description="RFC 3339 with an offset, or ms since 1970; now when left out")]
Points = Annotated[int, Query(ge=2, le=series.MOST_POINTS)]


@plain.get("/healthz", response_model=None)
def healthz(request: Request, barn: BarnHere, sign_in: SignInHere, response: Response) -> dict[str, Json]:
    """Is the daemon doing its work? 503 when not. The parts are told to those who may look."""
    healthy, parts = barn.healthy()
    response.status_code = 200 if healthy else 503
    answer: dict[str, Json] = {"healthy": healthy}
    if sign_in.who(request) is not None:
        answer["parts"] = dict(parts)
    return answer


@plain.get("/metrics", response_class=PlainTextResponse)
def openmetrics(barn: BarnHere, _: Looker) -> Response:
    """OpenMetrics text."""
    return Response(metrics.metrics(barn), media_type=metrics.CONTENT_TYPE)


@api.get("/status", response_model=None)
def whole_status(barn: BarnHere, who: Looker) -> dict[str, Json]:
    """Site, clock, links, and every pen with its answer, readings, fan, flocks and alarms."""
    return {**status.status(barn), "signed_in": {"as": who.name, "may_act": who.role.may_act}}


@api.get("/pens/{pen}", response_model=None)
def one_pen(pen: str, barn: BarnHere, _: Looker) -> dict[str, Json]:
    """One pen, as in the status."""
    return status.pen_status(barn.specification, acts.pen_named(barn, pen).name, barn.state(), barn.now())


@api.get("/pens/{pen}/series", response_model=None)
def pen_series(
    pen: str,
    barn: BarnHere,
    _: Looker,
    measure: Measure,
    place: Place | None = None,
    from_: From = None,
    to: To = None,
    points: Points = 500,
) -> dict[str, Json]:
    """Readings over time in at most `points` steps, each with its count, low, mean and high. SI."""
    from_ms, to_ms = series.span(barn, from_, to)
    return series.series(barn, acts.pen_named(barn, pen), measure, place, from_ms, to_ms, points)


@api.get("/pens/{pen}/ventilation", response_model=None)
def ventilation(pen: str, barn: BarnHere, _: Looker) -> Json:
    """The ventilation sheet: required and delivered airflow, the governing need, what to change."""
    return barn.ventilation(acts.pen_named(barn, pen).name)


@api.get("/pens/{pen}/bedding", response_model=None)
def bedding(pen: str, barn: BarnHere, _: Looker) -> Json:
    """Every litter period: level, rise per day, the effect of each change with its interval, days left."""
    return barn.bedding(acts.pen_named(barn, pen).name)


@api.get("/pens/{pen}/air-changes", response_model=None)
def air_changes(pen: str, barn: BarnHere, _: Looker) -> Json:
    """How often the fan really changed the air, week by week, against what it should; a week without a figure says why."""
    return barn.air_changes(acts.pen_named(barn, pen).name)


@api.get("/pens/{pen}/week.svg", response_class=Response)
def week_picture(pen: str, barn: BarnHere, _: Looker, day: date | None = None) -> Response:
    """The seven days before `day` (today when left out) as a picture, the one that the weekly sheet carries."""
    named = acts.pen_named(barn, pen)
    if day is None:
        day = local_day(barn)
    drawn = barn.week_picture(named.name, day)
    return Response(drawn, media_type="image/svg+xml", headers={"Cache-Control": "no-store"})


@api.get("/pens/{pen}/fan", response_model=None)
def fan_over_time(
    pen: str, barn: BarnHere, _: Looker, from_: From = None, to: To = None, points: Points = 500
) -> dict[str, Json]:
    """How much of the time the fan ran, and its last changes with their reasons."""
    from_ms, to_ms = series.span(barn, from_, to)
    return fan_track.track(barn, acts.pen_named(barn, pen), from_ms, to_ms, points)


@api.put("/pens/{pen}/fan", response_model=None)
def set_fan(pen: str, body: acts.HandSetBody, barn: BarnHere, who: Actor) -> Json:
    """Set the fan by hand until an end. The answer tells what the fan does now, which may not be what was asked."""
    acts.hand_set(barn, acts.pen_named(barn, pen), who.name, body)
    return status.pen_status(barn.specification, pen, barn.state(), barn.now())["fan"]


@api.get("/alarms", response_model=None)
def alarms(barn: BarnHere, _: Looker) -> dict[str, Json]:
    """Every alarm that is open or set aside, of the site and of all pens, urgent first."""
    state, now = barn.state(), barn.now()
    pens: list[PenState] = list(state.pens.values())
    records = [*state.alarms.values(), *(record for pen in pens for record in pen.alarms.values())]
    return {"alarms": [status.alarm(each, barn.specification, now) for each in status.in_order(records)]}


@api.post("/alarms/{alarm_id}/acknowledge", response_model=None)
def acknowledge(alarm_id: str, barn: BarnHere, who: Actor) -> dict[str, Json]:
    """Say that a person has it: repeats stop, the condition does not."""
    record = acts.acknowledge(barn, acts.alarm_named(barn, alarm_id), who.name)
    return status.alarm(record, barn.specification, barn.now())


@api.post("/alarms/{alarm_id}/shelve", response_model=None)
def shelve(alarm_id: str, body: acts.ShelveBody, barn: BarnHere, who: Actor) -> dict[str, Json]:
    """Set an alarm aside until an end; `for_s` of 0 takes it off the shelf."""
    record = acts.shelve(barn, acts.alarm_named(barn, alarm_id), who.name, body.for_s)
    return status.alarm(record, barn.specification, barn.now())


@api.get("/journal", response_model=None)
def read_journal(barn: BarnHere, _: Looker, pen: str | None = None, from_: From = None, to: To = None) -> dict[str, Json]:
    """What was done, newest first. Without `from` and `to` also what has no date yet."""
    name = acts.pen_named(barn, pen).name if pen is not None else None
    stretch = (None, None) if from_ is None and to is None else series.span(barn, from_, to)
    return {"journal": journal.entries(barn, name, *stretch)}


@api.post("/journal", status_code=201, response_model=None)
def write_journal(body: acts.JournalBody, barn: BarnHere, who: Actor) -> dict[str, Json]:
    """Write down what was done, now."""
    return journal.written(acts.write_journal(barn, who.name, body))


@api.get("/calendar", response_model=None)
def calendar(barn: BarnHere, _: Looker) -> Json:
    """What is due: today, this week, and the next steps by age."""
    return barn.calendar()


@api.get("/settings", response_model=None)
def settings(barn: BarnHere, _: Looker) -> Json:
    """The settings as resolved, with the source of every limit."""
    return barn.resolved()


@api.get("/facts", response_model=None)
def facts(_: Looker) -> dict[str, Json]:
    """Every fact the figures rest on: value, unit, source, year, how surely it is known, and why this one."""
    return facts_sheet.as_json()


def local_day(barn: BarnHere) -> date:
    """Today at the site. Raises Refused while the clock is not trusted."""
    now_ms = barn.now()[1]
    if now_ms is None:
        raise Refused(409, "the clock is not trusted, so there is no today; give `day`, such as 2026-04-06")
    return datetime.fromtimestamp(now_ms / 1000, UTC).astimezone(ZoneInfo(barn.specification.timezone)).date()


class RehearsalBody(BaseModel):
    """Other limits for the last days: alarm name → {"on": SI, "off": SI}."""

    model_config = ConfigDict(extra="forbid")

    limits: dict[str, dict[str, float]]
    days: Annotated[float, Field(gt=0, le=60)] = 14


@api.post("/pens/{pen}/rehearsal", response_model=None)
def rehearsal(pen: str, body: RehearsalBody, barn: BarnHere, _: Actor) -> Json:
    """Run the last days' readings through the engine under other limits; nothing in the barn changes."""
    named = acts.pen_named(barn, pen)
    for name, limit in body.limits.items():
        if name not in named.limits.alarms:
            raise Refused(422, f'there is no limit "{name[:40]}"; there is {", ".join(sorted(named.limits.alarms))}')
        if not set(limit) <= {"on", "off"}:
            raise Refused(422, f'a limit has "on" and "off"; "{name}" was given {", ".join(sorted(limit))[:80]}')
    return barn.rehearse(named.name, body.limits, body.days)


@api.get("/stream", response_class=StreamingResponse)
async def live(request: Request, barn: BarnHere, sign_in: SignInHere, _: Looker) -> StreamingResponse:
    """Server-sent events: `site`, `pen`, `beat`, and `signed_out` as the last one."""
    if request.app.state.streams >= stream.MOST_STREAMS:
        raise Refused(503, "too many open streams; close a page somewhere", {"Retry-After": "10"})
    return StreamingResponse(
        stream.counted(request.app.state, stream.stream(barn, lambda: sign_in.who(request) is not None)),
        media_type="text/event-stream",
        headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
    )
