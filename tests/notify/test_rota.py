"""Who hears of it, when, and again: nobody twice for one thing, nobody asleep for little, never silence for much."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.engine.connections import Notice, Secret, Tell
from monitor.engine.specification import Priority
from monitor.engine.state import AlarmRecord, AlarmState
from monitor.engine.wording import Words
from monitor.notify.rota import ALARMING, Now, Told, announce, due, held_for_s, is_held, recall, told

EVERY = tuple(Priority)
KEEPER = Tell(
    "Ada", Secret("json://push"), EVERY, hours=("06:30", "21:30"), repeat_every_s=900, escalate_after_s=600, reports=True
)
KEEPER_MAIL = replace(KEEPER, channel=Secret("mailto://ada"))
NEIGHBOUR = Tell("Bea", Secret("json://bea"), (Priority.URGENT, Priority.HIGH), order=1, escalate_after_s=600)
COUSIN = Tell("Cid", Secret("json://cid"), (Priority.URGENT,), order=2)
SIREN = Tell("yard", Secret("mqtt:millrise/siren"), (Priority.URGENT,))
TELL = (KEEPER, KEEPER_MAIL, NEIGHBOUR, COUSIN, SIREN)
DAY, NIGHT = time(12, 0), time(2, 10)


def alarm(
    priority: Priority = Priority.URGENT, state: AlarmState = AlarmState.UNACKNOWLEDGED, occurrence: int = 7
) -> AlarmRecord:
    return AlarmRecord("brooder/birds_cold", "birds_cold", "brooder", "", state, priority, raised_at=0.0, occurrence=occurrence)


def compose(record: AlarmRecord, entry: Tell, kind: str) -> Words:
    return Words(f"{kind} {record.name}", f"to {entry.person}")


class Barn:
    """A rota with its ledger, asked once a minute."""

    def __init__(self, tell: tuple[Tell, ...] = TELL) -> None:
        self.tell = tell
        self.ledger: list[Told] = []

    def ask(self, record: AlarmRecord, minute: float, local: time | None = DAY) -> list[tuple[str, str]]:
        notices = due([record], self.ledger, self.tell, Now(minute * 60, local), compose)
        self.ledger += [told(notice) for notice in notices]
        return [(notice.kind, notice.person) for notice in notices]


def test_an_unanswered_urgent_alarm_walks_the_rota() -> None:
    """Keeper and siren at once, the keeper again every quarter hour, the neighbour after ten minutes, the cousin after twenty."""
    barn = Barn()
    table = {minute: said for minute in range(31) if (said := sorted(barn.ask(alarm(), minute, NIGHT)))}
    # minute | what is told
    assert table == {
        0: [("raised", "Ada"), ("raised", "yard")],
        10: [("escalated", "Bea")],
        15: [("again", "Ada"), ("again", "yard")],
        20: [("escalated", "Cid")],
        25: [("again", "Bea")],
        30: [("again", "Ada"), ("again", "yard")],
    }


def test_a_person_with_two_channels_is_told_by_the_first() -> None:
    """One trouble is one call; the second channel is for when the first fails."""
    notices = due([alarm()], [], TELL, Now(0.0, DAY), compose)
    assert [notice.channel for notice in notices if notice.person == "Ada"] == [0]


def test_an_answer_stops_repeats_and_escalation_and_silences_the_siren() -> None:
    """Once somebody has it, nobody else is woken and the siren is told so, once."""
    barn = Barn()
    barn.ask(alarm(), 0)
    acknowledged = alarm(state=AlarmState.ACKNOWLEDGED)
    assert barn.ask(acknowledged, 5) == [("acknowledged", "yard")]
    assert [barn.ask(acknowledged, minute) for minute in range(6, 90)] == [[]] * 84


@pytest.mark.parametrize("state", [AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE])
def test_what_is_put_aside_or_covered_by_its_cause_is_silent(state: AlarmState) -> None:
    """A consequence suppressed by design rings nobody, before or after its cause was told."""
    barn = Barn()
    assert barn.ask(alarm(state=state), 0) == []
    barn.ask(alarm(), 1)
    assert barn.ask(alarm(state=state), 60) == []


@pytest.mark.parametrize("state", [AlarmState.RETURNED, AlarmState.NORMAL])
def test_the_all_clear_goes_once_to_those_who_were_told(state: AlarmState) -> None:
    """Who was worried hears that it is over; who was never told hears nothing."""
    barn = Barn()
    barn.ask(alarm(), 0)
    assert sorted(barn.ask(alarm(state=state), 4)) == [("all clear", "Ada"), ("all clear", "yard")]
    assert barn.ask(alarm(state=state), 5) == []


def test_the_all_clear_takes_the_channel_that_reached_the_person() -> None:
    """Push failed and mail took it, the siren sounded instead of nobody: both hear the all clear, push does not."""
    ledger = [
        Told("7/raised/Ada/0/1", 7, "raised", 0, 0.0),
        Told("7/raised/Ada/0/1/by/1", 7, "raised", 1, 20.0),
        Told("7/raised/Ada/0/1/by/4", 7, "raised", 4, 40.0),
    ]
    over = due([alarm(state=AlarmState.NORMAL)], ledger, TELL, Now(60.0, DAY), compose)
    assert [(notice.person, notice.channel) for notice in over] == [("Ada", 1), ("yard", 4)]
    assert due([alarm(state=AlarmState.NORMAL)], [*ledger, *map(told, over)], TELL, Now(90.0, DAY), compose) == []


def test_who_was_told_by_a_substitute_is_not_told_anew_by_the_rota() -> None:
    """Bea was told at once because nothing reached Ada: ten minutes later she is not escalated to as well."""
    ledger = [Told("7/raised/Ada/0/1", 7, "raised", 0, 0.0), Told("7/raised/Ada/0/1/by/2", 7, "raised", 2, 20.0)]
    later = due([alarm()], ledger, TELL, Now(640.0, DAY), compose)
    assert [(n.kind, n.person) for n in later] == [("raised", "yard"), ("escalated", "Cid")]


def test_trouble_that_came_and_went_untold_stays_untold() -> None:
    """Damp at night, dry again before morning: nobody hears of it by itself."""
    barn = Barn()
    assert barn.ask(alarm(Priority.MEDIUM), 0, NIGHT) == []
    assert barn.ask(alarm(Priority.MEDIUM, AlarmState.NORMAL), 60, time(7, 0)) == []


@pytest.mark.parametrize("priority", [Priority.LOW, Priority.MEDIUM])
def test_quiet_hours_hold_little_things_until_morning(priority: Priority) -> None:
    """Low and medium wait for half past six, then are told."""
    barn = Barn()
    assert barn.ask(alarm(priority), 0, NIGHT) == []
    assert barn.ask(alarm(priority), 259, time(6, 29)) == []
    assert barn.ask(alarm(priority), 260, time(6, 30)) == [("raised", "Ada")]


def test_an_unknown_hour_holds_nothing_back() -> None:
    """With a clock that is not trusted the keeper is told rather than not."""
    assert Barn().ask(alarm(Priority.LOW), 0, None) == [("raised", "Ada")]


@pytest.mark.parametrize(
    ("hours", "local", "wait_s"),
    [
        (("06:30", "21:30"), time(6, 29, 59), 1),
        (("06:30", "21:30"), time(21, 30), 9 * 3600),
        (("22:00", "06:00"), time(23, 0), 0),  # a night worker's hours pass midnight
        (("22:00", "06:00"), time(12, 0), 10 * 3600),
        (("00:00", "00:00"), time(3, 0), 0),  # all day
        (None, time(3, 0), 0),
        (("25:00", "late"), time(3, 0), 0),  # unreadable hours hold nothing back
    ],
)
def test_hours_may_pass_midnight(hours: tuple[str, str] | None, local: time, wait_s: float) -> None:
    """The seconds until a person's hours begin are right on both sides of midnight."""
    assert held_for_s(replace(KEEPER, hours=hours), local) == wait_s


def test_little_things_are_repeated_rarely() -> None:
    """Medium comes again after four hours, low after a day, so that the keeper goes on listening."""
    for priority, hours in ((Priority.MEDIUM, 4), (Priority.LOW, 24)):
        barn = Barn()
        barn.ask(alarm(priority), 0)
        assert barn.ask(alarm(priority), hours * 60 - 1) == []
        assert barn.ask(alarm(priority), hours * 60) == [("again", "Ada")]


def test_after_a_long_dark_time_one_repeat_is_told_not_forty() -> None:
    """Ten hours off make one repeat, numbered after the last."""
    barn = Barn()
    barn.ask(alarm(), 0)
    notices = due([alarm()], barn.ledger, TELL, Now(36000.0, DAY), compose)
    assert [notice.key for notice in notices if notice.person == "Ada"] == ["7/again/Ada/0/1"]


def test_asked_twice_with_the_same_ledger_the_keys_are_the_same() -> None:
    """A daemon killed before its commit computes the very same notices again."""
    first = due([alarm()], [], TELL, Now(0.0, DAY), compose)
    second = due([alarm()], [], TELL, Now(3.0, DAY), compose)
    assert [notice.key for notice in first] == [notice.key for notice in second] == ["7/raised/Ada/0/1", "7/raised/yard/4/1"]


def test_urgent_comes_before_the_rest() -> None:
    """In one answer the notice that wakes someone stands in front."""
    records = [alarm(Priority.LOW, occurrence=1), alarm(Priority.URGENT, occurrence=2), alarm(Priority.MEDIUM, occurrence=3)]
    assert [n.priority for n in due(records, [], (KEEPER,), Now(0, DAY), compose)] == ["urgent", "medium", "low"]


def test_a_morning_line_goes_to_those_who_asked_and_in_their_hours() -> None:
    """Reports go once to each person who wants them; before their hours they wait."""
    notices = announce("report", Words("Night fine", ""), TELL, Now(100.0, time(6, 0)), name="2026-03-25")
    assert [(n.person, n.channel, n.due_at) for n in notices] == [("Ada", 0, 100.0 + 1800)]
    started = announce("started", Words("Back", ""), TELL, Now(100.0, DAY), name="3", priority=Priority.MEDIUM)
    assert [(n.person, n.due_at) for n in started] == [("Ada", 100.0)]


def test_after_a_start_the_ledger_is_found_again_in_the_outbox() -> None:
    """Restarted after two hours of repeats the rota goes on where it was: nothing again before its time."""
    barn, written = Barn(), {}
    for minute in range(120):
        notices = due([alarm()], barn.ledger, TELL, Now(minute * 60.0, NIGHT), compose)
        barn.ledger += map(told, notices)
        written.update({notice.key: notice for notice in notices})
    by_mail = replace(written["7/raised/Ada/0/1"], key="7/raised/Ada/0/1/by/1", channel=1)
    written[by_mail.key] = by_mail
    barn.ledger.append(told(by_mail))
    found = recall([alarm()], TELL, 119 * 60.0, written.get)
    assert sorted(found, key=str) == sorted(barn.ledger, key=str)
    over = alarm(state=AlarmState.NORMAL)
    cleared = due([over], found, TELL, Now(120 * 60.0, NIGHT), compose)
    assert {notice.person for notice in cleared} == {"Ada", "Bea", "Cid", "yard"}
    written.update({notice.key: notice for notice in cleared})
    assert due([over], recall([over], TELL, 121 * 60.0, written.get), TELL, Now(121 * 60.0, NIGHT), compose) == []


TELLS = st.lists(
    st.builds(
        Tell,
        st.sampled_from(["Ada", "Bea", "Cid"]),
        st.sampled_from([Secret("json://a"), Secret("mailto://b"), Secret("mqtt:s")]),
        st.lists(st.sampled_from(EVERY), min_size=1, unique=True).map(tuple),
        st.none() | st.just(("07:00", "21:00")) | st.just(("22:00", "06:00")),
        st.integers(0, 2),
        st.sampled_from([60.0, 600.0]),
        st.sampled_from([120.0, 900.0]),
    ),
    min_size=1,
    max_size=5,
).map(tuple)
STORY = st.lists(
    st.tuples(st.floats(1, 4000), st.sampled_from(AlarmState), st.sampled_from(EVERY), st.none() | st.times(), st.integers(0, 1)),
    min_size=1,
    max_size=25,
)


def play(tell: tuple[Tell, ...], story: Iterable[tuple[float, AlarmState, Priority, time | None, int]]) -> list[Notice]:
    at = 0.0
    ledger: list[Told] = []
    notices: list[Notice] = []
    for step_s, state, priority, local, raised_anew in story:
        at += step_s
        record = alarm(priority, state, 1 + raised_anew)
        new = due([record], ledger, tell, Now(at, local), compose)
        for notice in new:
            assert state is AlarmState.UNACKNOWLEDGED or notice.kind not in ALARMING
            assert not (notice.kind in ALARMING and is_held(tell[notice.channel], priority, local))
        assert due([record], [*ledger, *map(told, new)], tell, Now(at, local), compose) == []
        ledger += map(told, new)
        notices += new
        if state is AlarmState.UNACKNOWLEDGED and priority is Priority.URGENT:
            first = min((e.order for e in tell if priority in e.priorities), default=None)
            for person in {e.person for e in tell if e.order == first and priority in e.priorities}:
                lines = [n for n in notices if n.occurrence == record.occurrence and n.person == person and n.kind in ALARMING]
                assert lines, f"{person} was never told of an urgent alarm"
                assert at - lines[-1].due_at < max(e.repeat_every_s for e in tell)
    return notices


@settings(max_examples=150)
@given(TELLS, STORY)
def test_never_twice_by_one_key_and_never_silent_on_an_urgent_one(
    tell: tuple[Tell, ...], story: list[tuple[float, AlarmState, Priority, time | None, int]]
) -> None:
    """Through any story: keys never repeat, quiet hours never hold urgent, and only unacknowledged alarms ring."""
    keys = [notice.key for notice in play(tell, story)]
    assert len(keys) == len(set(keys))
