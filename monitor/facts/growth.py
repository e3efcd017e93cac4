"""Live weight by age and class, eggs, start of lay and processing age.

Tables are (age in days, live weight in kg), hatch to grown; straight lines between the points. A
breed, feed or sex of one's own may differ by a fifth: weigh ten birds now and then.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from monitor.facts.sources import Fact, facts

GrowthTable = tuple[tuple[float, float], ...]

# Brown egg layer, middle of the breeder's range (Hy-Line Brown guide; values from memory); hatch weight: a usual chick.
LAYER: GrowthTable = (
    (0, 0.040), (7, 0.070), (14, 0.125), (21, 0.190), (28, 0.265), (35, 0.360), (42, 0.460), (49, 0.560), (56, 0.670),
    (70, 0.890), (84, 1.080), (98, 1.230), (112, 1.370), (126, 1.490), (140, 1.600), (490, 1.970),
)  # fmt: skip

# Dual-purpose, both sexes mixed: middle of what the trade gives at 8, 12, 16 and 20 weeks (values from memory), grown to
# the mean of hen (2.5–3 kg) and cock (3.5–4 kg). Before 8 weeks: inference, shaped like the layer's curve.
DUAL_PURPOSE: GrowthTable = (
    (0, 0.040), (7, 0.085), (14, 0.160), (21, 0.265), (28, 0.390), (35, 0.540), (42, 0.710), (49, 0.900), (56, 1.100),
    (84, 1.900), (112, 2.550), (140, 3.000), (365, 3.250),
)  # fmt: skip

# Males of dual-purpose breeds: the upper end of the same ranges (values from memory); grown cock 3.75 kg.
DUAL_PURPOSE_MALE: GrowthTable = (
    (0, 0.040), (7, 0.090), (14, 0.175), (21, 0.300), (28, 0.450), (35, 0.630), (42, 0.840), (49, 1.060), (56, 1.300),
    (84, 2.200), (112, 2.900), (140, 3.400), (365, 3.750),
)  # fmt: skip

# Fast Cornish-cross meat bird: middle of 2.5–2.8 kg at 6 and 3.8–4.2 kg at 8 weeks (values from memory).
MEAT: GrowthTable = (
    (0, 0.042), (7, 0.185), (14, 0.460), (21, 0.930), (28, 1.480), (35, 2.080), (42, 2.650), (49, 3.350), (56, 4.000),
    (84, 5.500),
)  # fmt: skip

GROWTH: Mapping[str, GrowthTable] = MappingProxyType({"layer": LAYER, "meat": MEAT, "dual-purpose": DUAL_PURPOSE})

GROWTH_FACTS: Mapping[str, Fact] = facts(
    Fact("layer table", 490, "d", "hy-line-brown", "memory", "brown egg layer, middle of the range, to 70 weeks"),
    Fact("dual-purpose table", 365, "d", "trade-growth", "memory", "mixed sexes; males stand 15 to 20 % higher, hens lower"),
    Fact("meat table", 84, "d", "trade-growth", "memory",
         "fast Cornish-cross; a slow colour bird has 2.2–2.4 kg at 81–84 days: then use the dual-purpose table"),
    Fact("egg mass of a laying hen", 0.05, "kg/day", "cigr-2002", "memory", "table eggs; 0.04 for hatching eggs"),
    Fact("start of lay, layer", 133, "d", "trade-growth", "memory", "about 19 weeks; 18 to 20"),
    Fact("start of lay, dual-purpose", 161, "d", "trade-growth", "memory", "about 23 weeks; 20 to 26"),
    Fact("processing, meat", 56, "d", "trade-growth", "memory", "6 to 8 weeks"),
    Fact("processing, dual-purpose male", 112, "d", "mccrea", "seen",
         "a Delaware needs 15 weeks for the weight a broiler has at 6; 16 weeks taken as common practice"),
    Fact("end of first lay", 560, "d", "inference", "inference", "80 weeks; many keep on"),
)  # fmt: skip
