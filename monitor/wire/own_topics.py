"""The topics this daemon publishes under, and the ones by which it knows other sites."""

from __future__ import annotations

FIRST_LEVEL = "warmstraw"
EVERY_ANSWER = f"{FIRST_LEVEL}/+/answer"
EVERY_ALIVE = f"{FIRST_LEVEL}/+/alive"
EVERY_LINE = f"{FIRST_LEVEL}/+/line"
OF_THE_YARD = (EVERY_ANSWER, EVERY_ALIVE, EVERY_LINE)


def word(name: str) -> str:
    """A name as one level of a topic: what MQTT gives a meaning becomes a dash."""
    return "".join("-" if sign in "/+#\0" else sign for sign in name)


def of_site(site: str) -> str:
    """What all topics of this site begin with."""
    return f"{FIRST_LEVEL}/{word(site)}"


def is_own(topic: str) -> bool:
    """Is this what a daemon of ours says, and so no sensor?"""
    return topic.split("/", 1)[0] == FIRST_LEVEL
