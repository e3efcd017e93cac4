"""The app: every route, one way of refusing, one guard around all."""

from __future__ import annotations

import threading
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse
from starlette.middleware.gzip import GZipMiddleware

from monitor.api.barn import Barn
from monitor.api.door import door, one_tap
from monitor.api.guard import Guard
from monitor.api.links import Links, folder_of
from monitor.api.passwords import Passwords, password_path
from monitor.api.problems import RESPONSES, problem, speak_problem_details
from monitor.api.routes import api, plain
from monitor.api.shell import shell
from monitor.api.sign_in import Guesses, Sessions, SignIn
from monitor.api.yard import yard
from monitor.store.failures import StoreFailing
from monitor.wire.other_sites import OtherSites


def create_app(barn: Barn, other_sites: OtherSites | None = None) -> FastAPI:
    """The app for this barn. It keeps its sign-in files in the store's folder and nothing else.

    Args:
        other_sites: what was heard of every site this broker carries; None where nobody listens.
    """
    app = FastAPI(
        title="Warmstraw",
        version=_version(),
        description="Warmth and air of small poultry pens. SI units; `shown` is in the site's units.",
        docs_url=None,  # these two load their scripts from the internet
        redoc_url=None,
        responses=RESPONSES,
    )
    folder = folder_of(barn.connections)
    token_file = barn.connections.api.token_file
    app.state.barn = barn
    app.state.other_sites = other_sites
    app.state.streams = 0
    app.state.links = Links(folder)
    app.state.sign_in = SignIn(
        passwords=Passwords(password_path(barn.connections)),
        sessions=Sessions(folder / "sessions.json"),
        guesses=Guesses(),
        token_file=Path(token_file) if token_file else None,
        now_at=lambda: barn.now()[0],
        hashing=threading.Semaphore(1),
    )
    for router in (plain, api, yard, door, one_tap, shell):
        app.include_router(router)
    speak_problem_details(app)
    app.add_exception_handler(StoreFailing, _store_failing)
    app.add_middleware(GZipMiddleware, minimum_size=500, compresslevel=6)
    app.add_middleware(Guard)
    return app


def may_bind(barn: Barn) -> tuple[str, str]:
    """The host to listen on, and a sentence when it is not the one of the settings.

    With no password and no token nobody could be told apart, so the page stays on the board itself.
    """
    host = barn.connections.api.host
    if is_loopback(host) or Passwords(password_path(barn.connections)).is_set():
        return host, ""
    return "127.0.0.1", (
        f"No password is set, so the page listens on this machine only (127.0.0.1), not on {host}. "
        "Set one with `warmstraw password` or the one-time link, then restart."
    )


def is_loopback(host: str) -> bool:
    return host in ("localhost", "::1") or host.startswith("127.")


async def _store_failing(_: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, StoreFailing)
    return problem(503, f"{error.cause} {error.advice}", {"Retry-After": "30"})


def _version() -> str:
    try:
        return version("warmstraw")
    except PackageNotFoundError:
        return "0"
