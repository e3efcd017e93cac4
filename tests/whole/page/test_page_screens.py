"""Pictures of each view at phone and desk width, light and dark, into a folder that git ignores, to be looked at."""

from __future__ import annotations

import pytest
from playwright.sync_api import ViewportSize

from monitor.api.links import make_link
from tests.whole.page.conftest import COLD, DESK, PHONE, SCREENS, Open, Rig


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("name", "size"), [("phone", PHONE), ("desk", DESK)])
def test_pictures_of_a_quiet_morning(open_page: Open, rig: Rig, name: str, size: ViewportSize, scheme: str) -> None:
    """Every question answered, nothing wider than the screen."""
    page = open_page(size, scheme)
    page.locator(".sentence").first.wait_for()
    SCREENS.mkdir(exist_ok=True)
    page.screenshot(path=SCREENS / f"{name}-{scheme}-first.png")
    for section in page.locator("#questions section").all():
        section.scroll_into_view_if_needed()
        page.wait_for_timeout(50)
    page.locator("#warm canvas").wait_for()
    page.locator("#air canvas").wait_for()
    page.wait_for_timeout(300)
    page.screenshot(path=SCREENS / f"{name}-{scheme}-whole.png", full_page=True)
    for view in ("warm", "air", "fan", "litter", "birds", "journal", "sensors"):
        page.locator(f"#{view}").screenshot(path=SCREENS / f"{name}-{scheme}-{view}.png")
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]


@pytest.mark.parametrize(("name", "size"), [("phone", PHONE), ("desk", DESK)])
def test_pictures_of_a_cold_brooder(open_page: Open, rig: Rig, name: str, size: ViewportSize) -> None:
    """The alarm comes before everything else."""
    rig.barn.pass_time(1500, COLD)
    page = open_page(size, "dark")
    page.locator(".alarm").first.wait_for()
    SCREENS.mkdir(exist_ok=True)
    page.screenshot(path=SCREENS / f"{name}-cold.png")
    assert page.locator("main > *:has(.alarm)").first.get_attribute("id") == "alarms"


def test_pictures_of_the_door_and_of_one_tap(open_page: Open, rig: Rig) -> None:
    """What is seen before signing in, and what a message on the phone opens."""
    SCREENS.mkdir(exist_ok=True)
    page = open_page(PHONE, "dark", password=None)
    page.get_by_text("Who is there?").wait_for()
    page.screenshot(path=SCREENS / "phone-door.png")
    rig.barn.pass_time(1500, COLD)
    alarm = rig.barn.state().pens["brooder"].alarms["brooder/birds_cold"]
    page.goto(make_link(rig.server_links, rig.address, alarm.key, alarm.occurrence, "Mairi", rig.barn.at))
    page.screenshot(path=SCREENS / "phone-one-tap.png")
    page.get_by_role("button", name="I have it").click()
    page.get_by_text("You have it.").wait_for()
    page.screenshot(path=SCREENS / "phone-one-tap-done.png")
    after = rig.barn.state().pens["brooder"].alarms["brooder/birds_cold"]
    assert after.acknowledged_by == "Mairi"
