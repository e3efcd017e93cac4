"""What a keeper does on the page reaches the engine; what happens in the barn reaches the page."""

from __future__ import annotations

import re
from datetime import date

import pytest
from playwright.sync_api import Page, ViewportSize, expect

from monitor.api.links import new_setup_link
from monitor.api.passwords import password_path
from monitor.api.sign_in import GUESSES
from monitor.engine.events import Json
from monitor.review import sizing
from monitor.review.sheet import OutsideAir
from monitor.review.sheet_text import as_json
from tests.api.barn_at_hand import KEEPER, NEIGHBOUR, WELL
from tests.whole.page.conftest import COLD, DESK, PHONE, SCREENS, Open, Rig, night, until


def test_the_answer_is_read_at_one_glance(open_page: Open, rig: Rig) -> None:
    """The sentence stands in the first screen, says warm, air and fan, and that it is live."""
    page = open_page()
    first = page.locator("article.pen").first
    expect(first.locator(".sentence")).to_contain_text(re.compile(r"Warm enough: 8\d °F at bird level, wanted 86 to 91 °F\."))
    expect(first.locator(".sentence")).to_contain_text("Air good: 12 ppm ammonia.")
    expect(page.locator("#news")).to_have_text(re.compile(r"Live, 07:0\d"))
    box = first.bounding_box()
    assert box is not None
    assert box["y"] + box["height"] < PHONE["height"]


def test_the_numbers_behind_the_sentence_are_one_tap_away(open_page: Open, rig: Rig) -> None:
    """Tapping the sentence shows value, limit, source and the sensors; it stays open when news come."""
    page = open_page()
    page.get_by_text("Warm enough").first.click()
    evidence = page.locator(".evidence").first
    expect(evidence).to_contain_text("test band, chicks")
    expect(evidence).to_contain_text("chick height (bird level)")
    rig.barn.pass_time(60, WELL | {"brooder/nose": 16.0})
    expect(page.locator(".sentence").first).to_contain_text("Air getting thick: 16 ppm")
    expect(page.locator(".evidence").first).to_be_visible()


def test_an_alarm_appears_by_itself_and_is_acknowledged(open_page: Open, rig: Rig) -> None:
    """No reload: the alarm comes by the stream, the keeper takes it, the page says who has it."""
    page = open_page()
    expect(page.locator("article.pen")).to_have_count(2)
    rig.barn.pass_time(1500, COLD)
    card = page.locator(".alarm", has_text="birds too cold")
    expect(card).to_contain_text("Nobody has it yet")
    expect(page).to_have_title(re.compile(r"^\(\d\) Mill Rise"))
    expect(card.locator("ol li").first).to_be_visible()
    card.get_by_role("button", name="I have it").click()
    expect(card).to_contain_text("keeper has it")
    expect(page.locator("#said")).to_contain_text("You have it")
    alarm = rig.barn.state().pens["brooder"].alarms["brooder/birds_cold"]
    assert (alarm.state, alarm.acknowledged_by) == ("acknowledged", "keeper")


def test_an_urgent_alarm_is_set_aside_for_an_hour_at_most(open_page: Open, rig: Rig) -> None:
    """Only the ends that are allowed are offered; the set-aside one can be taken back."""
    rig.barn.pass_time(1500, COLD)
    page = open_page()
    card = page.locator(".alarm", has_text="birds too cold")
    card.get_by_text("Set aside for…").click()
    expect(card.get_by_role("button", name="1 day")).to_have_count(0)
    card.get_by_role("button", name="15 minutes").click()
    expect(page.locator(".alarm", has_text="birds too cold")).to_have_count(0)
    assert rig.barn.state().pens["brooder"].alarms["brooder/birds_cold"].state == "shelved"
    page.get_by_text("Set aside: 1").click()
    page.get_by_role("button", name="Take it back").click()
    expect(page.locator(".alarm", has_text="birds too cold")).to_have_count(1)


def test_the_fan_set_by_hand_ends_by_itself(open_page: Open, rig: Rig) -> None:
    """Set for fifteen minutes it runs and says how long yet; afterwards the rule has it again."""
    page = open_page()
    section = page.locator("#fan")
    section.scroll_into_view_if_needed()
    section.get_by_text("Set it by hand…").click()
    section.get_by_label("for").select_option("900")
    section.get_by_role("button", name="Set it", exact=True).click()
    expect(section).to_contain_text(re.compile("Fan on, set by hand for 15 min more|Fan off, set by hand"))
    until(lambda: rig.barn.state().pens["brooder"].hand is not None)
    rig.barn.pass_time(120, night)
    expect(section).to_contain_text("Fan on, set by hand for 13 min more.")
    rig.barn.pass_time(900, night)
    expect(section).not_to_contain_text("set by hand for")
    assert rig.barn.state().pens["brooder"].hand is None


def test_a_litter_change_is_two_taps(open_page: Open, rig: Rig) -> None:
    """The first tap asks, the second writes; a slip writes nothing."""
    page = open_page()
    section = page.locator("#litter")
    section.scroll_into_view_if_needed()
    section.get_by_role("button", name="Litter turned").click()
    section.get_by_role("button", name="No", exact=True).click()
    section.get_by_role("button", name="Litter changed").click()
    section.get_by_role("button", name="Write down: litter changed, now").click()
    expect(page.locator("#said")).to_contain_text("Written down: litter changed")
    page.locator("#journal").scroll_into_view_if_needed()
    expect(page.locator("#journal .journal li")).to_have_count(1)
    assert [entry.what for entry in rig.barn.reader().journal("brooder")] == ["litter changed"]


def test_deaths_are_counted_and_the_flock_shrinks(open_page: Open, rig: Rig) -> None:
    """The count on the page follows the journal."""
    page = open_page()
    section = page.locator("#birds")
    section.scroll_into_view_if_needed()
    expect(section).to_contain_text("30 spring (layer), 4 days old")
    section.get_by_text("Count birds or eggs…").click()
    section.get_by_label("How many").fill("2")
    section.get_by_role("button", name="Write it down").click()
    expect(section).to_contain_text("28 spring")
    expect(section).to_contain_text("Written down in the last seven days: 2 deaths, 0 eggs.")


def test_words_of_a_person_are_never_markup(open_page: Open, rig: Rig) -> None:
    """A note with tags in it is shown as it was typed."""
    page = open_page()
    section = page.locator("#journal")
    section.scroll_into_view_if_needed()
    section.get_by_text("Write a note…").click()
    section.get_by_label("Note").fill('<img src=x onerror=alert(1)> & "quotes"')
    section.get_by_role("button", name="Write it down").click()
    expect(section.locator(".journal li")).to_contain_text('<img src=x onerror=alert(1)> & "quotes"')
    expect(section.locator("img")).to_have_count(0)


def test_the_neighbour_sees_everything_and_no_button_that_acts(open_page: Open, rig: Rig) -> None:
    """Looking only, there is nothing to press that would be refused."""
    rig.barn.pass_time(1500, COLD)
    page = open_page(password=NEIGHBOUR)
    expect(page.locator(".alarm", has_text="birds too cold")).to_be_visible()
    for name in ("I have it", "Litter changed", "Set it", "Write it down", "Try it"):
        expect(page.get_by_role("button", name=name, exact=True)).to_have_count(0)
    expect(page.locator("#foot")).to_contain_text("look only")


def test_signing_in_and_being_locked_out(open_page: Open, rig: Rig) -> None:
    """Wrong words are told so, too many lock out for a while, the right one opens."""
    page = open_page(password=None)
    expect(page.locator("article.pen")).to_have_count(0)
    for _ in range(GUESSES):
        _try(page, "not the word")
        expect(page.locator("#said")).to_contain_text("not the password")
        page.evaluate("document.getElementById('said').textContent = ''")
    _try(page, KEEPER)
    expect(page.locator("#said")).to_contain_text("too many wrong tries")
    rig.barn.at += 61
    _try(page, KEEPER)
    expect(page.locator("article.pen")).to_have_count(2)
    page.locator("#foot").scroll_into_view_if_needed()
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_text("Who is there?")).to_be_visible()
    expect(page.locator("article.pen")).to_have_count(0)


def _try(page: Page, password: str) -> None:
    page.get_by_label("Password").fill(password)
    page.get_by_role("button", name="Come in").click()


def test_when_the_board_falls_silent_the_page_says_since_when(open_page: Open, rig: Rig) -> None:
    """Nothing old is shown as fresh; when the board is back the page finds it by itself."""
    page = open_page()
    expect(page.locator("#news")).to_contain_text("Live")
    # the page's own clock is moved on: half a minute without a heartbeat
    port = rig.stop_server()
    page.evaluate("{ const real = Date.now; Date.now = () => real() + 30000; }")
    expect(page.locator("#news")).to_contain_text(re.compile(r"No news since 07:0\d\. What stands below is how it was then\."))
    expect(page.locator("body")).to_have_class(re.compile("stale"))
    rig.restart_server(port)
    expect(page.locator("#news")).to_contain_text("Live", timeout=30_000)
    expect(page.locator("body")).not_to_have_class(re.compile("stale"))


def test_an_untrusted_clock_is_told_on_the_page(open_page: Open, rig: Rig) -> None:
    """The page says so instead of a time it made up."""
    rig.barn.trusted = False
    rig.barn.pass_time(30, night)
    page = open_page()
    expect(page.locator("#news")).to_have_text("Live. The board's clock is not trusted yet.")


@pytest.mark.parametrize("size", [PHONE, DESK])
def test_the_air_is_asked_by_measure_and_length(open_page: Open, rig: Rig, size: ViewportSize) -> None:
    """Another measure or another length draws anew, with a sentence that says what is seen."""
    page = open_page(size)
    section = page.locator("#air")
    section.scroll_into_view_if_needed()
    expect(section.locator(".summary")).to_contain_text(re.compile(r"Ammonia now 1\d ppm\. Last peak near dawn: 1\d ppm"))
    section.get_by_text("Humidity").click()
    expect(section.locator(".summary")).to_contain_text(re.compile("Humidity now 6\\d %"))
    section.get_by_text("Week").click()
    expect(section.locator(".summary")).to_contain_text("The fan ran")
    expect(section.locator(".canvas")).to_have_attribute("aria-label", re.compile("humidity"))


def test_a_drawing_is_kept_as_picture_and_as_figures(open_page: Open, rig: Rig) -> None:
    """The picture is a PNG; the figures are CSV with the units of the page."""
    page = open_page()
    section = page.locator("#warm")
    section.scroll_into_view_if_needed()
    section.locator("canvas").wait_for()
    with page.expect_download() as picture:
        section.get_by_role("button", name="Save picture").click()
    assert picture.value.suggested_filename.endswith(".png")
    assert picture.value.path().read_bytes().startswith(b"\x89PNG")
    with page.expect_download() as figures:
        section.get_by_role("button", name="Save figures (CSV)").click()
    lines = figures.value.path().read_bytes().decode().split("\r\n")
    assert lines[0] == "series,time,low,mean,high,unit"
    assert re.fullmatch(r"chick height,2026-04-05T17:[0-9:.]+Z,8\d\.?\d*,8\d\.?\d*,8\d\.?\d*,°F", lines[1])


def test_a_metric_site_reads_celsius(open_page: Open, metric_rig: Rig) -> None:
    """The same barn in the other units, sentence and drawing alike."""
    page = open_page(address=metric_rig.address)
    expect(page.locator(".sentence").first).to_contain_text(re.compile(r"3\d\.\d °C at bird level, wanted 30\.0 to 33\.0 °C"))
    page.locator("#warm").scroll_into_view_if_needed()
    expect(page.locator("#warm .summary")).to_contain_text("°C")


def test_the_other_pen_is_chosen_by_its_name(open_page: Open, rig: Rig) -> None:
    """Its questions follow; a reload stays with it."""
    page = open_page()
    page.get_by_role("link", name="hen house").click()
    expect(page.locator("nav")).to_contain_text("About the hen house:")
    page.reload()
    expect(page.locator("nav")).to_contain_text("About the hen house:")
    page.locator("#fan").scroll_into_view_if_needed()
    page.locator("#fan").get_by_text("Set it by hand…").click()
    expect(page.get_by_label("Speed (%)")).to_have_value("100")


def test_the_first_password_is_set_by_the_link(open_page: Open, rig: Rig) -> None:
    """The printed link asks for a password, sets it and comes in."""
    password_path(rig.barn.connections).unlink()
    page = open_page(password=None)
    expect(page.get_by_text("No password is set yet")).to_be_visible()
    link = new_setup_link(rig.server_links, rig.address, rig.barn.at)
    page.goto(link)
    page.get_by_label("Password").fill("a fresh long word")
    page.get_by_role("button", name="Set it and come in").click()
    expect(page.locator("article.pen")).to_have_count(2)
    assert "#" not in page.url


def test_the_litter_periods_are_drawn_from_their_own_first_day(open_page: Open, rig: Rig) -> None:
    """Each period a line from day nought, what the last change did in words, the warning with its sign."""
    SCREENS.mkdir(exist_ok=True)
    rig.barn.told["bedding"] = {
        "sentence": "8.0 ppm at dawn on day 9, rising 0.6 ppm a day.",
        "limit_ppm": 20,
        "periods": [
            {
                "began": "2026-03-10T08:00:00Z",
                "what": "changed",
                "day": [0.4, 1.4, 2.4, 3.4],
                "level_ppm": [2, 4, 6, 8],
                "text": "2 a day.",
            },
            {
                "began": "2026-03-28T08:00:00Z",
                "what": "turned",
                "day": [0.7, 1.7, 2.7],
                "level_ppm": [3, 3.5, 4],
                "text": "0.5 a day.",
            },
        ],
        "changes": [
            {"text": "Cannot tell.", "warnings": ["The fan was cleaned."]},
            {"text": "Turning it took 4 ppm off, 3 to 5.", "warnings": ["Ten birds fewer."]},
        ],
        "days_left": {"text": "About 12 days until the limit, 9 to 16."},
        "due": {"text": "Next litter work about 16 Apr."},
        "suggested": [{"time": "2026-03-20T12:00:00Z", "what": "litter changed", "text": "Was it changed on 20 Mar? Mark it?"}],
        "warnings": ["The fan's setting changed in this time."],
    }
    page = open_page()
    section = page.locator("#litter")
    section.scroll_into_view_if_needed()
    section.locator("canvas").wait_for()
    for words in ("rising 0.6 ppm a day", "took 4 ppm off", "About 12 days", "▲ The fan's setting changed", "▲ Ten birds fewer"):
        expect(section).to_contain_text(words)
    section.get_by_text("What earlier changes did (1)").click()
    expect(section.get_by_text("▲ The fan was cleaned.")).to_be_visible()
    expect(section.get_by_text("9 to 16. Next litter work about 16 Apr.")).to_be_visible()  # never the date alone
    section.screenshot(path=SCREENS / "phone-light-litter-periods.png")
    expect(section.locator(".key li")).to_have_text(["changed Tue 10 Mar", "turned Sat 28 Mar (now)"])
    with page.expect_download() as figures:
        section.get_by_role("button", name="Save figures (CSV)").click()
    assert "turned Sat 28 Mar (now),1.7,,3.5,,ppm" in figures.value.path().read_text()
    section.get_by_role("button", name="Mark it: litter changed Fri 20 Mar").click()
    section.get_by_role("button", name="Write down: litter changed, Fri 20 Mar").click()
    expect(page.locator("#said")).to_contain_text("Written down: litter changed")
    [entry] = rig.barn.reader().journal("brooder")
    assert (entry.what, entry.wall_ms) == ("litter changed", 1_774_008_000_000)


def test_what_is_due_stands_under_the_sentence_and_the_rest_with_the_birds(open_page: Open, rig: Rig) -> None:
    """Today's step comes with the answer of its own pen; what holds for long, and what comes, with its ground below."""

    def entry(day: str, what: str, due: bool, flock: str = "spring") -> Json:
        return {
            "day": day,
            "pen": "brooder",
            "flock": flock,
            "what": what,
            "why": "they feather",
            "source": "a table",
            "due": due,
        }

    rig.barn.told["calendar"] = [
        entry("2026-04-02", "Lamp on from the first hour.", True),
        entry("2026-04-06", "Lower the warmth to 86 °F.", True),
        entry("2026-04-06", "Lower the warmth to 86 °F.", True, "late ones"),
        entry("2026-04-20", "Give them a roost.", False),
    ]
    page = open_page()
    expect(page.locator(".due")).to_have_count(1)
    expect(page.locator("article").first.locator(".due li")).to_have_text(["Lower the warmth to 86 °F."])
    birds = page.locator("#birds")
    birds.scroll_into_view_if_needed()
    expect(birds).to_contain_text("Now: Lamp on from the first hour.")
    birds.get_by_text("Mon 20 Apr: Give them a roost.").click()
    expect(birds.get_by_text("they feather (a table)").last).to_be_visible()


def test_the_resolved_settings_are_shown_with_their_sources(open_page: Open, rig: Rig) -> None:
    """Whatever they hold is shown, rows as a table, nothing hidden."""
    rig.barn.told["resolved"] = {"site": "Mill Rise", "limits": [{"name": "damp", "on": "75 %", "source": "a book"}]}
    page = open_page()
    page.locator("#settings").scroll_into_view_if_needed()
    page.get_by_text("Everything as resolved").click()
    expect(page.locator("#settings td")).to_have_text(["damp", "75 %", "a book"])


def test_the_ventilation_sheet_says_what_to_change_and_draws_the_weeks(open_page: Open, rig: Rig) -> None:
    """The real sheet of this pen: advice first, each week's adequacy against enough, every need by name."""
    pen = rig.barn.specification.pens["brooder"]
    today = date.fromordinal(rig.barn.state().day or 1)
    drawn = sizing.sheet(pen, {"spring": 30}, today, OutsideAir(-5.0, 80.0, False), OutsideAir(30.0, 50.0, False))
    rig.barn.told["ventilation"] = as_json(drawn, "us")
    page = open_page()
    section = page.locator("#fan")
    section.scroll_into_view_if_needed()
    section.get_by_text("Is it big enough").click()
    section.locator(".sheet canvas").wait_for()
    expect(section.locator(".sheet .summary")).to_have_text(re.compile("On a winter night it .* On a summer day it "))
    needs = section.get_by_role("region", name="Every need this week")
    expect(needs).to_contain_text("moisture")
    expect(needs.locator("tbody tr")).to_have_count(len({*drawn.weeks[0].winter.needs, *drawn.weeks[0].summer.needs}))
    section.get_by_text("Week by week").click()
    expect(section.get_by_role("region", name="Week by week").locator("tbody tr")).to_have_count(len(drawn.weeks))
    SCREENS.mkdir(exist_ok=True)
    section.screenshot(path=SCREENS / "phone-light-sheet.png")


def test_the_fan_view_says_how_often_the_air_really_changed(open_page: Open, rig: Rig) -> None:
    """A fan that only ran in short turns: no figure is made up, the reason stands there, and what would be expected."""
    page = open_page()
    section = page.locator("#fan")
    section.scroll_into_view_if_needed()
    expect(section).to_contain_text("Air changes cannot be measured: in 8 weeks the fan never ran five minutes at a stretch")
    section.get_by_text("How often the air really changed").click()
    unfolded = section.locator("details:has-text('How often the air really changed')")
    expect(unfolded.locator("li")).to_have_text(re.compile("^In 8 of the last 8 weeks the fan never ran five minutes"))
    expect(unfolded).to_contain_text("Expected while it runs:")


def test_lay_and_deaths_stand_beside_heat_and_air(open_page: Open, rig: Rig) -> None:
    """The sentences of the looking back, with how many days they are about."""
    rig.barn.told["bedding"] = {
        "production": {"sentences": ["Lay: 80 % hen-day (70 to 88)."]},
        "trends": {"date": ["2026-04-04", "2026-04-05"], "sentences": ["Night lows: no sure trend."]},
    }
    page = open_page()
    birds = page.locator("#birds")
    birds.scroll_into_view_if_needed()
    expect(birds.get_by_role("heading", name="The last 2 days")).to_be_visible()
    expect(birds.locator("li")).to_have_text(["Lay: 80 % hen-day (70 to 88).", "Night lows: no sure trend."])


def test_other_limits_are_compared_alarm_by_alarm(open_page: Open, rig: Rig) -> None:
    """The sentence first, then one row for the fan's hours and one for each alarm, as it is and as tried."""
    rig.barn.told["rehearsal"] = {
        "sentence": "In the last 14 days: 1 alarm instead of 3.",
        "present": {"alarms": {"damp": 2, "dry": 1}, "fan_hours": 10.0},
        "tried": {"alarms": {"damp": 1}, "fan_hours": 8.25},
    }
    page = open_page()
    section = page.locator("#what-if")
    section.scroll_into_view_if_needed()
    section.get_by_label("Limit").select_option("damp")
    section.get_by_label("Begins at").fill("80")
    section.get_by_label("Ends at").fill("75")
    section.get_by_role("button", name="Try it").click()
    expect(section.locator(".strong")).to_have_text("In the last 14 days: 1 alarm instead of 3.")
    rows = [row.all_inner_texts() for row in (each.locator("th, td") for each in section.locator("tbody tr").all())]
    assert rows == [["fan hours", "10.0", "8.3"], ["alarm: damp", "2", "1"], ["alarm: dry", "1", "0"]]
    assert rig.barn.asked == [("brooder", ({"damp": {"on": 80.0, "off": 75.0}}, 14.0))]


def test_the_night_to_come_is_told_with_its_interval(open_page: Open, rig: Rig) -> None:
    """What the engine foresees for tonight stands under the night's curve; without it, nothing is claimed."""
    page = open_page()
    section = page.locator("#warm")
    section.scroll_into_view_if_needed()
    expect(section.locator(".summary")).to_contain_text("Lowest at bird level")
    expect(section.locator(".summary")).not_to_contain_text("Tonight")
    rig.barn.foresee("brooder", low_c=27.0, from_c=25.0, to_c=29.0, outside_low_c=-6.0)
    page.reload()
    section.scroll_into_view_if_needed()
    expect(section.locator(".summary")).to_contain_text(
        "Tonight 81 °F is to be expected at bird level at the lowest, 77 to 84 °F nine nights in ten; outside 21 °F."
    )
