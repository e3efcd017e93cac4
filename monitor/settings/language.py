"""A file with the texts of the messages in another language, into the catalogue the wording reads.

Rules of this file: a translation that cannot be used is a mistake in the settings, found by day; what it leaves
out stays English, so that a half-finished one still says everything.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

from monitor.engine.translation import CatalogueMistake, catalogue_from
from monitor.engine.wording import Catalogue
from monitor.engine.wording_english import ENGLISH
from monitor.settings.complaints import Complaint, Origin
from monitor.settings.secret_files import beside

LARGEST_FILE = 1_000_000
_PATH = ("site", "language_file")


def catalogue_of(written: str | None, folder: Path, origin: Origin) -> tuple[Catalogue, list[Complaint]]:
    """The catalogue to speak by, and what is wrong with the file.

    Args:
        written: `[site] language_file`; None is English.
        folder: of the settings file, where a relative path starts.
    """
    if written is None:
        return ENGLISH, []
    place = beside(folder, written)
    try:
        return catalogue_from(_parsed(place), ENGLISH), []
    except CatalogueMistake as mistake:
        wrong = str(mistake)
    except OSError as failure:
        wrong = failure.strerror or str(failure)
    except (ValueError, RecursionError) as failure:  # no TOML, no UTF-8, an impossible name
        wrong = str(failure)
    return ENGLISH, [
        origin.complain(
            _PATH, f"a TOML file with texts of messages; {place}: {wrong}", 'language_file = "FILE"', got=written[:80]
        )
    ]


def _parsed(place: str) -> dict[str, object]:
    if not Path(place).is_file() and Path(place).exists():
        raise ValueError("it is no plain file")
    with open(place, "rb") as file:
        raw = file.read(LARGEST_FILE + 1)
    if len(raw) > LARGEST_FILE:
        raise ValueError(f"it is larger than {LARGEST_FILE} bytes")
    return tomllib.loads(raw.decode("utf-8-sig"))
