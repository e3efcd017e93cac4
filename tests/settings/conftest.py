"""A sound little settings file, and a way to write variations of it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.settings.complaints import Complaint, SettingsMistakes
from monitor.settings.read import Settings, read

SOUND = """\
[site]
name = "Mill Rise"
timezone = "Europe/Dublin"

[[pen]]
name = "brooder"
length = "12 ft"
width = "10 ft"
height = "8 ft"

[[pen.sensor]]
name = "chick height"
measures = "temperature"
place = "bird level"
topic = "millrise/brooder/probe1"
unit = "degF"
every = "30 s"

[pen.fan]
command_topic = "millrise/brooder/fan/set"
report_topic = "millrise/brooder/fan/state"
free_air = "400 cfm"
shut_off = "1.6 inH2O"

[[pen.flock]]
name = "spring layers"
class = "layer"
hatched = 2026-04-02
count = 16
"""

Variation = Callable[..., str]


@pytest.fixture
def written(tmp_path: Path) -> Variation:
    """Writes the sound file with one text put for another, and something added, and says where it is."""

    def write(old: str = "", new: str = "", more: str = "") -> str:
        assert old in SOUND
        path = tmp_path / "barn.toml"
        path.write_text((SOUND.replace(old, new, 1) if old else SOUND) + more, encoding="utf-8")
        return str(path)

    return write


@pytest.fixture
def settings_of(written: Variation) -> Callable[..., Settings]:
    """The settings of a variation, under an empty environment."""

    def settings(old: str = "", new: str = "", more: str = "") -> Settings:
        return read(written(old, new, more), {})

    return settings


@pytest.fixture
def complaints_of(written: Variation, tmp_path: Path) -> Callable[..., list[Complaint]]:
    """What is complained about in a variation, the folder left out of the places."""

    def complaints(old: str = "", new: str = "", more: str = "") -> list[Complaint]:
        path = written(old, new, more)
        with pytest.raises(SettingsMistakes) as caught:
            read(path, {})
        return list(caught.value.complaints)

    return complaints
