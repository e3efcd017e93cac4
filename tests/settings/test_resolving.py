"""What was written becomes the specification: units, defaults, limits with their sources."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import pytest

from monitor.engine.specification import BirdClass, HeatSource, Measure, Place, Priority
from monitor.engine.ventilation import delivered
from monitor.facts.alarms import DEFAULT_LIMITS
from monitor.facts.brooding import WARMTH
from monitor.settings.complaints import Complaint, SettingsMistakes
from monitor.settings.plausible import PLAUSIBLE, silent_after_s
from monitor.settings.read import Settings, read

SettingsOf = Callable[..., Settings]
Complaints = Callable[..., list[Complaint]]


def test_the_sound_file_resolves_to_si(settings_of: SettingsOf) -> None:
    """Feet, degrees Fahrenheit, cfm and inches of water become metres, °C, m³/s and Pa, once and here."""
    specification = settings_of().specification
    pen = specification.pens["brooder"]
    assert (pen.length_m, pen.width_m, pen.height_m) == pytest.approx((3.6576, 3.048, 2.4384))
    (sensor,) = pen.sensors
    assert specification.sensors == {"brooder/chick height": sensor}
    assert sensor.unit_gain * 212 + sensor.unit_offset == pytest.approx(100.0)
    assert (sensor.measures, sensor.place, sensor.every_s) == (Measure.TEMPERATURE, Place.BIRD_LEVEL, 30.0)
    assert pen.fan is not None
    # 400 cfm and 1.6 in. of water by the factors of NIST Special Publication 811, appendix B.
    (none, shut_off), (free_air, zero) = pen.fan.curve
    assert (none, shut_off, free_air, zero) == pytest.approx((0.0, 1.6 * 249.0889, 400 * 4.719474e-4, 0.0), rel=1e-6)
    assert pen.flocks[0].hatched == date(2026, 4, 2)
    assert pen.heat == HeatSource("steady")
    assert (pen.fan.shortest_on_s, pen.fan.shortest_off_s, pen.fan.timer_period_s, pen.fan.report_within_s) == (20, 60, 300, 10)


def test_limits_not_set_are_those_of_the_facts(settings_of: SettingsOf) -> None:
    """Nothing is lost or altered on the way, and each names its source."""
    specification = settings_of().specification
    limits = specification.pens["brooder"].limits
    resolved = {**limits.alarms, "ammonia_danger": limits.ammonia_danger, **specification.site_limits}
    assert set(resolved) == set(DEFAULT_LIMITS)
    for name, row in DEFAULT_LIMITS.items():
        limit = resolved[name]
        assert (limit.on, limit.off, limit.on_delay_s, limit.off_delay_s) == (row.on, row.off, row.on_delay_s, row.off_delay_s)
        assert limit.priority == Priority(row.priority)
        assert limit.source
    for bird_class in BirdClass:
        assert [band.from_day for band in limits.warmth[bird_class]] == [row.from_day for row in WARMTH[bird_class]]
        assert all(band.source for band in limits.warmth[bird_class])


def test_a_keepers_limit_wins_and_says_where_it_was_set(settings_of: SettingsOf) -> None:
    """File and line stand in the source, so an alarm at night tells whose number it was."""
    more = """
[pen.limits]
ammonia_birds = { on = "18 ppm", off = "15 ppm", on_delay = "10 min", off_delay = "5 min", priority = "medium" }
damp = "80 %"
"""
    alarms = settings_of(more=more).specification.pens["brooder"].limits.alarms
    ammonia = alarms["ammonia_birds"]
    assert (ammonia.on, ammonia.off, ammonia.on_delay_s, ammonia.off_delay_s) == (18, 15, 600, 300)
    assert ammonia.priority is Priority.MEDIUM
    assert ammonia.source.startswith("set by the keeper, ")
    assert ammonia.source.endswith("barn.toml line 32")
    default = DEFAULT_LIMITS["damp"]
    assert (alarms["damp"].on, alarms["damp"].off) == (80, 80 - (default.on - default.off))


def test_a_pens_limit_wins_over_the_sites(settings_of: SettingsOf) -> None:
    """Under [limits] for every pen, under [pen.limits] for one; each sets only what it names."""
    more = """
[pen.limits]
dry = { priority = "medium" }
[limits]
dry = { on = "20 %", off_delay = "1 min" }
fresh_for = "1 min"
broker_lost = { on_delay = "3 min" }
ammonia_danger = "40 ppm"
"""
    specification = settings_of(more=more).specification
    limits = specification.pens["brooder"].limits
    dry = limits.alarms["dry"]
    assert (dry.on, dry.off_delay_s, dry.priority) == (20, 60, Priority.MEDIUM)
    assert limits.fresh_for_s == 60
    assert limits.ammonia_danger.on == 40
    assert specification.site_limits["broker_lost"].on_delay_s == 180
    assert "set by the keeper" in specification.site_limits["broker_lost"].source


def test_a_state_alarm_has_delays_and_no_threshold(complaints_of: Complaints) -> None:
    """A silent sensor has no number to set."""
    (complaint,) = complaints_of(more='[pen.limits]\nsensor_silent = { on = "3 ppm" }\n')
    assert complaint.got == 'the key "on"'


def test_a_keepers_warmth_rows_stand_from_their_first_day_on(settings_of: SettingsOf) -> None:
    """Before it the built-in rows; what a row leaves out keeps its distance from the target."""
    more = """
[[pen.limits.warmth]]
class = "layer"
from_day = 10
target_low = "30 degC"
target_high = "31 degC"
[[pen.limits.warmth]]
class = "layer"
from_day = 20
target_low = "25 degC"
target_high = "27 degC"
cold = "18 degC"
vent = "29 degC"
hot = "33 degC"
needs_heat = false
"""
    warmth = settings_of(more=more).specification.pens["brooder"].limits.warmth
    bands = warmth[BirdClass.LAYER]
    assert [band.from_day for band in bands] == [*[row.from_day for row in WARMTH["layer"] if row.from_day < 10], 10, 20]
    pattern = next(row for row in reversed(WARMTH["layer"]) if row.from_day <= 10)
    assert bands[-2].cold_c == pytest.approx(30 - (pattern.target_low_c - pattern.cold_c))
    assert bands[-2].needs_heat is pattern.needs_heat
    assert (bands[-1].cold_c, bands[-1].vent_c, bands[-1].hot_c, bands[-1].needs_heat) == (18, 29, 33, False)
    assert bands[-1].source.endswith("line 36")
    assert len(warmth[BirdClass.MEAT]) == len(WARMTH["meat"])


@pytest.mark.parametrize(
    ("row", "key"),
    [
        ('target_low = "31 degC"\ntarget_high = "30 degC"', "target_high"),
        ('target_low = "30 degC"\ntarget_high = "31 degC"\ncold = "30 degC"', "cold"),
        ('target_low = "30 degC"\ntarget_high = "31 degC"\nvent = "29 degC"', "vent"),
        ('target_low = "30 degC"\ntarget_high = "31 degC"\nhot = "31 degC"', "hot"),
    ],
)
def test_warmth_out_of_order_is_a_mistake(row: str, key: str, complaints_of: Complaints) -> None:
    """A cold limit above the target would ring for ever, or never."""
    (complaint,) = complaints_of(more=f'[[pen.limits.warmth]]\nclass = "layer"\nfrom_day = 0\n{row}\n')
    assert complaint.where.endswith(f"› {key}")
    assert complaint.expected.startswith("cold below target_low")


@pytest.mark.parametrize(
    ("name", "entry"),
    [("damp", '{ on = "60 %", off = "65 %" }'), ("dry", '{ on = "30 %", off = "25 %" }')],
)
def test_a_limit_that_clears_on_the_wrong_side_is_a_mistake(name: str, entry: str, complaints_of: Complaints) -> None:
    """Damp clears below its limit, dry above."""
    (complaint,) = complaints_of(more=f"[pen.limits]\n{name} = {entry}\n")
    assert complaint.where.endswith(f"limits › {name} › off")


@pytest.mark.parametrize(
    ("calibration", "measured_f", "true_f"),
    [
        ('{ offset = "0.5 degF" }', 90.0, 90.5),
        ('{ offset = "-0.5 degC" }', 90.0, 89.1),
        ('{ points = [["33.1 degF", "32 degF"], ["98.4 degF", "98 degF"]] }', 33.1, 32.0),
        ('{ points = [["33.1 degF", "32 degF"], ["98.4 degF", "98 degF"]] }', 98.4, 98.0),
        ('{ points = [["98.4 degF", "98 degF"], ["33.1 degF", "32 degF"]] }', 65.75, 65.0),
    ],
)
def test_a_calibration_corrects_in_the_keepers_own_points(
    calibration: str, measured_f: float, true_f: float, settings_of: SettingsOf
) -> None:
    """true = gain · measured + offset, in °C inside, goes through the points the keeper wrote in °F."""
    (sensor,) = settings_of('every = "30 s"', f'every = "30 s"\ncalibration = {calibration}').specification.sensors.values()
    si = sensor.unit_gain * measured_f + sensor.unit_offset
    corrected = sensor.calibration.gain * si + sensor.calibration.offset
    assert corrected * 9 / 5 + 32 == pytest.approx(true_f, abs=1e-9)


@pytest.mark.parametrize(
    ("calibration", "expected"),
    [
        ("{}", "either an offset or two points"),
        ('{ offset = "1 degF", points = [] }', "either an offset or two points"),
        ('{ offset = "1 ppm" }', "a unit of temperature difference"),
        ("{ points = 3 }", "two pairs, each measured and true"),
        ('{ points = [["1 degF", "1 degF"]] }', "two pairs, each measured and true"),
        ('{ points = [["1 degF", "1 degF"], ["2 ppm", "2 degF"]] }', "two pairs, each measured and true: a unit of temperature"),
        ('{ points = [["1 degF", "1 degF"], ["1 degF", "2 degF"]] }', "well apart"),
        ('{ points = [["1 degF", "9 degF"], ["9 degF", "1 degF"]] }', "these give a slope of -1"),
    ],
)
def test_a_calibration_that_cannot_be_meant_is_a_mistake(calibration: str, expected: str, complaints_of: Complaints) -> None:
    """Mistyped points would bend every reading that follows."""
    (complaint,) = complaints_of('every = "30 s"', f'every = "30 s"\ncalibration = {calibration}')
    assert expected in complaint.expected


@pytest.mark.parametrize("measure", list(Measure))
def test_each_measure_has_sane_bounds_and_a_reason(measure: Measure) -> None:
    """Bounds are in order, and say why they are what they are."""
    row = PLAUSIBLE[measure]
    assert row.lowest < row.highest
    assert row.largest_step >= 0
    assert row.stuck_after_s == 0 or row.stuck_after_s >= 6 * 3600
    assert row.reason


@pytest.mark.parametrize(
    ("measure", "unit", "usual"),
    [
        ("humidity", None, "%"),
        ("ammonia", None, "ppm"),
        ("carbon_dioxide", None, "ppm"),
        ("light", None, "lx"),
        ("mains", None, "1/0"),
        ("battery", None, "%"),
        ("fan_power", "kW", "kW"),
        ("static_pressure", "in w.c.", "in w.c."),
    ],
)
def test_a_unit_may_be_left_out_where_only_one_is_usual(
    measure: str, unit: str | None, usual: str, settings_of: SettingsOf
) -> None:
    """Temperature and pressure are never guessed."""
    line = f'unit = "{unit}"\n' if unit else ""
    more = f'[[pen.sensor]]\nname = "x"\nmeasures = "{measure}"\nplace = "room"\ntopic = "x"\nevery = "1 min"\n{line}'
    sensor = settings_of(more=more).specification.sensors["brooder/x"]
    assert sensor.unit == usual


@pytest.mark.parametrize(("measure", "example"), [("temperature", "degF"), ("static_pressure", "inH2O")])
def test_a_unit_that_could_be_two_must_be_written(measure: str, example: str, complaints_of: Complaints) -> None:
    """°F taken for °C would cook or chill chicks."""
    more = f'[[pen.sensor]]\nname = "x"\nmeasures = "{measure}"\nplace = "room"\ntopic = "x"\nevery = "1 min"\n'
    (complaint,) = complaints_of(more=more)
    assert (complaint.got, complaint.write) == ("nothing", f'unit = "{example}"')


@pytest.mark.parametrize(("every_s", "silent_s"), [(1, 180), (30, 180), (60, 240), (300, 1200)])
def test_silence_is_four_promised_intervals_and_three_minutes_at_least(every_s: float, silent_s: float) -> None:
    """Common practice, no published source: three lost in a row is bad radio, four is silence."""
    assert silent_after_s(every_s) == silent_s


def test_a_keepers_own_bounds_are_taken(settings_of: SettingsOf) -> None:
    """What the keeper knows of a sensor wins over the usual."""
    keys = [
        'every = "30 s"', 'lowest = "-4 degF"', 'highest = "122 degF"', 'largest_step = "9 degF"', 'silent_after = "10 min"',
        'stuck_after = "0 s"', 'lag = "20 s"',
    ]  # fmt: skip
    (sensor,) = settings_of('every = "30 s"', "\n".join(keys)).specification.sensors.values()
    assert (sensor.lowest, sensor.highest, sensor.largest_step) == pytest.approx((-20, 50, 5))
    assert (sensor.silent_after_s, sensor.stuck_after_s, sensor.lag_s) == (600, 0, 20)


@pytest.mark.parametrize(("key", "value"), [("lowest", "-60 degC"), ("highest", "70 degC")])
def test_bounds_of_warmth_can_only_be_narrowed(key: str, value: str, complaints_of: Complaints) -> None:
    """A reading beyond the physics would have to be believed, and nothing could be reckoned from it."""
    (complaint,) = complaints_of('every = "30 s"', f'every = "30 s"\n{key} = "{value}"')
    assert complaint.expected.endswith("the physics reaches no further")


def test_a_hatching_day_in_the_future_is_a_mistake_on_a_known_day(written: Callable[..., str]) -> None:
    """Without a trusted date it is not looked at, for a board may start in 1970."""
    path = written()
    read(path, {})
    read(path, {}, today=date(2026, 4, 2))
    with pytest.raises(SettingsMistakes, match="a day not after today, 2026-04-01"):
        read(path, {}, today=date(2026, 4, 1))


@pytest.mark.parametrize(
    ("fan", "duct", "inlet"),
    [
        (
            'free_air = "0.001 m^3/s"\nshut_off = "0.1 Pa"',
            'diameter = "60 mm"\nlength = "200 m"\nelbows = 50\nelbow_loss = 15',
            "1 cm^2",
        ),
        ('free_air = "50 m^3/s"\nshut_off = "2000 Pa"', 'diameter = "2 m"\nlength = "0 m"', "100 m^2"),
        (
            'free_air = "50 m^3/s"\nshut_off = "2000 Pa"',
            'diameter = "60 mm"\nlength = "0 m"\nmaterial = "flexible, loose"',
            "100 m^2",
        ),
        (
            'free_air = "0.001 m^3/s"\nshut_off = "2000 Pa"',
            'diameter = "300 mm"\nlength = "1 m"\nmaterial = "flexible"\ncompression = 0.3',
            "1 cm^2",
        ),
        (
            'curve = [["0.001 m^3/s", "30 Pa"], ["0.1 m^3/s", "29 Pa"], ["0.2 m^3/s", "5 Pa"]]',
            'diameter = "2 m"\nlength = "200 m"',
            "1 m^2",
        ),
    ],
)
def test_what_settings_allow_the_physics_can_reckon_with(fan: str, duct: str, inlet: str, settings_of: SettingsOf) -> None:
    """No file that passes `check` stops the ventilation sum at night: the ranges of both are the same."""
    more = f'[pen.duct]\n{duct}\n[pen.inlet]\narea = "{inlet}"\n'
    pen = settings_of('free_air = "400 cfm"\nshut_off = "1.6 inH2O"', fan, more).specification.pens["brooder"]
    point = delivered(pen)
    assert point is not None
    assert point.airflow_m3_s >= 0


def test_a_fan_of_unknown_strength_is_still_switched(settings_of: SettingsOf) -> None:
    """Without a data sheet the curve is empty, and says so; nothing is invented."""
    fan = settings_of('free_air = "400 cfm"\nshut_off = "1.6 inH2O"\n', "").specification.pens["brooder"].fan
    assert fan is not None
    assert (fan.curve, fan.curve_source) == ((), "not given: what the fan moves is not known")


def test_a_keepers_row_replaces_the_built_in_one_of_the_same_day(settings_of: SettingsOf) -> None:
    """Two rows of one day would leave it to chance which of them holds."""
    day = WARMTH["layer"][1].from_day
    more = f'[[pen.limits.warmth]]\nclass = "layer"\nfrom_day = {day}\ntarget_low = "30 degC"\ntarget_high = "31 degC"\n'
    bands = settings_of(more=more).specification.pens["brooder"].limits.warmth[BirdClass.LAYER]
    assert [band.from_day for band in bands] == [0, day]


def test_a_limit_that_is_a_fraction_is_written_in_percent(settings_of: SettingsOf) -> None:
    """Adequacy of 90 % is 0.9 inside, and its deadband moves along."""
    short = (
        settings_of(more='[pen.limits]\nairflow_short = "90 %"\n').specification.pens["brooder"].limits.alarms["airflow_short"]
    )
    default = DEFAULT_LIMITS["airflow_short"]
    assert (short.on, short.off) == pytest.approx((0.9, 0.9 + default.off - default.on))
