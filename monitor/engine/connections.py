"""Where the daemon's neighbours are, and the small records that pass between the rooms of floor 4.

The rooms of floor 4 never import one another; what two of them share is a type here.
Secrets are held as `Secret`, which prints as stars.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.engine.specification import Priority


class Secret:
    """A password or token that never shows itself in a log, a traceback or JSON."""

    __slots__ = ("_value",)

    def __init__(self, value: str) -> None:
        self._value = value

    def reveal(self) -> str:
        return self._value

    def __bool__(self) -> bool:
        return bool(self._value)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Secret) and other._value == self._value

    def __hash__(self) -> int:
        return hash(self._value)

    def __repr__(self) -> str:
        return "'********'" if self._value else "''"

    __str__ = __repr__


@dataclass(frozen=True, slots=True)
class Broker:
    host: str = "127.0.0.1"
    port: int = 1883
    tls: bool = False
    ca_file: str | None = None
    certificate_file: str | None = None
    key_file: str | None = None
    username: str | None = None
    password: Secret | None = None
    client_id: str = "warmstraw"
    session_expiry_s: int = 7 * 24 * 3600
    receive_maximum: int = 200
    keepalive_s: int = 30


@dataclass(frozen=True, slots=True)
class StoreKeeping:
    folder: str = "/var/lib/warmstraw"
    commit_every_s: float = 200.0  # what the card's budget allows, tests/bench/store_backup.py
    raw_days: int = 400  # raw readings older than this are dropped, roll-ups stay; 0 keeps all


@dataclass(frozen=True, slots=True)
class ApiAddress:
    host: str = "127.0.0.1"
    port: int = 8720
    token_file: str | None = None
    password_file: str | None = None  # hash of the keeper's password; beside the store when left out
    public_address: str | None = None  # as the phone reaches it, for links in notices


@dataclass(frozen=True, slots=True)
class Tell:
    """Who hears of it, by which channel, for which priorities, at which hours."""

    person: str
    channel: Secret  # an apprise address, or "mqtt:TOPIC" for a siren
    priorities: tuple[Priority, ...]
    hours: tuple[str, str] | None = None  # local "HH:MM", "HH:MM"; outside them low and medium wait
    order: int = 0  # 0 is told first; the next order when nobody acknowledged
    escalate_after_s: float = 600.0
    repeat_every_s: float = 900.0
    reports: bool = False


@dataclass(frozen=True, slots=True)
class Mirror:
    address: str
    organisation: str
    bucket: str
    token: Secret | None = None


@dataclass(frozen=True, slots=True)
class DeadManPing:
    address: Secret
    every_s: float = 300.0


@dataclass(frozen=True, slots=True)
class Connections:
    broker: Broker = field(default_factory=Broker)
    store: StoreKeeping = field(default_factory=StoreKeeping)
    api: ApiAddress = field(default_factory=ApiAddress)
    tell: tuple[Tell, ...] = ()
    mirror: Mirror | None = None
    ping: DeadManPing | None = None
    clock: str = "synchronised"  # or "kept": the machine has a battery clock, or its host keeps time
    watches_yard: bool = False  # listens to the answers of every site this broker carries


@dataclass(frozen=True, slots=True)
class Delivery:
    """One MQTT delivery that waits for its acknowledgement."""

    connection: int  # counts reconnects; an id of an earlier connection is never acknowledged
    packet_id: int
    qos: int
    digest: bytes  # of topic and payload


@dataclass(frozen=True, slots=True)
class Notice:
    """One message to one person by one channel."""

    key: str  # unique; writing the same key again changes nothing, so nobody is told twice
    occurrence: int
    alarm: str  # alarm key, or "" for a report
    kind: str  # "raised", "again", "escalated", "all clear", "report", "test", "started", "loss", "summary"
    person: str
    channel: int  # index into Connections.tell
    priority: Priority
    title: str
    body: str
    due_at: float  # elapsed seconds
    stale_after: float  # elapsed seconds; later than this it is folded into a summary
