"""Birds, fan and probes of the model do what the settings and the books say, the same for the same seed."""

from __future__ import annotations

import json
import statistics

import pytest

from demo.barn import Barn, Lamp, Shed
from demo.exhaust import Exhaust
from demo.flock import Flock, Group, weight_kg
from demo.instruments import Probe, payload
from demo.litter import DAY_S, Litter
from demo.many_barns import barnyard
from demo.mill_rise import Barnyard, chores, raise_world
from demo.moist_air import saturation_pressure_pa
from demo.scenarios import SCENARIOS
from demo.world import World
from monitor.engine.specification import BirdClass, Measure

CFM = 4.719474e-4
STEADY = next(s for s in SCENARIOS if s.name == "quiet-steady")


def world(pen, seed=3, **changes) -> World:
    return raise_world(pen, Barnyard(days=5, **changes), seed, hatched_s=-5 * DAY_S, deeds=tuple(chores(seed, 4, 0.0)))


def test_twenty_five_grown_hens_breathe_as_published():
    """The flock's heat is that of the birds' formula times their number: CIGR 2002 floor hens, value from memory."""
    flock = Flock([Group(BirdClass.LAYER, -1000 * DAY_S, 25)], rhythm=0.0)
    breath = flock.breath(0.0, 20.0)
    kg = weight_kg(flock.groups[0], 0.0)
    assert breath.total_w == pytest.approx(25 * 6.8 * kg**0.75, rel=1e-6)
    assert breath.live_kg == pytest.approx(25 * kg)


def test_birds_that_have_not_come_yet_give_nothing_off():
    """An empty pen stays empty until the chicks arrive."""
    flock = Flock([Group(BirdClass.LAYER, 0.0, 25, arrives_s=DAY_S)])
    assert flock.breath(0.0, 20.0).total_w == 0
    assert flock.breath(DAY_S + 600.0, 20.0).total_w > 5


def test_the_fan_moves_what_its_duct_and_inlet_let_through(pen):
    """Mill Rise's fan: free air 400 cfm, 6-inch duct, 60 in² of inlet with leaks beside: between 300 and 335 cfm."""
    # worked out apart from this project for the bare duct and for 60 in² of inlet without leaks: 330.6 and 319.8 cfm
    # with other elbows; these settings' own elbows and the leaks lie near
    fan = Exhaust.of(pen)
    assert fan is not None
    assert fan.airflow_m3_s() == 0
    fan.speed_pct = 100
    whole = fan.airflow_m3_s()
    assert 290 * CFM < whole < 340 * CFM
    fan.blocked = 0.5
    assert 0.35 * whole < fan.airflow_m3_s() < 0.9 * whole
    fan.blocked, fan.seized = 0.0, True
    assert fan.airflow_m3_s() == 0
    assert fan.power_w() == 0


def test_a_half_blocked_duct_draws_less_power(pen):
    """A wheel that moves less air does less work, so a power reading can tell."""
    fan = Exhaust.of(pen)
    assert fan is not None
    fan.speed_pct = 100
    usual = fan.power_w()
    fan.blocked = 0.5
    assert 0.5 * usual < fan.power_w() < 0.95 * usual


def test_no_mains_no_fan_no_lamp(pen):
    """A power cut stops the wheel and the lamp at once."""
    barn = world(pen)
    barn.command(True, None)
    barn.step()
    assert barn.barn.fan_m3_s > 0
    barn.barn.mains = False
    lift = barn.barn.lift_c
    for _ in range(60):
        barn.step()
    assert barn.barn.fan_m3_s == 0
    assert barn.barn.lift_c < lift
    assert barn.report() is None


def test_the_same_seed_plays_the_same(pen):
    """Two worlds of one seed carry the same numbers at the same times; another seed does not."""
    first, second, other = world(pen), world(pen), world(pen, seed=4)
    play = [[h for _ in range(500) for h in w.step()] for w in (first, second, other)]
    assert play[0] == play[1]
    assert play[0] != play[2]


def test_every_sensor_is_heard_about_as_often_as_it_promises(pen):
    """Over an hour each sensor publishes at its own interval, less a few lost on the radio."""
    barn = world(pen)
    heard: dict[str, list[float]] = {}
    for _ in range(360):
        for one in barn.step():
            heard.setdefault(one.sensor.name, []).append(one.time_s)
    assert set(heard) == {s.name for s in pen.sensors}
    for sensor in pen.sensors:
        times = heard[sensor.name]
        assert times == sorted(times)
        assert 0.9 * 3600 / sensor.every_s <= len(times) <= 3600 / sensor.every_s + 1


def test_a_probe_lags_and_scatters_around_the_truth(pen):
    """A probe's mean is the truth give or take its bias, its scatter is its noise, and a step reaches it late."""
    sensor = next(s for s in pen.sensors if s.name == "room")
    probe = Probe.usual(sensor, 1)
    probe.follow(10.0, 10.0)
    probe.follow(20.0, 60.0)
    assert probe.seen == pytest.approx(10 + 10 * (1 - 2.718281828**-1), abs=0.01)
    for _ in range(100):
        probe.follow(20.0, 60.0)
    numbers = [probe.read() for _ in range(3000)]
    assert statistics.mean(numbers) == pytest.approx(20.0 + probe.bias, abs=0.02)
    assert statistics.stdev(numbers) == pytest.approx(0.12, abs=0.03)
    assert all(round(n * 10) == pytest.approx(n * 10) for n in numbers)


def test_probe_troubles_are_what_they_say(pen):
    """Stuck says one number, silent says none, spikes are wild, drift is an offset."""
    sensor = next(s for s in pen.sensors if s.name == "chick height")
    probe = Probe.usual(sensor, 2)
    probe.follow(32.0, 10.0)
    probe.trouble.stuck_at = 88.8
    assert {probe.read() for _ in range(20)} == {88.8}
    probe.trouble.stuck_at, probe.trouble.silent = None, True
    assert probe.read() is None
    probe.trouble.silent, probe.trouble.spike = False, 1.0
    assert all(abs(probe.read() - 89.6) > 1.8 * sensor.largest_step for _ in range(20))


def test_all_three_kinds_of_payload_are_spoken(pen):
    """A bare number, JSON under a pointer, and SenML: the demo uses each."""
    by_name = {s.name: s for s in pen.sensors}
    assert float(payload(by_name["ammonia"], 12.0)) == 12.0
    assert json.loads(payload(by_name["room humidity"], 55.5)) == {"air": {"humidity": 55.5}}
    assert json.loads(payload(by_name["carbon dioxide"], 900.0)) == [{"n": "co2", "u": "ppm", "v": 900.0}]


def test_a_probe_in_the_litter_leaves_the_truth_and_its_twin(pen):
    """Fallen into the bedding, the probe tends to the litter's warmth, several kelvin off its twin's."""
    barn = world(pen)
    for _ in range(360):
        barn.step()
    barn.trouble("chick height").in_litter = True
    for _ in range(1080):
        barn.step()
    fallen, hanging = barn.probe("chick height").seen, barn.probe("chick height 2").seen
    assert fallen is not None
    assert hanging is not None
    assert abs(fallen - hanging) > 5


def test_every_barn_of_the_bank_is_of_usual_size():
    """Whatever the seed, lamp, draughts and weights lie within what a small shed has."""
    for seed in range(50):
        yard = barnyard(STEADY, seed)
        assert 1000 <= yard.lamp.time_constant_s <= 3700
        assert 90 <= yard.leakage_cm2 <= 300
        assert yard.lamp.kind == "steady"


def test_saturation_agrees_with_published_values():
    """ASHRAE Handbook saturation pressures over water: 5 °C 872.6 Pa, 25 °C 3169.7 Pa; the formula is good to 0.4 %."""
    assert saturation_pressure_pa(5.0) == pytest.approx(872.6, rel=4e-3)
    assert saturation_pressure_pa(25.0) == pytest.approx(3169.7, rel=4e-3)


def test_chicks_air_stays_good_with_a_little_air_and_spoils_without():
    """A grown flock in a tight shed without fan piles up CO2 beyond 3000 ppm within a night; leaks alone do not clear it."""
    shed = Shed(3.66, 3.05, 2.44, 0.88, leakage_cm2=40.0)
    room = Barn(shed, Lamp("none"), Litter(shed.floor_m2, 78.0, 26.0))
    flock = Flock([Group(BirdClass.DUAL_PURPOSE, -400 * DAY_S, 30)])
    from demo.weather import Sky

    for step in range(12 * 360):
        room.step(10.0, Sky(5.0, 80.0, 0.5, 0.0), flock.breath(step * 10.0, room.air_c))
    assert room.co2_ppm > 3000
    assert room.bird_level_c > 5.0
    assert Measure.CARBON_DIOXIDE == "carbon_dioxide"
