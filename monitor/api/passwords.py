"""The keeper's password and the neighbour's look-only one, kept as argon2id hashes in one private file.

The file holds {"keeper": hash, "look_only": hash}. It is written by `warmstraw password`, by the
one-time link that `watch` prints at the first start, and by the keeper on the page.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from pathlib import Path

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from monitor.api import private_file
from monitor.engine.connections import Connections
from monitor.engine.events import Json

SHORTEST = 8  # common practice, without a source of our own; the rate limit carries the rest
LONGEST = 256  # a bound on the work one request can ask for

# argon2id with 19 MiB, 2 passes, 1 lane: the smaller of the two profiles in OWASP's Password Storage
# Cheat Sheet (value from memory). The larger one would take a tenth of a small board's memory.
_HASHER = PasswordHasher(time_cost=2, memory_cost=19 * 1024, parallelism=1)


@cache
def _never() -> str:
    """A hash of no password, so that asking takes as long where none is set. Made when first asked: it takes as long."""
    return _HASHER.hash("no password has this hash")


class Role(StrEnum):
    """What a sign-in may do."""

    KEEPER = "keeper"
    LOOK_ONLY = "look_only"
    PROGRAM = "program"  # by token: reads and acts, but sets no password

    @property
    def may_act(self) -> bool:
        return self is not Role.LOOK_ONLY


class PasswordRefused(ValueError):  # noqa: N818 - said in words, like the rest of the house
    """This text will not do as a password; the sentence says why."""


def check_length(password: str) -> None:
    """Raises PasswordRefused when the text is too short or too long for a password."""
    if not SHORTEST <= len(password) <= LONGEST:
        raise PasswordRefused(f"a password has {SHORTEST} to {LONGEST} characters; this one has {len(password)}")


@dataclass(frozen=True, slots=True)
class Passwords:
    """The password file. Read anew at each use, so that the console can change it under a running daemon."""

    path: Path

    def _hashes(self) -> dict[str, str]:
        content = private_file.read_json(self.path)
        if not isinstance(content, dict):
            return {}
        return {role: text for role, text in content.items() if isinstance(text, str) and text}

    def is_set(self, role: Role = Role.KEEPER) -> bool:
        return role.value in self._hashes()

    def set(self, password: str, role: Role = Role.KEEPER) -> None:
        """Set or replace one password.

        Raises:
            PasswordRefused: too short, too long, or the same for both sign-ins.
        """
        check_length(password)
        hashes = self._hashes()
        other = Role.LOOK_ONLY if role is Role.KEEPER else Role.KEEPER
        if _fits(hashes.get(other.value), password):
            raise PasswordRefused("the keeper's and the look-only password must differ; choose another")
        content: dict[str, Json] = {**hashes, role.value: _HASHER.hash(password)}
        private_file.write_json(self.path, content)

    def remove(self, role: Role) -> None:
        """Take a sign-in away."""
        content: dict[str, Json] = {name: text for name, text in self._hashes().items() if name != role.value}
        private_file.write_json(self.path, content)

    def role_of(self, password: str) -> Role | None:
        """Whose password this is. Takes as long for a wrong one as for a right one."""
        if len(password) > LONGEST:
            return None
        hashes = self._hashes()
        keeper = _fits(hashes.get(Role.KEEPER.value, _never()), password)
        look_only = _fits(hashes.get(Role.LOOK_ONLY.value, _never()), password)
        return Role.KEEPER if keeper else Role.LOOK_ONLY if look_only else None

    def mark(self, role: Role) -> str:
        """Changes whenever that password does, so that sessions of an older password end."""
        found = re.sub(r"[^A-Za-z0-9]", "", self._hashes().get(role.value, ""))
        return found[-16:]


def _fits(hashed: str | None, password: str) -> bool:
    if not hashed:
        return False
    try:
        return _HASHER.verify(hashed, password)
    except (VerificationError, InvalidHashError):
        return False


def password_path(connections: Connections) -> Path:
    """Where the hashes are kept: `password_file` of the settings, else beside the store."""
    named = connections.api.password_file
    return Path(named) if named else Path(connections.store.folder) / "passwords.json"


def set_password(connections: Connections, password: str, *, look_only: bool = False) -> None:
    """Set the keeper's password, or the neighbour's look-only one. Raises PasswordRefused."""
    Passwords(password_path(connections)).set(password, Role.LOOK_ONLY if look_only else Role.KEEPER)
