"""The outbox worker: one dispatcher that alone touches the outbox, one lane a channel that hands over.

Rules of this file: the dispatcher never waits for a channel, so a hung one delays no other; a row is `sending`
in the outbox before anything of it leaves; what to do with each row is `policy`'s, who is told is `rota`'s.
Time is elapsed seconds from the injected `now`; nothing here sleeps but on an event. It never raises: a
failing outbox is reported as a failing link and tried again.
"""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import time as time_of_day
from random import Random

from monitor.engine.connections import Notice, Tell
from monitor.engine.specification import Priority
from monitor.notify import policy
from monitor.notify.channels import Channel, Outcome
from monitor.notify.outbox import Outbox, Row
from monitor.notify.rota import ALARMING, SUMMARY, base_key, held_for_s, is_held, is_siren, substitute_key

log = logging.getLogger(__name__)

# A hand-over that has not come back by then is given up on, and its lane gets a new thread…
STUCK_S = 60.0
# …but so many times only: a channel that swallows threads stays shut until the next start.
MOST_ABANDONED = 5
# A channel that failed and has had nothing more to carry for so long, longer than any row waits for its next try, is no
# longer reported: what it failed on has been told another way or is of no use, and its next message will tell.
FAILURE_TOLD_S = 1_200.0
LONGEST_WAIT_S = 5.0
SHORTEST_WAIT_S = 0.25
# An orderly stop waits so long for answers that are on their way, looking so often.
LAST_WORDS_S = 5.0
LAST_WORDS_TURN_S = 0.05
ROWS_AT_A_TIME = 1_000


@dataclass(frozen=True, slots=True)
class Sayings:
    """The few texts the worker itself adds, in the keeper's language."""

    maybe_repeat: str  # in front of the body of what may have arrived before
    summary: Callable[[int], str]  # the title over so many late messages


@dataclass(frozen=True, slots=True)
class _Job:
    notice: Notice
    title: str
    body: str
    lane: int
    generation: int
    began_at: float


@dataclass(slots=True)
class _Lane:
    """One channel's thread, and what the dispatcher knows of it."""

    index: int
    channel: Channel
    jobs: queue.SimpleQueue[_Job | None] = field(default_factory=queue.SimpleQueue)
    job: _Job | None = None
    generation: int = 0
    failures: int = 0  # in a row
    not_before: float = 0.0
    answer: str = ""
    thread: threading.Thread | None = None


class Worker:
    """Carries notices from the outbox to the channels.

    Args:
        outbox: the store's, or one in memory.
        channels: one for each entry of `tell`, in the same order.
        tell: the keeper's entries.
        sayings: the texts it adds by itself.
        now: elapsed seconds of the engine's timeline; any thread may ask.
        matters: does this notice's alarm still stand unacknowledged? Asked for alarms only.
        on_link: told when delivery begins to fail (False) and when all channels work again (True), with a
            masked sentence; called from the dispatcher's thread.
        on_told: another channel took a notice instead of its own; for the rota's ledger, so that whoever was told
            hears the all clear too. Called from the dispatcher's thread.
        local: the site's time of day, None while it is not trusted.
        when: an elapsed second as local day and time for a summary's line, or "".
        dice: for the jitter; give it a seed to repeat a run.
        was_up: what the last run said by `on_link`; when all works now, that is told anew.
    """

    def __init__(
        self,
        outbox: Outbox,
        channels: Sequence[Channel],
        tell: Sequence[Tell],
        sayings: Sayings,
        *,
        now: Callable[[], float],
        matters: Callable[[Notice], bool],
        on_link: Callable[[bool, str], None],
        on_told: Callable[[Notice], None] = lambda _notice: None,
        local: Callable[[], time_of_day | None] = lambda: None,
        when: Callable[[float], str] = lambda _at: "",
        dice: Random | None = None,
        was_up: bool = True,
    ) -> None:
        self._outbox = outbox
        self._tell = tuple(tell)
        self._sayings = sayings
        self._now = now
        self._matters = matters
        self._on_link = on_link
        self._on_told = on_told
        self._local = local
        self._when = when
        self._dice = dice or Random()  # noqa: S311 - jitter, no secret
        self._lanes = [_Lane(index, channel) for index, channel in enumerate(channels)]
        self._results: queue.SimpleQueue[tuple[_Job, Outcome]] = queue.SimpleQueue()
        self._fallen: set[str] = set()
        self._link_up = was_up
        self._recovered = False
        self._awake = threading.Event()
        self._stopping = threading.Event()
        self._left_alone = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin; what a former run left half sent is settled first."""
        self._thread = threading.Thread(target=self._run, name="notices", daemon=True)
        self._thread.start()

    def wake(self) -> None:
        """Something new is in the outbox. From any thread, at any rate."""
        self._awake.set()

    def stop(self, timeout_s: float = LAST_WORDS_S) -> None:
        """Hand over nothing more, note what comes back in time; the rest is settled at the next start."""
        self._stopping.set()
        self._awake.set()
        if self._thread is not None:
            self._thread.join(timeout_s)
            self._left_alone.set()  # the outbox may be closed from now on
            self._awake.set()
            self._thread.join(2 * LAST_WORDS_TURN_S)
        for lane in self._lanes:
            lane.jobs.put(None)

    @property
    def is_busy(self) -> bool:
        """Is a message on its way to a channel, or its answer not yet noted?"""
        return any(lane.job is not None for lane in self._lanes) or not self._results.empty()

    def step(self) -> float:
        """One turn of the dispatcher; returns the seconds it may rest unless woken."""
        at = self._now()
        if not self._recovered:
            self._recover(at)
            self._recovered = True
        self._note_results(at)
        self._free_stuck_lanes(at)
        self._hand_out(at)
        self._report_link(at)
        return self._rest_s(at)

    def _rest_s(self, at: float) -> float:
        next_due = self._outbox.next_due_at()
        if next_due is None:
            return LONGEST_WAIT_S
        if next_due > at:
            return min(LONGEST_WAIT_S, max(SHORTEST_WAIT_S, next_due - at))
        # Due, but its lane is busy, whose answer wakes us, or holds off after a failure.
        holding = [lane.not_before - at for lane in self._lanes if lane.job is None and lane.not_before > at]
        return min(LONGEST_WAIT_S, max(SHORTEST_WAIT_S, min(holding, default=SHORTEST_WAIT_S)))

    # ------------------------------------------------------------ the dispatcher's turns

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                rest_s = self.step()
            except Exception as trouble:  # the outbox may fail with the disk; people must still be told later
                log.exception("the outbox failed; trying again")
                self._set_link(False, f"the outbox failed: {type(trouble).__name__}")
                rest_s = LONGEST_WAIT_S
            self._awake.wait(rest_s)
            self._awake.clear()
        try:
            while not self._left_alone.is_set():
                self._note_results(self._now())
                if not self.is_busy:
                    break
                self._awake.wait(LAST_WORDS_TURN_S)
                self._awake.clear()
        except Exception as trouble:  # the rows stay "sending" and are settled at the next start
            log.warning("the outbox failed while stopping: %s", trouble)

    def _recover(self, at: float) -> None:
        """Settle what was being handed over when the last run ended (policy, rule 2)."""
        for row in self._outbox.interrupted():
            self._not_accepted(row.notice, row.attempts, "sending was cut off", True, at, retry_in_s=0.0)

    def _note_results(self, at: float) -> None:
        while True:
            try:
                job, outcome = self._results.get_nowait()
            except queue.Empty:
                return
            lane = self._lanes[job.lane]
            if job.generation != lane.generation:
                # Long given up on; only its success is news, and it comes too late to undo the rest.
                log.warning("%s answered after it was given up on", lane.channel.name)
                continue
            lane.job = None
            row = self._outbox.find(job.notice.key)
            if outcome.accepted:
                lane.failures, lane.not_before, lane.answer = 0, 0.0, ""
                self._outbox.sent(job.notice.key, at, f"{lane.channel.name}: {outcome.answer} ({outcome.took_s:.1f} s)")
                self._withdraw_others(job.notice, lane.channel.name, at)
                if base_key(job.notice.key) != job.notice.key:
                    self._on_told(job.notice)
            else:
                self._lane_failed(lane, outcome.answer, at)
                attempts = row.attempts if row is not None else 0
                self._not_accepted(job.notice, attempts, f"{lane.channel.name}: {outcome.answer}", outcome.uncertain, at)

    def _free_stuck_lanes(self, at: float) -> None:
        for lane in self._lanes:
            job = lane.job
            if job is None or at - job.began_at < STUCK_S:
                continue
            if lane.generation >= MOST_ABANDONED:
                continue
            log.warning("%s has not come back for %.0f s; going on without it", lane.channel.name, at - job.began_at)
            lane.generation += 1
            lane.job = None
            lane.thread = None
            lane.jobs = queue.SimpleQueue()
            self._lane_failed(lane, "no answer at all", at)
            row = self._outbox.find(job.notice.key)
            self._not_accepted(job.notice, row.attempts if row is not None else 0, "no answer at all", True, at)

    def _hand_out(self, at: float) -> None:
        rows = self._outbox.due(at, ROWS_AT_A_TIME)
        by_lane: dict[int, list[Row]] = {}
        for row in rows:
            notice = row.notice
            if notice.channel >= len(self._tell) or self._tell[notice.channel].person != notice.person:
                self._readdress(row, at)
            elif policy.is_moot(row, self._still_matters(notice), at):
                self._outbox.gave_up(notice.key, at, "no longer needed")
            else:
                self._fall_if_due(row, at)
                by_lane.setdefault(notice.channel, []).append(row)
        if self._stopping.is_set():
            return
        for index, lane_rows in by_lane.items():
            lane = self._lanes[index]
            if lane.job is None:
                self._give_one(lane, lane_rows, at)

    def _give_one(self, lane: _Lane, rows: list[Row], at: float) -> None:
        """The lane's best row; a failing lane tries only new urgent ones before its time."""
        if at < lane.not_before:
            rows = [row for row in rows if row.notice.priority is Priority.URGENT and row.attempts == 0]
        late = [row for row in rows if policy.is_late(row, self._still_matters(row.notice), at)]
        if late:
            rows = [row for row in rows if row not in late]
            self._fold(late + [row for row in rows if row.notice.kind == SUMMARY], at)
            self._awake.set()
            rows = [row for row in rows if row.notice.kind != SUMMARY]
        if not rows:
            return
        row = rows[0]
        notice = row.notice
        body = notice.body
        if row.answer.startswith(policy.UNCERTAIN):
            body = f"{self._sayings.maybe_repeat}\n{body}"
        self._outbox.sending(notice.key, at)
        lane.job = _Job(notice, notice.title, body, lane.index, lane.generation, at)
        self._run_lane(lane)
        lane.jobs.put(lane.job)

    # ------------------------------------------------------------ one row's fate

    def _not_accepted(
        self, notice: Notice, attempts: int, answer: str, uncertain: bool, at: float, retry_in_s: float | None = None
    ) -> None:
        if uncertain and not policy.sends_again_when_uncertain(notice, self._tell):
            self._outbox.gave_up(notice.key, at, f"{policy.UNCERTAIN}{answer}; not sent again")
            return
        row = self._outbox.find(notice.key)
        once_uncertain = row is not None and row.answer.startswith(policy.UNCERTAIN)
        if retry_in_s is None:
            retry_in_s = policy.backoff_s(attempts + 1, notice.priority, self._dice)
        marked = policy.UNCERTAIN + answer if uncertain or once_uncertain else answer
        self._outbox.failed(notice.key, at, marked, at + retry_in_s)
        failed = self._outbox.find(notice.key)
        if failed is not None:
            self._fall_if_due(failed, at)

    def _fall_if_due(self, row: Row, at: float) -> None:
        """Try the next channel too; the row itself goes on waiting for its own."""
        key = row.notice.key
        if key in self._fallen or not policy.falls(row, at) or not self._still_matters(row.notice):
            return
        if len(self._fallen) > ROWS_AT_A_TIME:
            self._fallen.clear()  # at worst an old row tries one channel more
        self._fallen.add(key)
        for channel in policy.others(row.notice, self._tell):
            instead = policy.substitute(row.notice, channel, self._tell, at)
            already = (instead.key, policy.direct_key(row.notice, channel, self._tell))
            if all(self._outbox.find(one) is None for one in already):
                self._outbox.add([instead])
                self._awake.set()
                break

    def _withdraw_others(self, notice: Notice, by: str, at: float) -> None:
        """This person has it: their other rows of the same notice are not wanted any more."""
        base = base_key(notice.key)
        for key in (base, *(substitute_key(base, channel) for channel in range(len(self._tell)))):
            row = self._outbox.find(key) if key != notice.key else None
            if row is not None and row.status == "waiting" and row.notice.person == notice.person:
                self._outbox.gave_up(key, at, f"told by {by}")

    def _readdress(self, row: Row, at: float) -> None:
        """The settings have changed since it was written: find this person's channel of today."""
        notice = row.notice
        for channel, entry in enumerate(self._tell):
            if entry.person == notice.person and (notice.priority in entry.priorities or notice.occurrence == 0):
                self._outbox.add([policy.substitute(notice, channel, self._tell, at)])
                self._outbox.gave_up(notice.key, at, "sent by the channel of the new settings")
                return
        self._outbox.gave_up(notice.key, at, "the settings have no channel for this person any more")

    def _fold(self, rows: list[Row], at: float) -> None:
        entry = self._tell[rows[0].notice.channel]
        local = self._local()
        wait_s = held_for_s(entry, local) if local is not None and is_held(entry, Priority.MEDIUM, local) else 0.0
        if is_siren(entry):
            for row in rows:
                self._outbox.gave_up(row.notice.key, at, "too late for a siren")
            return
        one = policy.summary(rows, self._sayings.summary, self._when, at + wait_s)
        self._outbox.fold([row.notice.key for row in rows], one, at)

    def _still_matters(self, notice: Notice) -> bool:
        return notice.kind not in ALARMING or self._matters(notice)

    # ------------------------------------------------------------ lanes and link

    def _lane_failed(self, lane: _Lane, answer: str, at: float) -> None:
        lane.failures += 1
        lane.answer = answer
        lane.not_before = at + policy.backoff_s(lane.failures, Priority.URGENT, self._dice)

    def _report_link(self, at: float) -> None:
        troubled = [lane for lane in self._lanes if lane.failures and (lane.job or at - lane.not_before < FAILURE_TOLD_S)]
        failing = [lane for lane in troubled if lane.failures >= 2]
        if failing:
            self._set_link(False, "; ".join(f"{lane.channel.name}: {lane.answer}" for lane in failing))
        elif not troubled:
            self._set_link(True, "")

    def _set_link(self, up: bool, detail: str) -> None:
        if up != self._link_up:
            self._link_up = up
            self._on_link(up, detail)

    def _run_lane(self, lane: _Lane) -> None:
        if lane.thread is None:
            name = f"notices to {lane.channel.name}"
            lane.thread = threading.Thread(target=self._carry, args=(lane.channel, lane.jobs), name=name, daemon=True)
            lane.thread.start()

    def _carry(self, channel: Channel, jobs: queue.SimpleQueue[_Job | None]) -> None:
        while (job := jobs.get()) is not None:
            self._results.put((job, channel.hand_over(job.notice, job.title, job.body)))
            self._awake.set()
