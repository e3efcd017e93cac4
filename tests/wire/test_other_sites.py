"""What other sites say of themselves: read within bounds, whatever a stranger publishes."""

from __future__ import annotations

import json
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from monitor.wire.other_sites import LONGEST_TEXT, MOST_ALARMS, MOST_PENS, MOST_SITES, AlarmSaid, OtherSites, PenSaid

ANSWER = {
    "site": "Mill Rise",
    "time": "2026-05-01T06:00:00Z",
    "pens": [{"pen": "brooder", "answer": "Warm enough.", "verdict": "good"}],
    "alarms": [{"pen": "brooder", "alarm": "damp", "title": "Brooder damp", "priority": "medium", "state": "unacknowledged"}],
}


def heard(*messages: tuple[str, Any, bool]) -> OtherSites:
    it = OtherSites()
    for second, (topic, payload, retained) in enumerate(messages):
        body = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        assert it.hear(topic, body, retained, float(second))
    return it


def test_an_answer_and_a_life_sign_make_one_site() -> None:
    """Both topics speak of the site in their second level."""
    (site,) = heard(("warmstraw/Mill Rise/alive", b"here", True), ("warmstraw/Mill Rise/answer", ANSWER, False)).sites()
    assert (site.site, site.alive, site.heard_at, site.time_ms) == ("Mill Rise", True, 1.0, 1_777_615_200_000)
    assert site.pens == (PenSaid("brooder", "Warm enough.", "good"),)
    assert site.alarms == (AlarmSaid("brooder", "Brooder damp", "medium", "unacknowledged"),)


def test_a_bridges_word_of_itself_is_no_sign_of_life() -> None:
    """ "1" and "0" come from the broker at the other end: the site has not spoken. Anything else is no such word."""
    it = heard(("warmstraw/Mill Rise/line", b"1", False), ("warmstraw/Mill Rise/line", b"yes", False))
    (site,) = it.sites()
    assert (site.heard_at, site.line_gone_at, site.is_cut_off, it.unusable) == (None, None, False, 1)
    it.hear("warmstraw/Mill Rise/line", b"0", False, 5.0)
    assert it.sites()[0].is_cut_off
    it.hear("warmstraw/Mill Rise/line", b"", False, 6.0)
    assert not it.sites()[0].is_cut_off


def test_a_board_needs_no_bridge_to_hear_itself() -> None:
    """Its own bridge falls: its own page hears it on, and shows it as it is."""
    it = OtherSites("Mill Rise")
    assert it.hear("warmstraw/Mill Rise/answer", json.dumps(ANSWER).encode(), False, 1.0)
    assert it.hear("warmstraw/Mill Rise/line", b"0", False, 2.0)
    assert [site.is_cut_off for site in it.sites()] == [False]


def test_the_brokers_memory_has_no_age() -> None:
    """A retained answer may be a year old: it is not taken as heard now."""
    (site,) = heard(("warmstraw/Mill Rise/answer", ANSWER, True)).sites()
    assert (site.heard_at, site.has_answered) == (None, True)


def test_the_name_is_that_of_the_topic() -> None:
    """Access control guards topics; a payload that claims to be another site changes nothing there."""
    (site,) = heard(("warmstraw/Far Field/answer", {**ANSWER, "site": "Mill Rise"}, False)).sites()
    assert site.site == "Far Field"


def test_other_topics_are_left_to_others() -> None:
    """A sensor below the same word is still a sensor."""
    it = OtherSites()
    for topic in ("warmstraw/Mill Rise/brooder/fan", "warmstraw/Mill Rise", "millrise/Mill Rise/answer", "answer"):
        assert not it.hear(topic, b"{}", False, 0.0)
    assert it.sites() == []


def test_what_cannot_be_read_changes_nothing_and_is_counted() -> None:
    """The last good answer stays, and grows old as it should."""
    bad: list[Any] = [b"{", b"[]", b"\xff", b'"x"', b"{" * 60_000]
    it = heard(("warmstraw/a/answer", ANSWER, False), *(("warmstraw/a/answer", payload, False) for payload in bad))
    (site,) = it.sites()
    assert (site.pens[0].answer, site.heard_at, it.unusable) == ("Warm enough.", 0.0, len(bad))


def test_an_empty_answer_strikes_a_site_off() -> None:
    """A barn that is no more: taking its retained answer back takes it from the page."""
    assert heard(("warmstraw/a/answer", ANSWER, False), ("warmstraw/a/answer", b"", False)).sites() == []


def test_everything_is_bounded() -> None:
    """Sites, pens, alarms and lengths; what does not fit is counted, the first ones stay."""
    it = OtherSites()
    many = {"pens": [{"pen": "p" * 500, "answer": "\x1b[31m"}] * 100, "alarms": [{"title": "t"}] * 200}
    for number in range(MOST_SITES + 5):
        it.hear(f"warmstraw/{number}/answer", json.dumps(many if number == 0 else ANSWER).encode(), False, 0.0)
    assert (len(it.sites()), it.left_out) == (MOST_SITES, 5)
    (first,) = [site for site in it.sites() if site.site == "0"]
    assert (len(first.pens), len(first.alarms)) == (MOST_PENS, MOST_ALARMS)
    assert len(first.pens[0].pen) == LONGEST_TEXT
    assert "\x1b" not in first.pens[0].answer


_json = st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=False) | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from(["pens", "alarms", "time", "pen", "title"]), inner, max_size=4)
    ),
)


@given(st.sampled_from(["answer", "alive"]), st.binary(max_size=60) | _json.map(lambda value: json.dumps(value).encode()))
def test_no_payload_is_more_than_unusable(what: str, payload: bytes) -> None:
    """Whatever comes, the network thread goes on, and what is kept is text."""
    it = OtherSites()
    assert it.hear(f"warmstraw/a/{what}", payload, False, 1.0)
    for site in it.sites():
        assert all(isinstance(text, str) for pen in site.pens for text in (pen.pen, pen.answer, pen.verdict))
