"""The morning line and the weekly sheet, from a real store: what was measured is said, what was not is said too."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import httpx
import pytest

from monitor.api.app import create_app
from monitor.api.server import WebServer
from monitor.daemon.people import People
from monitor.daemon.reports import KEPT_PICTURES, Reports
from monitor.engine.connections import Connections, Notice, Secret, StoreKeeping, Tell
from monitor.engine.events import AlarmChanged, JournalEntry, Keep, SwitchFan
from monitor.engine.specification import Priority, Specification
from monitor.engine.state import AlarmRecord, AlarmState, PenState, State
from monitor.engine.wording_english import ENGLISH
from monitor.store.keep import Batch, Store
from monitor.store.reader import Reader
from tests.api.barn_at_hand import TOKEN, BarnAtHand
from tests.engine.barns import site

DUBLIN = ZoneInfo("Europe/Dublin")
DAY = date(2026, 4, 6)  # a Monday; the chicks of tests.engine.barns are four days old
MIDNIGHT = datetime(2026, 4, 6, tzinfo=DUBLIN)
AT_OFFSET_S = 1_000_000.0  # elapsed seconds are no wall seconds
TELL = (
    Tell("Nora", Secret("json://127.0.0.1:9/a"), tuple(Priority), reports=True),
    Tell("Ed", Secret("json://127.0.0.1:9/b"), tuple(Priority)),
)


def ms(hours: float, day: date = DAY) -> int:
    """Local hours after that day's midnight; of one with clocks unchanged."""
    return round(datetime.combine(day, datetime.min.time(), DUBLIN).timestamp() * 1000 + hours * 3_600_000)


def at(wall_ms: int) -> float:
    return wall_ms / 1000.0 - AT_OFFSET_S


class Barn:
    """A store that tests fill, and the reports made from it at half past six."""

    def __init__(self, folder: Path, tell: tuple[Tell, ...] = TELL) -> None:
        self.specification: Specification = site()
        self.connections = Connections(store=StoreKeeping(str(folder)), tell=tell)
        self.state = State(at=at(ms(6.5)), pens={"brooder": PenState("brooder")})
        self.sent: list[Notice] = []
        self.now_ms: int | None = ms(6.5)
        self.store = Store.open(folder)
        self.remarks: tuple[str, ...] = ()
        self.reports = Reports(
            self.specification,
            self.connections,
            ENGLISH,
            People(self.specification, self.connections, ENGLISH, lambda *_: None),
            lambda: self.state,
            lambda: (at(ms(6.5)), self.now_ms),
            self.sent.extend,
            due=lambda _pen, day, days: (f"lower the lamp, {day:%d %b}, {days} d",),
            remarks=lambda: self.remarks,
        )

    def readings(self, sensor: str, value: Callable[[float], float], from_h: float, to_h: float, every_s: float = 60.0) -> None:
        """Readings from one local hour of the day to another; `value` is given the hour."""
        keeps = []
        for number in range(round((to_h - from_h) * 3600.0 / every_s)):
            hour = from_h + number * every_s / 3600.0
            keeps.append(Keep(f"brooder/{sensor}", value(hour), at(ms(hour)), ms(hour), False))
        self.store.add_readings(keeps)

    def decided(self, *decisions: SwitchFan | AlarmChanged, journal: Sequence[JournalEntry] = ()) -> None:
        self.store.commit(Batch((), (), decisions, journal, (), None, at(ms(6.5)), ms(6.5), 1, "boot", 10.0, True))

    def body(self) -> str:
        (notice,) = self.sent
        return notice.body


@pytest.fixture
def barn(tmp_path: Path) -> Barn:
    return Barn(tmp_path / "store")


def fan(running: bool, hour: float) -> SwitchFan:
    return SwitchFan(at(ms(hour)), ms(hour), "brooder", running, None, "damp", {})


def alarm(name: str, subject: str, state: str, hour: float, occurrence: int = 1) -> AlarmChanged:
    key = f"brooder/{name}/{subject}"
    return AlarmChanged(at(ms(hour)), ms(hour), key, name, "brooder", subject, "", state, Priority.URGENT, occurrence)


def test_the_morning_line_says_the_night_in_the_keepers_units(barn: Barn) -> None:
    """Low and high at bird level with their times, ammonia near dawn, fan hours, what is due; to who wants reports."""
    barn.readings("chick height", lambda hour: 29.0 if 3.0 <= hour < 3.5 else 31.0, -4.0, 6.5)
    barn.readings("chick height two", lambda hour: 33.0 if hour < -3.5 else 31.5, -4.0, 6.5)
    barn.readings("ammonia", lambda hour: 22.0 if 5.0 <= hour < 5.25 else 30.0 if hour < 0 else 12.0, -4.0, 6.5)
    barn.decided(fan(True, -3.0), fan(False, -2.0))
    barn.reports.morning(DAY)
    (notice,) = barn.sent
    assert (notice.person, notice.kind, notice.key) == ("Nora", "report", "report/morning 2026-04-06/Nora/0")
    assert notice.title == "Mill Rise: brooder ammonia 22 ppm at dawn"
    assert notice.body == (
        "Brooder: low 84 °F at 03:00, high 91 °F at 20:00, ammonia 22 ppm at 05:00 (limit 20 ppm), fan 1.0 h. "
        "Today: lower the lamp, 06 Apr, 1 d."
    )


def test_one_wild_reading_is_not_the_nights_low(barn: Barn) -> None:
    """A probe that says −20 °C once has not seen a cold night."""
    barn.readings("chick height", lambda hour: 31.0, -4.0, 6.5)
    barn.readings("chick height", lambda hour: -20.0, 2.005, 2.006, every_s=3.6)
    barn.reports.morning(DAY)
    assert "low 88 °F" in barn.body()


def test_an_hour_without_readings_is_told(barn: Barn) -> None:
    """Silence is no warmth: the line says for how long nobody watched."""
    barn.readings("chick height", lambda hour: 31.0, -4.0, 1.0)
    barn.readings("chick height", lambda hour: 31.0, 2.5, 6.5)
    barn.reports.morning(DAY)
    assert barn.sent[0].title == "Mill Rise: brooder unwatched 1 h 30 min"


def test_a_stuck_sensors_numbers_are_not_told(barn: Barn) -> None:
    """While its alarm stands, what a sensor said counts as not measured."""
    barn.readings("chick height", lambda hour: 31.0, -4.0, 6.5)
    barn.decided(
        alarm("sensor_stuck", "chick height", "unacknowledged", 2.0), alarm("sensor_stuck", "chick height", "returned", 4.0)
    )
    barn.reports.morning(DAY)
    assert barn.sent[0].title == "Mill Rise: brooder unwatched 2 h"


def test_a_night_that_was_not_measured_is_said_so(barn: Barn) -> None:
    """An empty store gives no number and no reassurance."""
    barn.reports.morning(DAY)
    assert barn.sent[0].title == "Mill Rise: brooder unwatched 10 h 30 min"
    assert "birds' place not measured" in barn.body()


def test_open_alarms_and_remarks_stand_in_the_line(barn: Barn) -> None:
    """What still stands comes first; that no backup was made comes last."""
    record = AlarmRecord("brooder/damp", "damp", "brooder", "", AlarmState.ACKNOWLEDGED, Priority.MEDIUM, True, occurrence=3)
    barn.state = replace(barn.state, pens={"brooder": PenState("brooder", alarms={record.key: record})})
    barn.remarks = ("No backup was made last night: no room.",)
    barn.readings("chick height", lambda hour: 31.0, -4.0, 6.5)
    barn.reports.morning(DAY)
    lines = barn.body().splitlines()
    assert barn.sent[0].title.startswith("Mill Rise: 1 open, Brooder")
    assert lines[0].startswith("Open: Brooder")
    assert lines[-1] == "No backup was made last night: no room."


def test_the_same_morning_is_told_once(barn: Barn) -> None:
    """Asked again after a restart it has the same key, which the outbox takes once."""
    barn.reports.morning(DAY)
    barn.reports.morning(DAY)
    assert len({notice.key for notice in barn.sent}) == 1


@pytest.mark.parametrize("why", ["no clock", "nobody asks"])
def test_without_a_clock_or_a_reader_nothing_is_sent(tmp_path: Path, why: str) -> None:
    """A night of unknown date is no night; and without `reports = true` nothing is made at all."""
    barn = Barn(tmp_path / "store", TELL if why == "no clock" else TELL[1:])
    if why == "no clock":
        barn.now_ms = None
    barn.reports.morning(DAY)
    barn.reports.weekly(DAY)
    assert barn.sent == []
    assert not (tmp_path / "store" / "reports").exists()


def test_the_weekly_sheet_has_each_day_and_the_alarms(barn: Barn) -> None:
    """Seven rows from Monday to Sunday, eggs where they were written down, and how the alarms behaved."""
    barn.readings("chick height", lambda hour: 31.0 + (hour // 24.0), -7 * 24.0, 0.0, every_s=300.0)
    barn.readings("ammonia", lambda hour: 9.0, -7 * 24.0, 0.0, every_s=300.0)
    barn.decided(
        fan(True, -50.0),
        fan(False, -49.0),
        alarm("birds_cold", "", "unacknowledged", -30.0, 1),
        alarm("birds_cold", "", "returned", -29.0, 1),
        journal=[JournalEntry(at(ms(-20.0)), ms(-20.0), "brooder", "eggs", count=14)],
    )
    barn.reports.weekly(DAY)
    (notice,) = barn.sent
    assert notice.title == "Mill Rise: the week, 30 Mar to 05 Apr"
    rows = notice.body.splitlines()
    assert rows[1].split() == ["day", "low", "high", "ammonia", "fan", "eggs"]
    assert rows[2].split() == ["Mon", "30", "75", "°F", "75", "°F", "9", "ppm", "0.0", "h", "–"]
    assert rows[6].split()[-3:] == ["1.0", "h", "–"]
    assert rows[8].split()[-1] == "14"
    assert "Alarms: 1 in 7 days, 1 of them urgent." in notice.body
    assert "Due: lower the lamp, 06 Apr, 7 d." in notice.body


def test_the_weekly_sheet_carries_its_pictures(barn: Barn) -> None:
    """One well-formed drawing a pen, given to the channels with that sheet and with no other notice."""
    barn.readings("chick height", lambda hour: 31.0, -7 * 24.0, 0.0, every_s=300.0)
    barn.reports.weekly(DAY)
    barn.reports.morning(DAY)
    week, morning = barn.sent
    (picture,) = barn.reports.pictures(week)
    assert ElementTree.parse(picture).getroot().tag.endswith("svg")
    assert barn.reports.pictures(morning) == ()
    assert barn.reports.pictures(replace(week, kind="raised", key="3/raised/week 2026-04-06/0/1")) == ()


def test_the_page_gives_the_drawing_that_the_weekly_sheet_brings(barn: Barn, tmp_path: Path) -> None:
    """Asked of the API over HTTP for the same day, the same store and state: byte for byte the file of the sheet."""
    barn.readings("chick height", lambda hour: 31.0 + hour % 24.0 / 10.0, -7 * 24.0, 0.0, every_s=300.0)
    barn.readings("ammonia", lambda hour: 5.0 + hour % 7.0, -7 * 24.0, 0.0, every_s=600.0)
    barn.reports.weekly(DAY)
    (sheet,) = barn.sent
    (file,) = barn.reports.pictures(sheet)
    store = Path(barn.connections.store.folder)
    (token := tmp_path / "token").write_text(TOKEN)
    at_hand = BarnAtHand(tmp_path / "other", barn.specification, token_file=token)
    at_hand.reader = lambda: Reader(store)  # type: ignore[method-assign]  # the store beside it
    server = WebServer(create_app(at_hand), "127.0.0.1", 0)
    server.start()
    drawn = httpx.get(f"{server.address}/api/pens/brooder/week.svg?day={DAY}", headers={"Authorization": f"Bearer {TOKEN}"})
    server.stop()
    at_hand.close()
    assert drawn.status_code == 200
    assert drawn.headers["content-type"].startswith("image/svg+xml")
    assert drawn.text == Path(file).read_text(encoding="utf-8")
    assert drawn.text.count("<rect") == 8  # the paper and seven days


def test_old_pictures_go(barn: Barn) -> None:
    """Years of weeks leave a bounded number of files on the card."""
    for number in range(KEPT_PICTURES + 5):
        barn.now_ms = ms(6.5, DAY + timedelta(weeks=number))
        barn.reports.weekly(DAY + timedelta(weeks=number))
    files = sorted(Path(barn.connections.store.folder, "reports").iterdir())
    assert len(files) == KEPT_PICTURES
    assert files[-1].name == f"week-{DAY + timedelta(weeks=KEPT_PICTURES + 4)}-00.svg"


@pytest.mark.parametrize(("night", "hours"), [(date(2026, 3, 29), 9.5), (date(2026, 10, 25), 11.5)])
def test_the_night_of_changed_clocks_is_as_long_as_it_was(barn: Barn, night: date, hours: float) -> None:
    """From eight in the evening to half past six is an hour less in spring and an hour more in autumn."""
    half_past_six = round(datetime(night.year, night.month, night.day, 6, 30, tzinfo=DUBLIN).timestamp() * 1000)
    barn.now_ms = half_past_six
    before = half_past_six - 24 * 3_600_000
    barn.store.commit(
        Batch(
            (), (), [SwitchFan(1.0, before, "brooder", True, None, "damp", {})], (), (), None, 1.0, before, 1, "boot", 10.0, True
        )
    )
    barn.reports.morning(night)
    assert f"fan {hours} h" in barn.body()
