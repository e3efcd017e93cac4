"""Day length and what heat does to lay."""

from __future__ import annotations

from collections.abc import Mapping

from monitor.facts.sources import Fact, facts

LAY: Mapping[str, Fact] = facts(
    Fact("day length for full lay", 14.0, "h", "msu-light", "seen", "below 12 h lay drops sharply"),
    Fact("longest useful day", 16.0, "h", "msu-light", "seen"),
    Fact("lengthen by, per week", 1.0, "h", "msu-light", "seen", "in the morning, bright enough to read a newspaper"),
    Fact("lengthen from age", 112, "d", "msu-light", "seen", "16 weeks; not earlier, or they lay before they are grown"),
    Fact("lay lost in chronic heat", 36.4, "%", "sander", "seen", "egg weight −3.4 %, feed conversion −31.6 %"),
)
