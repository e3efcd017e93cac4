"""Every mistake, in one go, each with place, key, value, what was expected and a right example."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.settings.complaints import Complaint, SettingsMistakes
from monitor.settings.read import LARGEST_FILE, find, read

Complaints = Callable[..., list[Complaint]]

# old | new | line | where | got | expected | write
MISTAKES = [
    (
        'unit = "degF"', 'unit = "farenheit"', 16, '[[pen]] "brooder" › sensor "chick height" › unit',
        '"farenheit"', 'a unit of temperature, such as "degF" or "degC"', 'unit = "degF"',
    ),
    (
        'length = "12 ft"', 'lenght = "12 ft"', 7, '[[pen]] "brooder" › lenght',
        'the key "lenght"', 'a key of [pen]; the nearest is "length"', 'length = "12 ft"',
    ),
    (
        'width = "10 ft"', "width = 10", 8, '[[pen]] "brooder" › width',
        "10", 'a length with its unit, such as "12 ft" or "3.6 m"', 'width = "10 ft"',
    ),
    (
        'width = "10 ft"', 'width = "-10 ft"', 8, '[[pen]] "brooder" › width',
        '"-10 ft"',
        'a length with its unit, such as "12 ft" or "3.6 m", above 0 ft and at most 984.3 ft', 'width = "10 ft"',
    ),
    (
        'measures = "temperature"', 'measures = "temprature"', 13, '[[pen]] "brooder" › sensor "chick height" › measures',
        '"temprature"',
        'one of "temperature", "humidity", "ammonia", "carbon_dioxide", "static_pressure", "light", "fan_power", "fan_speed", '
        '"battery", "mains"',
        'measures = "temperature"',
    ),
    (
        '"Europe/Dublin"', '"Europe/Dubln"', 3, "[site] › timezone",
        '"Europe/Dubln"',
        'a time zone of the IANA database, such as "Europe/Dublin" or "America/Chicago"', 'timezone = "Europe/Dublin"',
    ),
    (
        "count = 16", "count = -16", 29, '[[pen]] "brooder" › flock "spring layers" › count',
        "-16", "a whole number from 0 to 10000", "count = 16",
    ),
    (
        "hatched = 2026-04-02", 'hatched = "2 April"', 28, '[[pen]] "brooder" › flock "spring layers" › hatched',
        '"2 April"', "a date, year-month-day, without quotes or time of day", "hatched = 2026-04-02",
    ),
    (
        "millrise/brooder/probe1", "millrise/#/probe1", 15, '[[pen]] "brooder" › sensor "chick height" › topic',
        '"millrise/#/probe1"', "the wildcard # alone and last, for it stands for all that follow", 'topic = "millrise/#"',
    ),
    (
        "millrise/brooder/probe1", "millrise/bro+/probe1", 15, '[[pen]] "brooder" › sensor "chick height" › topic',
        '"millrise/bro+/probe1"', "the wildcard + alone between two slashes, for it stands for one whole level",
        'topic = "millrise/+/probe1"',
    ),
    (
        "millrise/brooder/fan/set", "millrise/+/fan/set", 20, '[[pen]] "brooder" › fan › command_topic',
        '"millrise/+/fan/set"', "a topic to publish to, so without the wildcards + and #", 'command_topic = "millrise/fan/set"',
    ),
    (
        'free_air = "400 cfm"\n', "", 19, '[[pen]] "brooder" › fan › free_air',
        "nothing", "both free_air and shut_off from the data sheet, or its curve, or neither: then nobody knows what it moves",
        'free_air = "400 cfm"',
    ),
    (
        'free_air = "400 cfm"\nshut_off = "1.6 inH2O"', 'curve = [["0 cfm", "1 inH2O"], ["400 cfm", "2 inH2O"]]', 22,
        '[[pen]] "brooder" › fan › curve',
        '[["0 cfm", "1 inH2O"], ["400 cfm", "2 inH2O"]]', "a falling fan curve: the more airflow, the less static pressure",
        'curve = [["0 cfm", "1.6 inH2O"], ["400 cfm", "0 inH2O"]]',
    ),
    (
        'place = "bird level"\n', "", 11, '[[pen]] "brooder" › sensor "chick height" › place',
        "nothing", 'where it hangs: one of "bird level", "room", "supply", "outside"', 'place = "bird level"',
    ),
    (
        'every = "30 s"\n', "", 11, '[[pen]] "brooder" › sensor "chick height" › every',
        "nothing", "every, a time: how often it promises to publish; silence is judged against it", 'every = "30 s"',
    ),
    (
        'name = "brooder"', 'name = "brooder/left"', 6, '[[pen]] "brooder/left" › name',
        '"brooder/left"', "a name of 1 to 60 characters, without / + # or control characters", 'name = "brooder left"',
    ),
    (
        "[[pen.flock]]", "[pen.limits]\ndamp = 80\n\n[[pen.flock]]", 26, '[[pen]] "brooder" › limits › damp',
        "80", 'a percentage with its unit, such as "75 %" or "0.75 fraction"', 'damp = "80 %"',
    ),
    (
        'every = "30 s"', 'every = "30 s"\ncalibration = "0.5 degF"', 18,
        '[[pen]] "brooder" › sensor "chick height" › calibration',
        '"0.5 degF"', 'a table, such as { offset = "0.5 degF" }', 'calibration = { offset = "0.5 degF" }',
    ),
    (
        'free_air = "400 cfm"\n', 'variable = true\nfree_air = "400 cfm"\n', 22, '[[pen]] "brooder" › fan › variable',
        'the key "variable"', 'a key of [pen.fan]; "variable" is a value of "kind"', 'kind = "variable"',
    ),
    (
        '[[pen]]', '[pen]', 5, "[pen]", "one table, with single brackets", "a table, with the header [[pen]]", "[[pen]]",
    ),
    (
        '[site]\n', 'colour = "red"\n[site]\n', 1, "colour", 'the key "colour"',

        "a key of the settings: site, broker, pen, limits, tell, store, api, clock, mirror, ping, yard, design",
        "take it out, or one of these",
    ),
    (
        'name = "Mill Rise"\n', 'name = "Mill Rise"\nfree_air = "1 cfm"\n', 3, "[site] › free_air", 'the key "free_air"',
        'a key of [site]; "free_air" belongs in [pen.fan]', "move it to [pen.fan], or take it out",
    ),
    (
        "[[pen.flock]]", '[pen.limits]\nbroker_lost = { on_delay = "1 min" }\n\n[[pen.flock]]', 26,
        '[[pen]] "brooder" › limits › broker_lost',
        'the key "broker_lost"', 'a key of [pen.limits]; "broker_lost" belongs in [limits]',
        "move it to [limits], or take it out",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "line", "where", "got", "expected", "write"), MISTAKES)
def test_a_mistake_is_told_with_place_value_and_a_right_example(
    old: str, new: str, line: int, where: str, got: str, expected: str, write: str, complaints_of: Complaints
) -> None:
    """One slip gives one complaint, which says all a keeper needs to mend it."""
    (complaint,) = complaints_of(old, new)
    assert complaint.place.endswith(f"barn.toml, line {line}")
    assert (complaint.where, complaint.got, complaint.expected, complaint.write) == (where, got, expected, write)


def test_a_mistake_prints_in_one_form(complaints_of: Complaints) -> None:
    """The form a keeper learns once: place and key, got, expected, write."""
    (complaint,) = complaints_of('unit = "degF"', 'unit = "farenheit"')
    text = str(complaint)
    assert text[text.index("barn.toml") :] == (
        'barn.toml, line 16, [[pen]] "brooder" › sensor "chick height" › unit\n'
        '  got       "farenheit"\n'
        '  expected  a unit of temperature, such as "degF" or "degC"\n'
        '  write     unit = "degF"'
    )


def test_all_mistakes_come_in_one_go_and_in_the_order_of_the_file(complaints_of: Complaints) -> None:
    """A keeper mends the file once: slips of a single value and clashes between tables together."""
    more = """
[[pen]]
name = "Brooder"
length = "3 m"
width = 3
height = "2 m"

[[pen.sensor]]
name = "same again"
measures = "temperature"
place = "room"
topic = "millrise/brooder/probe1"
unit = "ppm"
every = "1 min"
lowest = "60 degC"
highest = "10 degC"

[pen.inlet]
area = "60 in^2"

[pen.limits]
damp = { on = "60 %", off = "65 %" }
ammonia_brids = "18 ppm"

[[tell]]
person = "Nora"

[store]
comit_every = "60 s"
"""
    found = complaints_of('length = "12 ft"', 'lenght = "12 ft"', more)
    keys = [complaint.where.split(" › ")[-1] for complaint in found]
    assert keys == [
        "lenght", "name", "width", "topic", "unit", "lowest", "inlet", "off", "ammonia_brids", "channel", "comit_every",
    ]  # fmt: skip
    lines = [int(complaint.place.rsplit(" ", 1)[1]) for complaint in found]
    assert lines == sorted(lines)


def test_the_count_of_mistakes_is_said(written: Callable[..., str]) -> None:
    """A long list ends with how many there are."""
    with pytest.raises(SettingsMistakes, match=r"2 mistakes in the settings$"):
        read(written('length = "12 ft"', "length = 12", '[api]\nport = "x"\n'), {})


@pytest.mark.parametrize(
    ("text", "place", "got"),
    [
        ("[site\n", "line 1, column 6", "Expected ']' at the end of a table declaration"),
        ('[site]\nname = "x\n', "line 2, column 10", "Illegal character '\\n' after \"name\""),
        ("a = 1\na = 2\n", "line 2, column 6", 'Cannot overwrite a value after "a"'),
        ("[broker]\npassword = secret\n", "line 2, column 12", 'Invalid value after "password"'),
        ("x = [", "line 1", "Invalid value"),
    ],
)
def test_broken_toml_is_told_with_line_and_column(text: str, place: str, got: str, tmp_path: Path) -> None:
    """The parser's place is passed on, and no value that may be a secret."""
    path = tmp_path / "barn.toml"
    path.write_text(text)
    with pytest.raises(SettingsMistakes) as caught:
        read(str(path), {})
    (complaint,) = caught.value.complaints
    assert complaint.place == f"{path}, {place}"
    assert complaint.got == got
    assert complaint.expected == "TOML"
    assert "secret" not in str(complaint)


@pytest.mark.parametrize(
    ("content", "got"),
    [
        (b"[site]\nname = \xff\n", "bytes that are no UTF-8"),
        (b"#" * (LARGEST_FILE + 1), f"more than {LARGEST_FILE} bytes"),
        (b"x = " + b"[" * 100_000, "values nested too deep, or a number too long"),
        (b"x = " + b"9" * 10_000, "values nested too deep, or a number too long"),
    ],
)
def test_a_file_that_is_no_text_is_a_mistake(content: bytes, got: str, tmp_path: Path) -> None:
    """A wrong file is refused by name, whatever is in it."""
    path = tmp_path / "barn.toml"
    path.write_bytes(content)
    with pytest.raises(SettingsMistakes) as caught:
        read(str(path), {})
    assert caught.value.complaints[0].got == got


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    """A file that is not there is never taken for one that says nothing."""
    with pytest.raises(SettingsMistakes, match=r"nowhere\.toml\n  got       No such file or directory"):
        read(str(tmp_path / "nowhere.toml"), {})


def test_the_settings_are_looked_for_in_order(tmp_path: Path) -> None:
    """The given file wins, then the first place that has one; none anywhere is told with all places."""
    first, second = tmp_path / "a.toml", tmp_path / "b.toml"
    second.touch()
    assert find("given.toml", (str(first), str(second))) == "given.toml"
    assert find(None, (str(first), str(second))) == str(second)
    first.touch()
    assert find(None, (str(first), str(second))) == str(first)
    with pytest.raises(SettingsMistakes, match=r"neither .*x nor .*y is there"):
        find(None, (str(tmp_path / "x"), str(tmp_path / "y")))


def test_windows_line_ends_and_a_byte_order_mark_do_no_harm(written: Callable[..., str]) -> None:
    """A file saved on another system is read, and its lines are still counted right."""
    path = Path(written('unit = "degF"', 'unit = "x"'))
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n"))
    with pytest.raises(SettingsMistakes, match="line 16, "):
        read(str(path), {})


def test_a_mistake_never_draws_a_second_one_after_it(complaints_of: Complaints) -> None:
    """What stands in for a missing name is no clash of names."""
    sensor = '[[pen.sensor]]\nmeasures = "humidity"\nplace = "room"\ntopic = "{}"\nevery = "1 min"\n'
    found = complaints_of(more=sensor.format("a") + sensor.format("b"))
    assert [complaint.where.split(" › ", 1)[1] for complaint in found] == ["sensor number 2 › name", "sensor number 3 › name"]
