"""One-time links: to set the first password, and to acknowledge an alarm with one tap.

A token is what it says (base64url JSON) and an HMAC-SHA256 over it. It ends by elapsed engine time, so a
wrong clock at boot neither kills nor revives it, and it works once: the used ones are remembered
on disk until they would have ended anyway. Looking at a link (GET) does nothing, since mail
scanners and chat previews look at every link; the button on the page does it (POST).
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
import secrets
import threading
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from monitor.api import private_file
from monitor.engine.connections import Connections
from monitor.engine.events import Json

ACKNOWLEDGE_FOR_S = 24 * 3600.0
SET_UP_FOR_S = 3600.0
_LONGEST = 1500
_MOST_USED = 2000  # spent links remembered; far more than a day of alarms


@dataclass(frozen=True, slots=True)
class Link:
    """What a valid token allows: `purpose` "acknowledge" or "set up", once, until `ends_at`."""

    purpose: str
    ends_at: float
    nonce: str
    alarm: str = ""
    occurrence: int = 0
    person: str = ""


class Links:
    """Makes, reads and spends one-time links. The key and the spent ones live in `folder`."""

    def __init__(self, folder: Path) -> None:
        self._key_file = folder / "links.key"
        self._spent_file = folder / "links-spent.json"
        self._lock = threading.Lock()
        self._key = _key(self._key_file)
        remembered = private_file.read_json(self._spent_file)
        pairs = remembered.items() if isinstance(remembered, dict) else ()
        self._spent: dict[str, float] = {nonce: ends for nonce, ends in pairs if isinstance(ends, int | float)}

    def make(self, link: Link) -> str:
        """The token of this link."""
        said: dict[str, Json] = {"p": link.purpose, "e": round(link.ends_at), "n": link.nonce}
        if link.purpose == "acknowledge":
            said |= {"a": link.alarm, "o": link.occurrence, "w": link.person}
        payload = json.dumps(said, separators=(",", ":"), ensure_ascii=False).encode()
        return f"{_encode(payload)}.{_encode(self._mac(payload))}"

    def read(self, token: str, now_at: float) -> Link | None:
        """The link behind a token that is ours, has not ended and was not used; None otherwise."""
        payload_text, _, mac_text = token.partition(".")
        if len(token) > _LONGEST:
            return None
        try:
            payload, mac = _decode(payload_text), _decode(mac_text)
        except (binascii.Error, ValueError):
            return None
        if not hmac.compare_digest(mac, self._mac(payload)):
            return None
        said = json.loads(payload)  # ours, since the code over it fits
        link = Link(said["p"], float(said["e"]), said["n"], said.get("a", ""), said.get("o", 0), said.get("w", ""))
        return link if now_at <= link.ends_at and link.nonce not in self._spent else None

    def spend(self, link: Link, now_at: float) -> bool:
        """Use the link up, durably. False when somebody else just did."""
        with self._lock:
            if link.nonce in self._spent:
                return False
            left = sorted((ends, nonce) for nonce, ends in self._spent.items() if ends >= now_at)
            self._spent = {nonce: ends for ends, nonce in left[-_MOST_USED:]} | {link.nonce: link.ends_at}
            spent: dict[str, Json] = dict(self._spent)
            with suppress(OSError):  # a full disk must not keep a keeper from acknowledging; it is spent in memory
                private_file.write_json(self._spent_file, spent)
        return True

    def _mac(self, payload: bytes) -> bytes:
        return hmac.digest(self._key, payload, hashlib.sha256)


def folder_of(connections: Connections) -> Path:
    """Where the sign-in room keeps its files: a folder of its own in the store's folder."""
    return Path(connections.store.folder) / "sign-in"


def make_link(links: Links, address: str, alarm: str, occurrence: int, person: str, now_at: float) -> str:
    """A one-tap link to acknowledge this occurrence of an alarm.

    Args:
        links: of this store folder.
        address: of the page as the phone reaches it, such as "http://barn.local:8720".
        alarm: its key. occurrence: which raising of it; a later one is not touched by this link.
        person: who it is for; written into the record as the one who acknowledged.
        now_at: elapsed engine seconds; the link ends a day later.
    """
    link = Link("acknowledge", now_at + ACKNOWLEDGE_FOR_S, secrets.token_urlsafe(9), alarm, occurrence, person)
    return f"{address.rstrip('/')}/a/{links.make(link)}"


def new_setup_link(links: Links, address: str, now_at: float) -> str:
    """A one-time link that sets the keeper's password within the hour.

    The token stands behind "#", which browsers do not send, so that no log on the way holds it.
    """
    return f"{address.rstrip('/')}/#/set-up/{links.make(Link('set up', now_at + SET_UP_FOR_S, secrets.token_urlsafe(9)))}"


def _key(path: Path) -> bytes:
    try:
        key = path.read_bytes()
        if len(key) == 32:
            return key
    except OSError:
        pass
    key = secrets.token_bytes(32)
    with suppress(OSError):  # links then end with this process; the alarm itself does not depend on them
        private_file.write(path, key)
    return key


def _encode(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode()


def _decode(text: str) -> bytes:
    raw = base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
    if _encode(raw) != text:
        raise ValueError("not the one right spelling")
    return raw
