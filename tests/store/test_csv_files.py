"""Readings out and in again: nothing doubled, nothing changed, and each bad line named."""

from __future__ import annotations

import io
import sys
from datetime import UTC, datetime

import pyarrow.parquet as pq
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from monitor.engine.specification import Calibration, Measure, Place, Sensor, Specification
from monitor.store.csv_files import BadLine, FileFailing, export, rfc3339, take_in
from monitor.store.keep import Store
from monitor.store.reader import Reader


def sensor(
    key: str, unit: str, gain: float, offset: float, measures: Measure = Measure.TEMPERATURE, low=-50.0, high=80.0
) -> Sensor:
    pen, name = key.split("/", 1)
    given = (key, pen, name, measures, Place.ROOM, "t", None, None, unit, gain, offset, 30.0, Calibration())
    return Sensor(*given, lowest=low, highest=high, largest_step=5.0, silent_after_s=100.0, stuck_after_s=1e4)


SENSORS = [
    sensor("brooder/chick height", "degF", 5 / 9, -160 / 9),
    sensor('brooder/odd, "name"', "degC", 1.0, 0.0),
    sensor("brooder/air", "ppm", 1.0, 0.0, Measure.AMMONIA, 0.0, 500.0),
]
SITE = Specification("Test", "UTC", "us", 0.0, {}, {s.key: s for s in SENSORS}, {})


def text_of(folder, **asked) -> str:
    with Reader(folder) as reader:
        stream = io.StringIO()
        export(reader, stream, asked.pop("from_ms", None), asked.pop("to_ms", None), asked.pop("sensors", None), SITE, **asked)
        return stream.getvalue()


def test_values_stand_in_the_keepers_unit_and_times_in_utc(store, say):
    """The file says what the keeper's sensor says: 65 °F is 65, not 18.33."""
    store.commit(say.batch(say.keep("brooder/chick height", (65 - 32) * 5 / 9), say.keep('brooder/odd, "name"', 21.5, 1250)))
    assert text_of(store.folder) == (
        'time,sensor,value\n2026-05-01T06:00:00Z,brooder/chick height,65\n2026-05-01T06:00:01.250Z,"brooder/odd, ""name""",21.5\n'
    )


def test_what_was_given_out_comes_in_the_same_and_only_once(tmp_path, say):
    """A file taken in twice, or into the store it came from, adds nothing; into an empty one it makes the same readings."""
    readings = [say.keep(SENSORS[n % 3].key, 20 + n % 97 / 7, n // 5 * 10) for n in range(2_000)]
    with Store.open(tmp_path / "one") as one, Store.open(tmp_path / "two") as two, Reader(tmp_path / "one") as reader:
        one.commit(say.batch(*readings))
        assert export(reader, tmp_path / "out.csv", None, None, None, SITE).readings == 2_000
        assert take_in(one, tmp_path / "out.csv", SITE).same == 2_000
        done = take_in(two, tmp_path / "out.csv", SITE)
        assert (done.stored, done.same, done.bad) == (2_000, 0, 0)
        done = take_in(two, tmp_path / "out.csv", SITE)
        assert (done.stored, done.same, done.bad) == (0, 2_000, 0)
    assert text_of(tmp_path / "one") == text_of(tmp_path / "two") == (tmp_path / "out.csv").read_text()


GOOD = "2026-05-01T06:00:00Z,brooder/air,12"


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("2026-05-01 06:00,brooder/air,12", "not RFC 3339"),
        ("2026-05-01T06:00:00,brooder/air,12", "with its offset"),
        ("2026-02-30T06:00:00Z,brooder/air,12", "no day or hour there is"),
        ("1970-01-01T06:00:00Z,brooder/air,12", "outside the years"),
        (",brooder/air,12", "no time"),
        ("2026-05-01T06:00:00Z,brooder/airs,12", 'no sensor "brooder/airs"'),
        ("2026-05-01T06:00:00Z,brooder/air,twelve", "no number"),
        ("2026-05-01T06:00:00Z,brooder/air,nan", "no number"),
        ("2026-05-01T06:00:00Z,brooder/air,1_2", "no number"),
        ("2026-05-01T06:00:00Z,brooder/air,١٢", "no number"),
        ("2026-05-01T06:00:00Z,brooder/air,1e400", "cannot be"),
        ("2026-05-01T06:00:00Z,brooder/chick height,400", "temperature lies between -58 and 176 degF"),
        ("2026-05-01T06:00:00Z,brooder/air", "2 fields"),
        ("2026-05-01T06:00:00Z;brooder/air;12", "1 fields"),
        ('2026-05-01T06:00:00Z,"brooder/air,12', "2 fields"),
        ("x" * 5_000, "longer than"),
        ("\x00\x00", "1 fields"),
    ],
)
def test_a_bad_line_is_named_and_the_good_ones_are_stored(store, line, reason):
    """Each mistake is told with its line number and reason; the lines around it are stored all the same."""
    bad: list[BadLine] = []
    lines = f"time,sensor,value\n{GOOD}\n{line}\n\n2026-05-01T06:00:30+00:00,brooder/air,13.5\r\n"
    done = take_in(store, io.StringIO(lines), SITE, bad.append)
    assert (done.stored, done.bad) == (2, 1)
    assert bad[0].line == 3
    assert reason in bad[0].reason
    with Reader(store.folder) as reader:
        assert [r.value for r in reader.readings("brooder/air")] == [12.0, 13.5]


@pytest.mark.parametrize("first", ["", "when,what,how much", "time;sensor;value", GOOD])
def test_a_file_without_the_header_is_refused(store, first):
    """A file of some other form is not guessed at."""
    with pytest.raises(FileFailing, match="expected the header time,sensor,value"):
        take_in(store, io.StringIO(f"{first}\n{GOOD}\n"), SITE)


def test_a_file_from_another_system_is_read(tmp_path, store):
    """Byte order mark, Windows line ends, other time zones, a broken byte in one line."""
    file = tmp_path / "in.csv"
    file.write_bytes(
        b"\xef\xbb\xbfTime,Sensor,Value\r\n2026-05-01T07:30:00.5+01:30,brooder/air,1.5e1\r\n\xff\xfe,brooder/air,3\r\n"
    )
    done = take_in(store, file, SITE)
    assert (done.stored, done.bad) == (1, 1)
    with Reader(store.folder) as reader:
        assert [(rfc3339(r.time_ms), r.value) for r in reader.readings(None)] == [("2026-05-01T06:00:00.500Z", 15.0)]


def test_a_missing_file_is_told(store, tmp_path):
    """The name that was not found stands in the sentence."""
    with pytest.raises(Exception, match=r"nothing\.csv"):
        take_in(store, tmp_path / "nothing.csv", SITE)


def test_readings_without_a_time_are_counted_and_written_only_when_asked_for(store, say):
    """Nothing is lost, and no time is made up: they stand last, with an empty time, and do not come in again."""
    store.commit(say.batch(say.keep("brooder/air", 3.0, None, at=5.0), say.keep("brooder/air", 9.0)))
    assert text_of(store.folder) == "time,sensor,value\n2026-05-01T06:00:00Z,brooder/air,9\n"
    whole = text_of(store.folder, undated=True)
    assert whole == "time,sensor,value\n2026-05-01T06:00:00Z,brooder/air,9\n,brooder/air,3\n"
    assert take_in(store, io.StringIO(whole), SITE).bad == 1
    with Reader(store.folder) as reader:
        assert export(reader, io.StringIO(), None, None, None, SITE).undated == 1


def test_only_what_was_asked_for_is_given_out(store, say):
    """By sensor and by time; a sensor that was never stored is told with those that are."""
    store.commit(say.batch(*[say.keep(s.key, 20.0, n * 1000) for s in SENSORS for n in range(3)]))
    asked = text_of(store.folder, sensors=["brooder/air"], from_ms=say.dawn_ms + 1000, to_ms=say.dawn_ms + 2000)
    assert asked == "time,sensor,value\n2026-05-01T06:00:01Z,brooder/air,20\n"
    with pytest.raises(FileFailing, match=r'no readings of "brooder/ari".*brooder/air'):
        text_of(store.folder, sensors=["brooder/ari"])


def test_a_sensor_that_left_the_settings_is_given_out_in_si_and_named(store, say):
    """Its readings are the keeper's still; that their unit is not known any more is said."""
    store.commit(say.batch(say.keep("old/probe", 18.25)))
    with Reader(store.folder) as reader:
        assert export(reader, io.StringIO(), None, None, None, SITE).in_si == ("old/probe",)


def test_parquet_holds_the_same(tmp_path, store, say):
    """Times as UTC milliseconds, names, values in the keeper's unit, an empty time where there is none."""
    store.commit(say.batch(say.keep("brooder/chick height", 20.0, 250), say.keep("brooder/air", 3.0, None)))
    with Reader(store.folder) as reader:
        export(reader, tmp_path / "out.parquet", None, None, None, SITE, undated=True)
    table = pq.read_table(tmp_path / "out.parquet").to_pydict()
    assert table["time"] == [datetime(2026, 5, 1, 6, 0, 0, 250_000, UTC), None]
    assert table["sensor"] == ["brooder/chick height", "brooder/air"]
    assert table["value"] == pytest.approx([68.0, 3.0])


def test_parquet_without_its_package_is_told(tmp_path, store, say, monkeypatch):
    """What to install stands in the sentence, and no file is left behind."""
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    store.commit(say.batch(say.keep("brooder/air", 3.0)))
    with Reader(store.folder) as reader, pytest.raises(FileFailing, match=r"pip install 'warmstraw\[parquet\]'"):
        export(reader, tmp_path / "out.parquet", None, None, None, SITE)
    assert not list(tmp_path.glob("out*"))


@settings(max_examples=150)
@given(line=st.one_of(st.text(max_size=60), st.from_regex(r"[0-9TZ:.+-]{0,25},brooder/air,[0-9eE+.-]{0,9}", fullmatch=True)))
@example(line='"')
@example(line="2026-05-01T06:00:00.123456789Z,brooder/air,1")
def test_no_line_whatever_stops_the_taking_in(tmp_path_factory, line):
    """Any text at all is either a reading in physical range or a named bad line."""
    with Store.open(tmp_path_factory.getbasetemp() / "any") as store:
        lines = f"time,sensor,value\n{line}\n{GOOD}\n"
        done = take_in(store, io.StringIO(lines, newline="\n"), SITE)
        assert done.stored + done.same >= 1
        with Reader(store.folder) as reader:
            assert all(0.0 <= r.value <= 500.0 for r in reader.readings("brooder/air"))
