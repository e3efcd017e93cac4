"""Pictures of each view at phone and desk width, light and dark, into a folder that git ignores, to be looked at."""

from __future__ import annotations

import pytest
from playwright.sync_api import ViewportSize

from tests.whole.page.conftest import COLD, DESK, PHONE, SCREENS, Open, Rig


@pytest.mark.parametrize(("name", "size"), [("phone", PHONE), ("desk", DESK)])
@pytest.mark.parametrize("scheme", ["light", "dark"])
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
