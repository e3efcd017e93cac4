"""An alarm's key as one part of an address, and back.

Keys look like "brooder/sensor_silent/chick height"; a site-wide alarm's like "/broker_lost".
Letters, digits and "_" stay; "/" becomes "~"; every other byte becomes "-" and two hex digits.
"""

from __future__ import annotations

import re

_PLAIN = frozenset(b"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_")
_SLUG = re.compile(r"(?:[A-Za-z0-9_~]|-[0-9a-f]{2})+")
_LONGEST = 600


def slug(key: str) -> str:
    """The key, fit for an address without any further quoting."""
    return "".join(chr(byte) if byte in _PLAIN else "~" if byte == 0x2F else f"-{byte:02x}" for byte in key.encode())


def unslug(text: str) -> str | None:
    """The key behind a slug; None for what no key can give."""
    if len(text) > _LONGEST or not _SLUG.fullmatch(text):
        return None
    raw = re.sub(r"-([0-9a-f]{2})", lambda found: chr(int(found[1], 16)), text.replace("~", "/"))
    try:
        key = raw.encode("latin-1").decode()
    except UnicodeDecodeError:
        return None
    return key if slug(key) == text else None
