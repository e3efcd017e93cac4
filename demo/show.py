"""The show: history first, then broker, daemon and a live barn, until Ctrl-C or the given seconds.

Rules of this file: wiring only. Everything started here is stopped here, in the order barn, daemon,
broker; what is written lies under demo/data; every port is on loopback and free when taken.
"""

from __future__ import annotations

import argparse
import os
import secrets
import shutil
import signal
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from demo import broker as brokers
from demo.barn import Lamp
from demo.closed_loop import Loop
from demo.flock import Group
from demo.history import History, space_out
from demo.litter import DAY_S
from demo.live import LiveBarn, wall_now_s
from demo.mill_rise import Barnyard, chores, litter_deed, raise_world, rearing
from demo.progress import Progress
from demo.settings_text import fill
from demo.stories import ALARM_DUE_S, LIVE_AFTER_S, STORIES, Story, deeds_of, find, must_begin_at_s
from demo.weather import SPRING
from demo.world import Deed, World
from monitor.api.passwords import set_password
from monitor.engine.specification import BirdClass, Pen
from monitor.settings.read import Settings, read
from monitor.store.decisions import Decision
from monitor.store.reader import Reader

HERE = Path(__file__).resolve().parent
HISTORY_DAYS = 42.0
AGE_DAYS = 19  # of the birds tonight
PREPARED_DAYS = 2  # the lamp burns before they come
# An earlier batch of table birds had the shed until shortly before; the settings no longer name them.
TABLE_BIRDS, TABLE_BIRDS_AGE_DAYS, THEIR_LITTER_DAYS, EMPTY_DAYS = 30, 20.0, 5.0, 0.5
THEIR_DRINKER_DRIPS_KG_DAY = 1.0
SEED = 7


@dataclass(frozen=True, slots=True)
class Given:
    """What was asked for on the command line."""

    seconds: float | None
    story: Story | None
    days: float
    folder: Path
    embedded: bool
    seed: int


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the show; returns the exit code."""
    given = _given(arguments)
    if given is None:
        return 0
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, lambda *_: stop.set())
    try:
        return _show(given, stop)
    except (brokers.NoBroker, Unwell) as trouble:
        print(trouble, file=sys.stderr)
        return 1


class Unwell(RuntimeError):  # noqa: N818  said in words
    """The show cannot go on; the sentence says why."""


def _given(arguments: Sequence[str] | None) -> Given | None:
    words = argparse.ArgumentParser(prog="sh demo/run", description="Mill Rise, an invented barn, watched by Warmstraw.")
    words.add_argument("--seconds", type=float, help="stop by itself after so many seconds of live barn")
    words.add_argument("--story", metavar="NAME", help="play one trouble; --list names them")
    words.add_argument("--list", action="store_true", help="name the stories and stop")
    words.add_argument("--days", type=float, default=HISTORY_DAYS, help="days of history (default: %(default)g)")
    words.add_argument("--embedded", action="store_true", help="use the embedded broker even if mosquitto is installed")
    words.add_argument("--folder", type=Path, default=HERE / "data", help="where it writes (default: demo/data)")
    words.add_argument("--seed", type=int, default=SEED, help="another seed is another spring")
    asked = words.parse_args(arguments)
    if asked.list:
        for one in STORIES:
            print(f"{one.name:<16} {one.tells}")
        return None
    story = None if asked.story is None else find(asked.story)
    if asked.story is not None and story is None:
        words.error(f"no story {asked.story!r}; there are {', '.join(s.name for s in STORIES)}")
    if asked.seconds is not None and not 0 < asked.seconds <= 7 * 86_400:
        words.error("--seconds: more than 0, at most a week")
    if not 1 <= asked.days <= 400:
        words.error("--days: 1 to 400")
    return Given(asked.seconds, story, asked.days, asked.folder.resolve(), asked.embedded, asked.seed)


# ---------------------------------------------------------------- the parts


def _show(given: Given, stop: threading.Event) -> int:
    _clear(given.folder)
    broker = brokers.start(given.folder, given.embedded)
    daemon: subprocess.Popen[bytes] | None = None
    barn: LiveBarn | None = None
    try:
        print(f"Broker: {broker.words}, port {broker.port} on loopback")
        settings, password = _settings(given, broker.port)
        loop = _past(given, settings, stop)
        if stop.is_set():
            return 0
        began_ms = int(time.time() * 1000)
        barn = LiveBarn(loop.world, broker.port, wall_now_s(loop.wall0_ms))
        daemon = _start_daemon(given.folder, settings)
        barn.start()
        _say_where(settings, password, given)
        _watch(given, settings, daemon, barn, stop, began_ms)
        barn.stop()
        code = _end(daemon)
        _tally(settings, began_ms, code)
        return code
    finally:
        if barn is not None:
            barn.stop()
        if daemon is not None:
            _end(daemon)
        broker.stop()


def _clear(folder: Path) -> None:
    """The last show's files; nothing else is touched."""
    folder.mkdir(parents=True, exist_ok=True)
    shutil.rmtree(folder / "store", ignore_errors=True)


def _settings(given: Given, broker_port: int) -> tuple[Settings, str]:
    zone = ZoneInfo("Europe/Dublin")
    hatched = datetime.fromtimestamp(time.time(), UTC).astimezone(zone).date() - timedelta(days=AGE_DAYS)
    file = given.folder / "warmstraw.toml"
    text = fill(
        {
            "broker_port": str(broker_port),
            "api_port": str(brokers.free_port()),
            "store": str(given.folder / "store"),
            "heat_kind": "steady",
            "hatched": hatched.isoformat(),
        }
    )
    file.write_text(text, encoding="utf-8")
    settings = read(str(file))
    (given.folder / "store").mkdir(exist_ok=True)
    password = secrets.token_urlsafe(9)
    set_password(settings.connections, password)
    return settings, password


def spring_world(pen: Pen, given_days: float, seed: int, start: datetime) -> World:
    """The weeks before tonight: table birds, the shed made ready, then chicks, and the lamp a little higher each week."""
    hatched_s = (given_days - AGE_DAYS) * DAY_S
    start_hour = start.hour + start.minute / 60.0
    lift = 17.5
    lamp = Lamp("steady", 250.0, lift, 1500.0)
    yard = Barnyard(
        climate=replace(SPRING, mean_c=4.5, trend_c_day=0.06, swing_c=4.5),
        start_hour=start_hour,
        days=given_days + 8,
        lamp=lamp,
        heater_on_below_c=14.0,
    )
    deeds: list[Deed] = [*chores(seed, given_days + 7, start_hour)]
    former: list[Group] = []
    ready_s = hatched_s - PREPARED_DAYS * DAY_S
    if ready_s > 0:

        def rest(world: World) -> None:
            world.barn.lamp.health = 0.0
            world.barn.litter.age_days = THEIR_LITTER_DAYS
            world.barn.litter.spill_kg_s = THEIR_DRINKER_DRIPS_KG_DAY / DAY_S

        def make_ready(world: World) -> None:
            world.barn.lamp.health, world.barn.litter.spill_kg_s = 1.0, 0.0

        deeds += [Deed(0.0, rest), Deed(ready_s, make_ready, ("note", None, None)), litter_deed(ready_s, "litter changed")]
        leave_s = ready_s - EMPTY_DAYS * DAY_S
        former = [Group(BirdClass.MEAT, -TABLE_BIRDS_AGE_DAYS * DAY_S, TABLE_BIRDS, leaves_s=leave_s)]
        deeds.append(Deed(leave_s, lambda _world: None, ("birds out", "table birds", TABLE_BIRDS), "table birds leave"))
    deeds += [d for d in rearing(hatched_s, tuple(lift - 1.0 * week for week in range(6))) if d.time_s >= 0]
    deeds.append(litter_deed(max(hatched_s, 0.0) + 13.4 * DAY_S, "litter topped", 2.0))
    world = raise_world(pen, yard, seed, hatched_s, arrives_s=hatched_s, deeds=tuple(d for d in deeds if d.time_s >= 0))
    world.flock.groups.extend(former)
    return world


def _past(given: Given, settings: Settings, stop: threading.Event) -> Loop:
    """Play the history into the store, with the story's trouble begun in time; returns the loop, level with the clock."""
    wall0_ms = int((time.time() - given.days * DAY_S) * 1000)
    start = datetime.fromtimestamp(wall0_ms / 1000, UTC).astimezone(ZoneInfo(settings.specification.timezone))
    pen = next(iter(settings.specification.pens.values()))
    world = spring_world(pen, given.days, given.seed, start)
    loop = Loop(world, settings.specification, at0=wall0_ms / 1000.0, wall0_ms=wall0_ms)
    space_out(loop, given.days * DAY_S)
    history = History(loop, Path(settings.connections.store.folder))
    now_s = wall_now_s(wall0_ms)
    began = time.monotonic()

    def unless_stopped(until_s: Callable[[], float]) -> Callable[[], float]:
        return lambda: 0.0 if stop.is_set() else until_s()

    weeks = f"{given.days / 7:.0f} weeks" if given.days >= 14 else f"{given.days:g} " + ("day" if given.days == 1 else "days")
    progress = Progress(f"Filling {weeks} of history")
    if given.story is None:
        history.play(unless_stopped(now_s), progress)
        progress.end()
        history.tidy()
    else:
        _into_the_story(given.story, loop, history, unless_stopped, now_s, progress)
    history.play(unless_stopped(now_s), lambda _percent: None)
    history.close()
    print(
        f"{history.readings:,} readings, {_count(history.fan_changes, 'fan change')}, {_count(history.alarms, 'alarm')} "
        f"of history in {time.monotonic() - began:.0f} s"
    )
    return loop


def _into_the_story(
    story: Story,
    loop: Loop,
    history: History,
    unless_stopped: Callable[[Callable[[], float]], Callable[[], float]],
    now_s: Callable[[], float],
    progress: Progress,
) -> None:
    """Leave the history a little before now, see how long the alarm takes, and begin the trouble so long before."""
    ahead_s = 2 * 3600.0
    fixed_s = now_s() - ahead_s
    history.play(unless_stopped(lambda: fixed_s), progress)
    progress.end()
    history.tidy()
    if story.live:
        at_s = now_s() + LIVE_AFTER_S + 5.0
        words = "it begins in some seconds, its alarm comes a minute or two later"
    else:
        rings_s = now_s() + 10.0 + ALARM_DUE_S
        found_s = must_begin_at_s(story, loop, rings_s)
        if found_s is None:
            raise Unwell(f"the story {story.name} rings no alarm within hours in this spring; try another --seed")
        at_s = found_s
        words = f"it began {_span(now_s() - at_s)} ago, its alarm is due in a minute or so"
    loop.world.add(deeds_of(story, at_s))
    print(f"Story {story.name}: {story.tells}; {words}")


def _span(seconds: float) -> str:
    return f"{seconds / 60:.0f} minutes" if seconds >= 120 else f"{seconds:.0f} seconds"


def _start_daemon(folder: Path, settings: Settings) -> subprocess.Popen[bytes]:
    root = HERE.parent
    log = (folder / "daemon.log").open("wb")
    environment = {**os.environ, "PYTHONPATH": str(root)}
    # In a session of its own: Ctrl-C reaches only this process, which then stops it in good order.
    daemon = subprocess.Popen(  # noqa: S603  this very Python
        [sys.executable, "-m", "monitor", "watch", "--settings", settings.file],
        cwd=root,
        env=environment,
        stdout=log,
        stderr=log,
        start_new_session=True,
    )
    log.close()
    address = f"http://{settings.connections.api.host}:{settings.connections.api.port}/healthz"
    deadline = time.monotonic() + 30.0
    while time.monotonic() < deadline:
        if daemon.poll() is not None:
            break
        try:
            with urllib.request.urlopen(address, timeout=1.0):
                return daemon
        except urllib.error.HTTPError:
            return daemon  # it answers; not well yet, but up
        except OSError:
            time.sleep(0.1)
    daemon.kill()
    daemon.wait()
    raise Unwell(f"the daemon did not come up; its last words, from {folder / 'daemon.log'}:\n{_tail(folder / 'daemon.log')}")


def _tail(file: Path, lines: int = 12) -> str:
    return "\n".join(file.read_text(errors="replace").splitlines()[-lines:])


def _say_where(settings: Settings, password: str, given: Given) -> None:
    api = settings.connections.api
    until = f"for {given.seconds:g} seconds" if given.seconds is not None else "until Ctrl-C"
    print(
        f"\n  Look at     http://{api.host}:{api.port}/\n"
        f"  Password    {password}\n"
        f"  Settings    {settings.file}\n"
        f"  Daemon log  {given.folder / 'daemon.log'}\n\n"
        f"Mill Rise is live {until}.",
        flush=True,
    )


def _watch(
    given: Given,
    settings: Settings,
    daemon: subprocess.Popen[bytes],
    barn: LiveBarn,
    stop: threading.Event,
    began_ms: int,
) -> None:
    """Print what is decided, until it is time to stop."""
    deadline = None if given.seconds is None else time.monotonic() + given.seconds
    zone = ZoneInfo(settings.specification.timezone)
    told = -1
    while not stop.is_set() and (deadline is None or time.monotonic() < deadline):
        stop.wait(1.0 if deadline is None else max(0.0, min(1.0, deadline - time.monotonic())))
        if daemon.poll() is not None:
            raise Unwell(f"the daemon has stopped by itself:\n{_tail(given.folder / 'daemon.log')}")
        if barn.trouble is not None:
            raise Unwell(f"the barn stands still: {barn.trouble}")
        with Reader(settings.connections.store.folder) as reader:
            for made in reader.decisions(from_ms=began_ms):
                if made.id > told and made.time_ms is not None:
                    told = made.id
                    clock = datetime.fromtimestamp(made.time_ms / 1000, UTC).astimezone(zone).strftime("%H:%M:%S")
                    subject = f" ({made.subject})" if made.subject else ""
                    what = (
                        f"fan {made.state}: {made.reason}"
                        if made.kind == "fan"
                        else f"{made.priority} alarm {made.what}{subject} {made.state}"
                    )
                    print(f"  {clock}  {made.pen}: {what}", flush=True)


def _line(made: Decision) -> str:
    if made.kind == "fan":
        return f"fan {made.state}, {made.reason}"
    subject = f" ({made.subject})" if made.subject else ""
    return f"{made.priority} alarm {made.what}{subject}: {made.state}"


def _end(daemon: subprocess.Popen[bytes]) -> int:
    """Stop the daemon in good order; returns its exit code."""
    if daemon.poll() is None:
        daemon.terminate()
        try:
            daemon.wait(15.0)
        except subprocess.TimeoutExpired:
            daemon.kill()
            daemon.wait()
            return 1
    return daemon.returncode


def _tally(settings: Settings, began_ms: int, code: int) -> None:
    """The one line at the end."""
    now_ms = int(time.time() * 1000)
    with Reader(settings.connections.store.folder) as reader:
        live = sum(1 for _ in reader.readings(None, began_ms, now_ms + 1000))
        made = reader.decisions(from_ms=began_ms)
        whole = reader.counts().readings
    fan = sum(1 for d in made if d.kind == "fan")
    rang = [d.what for d in made if d.kind == "alarm" and d.state == "unacknowledged"]
    names = f" ({', '.join(sorted(set(rang)))})" if rang else ""
    ended = "" if code == 0 else f"; the daemon ended with code {code}"
    print(
        f"{(now_ms - began_ms) / 1000:.0f} s live: {live} readings stored ({whole:,} in all), "
        f"{_count(fan, 'fan change')}, {_count(len(rang), 'alarm')}{names}{ended}"
    )


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}" + ("" if number == 1 else "s")


if __name__ == "__main__":
    raise SystemExit(main())
