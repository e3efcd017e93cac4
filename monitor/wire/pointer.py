"""JSON Pointer (RFC 6901): which value inside a JSON document is meant."""

from __future__ import annotations

import re
from dataclasses import dataclass

from monitor.engine.events import Json
from monitor.wire.causes import Cause, Unusable

_STRAY_TILDE = re.compile(r"~(?![01])")
_INDEX = re.compile(r"0|[1-9][0-9]{0,8}", re.ASCII)


@dataclass(frozen=True, slots=True)
class Pointer:
    """A pointer taken apart once, to be followed many times."""

    tokens: tuple[str, ...]

    @classmethod
    def parse(cls, written: str) -> Pointer:
        """Take apart a pointer such as "/air/0/t"; "" means the whole document.

        Raises:
            ValueError: it does not begin with "/", or holds a "~" that is not "~0" or "~1".
        """
        if written and not written.startswith("/"):
            raise ValueError(f'JSON pointer {written!r}: expected to begin with "/", such as "/t"')
        if _STRAY_TILDE.search(written):
            raise ValueError(f'JSON pointer {written!r}: write "~" as "~0" and "/" within a name as "~1"')
        # "~1" before "~0", so that "~01" becomes "~1" and not "/" (RFC 6901 section 4)
        return cls(tuple(token.replace("~1", "/").replace("~0", "~") for token in written.split("/")[1:]))

    def follow(self, document: Json) -> Json:
        """The value meant. Raises `Unusable` when there is none: nothing is guessed."""
        value = document
        for token in self.tokens:
            if isinstance(value, dict):
                if token not in value:
                    raise Unusable(Cause.NOTHING_THERE)
                value = value[token]
            elif isinstance(value, list):
                if not _INDEX.fullmatch(token) or int(token) >= len(value):
                    raise Unusable(Cause.NOTHING_THERE)
                value = value[int(token)]
            else:
                raise Unusable(Cause.NOTHING_THERE)
        return value
