"""The picture of a ventilation sheet: well-formed whatever is known, and it says in words what it draws."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo.settings_text import specification as mill_rise
from monitor.review.drawing import LEFT, PANEL, RIGHT, WIDTH, sheet_picture
from monitor.review.sheet import Sheet
from monitor.review.sizing import draw_up
from monitor.settings.read import read

SVG = "{http://www.w3.org/2000/svg}"
HATCHED, TODAY = date(2026, 4, 2), date(2026, 4, 16)


def drawn(**changed: object) -> Sheet:
    spec = mill_rise("steady", HATCHED)
    pen = replace(spec.pens["brooder"], **changed)  # type: ignore[arg-type] # names of Pen's own fields
    return draw_up(replace(spec, pens={"brooder": pen}), "brooder", {}, TODAY)


def test_title_and_description_say_what_is_drawn() -> None:
    """Someone who cannot see the picture hears the operating point and both adequacies."""
    root = ElementTree.fromstring(sheet_picture(drawn(), "us"))
    assert root.attrib["role"] == "img"
    assert root.findtext(f"{SVG}title") == "Ventilation of brooder, 16 April 2026"
    said = root.findtext(f"{SVG}desc") or ""
    assert "326 cfm and 0.53 in. w.c." in said
    assert "Adequacy on winter nights: 78 today" in said
    named = {element.attrib["id"] for element in root.iter() if "id" in element.attrib}
    assert set(root.attrib["aria-labelledby"].split()) == named


def test_the_operating_point_lies_on_both_curves() -> None:
    """The dot stands where the fan's line and the system's line cross, within a pixel of each drawn line."""
    root = ElementTree.fromstring(sheet_picture(drawn(), "us"))
    dot = root.find(f"{SVG}circle")
    assert dot is not None
    at_x, at_y = float(dot.attrib["cx"]), float(dot.attrib["cy"])
    for line in root.findall(f"{SVG}polyline")[:2]:
        points = [tuple(map(float, pair.split(","))) for pair in line.attrib["points"].split()]
        (x0, y0), (x1, y1) = next(p for p in pairwise(points) if p[0][0] <= at_x <= p[1][0])
        assert y0 + (y1 - y0) * (at_x - x0) / (x1 - x0) == pytest.approx(at_y, abs=1.0)


def test_every_line_stays_within_its_frame() -> None:
    """No point of any line leaves its panel."""
    for pen in ({}, {"inlet": None}, {"duct": None}):
        root = ElementTree.fromstring(sheet_picture(drawn(**pen), "metric"))
        for line in root.findall(f"{SVG}polyline"):
            for pair in line.attrib["points"].split():
                x, y = map(float, pair.split(","))
                assert LEFT - 0.5 <= x <= WIDTH - RIGHT + 0.5
                assert 0 <= y <= 2 * PANEL


def test_what_is_not_known_is_said_not_drawn() -> None:
    """Without a fan's curve there is no dot and no line, and both panels say so."""
    root = ElementTree.fromstring(sheet_picture(drawn(fan=None), "us"))
    assert root.find(f"{SVG}circle") is None
    assert root.find(f"{SVG}polyline") is None
    texts = {element.text for element in root.iter(f"{SVG}text")}
    assert {"the fan's curve is not known", "not known"} <= texts


@given(st.text(max_size=40))
def test_any_name_makes_well_formed_xml(name: str) -> None:
    """A pen may be called anything, markup and control signs included."""
    ElementTree.fromstring(sheet_picture(drawn(name=name), "us"))


@pytest.mark.parametrize("file", sorted(Path("config").glob("*.toml")), ids=lambda path: path.name)
def test_every_example_can_be_drawn(file: Path) -> None:
    """The examples' pens give a picture that parses, in both units."""
    spec = read(str(file), environ={}).specification
    for name in spec.pens:
        for units in ("us", "metric"):
            ElementTree.fromstring(sheet_picture(draw_up(spec, name, {}, date(2026, 6, 1)), units))
