"""The live stream (server-sent events): which pens changed, as they now are, and a heartbeat.

Events: `site` (links, clock, site-wide alarms), `pen` (one pen whole), `beat` every ten seconds. At most one of
each a second however many readings arrive, and what a slow phone has not yet read is never queued: it gets the
present when it reads again.
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
        changed = {SITE, *barn.specification.pens}
        yield b"retry: 3000\n\n"
        while not listener.closed:
            if not await to_thread.run_sync(still_allowed):
                yield _event("signed_out", {})
                return
            for event in await to_thread.run_sync(_tell, barn, changed):
                yield event
            # A pause that only the end cuts short, so that a burst of readings becomes one event.
            if await _within(ended, pause_s):
                return
            await _within(news, BEAT_S - pause_s)
            news.clear()
            changed = listener.take()


async def _within(happening: asyncio.Event, seconds: float) -> bool:
    try:
        await asyncio.wait_for(happening.wait(), seconds)
    except TimeoutError:
        return False
    return True


def _tell(barn: Barn, changed: set[str]) -> list[bytes]:
    state, now = barn.state(), barn.now()
    events = []
    if SITE in changed:
        events.append(_event("site", site(barn, state, now)))
    events += [
        _event("pen", pen_status(barn.specification, name, state, now)) for name in barn.specification.pens if name in changed
    ]
    if not events:
        events.append(_event("beat", {"elapsed_s": round(now[0], 1), "wall_ms": now[1]}))
    return events


async def counted(tally: State, events: AsyncIterator[bytes]) -> AsyncIterator[bytes]:
    """The same events, counted in `tally.streams` while they are open."""
    tally.streams += 1
    try:
        async for event in events:
            yield event
    finally:
        tally.streams -= 1
