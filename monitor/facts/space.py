"""Floor, feeder, water, nests and roosts.

The chick rows are Penn State's for small flocks; laws of the place come first where they ask more.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from monitor.facts.sources import Fact, Sureness, facts


@dataclass(frozen=True, slots=True)
class SpaceRow:
    """Room one bird wants from `from_day` on: floor m², feeder and water edge m."""

    from_day: int
    floor_m2: float
    feeder_m: float
    water_m: float
    source: str = "psu-space"
    sureness: Sureness = "calculated"  # printed in ft² and in
    note: str = ""


SPACE: tuple[SpaceRow, ...] = (
    SpaceRow(0, 0.023, 0.025, 0.013, note="¼ ft², 1 in, ½ in"),
    SpaceRow(7, 0.046, 0.038, 0.013, note="½ ft², 1½ in, ½ in; weeks 2–3"),
    SpaceRow(21, 0.070, 0.051, 0.013, note="¾ ft², 2 in, ½ in; weeks 3–5, counted from the end of week 3"),
    SpaceRow(35, 0.093, 0.051, 0.019, note="1 ft², 2 in, ¾ in; weeks 5–8"),
    SpaceRow(56, 0.186, 0.089, 0.038, note="1½–3 ft², 3–4 in, 1–2 in; 2 ft² taken (Utah 1½–2, US extension commonly 2)"),
)

HOUSING: Mapping[str, Fact] = facts(
    Fact("hens per m2, EU litter systems", 9.0, "1/m2", "eu-1999-74", "seen", "usable area; the law's maximum"),
    Fact("litter per hen, EU", 0.025, "m2", "eu-1999-74", "seen", "and at least a third of the floor"),
    Fact("hens per nest", 4.0, "1", "extension-hens", "seen", "4–5; EU: 1 nest for 7 hens"),
    Fact("roost per bird", 0.20, "m", "extension-hens", "seen", "8 in standard, 6 in small, 12 in heavy; EU 15 cm"),
    Fact("roost per heavy bird", 0.30, "m", "extension-hens", "seen", "12 in"),
    Fact("roosts apart", 0.30, "m", "eu-1999-74", "seen", "20 cm from the wall"),
    Fact("floor per hen, small flock", 0.186, "m2", "usu", "calculated", "1½–2 ft²; 2 taken"),
    Fact("roosts offered from", 28, "d", "inference", "inference", "common practice: low roosts from 4 weeks"),
    Fact("nests open before lay", 14, "d", "inference", "inference", "common practice: two weeks before the first egg"),
    Fact("water drunk by a laying hen", 0.179, "L/day", "hen-water", "calculated", "4.74 US gal per 100 hens; far more in heat"),
    Fact("water drunk per feed eaten", 2.0, "kg/kg", "uga-litter", "seen", "1.7–2 by mass"),
)
