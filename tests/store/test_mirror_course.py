"""When the mirror sends and from where: pure, so every story of failures can be told in full."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from monitor.store import mirror_course
from monitor.store.mirror_course import Cursor

START = Cursor(0, 0, 0)


def at_seq(seq: int) -> Cursor:
    return Cursor(seq, 0, 0)


def test_the_pause_grows_to_five_minutes_and_begins_anew_after_a_success():
    """A server that is away is not hammered, and one that is back is used at once."""
    course, at, pauses = mirror_course.begun(START, 0.0), 0.0, []
    for _ in range(9):
        course = mirror_course.failed(course, at)
        pauses.append(course.next_at - at)
        at = course.next_at
    assert pauses == [5.0, 10.0, 20.0, 40.0, 80.0, 160.0, 300.0, 300.0, 300.0]
    course = mirror_course.sent(course, at, at_seq(5), full=False)
    assert mirror_course.failed(course, at).next_at - at == 5.0


def test_after_a_failure_the_last_minutes_are_sent_again():
    """What was accepted less than five minutes before may be forgotten by a server that was killed."""
    course = mirror_course.begun(START, 0.0)
    for n in range(1, 61):
        course = mirror_course.sent(course, n * 10.0, at_seq(n), full=False)
    assert course.front == at_seq(60)
    again = mirror_course.failed(course, 605.0)
    assert again.front == again.safe == at_seq(30)


def test_catching_up_is_bounded_in_rate_and_memory():
    """A backlog goes out at no more than 10,000 lines a second, and the trail of cursors stays short."""
    course, at = mirror_course.begun(START, 0.0), 0.0
    for n in range(1, 5_001):
        course = mirror_course.sent(course, at, at_seq(n * 5_000), full=True)
        assert course.next_at - at >= mirror_course.BATCH_LINES / 10_000
        assert len(course.trail) <= 32
        at = course.next_at
    assert course.safe.seq > 0


@given(steps=st.lists(st.tuples(st.sampled_from(["sent", "full", "failed"]), st.floats(0.0, 400.0)), max_size=40))
def test_the_safe_cursor_never_runs_ahead_of_what_was_long_accepted(steps):
    """Whatever happens in whatever order, the safe cursor only rises, and only over fronts at least five minutes old."""
    course, at, seq = mirror_course.begun(START, 0.0), 0.0, 0
    accepted: list[tuple[float, int]] = []
    for what, pause in steps:
        at = max(at + pause, course.next_at)
        before = course.safe.seq
        if what == "failed":
            course = mirror_course.failed(course, at)
        else:
            seq = course.front.seq + 10
            accepted.append((at, seq))
            course = mirror_course.sent(course, at, at_seq(seq), full=what == "full")
        old_enough = [s for t, s in accepted if at - t >= mirror_course.LAG_S]
        assert before <= course.safe.seq <= max(old_enough, default=0)
        assert course.safe.seq <= course.front.seq
        assert course.next_at > at
