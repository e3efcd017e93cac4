"""What each flock wants next: warmth, heat off, room, roosts, nests, light, processing.

Rules of this file: pure; today comes in. Of what changes in steps (warmth, room) the step that holds now is
told as due, and the next one with its day; what happens once is told ahead, and as due for two weeks. The
birds' behaviour stands above every date: piled up is cold, far from the heat and panting is hot.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from math import ceil

from monitor.air.units import Kind, show
from monitor.engine.events import Json
from monitor.engine.specification import BirdClass, Flock, Pen, Specification, WarmthBand
from monitor.facts.brooding import BROODING_FACTS
from monitor.facts.growth import GROWTH_FACTS
from monitor.facts.lay import LAY
from monitor.facts.sources import SOURCES, Fact
from monitor.facts.space import HOUSING, SPACE, SpaceRow
from monitor.review.horizon import present, processing_day, start_of_lay_days
from monitor.review.sheet_words import day_words

ROUNDING = 1.005  # the table's m² a bird are printed ft², rounded to three digits
REMEMBERED = timedelta(days=14)  # so long a thing that happens once stays on the list as due
FIRE = "fire: lamp 3 ft (0.9 m) clear of litter or what its maker asks, on two hangers; local codes come first"


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing to do or to know.

    Attributes:
        day: from when it holds.
        pen, flock: where; flock "" where it is for all birds of the pen.
        what: in the keeper's units.
        why: the ground, in words.
        source: where the number comes from.
        due: it holds now.
    """

    day: date
    pen: str
    flock: str
    what: str
    why: str
    source: str
    due: bool


def calendar(
    specification: Specification, counts: Mapping[str, Mapping[str, int]], today: date, outside_c: float | None = None
) -> list[Entry]:
    """The whole site's calendar, the earliest first.

    Args:
        counts: birds now by pen and flock; what is left out has the count of the settings.
        today: the local calendar day.
        outside_c: the lowest outside temperature of the past day and night, °C; None while it is not known. A mild
            afternoon is no reason to take the heat away.
    """
    found = [
        entry
        for pen in specification.pens.values()
        for entry in _pen(pen, counts.get(pen.name, {}), today, outside_c, specification.units)
    ]
    return sorted(found, key=lambda entry: (entry.day, entry.pen, entry.flock, entry.what))


def _pen(pen: Pen, counts: Mapping[str, int], today: date, outside_c: float | None, units: str) -> Iterator[Entry]:
    for flock in pen.flocks:
        number = counts.get(flock.name, flock.count)
        gone = processing_day(flock)
        if number <= 0 or (gone is not None and today > gone + REMEMBERED):
            continue
        once = [*_housing(pen, flock, number, units), *_lay(pen, flock, number)]
        found = [
            *_warmth(pen, flock, today, units),
            *_heat_off(pen, flock, today, outside_c, units),
            *(replace(entry, due=entry.day <= today) for entry in once if today - entry.day <= REMEMBERED),
        ]
        yield from (entry for entry in found if gone is None or max(entry.day, today) < gone)
        if gone is not None:
            yield Entry(gone, pen.name, flock.name, "processing", "the age set for this flock", "the settings", gone <= today)
    yield from _room(pen, counts, today, units)


# --------------------------------------------------------------------- warmth


def _warmth(pen: Pen, flock: Flock, today: date, units: str) -> Iterator[Entry]:
    """The band of today, and the next one that asks for something else."""
    bands = pen.limits.warmth.get(flock.bird_class, ())
    steps = [band for n, band in enumerate(bands) if n == 0 or _asks(band) != _asks(bands[n - 1])]
    days = [flock.hatched + timedelta(days=band.from_day) for band in steps]
    now = max((n for n, day in enumerate(days) if day <= today), default=-1)
    for n in (now, now + 1):
        if 0 <= n < len(steps):
            what = _warmth_words(steps[n], steps[n - 1] if n > max(now, 0) else None, units)
            yield Entry(days[n], pen.name, flock.name, what, _warmth_why(steps[n], units), steps[n].source, n == now)


def _asks(band: WarmthBand) -> tuple[float, float, bool]:
    return band.target_low_c, band.target_high_c, band.needs_heat


def _warmth_words(band: WarmthBand, before: WarmthBand | None, units: str) -> str:
    span = _span(band.target_low_c, band.target_high_c, units)
    if not band.needs_heat:
        return f"feathered birds are fine at {span}, too cold at {show(band.cold_c, Kind.TEMPERATURE, units)}"
    if before is not None and band.target_high_c < before.target_high_c:
        return f"lower the warmth at bird level to {span}"
    return f"warmth at bird level {span}"


def _warmth_why(band: WarmthBand, units: str) -> str:
    if not band.needs_heat:
        return f"from {band.from_day} days of age"
    step = show(BROODING_FACTS["lowering per week"].value, Kind.TEMPERATURE_DIFFERENCE, units, 0)
    return f"from {band.from_day} days of age; between the steps about {step} less a week"


def _span(low_c: float, high_c: float, units: str) -> str:
    return f"{show(low_c, Kind.TEMPERATURE, units).split(' ')[0]} to {show(high_c, Kind.TEMPERATURE, units)}"


def _heat_off(pen: Pen, flock: Flock, today: date, outside_c: float | None, units: str) -> Iterator[Entry]:
    """When the heat may go: feathered, and the air outside warm enough. Not due while either is not known."""
    free = next((band for band in pen.limits.warmth.get(flock.bird_class, ()) if not band.needs_heat), None)
    if pen.heat.kind == "none" or free is None:
        return
    feathered, warm = BROODING_FACTS["feathered at"], BROODING_FACTS["heat off at outside temperature"]
    age = max(int(feathered.value), free.from_day)
    day = flock.hatched + timedelta(days=age)
    if today - day > 2 * REMEMBERED:
        return
    limit = show(warm.value, Kind.TEMPERATURE, units, 0)
    due = day <= today and outside_c is not None and outside_c >= warm.value
    if day > today:
        what = f"heat off, once the air outside stays at {limit} or more"
    elif outside_c is None:
        what = f"heat stays on: how cold it gets outside is not known, {limit} or more is wanted"
    else:
        coldest = f"{show(outside_c, Kind.TEMPERATURE, units, 0)} at the coldest outside"
        what = f"heat off: {coldest}" if due else f"heat stays on: {coldest}, {limit} or more is wanted"
    why = f"feathered at about {age // 7} weeks; watch the first nights. {FIRE}"
    yield Entry(day, pen.name, flock.name, what, why, _source(warm), due)


# ----------------------------------------------------------------------- room


def _room(pen: Pen, counts: Mapping[str, int], today: date, units: str) -> Iterator[Entry]:
    """Floor, feeder and water by age, for all birds of the pen together: now, next, and when the floor gets tight."""
    days = sorted({flock.hatched + timedelta(days=row.from_day) for flock in pen.flocks for row in SPACE} | _departures(pen))
    steps = [(day, _wanted(pen, counts, day)) for day in days]
    # A flock's leaving can lower the want; a step that changes nothing is none.
    steps = [step for n, step in enumerate(steps) if step[1][0] > 0 and (n == 0 or step[1] != steps[n - 1][1])]
    past = [n for n, (day, _) in enumerate(steps) if day <= today]
    ahead = [n for n, (day, _) in enumerate(steps) if day > today]
    tight = [n for n in ahead if steps[n][1][1] > pen.floor_m2 * ROUNDING]
    if not _wanted(pen, counts, today)[0]:
        past = []
    for n in sorted({*past[-1:], *ahead[:1], *tight[:1]}):
        day, (number, floor_m2, feeder_m, water_m) = steps[n]
        before_m2 = steps[n - 1][1][1] if n else 0.0
        source = _title("psu-space")
        yield Entry(
            day, pen.name, "", _floor_words(pen, number, floor_m2, before_m2, n in past, units), _FLOOR_WHY, source, n in past
        )
        what = f"{show(feeder_m, Kind.LENGTH, units)} of feeder edge and {show(water_m, Kind.LENGTH, units)} of water edge"
        yield Entry(day, pen.name, "", what, f"for {number} birds of their age", source, n in past)


_FLOOR_WHY = "birds short of floor foul it, peck and pile up; laws of the place come first where they ask more"


def _departures(pen: Pen) -> set[date]:
    return {gone for flock in pen.flocks if (gone := processing_day(flock)) is not None}


def _wanted(pen: Pen, counts: Mapping[str, int], day: date) -> tuple[int, float, float, float]:
    """Birds there on a day, and floor m², feeder m and water m they want together."""
    number, floor_m2, feeder_m, water_m = 0, 0.0, 0.0, 0.0
    for flock in pen.flocks:
        here = present(flock, counts, day)
        if here <= 0:
            continue
        row = _space_row((day - flock.hatched).days)
        number += here
        floor_m2 += here * row.floor_m2
        feeder_m += here * row.feeder_m
        water_m += here * row.water_m
    return number, floor_m2, feeder_m, water_m


def _space_row(age_days: int) -> SpaceRow:
    return next(row for row in reversed(SPACE) if row.from_day <= max(0, age_days))


def _floor_words(pen: Pen, number: int, wanted_m2: float, before_m2: float, is_now: bool, units: str) -> str:
    wanted, has = _area(wanted_m2, units), _area(pen.floor_m2, units)
    if wanted_m2 > pen.floor_m2 * ROUNDING:
        fits = int(number * pen.floor_m2 * ROUNDING / wanted_m2)
        lacks = _area(wanted_m2 - pen.floor_m2, units)
        return f"floor gets tight: {number} birds want {wanted}, the pen has {has}: {lacks} more, or {fits} birds"
    if is_now or wanted_m2 <= before_m2:
        return f"ring or floor of at least {wanted} for {number} birds (the pen has {has})"
    wider = _area(wanted_m2 - before_m2, units)
    return f"widen the ring by {wider} to at least {wanted} for {number} birds (the pen has {has})"


def _area(m2: float, units: str) -> str:
    return show(m2, Kind.AREA, units, 0 if units == "us" else 1)


def _housing(pen: Pen, flock: Flock, number: int, units: str) -> Iterator[Entry]:
    ring = BROODING_FACTS["chick ring off at"]
    yield _once(pen, flock, int(ring.value), "chick ring may come off", "they find heat, feed and water by then", ring)
    if flock.bird_class is BirdClass.MEAT:
        return
    roost = HOUSING["roost per heavy bird" if flock.bird_class is BirdClass.DUAL_PURPOSE else "roost per bird"]
    each, whole = show(roost.value, Kind.LENGTH, units), show(number * roost.value, Kind.LENGTH, units)
    start = HOUSING["roosts offered from"]
    yield _once(
        pen,
        flock,
        int(start.value),
        f"low roosts, {whole} for {number} birds",
        f"{each} a bird; the age is common practice",
        roost,
    )


# ------------------------------------------------------------------------ lay


def _lay(pen: Pen, flock: Flock, number: int) -> Iterator[Entry]:
    start = start_of_lay_days(flock)
    if start is None:
        return
    per_nest, before = HOUSING["hens per nest"], int(HOUSING["nests open before lay"].value)
    nests = ceil(number / per_nest.value)
    as_if = "" if flock.bird_class is BirdClass.LAYER else ", as if all were hens"
    yield _once(
        pen,
        flock,
        max(0, start - before),
        f"nests open: {nests} for {number} birds{as_if}",
        f"{per_nest.value:.0f} hens a nest, {before} days before the first egg (common practice)",
        per_nest,
    )
    known = GROWTH_FACTS[f"start of lay, {flock.bird_class.value}"]
    source = "the settings" if flock.start_of_lay_days is not None else _source(known)
    yield replace(_once(pen, flock, start, "first eggs", f"about {start / 7:.0f} weeks", known), source=source)
    light, most, step, age = (
        LAY[name] for name in ("day length for full lay", "longest useful day", "lengthen by, per week", "lengthen from age")
    )
    yield _once(
        pen,
        flock,
        int(age.value),
        f"lengthen the day by {step.value:.0f} h a week to {light.value:.0f} h, at most {most.value:.0f} h",
        "in the morning, bright enough to read by; not earlier, or they lay before they are grown",
        light,
    )
    if flock.end_of_lay_days is not None:
        end = _once(pen, flock, flock.end_of_lay_days, "end of lay", "the age set for this flock", known)
        yield replace(end, source="the settings")


def _once(pen: Pen, flock: Flock, age_days: int, what: str, why: str, fact: Fact) -> Entry:
    return Entry(flock.hatched + timedelta(days=age_days), pen.name, flock.name, what, why, _source(fact), False)


def _source(fact: Fact) -> str:
    known = _title(fact.source)
    return (
        known if fact.sureness == "seen" else f"{known} ({'value from memory' if fact.sureness == 'memory' else fact.sureness})"
    )


def _title(key: str) -> str:
    source = SOURCES[key]
    return source.title if source.year is None else f"{source.title} ({source.year})"


# ----------------------------------------------------------------- text, JSON


def as_lines(entries: Sequence[Entry], today: date) -> list[str]:
    """One line an entry: when, where, what."""
    return [
        f"{'now' if entry.due else ('' if entry.day <= today else day_words(entry.day)):18} "
        f"{entry.pen}{', ' + entry.flock if entry.flock else ''}: {entry.what}"
        for entry in entries
    ]


def as_json(entries: Sequence[Entry]) -> list[Json]:
    return [
        {
            "day": entry.day.isoformat(),
            "pen": entry.pen,
            "flock": entry.flock,
            "what": entry.what,
            "why": entry.why,
            "source": entry.source,
            "due": entry.due,
        }
        for entry in entries
    ]
