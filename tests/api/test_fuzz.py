"""The API against requests made from its own description: right ones, wrong ones, and strange ones.

The description is what the daemon serves at /openapi.json; the requests are schemathesis' own, each sent over a real
socket to the real app on a real store. The streams of events never end by themselves and are tried in test_stream.py.
"""

from __future__ import annotations

import json

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from requests import Session
from requests.adapters import HTTPAdapter
from schemathesis import Case, GenerationMode
from schemathesis.schemas import APIOperation

from tests.api.barn_at_hand import TOKEN, BarnAtHand

CASES_EACH = 12  # for each operation, each way


@pytest.fixture
def operations(well: BarnAtHand, program: httpx.Client) -> list[APIOperation]:
    """Every operation the daemon describes, from a barn with readings in it."""
    schema = schemathesis.openapi.from_dict(program.get("/openapi.json").json())
    found = [result.ok() for result in schema.get_all_operations()]
    return [operation for operation in found if not operation.path.endswith("/stream")]


@pytest.mark.parametrize("mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE], ids=["as described", "not as described"])
@pytest.mark.parametrize("who", ["a program with its token", "a stranger"])
def test_no_request_breaks_the_daemon(
    operations: list[APIOperation], program: httpx.Client, barn: BarnAtHand, mode: GenerationMode, who: str
) -> None:
    """Nothing is answered with a server's error; a refusal is problem details; a stranger is told nothing of the barn."""
    base = str(program.base_url).rstrip("/")
    known = who != "a stranger"
    session = Session()
    session.mount("http://", HTTPAdapter(pool_maxsize=1))
    if known:
        session.headers["Authorization"] = f"Bearer {TOKEN}"
    answered: dict[int, int] = {}
    tried = 0
    for operation in operations:
        if mode is GenerationMode.NEGATIVE and not (list(operation.query) or list(operation.body)):
            continue  # any text will do in a path: there is nothing to get wrong
        tried += 1

        @settings(
            max_examples=CASES_EACH if known else 3,
            suppress_health_check=list(HealthCheck),
            deadline=None,
            database=None,
        )
        @given(case=operation.as_strategy(generation_mode=mode))
        def attempt(case: Case) -> None:
            answer = case.call(base_url=base, session=session, timeout=10, allow_redirects=False)
            answered[answer.status_code] = answered.get(answer.status_code, 0) + 1
            assert answer.status_code < 500, answer.text
            if answer.status_code >= 400 and case.method != "HEAD":
                assert answer.headers["content-type"][0] == "application/problem+json"
                told = json.loads(answer.text)
                assert told["status"] == answer.status_code
                assert told["detail"]
            if not known and answer.status_code < 400:
                assert "brooder" not in answer.text

        attempt()
    session.close()
    assert tried >= 10
    assert sum(answered.values()) >= tried
    assert program.get("/api/status").json()["pens"]  # it goes on
    if mode is GenerationMode.NEGATIVE:
        refused = sum(count for status, count in answered.items() if status >= 400)
        assert refused >= 0.95 * sum(answered.values()), answered
