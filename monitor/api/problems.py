"""Errors as RFC 9457 problem details: one shape for every refusal, never a traceback."""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from monitor.engine.events import Json

MEDIA_TYPE = "application/problem+json"

_SCHEMA: dict[str, Any] = {
    "type": "object",
    "required": ["type", "title", "status", "detail"],
    "properties": {
        "type": {"type": "string"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string", "description": "what was wrong, and what to do"},
        "errors": {"type": "array", "items": {"type": "object", "properties": {"where": {}, "problem": {}}}},
    },
}
_ANSWER: dict[str, Any] = {"description": "problem details (RFC 9457)", "content": {MEDIA_TYPE: {"schema": _SCHEMA}}}
# What every route may answer instead, for /openapi.json; 422 is named so that the framework's own shape is not.
RESPONSES: dict[int | str, dict[str, Any]] = {422: _ANSWER, "4XX": _ANSWER, "5XX": _ANSWER}

# What a person can do about it, where the handler has nothing better to say.
_ADVICE = {
    401: "sign in, or send the token of token_file as `Authorization: Bearer …`",
    403: "this sign-in may look but not change anything; sign in as the keeper",
    404: "see /openapi.json for what exists",
    405: "see /openapi.json for what this address takes",
    413: "send less; nothing here needs more than 64 KiB",
    500: "the barn is still watched; the daemon's log has the details",
    503: "the barn is still watched; only looking back is not possible just now",
}


class Refused(Exception):  # noqa: N818 - said in words, like the rest of the house
    """A request that is refused, with a sentence that says why and what to do."""

    def __init__(
        self, status: int, detail: str, headers: Mapping[str, str] | None = None, errors: list[Json] | None = None
    ) -> None:
        super().__init__(detail)
        self.status, self.detail, self.headers, self.errors = status, detail, dict(headers or {}), errors


def problem(
    status: int, detail: str = "", headers: Mapping[str, str] | None = None, errors: list[Json] | None = None
) -> JSONResponse:
    """One problem-details answer. `title` is the status in words; `detail` says what was wrong here."""
    body: dict[str, Json] = {"type": "about:blank", "title": HTTPStatus(status).phrase, "status": status}
    body["detail"] = detail or _ADVICE.get(status, "")
    if errors:
        body["errors"] = errors
    return JSONResponse(body, status_code=status, headers=dict(headers or {}), media_type=MEDIA_TYPE)


def speak_problem_details(app: FastAPI) -> None:
    """Make every error of this app a problem-details answer."""

    async def refused(_: Request, error: Exception) -> JSONResponse:
        assert isinstance(error, Refused)
        return problem(error.status, error.detail, error.headers, error.errors)

    async def http(_: Request, error: Exception) -> JSONResponse:
        assert isinstance(error, HTTPException)
        usual = HTTPStatus(error.status_code).phrase
        detail = "" if error.detail == usual else str(error.detail)
        return problem(error.status_code, detail, error.headers)

    async def invalid(_: Request, error: Exception) -> JSONResponse:
        assert isinstance(error, RequestValidationError)
        errors: list[Json] = [
            {"where": " › ".join(str(part) for part in each["loc"]), "problem": str(each["msg"])} for each in error.errors()[:20]
        ]
        first = errors[0] if errors else None
        detail = f"{first['where']}: {first['problem']}" if isinstance(first, dict) else ""
        return problem(422, detail, errors=errors)

    async def crashed(_: Request, __: Exception) -> JSONResponse:
        from monitor.api.guard import HEADERS  # the guard sits inside the layer that answers here

        return problem(500, headers=HEADERS)

    app.add_exception_handler(Refused, refused)
    app.add_exception_handler(HTTPException, http)
    app.add_exception_handler(RequestValidationError, invalid)
    app.add_exception_handler(Exception, crashed)
