"""`call`: a test alarm through every channel, and what came of it."""

from __future__ import annotations

import argparse
import json
import secrets
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, replace

from monitor.cli.refusal import Refused
from monitor.engine.connections import Notice, Tell
from monitor.engine.specification import Priority
from monitor.engine.wording import trial_words
from monitor.notify import trial
from monitor.notify.channels import Channel, Publish, open_channels
from monitor.notify.rota import ACKNOWLEDGED, TEST, is_siren
from monitor.notify.trial import HONESTY, Trial, sheet
from monitor.settings.read import Settings
from monitor.store.failures import StoreFailing, StoreMissing
from monitor.store.reader import Reader
from monitor.wire import own_topics
from monitor.wire.session import Session

CONNECT_S = 10.0
SOUNDS_S = 5.0  # long enough to hear a siren from the house
_HISTORY = 1_000


def call(asked: argparse.Namespace, settings: Settings, wait: Callable[[float], object] | None = None) -> int:
    """Send the test, print who took it and how long that took, silence the sirens again.

    Beside a running daemon, too: it speaks to the broker under a client id of its own.

    Args:
        asked: with `person` and `json`.
        wait: how to let a siren sound for so many seconds; left out, by waiting.

    Returns:
        0 when every channel accepted the test; 1 when one did not, or when nobody is told of anything.
    """
    tell = _chosen(asked.person, settings)
    name = secrets.token_hex(4)
    with _line(tell, settings) as (publish, trouble):
        try:
            channels = open_channels(tell, publish)
        except ValueError as mistake:
            raise Refused(str(mistake), 2) from mistake
        trials = trial.call(tell, channels, trial_words(settings.specification, settings.catalogue), name=name)
        said = _silence(tell, channels, trials, settings, name, wait or threading.Event().wait)
    if asked.json:
        rows = [{**asdict(one), "verdict": one.verdict} for one in trials]
        print(json.dumps({"channels": rows, "remarks": [*said, HONESTY]}, ensure_ascii=False, indent=2))
    else:
        print(sheet(trials))
        print(*said, sep="\n" if said else "", end="\n" if said else "")
    for line in trouble:
        print(f"the broker: {line}", file=sys.stderr)
    return 0 if trials and all(one.accepted for one in trials) else 1


def _chosen(person: str | None, settings: Settings) -> tuple[Tell, ...]:
    tell = settings.connections.tell
    if person is None:
        return tell
    known = sorted({entry.person for entry in tell})
    if person not in known:
        raise Refused(f"--person {person}: expected one of {', '.join(known) or 'none: the settings hold no [[tell]]'}", 2)
    return tuple(entry for entry in tell if entry.person == person)


@contextmanager
def _line(tell: Sequence[Tell], settings: Settings) -> Iterator[tuple[Publish, list[str]]]:
    """A connection to the broker for the sirens, when there are any, and why there is none."""
    if not any(map(is_siren, tell)):
        yield lambda _topic, _payload: False, []
        return
    broker, site = settings.connections.broker, own_topics.of_site(settings.specification.site)
    up, trouble = threading.Event(), list[str]()

    def linked(is_up: bool, why: str) -> None:
        if not is_up:
            trouble.append(why)
        up.set()

    # Not the daemon's id, which would throw it out, nor its `alive`, which would switch its relays to their safe way.
    ours = replace(broker, client_id=f"{broker.client_id}-call", session_expiry_s=0)
    session = Session(ours, [], f"{site}/call", lambda _arrival: None, linked)
    session.start()
    up.wait(CONNECT_S)
    try:
        yield lambda topic, payload: session.publish(topic, payload, qos=1), trouble
    finally:
        session.stop()


def _silence(
    tell: Sequence[Tell],
    channels: Sequence[Channel],
    trials: Sequence[Trial],
    settings: Settings,
    name: str,
    wait: Callable[[float], object],
) -> list[str]:
    """Stop the sirens that the test has sounded; never one that may be sounding for an alarm. Returns what to say."""
    sounding = [index for index, entry in enumerate(tell) if is_siren(entry) and trials[index].accepted]
    if not sounding:
        return []
    rings = _is_ringing(settings)
    if rings is not False:
        why = "an alarm stands unacknowledged" if rings else "whether an alarm stands cannot be read from the store"
        return [f"The sirens are left to sound: {why}. Acknowledging an alarm on the page silences them."]
    wait(SOUNDS_S)
    for index in sounding:
        key = f"{TEST}/{name}/{tell[index].person}/{index}"
        title = trial_words(settings.specification, settings.catalogue).title
        channels[index].hand_over(
            Notice(key, 0, "", ACKNOWLEDGED, tell[index].person, index, Priority.LOW, title, "", 0.0, 60.0), title, ""
        )
    return [f"Sirens were silenced after {SOUNDS_S:.0f} s."]


def _is_ringing(settings: Settings) -> bool | None:
    """Does any alarm stand unacknowledged, as the store has it? None when that cannot be read."""
    try:
        with Reader(settings.connections.store.folder) as reader:
            latest = {changed.key: changed.state for changed in reader.alarm_history(None, _HISTORY)}
    except StoreMissing:
        return False  # no daemon ever ran here
    except StoreFailing:
        return None
    return "unacknowledged" in latest.values()
