"""The live stream (server-sent events): which pens changed, as they now are, and a heartbeat.

Events: `site` (links, clock, site-wide alarms), `pen` (one pen whole), `beat` when ten seconds brought nothing else.
What a keeper reads (the sentence, an alarm, the fan) goes out within a second; numbers behind it that changed
nothing wait up to ten, for a phone pays for every byte. What a slow phone has not yet read is never queued: it gets
the present when it reads again.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import suppress

from anyio import to_thread
from starlette.datastructures import State

from monitor.api.barn import Barn
from monitor.api.changes import SITE
from monitor.api.status import pen_status, site
from monitor.engine.events import Json

BEAT_S = 10.0
SHORTEST_GAP_S = 1.0
MOST_STREAMS = 32  # phones of one household, many times over


def _event(name: str, content: Json) -> bytes:
    return f"event: {name}\ndata: {json.dumps(content, separators=(',', ':'), ensure_ascii=False)}\n\n".encode()


async def stream(barn: Barn, still_allowed: Callable[[], bool], pause_s: float = SHORTEST_GAP_S) -> AsyncIterator[bytes]:
    """Events until the reader goes, the sign-in ends, or the daemon stops."""
    loop = asyncio.get_running_loop()
    news, ended = asyncio.Event(), asyncio.Event()

    with barn.listen() as listener:

        def mark() -> None:
            news.set()
            if listener.closed:
                ended.set()

        def wake() -> None:
            with suppress(RuntimeError):  # the loop has closed: nobody is left to hear
                loop.call_soon_threadsafe(mark)

        listener.wake = wake
        sent: dict[str, tuple[float, str]] = {}  # by pen: when, and what could be read then
        waiting = {SITE, *barn.specification.pens}
        yield b"retry: 3000\n\n"
        while not listener.closed:
            if not await to_thread.run_sync(still_allowed):
                yield _event("signed_out", {})
                return
            events = await to_thread.run_sync(_tell, barn, waiting, sent, loop.time())
            for event in events:
                yield event
            # A pause that only the end cuts short, so that a burst of readings becomes one event.
            if await _within(ended, pause_s):
                return
            await _within(news, pause_s if waiting else BEAT_S - pause_s)
            news.clear()
            waiting |= listener.take()


async def _within(happening: asyncio.Event, seconds: float) -> bool:
    try:
        await asyncio.wait_for(happening.wait(), seconds)
    except TimeoutError:
        return False
    return True


def _tell(barn: Barn, waiting: set[str], sent: dict[str, tuple[float, str]], now_s: float) -> list[bytes]:
    """The events that are due; what they tell is taken off `waiting` and noted in `sent`."""
    state, now = barn.state(), barn.now()
    events = []
    if SITE in waiting:
        waiting.discard(SITE)
        told = site(barn, state, now)
        readable = json.dumps([told["clock_trusted"], told["links"], told["alarms"]])
        if _is_due(sent.get(SITE), readable, now_s):
            sent[SITE] = (now_s, readable)
            events.append(_event("site", told))
    for name in [name for name in barn.specification.pens if name in waiting]:
        told = pen_status(barn.specification, name, state, now)
        readable = _readable(told)
        if _is_due(sent.get(name), readable, now_s):
            waiting.discard(name)
            sent[name] = (now_s, readable)
            events.append(_event("pen", told))
    newest = max((when for when, _ in sent.values()), default=0.0)
    beat = sent.get("beat", (0.0, ""))[0]
    if not events and now_s - max(newest, beat) >= BEAT_S - SHORTEST_GAP_S:
        sent["beat"] = (now_s, "")
        events.append(_event("beat", {"elapsed_s": round(now[0], 1), "wall_ms": now[1]}))
    return events


def _readable(pen: dict[str, Json]) -> str:
    """What a keeper reads without unfolding anything: the sentence, the alarms, the fan's command and report, the flocks."""
    alarms = pen["alarms"] if isinstance(pen["alarms"], list) else []
    fan = pen["fan"] if isinstance(pen["fan"], dict) else {}
    kept = [[alarm.get(key) for key in ("id", "state", "title", "body")] for alarm in alarms if isinstance(alarm, dict)]
    return json.dumps([pen["answer"], kept, [fan.get(key) for key in ("running", "reason", "reported_running")], pen["flocks"]])


def _is_due(last: tuple[float, str] | None, readable: str, now_s: float) -> bool:
    return last is None or last[1] != readable or now_s - last[0] >= BEAT_S - SHORTEST_GAP_S


async def counted(tally: State, events: AsyncIterator[bytes]) -> AsyncIterator[bytes]:
    """The same events, counted in `tally.streams` while they are open."""
    tally.streams += 1
    try:
        async for event in events:
            yield event
    finally:
        tally.streams -= 1
