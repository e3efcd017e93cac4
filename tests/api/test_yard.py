"""The yard as JSON: what is old is said to be old, and who needs someone stands first."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import httpx
import pytest

from monitor.api.app import create_app
from monitor.api.yard import SILENT_S, yard_status
from monitor.wire.other_sites import OtherSites
from tests.api.barn_at_hand import TOKEN, BarnAtHand
from tests.api.conftest import Front

NOW_MS = 1_777_615_200_000  # 2026-05-01 06:00 UTC


def told(verdict: str = "good", *alarms: tuple[str, str], time: str | None = "2026-05-01T06:00:00Z") -> bytes:
    return json.dumps(
        {
            "time": time,
            "pens": [{"pen": "brooder", "answer": "Warm enough.", "verdict": verdict}],
            "alarms": [{"pen": "brooder", "title": f"{p} {s}", "priority": p, "state": s} for p, s in alarms],
        }
    ).encode()


def rows(it: OtherSites, at: float = 1000.0, now_ms: int | None = NOW_MS) -> list[Any]:
    sites = yard_status(it, (at, now_ms))["sites"]
    assert isinstance(sites, list)
    return sites


def test_who_needs_someone_stands_first() -> None:
    """An urgent alarm, then a board that has stopped, then lesser alarms, then verdicts, then names."""
    it = OtherSites()
    for name, payload in {
        "a well": told(),
        "b watch": told("watch"),
        "c medium": told("good", ("medium", "unacknowledged")),
        "d gone": told(),
        "e urgent": told("bad", ("low", "unacknowledged"), ("urgent", "unacknowledged")),
    }.items():
        it.hear(f"warmstraw/{name}/answer", payload, False, 990.0)
    it.hear("warmstraw/d gone/alive", b"gone", False, 991.0)
    found = rows(it)
    assert [site["site"] for site in found] == ["e urgent", "d gone", "c medium", "b watch", "a well"]
    assert [alarm["priority"] for alarm in found[0]["alarms"]] == ["urgent", "low"]
    assert [site["verdict"] for site in found] == ["bad", "unknown", "good", "watch", "good"]


@pytest.mark.parametrize(
    ("retained", "at", "now_ms", "state", "sentence"),
    [
        (False, 1000.0, NOW_MS, "answering", ""),
        (False, 1000.0, None, "answering", ""),
        (False, 1000.0 + SILENT_S + 1, NOW_MS, "silent", "Nothing heard for 15 min. What stands here is old."),
        (True, 1000.0, NOW_MS + 30_000, "answering", ""),
        (True, 1000.0, NOW_MS + 86_400_000, "silent", "Nothing heard for 24 h. What stands here is old."),
        (True, 1000.0, NOW_MS - 3_600_000, "silent", "When this was said is not known: it is the broker's memory."),
        (True, 1000.0, None, "silent", "When this was said is not known: it is the broker's memory."),
    ],
)
def test_an_old_answer_is_said_to_be_old(retained: bool, at: float, now_ms: int | None, state: str, sentence: str) -> None:
    """A bridge that fell leaves its last words at the broker for ever: they must never look like peace."""
    it = OtherSites()
    it.hear("warmstraw/Mill Rise/answer", told(), retained, 1000.0)
    (site,) = rows(it, at, now_ms)
    assert (site["state"], site["sentence"]) == (state, sentence)
    assert site["verdict"] == ("good" if state == "answering" else "unknown")


@pytest.mark.parametrize("retained", [False, True])
def test_a_site_whose_line_is_gone_is_silent_at_once(retained: bool) -> None:
    """Its last word was good and is a minute old; what it says after the line stands again counts, and so does a word that
    comes by another way."""
    it = OtherSites()
    it.hear("warmstraw/Mill Rise/alive", b"here", retained, 1000.0)
    it.hear("warmstraw/Mill Rise/answer", told(), retained, 1000.0)
    it.hear("warmstraw/Mill Rise/line", b"0", retained, 1060.0)
    (site,) = rows(it, 1060.0)
    assert (site["state"], site["verdict"]) == ("silent", "unknown")
    assert "Its line is down" in site["sentence"]
    it.hear("warmstraw/Mill Rise/line", b"1", False, 1100.0)
    assert rows(it, 1100.0)[0]["state"] == "answering"
    it.hear("warmstraw/Mill Rise/line", b"0", False, 1200.0)
    it.hear("warmstraw/Mill Rise/answer", told(), False, 1210.0)
    assert rows(it, 1210.0)[0]["state"] == "answering"


def test_a_site_whose_line_is_gone_stands_above_a_small_trouble() -> None:
    """As one whose daemon has stopped."""
    it = OtherSites()
    it.hear("warmstraw/a/answer", told("watch", ("low", "unacknowledged")), False, 1000.0)
    it.hear("warmstraw/b/answer", told(), False, 1000.0)
    it.hear("warmstraw/b/line", b"0", False, 1000.0)
    assert [site["site"] for site in rows(it)] == ["b", "a"]


def test_a_site_that_only_lives_has_not_answered() -> None:
    """Its daemon has just started: nothing of its pens is known, and nothing is said to be well."""
    it = OtherSites()
    it.hear("warmstraw/Mill Rise/alive", b"here", False, 1000.0)
    (site,) = rows(it)
    assert (site["state"], site["verdict"], site["pens"]) == ("not heard yet", "unknown", [])


def test_an_unknown_verdict_is_no_good_one() -> None:
    """A later version's word, or a stranger's: not known."""
    it = OtherSites()
    it.hear("warmstraw/Mill Rise/answer", told("splendid"), False, 1000.0)
    assert rows(it)[0]["pens"][0]["verdict"] == rows(it)[0]["verdict"] == "unknown"


Visit = Callable[..., httpx.Client]


def test_the_yard_is_for_those_who_are_signed_in(visit: Visit) -> None:
    """The figures need a keeper or a token; the empty page does not."""
    assert visit().get("/api/yard").status_code == 401
    assert visit().get("/yard").status_code == 200
    said = visit(token=TOKEN).get("/api/yard").json()
    assert (said["watched"], said["sites"]) == (False, [])


def test_what_was_heard_is_served(barn: BarnAtHand, front: tuple[Front, str], visit: Visit) -> None:
    """With [yard] watch, the listener's sites are there."""
    client = visit(token=TOKEN)
    it = OtherSites()
    it.hear("warmstraw/Mill Rise/answer", told(), False, barn.at)
    front[0].app = create_app(barn, it)
    said = client.get("/api/yard").json()
    assert said["watched"]
    assert [site["site"] for site in said["sites"]] == ["Mill Rise"]
