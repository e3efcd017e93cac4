"""The outbox worker against real receivers and the real outbox: early, once, and nothing that matters lost."""

from __future__ import annotations

import itertools
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

import pytest

from monitor.engine.connections import Notice, Secret, Tell
from monitor.engine.specification import Priority
from monitor.engine.wording import Words
from monitor.notify.channels import Channel, Outcome, open_channels
from monitor.notify.outbox import MemoryOutbox
from monitor.notify.policy import FOREVER, UNCERTAIN
from monitor.notify.rota import LOSS, Now, announce
from monitor.notify.worker import MOST_ABANDONED, STUCK_S, Sayings, Worker
from monitor.store.keep import Store

EVERY = tuple(Priority)
SAYINGS = Sayings("May be a repeat.", lambda count: f"{count} earlier messages, late")
HOUR = 3600.0


def notice(
    number: int,
    kind: str = "raised",
    priority: Priority = Priority.URGENT,
    channel: int = 0,
    person: str = "Ada",
    due_at: float = 0.0,
    stale_after: float = 2 * HOUR,
) -> Notice:
    key = f"{number}/{kind}/{person}/{channel}/1"
    return Notice(
        key, number, "brooder/birds_cold", kind, person, channel, priority, f"Matter {number}", "body", due_at, stale_after
    )


class Desk:
    """A worker driven turn by turn under a clock that the test moves."""

    def __init__(self, outbox: Any, tell: tuple[Tell, ...], channels: list[Channel] | None = None) -> None:
        self.at = 0.0
        self.over: set[int] = set()  # occurrences that nobody needs to hear of any more
        self.links: list[tuple[bool, str]] = []
        self.told: list[Notice] = []
        self.published: list[tuple[str, str]] = []
        self.outbox = outbox
        opened = channels if channels is not None else open_channels(tell, self._publish)
        self.worker = Worker(
            outbox,
            opened,
            tell,
            SAYINGS,
            now=lambda: self.at,
            matters=lambda one: one.occurrence not in self.over,
            on_link=lambda up, detail: self.links.append((up, detail)),
            on_told=self.told.append,
            when=lambda at: f"{at / HOUR:.0f} h",
            dice=Random(1),
        )

    def _publish(self, topic: str, payload: str) -> bool:
        self.published.append((topic, payload))
        return True

    def turn(self, seconds: float = 10.0) -> None:
        """Step until nothing is on its way and nothing more can go out at this instant."""
        deadline = time.monotonic() + seconds
        quiet = 0
        while quiet < 3:
            assert time.monotonic() < deadline, "the worker did not come to rest"
            self.worker.step()
            if self.worker.is_busy:
                quiet = 0
                time.sleep(0.002)
            else:
                quiet += 1

    def run(self, seconds: float, every_s: float) -> None:
        for _ in range(round(seconds / every_s)):
            self.at += every_s
            self.turn()


def ada(address: str) -> Tell:
    return Tell("Ada", Secret(address), EVERY)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    it = Store.open(tmp_path)
    yield it
    it.close()


def test_what_was_taken_is_never_sent_again(store: Store, receiver: Any) -> None:
    """Each of twenty notices arrives once, urgent first, and the row keeps the provider's answer and time."""
    desk = Desk(store.outbox, (ada(receiver.address),))
    store.outbox.add([notice(n, priority=Priority.LOW) for n in range(1, 20)] + [notice(20)])
    desk.turn()
    desk.run(HOUR, 60)
    assert receiver.titles() == ["Matter 20", *(f"Matter {n}" for n in range(1, 20))]
    row = store.outbox.find("20/raised/Ada/0/1")
    assert row is not None
    assert row.status == "sent"
    assert row.answer.startswith(f"json://127.0.0.1:{receiver.port}: ")


def test_a_refused_notice_is_tried_again_with_growing_pauses_until_taken(store: Store, receiver: Any) -> None:
    """Refused for half an hour: about five, ten, twenty … seconds apart, at most two minutes; then it arrives once."""
    receiver.mode = "refuse"
    desk = Desk(store.outbox, (ada(receiver.address),))
    store.outbox.add([notice(1)])
    tried = []
    for _ in range(1800):
        desk.at += 1
        before = receiver.asked
        desk.turn()
        if receiver.asked > before:
            tried.append(desk.at)
    pauses = [later - earlier for earlier, later in itertools.pairwise(tried)]
    assert 3 <= pauses[0] <= 8
    assert pauses == sorted(pauses[:4]) + pauses[4:]
    assert 85 <= max(pauses) <= 151
    receiver.mode = "take"
    desk.run(300, 1)
    assert receiver.titles() == ["Matter 1"]


def test_an_urgent_notice_passes_a_hundred_others_within_two_seconds(store: Store, receiver: Any, second_receiver: Any) -> None:
    """With a hundred queued, half of them on a channel that hangs, the urgent one is handed over in under 2 s."""
    second_receiver.mode = "hang"
    tell = (ada(receiver.address), Tell("Bea", Secret(second_receiver.address), EVERY))
    began = time.monotonic()
    worker = Worker(
        store.outbox, open_channels(tell, lambda topic, payload: True), tell, SAYINGS,
        now=lambda: time.monotonic() - began, matters=lambda one: True, on_link=lambda up, detail: None,
    )  # fmt: skip
    queued = [notice(n, priority=Priority.MEDIUM, channel=n % 2, person=("Ada", "Bea")[n % 2]) for n in range(1, 101)]
    store.outbox.add(queued)
    worker.start()
    deadline = began + 10
    while receiver.asked < 3 and time.monotonic() < deadline:
        time.sleep(0.002)
    written = time.monotonic()
    store.outbox.add([notice(500, due_at=written - began)])
    worker.wake()
    while "Matter 500" not in receiver.titles() and time.monotonic() < deadline:
        time.sleep(0.002)
    assert "Matter 500" in receiver.titles()
    assert time.monotonic() - written < 2.0
    worker.stop()


def test_a_lost_answer_is_sent_again_under_the_same_id_and_says_so(store: Store, receiver: Any) -> None:
    """The receiver took it and never answered: the next attempt says that it may be a repeat; by id it is one notice."""
    receiver.mode = "take and hang"
    desk = Desk(store.outbox, (ada(receiver.address),))
    store.outbox.add([notice(1)])
    desk.turn()
    row = store.outbox.find("1/raised/Ada/0/1")
    assert row is not None
    assert row.answer.startswith(UNCERTAIN)
    receiver.mode = "take"
    desk.run(30, 1)
    assert [body["message"] for body in receiver.taken] == ["body", "May be a repeat.\nbody"]
    assert len(receiver.record()) == 1


def test_a_refusal_after_a_lost_answer_does_not_make_it_forget_that_it_may_be_a_repeat(store: Store, receiver: Any) -> None:
    """Taken without an answer, then refused, then taken: it rings twice, and the second says that it may be a repeat."""
    receiver.mode = "take and hang"
    desk = Desk(store.outbox, (ada(receiver.address),))
    store.outbox.add([notice(1)])
    desk.turn()
    receiver.mode = "refuse"
    desk.run(20, 1)
    receiver.mode = "take"
    desk.run(60, 1)
    answers = [attempt.answer.startswith(UNCERTAIN) for attempt in store.outbox.attempts("1/raised/Ada/0/1")]
    assert answers == [True] * (len(answers) - 1) + [False]
    assert len(answers) >= 3
    assert [body["message"] for body in receiver.taken] == ["body", "May be a repeat.\nbody"]


def test_what_a_damaged_store_lost_is_told_again_after_a_lost_answer(store: Store, receiver: Any) -> None:
    """The answer is lost, or the daemon killed before it came: told again as a possible repeat, for nothing else will say it."""
    words = Words("Mill Rise: the store was damaged", "What came after noon is lost.")
    (lost,) = announce(LOSS, words, (ada(receiver.address),), Now(0.0, None), name="7")
    receiver.mode = "refuse"
    store.outbox.add([lost])
    store.outbox.sending(lost.key, 0.0)  # the last run ended here
    desk = Desk(store.outbox, (ada(receiver.address),))
    desk.turn()
    receiver.mode = "take and hang"
    desk.run(30, 10)
    assert receiver.taken
    receiver.mode = "take"
    desk.run(HOUR, 60)
    assert [body["message"] for body in receiver.taken] == [f"May be a repeat.\n{words.message}"] * 2
    assert len(receiver.record()) == 1
    row = store.outbox.find(lost.key)
    assert row is not None
    assert row.status == "sent"


def test_good_news_with_a_lost_answer_is_not_repeated(store: Store, receiver: Any) -> None:
    """A doubted all clear is worse than a lost one: it is tried once."""
    receiver.mode = "take and hang"
    desk = Desk(store.outbox, (ada(receiver.address),))
    store.outbox.add([notice(1, kind="all clear", priority=Priority.HIGH)])
    desk.turn()
    receiver.mode = "take"
    desk.run(HOUR, 60)
    assert len(receiver.taken) == 1


def test_a_failing_channel_falls_to_the_persons_next_then_to_the_siren(store: Store, receiver: Any, mailbox: Any) -> None:
    """Push refuses: mail gets it within seconds, once; push gets nothing more. Mail fails too: the siren sounds."""
    box, mail = mailbox
    tell = (ada(receiver.address), ada(mail), Tell("yard", Secret("mqtt:yard/siren"), (Priority.HIGH,)))
    receiver.mode = "refuse"
    desk = Desk(store.outbox, tell)
    store.outbox.add([notice(1)])
    desk.run(30, 1)
    assert len(box.mails) == 1
    assert desk.published == []
    assert desk.links == [(False, f"json://127.0.0.1:{receiver.port}: Failed to send JSON POST notification: "
                                  "Servers are overloaded., error=503.")]  # fmt: skip
    receiver.mode = "take"
    desk.run(600, 10)
    assert receiver.taken == []  # Ada has it by mail
    box.refuse = True
    receiver.mode = "refuse"
    store.outbox.add([notice(2, due_at=desk.at, stale_after=desk.at + HOUR)])
    desk.run(120, 1)
    assert [topic for topic, _ in desk.published] == ["yard/siren"]


def test_what_a_damaged_store_lost_falls_to_the_persons_next_channel(store: Store, receiver: Any, mailbox: Any) -> None:
    """Push refuses for an hour: mail tells of it, though mail is for urgent alarms alone; no siren, and push no second time."""
    box, mail = mailbox
    tell = (
        ada(receiver.address),
        Tell("yard", Secret("mqtt:yard/siren"), EVERY),
        replace(ada(mail), priorities=(Priority.URGENT,)),
    )
    words = Words("Mill Rise: the store was damaged", "What came after noon is lost.")
    store.outbox.add(announce(LOSS, words, tell, Now(0.0, None), name="7"))
    receiver.mode = "refuse"
    desk = Desk(store.outbox, tell)
    desk.run(HOUR, 30)
    assert len(box.mails) == 1
    receiver.mode = "take"
    desk.run(HOUR, 30)
    assert (receiver.taken, desk.published) == ([], [])


def test_the_next_person_is_told_when_no_channel_reaches_the_first(store: Store, receiver: Any, second_receiver: Any) -> None:
    """Nothing gets through to Ada: Bea hears of it at once, and Ada later, when her channel is back."""
    tell = (ada(receiver.address), Tell("Bea", Secret(second_receiver.address), (Priority.URGENT,), order=1))
    receiver.mode = "refuse"
    desk = Desk(store.outbox, tell)
    store.outbox.add([notice(1)])
    desk.run(30, 1)
    assert second_receiver.titles() == ["Matter 1"]
    receiver.mode = "take"
    desk.run(300, 5)
    assert receiver.titles() == ["Matter 1"]
    assert [up for up, _ in desk.links] == [False, True]
    assert [(one.person, one.channel) for one in desk.told] == [("Bea", 1)]


def test_what_the_rota_tells_the_siren_does_not_fall_to_it_as_well(store: Store, receiver: Any) -> None:
    """The siren that sounds already is not sounded twice for one notice."""
    tell = (ada(receiver.address), Tell("yard", Secret("mqtt:yard/siren"), (Priority.URGENT,)))
    receiver.mode = "refuse"
    desk = Desk(store.outbox, tell)
    store.outbox.add([notice(1), notice(1, channel=1, person="yard")])
    desk.run(60, 1)
    assert len(desk.published) == 1


def three_days(quarter: int, over: set[int]) -> list[Notice]:
    """What the rota writes in one quarter of an hour: a line each morning, alarms that pass, one that stands."""
    at = quarter * 900.0
    new = []
    if quarter % 96 == 24:
        report = notice(0, kind="report", priority=Priority.LOW, due_at=at, stale_after=at + 6 * HOUR)
        new.append(replace(report, key=f"report/{quarter}", title=f"Morning {quarter // 96}"))
    if quarter % 48 == 10:
        new.append(notice(quarter, priority=Priority.HIGH, due_at=at, stale_after=at + 2 * HOUR))
    if quarter % 48 == 14:
        over.add(quarter - 4)
        new.append(notice(quarter - 4, kind="all clear", priority=Priority.HIGH, due_at=at, stale_after=at + 2 * HOUR))
    if quarter == 100:
        new.append(notice(9999, due_at=at, stale_after=at + 2 * HOUR))
    if quarter > 100:
        again = notice(9999, kind="again", due_at=at, stale_after=at + 900)
        new.append(replace(again, key=f"9999/again/Ada/0/{quarter - 100}", title="Matter 9999 still stands"))
    return new


def test_three_days_without_internet_end_in_one_summary_and_the_standing_alarm(store: Store, receiver: Any) -> None:
    """Back after three days: one summary of what is past, the repeats of what stands as they fall due, each once."""
    receiver.mode = "refuse"
    desk = Desk(store.outbox, (ada(receiver.address),))
    written: list[Notice] = []
    for quarter in range(3 * 96):
        desk.at = quarter * 900.0
        written += (new := three_days(quarter, desk.over))
        store.outbox.add(new)
        desk.turn()
    assert receiver.taken == []
    receiver.mode = "take"
    for quarter in range(3 * 96, 3 * 96 + 4):
        desk.at = quarter * 900.0
        store.outbox.add(three_days(quarter, desk.over))
        desk.run(900, 30)
    past = [one for one in written if one.kind != "again"]
    summaries = [body for body in receiver.taken if "earlier messages" in body["title"]]
    others = [body["title"] for body in receiver.taken if "earlier messages" not in body["title"]]
    assert others == ["Matter 9999 still stands"] * 4
    assert [body["title"] for body in summaries] == [f"{len(past)} earlier messages, late"]
    lines = summaries[0]["message"].splitlines()
    assert sorted(lines) == sorted(f"{one.due_at / HOUR:.0f} h {one.title}" for one in past)
    assert len(receiver.record()) == len(receiver.taken)  # by id, each once
    assert store.outbox.rows("waiting") == []


def test_a_long_summary_is_one_screen_and_counts_the_rest(store: Store, receiver: Any) -> None:
    """Fifty late messages make twenty lines, the alarms first, and the number of the others."""
    receiver.mode = "refuse"
    desk = Desk(store.outbox, (ada(receiver.address),))
    store.outbox.add([notice(n, kind="all clear", priority=Priority.LOW, due_at=0, stale_after=60) for n in range(1, 41)])
    desk.run(120, 30)
    store.outbox.add([notice(n, priority=Priority.MEDIUM, due_at=desk.at, stale_after=desk.at + 60) for n in range(41, 51)])
    desk.run(600, 30)
    receiver.mode = "take"
    desk.run(HOUR, 60)
    (body,) = receiver.taken
    lines = body["message"].splitlines()
    assert body["title"] == "50 earlier messages, late"
    assert lines[-1] == "+30"
    assert sum(f"Matter {n}" in line for n in range(41, 51) for line in lines) == 10


def test_a_repeat_nobody_needs_any_more_is_dropped(store: Store, receiver: Any) -> None:
    """Acknowledged while it waited: neither the repeat nor a late raise goes out."""
    desk = Desk(store.outbox, (ada(receiver.address),))
    store.outbox.add([notice(1), notice(2, kind="again")])
    desk.over |= {1, 2}
    desk.turn()
    assert receiver.taken == []
    assert len(store.outbox.rows("given up")) == 2


def test_new_settings_send_to_the_persons_channel_of_today(store: Store, receiver: Any) -> None:
    """A row written under other settings reaches its person, not whoever stands in that place now."""
    store.outbox.add([notice(1, channel=3), notice(2, channel=0, person="Cid")])
    desk = Desk(store.outbox, (ada(receiver.address),))
    desk.turn()
    assert receiver.titles() == ["Matter 1"]
    row = store.outbox.find("2/raised/Cid/0/1")
    assert row is not None
    assert row.answer == "the settings have no channel for this person any more"


class Swallowing:
    """A far end that never comes back: no library on earth may do it, one will."""

    name = "swallowing"

    def __init__(self) -> None:
        self.release = threading.Event()
        self.taken = 0

    def hand_over(self, one: Notice, title: str, body: str) -> Outcome:
        self.taken += 1
        self.release.wait(60)
        return Outcome(True, "at last", 60.0)


def test_a_channel_that_never_comes_back_is_left_and_bounded() -> None:
    """Its row is tried elsewhere, the lane gets a new thread, but only so many times."""
    swallowing = Swallowing()
    desk = Desk(MemoryOutbox(), (ada("json://127.0.0.1:9"),), [swallowing])
    desk.outbox.add([notice(1, stale_after=FOREVER)])
    for _ in range(40):
        desk.worker.step()
        desk.at += STUCK_S
        time.sleep(0.001)
    assert swallowing.taken == MOST_ABANDONED + 1
    assert [up for up, _ in desk.links] == [False]
    swallowing.release.set()


def test_a_failing_outbox_is_reported_and_the_worker_goes_on(receiver: Any) -> None:
    """The disk breaks for a moment: the link is reported down, and the notice goes out afterwards."""

    class Breaking(MemoryOutbox):
        broken = True

        def due(self, at: float, limit: int = 1_000) -> Any:
            if self.broken:
                raise sqlite3.OperationalError("disk I/O error")
            return super().due(at, limit)

    outbox = Breaking()
    outbox.add([notice(1)])
    desk = Desk(outbox, (ada(receiver.address),))
    desk.worker.start()
    wait_until(lambda: desk.links == [(False, "the outbox failed: OperationalError")])
    outbox.broken = False
    desk.worker.wake()
    wait_until(lambda: receiver.titles() == ["Matter 1"])
    desk.worker.stop()


def test_stopping_waits_for_what_is_on_its_way(store: Store, receiver: Any) -> None:
    """An orderly stop notes the answer that comes in time, and starts nothing new."""
    desk = Desk(store.outbox, (ada(receiver.address),))
    store.outbox.add([notice(1)])
    desk.worker.start()
    wait_until(lambda: receiver.asked == 1)
    desk.worker.stop()
    assert len(store.outbox.rows("sent")) == 1
    store.outbox.add([notice(2)])
    desk.worker.wake()
    assert receiver.titles() == ["Matter 1"]


def test_a_hung_channel_does_not_hold_up_a_stop(tmp_path: Path, receiver: Any, caplog: pytest.LogCaptureFixture) -> None:
    """Stopped with an answer outstanding: back within the time given, the store is left alone, the row is for the next start."""
    receiver.mode = "hang"
    store = Store.open(tmp_path)
    desk = Desk(store.outbox, (ada(f"json://127.0.0.1:{receiver.port}/x?cto=9&rto=9"),))
    store.outbox.add([notice(1)])
    desk.worker.start()
    wait_until(lambda: receiver.asked == 1)
    began = time.monotonic()
    desk.worker.stop(0.2)
    assert time.monotonic() - began < 1.0
    assert len(store.outbox.interrupted()) == 1
    store.close()
    receiver.release.set()
    time.sleep(0.2)  # whatever still runs would meet a closed store now
    assert "the outbox failed" not in caplog.text


def test_memory_stands_in_for_the_store_and_is_bounded() -> None:
    """With the store gone the newest two thousand rows are held, finished ones going first."""
    outbox = MemoryOutbox(limit=10)
    outbox.add([notice(1), notice(1)])
    outbox.sent("1/raised/Ada/0/1", 0.0, "taken")
    outbox.add([notice(n) for n in range(2, 13)])
    held = [row.notice.occurrence for row in outbox.due(0.0)]
    assert held == list(range(3, 13))


def wait_until(condition: Callable[[], bool], seconds: float = 10.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, "not so in time"
        time.sleep(0.005)


def test_a_channel_with_nothing_left_to_carry_is_not_called_failing_for_ever(store: Store, receiver: Any) -> None:
    """Nobody needs to hear of it any more: the failure is told for a while, not until the next alarm weeks later."""
    receiver.mode = "refuse"
    desk = Desk(store.outbox, (ada(receiver.address),))
    store.outbox.add([notice(1, "again")])
    desk.turn()
    desk.run(120.0, 10.0)
    assert [up for up, _ in desk.links] == [False]
    desk.over.add(1)
    desk.run(600.0, 60.0)
    assert [up for up, _ in desk.links] == [False]
    desk.run(HOUR, 60.0)
    assert [up for up, _ in desk.links] == [False, True]


def test_what_the_last_run_said_of_the_channels_is_put_right(store: Store) -> None:
    """A failing channel was told, then came a restart: that all is well now must be told too, or the alarm stands for ever."""
    links: list[bool] = []
    worker = Worker(
        *(store.outbox, [], (), SAYINGS),
        now=lambda: 0.0,
        matters=lambda _notice: True,
        on_link=lambda up, _detail: links.append(up),
        was_up=False,
    )
    worker.step()
    worker.step()
    assert links == [True]
