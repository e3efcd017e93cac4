"""The answer sentence, as a table: what the sensors say | what the keeper reads."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from monitor.api.answer import Answer, Verdict, answer, is_believed
from monitor.api.moments import rfc3339
from monitor.api.status import pen_status
from monitor.engine.events import HandSet, Json
from monitor.engine.plan import plan_for
from monitor.engine.specification import Specification
from monitor.engine.state import PenState
from tests.api.barn_at_hand import WELL, BarnAtHand, mill_rise

CHICK, TWO, NOSE, DAMP, BREATH = (
    "brooder/chick height",
    "brooder/chick height two",
    "brooder/nose",
    "brooder/damp",
    "brooder/breath",
)

# name | readings that differ from a good hour | verdict | what must stand in the sentence.
# The band of these birds: wanted 30 to 33 °C (86 to 91 °F), cold at 25, hot at 37. Ammonia 15 wanted, 20 limit, 35 for people.
TABLE: list[tuple[str, dict[str, float], Verdict, list[str]]] = [
    ("all well", {}, Verdict.GOOD, ["Warm enough: 88 °F at bird level, wanted 86 to 91 °F.", "Air good: 8 ppm ammonia."]),
    ("a little cool", {CHICK: 28.0, TWO: 28.0}, Verdict.WATCH, ["A little cool: 82 °F"]),
    ("a little warm", {CHICK: 34.5, TWO: 34.5}, Verdict.WATCH, ["A little warm: 94 °F"]),
    ("too cold everywhere", {CHICK: 24.0, TWO: 24.9}, Verdict.BAD, ["Too cold: 77 °F"]),
    (
        "one corner cold",
        {CHICK: 24.9, TWO: 29.0},
        Verdict.WATCH,
        ["A little cool: 84 °F at bird level, but 77 °F at chick height"],
    ),
    ("one corner hot", {CHICK: 37.5, TWO: 33.0}, Verdict.WATCH, ["Warm enough: 91 °F at bird level, but 100 °F at chick height"]),
    ("too hot", {CHICK: 37.2, TWO: 37.0}, Verdict.BAD, ["Too hot: 99 °F"]),
    ("air getting thick", {NOSE: 16.0}, Verdict.WATCH, ["Air getting thick: 16 ppm ammonia."]),
    ("air bad", {NOSE: 22.0}, Verdict.BAD, ["Air bad: 22 ppm ammonia."]),
    ("air dangerous to people", {NOSE: 36.0}, Verdict.BAD, ["Air bad: 36 ppm ammonia, do not stay in it."]),
    ("stale", {BREATH: 3200.0}, Verdict.WATCH, ["3200 ppm carbon dioxide, wanted below 3000"]),
    ("damp", {DAMP: 76.0}, Verdict.WATCH, ["Damp: 76 % humidity, wanted below 75 %."]),
    ("dry", {DAMP: 29.0}, Verdict.WATCH, ["Dry: 29 % humidity, wanted above 30 %."]),
]


@pytest.mark.parametrize(("name", "changed", "verdict", "said"), TABLE, ids=[row[0] for row in TABLE])
def test_the_sentence_says_what_the_sensors_say(
    tmp_path: Path, name: str, changed: dict[str, float], verdict: Verdict, said: list[str]
) -> None:
    """Each matter is said in one short sentence with its number and what was wanted."""
    barn = BarnAtHand(tmp_path)
    barn.pass_time(300, WELL | changed)
    got = _answer(barn)
    assert got.verdict is verdict
    for words in said:
        assert words in got.sentence
    barn.close()


def test_silence_is_never_good(tmp_path: Path) -> None:
    """When every sensor falls silent the answer says unknown, since when, and no old number as if it were now."""
    barn = BarnAtHand(tmp_path)
    barn.pass_time(300, WELL)
    barn.pass_time(1800, {})
    got = _answer(barn)
    assert got.verdict is Verdict.BAD  # both probes silent over chicks is an urgent alarm of its own
    assert {part.verdict for part in got.parts if part.matter in ("warmth", "air")} == {Verdict.UNKNOWN}
    assert "Warmth not known: nothing heard for 30 min; wanted 86 to 91 °F." in got.sentence
    assert "Air: ammonia not known, nothing heard for 30 min." in got.sentence
    assert "88" not in got.sentence
    barn.close()


def test_a_reading_grows_old_even_when_no_event_comes(tmp_path: Path) -> None:
    """Believing is asked of the clock at the moment of looking, not of the last event."""
    barn = BarnAtHand(tmp_path)
    barn.pass_time(300, WELL)
    barn.at += 3600.0
    sensor = barn.specification.sensors[CHICK]
    assert not is_believed(sensor, barn.state().pens["brooder"].sensors[CHICK], barn.at)
    assert _answer(barn).verdict is Verdict.UNKNOWN
    barn.close()


def test_nothing_heard_yet_is_said_so(tmp_path: Path) -> None:
    """Right after the first start the answer is that nothing is known."""
    barn = BarnAtHand(tmp_path)
    assert "Warmth not known: no reading yet" in _answer(barn).sentence
    barn.close()


def test_a_pen_without_birds_is_not_cold(tmp_path: Path) -> None:
    """With no birds in there is nothing to keep warm."""
    barn = BarnAtHand(tmp_path, _without_birds(mill_rise()))
    barn.pass_time(300, WELL | {CHICK: 3.0, TWO: 3.2})
    got = _answer(barn)
    assert got.sentence.startswith("No birds in; 38 °F at bird level.")
    assert got.verdict is Verdict.GOOD
    barn.close()


def test_two_probes_that_disagree_are_not_averaged(tmp_path: Path) -> None:
    """Which of them is right is not known, so the warmth is not known, and both numbers are told."""
    barn = BarnAtHand(tmp_path)
    barn.pass_time(1500, WELL | {CHICK: 22.0, TWO: 32.0})
    part = _answer(barn).parts[0]
    assert part.verdict is Verdict.UNKNOWN
    assert part.text.startswith("Warmth not known: two sensors disagree, 72 °F at chick height, 90 °F at chick height two;")
    barn.close()


def test_a_room_probe_says_nothing_of_chicks_under_a_lamp(tmp_path: Path) -> None:
    """Without a thermometer at bird level the warmth of chicks is not known, however warm the room."""
    whole = mill_rise()
    brooder = whole.pens["brooder"]
    few = replace(brooder, sensors=tuple(each for each in brooder.sensors if each.key not in (CHICK, TWO)))
    sensors = {key: each for key, each in whole.sensors.items() if key not in (CHICK, TWO)}
    barn = BarnAtHand(tmp_path, replace(whole, pens={**whole.pens, "brooder": few}, sensors=sensors))
    barn.pass_time(300, {key: value for key, value in WELL.items() if key in sensors})
    assert "Warmth not known: no thermometer at bird level; wanted 86 to 91 °F." in _answer(barn).sentence
    barn.close()


def test_hand_set_says_until_when(tmp_path: Path) -> None:
    """A fan set by hand is named as such, with the time that is left."""
    barn = BarnAtHand(tmp_path)
    barn.pass_time(300, WELL)
    barn.act(HandSet(barn.at, barn.wall_ms, "brooder", "keeper", True, None, 1800.0))
    barn.pass_time(300, WELL)
    assert "Fan on, set by hand for 25 min more." in _answer(barn).sentence
    barn.close()


def test_hand_set_says_that_it_waits_for_the_fans_shortest_rest(tmp_path: Path) -> None:
    """Asked to run 15 s after it stopped, a fan that rests at least a minute says that it waits 45 s, and then runs."""
    barn = BarnAtHand(tmp_path)
    barn.pass_time(300, WELL)
    barn.act(HandSet(barn.at, barn.wall_ms, "brooder", "keeper", True, None, 1800.0))
    barn.pass_time(300, WELL)
    barn.act(HandSet(barn.at, barn.wall_ms, "brooder", "keeper", False, None, 1800.0))
    barn.pass_time(15, WELL)
    barn.act(HandSet(barn.at, barn.wall_ms, "brooder", "keeper", True, None, 1800.0))
    said = _answer(barn).sentence
    assert "Fan set by hand to run for 30 min more; it waits 45 s yet, for it rests at least 60 s." in said
    told = pen_status(barn.specification, "brooder", barn.state(), barn.now())["fan"]
    assert isinstance(told, dict)
    assert isinstance(told["hand_set"], dict)
    assert told["hand_set"]["waits_s"] == 45
    assert told["hand_set"]["waits_until"] == rfc3339(barn.wall_ms + 45_000)
    barn.pass_time(60, WELL)
    assert "Fan on, set by hand for 29 min more." in _answer(barn).sentence
    barn.close()


def test_metric_sites_read_celsius(tmp_path: Path) -> None:
    """The sentence speaks the site's units."""
    barn = BarnAtHand(tmp_path, mill_rise("metric"))
    barn.pass_time(300, WELL)
    assert "31.0 °C at bird level, wanted 30.0 to 33.0 °C" in _answer(barn).sentence
    barn.close()


def test_every_part_carries_numbers_in_plain_json(tmp_path: Path) -> None:
    """What is one tap behind the sentence can be sent as JSON."""
    barn = BarnAtHand(tmp_path)
    barn.pass_time(300, WELL)
    plain: tuple[type, ...] = (int, float, str, bool, list, dict, type(None))
    values: list[Json] = [value for part in _answer(barn).parts for value in part.evidence.values()]
    assert values
    assert all(isinstance(value, plain) for value in values)
    barn.close()


def _answer(barn: BarnAtHand, pen: str = "brooder"):  # type: ignore[no-untyped-def]  # whatever the page is given
    plan = plan_for(barn.specification).pens[pen]
    return answer(plan, barn.state().pens.get(pen) or PenState(pen), barn.state().day, barn.at, barn.specification.units)


def _without_birds(specification: Specification) -> Specification:
    pens = {name: replace(pen, flocks=()) for name, pen in specification.pens.items()}
    return replace(specification, pens=pens)


def test_an_open_urgent_alarm_is_never_merely_watched() -> None:
    """Heat fails while the birds are still warm: the pen says "act now", not "keep an eye on it"."""
    calm = Answer(())
    assert calm.verdict is Verdict.GOOD
    assert Answer((), has_urgent_alarm=True).verdict is Verdict.BAD
