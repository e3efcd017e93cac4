"""The yard's page in a real browser: what needs someone first, what is old said to be old, nothing run from a payload."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from monitor.api.app import create_app
from monitor.api.passwords import set_password
from monitor.api.server import WebServer
from monitor.wire.other_sites import OtherSites
from tests.api.barn_at_hand import KEEPER, BarnAtHand

Open = Callable[..., Page]


def said(verdict: str, answer: str, *alarms: tuple[str, str, str]) -> bytes:
    listed = [{"pen": "brooder", "title": title, "priority": priority, "state": state} for title, priority, state in alarms]
    return json.dumps(
        {"time": None, "pens": [{"pen": "brooder", "answer": answer, "verdict": verdict}], "alarms": listed}
    ).encode()


@pytest.mark.parametrize("signed_in", [True, False])
def test_a_keeper_sees_every_site_and_a_stranger_none(tmp_path: Path, browser: Browser, signed_in: bool) -> None:
    """Urgent first, then the one that has stopped; markup in a name or title stays text."""
    barn = BarnAtHand(tmp_path / "store")
    set_password(barn.connections, KEEPER)
    heard = OtherSites()
    heard.hear("warmstraw/Mill Rise/answer", said("good", "Warm enough: 84 °F."), False, barn.at)
    heard.hear("warmstraw/<b>Far/answer", said("good", "Warm enough."), False, barn.at)
    heard.hear("warmstraw/<b>Far/alive", b"gone", False, barn.at)
    urgent = ("Brooder <script>boo</script> 76 °F", "urgent", "unacknowledged")
    heard.hear("warmstraw/Top Field/answer", said("bad", "Too cold.", urgent), False, barn.at)
    server = WebServer(create_app(barn, heard), "127.0.0.1", 0)
    server.start()
    context = browser.new_context(viewport={"width": 390, "height": 844}, service_workers="block")
    try:
        if signed_in:
            assert context.request.post(f"{server.address}/api/sign-in", data={"password": KEEPER}).ok
        page = context.new_page()
        page.clock.install()
        page.goto(f"{server.address}/yard")
        if not signed_in:
            expect(page.locator("#sites")).to_contain_text("You are not signed in.")
            assert "Mill Rise" not in page.content()
            return
        expect(page.locator("section.pen")).to_have_count(3)
        heads = page.locator("section.pen h2").all_text_contents()
        assert heads == ["✖ Top Field act now", "? <b>Far gone", "✓ Mill Rise all well"]
        expect(page.locator(".alarm.urgent")).to_contain_text("Brooder <script>boo</script> 76 °F")
        expect(page.locator("section.pen").nth(1)).to_contain_text("What stands here is old.")
        expect(page).to_have_title("(1) The yard")
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        server.stop()
        page.clock.fast_forward(10_000)  # until it looks again
        expect(page.locator("#news")).to_contain_text("does not answer")
    finally:
        context.close()
        server.stop()
        barn.close()


def test_a_board_that_does_not_listen_says_how_to(open_page: Open) -> None:
    """No empty page: the setting is named."""
    page = open_page(at="/yard")
    expect(page.locator("#sites")).to_contain_text("[yard] watch = true")
