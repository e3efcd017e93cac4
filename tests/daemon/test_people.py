"""Going on after a restart: who was told of what, and what still waits."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from monitor.daemon.going_on import loaded_state, notice_finder
from monitor.daemon.people import People
from monitor.engine.connections import Connections, Notice, Secret, Tell
from monitor.engine.specification import Priority, Specification
from monitor.engine.state import AlarmRecord, AlarmState, PenState, State
from monitor.engine.wording_english import ENGLISH
from monitor.notify import rota
from monitor.store.keep import Store

TELL = (
    Tell("Nora", Secret("json://127.0.0.1:9/a"), tuple(Priority), repeat_every_s=900.0),
    Tell("Nora", Secret("json://127.0.0.1:9/b"), tuple(Priority)),
)
SPECIFICATION = Specification("Mill Rise", "Europe/Dublin", "us", 0.0, {}, {}, {})
RECORD = AlarmRecord(
    "brooder/birds_cold",
    "birds_cold",
    "brooder",
    "",
    AlarmState.UNACKNOWLEDGED,
    Priority.URGENT,
    True,
    None,
    1000.0,
    None,
    1000.0,
    7,
)
STATE = State(at=5000.0, pens={"brooder": PenState("brooder", alarms={RECORD.key: RECORD})}, occurrences=7)


def people() -> People:
    return People(SPECIFICATION, Connections(tell=TELL), ENGLISH, lambda *_: None)


def test_after_thousands_of_notices_a_restart_still_knows_what_was_told(tmp_path: Path) -> None:
    """A long-lived outbox must not hide the newest alarm's notices behind its oldest rows."""
    with Store.open(tmp_path) as store:
        old = Notice("0/x", 1, "brooder/damp", "raised", "Nora", 0, Priority.LOW, "damp", "", 1.0, 2.0)
        store.outbox.add([replace(old, key=f"1/raised/Nora/0/{number}") for number in range(1_500)])
        first = people()
        told = first.due(STATE, 1000.0, None)
        again = first.due(STATE, 2000.0, None)
        assert [n.key for n in told + again] == ["7/raised/Nora/0/1", "7/again/Nora/0/1"]
        store.outbox.add([*told, *again])
        second = people()
        second.go_on(STATE, 2100.0, notice_finder(store))
        assert second.due(STATE, 2100.0, None) == []
        assert [n.key for n in second.due(STATE, 2901.0, None)] == ["7/again/Nora/0/2"]


def test_what_waits_to_be_sent_still_matters_before_the_first_event(tmp_path: Path) -> None:
    """Killed between the alarm's commit and its sending: the next start must not drop it as no longer needed."""
    with Store.open(tmp_path) as store:
        notices = people().due(STATE, 1000.0, None)
        store.outbox.add(notices)
        second = people()
        assert not second.matters(notices[0])
        second.go_on(STATE, 1010.0, notice_finder(store))
        assert second.matters(notices[0])


def test_whoever_was_told_by_another_channel_hears_the_all_clear(tmp_path: Path) -> None:
    """The worker's substitute is in the ledger, so that the good news goes the way that worked."""
    it = people()
    (raised,) = it.due(STATE, 1000.0, None)
    instead = replace(raised, key=rota.substitute_key(raised.key, 1), channel=1, due_at=1030.0)
    it.remember([instead])
    over = replace(RECORD, state=AlarmState.RETURNED, standing=False, changed_at=1500.0)
    state = replace(STATE, pens={"brooder": PenState("brooder", alarms={over.key: over})})
    (clear,) = it.due(state, 1500.0, None)
    assert (clear.kind, clear.channel) == ("all clear", 1)


def test_an_alarm_is_never_numbered_as_a_former_one_once_the_count_is_lost() -> None:
    """A number that came again would find its notice in the outbox as sent, and nobody would be woken."""
    assert loaded_state(None, 1_780_000_000.5, is_older=True).occurrences == 1_780_000_000
    assert loaded_state(None, 1_780_000_000.5, is_older=False).occurrences == 0
