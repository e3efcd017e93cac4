"""Ammonia: what birds and people bear, what it does, and what a sensor can be trusted with.

Where bird limits disagree (10 to 30 ppm) the alarm takes 20: EU law, the layer breeder's guide and
the US recommended maximum agree there. People's limits are workplace limits; a keeper who smells
nothing is not proof of clean air, for the nose tires within about 20 minutes. Local occupational
law comes first.
"""

from __future__ import annotations

from collections.abc import Mapping

from monitor.facts.sources import Fact, facts

BIRDS: Mapping[str, Fact] = facts(
    Fact("target", 10.0, "ppm", "psu-ammonia", "seen", "US guidelines typically < 10; Cobb < 10"),
    Fact("limit", 20.0, "ppm", "eu-2007-43", "seen",
         "at head height; Lohmann 20, US recommended maximum 20 (short-term 25), Georgia < 30 and ideally < 20, Kansas 30"),
    Fact("limit clears", 17.0, "ppm", "inference", "inference", "3 ppm deadband: an electrochemical cell is good to ±3 ppm"),
    Fact("short-term maximum", 25.0, "ppm", "psu-ammonia", "seen"),
    Fact("danger", 50.0, "ppm", "extension-eye", "seen", "keratoconjunctivitis; blindness shows 5 to 7 days after the damage"),
)  # fmt: skip

PEOPLE: Mapping[str, Fact] = facts(
    Fact("NIOSH recommended limit, 10 h mean", 25.0, "ppm", "niosh", "seen"),
    Fact("NIOSH short-term limit, 15 min", 35.0, "ppm", "niosh", "seen",
         "printed as 27 mg/m³; 35 ppm is 24.4 mg/m³ at 25 °C: the ppm figure is taken"),
    Fact("OSHA limit, 8 h mean", 50.0, "ppm", "osha", "seen", "printed as 35 mg/m³, which fits 0.70 mg/m³ per ppm"),
    Fact("ACGIH limit, 8 h mean", 25.0, "ppm", "acgih", "seen"),
    Fact("ACGIH short-term limit, 15 min", 35.0, "ppm", "acgih", "seen"),
    Fact("immediately dangerous to life or health", 300.0, "ppm", "niosh", "seen"),
    Fact("AEGL-1, all periods", 30.0, "ppm", "aegl", "memory", "discomfort; 10 min to 8 h"),
    Fact("AEGL-2, 30 min", 220.0, "ppm", "aegl", "memory", "lasting harm or impaired escape"),
    Fact("AEGL-2, 8 h", 110.0, "ppm", "aegl", "memory"),
    Fact("AEGL-3, 30 min", 1600.0, "ppm", "aegl", "memory", "threat to life"),
    Fact("AEGL-3, 8 h", 390.0, "ppm", "aegl", "memory"),
    Fact("smelt from, low", 5.0, "ppm", "aegl", "seen", "5 to 53 ppm by person; others say 10, 20, 20–30 or 25"),
    Fact("smelt from, high", 53.0, "ppm", "aegl", "seen"),
    Fact("nose tires within", 1200.0, "s", "minnesota-ammonia", "seen", "about 20 minutes: smell is no measure"),
    Fact("eyes water from", 150.0, "ppm", "minnesota-ammonia", "seen", "150–200"),
    Fact("strong irritation from", 400.0, "ppm", "minnesota-ammonia", "seen", "400–700"),
    Fact("may kill in 30 min from", 2000.0, "ppm", "minnesota-ammonia", "seen", "2000–3000"),
)  # fmt: skip

EFFECTS_ON_BIRDS: Mapping[str, Fact] = facts(
    Fact("cilia of the windpipe stop, 3 min", 20.0, "ppm", "cobb", "seen", "a trade table"),
    Fact("inflamed eyes, 3 weeks", 25.0, "ppm", "miles", "seen", "as 75 ppm in one week; slight lesions"),
    Fact("airways and growth harmed, continuous", 30.0, "ppm", "ksu", "seen"),
    Fact("eye damage and off feed, 12 h", 46.0, "ppm", "cobb", "seen", "46–102 ppm"),
    Fact("weight falls to three quarters, 3 weeks", 75.0, "ppm", "miles", "seen", "91 % at 7 weeks once the exposure ended at 4"),
)

EMISSION: Mapping[str, Fact] = facts(
    Fact("broiler on litter", 0.28, "g/bird/day", "csiro-an15561", "calculated", "11.9 g a bird over 42 days, 47 mm of litter"),
    Fact("small flock, default", 0.3, "g/bird/day", "inference", "inference",
         "0.1 on dry, fresh litter to 0.9 on old, wet litter: a factor of three either way; the pen's own readings refine it"),
    Fact("moisture of most ammonia, low", 37.4, "% wet basis", "miles-2011", "seen", "rises up to there, then falls"),
    Fact("moisture of most ammonia, high", 51.1, "% wet basis", "miles-2011", "seen"),
    Fact("40.6 °C against 18.3 °C, up to", 7.0, "times", "miles-2011", "seen"),
    Fact("hour of most ammonia", 6.0, "h", "atapattu-2017", "seen", "lowest at 18 h; far more at 30 cm than at 90 or 150 cm"),
)  # fmt: skip

SENSORS: Mapping[str, Fact] = facts(
    Fact("electrochemical cell, uncertainty", 3.0, "ppm", "illinois-2015", "seen", "±3; maker's ±5 at 100 ppm full scale"),
    Fact("electrochemical cell, drift", 4.8, "ppm", "illinois-2015", "seen", "largest drift error seen"),
    Fact("electrochemical cell, 95 % of a step", 60.0, "s", "illinois-2015", "seen"),
    Fact("field trial against a reference", 3.0, "ppm", "uga-sensors", "seen", "checked each flock with 50 ppm and 8 ppm gas"),
    Fact("electrochemical cell, replace after", 12.0, "months", "inference", "memory",
         "12 to 24; value from memory, as data sheets put it: zero in fresh air, span gas every 1 to 3 months"),
    Fact("metal-oxide element, warm-up", 24.0, "h", "inference", "memory",
         "24 to 48; value from memory. Also sees alcohol, hydrogen, solvents, and drifts with humidity: a trend, no measure"),
)  # fmt: skip
