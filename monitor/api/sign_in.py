"""Who is asking: a session cookie, a bearer token, or nobody; and how often one may guess.

Rules of this file: session ids are random and kept only as hashes; time is elapsed engine seconds
given by the caller; a wrong guess costs time, a right one never waits for somebody else's wrong ones
at another address.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from fastapi import Request

from monitor.api import private_file
from monitor.api.passwords import Passwords, Role
from monitor.api.problems import Refused
from monitor.engine.events import Json

COOKIE = "warmstraw_session"
# Long, and renewed by use: whoever is woken at three must not be asked for a password first.
SESSION_S = 180 * 24 * 3600.0
_RENEW_AFTER_S = 24 * 3600.0  # a session file per day and phone, not per request: flash wear
_MOST_SESSIONS = 200

GUESSES = 5  # wrong tries before the first wait
_FIRST_WAIT_S = 60.0  # doubles with each further wrong try
_LONGEST_WAIT_S = 3600.0
_PATIENCE_S = 3.0
_FORGET_AFTER_S = 24 * 3600.0
_MOST_ADDRESSES = 4096


@dataclass(frozen=True, slots=True)
class Who:
    """The one who asks."""

    role: Role
    session: str = ""  # hash of the session id

    @property
    def name(self) -> str:
        return {Role.KEEPER: "keeper", Role.LOOK_ONLY: "look-only", Role.PROGRAM: "program"}[self.role]


class Sessions:
    """Signed-in browsers, kept in one private file so that a restart signs nobody out."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.Lock()
        content = private_file.read_json(path)
        rows = content.items() if isinstance(content, dict) else ()
        self._rows: dict[str, dict[str, Json]] = {key: row for key, row in rows if isinstance(row, dict)}

    def open(self, role: Role, mark: str, now_at: float) -> str:
        """Begin a session and return its id, which is kept nowhere here."""
        token = secrets.token_urlsafe(32)
        with self._lock:
            alive = {key: row for key, row in self._rows.items() if _is_alive(row, now_at)}
            newest = sorted(alive, key=lambda key: _number(alive[key].get("used_at")))[-(_MOST_SESSIONS - 1) :]
            self._rows = {key: alive[key] for key in newest}
            self._rows[_hash(token)] = {"role": role.value, "mark": mark, "used_at": now_at}
            self._save()
        return token

    def who(self, token: str, marks: Callable[[Role], str], now_at: float) -> Who | None:
        """Whose session this is, if it is one, has not ended and its password still stands."""
        key = _hash(token)
        row = self._rows.get(key)
        if row is None or not _is_alive(row, now_at):
            return None
        role = Role(str(row["role"]))
        mark = marks(role)
        if not mark or row.get("mark") != mark:
            return None
        if now_at - _number(row.get("used_at")) > _RENEW_AFTER_S:
            with self._lock:
                row["used_at"] = now_at
                self._save()
        return Who(role, key)

    def close(self, key: str) -> None:
        with self._lock:
            if self._rows.pop(key, None) is not None:
                self._save()

    def _save(self) -> None:
        content: dict[str, Json] = dict(self._rows)
        with suppress(OSError):  # a full disk signs people out at the next restart; it must not lock them out now
            private_file.write_json(self._path, content)


class Guesses:
    """Wrong passwords by address: after a few, each further one makes that address wait longer."""

    def __init__(self) -> None:
        self._wrong: dict[str, tuple[int, float]] = {}  # address: how many, when the last
        self._lock = threading.Lock()

    def wait_s(self, address: str, now_at: float) -> float:
        """Seconds until this address may try again; 0 when it may now."""
        count, last = self._wrong.get(address, (0, now_at))
        if count < GUESSES or now_at < last:
            return 0.0
        wait = min(_LONGEST_WAIT_S, _FIRST_WAIT_S * 2.0 ** min(count - GUESSES, 10))
        return max(0.0, last + wait - now_at)

    def was_wrong(self, address: str, now_at: float) -> None:
        with self._lock:
            if len(self._wrong) >= _MOST_ADDRESSES:
                recent = {key: row for key, row in self._wrong.items() if now_at - row[1] < _FORGET_AFTER_S}
                oldest_first = sorted(recent, key=lambda key: recent[key][1])
                self._wrong = {key: recent[key] for key in oldest_first[-_MOST_ADDRESSES // 2 :]}
            count, last = self._wrong.get(address, (0, now_at))
            self._wrong[address] = (1 if now_at - last > _FORGET_AFTER_S else count + 1, now_at)

    def was_right(self, address: str) -> None:
        with self._lock:
            self._wrong.pop(address, None)


@dataclass(slots=True)
class SignIn:
    """Everything that decides who is asking."""

    passwords: Passwords
    sessions: Sessions
    guesses: Guesses
    token_file: Path | None
    now_at: Callable[[], float]
    # One hash at a time: each takes 19 MiB and a core for a moment, and the birds come first.
    hashing: threading.Semaphore

    def who(self, request: Request) -> Who | None:
        """The one who sent this request, or None. A wrong token is nobody, whatever cookie comes with it."""
        scheme, _, given = request.headers.get("authorization", "").partition(" ")
        if scheme:
            token = self._program_token()
            fits = scheme.lower() == "bearer" and token and hmac.compare_digest(given.strip().encode(), token)
            return Who(Role.PROGRAM) if fits else None
        cookie = request.cookies.get(COOKIE, "")
        return self.sessions.who(cookie, self.passwords.mark, self.now_at()) if cookie else None

    def reader(self, request: Request) -> Who:
        """May look. Raises Refused."""
        who = self.who(request)
        if who is None:
            first = "" if self.passwords.is_set() else no_password_yet()
            raise Refused(401, first, {"WWW-Authenticate": "Bearer"})
        return who

    def actor(self, request: Request) -> Who:
        """May change something. Raises Refused; also when another site's page sent the request."""
        who = self.reader(request)
        if who.role is not Role.PROGRAM:
            from_our_own_page(request)
        if not who.role.may_act:
            raise Refused(403, "")
        return who

    def keeper(self, request: Request) -> Who:
        """The keeper in person, who alone changes passwords. Raises Refused."""
        who = self.actor(request)
        if who.role is not Role.KEEPER:
            raise Refused(403, "only the keeper, signed in by password, changes passwords")
        return who

    def try_password(self, request: Request, password: str) -> tuple[Role, str]:
        """Sign in: the role and a fresh session id. Raises Refused."""
        address = client_address(request)
        # Asked once outside, so that a flood is turned away cheaply, and once inside, so that a burst of
        # guesses sent at the same moment counts as that many.
        self._must_wait(address)
        if not self.hashing.acquire(timeout=_PATIENCE_S):
            raise Refused(503, "too many are signing in at this moment; try again", {"Retry-After": "5"})
        try:
            self._must_wait(address)
            role = self.passwords.role_of(password)
            if role is None:
                self.guesses.was_wrong(address, self.now_at())
        finally:
            self.hashing.release()
        if role is None:
            raise Refused(401, "that is not the password" if self.passwords.is_set() else no_password_yet())
        self.guesses.was_right(address)
        return role, self.sessions.open(role, self.passwords.mark(role), self.now_at())

    def _must_wait(self, address: str) -> None:
        wait = self.guesses.wait_s(address, self.now_at())
        if wait > 0:
            seconds = str(round(wait + 0.5))
            raise Refused(429, f"too many wrong tries from this address; try again in {seconds} s", {"Retry-After": seconds})

    def _program_token(self) -> bytes:
        """Read anew each time, so that a token can be changed under a running daemon. Empty when there is none."""
        if self.token_file is None:
            return b""
        try:
            return self.token_file.read_bytes().strip()
        except OSError:
            return b""


def no_password_yet() -> str:
    return (
        "no password is set yet: run `warmstraw password` on the board, "
        "or open the one-time link that `warmstraw watch` prints on a terminal"
    )


def from_our_own_page(request: Request) -> None:
    """Refuse a write that a browser sends on behalf of another site's page. Raises Refused.

    Browsers send Origin with every write, and Sec-Fetch-Site besides where the connection is
    trusted; a program sends neither and carries no cookie by accident.
    """
    site = request.headers.get("sec-fetch-site", "same-origin")
    origin = request.headers.get("origin")
    elsewhere = origin is not None and urlsplit(origin).netloc != request.headers.get("host", "")
    if elsewhere or site not in ("same-origin", "none"):
        raise Refused(403, "this came from another site's page; open Warmstraw's own page and do it there")


def client_address(request: Request) -> str:
    """Who guesses, as far as it can be told; all of one IPv6 network count as one."""
    host = request.client.host if request.client else ""
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return host
    if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is None:
        return str(ipaddress.ip_network((address, 64), strict=False))
    return str(address)


def _hash(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


def _number(value: Json) -> float:
    return float(value) if isinstance(value, int | float) else 0.0


def _is_alive(row: dict[str, Json], now_at: float) -> bool:
    # `now_at` before the last use means the engine's timeline began anew; then nothing is known of its age.
    return 0 <= now_at - _number(row.get("used_at")) + 1 <= SESSION_S and row.get("role") in (Role.KEEPER, Role.LOOK_ONLY)
