"""The app on the real engine and the real store behind a real web server, and clients signed in as one or the other."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import pytest
from fastapi import FastAPI
from starlette.types import Receive, Scope, Send

from monitor.api.app import create_app
from monitor.api.passwords import set_password
from monitor.api.server import WebServer
from tests.api.barn_at_hand import KEEPER, NEIGHBOUR, TOKEN, WELL, BarnAtHand


class Front:
    """One listening server for all tests; each test hangs its own app behind it."""

    app: FastAPI

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await self.app(scope, receive, send)


@pytest.fixture(scope="session")
def front() -> Iterator[tuple[Front, str]]:
    behind = Front()
    server = WebServer(behind, "127.0.0.1", 0)  # type: ignore[arg-type]  # any ASGI app will do
    server.start()
    yield behind, server.address
    assert server.stop()


@pytest.fixture
def barn(tmp_path: Path) -> Iterator[BarnAtHand]:
    token_file = tmp_path / "token"
    token_file.write_text(f"{TOKEN}\n")
    at_hand = BarnAtHand(tmp_path / "store", token_file=token_file)
    yield at_hand
    at_hand.close()


Visit = Callable[..., httpx.Client]


@pytest.fixture
def visit(barn: BarnAtHand, front: tuple[Front, str]) -> Iterator[Visit]:
    """A fresh browser or program that reaches the app, from an address of its own if need be."""
    behind, address = front
    behind.app = create_app(barn)
    opened: list[httpx.Client] = []

    def reach(token: str | None = None, password: str | None = None, at: str = "127.0.0.1") -> httpx.Client:
        # no certificates are loaded for plain http: that alone takes a tenth of a second
        client = httpx.Client(base_url=address, transport=httpx.HTTPTransport(local_address=at, verify=False), timeout=10)
        opened.append(client)
        if token is not None:
            client.headers["Authorization"] = f"Bearer {token}"
        if password is not None:
            assert client.post("/api/sign-in", json={"password": password}).status_code == 200
        return client

    yield reach
    for client in opened:
        client.close()


@pytest.fixture
def keeper(barn: BarnAtHand, visit: Visit) -> httpx.Client:
    set_password(barn.connections, KEEPER)
    return visit(password=KEEPER)


@pytest.fixture
def neighbour(barn: BarnAtHand, visit: Visit) -> httpx.Client:
    set_password(barn.connections, NEIGHBOUR, look_only=True)
    return visit(password=NEIGHBOUR)


@pytest.fixture
def program(visit: Visit) -> httpx.Client:
    return visit(token=TOKEN)


@pytest.fixture
def well(barn: BarnAtHand) -> BarnAtHand:
    """The barn after a quarter of an hour in which all was well."""
    barn.pass_time(900, WELL)
    return barn


@pytest.fixture
def cold(well: BarnAtHand) -> BarnAtHand:
    """The lamp has been out long enough for the alarm to stand."""
    well.pass_time(1200, WELL | {"brooder/chick height": 20.0, "brooder/chick height two": 20.5, "brooder/room": 14.0})
    return well
