"""The reference relay played through broken days: daemon gone, hung, back; power cut; counter wrapped; hot afternoon."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import cycle

from hypothesis import given
from hypothesis import strategies as st

from deploy.relay_logic import WRAP, Message, Mode, Relay, Settings, boot, since, step
from monitor.engine.obedience import HEARTBEAT_S

ON, OFF = Message("command", "ON"), Message("command", "OFF")
HERE, GONE = Message("alive", "here"), Message("alive", "gone")
MINUTE = 60_000
PLAIN = Settings()


def play(
    relay: Relay, start_ms: int, until_ms: int, said: Iterable[tuple[int, Message]] = (), room_c: float | None = None
) -> list[Relay]:
    """One step a second from `start_ms` to `until_ms`, with these messages at their seconds; every state it was in."""
    due = sorted(said, key=lambda one: one[0])
    seen = []
    for now_ms in range(start_ms, until_ms, 1000):
        while due and due[0][0] <= now_ms:
            relay = step(relay, now_ms % WRAP, due.pop(0)[1], room_c)
        relay = step(relay, now_ms % WRAP, None, room_c)
        seen.append(relay)
    return seen


def heartbeat(message: Message, start_ms: int, until_ms: int) -> list[tuple[int, Message]]:
    """The daemon's standing command, once a minute as it sends it."""
    return [(at, message) for at in range(start_ms, until_ms, MINUTE)]


def runs_s(seen: list[Relay]) -> int:
    return sum(relay.running for relay in seen)


def test_three_of_the_daemons_heartbeats_may_be_missed() -> None:
    """One lost packet on a weak radio is no reason to stop obeying."""
    assert PLAIN.command_old_after_ms == 3 * HEARTBEAT_S * 1000


def test_it_obeys_while_commands_come() -> None:
    """A fan that was told to run runs, for as long as it is told."""
    seen = play(boot(PLAIN, 0), 0, 60 * MINUTE, heartbeat(ON, 5_000, 60 * MINUTE))
    assert runs_s(seen) == 60 * 60 - 5


def test_it_boots_off_and_waits_for_the_network_before_it_goes_on_alone() -> None:
    """After a power cut nothing starts by itself under a person's hands; then the birds get their air."""
    seen = play(boot(PLAIN, 0), 0, 91 * 1000)
    assert [relay.running for relay in seen] == [False] * 90 + [True]


def test_alone_it_keeps_its_own_minimum_timer() -> None:
    """No daemon, no broker, no network: 1 minute of air in every 10, by the default settings."""
    relay = play(boot(PLAIN, 0), 0, 90_000)[-1]
    seen = play(relay, 90_000, 90_000 + 60 * MINUTE)
    assert runs_s(seen) == 6 * 60


def test_a_daemon_that_says_nothing_more_is_not_obeyed_after_three_minutes() -> None:
    """Hung with the connection open: alive still says "here". The last word was ON, in a cold night."""
    said = [(0, HERE), *heartbeat(ON, 0, 10 * MINUTE)]  # the last at minute 9
    seen = play(boot(PLAIN, 0), 0, 60 * MINUTE, said)
    assert seen[12 * 60].mode is Mode.OBEYING
    assert seen[12 * 60 + 1].mode is Mode.ALONE
    assert runs_s(seen[12 * 60 + 1 :]) <= 5 * 60  # five begun periods
    assert runs_s(seen[12 * 60 + 1 :]) >= 4 * 60


def test_gone_is_believed_at_once() -> None:
    """The broker's last will comes within a keepalive; the relay need not wait three minutes more."""
    seen = play(boot(PLAIN, 0), 0, 20 * MINUTE, [*heartbeat(ON, 0, 5 * MINUTE), (4 * MINUTE + 30_000, GONE)])
    assert seen[4 * 60 + 29].mode is Mode.OBEYING
    assert seen[4 * 60 + 30].mode is Mode.ALONE


def test_a_live_command_after_gone_is_obeyed_again() -> None:
    """A daemon that comes back has its fan at once."""
    seen = play(boot(PLAIN, 0), 0, 20 * MINUTE, [(0, GONE), (10 * MINUTE, OFF), (11 * MINUTE, ON)])
    assert seen[-1].mode is Mode.ALONE  # and not after its silence
    assert seen[11 * 60 + 5].running


def test_a_retained_command_is_never_obeyed() -> None:
    """The broker's memory may be months old; ON from July must not chill chicks in March."""
    seen = play(boot(PLAIN, 0), 0, 80_000, [(1_000, replace(ON, retained=True))])
    assert runs_s(seen) == 0
    assert all(relay.mode is Mode.ALONE for relay in seen)


def test_a_remembered_gone_does_not_undo_a_live_command() -> None:
    """On reconnecting, the live command may come before the retained word of an earlier stop."""
    seen = play(boot(PLAIN, 0), 0, 60_000, [(0, ON), (1_000, replace(GONE, retained=True))])
    assert seen[-1].mode is Mode.OBEYING
    assert seen[-1].running


def test_nonsense_changes_nothing_and_does_not_count_as_a_command() -> None:
    """A stranger who publishes rubbish cannot keep an old command alive."""
    rubbish = zip(range(1000, 10 * MINUTE, 5000), cycle(["", "maybe", "1e9"]), strict=False)
    said = [(0, ON), *((at, Message("command", word)) for at, word in rubbish)]
    seen = play(boot(PLAIN, 0), 0, 10 * MINUTE, said)
    assert seen[170].running
    assert seen[181].mode is Mode.ALONE


def test_with_a_probe_of_its_own_it_runs_through_a_hot_afternoon_alone() -> None:
    """Heat kills within hours: alone and hot it runs all the time, and stops below the deadband."""
    hot = Settings(hot_above_c=30.0, cool_below_c=28.0)
    relay = play(boot(hot, 0), 0, 90_000, room_c=24.0)[-1]
    seen = play(relay, 90_000, 90_000 + 60 * MINUTE, room_c=31.0)
    assert runs_s(seen) == 60 * 60
    still = play(seen[-1], 90_000 + 60 * MINUTE, 90_000 + 70 * MINUTE, room_c=29.0)
    assert runs_s(still) == 10 * 60
    cool = play(still[-1], 90_000 + 70 * MINUTE, 90_000 + 80 * MINUTE, room_c=27.0)
    assert runs_s(cool) == 60


def test_a_broken_probe_leaves_the_timer() -> None:
    """No reading is not "cool" and not "hot"."""
    hot = Settings(hot_above_c=30.0, cool_below_c=28.0)
    relay = play(boot(hot, 0), 0, 10 * MINUTE, room_c=31.0)[-1]
    assert not step(relay, 10 * MINUTE, None, None).is_hot


def test_the_counter_that_starts_again_after_49_days_changes_nothing() -> None:
    """2^32 ms: the oldest trap of such firmware, met in the middle of an obeyed command."""
    start = WRAP - 5 * MINUTE
    said = heartbeat(ON, start, start + 10 * MINUTE)
    seen = play(boot(PLAIN, start), start, start + 10 * MINUTE, said)
    assert runs_s(seen) == 10 * 60
    later = play(seen[-1], start + 10 * MINUTE, start + 20 * MINUTE)
    assert later[-1].mode is Mode.ALONE


messages = st.sampled_from(
    [ON, OFF, HERE, GONE, replace(ON, retained=True), replace(GONE, retained=True), Message("command", "?")]
)
steps = st.lists(st.tuples(st.integers(0, 400), messages | st.none(), st.sampled_from([None, 20.0, 29.0, 35.0])), max_size=120)


@given(steps, st.integers(0, WRAP - 1))
def test_whatever_comes_the_motor_is_spared_and_no_old_command_is_obeyed(
    given_steps: list[tuple[int, Message | None, float | None]], start_ms: int
) -> None:
    """Any order of messages, gaps and readings: shortest times hold, and obeying means a live command within three minutes."""
    settings = Settings(hot_above_c=30.0, cool_below_c=28.0)
    relay, now, last_live, changed = boot(settings, start_ms), start_ms, None, None
    for gap_s, message, room_c in given_steps:
        now += gap_s * 1000
        before = relay.running
        relay = step(relay, now % WRAP, message, room_c)
        if message is not None and message.topic == "command" and not message.retained and message.word in ("ON", "OFF"):
            last_live = now
        if relay.mode is Mode.OBEYING:
            assert last_live is not None
            assert now - last_live <= settings.command_old_after_ms
        if relay.running != before:
            if changed is not None:
                assert now - changed >= (settings.shortest_on_ms if before else settings.shortest_off_ms)
            changed = now


@given(st.integers(0, WRAP - 1), st.integers(0, WRAP - 1))
def test_time_since_is_right_across_the_wrap(earlier_ms: int, gap_ms: int) -> None:
    """For any start of the counter."""
    assert since(earlier_ms, (earlier_ms + gap_ms) % WRAP) == gap_ms
