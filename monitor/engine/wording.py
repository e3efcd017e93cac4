"""From an alarm to what a tired person reads on a lock screen.

Rules of this file: pure; every number comes in as SI with the alarm's evidence and leaves in the keeper's
units; a sentence whose numbers are not known is left out, never filled with a guess. The texts themselves
are a `Catalogue` (English: `monitor.engine.wording_english`); another language is another catalogue, read
from a plain dict by `monitor.engine.translation`, and may replace as few or as many texts as it likes.

Fields a text may use, in braces: pen, site, sensor, value, other, limit, clears, wanted, source, age, since,
lasting, falling, rising, reaches, reaches_time, reaches_in, worst, note, link, count, commanded, reported. A list
of alternatives is read from the front: the first whose fields are all known is taken.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from string import Formatter
from types import MappingProxyType
from zoneinfo import ZoneInfo

from monitor.air.units import Kind, show
from monitor.engine.events import AlarmChanged, Evidence
from monitor.engine.specification import Specification
from monitor.engine.state import AlarmRecord

# What a lock screen shows of a title; the matter must stand in it.
GLANCE = 60

FIELDS = frozenset(
    (
        *("pen", "site", "sensor", "value", "limit", "clears", "wanted", "source", "age", "since", "lasting"),
        *("falling", "rising", "reaches", "reaches_time", "reaches_in", "worst", "note", "link", "count"),
        *("other", "commanded", "reported"),
    )
)

# Which field shows which number of the evidence.
_NUMBERS = (
    *(("value", "value"), ("other", "other_value"), ("limit", "limit"), ("clears", "clears_at")),
    *(("reaches", "reaches"), ("worst", "worst")),
)

_KIND_OF_UNIT: Mapping[str, Kind] = MappingProxyType(
    {
        "degC": Kind.TEMPERATURE,
        "K": Kind.TEMPERATURE_DIFFERENCE,
        "%": Kind.PERCENTAGE,
        "ppm": Kind.CONCENTRATION,
        "Pa": Kind.PRESSURE,
        "m3/s": Kind.AIRFLOW,
        "W": Kind.POWER,
        "lx": Kind.LIGHT,
        "s": Kind.TIME,
    }
)


@dataclass(frozen=True, slots=True)
class Texts:
    """All the texts of one alarm. Each of the three title-like lists is a list of alternatives."""

    titles: tuple[str, ...]
    sentences: tuple[str, ...]  # each stands alone and is dropped when one of its fields is unknown
    steps: tuple[str, ...]  # two or three, what to do first, with the caution where one can be hurt
    clear_titles: tuple[str, ...]
    clear_sentences: tuple[str, ...]
    wanted: str = "low"  # which end of the target band "wanted" names: "low" or "high"
    differences: tuple[str, ...] = ()  # fields whose numbers are differences, not places on a scale


@dataclass(frozen=True, slots=True)
class Frame:
    """The texts that every message shares."""

    since: str
    lasting: str
    heading: tuple[str, ...]
    limit: tuple[str, ...]
    acknowledge: str
    again: str
    escalated: str
    maybe_repeat: str
    was_dark: tuple[str, ...]
    lost: tuple[str, ...]
    summary: str
    test: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Catalogue:
    """One language: the shared frame, and the texts of each alarm by its name."""

    language: str
    frame: Frame
    alarms: Mapping[str, Texts]
    unknown: Texts  # for a name this catalogue does not hold: better plain words than none


@dataclass(frozen=True, slots=True)
class Words:
    """What is sent: the title carries the matter in its first 60 characters."""

    title: str
    body: str
    steps: tuple[str, ...] = ()
    closing: str = ""  # how to acknowledge

    @property
    def message(self) -> str:
        """Body, numbered steps and closing, as one text under the title."""
        numbered = "  ".join(f"{number} {step}" for number, step in enumerate(self.steps, 1))
        return "\n".join(part for part in (self.body, numbered, self.closing) if part)


def words(
    alarm: AlarmChanged | AlarmRecord,
    specification: Specification,
    catalogue: Catalogue,
    *,
    at: float | None = None,
    link: str | None = None,
    kind: str = "raised",
) -> Words:
    """What to tell about an alarm that stands.

    Args:
        alarm: the change or the record, with its evidence in SI.
        specification: for the site's name, units and time zone.
        catalogue: the language.
        at: elapsed seconds now; left out, the time of the change itself. Only used for "for how long".
        link: the address that acknowledges with one tap; left out, that line is not there.
        kind: "raised", "again" or "escalated"; the last two say so in front of the body.
    """
    texts = catalogue.alarms.get(alarm.name, catalogue.unknown)
    known = _known(alarm, specification, texts, at, link)
    frame = catalogue.frame
    sentences = [filled for text in texts.sentences if (filled := _fill(text, known)) is not None]
    limit = _first(frame.limit, known)
    since = _first((frame.since, frame.lasting), known)
    heading = _first(frame.heading, known)
    prefix = {"again": frame.again, "escalated": frame.escalated}.get(kind)
    parts = [_fill(prefix, known) if prefix else None, *sentences, since, heading, limit, known.get("note")]
    closing = _fill(frame.acknowledge, known) or ""
    title = _glance(texts.titles, known) or _glance(catalogue.unknown.titles, known) or alarm.name
    return Words(title, " ".join(part for part in parts if part), texts.steps, closing)


def all_clear_words(
    alarm: AlarmChanged | AlarmRecord,
    specification: Specification,
    catalogue: Catalogue,
    *,
    lasted_s: float | None = None,
    worst: float | None = None,
) -> Words:
    """What to tell when it is over: for how long it was so, and how low or high it went.

    Args:
        lasted_s: seconds from raising to normal; left out, it is taken from a record's own times.
        worst: the lowest or highest value of that time, SI; left out, the record's own.
    """
    texts = catalogue.alarms.get(alarm.name, catalogue.unknown)
    known = _known(alarm, specification, texts, None, None)
    # The change that ends an alarm carries both in its evidence; a record has them of its own.
    lasted_s = _number(alarm.evidence, "lasted_s") if lasted_s is None else lasted_s
    worst = _number(alarm.evidence, "worst") if worst is None else worst
    if isinstance(alarm, AlarmRecord):
        worst = alarm.worst if worst is None else worst
        if lasted_s is None and alarm.raised_at is not None and alarm.changed_at is not None:
            lasted_s = alarm.changed_at - alarm.raised_at
    known.pop("lasting", None)
    if lasted_s is not None:
        known["lasting"] = show(max(0.0, lasted_s), Kind.TIME)
    shown = _shown(alarm, worst, "worst" in texts.differences, specification.units)
    known.pop("worst", None)
    if shown is not None:
        known["worst"] = shown
    title = _glance(texts.clear_titles, known) or _glance(catalogue.unknown.clear_titles, known) or alarm.name
    return Words(title, _first(texts.clear_sentences, known) or _first(catalogue.unknown.clear_sentences, known) or "")


def started_words(specification: Specification, catalogue: Catalogue, dark_s: float | None) -> Words:
    """What to tell after a start that followed no orderly stop: how long nobody watched.

    Args:
        dark_s: seconds without a watch, or None when the clock cannot tell.
    """
    known = {"site": specification.site}
    if dark_s is not None:
        known["lasting"] = show(max(0.0, dark_s), Kind.TIME)
    title, *rest = catalogue.frame.was_dark
    body = _first(tuple(rest), known) or ""
    return Words(_fill(title, known) or specification.site, body)


def loss_words(specification: Specification, catalogue: Catalogue, lost: str) -> Words:
    """What to tell when the store was damaged and restored.

    Args:
        lost: the store's own sentences: what is lost, and what could still be read.
    """
    known = {"site": specification.site, "lost": lost}
    title, *rest = catalogue.frame.lost
    return Words(_fill(title, known) or specification.site, _first(tuple(rest), known) or "")


def trial_words(specification: Specification, catalogue: Catalogue) -> Words:
    """What a test call says: that it is one, and what to do with it."""
    known = {"site": specification.site}
    title, *rest = catalogue.frame.test
    return Words(_fill(title, known) or specification.site, _first(tuple(rest), known) or "")


def summary_title(site: str, catalogue: Catalogue, count: int) -> str:
    """The title over what could not be sent in its time."""
    return _fill(catalogue.frame.summary, {"site": site, "count": str(count)}) or site


def capitalised(name: str) -> str:
    """A pen's name at the head of a sentence."""
    return name[:1].upper() + name[1:]


def _known(
    alarm: AlarmChanged | AlarmRecord, specification: Specification, texts: Texts, at: float | None, link: str | None
) -> dict[str, str]:
    evidence = alarm.evidence
    units = specification.units
    known: dict[str, str] = {"site": specification.site, "pen": capitalised(alarm.pen or specification.site)}
    # A sensor's key begins with its pen, which the title names already.
    _put(known, "sensor", alarm.subject or str(evidence.get("sensor", "")).removeprefix(f"{alarm.pen}/"))
    _put(known, "source", evidence.get("source"))
    _put(known, "note", _sentence(evidence.get("note")))
    _put(known, "commanded", evidence.get("commanded"))
    _put(known, "reported", evidence.get("reported"))
    _put(known, "link", link)
    for field, key in _NUMBERS:
        _put(known, field, _shown(alarm, _number(evidence, key), field in texts.differences, units))
    if "reaches" not in known and "limit" in known:
        known["reaches"] = known["limit"]
    wanted = _number(evidence, "target_high" if texts.wanted == "high" else "target_low")
    if wanted is not None:
        # The unit stands at the value already; once is enough on a narrow screen.
        known["wanted"] = show(wanted, Kind.TEMPERATURE, units).split(" ")[0]
    age = _number(evidence, "age_days")
    if age is not None:
        known["age"] = f"{age:.0f}"
    _put_times(known, alarm, evidence, specification, at)
    slope = _number(evidence, "slope_per_min")
    if slope:
        unit = str(evidence.get("unit", ""))
        kind = Kind.TEMPERATURE_DIFFERENCE if unit == "degC" else _KIND_OF_UNIT.get(unit)
        if kind is not None:
            known["falling" if slope < 0 else "rising"] = show(abs(slope), kind, units, 1)
    return known


def _put_times(
    known: dict[str, str],
    alarm: AlarmChanged | AlarmRecord,
    evidence: Evidence,
    specification: Specification,
    at: float | None,
) -> None:
    """Since when, for how long, and when a limit is reached: clock times when known, else spans."""
    held_s = _number(evidence, "for_s") or 0.0
    if isinstance(alarm, AlarmRecord):
        anchor_at, anchor_ms = alarm.raised_at, alarm.raised_wall_ms
    else:
        anchor_at, anchor_ms = alarm.at, alarm.wall_ms
    now = at if at is not None else anchor_at
    if anchor_at is not None and now is not None and (lasting_s := now - anchor_at + held_s) >= 1.0:
        known["lasting"] = show(lasting_s, Kind.TIME)
    if anchor_ms is not None:
        known["since"] = _clock(anchor_ms - held_s * 1000.0, specification.timezone)
    reaches_at = _number(evidence, "reaches_at_s")
    if reaches_at is None or anchor_at is None or now is None or reaches_at <= now:
        known.pop("reaches", None)
    elif anchor_ms is not None:
        known["reaches_time"] = _clock(anchor_ms + (reaches_at - anchor_at) * 1000.0, specification.timezone)
    else:
        known["reaches_in"] = show(reaches_at - now, Kind.TIME)


def _clock(wall_ms: float, timezone: str) -> str:
    return datetime.fromtimestamp(wall_ms / 1000.0, UTC).astimezone(ZoneInfo(timezone)).strftime("%H:%M")


def _put(known: dict[str, str], field: str, value: object) -> None:
    if isinstance(value, str) and value.strip():
        known[field] = value.strip()


def _number(evidence: Evidence, key: str) -> float | None:
    value = evidence.get(key)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _sentence(note: object) -> str:
    """A note as a sentence of the body."""
    text = note.strip() if isinstance(note, str) else ""
    return capitalised(text) + ("" if not text or text[-1] in ".!?" else ".")


def _shown(alarm: AlarmChanged | AlarmRecord, value: float | None, is_difference: bool, units: str) -> str | None:
    """A value in the unit its evidence names; a bare "1" is a state of a sensor, else a share."""
    if value is None:
        return None
    unit = str(alarm.evidence.get("unit", ""))
    if unit == "1":
        if alarm.name.startswith("sensor"):
            return show(value, Kind.STATE, units)
        return show(100.0 * value, Kind.PERCENTAGE, units)
    kind = _KIND_OF_UNIT.get(unit)
    if kind is None:
        return None
    if is_difference and kind is Kind.TEMPERATURE:
        kind = Kind.TEMPERATURE_DIFFERENCE
    return show(value, kind, units)


def asked_fields(text: str) -> set[str]:
    """The fields in braces that this text uses."""
    return {name for _, name, _, _ in Formatter().parse(text) if name is not None}


def _fill(text: str, known: Mapping[str, str]) -> str | None:
    return text.format_map(known) if asked_fields(text) <= known.keys() else None


def _first(texts: tuple[str, ...], known: Mapping[str, str]) -> str | None:
    return next((filled for text in texts if (filled := _fill(text, known)) is not None), None)


def _glance(texts: tuple[str, ...], known: Mapping[str, str]) -> str | None:
    """A title whose matter stands in the first 60 characters: long names give way, never the matter."""
    title = _first(texts, known)
    shortened = dict(known)
    for name in ("pen", "site", "sensor"):
        over = len(title or "") - GLANCE
        if over > 0 and len(known.get(name, "")) > 9:
            shortened[name] = known[name][: max(8, len(known[name]) - over - 1)].rstrip() + "…"
            title = _first(texts, shortened)
    return title
