"""The daemon put together, started, kept ticking and stopped.

Threads: the broker's network thread and the web's threads bring events; a ticker brings the seconds; a writer
commits; a dispatcher and its lanes tell people. All of them meet in `Core`, under its one lock.
"""

from __future__ import annotations

import gc
import json
import logging
import os
import signal
import socket
import sys
import threading
import time
import zlib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.api.changes import Hub
from monitor.api.links import Links, folder_of, make_link, new_setup_link
from monitor.daemon.arrivals import Arrivals
from monitor.daemon.clocks import MachineClocks
from monitor.daemon.core import Clocks, Core
from monitor.daemon.errands import Errands
from monitor.daemon.going_on import last_seen, loaded_state, notice_finder
from monitor.daemon.outboxes import BothOutboxes
from monitor.daemon.people import People
from monitor.daemon.writer import Writer, store_opener
from monitor.daemon.yard import Yard
from monitor.engine.connections import Delivery, Notice
from monitor.engine.decisions import decision, open_there
from monitor.engine.events import AlarmChanged, SwitchFan
from monitor.engine.timeline import begin
from monitor.engine.wording import loss_words, started_words, summary_title
from monitor.notify import rota
from monitor.notify.channels import Channel, open_channels
from monitor.notify.rota import Now
from monitor.notify.worker import Sayings, Worker
from monitor.settings.read import Settings
from monitor.store.failures import StoreFailing, StoreHeld
from monitor.store.keep import Store
from monitor.store.opening import Opened
from monitor.store.reader import Reader
from monitor.wire import own_topics
from monitor.wire.other_sites import OtherSites
from monitor.wire.payloads import PayloadReader
from monitor.wire.relay import command
from monitor.wire.session import Session

if TYPE_CHECKING:
    from monitor.api.server import WebServer

log = logging.getLogger(__name__)

TICK_S = 1.0
ROTA_EVERY_S = 15.0
# A thread that commits or draws a page gives the interpreter back after so long to one that has a reading to judge.
SWITCH_S = 0.001
BLINK_S = 120.0  # a stop shorter than this is not told to people as a dark time


class Daemon:
    """One site, watched from `start` to `stop`."""

    def __init__(self, settings: Settings, clocks: Clocks | None = None, monotonic: Callable[[], float] = time.monotonic) -> None:
        """Open the store and go on where the last run stopped; nothing is connected yet.

        Raises:
            StoreHeld: another daemon has this store.
            ValueError: a channel's address is wrong.
        """
        self.settings = settings
        specification, connections = settings.specification, settings.connections
        self._monotonic = monotonic
        self._clocks: Clocks = clocks if clocks is not None else MachineClocks(connections.clock == "kept")
        self._site_topic = own_topics.of_site(specification.site)
        self._stopping = threading.Event()
        self._last_tick = monotonic()
        self.hub = Hub()

        self._open = store_opener(connections.store.folder, connections.store.raw_days)
        store, trouble = self._open_store()
        saved = None if store is None else store.load()
        glance = self._clocks.glance()
        timeline, self._dark_s = begin(last_seen(saved), glance)
        self._was_clean = saved is None or saved.clean
        is_older = store is None or bool(store.opened.lost) or (saved is not None and saved.is_older)
        state = loaded_state(saved, timeline.at(glance.boottime_s), is_older)

        self._links = Links(folder_of(connections))
        self._address = connections.api.public_address or f"http://{socket.gethostname()}:{connections.api.port}"
        self.people = People(specification, connections, settings.catalogue, self._one_tap)
        if store is not None:
            self.people.go_on(state, timeline.at(glance.boottime_s), notice_finder(store))
        self.core = Core(
            specification, state, timeline, self._clocks, self._switch, self.people.due, self.hub.tell, self._publish_alarm
        )

        payloads = PayloadReader(specification)
        self.other_sites = OtherSites(own_topics.word(specification.site)) if connections.watches_yard else None
        self.arrivals = Arrivals(payloads, self.core, store, self.other_sites)
        yard_topics = [(topic, 0) for topic in own_topics.OF_THE_YARD] if connections.watches_yard else []
        self.session = Session(
            connections.broker,
            [*((topic, 1) for topic in payloads.topics), *yard_topics],
            f"{self._site_topic}/alive",
            self.arrivals.take,
            self._link_changed,
            self._session_found,
        )
        self.core.window = max(1, self.session.window // 2)
        self.writer = Writer(
            self.core,
            store,
            self._open_again,
            glance.boot_id,
            connections.store.commit_every_s,
            self._acknowledge,
            self._committed,
            monotonic,
        )
        self.outboxes = BothOutboxes(lambda: self.writer.store)
        self._reader = Reader(connections.store.folder)
        self.yard = Yard(
            settings,
            self.core,
            self.writer,
            self.session,
            self.hub,
            self._reader,
            monotonic(),
            lambda: self._last_tick,
            monotonic,
        )
        self.errands = Errands(
            settings, self.core, self.writer, self.people, self._clocks, self.yard.healthy, self._publish_answer, monotonic
        )
        self.yard.more_parts, self.yard.more_figures = self.errands.parts, self.errands.figures
        self.web: WebServer | None = None
        self._worker = self._make_worker(open_channels(connections.tell, self._publish_siren, self.errands.pictures))
        self._ticker = threading.Thread(target=self._tick_on, name="ticker", daemon=True)
        if trouble is not None:
            self.core.link("store", False, f"{trouble.cause} {trouble.advice}")

    # ------------------------------------------------------------- lifecycle

    def start(self) -> None:
        """Begin to watch: the birds first, then the page, which takes longer to load than all the rest."""
        self.writer.start()
        self.begin()
        self._worker.start()
        self.session.start()
        self._ticker.start()
        self._start_web()
        self.errands.start()

    def begin(self) -> None:
        """Tell the engine that it is watched again, and people how long it was not."""
        self.core.start(self._dark_s, self._was_clean)
        if self.settings.connections.mirror is None:
            self.core.link("mirror", True)  # of one that the settings had before, nobody will say more
        if not self._was_clean and (self._dark_s is None or self._dark_s > BLINK_S):
            self._tell_of_the_dark()
        if self.writer.store is not None:
            self._tell_of_loss(self.writer.store)

    def stop(self) -> None:
        """Say goodbye, commit, close. The fan's relay goes its own safe way when `alive` is gone."""
        self._stopping.set()
        self.hub.close()
        if self._ticker.is_alive():
            self._ticker.join(5.0)
        self.errands.stop()
        self.writer.flush()  # while the broker can still hear what is safe
        self.session.stop()
        if self.web is not None:
            self.web.stop()
        self._worker.stop()
        self.writer.stop()
        self._reader.close()

    def _start_web(self) -> None:
        from monitor.api.app import create_app, may_bind
        from monitor.api.passwords import Passwords, password_path
        from monitor.api.server import WebServer

        host, advice = may_bind(self.yard)
        if advice:
            log.warning("%s", advice)
        try:
            self.web = WebServer(create_app(self.yard, self.other_sites), host, self.settings.connections.api.port)
            self.web.start()
        except OSError as trouble:
            log.error("%s; the barn is watched without a page", trouble)
            return
        log.info("the page is at %s", self.web.address)
        if not Passwords(password_path(self.settings.connections)).is_set():
            log.warning("no password is set: run `sudo warmstraw password`")
            if sys.stderr.isatty():  # whoever sees the link sets the password: a log, which others read for weeks, never holds it
                link = new_setup_link(self._links, self.web.address, self.core.now()[0])
                print(f"or set it here, within the hour: {link}", file=sys.stderr)

    # ----------------------------------------------------------------- store

    def _open_store(self) -> tuple[Store | None, StoreFailing | None]:
        try:
            store = self._open()
        except StoreHeld:
            raise
        except StoreFailing as trouble:
            log.error("the store cannot be opened: %s %s The birds are watched; nothing is kept.", trouble.cause, trouble.advice)
            return None, trouble
        _log_loss(store.opened)
        return store, None

    def _open_again(self) -> Store:
        """For the writer, while the birds are watched."""
        store = self._open()
        try:
            self.arrivals.store_found(store)
        except BaseException:
            store.close()
            raise
        _log_loss(store.opened)
        self._tell_of_loss(store)
        return store

    # ------------------------------------------------------------------ wire

    def _link_changed(self, up: bool, why: str) -> None:
        self.core.link("broker", up, why)
        if up:
            self.errands.answers.forget()

    def _session_found(self, present: bool) -> None:
        self.core.window = max(1, self.session.window // 2)  # an older broker allows far fewer
        self.arrivals.session_found(present)

    def _acknowledge(self, deliveries: Sequence[Delivery]) -> int:
        return self.session.acknowledge(deliveries)

    def _switch(self, action: SwitchFan) -> bool:
        fan = self.settings.specification.pens[action.pen].fan
        if fan is None:
            return False
        sent = self.session.publish(fan.command_topic, command(fan, action.running, action.speed_pct))
        told = None if action.again else decision(action)
        if told is not None:
            self.session.publish(f"{self._site_topic}/{own_topics.word(action.pen)}/fan", json.dumps(told), retain=True)
        return sent

    def _publish_answer(self, payload: str) -> bool:
        return self.session.publish(f"{self._site_topic}/answer", payload, retain=True)

    def _publish_siren(self, topic: str, payload: str) -> bool:
        return self.session.publish(topic, payload, qos=1)

    def _publish_alarm(self, change: AlarmChanged) -> None:
        """For a siren or a lamp on the spot: the change, and all that stands open there, for one that joins later."""
        told = decision(change)
        if told is not None:
            told |= open_there(self.core.state, change.pen)
            pen = own_topics.word(change.pen) if change.pen else "site"
            self.session.publish(f"{self._site_topic}/{pen}/alarm", json.dumps(told), retain=True)

    # ---------------------------------------------------------------- people

    def _make_worker(self, channels: list[Channel]) -> Worker:
        specification, catalogue = self.settings.specification, self.settings.catalogue
        return Worker(
            self.outboxes,
            channels,
            self.settings.connections.tell,
            Sayings(catalogue.frame.maybe_repeat, lambda count: summary_title(specification.site, catalogue, count)),
            now=lambda: self.core.now()[0],
            matters=self.people.matters,
            on_link=lambda up, detail: self.core.link("notice", up, detail),
            on_told=lambda notice: self.core.undisturbed(lambda: self.people.remember([notice])),
            local=lambda: self.people.local(self.core.now()[1]),
            when=lambda at: self.people.when(self.core.timeline.wall_ms(at)),
            was_up=self.core.state.links.get("notice", True),
        )

    def _one_tap(self, alarm: str, occurrence: int, person: str) -> str | None:
        return make_link(self._links, self._address, alarm, occurrence, person, self.core.now()[0])

    def _committed(self, notices: Sequence[Notice]) -> None:
        if self.writer.is_failing:
            self.outboxes.memory.add(notices)
        else:
            try:
                self.outboxes.settle(self.core.now()[0])
            except StoreFailing as trouble:
                log.warning("notices stay in memory until the next commit: %s", trouble)
            if self.writer.store is not None and any(notice.kind == rota.LOSS for notice in notices):
                self.writer.store.loss_told()
        self._worker.wake()

    def _tell_of_the_dark(self) -> None:
        at, wall_ms = self.core.now()
        words = started_words(self.settings.specification, self.settings.catalogue, self._dark_s)
        name = f"{self.core.timeline.segment}-{round(at)}"
        now = Now(at, self.people.local(wall_ms))
        self.core.add_notices(rota.announce(rota.STARTED, words, self.settings.connections.tell, now, name=name))

    def _tell_of_loss(self, store: Store) -> None:
        """A store that was damaged is told to people, not only to the log: what is lost, they may still know."""
        if not store.opened.lost:
            return
        at, wall_ms = self.core.now()
        words = loss_words(self.settings.specification, self.settings.catalogue, store.opened.lost)
        now = Now(at, self.people.local(wall_ms))
        # Not by its second alone: of a backup it may come again, and with it the row of an earlier loss.
        name = f"{round(at)}-{zlib.crc32(store.opened.lost.encode()):08x}"
        notices = rota.announce(rota.LOSS, words, self.settings.connections.tell, now, name=name)
        self.core.add_notices(notices)
        if not notices:
            store.loss_told()  # nobody is to be told: it stands in the log

    # ------------------------------------------------------------------ time

    def _tick_on(self) -> None:
        next_rota = self._monotonic() + ROTA_EVERY_S
        while not self._stopping.wait(TICK_S):
            try:
                self.core.tick()
                if self._monotonic() >= next_rota:
                    next_rota = self._monotonic() + ROTA_EVERY_S
                    self.core.tell_people()
                self.errands.look()
                self._last_tick = self._monotonic()
                if not self.yard.must_restart():
                    _notify_systemd("WATCHDOG=1")
            except Exception:  # the seconds must go on
                log.exception("a tick failed; the next one comes")


def _log_loss(opened: Opened) -> None:
    if opened.set_aside is not None:
        restored = opened.recovered_from or "nothing"
        log.error("the store was damaged: it is kept as %s; restored from %s", opened.set_aside, restored)
    if opened.lost:
        log.error("lost: %s", opened.lost)


def _notify_systemd(message: str) -> None:
    """sd_notify(3), where the service manager listens."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
        sender.connect("\0" + address[1:] if address.startswith("@") else address)
        sender.sendall(message.encode())


def watch(settings: Settings) -> int:
    """Run until a signal to stop. Returns the exit code."""
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s", stream=sys.stderr)
    try:
        daemon = Daemon(settings)
    except StoreHeld as trouble:
        print(trouble, file=sys.stderr)
        return 3
    except ValueError as trouble:
        print(trouble, file=sys.stderr)
        return 2
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    sys.setswitchinterval(SWITCH_S)
    daemon.start()
    gc.freeze()  # what was loaded stays for good: nobody need look through it for garbage while a fan waits
    _notify_systemd(f"READY=1\nSTATUS=watching {len(settings.specification.pens)} pen(s)")
    log.info("watching %s from %s", settings.specification.site, Path(settings.file))
    stop.wait()
    _notify_systemd("STOPPING=1")
    log.info("stopping")
    daemon.stop()
    tally = daemon.core.tally
    log.info(
        "stopped: %d readings stored, %d fan changes, %d alarms raised",
        daemon.writer.readings_stored,
        tally.fan_changes,
        tally.alarms_raised,
    )
    return 0
