"""[site] language_file: another language for the messages, found wrong by day or not at all."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.engine.state import AlarmRecord
from monitor.engine.wording import words
from monitor.engine.wording_english import ENGLISH
from monitor.settings.complaints import Complaint
from monitor.settings.read import Settings
from monitor.settings.resolved import render

SettingsOf = Callable[..., Settings]
Complaints = Callable[..., list[Complaint]]
NAMED = ('timezone = "Europe/Dublin"', 'timezone = "Europe/Dublin"\nlanguage_file = "francais.toml"')


def test_messages_speak_the_language_of_the_file_beside_the_settings(tmp_path: Path, settings_of: SettingsOf) -> None:
    """What it says is said; what it leaves out stays English."""
    (tmp_path / "francais.toml").write_text('language = "fr"\n[alarms.damp]\ntitles = "{pen} : trop humide"\n', encoding="utf-8")
    settings = settings_of(*NAMED)
    record = AlarmRecord("brooder/damp", "damp", "brooder", "")
    assert settings.catalogue.language == "fr"
    assert words(record, settings.specification, settings.catalogue).title == "Brooder : trop humide"
    assert settings.catalogue.alarms["dry"] == ENGLISH.alarms["dry"]


def test_without_the_key_messages_are_english(settings_of: SettingsOf) -> None:
    """Nothing is looked for that nobody asked for."""
    assert settings_of().catalogue is ENGLISH


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "No such file or directory"),
        (b"language = ", "Invalid value"),
        (b"\xff\xfe", "can't decode"),
        (b'[alarms.dampp]\ntitles = "x"', "no alarm has this name"),
        (b'[alarms.damp]\ntitles = "{penn}"', "{penn} is no field"),
        (b"x" * 1_000_001, "larger than 1000000 bytes"),
    ],
)
def test_a_file_that_cannot_be_used_is_told_with_its_place(
    content: bytes | None, said: str, tmp_path: Path, complaints_of: Complaints
) -> None:
    """A slip of a translation must not wait for the night of the alarm."""
    if content is not None:
        (tmp_path / "francais.toml").write_bytes(content)
    (complaint,) = complaints_of(*NAMED)
    assert complaint.where == "[site] › language_file"
    assert said in complaint.expected
    assert str(tmp_path / "francais.toml") in complaint.expected


def test_check_says_what_else_is_spoken_to(tmp_path: Path, settings_of: SettingsOf) -> None:
    """Language, mirror, ping and yard are resolved settings too; the ping's address stays a secret."""
    (tmp_path / "francais.toml").write_text('language = "fr"\n', encoding="utf-8")
    more = (
        '[mirror]\naddress = "http://series.example:8428"\n[ping]\naddress = "https://w.example/hunter2"\n[yard]\nwatch = true\n'
    )
    said = render(settings_of(*NAMED, more))
    for line in ("Messages in fr", "Mirror http://series.example:8428", "Ping to a watcher elsewhere every 5 min", "Yard: every"):
        assert f"\n{line}" in said
    assert "hunter2" not in said


def test_a_pipe_is_not_waited_for(tmp_path: Path, complaints_of: Complaints) -> None:
    """Opening one would hang the check for ever."""
    os.mkfifo(tmp_path / "francais.toml")
    (complaint,) = complaints_of(*NAMED)
    assert "no plain file" in complaint.expected


def test_the_yard_is_watched_when_asked(settings_of: SettingsOf) -> None:
    """Off unless said: most boards have one site to think of."""
    assert not settings_of().connections.watches_yard
    assert settings_of(more="[yard]\nwatch = true\n").connections.watches_yard
