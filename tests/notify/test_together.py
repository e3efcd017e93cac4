"""The whole way: the engine's life cycle, the rota, one transaction, the worker, a real receiver and a siren."""

from __future__ import annotations

import json
import threading
import time
from datetime import time as time_of_day
from pathlib import Path
from typing import Any

from monitor.engine.alarms import Ledger
from monitor.engine.connections import Notice, Secret, Tell
from monitor.engine.events import AlarmChanged, Json
from monitor.engine.specification import Limit, Priority, Specification
from monitor.engine.state import AlarmRecord, AlarmState
from monitor.engine.view import Condition
from monitor.engine.wording import Words, all_clear_words, summary_title, words
from monitor.engine.wording_english import ENGLISH
from monitor.notify.channels import open_channels
from monitor.notify.rota import ALL_CLEAR, Now, Told, due, recall, told
from monitor.notify.worker import Sayings, Worker
from monitor.store.keep import Batch, Store

SITE = Specification("Mill Rise", "Europe/Dublin", "us", 50.0, {}, {}, {})
LIMIT = Limit(25.0, 26.0, 0.0, 0.0, Priority.URGENT, "Penn State")
EVIDENCE: dict[str, Json] = {
    "value": 23.9,
    "unit": "degC",
    "limit": 25.0,
    "source": "Penn State",
    "target_low": 29.4,
    "age_days": 13,
}


def compose(record: AlarmRecord, entry: Tell, kind: str) -> Words:
    if kind == ALL_CLEAR:
        return all_clear_words(record, SITE, ENGLISH)
    return words(record, SITE, ENGLISH, link=f"http://127.0.0.1:8720/acknowledge/{entry.person}", kind=kind)


class Pen:
    """An engine's alarm ledger, rota and store, moved by hand; the worker runs in its own threads."""

    def __init__(self, folder: Path, tell: tuple[Tell, ...]) -> None:
        self.store = Store.open(folder)
        self.tell = tell
        self.ledger: list[Told] = []
        self.records: dict[str, AlarmRecord] = {}
        self.occurrences = 0
        self.at = 0.0
        self.changes: list[AlarmChanged] = []
        self.heard: list[dict[str, Any]] = []
        self.lock = threading.Lock()
        self.worker = Worker(
            self.store.outbox,
            open_channels(tell, self._publish),
            tell,
            Sayings(ENGLISH.frame.maybe_repeat, lambda count: summary_title("Mill Rise", ENGLISH, count)),
            now=lambda: self.at,
            matters=self._matters,
            on_link=lambda up, detail: None,
        )

    def _matters(self, one: Notice) -> bool:
        record = self.records[one.alarm]
        return record.occurrence == one.occurrence and record.state is AlarmState.UNACKNOWLEDGED

    def _publish(self, topic: str, payload: str) -> bool:
        self.heard.append(json.loads(payload))
        return True

    def moment(self, at: float, signal: bool | None = None, value: float = 23.9, answered_by: str = "") -> None:
        """One step of the engine's alarms, what is due, both in one transaction, then the worker is woken."""
        self.at = at
        ledger = Ledger.open("brooder", self.records, at, None, self.occurrences)
        if signal is not None:
            ledger.weigh(
                Condition("birds_cold", "", signal, LIMIT, lambda: EVIDENCE | {"value": value}, Priority.URGENT, value=value)
            )
        if answered_by:
            ledger.acknowledge("brooder/birds_cold", answered_by)
        self.records, self.occurrences = ledger.records, ledger.occurrences
        notices = due(self.records.values(), self.ledger, self.tell, Now(at, time_of_day(2, 10)), compose)
        self.ledger += map(told, notices)
        self.store.commit(Batch((), (), tuple(ledger.changes), (), notices, "{}", at, None, 1, "boot", at, True))
        self.worker.wake()

    @property
    def is_settled(self) -> bool:
        """Is every notice written down as sent?"""
        return not self.store.outbox.rows("waiting") and not self.store.outbox.rows("sending")

    def close(self) -> None:
        self.worker.stop()
        self.store.close()


def until(condition: Any, seconds: float = 10.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, "not so in time"
        time.sleep(0.005)


def test_one_cold_night_from_the_first_ring_to_the_all_clear(tmp_path: Path, receiver: Any) -> None:
    """Raised, escalated, answered, over: each message once, in the keeper's words, the siren silenced by the answer."""
    tell = (
        Tell("Ada", Secret(receiver.address), (Priority.URGENT,)),
        Tell("yard", Secret("mqtt:yard/siren"), (Priority.URGENT,)),
        Tell("Bea", Secret(f"json://127.0.0.1:{receiver.port}/bea"), (Priority.URGENT,), order=1),
    )
    pen = Pen(tmp_path, tell)
    pen.worker.start()
    pen.moment(100.0, signal=True)
    until(lambda: len(receiver.taken) == 1 and len(pen.heard) == 1)
    until(lambda: pen.is_settled)  # before the clock moves on: an answer still under way would count as a failing channel
    first = receiver.taken[0]
    assert first["title"] == "Brooder 75 °F, wanted 85: birds too cold"
    assert "Tap to say you have it: http://127.0.0.1:8720/acknowledge/Ada" in first["message"]
    for minute in range(1, 10):
        pen.moment(100.0 + 60 * minute, signal=True, value=23.0)
    pen.moment(700.0, signal=True)
    until(lambda: len(receiver.taken) == 2)
    until(lambda: pen.is_settled)
    assert receiver.taken[1]["path"] == "/bea"
    assert "The others told before you have not answered." in receiver.taken[1]["message"]
    pen.moment(760.0, signal=True, answered_by="Bea")
    until(lambda: [said["kind"] for said in pen.heard] == ["raised", "acknowledged"])
    until(lambda: pen.is_settled)
    for minute in range(60):
        pen.moment(800.0 + 60 * minute, signal=True)
    pen.moment(4500.0, signal=False, value=29.0)
    until(lambda: len(receiver.taken) == 4 and len(pen.heard) == 3)
    assert [record.state for record in pen.records.values()] == [AlarmState.NORMAL]
    assert sorted(receiver.titles()[2:]) == ["Brooder warm enough again"] * 2
    assert receiver.taken[3]["message"] == "Too cold for 1 h 13 min, lowest 73 °F."
    assert [said["kind"] for said in pen.heard] == ["raised", "acknowledged", "all clear"]
    assert len(receiver.record()) == 4
    pen.close()


def test_after_a_restart_nothing_is_told_again(tmp_path: Path, receiver: Any) -> None:
    """The same state, a new rota: recalled from the outbox it is silent until the next repeat is due."""
    tell = (Tell("Ada", Secret(receiver.address), (Priority.URGENT,)),)
    pen = Pen(tmp_path, tell)
    pen.worker.start()
    pen.moment(100.0, signal=True)
    until(lambda: len(receiver.taken) == 1)
    pen.close()
    again = Pen(tmp_path, tell)
    again.records, again.occurrences, again.at = pen.records, pen.occurrences, 160.0

    def find(key: str) -> Notice | None:
        row = again.store.outbox.find(key)
        return None if row is None else row.notice

    again.ledger = recall(again.records.values(), tell, 160.0, find)
    again.worker.start()
    again.moment(160.0, signal=True)
    again.moment(999.0, signal=True)
    assert again.store.outbox.rows("waiting") == []
    again.moment(1000.0, signal=True)
    until(lambda: len(receiver.taken) == 2)
    assert "Still so, nobody has it yet." in receiver.taken[1]["message"]
    again.close()
