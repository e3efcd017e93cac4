"""The channels: handing one message to the next hop, and saying honestly what came of it.

Rules of this file: an address is a secret; nothing that leaves here (answer, log, error) holds any part of it
but the masked name. "Accepted" means that the next hop took it, never that a person saw it. A hand-over never
raises and never waits longer than the address's own limits (`?cto=` and `?rto=`, seconds), 4 s each unless set.

Every message carries an id that stays the same over all attempts: for HTTP receivers as `Idempotency-Key`
(the header of the IETF httpapi working group's draft) and as `notice` in the JSON body, in mail as
`X-Notice-Id`, in the siren's payload as `notice`. A receiver that keeps it shows each notice once even when
an attempt whose answer was lost has to be made again.
"""

from __future__ import annotations

import hashlib
import json
import logging
import time
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import unquote, urlsplit

from monitor.engine.connections import Notice, Tell
from monitor.engine.specification import Priority
from monitor.notify.rota import ALL_CLEAR, SIREN, is_siren

ANSWER_LENGTH = 300
CONNECT_S = 4.0
READ_S = 4.0

# Publishes to a topic of our own broker; False when it is not connected.
Publish = Callable[[str, str], bool]

# The files that go with a notice, where the service takes any: the pictures of a report.
Pictures = Callable[[Notice], Sequence[str]]

# Words in a failed attempt that prove that nothing was handed over; without one of them it stays uncertain.
_NOTHING_LEFT = (
    "error=",  # the receiver answered, and refused
    "NewConnectionError",
    "ConnectTimeout",
    "NameResolutionError",
    "ProxyError",
    "SSLError",
    "refused",
    "unreachable",
    "not known",
    "name resolution",
    "Sending email to",  # the server took the connection and refused the mail
    "authentication",
    "Authentication",
)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one attempt. `uncertain`: not accepted, yet it may have arrived (the answer was lost)."""

    accepted: bool
    answer: str
    took_s: float
    uncertain: bool = False


class Channel(Protocol):
    """One way to one person, or to the siren."""

    @property
    def name(self) -> str:
        """The masked address, fit to be stored, logged and shown."""

    def hand_over(self, notice: Notice, title: str, body: str) -> Outcome:
        """Give the message to the next hop; never raises."""


def notice_id(key: str) -> str:
    """The id a receiver can keep: the same for every attempt of one notice, telling nothing else."""
    return hashlib.sha256(key.encode()).hexdigest()[:24]


def no_pictures(_: Notice) -> Sequence[str]:
    return ()


def open_channels(tell: Sequence[Tell], publish: Publish, pictures: Pictures = no_pictures) -> list[Channel]:
    """One channel an entry, in the same order; an address is tried out by building it once.

    Args:
        tell: the keeper's entries.
        publish: to a topic of our own broker, for sirens.
        pictures: the paths of files to attach to a notice; a missing file is left out, never the message.

    Raises:
        ValueError: an address is wrong; the sentence says how, without repeating it.
    """
    channels: list[Channel] = []
    for entry in tell:
        address = entry.channel.reveal()
        mistake = check_address(address)
        if mistake is not None:
            raise ValueError(f"{entry.person}: {mistake}")
        channels.append(Siren(address, publish) if is_siren(entry) else Service(address, pictures))
    return channels


def check_address(address: str) -> str | None:
    """What is wrong with a channel's address, or None. The sentence never repeats the address."""
    if address.startswith(("mqtt://", "mqtts://")):
        return 'a siren is written "mqtt:TOPIC", without slashes in front; it uses the broker of [broker]'
    if address.startswith(SIREN):
        topic = address.removeprefix(SIREN)
        if not topic or any(sign in topic for sign in "+#\0") or topic.strip() != topic:
            return 'a siren\'s topic must be plain, without + or #, such as "mqtt:yard/siren"'
        return None
    apprise = _apprise()
    scheme = address.partition("://")[0].lower() if "://" in address else ""
    if not scheme:
        return 'expected an address such as "json://192.168.1.9:9000/alarm", "mailto://…" or "mqtt:yard/siren"'
    try:
        built = apprise.Apprise.instantiate(address)
    except Exception as mistake:  # the library's parsers raise many kinds
        return f'the address of kind "{scheme[:20]}" cannot be used ({type(mistake).__name__})'
    if built is None:
        return f'the address of kind "{scheme[:20]}" is unknown or incomplete; see the list of apprise\'s addresses'
    return None


def mask(address: str) -> str:
    """The kind of service and, where the service itself does not hide it, the host; never a secret."""
    if address.startswith(SIREN):
        return address
    built = _apprise().Apprise.instantiate(address)
    if built is None:
        return "(an address that cannot be used)"
    # The library hides passwords and tokens; path, query and user may still tell some, so they are cut off.
    parts = urlsplit(built.url(privacy=True))
    return f"{parts.scheme}://{parts.netloc.rpartition('@')[2]}"


class Service:
    """A push service, mail, text-message gateway or own HTTP receiver, through apprise."""

    def __init__(self, address: str, pictures: Pictures = no_pictures, stopwatch: Callable[[], float] = time.monotonic) -> None:
        self._address = address
        self._pictures = pictures
        self._stopwatch = stopwatch
        self._name = mask(address)
        self._secrets = _parts_of(address, self._name)

    @property
    def name(self) -> str:
        return self._name

    def hand_over(self, notice: Notice, title: str, body: str) -> Outcome:
        began = self._stopwatch()
        try:
            accepted, lines = self._notify(notice, title, body)
        except Exception as trouble:  # no service may ever stop the worker
            return Outcome(False, type(trouble).__name__, self._stopwatch() - began, uncertain=True)
        took_s = self._stopwatch() - began
        shown = " ".join(line for level, line in lines if level != "DEBUG")
        answer = self._scrubbed(shown) or ("accepted" if accepted else "no answer")
        everything = " ".join(line for _, line in lines)
        uncertain = not accepted and not any(word in everything for word in _NOTHING_LEFT)
        return Outcome(accepted, answer[:ANSWER_LENGTH], took_s, uncertain)

    def _notify(self, notice: Notice, title: str, body: str) -> tuple[bool, list[tuple[str, str]]]:
        apprise = _apprise()
        # Built anew for each message: headers are the message's, and nothing of a former attempt lingers.
        service = apprise.Apprise.instantiate(self._address)
        _fit(service, notice, self._address)
        one = apprise.Apprise()
        one.add(service)
        kind = {Priority.URGENT: "failure", Priority.HIGH: "warning"}.get(notice.priority, "info")
        kind = "success" if notice.kind == ALL_CLEAR else kind
        attached = [path for path in self._pictures(notice) if Path(path).is_file()] if service.attachment_support else []
        with one.notify(
            body=body or title,
            title=title,
            notify_type=kind,
            body_format="text",
            attach=attached or None,
            log_level=logging.DEBUG,
        ) as result:
            lines = [(str(line.level), str(line.message)) for one_service in result for line in one_service.logs()]
            return bool(result), lines

    def _scrubbed(self, text: str) -> str:
        for secret in self._secrets:
            text = text.replace(secret, "…")
        return text


class Siren:
    """A siren or lamp on our own broker: works without internet."""

    def __init__(self, address: str, publish: Publish, stopwatch: Callable[[], float] = time.monotonic) -> None:
        self._topic = address.removeprefix(SIREN)
        self._publish = publish
        self._stopwatch = stopwatch

    @property
    def name(self) -> str:
        return SIREN + self._topic

    def hand_over(self, notice: Notice, title: str, body: str) -> Outcome:  # noqa: ARG002 - a siren reads no body
        """Publish `{"notice", "kind", "priority", "alarm", "title"}`; it sounds for every kind but two.

        A siren is quiet again at kind "all clear" or "acknowledged". Published means handed to the connection to
        the broker: whether the siren listens only a test call tells.
        """
        began = self._stopwatch()
        said = {
            "notice": notice_id(notice.key),
            "kind": notice.kind,
            "priority": notice.priority.value,
            "alarm": notice.alarm,
            "title": title,
        }
        try:
            accepted = self._publish(self._topic, json.dumps(said, ensure_ascii=False))
        except Exception as trouble:  # no siren may ever stop the worker
            return Outcome(False, type(trouble).__name__, self._stopwatch() - began)
        answer = "published" if accepted else "not connected to the broker"
        return Outcome(accepted, answer, self._stopwatch() - began)


@cache
def _apprise() -> Any:
    """The library, imported when first needed: it costs 45 MB once used."""
    with warnings.catch_warnings():
        # Loading all services at once imports modules that later Pythons have dropped; it copes with that.
        warnings.simplefilter("ignore", DeprecationWarning)
        import apprise

        apprise.Apprise.instantiate("json://localhost")
    # Its own log lines hold addresses and texts: they are read from each result and go nowhere else.
    log = logging.getLogger("apprise")
    log.propagate = False
    log.setLevel(logging.DEBUG)
    logging.getLogger("urllib3").setLevel(logging.INFO)  # its debug lines hold paths, which are secrets of a web hook
    return apprise


def _fit(service: Any, notice: Notice, address: str) -> None:
    """The message's id, and limits on waiting, where the address sets none."""
    scheme = address.partition("://")[0].lower()
    identity = notice_id(notice.key)
    headers = getattr(service, "headers", None)
    if isinstance(headers, dict):
        if scheme.startswith("mailto"):
            headers["X-Notice-Id"] = identity
        elif scheme.rstrip("s") in ("json", "form", "xml"):
            headers["Idempotency-Key"] = f'"{identity}"'
    extras = getattr(service, "payload_extras", None)
    if isinstance(extras, dict) and scheme.rstrip("s") == "json":
        extras["notice"] = identity
    if "cto=" not in address:
        service.socket_connect_timeout = CONNECT_S
    if "rto=" not in address:
        service.socket_read_timeout = READ_S
    if scheme.startswith("mailto"):
        # The library spaces mails 5.5 s apart, meant for bulk; an urgent one does not wait for a report.
        service.request_rate_per_sec = 0


def _parts_of(address: str, name: str) -> tuple[str, ...]:
    """Every piece of the address that an answer might repeat, longest first, except what the mask shows."""
    _, _, rest = address.partition("://")
    pieces = {address, rest}
    for sign in "/?&=:@,;+":
        pieces |= {part for piece in pieces for part in piece.split(sign)}
    pieces |= {unquote(piece) for piece in pieces}
    return tuple(sorted((piece for piece in pieces if len(piece) >= 4 and piece not in name), key=len, reverse=True))
