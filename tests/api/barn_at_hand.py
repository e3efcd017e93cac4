"""A barn the tests hold in their hand: the real engine and the real store, without a broker, on a clock that tests turn."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace
from datetime import date
from pathlib import Path

from monitor.api.changes import Hub, Listener
from monitor.daemon.measured_air import measured_air
from monitor.daemon.weeks import picture, week
from monitor.engine.connections import ApiAddress, Connections, StoreKeeping
from monitor.engine.events import AlarmChanged, Event, FanReport, JournalEntry, Json, Keep, Reading, SwitchFan, Tick
from monitor.engine.saving import load, save
from monitor.engine.specification import Measure, Place, Specification
from monitor.engine.state import State
from monitor.engine.step import step
from monitor.store.keep import Batch, Store
from monitor.store.reader import Reader
from tests.engine.barns import START, START_MS, fan, pen, sensor, site


def mill_rise(units: str = "us") -> Specification:
    """Two pens: chicks under a lamp with every sensor, and a house with few."""
    brooder = pen(
        "brooder",
        sensors=(
            sensor("chick height", Measure.TEMPERATURE, Place.BIRD_LEVEL),
            sensor("chick height two", Measure.TEMPERATURE, Place.BIRD_LEVEL),
            sensor("room", Measure.TEMPERATURE, Place.ROOM),
            sensor("damp", Measure.HUMIDITY, Place.ROOM),
            sensor("nose", Measure.AMMONIA, Place.BIRD_LEVEL),
            sensor("breath", Measure.CARBON_DIOXIDE, Place.ROOM),
            sensor("yard", Measure.TEMPERATURE, Place.OUTSIDE),
            sensor("mains", Measure.MAINS, Place.ROOM),
        ),
    )
    house = pen(
        "hen house",
        sensors=(
            sensor("perch", Measure.TEMPERATURE, Place.BIRD_LEVEL, "hen house"),
            sensor("nose", Measure.AMMONIA, Place.BIRD_LEVEL, "hen house"),
        ),
        the_fan=fan(command_topic="test/hen house/fan/set", variable=True, report_topic=None),
    )
    return replace(site(brooder, house), units=units)


KEEPER = "a long enough word"
NEIGHBOUR = "only for looking"
TOKEN = "0123456789abcdef"

WELL: dict[str, float] = {
    "brooder/chick height": 31.0,
    "brooder/chick height two": 31.6,
    "brooder/room": 22.0,
    "brooder/damp": 62.0,
    "brooder/nose": 8.0,
    "brooder/breath": 1400.0,
    "brooder/yard": 4.0,
    "brooder/mains": 1.0,
    "hen house/perch": 31.5,
    "hen house/nose": 6.0,
}


class BarnAtHand:
    """The Protocol `Barn`, judged by the real engine and kept in a real store."""

    def __init__(
        self, folder: Path, specification: Specification | None = None, *, token_file: Path | None = None, host: str = "127.0.0.1"
    ) -> None:
        self.specification = specification or mill_rise()
        self.connections = Connections(
            store=StoreKeeping(folder=str(folder)), api=ApiAddress(host=host, token_file=str(token_file) if token_file else None)
        )
        self.hub = Hub()
        self.at = START
        self.trusted = True
        self.health: tuple[bool, dict[str, str]] = (True, {"broker": "answers"})
        self.told: dict[str, Json] = {}
        self.asked: list[tuple[str, object]] = []
        self.relay_obeys = True
        self._keeps: list[Keep] = []
        self._decisions: list[SwitchFan | AlarmChanged] = []
        self._journal: list[JournalEntry] = []
        self._store = Store.open(folder)
        self._reader = Reader(folder)
        self._lock = threading.RLock()
        self._state = State()
        if self._store.load() is None:
            self.take(Tick(self.at, self.wall_ms))

    # ------------------------------------------------------------- what tests do

    @property
    def wall_ms(self) -> int | None:
        return round(self.at * 1000) - round(START * 1000) + START_MS if self.trusted else None

    def take(self, *events: Event) -> None:
        """Judge these events in order and keep everything at once."""
        with self._lock:
            for event in events:
                self._judge(event)
            self._commit()

    def _judge(self, event: Event) -> None:
        self._state, actions = step(self._state, event, self.specification)
        if isinstance(event, JournalEntry):
            self._journal.append(event)
        for action in actions:
            if isinstance(action, Keep):
                self._keeps.append(action)
                continue
            if not (isinstance(action, SwitchFan) and action.again):
                self._decisions.append(action)
            if isinstance(action, SwitchFan) and self.relay_obeys:
                self._judge(FanReport(event.at, event.wall_ms, action.pen, action.running, action.speed_pct))

    def _commit(self) -> None:
        state = save(self._state)
        batch = Batch(self._keeps, (), self._decisions, self._journal, (), state, self.at, self.wall_ms, 1, "boot", self.at, True)
        self._store.commit(batch)
        self._keeps, self._decisions, self._journal = [], [], []
        for name in ("", *self.specification.pens):
            self.hub.tell(name)

    def wake_at(self, at: float) -> None:
        """Go on from what the store remembers, at this second."""
        saved = self._store.load()
        assert saved is not None
        assert saved.state is not None
        self._state, self.at = load(saved.state), at

    def hear(self, values: dict[str, float]) -> None:
        """One reading of each of these sensors, now."""
        self.take(*(Reading(self.at, self.wall_ms, key, value) for key, value in values.items()))

    def pass_time(
        self, seconds: float, values: dict[str, float] | Callable[[float], dict[str, float]] | None = None, tick_s: float = 5.0
    ) -> None:
        """Let time pass; with `values` (of the second since the start), each of those sensors speaks every 30 s or tick."""
        end = self.at + seconds
        with self._lock:
            while self.at < end:
                self.at = min(end, self.at + tick_s)
                self._judge(Tick(self.at, self.wall_ms))
                if values is None or (self.at - START) % 30:
                    continue
                for key, value in (values(self.at - START) if callable(values) else values).items():
                    self._judge(Reading(self.at, self.wall_ms, key, value))
            self._commit()

    def foresee(self, pen: str, low_c: float, from_c: float, to_c: float, outside_low_c: float | None) -> None:
        """As if this had been foreseen at nine this evening, from seven nights; until the engine says otherwise."""
        known = self._state.pens[pen]
        night: Json = {"outlook": [low_c, from_c, to_c, outside_low_c, 21, self.at, 7]}
        memory = {**known.memory, "night": night}
        self._state = replace(self._state, pens={**self._state.pens, pen: replace(known, memory=memory)})

    def close(self) -> None:
        self.hub.close()
        self._reader.close()
        self._store.close()

    # ------------------------------------------------------------ what the API asks

    def state(self) -> State:
        return self._state

    def now(self) -> tuple[float, int | None]:
        return self.at, self.wall_ms

    def act(self, event: Event) -> State:
        self.take(event)
        return self._state

    def reader(self) -> Reader:
        return self._reader

    def healthy(self) -> tuple[bool, dict[str, str]]:
        return self.health

    def figures(self) -> dict[str, float]:
        return {"readings_stored_total": 12.0, "queue_waiting": 0.0}

    def listen(self) -> AbstractContextManager[Listener]:
        return self.hub.listen()

    def ventilation(self, pen: str) -> Json:
        return self.told.get("ventilation", {"pen": pen})

    def bedding(self, pen: str) -> Json:
        return self.told.get("bedding", {"pen": pen, "periods": []})

    def air_changes(self, pen: str) -> Json:
        now_ms = self.now()[1]
        assert now_ms is not None
        return measured_air(self.specification, pen, self.reader(), now_ms)

    def week_picture(self, pen: str, day: date) -> str:
        return picture(self.specification, self.state(), week(self.specification, self.reader(), pen, day), day)

    def calendar(self) -> Json:
        return self.told.get("calendar", [])

    def resolved(self) -> Json:
        return self.told.get("resolved", {"site": self.specification.site})

    def rehearse(self, pen: str, limits: dict[str, dict[str, float]], days: float) -> Json:
        self.asked.append((pen, (limits, days)))
        return self.told.get("rehearsal", {"sentence": "No readings are stored for those days."})
