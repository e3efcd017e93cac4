"""The topics this daemon publishes under, and the ones by which it knows other sites."""

from __future__ import annotations

EVERY_ANSWER = "warmstraw/+/answer"
EVERY_ALIVE = "warmstraw/+/alive"


def word(name: str) -> str:
    """A name as one level of a topic: what MQTT gives a meaning becomes a dash."""
    return "".join("-" if sign in "/+#\0" else sign for sign in name)


def of_site(site: str) -> str:
    """What all topics of this site begin with."""
    return f"warmstraw/{word(site)}"
