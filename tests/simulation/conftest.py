"""A barn in which nothing fails but what a test tells to."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from tests.simulation.calm import CalmWorld


@pytest.fixture
def world() -> Iterator[CalmWorld]:
    logging.disable(logging.CRITICAL)
    with TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as folder:
        made = CalmWorld(Path(folder))
        with made.disk.under(), made.pace.kept():
            yield made
            if made.daemon is not None:
                made.daemon.power_off()
    logging.disable(logging.NOTSET)
