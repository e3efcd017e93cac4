"""Mill Rise as its settings resolve, for the tests of the demo."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from demo.scenarios import BANK_DAY
from demo.settings_text import specification
from monitor.engine.specification import Pen, Specification


@pytest.fixture(scope="session")
def chicks() -> Specification:
    """A brooder of five-day-old chicks under a steady lamp on the bank's day."""
    return specification("steady", date(*BANK_DAY) - timedelta(days=5))


@pytest.fixture(scope="session")
def grown() -> Specification:
    """A grown flock without a lamp on the bank's day."""
    return specification("none", date(*BANK_DAY) - timedelta(days=200))


@pytest.fixture
def pen(chicks: Specification) -> Pen:
    return chicks.pens["brooder"]
