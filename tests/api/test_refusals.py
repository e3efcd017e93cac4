"""Errors are problem details, headers are set, nothing large gets in."""

from __future__ import annotations

import httpx
import pytest

from monitor.api.guard import HEADERS, LARGEST_BODY
from tests.api.barn_at_hand import BarnAtHand
from tests.api.conftest import Visit

CASES: list[tuple[str, str, object, int]] = [
    ("GET", "/nowhere", None, 404),
    ("GET", "/page/../app.py", None, 404),
    ("GET", "/page/%2e%2e%2fapp.py", None, 404),
    ("DELETE", "/api/status", None, 405),
    ("GET", "/api/pens/no such pen", None, 404),
    ("GET", "/api/pens/brooder/series", None, 422),
    ("GET", "/api/pens/brooder/series?measure=smell", None, 422),
    ("GET", "/api/pens/brooder/series?measure=humidity&points=1", None, 422),
    ("GET", "/api/pens/brooder/series?measure=humidity&from=yesterday", None, 422),
    ("GET", "/api/pens/brooder/series?measure=humidity&from=2026-04-03T00:00:00Z&to=2026-04-02T00:00:00Z", None, 422),
    ("POST", "/api/alarms/no-20such/acknowledge", None, 404),
    ("POST", "/api/alarms/%F0%9F%90%A3/acknowledge", None, 404),
    ("PUT", "/api/pens/brooder/fan", {"running": True}, 422),
    ("PUT", "/api/pens/brooder/fan", {"running": True, "for_s": -1}, 422),
    ("PUT", "/api/pens/brooder/fan", {"running": True, "for_s": 10}, 422),
    ("PUT", "/api/pens/brooder/fan", {"running": True, "for_s": 1e9}, 422),
    ("PUT", "/api/pens/brooder/fan", {"running": True, "for_s": 600, "speed_pct": 50}, 422),
    ("PUT", "/api/pens/brooder/fan", {"running": True, "for_s": 600, "until": "x"}, 422),
    ("PUT", "/api/pens/hen house/fan", {"running": True, "for_s": 600, "speed_pct": 10}, 422),
    ("POST", "/api/journal", {"pen": "brooder", "what": "sang to them"}, 422),
    ("POST", "/api/journal", {"pen": "attic", "what": "note", "note": "x"}, 404),
    ("POST", "/api/journal", {"pen": "brooder", "what": "note"}, 422),
    ("POST", "/api/journal", {"pen": "brooder", "what": "eggs"}, 422),
    ("POST", "/api/journal", {"pen": "brooder", "what": "deaths", "count": -1}, 422),
    ("POST", "/api/journal", {"pen": "brooder", "what": "deaths", "count": 1, "flock": "geese"}, 422),
    ("POST", "/api/journal", {"pen": "brooder", "what": "note", "note": "x" * 1001}, 422),
    ("POST", "/api/journal", [], 422),
    ("POST", "/api/pens/brooder/rehearsal", {"limits": {"smell": {"on": 1}}}, 422),
    ("POST", "/api/pens/brooder/rehearsal", {"limits": {"damp": {"loud": 1}}}, 422),
]


@pytest.mark.parametrize(("method", "address", "body", "status"), CASES)
def test_every_refusal_is_problem_details_in_words(
    program: httpx.Client, method: str, address: str, body: object, status: int
) -> None:
    """RFC 9457: type, title, status and a detail that says what was wrong."""
    answer = program.request(method, address, json=body)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    told = answer.json()
    assert (told["type"], told["status"]) == ("about:blank", status)
    assert told["title"]
    assert told["detail"]


def test_a_crash_is_told_without_its_trace(program: httpx.Client, barn: BarnAtHand, monkeypatch: pytest.MonkeyPatch) -> None:
    """What broke stands in the log, not in the answer; the security headers are there all the same."""

    def breaks() -> object:
        raise RuntimeError("the secret inside")

    monkeypatch.setattr(barn, "calendar", breaks)
    answer = program.get("/api/calendar")
    assert answer.status_code == 500
    assert answer.headers["content-type"] == "application/problem+json"
    assert "secret" not in answer.text
    assert answer.headers["x-frame-options"] == "DENY"


def test_a_failing_store_is_told_as_such(program: httpx.Client, barn: BarnAtHand) -> None:
    """Looking back may fail while the barn is watched; the answer says which of the two it is."""
    (barn.reader().file).rename(barn.reader().file.with_suffix(".away"))
    answer = program.get("/api/journal")
    assert answer.status_code == 503
    assert "no store" in answer.json()["detail"]
    assert program.get("/api/status").status_code == 200


@pytest.mark.parametrize("address", ["/", "/healthz", "/api/status", "/nowhere", "/a/x.y", "/page/style.css"])
def test_every_answer_carries_the_security_headers(visit: Visit, address: str) -> None:
    """Scripts of our own only, no framing, no guessing of types, nothing kept by proxies, no CORS."""
    answer = visit().get(address, headers={"Origin": "http://elsewhere.example"})
    for name, value in HEADERS.items():
        assert answer.headers[name] == value
    assert answer.headers["cache-control"] in ("no-store", "no-cache")
    assert "access-control-allow-origin" not in answer.headers
    assert "server" not in answer.headers


def test_a_large_body_is_refused_unread(program: httpx.Client) -> None:
    """Said by its length or only found out by reading: more than 64 KiB gets 413."""
    large = b"x" * (LARGEST_BODY + 1)
    assert program.post("/api/journal", content=large).status_code == 413
    pieces = (b"x" * 1024 for _ in range(80))
    answer = program.post("/api/journal", content=pieces, headers={"Content-Type": "application/json"})
    assert answer.status_code == 413
    assert answer.headers["content-type"] == "application/problem+json"


def test_pages_that_need_the_internet_are_off(visit: Visit) -> None:
    """The interactive pages load from elsewhere; the description itself is plain JSON."""
    client = visit()
    assert client.get("/docs").status_code == 404
    assert client.get("/redoc").status_code == 404
    described = client.get("/openapi.json").json()
    paths = described["paths"]
    for address, methods in paths.items():
        for method in methods.values():
            assert list(method["responses"]["4XX"]["content"]) == ["application/problem+json"], address
    assert "HTTPValidationError" not in described.get("components", {}).get("schemas", {})
    assert {"/healthz", "/metrics", "/api/status", "/api/pens/{pen}", "/api/pens/{pen}/series", "/api/stream"} <= set(paths)
