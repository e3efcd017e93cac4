"""Nights in the barn, as tables a keeper can read. The specification is that of `barns`: chicks of three days,
wanted 30 to 33 °C, too cold at 25, air against heat from 35, too hot at 37; timer 20 s of every 15 minutes."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from monitor.engine.specification import BirdClass, Flock, Measure, Place, Priority
from monitor.engine.wording import words
from monitor.engine.wording_english import ENGLISH
from tests.engine.barns import pen, sensor, site
from tests.engine.tables import World, play


def world(*extra: str) -> World:
    """A brooder with two chick-height probes, humidity and ammonia, and more where the story needs it."""
    base = pen().sensors
    more = {
        "mains": sensor("mains", Measure.MAINS, Place.ROOM),
        "power": sensor("power", Measure.FAN_POWER, Place.ROOM),
    }
    return World(site(pen(sensors=(*base, *(more[name] for name in extra)))))


def test_a_quiet_brooder_is_quiet() -> None:
    """Warm, dry and clean: nothing but the minimum timer, no alarm."""
    play(
        world(),
        """
        minute | event                          | fan                 | open alarms
        0      | warm 31, damp 60, ammonia 5    | *                   | -
        1      |                                | rest                | -
        15     |                                | run (minimum timer) | -
        16     |                                | rest                | -
        240    |                                | *                   | -
        """,
    )


def test_the_lamp_dies_over_chicks() -> None:
    """Both probes fall: after ten minutes below the limit the keeper is called; the fan holds the least timer; the all clear comes."""
    w = world()
    play(
        w,
        """
        minute | event                       | fan                 | open alarms
        0      | warm 31, damp 60, ammonia 5 | *                   | -
        20     | warm 26                     | rest                | -
        25     | warm 24                     | rest                | -
        30     |                             | run (birds too cold)| -
        31     |                             | rest                | -
        35     |                             | rest                | birds_cold:una
        40     | ack birds_cold              | rest                | birds_cold:ack
        46     | warm 29                     | *                   | birds_cold:ack
        50     |                             | rest                | birds_cold:ack
        51.5   |                             | rest                | -
        """.replace("cold)|", "cold) |"),
    )
    assert [(a.name, a.priority) for a in w.raised] == [("birds_cold", Priority.URGENT)]


def test_wet_litter_on_a_cold_night() -> None:
    """Damp asks for air; once the chicks are too cold, cold wins and damp waits."""
    play(
        world(),
        """
        minute | event                       | fan          | open alarms
        0      | warm 31, damp 60, ammonia 5 | *            | -
        5      | damp 78                     | run (damp)   | -
        20     |                             | run (damp)   | -
        25     | warm 25                     | rest         | -
        34     |                             | *            | -
        35.5   |                             | *            | birds_cold:una damp:una
        40     | warm 31                     | run (damp)   | birds_cold:una damp:una
        46     | damp 69                     | rest         | birds_cold:ret damp:una
        """,
    )


def test_dangerous_ammonia_wins_over_cold() -> None:
    """Air that blinds birds is cleared whatever the cold; below its deadband cold rules again."""
    play(
        world(),
        """
        minute | event                        | fan                     | open alarms
        0      | warm 24, damp 60, ammonia 5  | *                       | -
        2      | ammonia 52                   | run (ammonia dangerous) | -
        8      | ammonia 41                   | run (ammonia dangerous) | ammonia_people:una
        10     | ammonia 39                   | rest                    | ammonia_people:una birds_cold:una
        """,
    )


def test_one_probe_falls_and_nobody_knows() -> None:
    """Two probes apart by more than a lamp explains: an urgent alarm of its own, the least timer, but no cold alarm from one probe."""
    w = world()
    play(
        w,
        """
        minute | event                       | fan                    | open alarms
        0      | warm 31, damp 60, ammonia 5 | *                      | -
        6      | probe2 24                   | rest                   | -
        16.5   | damp 80                     | rest                   | sensors_disagree:una
        29     |                             | rest                   | sensors_disagree:una
        30.5   | probe2 30                   | rest                   | sensors_disagree:una
        42     |                             | run (damp)             | sensors_disagree:ret
        """,
    )
    assert [(a.name, a.priority) for a in w.raised] == [("sensors_disagree", Priority.URGENT)]


def test_a_silent_probe_is_covered_by_its_twin_and_both_silent_is_urgent() -> None:
    """One of two silent is a repair for tomorrow; both silent over chicks is a blind brooder."""
    w = world()
    play(
        w,
        """
        minute | event                       | fan  | open alarms
        0      | warm 31, damp 60, ammonia 5 | *    | -
        6      | quiet probe1                | rest | -
        10     |                             | rest | sensor_silent:una
        20     | quiet probe2                | *    | sensor_silent:una
        24     |                             | rest | sensor_silent:una sensor_silent:una
        """,
    )
    assert [a.priority for a in w.raised] == [Priority.HIGH, Priority.URGENT, Priority.URGENT]


def test_a_lost_broker_covers_the_silence_of_its_sensors() -> None:
    """One trouble, one call: the broker, not four sensors."""
    w = world()
    play(
        w,
        """
        minute | event                                                              | fan  | open alarms
        0      | warm 31, damp 60, ammonia 5                                        | *    | -
        5      | link broker down, quiet probe1, quiet probe2, quiet damp, quiet ammonia | rest | -
        7      |                                                                    | rest | broker_lost:una
        12     |                                                                    | rest | broker_lost:una sensor_silent:sup sensor_silent:sup sensor_silent:sup sensor_silent:sup
        20     | link broker up, warm 31, damp 60, ammonia 5                        | rest | broker_lost:una sensor_silent:sup sensor_silent:sup sensor_silent:sup sensor_silent:sup
        22     |                                                                    | rest | broker_lost:ret
        """,
    )
    assert [a.name for a in w.raised] == ["broker_lost"]
    assert w.raised[0].priority is Priority.URGENT


def test_mains_lost_covers_silence_and_is_urgent_over_chicks() -> None:
    """The power takes the sensors with it; the cause is called, urgently while chicks need heat."""
    w = world("mains")
    play(
        w,
        """
        minute | event                                    | fan  | open alarms
        0      | warm 31, damp 60, ammonia 5, mains 1     | *    | -
        5      | mains 0, quiet damp, quiet ammonia       | rest | -
        7      |                                          | rest | mains_lost:una
        12     |                                          | rest | mains_lost:una sensor_silent:sup sensor_silent:sup
        """,
    )
    assert [(a.name, a.priority) for a in w.raised] == [("mains_lost", Priority.URGENT)]


def test_a_power_cut_nobody_has_answered_speaks_for_the_cold_birds_too() -> None:
    """While it is repeated, "mains lost, no heat" says the same; cold that outlasts the power cut is called itself."""
    w = world("mains")
    play(
        w,
        """
        minute | event                                    | fan  | open alarms
        0      | warm 31, damp 60, ammonia 5, mains 1     | *    | -
        5      | mains 0                                  | rest | -
        7      |                                          | rest | mains_lost:una
        20     | warm 20                                  | rest | mains_lost:una
        31     |                                          | rest | birds_cold:sup mains_lost:una
        40     | mains 1                                  | *    | birds_cold:sup mains_lost:una
        60     |                                          | *    | birds_cold:una mains_lost:ret
        """,
    )
    assert [(a.name, a.priority) for a in w.raised] == [("mains_lost", Priority.URGENT), ("birds_cold", Priority.URGENT)]


def test_an_answered_power_cut_rings_again_while_the_birds_are_cold() -> None:
    """One trouble, one call; but who answered may sleep again, a generator may fail, a mains sensor may be wrong."""
    w = world("mains")
    play(
        w,
        """
        minute | event                                    | fan  | open alarms
        0      | warm 31, damp 60, ammonia 5, mains 1     | *    | -
        5      | mains 0                                  | rest | -
        7      |                                          | rest | mains_lost:una
        12     | ack mains_lost                           | rest | mains_lost:ack
        20     | warm 20                                  | rest | mains_lost:ack
        31     |                                          | rest | birds_cold:sup mains_lost:ack
        41     |                                          | rest | birds_cold:sup mains_lost:ack
        43     |                                          | rest | birds_cold:sup mains_lost:una
        50     | ack mains_lost                           | rest | birds_cold:sup mains_lost:ack
        60     | warm 31                                  | *    | birds_cold:sup mains_lost:ack
        90     |                                          | *    | mains_lost:ack
        100    | mains 1                                  | *    | mains_lost:ack
        103    |                                          | *    | -
        """,
    )
    assert [a.name for a in w.raised] == ["mains_lost", "mains_lost"]
    first, again = w.raised
    assert first.occurrence != again.occurrence  # so that it can be answered by itself
    assert words(again, w.specification, ENGLISH).title == "Brooder: mains still out, birds at 68 °F"
    [over] = [a for a in w.ended if a.name == "mains_lost"]
    assert over.evidence["lasted_s"] == pytest.approx(95 * 60.0, abs=120.0)


def test_an_answered_power_cut_rings_again_while_nothing_is_known_of_the_birds() -> None:
    """Thermometers often hang on the mains too."""
    w = world("mains")
    play(
        w,
        """
        minute | event                                    | fan  | open alarms
        0      | warm 31, damp 60, ammonia 5, mains 1     | *    | -
        5      | mains 0, quiet probe1, quiet probe2      | rest | -
        7      |                                          | rest | mains_lost:una
        12     | ack mains_lost                           | rest | mains_lost:ack sensor_silent:sup sensor_silent:sup
        43     |                                          | rest | mains_lost:una sensor_silent:sup sensor_silent:sup
        """,
    )
    mains = [a for a in w.raised if a.name == "mains_lost"]
    assert len(mains) == 2
    assert "whether the birds are warm is not known" in str(mains[1].evidence["note"])


def test_a_power_cut_put_aside_covers_no_cold_birds() -> None:
    w = world("mains")
    play(
        w,
        """
        minute | event                                    | fan  | open alarms
        0      | warm 31, damp 60, ammonia 5, mains 1     | *    | -
        5      | mains 0                                  | rest | -
        7      |                                          | rest | mains_lost:una
        20     | warm 20                                  | rest | mains_lost:una
        31     |                                          | rest | birds_cold:sup mains_lost:una
        40     | shelve mains_lost 60                     | rest | birds_cold:una mains_lost:she
        """,
    )
    assert [a.name for a in w.raised] == ["mains_lost", "birds_cold"]


def test_a_call_about_the_mains_that_is_not_urgent_covers_no_cold_birds() -> None:
    """Grown birds need no lamp, so the mains are no urgent matter; birds too cold are, whatever the mains."""
    w = world("mains")
    [grown] = (replace(flock, hatched=flock.hatched - timedelta(days=200)) for flock in w.specification.pens["brooder"].flocks)
    w.specification = site(replace(w.specification.pens["brooder"], flocks=(grown,)))
    play(
        w,
        """
        minute | event                                    | fan  | open alarms
        0      | warm 10, damp 60, ammonia 5, mains 1     | *    | -
        5      | mains 0                                  | *    | -
        7      |                                          | *    | mains_lost:una
        20     | warm -12                                 | *    | mains_lost:una
        31     |                                          | *    | birds_cold:una mains_lost:una
        """,
    )
    called = {a.name: a.priority for a in w.raised}
    assert called == {"mains_lost": Priority.HIGH, "birds_cold": Priority.URGENT}


def test_a_silent_relays_old_report_is_not_told_as_its_answer() -> None:
    """What it said before the command is no answer to it: only "the relay does not report" is told."""
    w = world()
    play(
        w,
        """
        minute | event                              | fan           | open alarms
        0      | warm 31, damp 60, ammonia 5        | *             | -
        2      | relay never reports, ammonia 24    | run (ammonia) | -
        5      |                                    | run (ammonia) | fan_not_obeying:una
        """,
    )
    [record] = [record for record in w.state.pens["brooder"].alarms.values() if record.name == "fan_not_obeying"]
    assert record.evidence["commanded"] == "running"
    assert record.evidence["reported"] is None
    assert record.evidence["note"] == "the relay does not report"


def test_a_seized_fan_is_seen_by_its_power() -> None:
    """The relay says on and the motor draws nothing."""
    w = world("power")
    play(
        w,
        """
        minute | event                                  | fan           | open alarms
        0      | warm 31, damp 60, ammonia 5, power 0   | *             | -
        5      | ammonia 24                             | run (ammonia) | -
        8      |                                        | run (ammonia) | fan_not_obeying:una
        10     | power 60                               | run (ammonia) | fan_not_obeying:una
        12     |                                        | run (ammonia) | fan_not_obeying:ret
        """,
    )


def test_a_hand_set_fan_goes_back_to_the_rule_at_its_end() -> None:
    """The keeper's hand stands above the rule, but never for ever."""
    play(
        world(),
        """
        minute | event                       | fan            | open alarms
        0      | warm 31, damp 60, ammonia 5 | *              | -
        5      | hand on 10                  | run (hand-set) | -
        10     |                             | run (hand-set) | -
        15.5   |                             | *              | -
        17     |                             | rest           | -
        """,
    )


def test_a_shelved_alarm_comes_back_at_its_end() -> None:
    """A shelf has an end, and what still stands then rings again."""
    w = world()
    play(
        w,
        """
        minute | event                        | fan          | open alarms
        0      | warm 31, damp 78, ammonia 5  | *            | -
        31     |                              | run (damp)   | damp:una
        32     | shelve damp 60               | run (damp)   | damp:she
        91     |                              | run (damp)   | damp:she
        92.5   |                              | run (damp)   | damp:una
        """,
    )
    assert [a.occurrence for a in w.raised] == [1, 2]


def test_what_is_not_known_clears_no_alarm() -> None:
    """Cold, then every probe silent: the cold alarm stands until somebody knows better."""
    play(
        world(),
        """
        minute | event                                 | fan | open alarms
        0      | warm 24, damp 60, ammonia 5           | *   | -
        11     | quiet probe1, quiet probe2            | *   | birds_cold:una
        30     |                                       | *   | birds_cold:una sensor_silent:sup sensor_silent:una
        """,
    )


def test_a_journal_without_birds_suppresses_their_alarms() -> None:
    """The last birds gone: nothing to protect, nobody is called; people's ammonia limit stands."""
    w = world()
    play(
        w,
        """
        minute | event                                  | fan          | open alarms
        0      | warm 31, damp 60, ammonia 5            | *            | -
        5      | journal birds out 30, warm 10          | rest         | -
        30     | ammonia 36                             | run (ammonia)| -
        36     |                                        | run (ammonia)| ammonia_people:una
        50     |                                        | run (ammonia)| ammonia_birds:sup ammonia_people:una
        """.replace("ammonia)|", "ammonia) |"),
    )
    assert [a.name for a in w.raised] == ["ammonia_people"]


def test_heat_taken_away_by_the_keeper_ends_the_urgency_of_mains() -> None:
    """Birds without a lamp do not die of a power cut tonight."""
    w = world("mains")
    play(
        w,
        """
        minute | event                                             | fan  | open alarms
        0      | warm 31, damp 60, ammonia 5, mains 1              | *    | -
        5      | journal heat off, mains 0                         | rest | -
        7      |                                                   | rest | mains_lost:una
        """,
    )
    assert w.raised[0].priority is Priority.HIGH


def test_a_restart_neither_rings_again_nor_forgets() -> None:
    """Open before the kill, open after it, and counted once."""
    w = world()
    play(
        w,
        """
        minute | event                       | fan | open alarms
        0      | warm 24, damp 60, ammonia 5 | *   | -
        12     |                             | *   | birds_cold:una
        13     | restart 60                  | *   | birds_cold:una
        40     |                             | *   | birds_cold:una
        41     | ack birds_cold              | *   | birds_cold:ack
        42     | restart 3600                | *   | birds_cold:ack
        """,
    )
    assert len(w.raised) == 1


def test_bad_air_over_nearly_cold_birds_is_cleared_in_short_runs() -> None:
    """Damp at the edge of cold: a minute of air in five, not until the birds are at their limit."""
    play(
        world(),
        """
        minute | event                       | fan                     | open alarms
        0      | warm 27, damp 78, ammonia 5 | *                       | -
        5      |                             | run (air in short runs) | -
        7      |                             | rest                    | -
        10     |                             | run (air in short runs) | -
        12     | warm 29                     | run (damp)              | -
        """,
    )


def test_one_noisy_reading_rings_nobody_half_an_hour_later() -> None:
    """Beyond the limit once, then inside the deadband for longer than the delay: no alarm until it is beyond again."""
    play(
        world(),
        """
        minute | event                        | fan        | open alarms
        0      | warm 31, damp 60, ammonia 5  | *          | -
        5      | damp 75.5                    | run (damp) | -
        6      | damp 73                      | run (damp) | -
        50     |                              | run (damp) | -
        51     | damp 76                      | run (damp) | damp:una
        """,
    )


def test_birds_not_yet_hatched_ask_for_nothing() -> None:
    """Settings written before the hatch: an empty brooder is no cold brooder."""
    later = Flock("spring", BirdClass.LAYER, date(2026, 4, 20), 30)
    w = World(site(replace(pen(), flocks=(later,))))
    play(
        w,
        """
        minute | event                       | fan  | open alarms
        0      | warm 10, damp 60, ammonia 5 | rest | -
        60     |                             | rest | -
        """,
    )
    assert w.raised == []


def test_a_fan_seized_on_the_chicks_timer_is_called_at_the_second_miss() -> None:
    """Twenty seconds in a quarter of an hour, and the relay always says off: resting as told does not clear it."""
    w = world()
    play(
        w,
        """
        minute | event                                         | fan                 | open alarms
        0      | warm 31, damp 60, ammonia 5                   | *                   | -
        10     | relay stays off                               | rest                | -
        29     |                                               | rest                | -
        30.5   |                                               | *                   | fan_not_obeying:una
        """,
    )


def test_sensors_that_fall_silent_together_are_one_call() -> None:
    """A gateway without power takes every sensor: one alarm speaks for all, and their coming back rings nobody."""
    w = world()
    play(
        w,
        """
        minute | event                                           | fan | open alarms
        0      | warm 31, damp 60, ammonia 5                     | *   | -
        10     | quiet probe1, quiet probe2, quiet damp, quiet ammonia | * | -
        30     |                                                 | *   | sensor_silent:sup sensor_silent:sup sensor_silent:sup sensor_silent:una
        40     | warm 31, damp 60, ammonia 5                     | *   | sensor_silent:sup sensor_silent:sup sensor_silent:sup sensor_silent:una
        60     |                                                 | *   | sensor_silent:ret
        """,
    )
    assert [(a.name, a.priority) for a in w.raised] == [("sensor_silent", Priority.URGENT)]


def test_a_silence_that_was_put_aside_speaks_for_no_other() -> None:
    """Whoever shelves one sensor has not been told of the rest."""
    w = world()
    play(
        w,
        """
        minute | event                                           | fan | open alarms
        0      | warm 31, damp 60, ammonia 5                     | *   | -
        10     | quiet damp, quiet ammonia                       | *   | -
        30     |                                                 | *   | sensor_silent:sup sensor_silent:una
        31     | shelve sensor_silent 60                         | *   | sensor_silent:she sensor_silent:una
        """,
    )
    assert [a.name for a in w.raised] == ["sensor_silent", "sensor_silent"]
