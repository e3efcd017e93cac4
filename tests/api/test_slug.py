from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.api.slug import slug, unslug


@pytest.mark.parametrize(
    ("key", "text"),
    [
        ("brooder/birds_cold", "brooder~birds_cold"),
        ("/broker_lost", "~broker_lost"),
        ("brooder/sensor_silent/chick height", "brooder~sensor_silent~chick-20height"),
        ("Küken/damp", "K-c3-bcken~damp"),
    ],
)
def test_a_key_reads_well_in_an_address(key: str, text: str) -> None:
    """Plain names stay readable; the rest is two hex digits a byte."""
    assert slug(key) == text
    assert unslug(text) == key


@given(st.text(min_size=1, max_size=60).filter(lambda text: text.isprintable()))
def test_every_key_comes_back(key: str) -> None:
    """Reversible, and nothing in it needs quoting in an address."""
    assert unslug(slug(key)) == key
    assert re.fullmatch(r"[A-Za-z0-9_~-]+", slug(key))


@given(st.text(max_size=30))
def test_what_no_key_gives_is_none(text: str) -> None:
    """A made-up id finds nothing, and each key has one spelling only."""
    key = unslug(text)
    assert key is None or slug(key) == text
