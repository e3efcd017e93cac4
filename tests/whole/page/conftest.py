"""The real page in a real browser, on a real web server, the real engine and the real store, after an invented night."""

from __future__ import annotations

import math
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Literal

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, ViewportSize, sync_playwright

from monitor.api.app import create_app
from monitor.api.links import Links, folder_of
from monitor.api.passwords import set_password
from monitor.api.server import WebServer
from monitor.engine.specification import Specification
from tests.api.barn_at_hand import KEEPER, NEIGHBOUR, WELL, BarnAtHand, mill_rise

SCREENS = Path(__file__).parents[2] / "screens"
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PHONE: ViewportSize = {"width": 390, "height": 844}
DESK: ViewportSize = {"width": 1280, "height": 800}


def night(second: float) -> dict[str, float]:
    """A cold clear night from one in the afternoon on: invented, smooth, the ammonia highest near seven."""
    hour = second / 3600
    cool = math.cos((hour - 16) / 24 * 2 * math.pi)  # 1 at five in the morning
    wave = math.sin(second / 420)
    return {
        "brooder/chick height": 31.4 - 0.9 * cool + 0.5 * wave,
        "brooder/chick height two": 31.9 - 1.1 * cool + 0.4 * wave,
        "brooder/room": 20.0 - 4.0 * cool + 0.3 * wave,
        "brooder/damp": 61.0 + 7.0 * cool + wave,
        "brooder/nose": 8.0 + 5.0 * math.exp(-(((hour - 17.5) / 2.5) ** 2)) + 0.5 * wave,
        "brooder/breath": 1500.0 + 500.0 * cool,
        "brooder/yard": 4.0 - 6.0 * cool,
        "brooder/mains": 1.0,
        "hen house/perch": 31.2 - 0.6 * cool,
        "hen house/nose": 6.0 + cool,
    }


class Rig:
    """One barn with its server, and a heart that keeps the engine's time going."""

    def __init__(self, folder: Path, specification: Specification) -> None:
        self.barn = BarnAtHand(folder, specification)
        set_password(self.barn.connections, KEEPER)
        set_password(self.barn.connections, NEIGHBOUR, look_only=True)
        self.server = WebServer(create_app(self.barn), "127.0.0.1", 0)
        self.server.start()

    @property
    def server_links(self) -> Links:
        return Links(folder_of(self.barn.connections))

    @property
    def address(self) -> str:
        return self.server.address

    def restart_server(self, port: int) -> None:
        self.barn.hub = type(self.barn.hub)()
        self.server = WebServer(create_app(self.barn), "127.0.0.1", port)
        self.server.start()

    def stop_server(self) -> int:
        port = self.server.port
        self.barn.hub.close()
        assert self.server.stop()
        return port

    def close(self) -> None:
        self.barn.hub.close()
        self.server.stop()
        self.barn.close()


@pytest.fixture(scope="session")
def one_night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The store after eighteen hours; copied for each test, because making it takes seconds."""
    folder = tmp_path_factory.mktemp("night")
    barn = BarnAtHand(folder)
    barn.pass_time(18 * 3600, night, tick_s=30.0)
    (folder / "at").write_text(str(barn.at))
    barn.close()
    return folder


@pytest.fixture
def rig(tmp_path: Path, one_night: Path) -> Iterator[Rig]:
    made = _rig(tmp_path, one_night, mill_rise())
    yield made
    made.close()


@pytest.fixture
def metric_rig(tmp_path: Path, one_night: Path) -> Iterator[Rig]:
    made = _rig(tmp_path / "metric", one_night, mill_rise("metric"))
    yield made
    made.close()


def _rig(tmp_path: Path, one_night: Path, specification: Specification) -> Rig:
    folder = tmp_path / "store"
    shutil.copytree(one_night, folder)
    made = Rig(folder, specification)
    made.barn.wake_at(float((folder / "at").read_text()))
    made.barn.pass_time(120, night)
    return made


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
        yield opened
        opened.close()


Open = Callable[..., Page]


@pytest.fixture
def open_page(browser: Browser, rig: Rig) -> Iterator[Open]:
    """Open the page, signed in unless told otherwise. Any error on the page's console fails the test."""
    contexts: list[BrowserContext] = []
    complaints: list[str] = []

    def opened(
        size: ViewportSize = PHONE,
        scheme: Literal["light", "dark"] = "light",
        password: str | None = KEEPER,
        at: str = "/",
        address: str | None = None,
        workers: Literal["allow", "block"] = "block",
    ) -> Page:
        context = browser.new_context(
            viewport=size, color_scheme=scheme, device_scale_factor=1, service_workers=workers, reduced_motion="reduce"
        )
        contexts.append(context)
        context.set_default_timeout(15_000)
        page: Page = context.new_page()
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("console", lambda said: complaints.append(said.text) if "Content Security" in said.text else None)
        base = address or rig.address
        if password is not None:
            answer = context.request.post(f"{base}/api/sign-in", data={"password": password})
            assert answer.ok
        page.goto(f"{base}{at}")
        return page

    yield opened
    for context in contexts:
        context.close()
    assert complaints == []


def until(holds: Callable[[], bool], seconds: float = 10.0) -> None:
    """Wait for a condition of the barn, not of the page."""
    deadline = time.monotonic() + seconds
    waiting = threading.Event()
    while not holds():
        assert time.monotonic() < deadline, "it did not come to pass"
        waiting.wait(0.05)


COLD = {key: value for key, value in WELL.items() if key != "brooder/room"} | {
    "brooder/chick height": 20.0,
    "brooder/chick height two": 20.4,
    "brooder/room": 14.0,
}
