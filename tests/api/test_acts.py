"""What a person does reaches the engine at once, and what it decides comes back."""

from __future__ import annotations

import httpx
import pytest

from tests.api.barn_at_hand import WELL, BarnAtHand
from tests.api.conftest import Visit

COLD = "brooder~birds_cold"


def test_the_status_tells_each_pen_whole(program: httpx.Client, well: BarnAtHand) -> None:
    """One answer is enough to draw the page: sentence, readings with age and health, fan, flocks, target."""
    told = program.get("/api/status").json()
    assert (told["site"], told["clock_trusted"], told["alarms"]) == ("Mill Rise", True, [])
    brooder, house = told["pens"]
    assert brooder["answer"].startswith("Warm enough: 88 °F at bird level")
    assert house["name"] == "hen house"
    reading = brooder["readings"][0]
    assert (reading["name"], reading["value"], reading["unit"]) == ("chick height", 31.0, "degC")
    assert (reading["shown"], reading["health"]) == ("87.8 °F", "believed")
    assert reading["age_s"] <= 30
    assert brooder["flocks"][0]["age_days"] == 3
    assert brooder["flocks"][0]["target"]["shown"] == "86 °F to 91 °F"
    assert brooder["fan"]["reason"] == "minimum timer"
    assert program.get("/api/pens/brooder").json() == brooder


def test_an_untrusted_clock_is_said_and_no_time_is_invented(program: httpx.Client, well: BarnAtHand) -> None:
    """While the clock is not trusted, times are null and ages go on."""
    well.trusted = False
    well.pass_time(60)
    told = program.get("/api/status").json()
    assert (told["clock_trusted"], told["time"]) == (False, None)
    assert told["pens"][0]["readings"][0]["age_s"] == pytest.approx(60, abs=31)
    assert program.get("/api/pens/brooder/series?measure=humidity").status_code == 409


def test_acknowledging_stops_the_question_not_the_condition(program: httpx.Client, cold: BarnAtHand) -> None:
    """The alarm goes to acknowledged, still standing, with who has it; doing it twice is no mistake."""
    before = _alarm(program)
    assert (before["state"], before["priority"], before["may_acknowledge"]) == ("unacknowledged", "urgent", True)
    assert before["title"]
    assert before["steps"]
    after = program.post(f"/api/alarms/{COLD}/acknowledge").json()
    assert (after["state"], after["acknowledged_by"], after["standing"]) == ("acknowledged", "program", True)
    assert program.post(f"/api/alarms/{COLD}/acknowledge").status_code == 200


def test_what_is_over_cannot_be_acknowledged(program: httpx.Client, cold: BarnAtHand) -> None:
    """Back to normal there is nothing to acknowledge: 409, in words."""
    program.post(f"/api/alarms/{COLD}/acknowledge")
    cold.pass_time(1800, WELL)
    answer = program.post(f"/api/alarms/{COLD}/acknowledge")
    assert answer.status_code == 409
    assert "this alarm is normal" in answer.json()["detail"]


def test_an_alarm_is_shelved_with_an_end(program: httpx.Client, cold: BarnAtHand) -> None:
    """On the shelf it counts down; at its end it rings again, for the birds are still cold."""
    told = program.post(f"/api/alarms/{COLD}/shelve", json={"for_s": 900}).json()
    assert (told["state"], told["shelved_left_s"], told["shelved_by"]) == ("shelved", 900, "program")
    cold.pass_time(960, WELL | {"brooder/chick height": 20.0, "brooder/chick height two": 20.5})
    assert _alarm(program)["state"] == "unacknowledged"


def test_an_urgent_alarm_is_shelved_for_an_hour_at_most(program: httpx.Client, cold: BarnAtHand) -> None:
    """What kills birds tonight may not be put away until morning."""
    answer = program.post(f"/api/alarms/{COLD}/shelve", json={"for_s": 7200})
    assert answer.status_code == 422
    assert "60 to 3600 s for an alarm of urgent priority" in answer.json()["detail"]


def test_an_alarm_comes_off_the_shelf(program: httpx.Client, cold: BarnAtHand) -> None:
    """Zero seconds is off the shelf; what is not on it cannot come off."""
    assert program.post(f"/api/alarms/{COLD}/shelve", json={"for_s": 0}).status_code == 409
    program.post(f"/api/alarms/{COLD}/shelve", json={"for_s": 900})
    assert program.post(f"/api/alarms/{COLD}/shelve", json={"for_s": 0}).json()["state"] == "unacknowledged"


def test_the_fan_is_set_by_hand_with_an_end(program: httpx.Client, well: BarnAtHand) -> None:
    """Set by hand it runs; at the end, or when given back, the rule takes over."""
    well.pass_time(120, WELL)
    told = program.put("/api/pens/brooder/fan", json={"running": True, "for_s": 600}).json()
    assert (told["state"], told["reason"]) == ("running", "hand-set")
    assert told["hand_set"] == {
        "running": True,
        "speed_pct": None,
        "until": "2026-04-05T12:27:00Z",
        "left_s": 600,
        "left_shown": "10 min",
        "by": "program",
        "waits_s": 0,
        "waits_until": None,
    }
    well.pass_time(660, WELL)
    assert program.get("/api/pens/brooder").json()["fan"]["hand_set"] is None
    program.put("/api/pens/brooder/fan", json={"running": True, "for_s": 600})
    assert program.put("/api/pens/brooder/fan", json={"running": True, "for_s": 0}).json()["hand_set"] is None


def test_a_variable_fan_takes_a_speed(program: httpx.Client, well: BarnAtHand) -> None:
    """Full speed when none is said."""
    told = program.put("/api/pens/hen house/fan", json={"running": True, "for_s": 600, "speed_pct": 55}).json()
    assert told["hand_set"]["speed_pct"] == 55
    assert program.put("/api/pens/hen house/fan", json={"running": True, "for_s": 600}).json()["hand_set"]["speed_pct"] == 100


def test_the_journal_is_written_and_read_back(program: httpx.Client, well: BarnAtHand) -> None:
    """The newest comes first, with who wrote it; birds count from then on."""
    written = program.post("/api/journal", json={"pen": "brooder", "what": "litter changed"})
    assert written.status_code == 201
    well.pass_time(60, WELL)
    program.post("/api/journal", json={"pen": "brooder", "what": "deaths", "count": 2, "note": "piled in the corner"})
    entries = program.get("/api/journal?pen=brooder").json()["journal"]
    assert [entry["what"] for entry in entries] == ["deaths", "litter changed"]
    assert entries[0]["flock"] == "spring"
    assert (entries[0]["count"], entries[0]["note"], entries[0]["by"]) == (2, "piled in the corner", "program")
    assert entries[1]["time"] == "2026-04-05T12:15:00Z"
    assert program.get("/api/pens/brooder").json()["flocks"][0]["count"] == 28
    assert program.get("/api/journal?pen=hen house").json()["journal"] == []


def test_litter_work_is_written_down_late_and_nothing_else_is(program: httpx.Client, well: BarnAtHand) -> None:
    """It stands at the time it was done, and the engine's clock stays where it is; a count or the future is refused."""
    clock = well.state().wall_ms
    late = {"pen": "brooder", "what": "litter changed", "done": "2026-03-28T12:00:00Z"}
    assert program.post("/api/journal", json=late).json()["time"] == "2026-03-28T12:00:00Z"
    well.pass_time(30, WELL)
    assert clock is not None
    assert well.state().wall_ms == clock + 30_000
    assert [entry["time"] for entry in program.get("/api/journal?pen=brooder").json()["journal"]] == ["2026-03-28T12:00:00Z"]
    for change, words in (
        ({"done": "2031-01-01T00:00:00Z"}, "last 400 days"),
        ({"done": "2020-01-01T00:00:00Z"}, "last 400 days"),
        ({"done": "yesterday"}, "write RFC 3339"),
        ({"what": "heat off"}, "only litter work"),
    ):
        refused = program.post("/api/journal", json=late | change)
        assert refused.status_code == 422
        assert words in refused.json()["detail"]
    well.trusted = False
    assert program.post("/api/journal", json=late).status_code == 409


def test_readings_come_back_over_time_with_limits_and_band(program: httpx.Client, well: BarnAtHand) -> None:
    """Columns in SI, the conversion to the site's units, the limits to draw and the band of that age."""
    told = program.get("/api/pens/brooder/series?measure=temperature&place=bird level&points=20").json()
    assert [each["name"] for each in told["series"]] == ["chick height", "chick height two"]
    columns = told["series"][0]
    assert sum(columns["n"]) == 30
    assert set(columns["mean"]) == {31.0}
    shown = (31.0 - told["shown"]["offset"]) / told["shown"]["gain"]
    assert shown == pytest.approx(87.8)  # 31 °C is 87.8 °F
    assert told["band"][-1]["low"] == 30.0
    air = program.get("/api/pens/brooder/series?measure=ammonia").json()
    assert [(limit["name"], limit["value"]) for limit in air["limits"]] == [("ammonia_birds", 20), ("ammonia_people", 35)]
    assert sum(air["series"][0]["n"]) == 30


def test_the_fan_over_time_adds_up(program: httpx.Client, well: BarnAtHand) -> None:
    """An hour set by hand in a known stretch is an hour of fan."""
    well.pass_time(120, WELL)
    begin = well.wall_ms
    program.put("/api/pens/brooder/fan", json={"running": True, "for_s": 3600})
    well.pass_time(3600, WELL)
    told = program.get(f"/api/pens/brooder/fan?from={begin}&to={well.wall_ms}&points=60").json()
    assert told["ran_hours"] == pytest.approx(1.0, abs=0.05)
    assert told["share"][30] == 1.0
    assert "hand-set" in {change["reason"] for change in told["changes"]}


def test_a_rehearsal_reaches_the_barn_with_its_limits(program: httpx.Client, barn: BarnAtHand) -> None:
    """Only the limits asked for are changed, over the days asked for."""
    answer = program.post("/api/pens/brooder/rehearsal", json={"limits": {"damp": {"on": 80, "off": 75}}, "days": 7})
    assert answer.status_code == 200
    assert barn.asked == [("brooder", ({"damp": {"on": 80.0, "off": 75.0}}, 7.0))]


def test_alarms_stand_in_the_order_of_need(program: httpx.Client, cold: BarnAtHand, visit: Visit) -> None:
    """Open before set aside or covered, urgent before the rest."""
    house = {key: value for key, value in WELL.items() if key.startswith("hen house")}
    cold.pass_time(400, house | {"brooder/chick height": 20.0, "brooder/chick height two": 20.5})
    listed = program.get("/api/alarms").json()["alarms"]
    assert listed[0]["name"] == "birds_cold"
    assert {alarm["name"] for alarm in listed} >= {"birds_cold", "sensor_silent"}
    program.post(f"/api/alarms/{COLD}/shelve", json={"for_s": 900})
    states = [(alarm["name"], alarm["state"]) for alarm in program.get("/api/alarms").json()["alarms"]]
    assert states[0] == ("sensor_silent", "unacknowledged")
    assert ("birds_cold", "shelved") in states[1:]


def _alarm(client: httpx.Client) -> dict[str, object]:
    alarms = client.get("/api/alarms").json()["alarms"]
    found: dict[str, object] = next(alarm for alarm in alarms if alarm["id"] == COLD)
    return found
