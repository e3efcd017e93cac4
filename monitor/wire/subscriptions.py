"""Which messages are ours, once each, though topic filters overlap and a session remembers old ones.

Where two filters match one topic, an MQTT 5 broker may send the message once for each (mosquitto
2.0 does), which would store a reading twice. So every subscription carries an identifier, and of
several copies only the one counts that came by the topic's first matching filter. Under MQTT 3.1.1
there are no identifiers; mosquitto then sends one copy.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from typing import Final

from paho.mqtt.client import topic_matches_sub

MOST_TOPICS: Final = 4096  # remembered answers
_LARGEST_IDENTIFIER: Final = 268_435_455  # MQTT 5.0 section 3.8.2.1.2


class Subscriptions:
    """The topic filters of one client, in order."""

    def __init__(self, wanted: Sequence[tuple[str, int]]) -> None:
        """Take (filter, QoS) pairs; a filter named twice counts once, with the higher QoS."""
        self.wanted: dict[str, int] = {}
        for pattern, qos in wanted:
            self.wanted[pattern] = max(qos, self.wanted.get(pattern, 0))
        self._known = {identifier(pattern) for pattern in self.wanted}
        self._owners: dict[str, int | None] = {}

    def is_ours(self, topic: str, identifiers: Sequence[int], waited: bool) -> bool:
        """Whether this copy of the message is the one to take.

        Args:
            topic: of the message.
            identifiers: the subscription identifiers it carries, none under MQTT 3.1.1.
            waited: the broker held it while we were away, perhaps for a subscription of former
                settings; such a copy counts even if only that subscription brought it.
        """
        owner = self._owner(topic)
        if owner is None:
            return False
        if not identifiers or owner in identifiers:
            return True
        return waited and self._known.isdisjoint(identifiers)

    def _owner(self, topic: str) -> int | None:
        if topic not in self._owners:
            if len(self._owners) >= MOST_TOPICS:
                self._owners.clear()
            first = next((pattern for pattern in self.wanted if pattern == topic or topic_matches_sub(pattern, topic)), None)
            self._owners[topic] = None if first is None else identifier(first)
        return self._owners[topic]


def identifier(pattern: str) -> int:
    """A subscription identifier that follows the filter, not its place in the settings, which may change."""
    return zlib.crc32(pattern.encode("utf-8", "replace")) % _LARGEST_IDENTIFIER + 1
