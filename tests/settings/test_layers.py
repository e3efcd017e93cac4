"""File, secrets folder and environment: which wins, and that nothing is ignored in silence."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.settings.complaints import SettingsMistakes
from monitor.settings.layers import laid_over
from monitor.settings.read import Settings, read

Written = Callable[..., str]
SettingsOf = Callable[..., Settings]


def refused(path: str, environ: dict[str, str]) -> list[str]:
    with pytest.raises(SettingsMistakes) as caught:
        read(path, environ)
    return [str(complaint) for complaint in caught.value.complaints]


def test_the_environment_wins_over_the_file(written: Written) -> None:
    """A variable overrides one key and leaves its neighbours alone; quantities keep their units."""
    path = written(more='[broker]\nhost = "a"\nport = 1884\n[store]\ncommit_every = "10 s"\n')
    settings = read(
        path,
        {
            "WARMSTRAW_BROKER__HOST": "b",
            "warmstraw_store__commit_every": "2 min",
            "WARMSTRAW_BROKER__TLS": "true",
            "WARMSTRAW_SITE__ALTITUDE": "1000 ft",
            "WARMSTRAW_API__PORT": "8080",
            "PATH": "/bin",
        },
    )
    broker = settings.connections.broker
    assert (broker.host, broker.port, broker.tls) == ("b", 1884, True)
    assert settings.connections.store.commit_every_s == 120.0
    assert settings.specification.altitude_m == pytest.approx(304.8)
    assert settings.connections.api.port == 8080


def test_a_table_may_come_from_the_environment_alone(written: Written) -> None:
    """What the file does not mention can still be set."""
    settings = read(written(), {"WARMSTRAW_MIRROR__ADDRESS": "http://series.example:8428", "WARMSTRAW_MIRROR__TOKEN": "t0ken"})
    assert settings.connections.mirror is not None
    assert settings.connections.mirror.token is not None
    assert settings.connections.mirror.token.reveal() == "t0ken"


def test_a_limit_from_the_environment_names_its_variable(written: Written) -> None:
    """An alarm at night tells whose number it was, wherever it was set."""
    environ = {
        "WARMSTRAW_LIMITS__DAMP__ON": "81 %",
        "WARMSTRAW_LIMITS__BROKER_LOST__PRIORITY": "high",
        "WARMSTRAW_DESIGN__WINTER_NIGHT__TEMPERATURE": "-10 degC",
    }
    specification = read(written(), environ).specification
    damp = specification.pens["brooder"].limits.alarms["damp"]
    assert (damp.on, damp.source) == (81, "set by the keeper, environment, WARMSTRAW_LIMITS__DAMP__ON")
    assert specification.site_limits["broker_lost"].source.endswith(
        "delay or priority set by the keeper, environment, WARMSTRAW_LIMITS__BROKER_LOST__PRIORITY"
    )
    assert specification.winter_night == (-10.0, 80.0)


def test_a_mistake_in_the_environment_names_the_variable(written: Written) -> None:
    """The keeper is not sent to look in the file."""
    assert refused(written(more="[api]\nport = 8720\n"), {"WARMSTRAW_API__PORT": "eighty"}) == [
        "environment, WARMSTRAW_API__PORT, [api] › port\n"
        '  got       "eighty"\n'
        "  expected  a whole number from 0 to 65535\n"
        "  write     port = 8720"
    ]


@pytest.mark.parametrize(
    ("variable", "expected", "write"),
    [
        ("WARMSTRAW_BROKER__PASWORD", "a setting's name, such as WARMSTRAW_BROKER__PASSWORD", "WARMSTRAW_BROKER__PASSWORD=…"),
        ("WARMSTRAW_BROKER_HOST", "a setting's name, such as WARMSTRAW_BROKER__HOST", "WARMSTRAW_BROKER__HOST=…"),
        ("WARMSTRAW_BROKER", "a setting's name", "WARMSTRAW_BROKER"),
        ("WARMSTRAW_", "a setting's name", "WARMSTRAW_"),
        (
            "WARMSTRAW_PEN__0__LENGTH",
            "[[pen]] in the settings file: only tables that stand alone are set from here",
            "[[pen]]",
        ),
    ],
)
def test_an_unknown_variable_is_a_mistake(variable: str, expected: str, write: str, written: Written) -> None:
    """A mistyped variable is told, with the nearest right one, and its value stays unshown."""
    (said,) = refused(written(), {variable: "hunter2"})
    assert said.startswith(f"environment, {variable}\n  got       a name that sets nothing\n  expected  {expected}")
    assert f"\n  write     {write}" in said
    assert "hunter2" not in said


def test_a_secret_file_is_read_beside_the_settings(written: Written, tmp_path: Path) -> None:
    """Relative names start at the settings file; the line end is no part of the secret; stars when printed."""
    (tmp_path / "broker-password").write_text("gr€en\n", encoding="utf-8")
    (tmp_path / "broker-password").chmod(0o600)
    settings = read(written(more='[broker]\nusername = "w"\npassword_file = "broker-password"\n'), {})
    password = settings.connections.broker.password
    assert password is not None
    assert password.reveal() == "gr€en"
    assert "gr€en" not in repr(settings)
    assert "********" in repr(settings)
    assert not any("broker-password" in warning for warning in settings.warnings)


def test_every_secret_key_has_a_file_form(written: Written, tmp_path: Path) -> None:
    """Token, channel and ping address can all stand in files of their own."""
    for name, content in (("token", "t"), ("channel", "mqtt:a/b"), ("ping", "https://watcher.example/x")):
        (tmp_path / name).write_text(content)
    more = """
[mirror]
address = "http://series.example"
token_file = "token"
[ping]
address_file = "ping"
[[tell]]
person = "Nora"
channel_file = "channel"
"""
    connections = read(written(more=more), {}).connections
    assert connections.mirror is not None
    assert connections.mirror.token is not None
    assert connections.mirror.token.reveal() == "t"
    assert connections.ping is not None
    assert connections.ping.address.reveal() == "https://watcher.example/x"
    assert connections.tell[0].channel.reveal() == "mqtt:a/b"


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (None, "No such file or directory"),
        (b"", "it is empty"),
        (b"\xff\xff", "it is no text in UTF-8"),
        (b"x" * 5000, "larger than 4096"),
    ],
)
def test_a_secret_file_that_cannot_be_used_is_named(content: bytes | None, reason: str, written: Written, tmp_path: Path) -> None:
    """A missing password is told at once, not as a refused connection at night."""
    if content is not None:
        (tmp_path / "secret").write_bytes(content)
    (said,) = refused(written(more='[broker]\nusername = "w"\npassword_file = "secret"\n'), {})
    assert "line 32, [broker] › password_file" in said
    assert reason in said


def test_a_folder_is_no_secret_file(written: Written, tmp_path: Path) -> None:
    """Nor is a pipe, which would hold the start up for ever."""
    os.mkfifo(tmp_path / "pipe")
    for name in (".", "pipe"):
        (said,) = refused(written(more=f'[broker]\nusername = "w"\npassword_file = "{name}"\n'), {})
        assert "it is no plain file" in said


def test_a_secret_in_the_file_is_warned_about_and_never_shown(written: Written) -> None:
    """It works, and the keeper learns of the better place."""
    settings = read(written(more='[broker]\nusername = "w"\npassword = "hunter2"\n'), {})
    assert any("a secret stands in the settings file" in warning for warning in settings.warnings)
    (said,) = refused(written(more='[broker]\nusername = "w"\npassword = ["hunter2"]\n'), {})
    assert "hunter2" not in said
    assert "(not shown, it is a secret)" in said


def test_a_mistyped_secret_key_does_not_show_its_value(written: Written) -> None:
    """An unknown key may hold anything, so its value is quoted only where the right key is no secret."""
    (said,) = refused(written(more='[broker]\npasword = "hunter2"\n'), {})
    assert 'the nearest is "password"' in said
    assert "hunter2" not in said


def test_both_forms_of_a_secret_are_one_too_many(written: Written, tmp_path: Path) -> None:
    """Which of the two would count is not left to chance."""
    (tmp_path / "p").write_text("x")
    (said,) = refused(written(more='[broker]\nusername = "w"\npassword = "a"\npassword_file = "p"\n'), {})
    assert "either password or password_file, not both" in said


def test_the_environment_wins_over_a_secret_file(written: Written) -> None:
    """A password from the environment needs no file, even where the settings name one."""
    path = written(more='[broker]\nusername = "w"\npassword_file = "not there"\n')
    password = read(path, {"WARMSTRAW_BROKER__PASSWORD": "p"}).connections.broker.password
    assert password is not None
    assert password.reveal() == "p"


def test_a_secret_file_open_to_all_is_warned_about(written: Written, tmp_path: Path) -> None:
    """The warning says how to close it."""
    (tmp_path / "p").write_text("x")
    (tmp_path / "p").chmod(0o644)
    warnings = read(written(more='[broker]\nusername = "w"\npassword_file = "p"\n'), {}).warnings
    assert any("can be read by every user of this machine; chmod 600 closes it" in warning for warning in warnings)


@pytest.mark.parametrize("variable", ["WARMSTRAW_SECRETS", "CREDENTIALS_DIRECTORY"])
def test_a_secrets_folder_is_read(variable: str, written: Written, tmp_path: Path) -> None:
    """Files named as the variables are, in small letters; the environment still wins."""
    folder = tmp_path / "secrets"
    folder.mkdir()
    (folder / "warmstraw_broker__password").write_text("from the folder\n")
    (folder / "warmstraw_broker__username").write_text("w\n")
    broker = read(written(), {variable: str(folder)}).connections.broker
    assert (broker.username, broker.password and broker.password.reveal()) == ("w", "from the folder")
    broker = read(written(), {variable: str(folder), "WARMSTRAW_BROKER__PASSWORD": "from outside"}).connections.broker
    assert broker.password is not None
    assert broker.password.reveal() == "from outside"


def test_an_unknown_secret_file_is_told(written: Written, tmp_path: Path) -> None:
    """One of our names that sets nothing is a mistake; a stranger's file is only mentioned."""
    folder = tmp_path / "secrets"
    folder.mkdir()
    (folder / "warmstraw_broker__pasword").write_text("x")
    (folder / "broker__password").write_text("x")
    (said,) = refused(written(), {"WARMSTRAW_SECRETS": str(folder)})
    assert "such as warmstraw_broker__password" in said
    (folder / "warmstraw_broker__pasword").unlink()
    warnings = read(written(), {"WARMSTRAW_SECRETS": str(folder)}).warnings
    assert any("broker__password is not used: its name does not begin with warmstraw_" in warning for warning in warnings)


def test_a_secrets_folder_that_is_not_there_is_a_mistake(written: Written, tmp_path: Path) -> None:
    """A folder that was meant and is missing is never taken for one without secrets."""
    (said,) = refused(written(), {"WARMSTRAW_SECRETS": str(tmp_path / "nowhere")})
    assert said.startswith("environment, WARMSTRAW_SECRETS\n  got       No such file or directory")


def test_a_mistake_in_a_secret_file_names_it(written: Written, tmp_path: Path) -> None:
    """A port of words in the folder is looked for there."""
    folder = tmp_path / "secrets"
    folder.mkdir()
    (folder / "warmstraw_broker__port").write_text("many")
    (said,) = refused(written(), {"WARMSTRAW_SECRETS": str(folder)})
    assert said.startswith(f"secret file {folder}/warmstraw_broker__port, [broker] › port")


def test_a_layer_wins_table_by_table() -> None:
    """Tables are joined, values and lists are replaced."""
    assert laid_over({"a": {"x": 1, "y": 2}, "b": [1], "c": 1}, {"a": {"y": 3}, "b": [2], "d": 4}) == {
        "a": {"x": 1, "y": 3},
        "b": [2],
        "c": 1,
        "d": 4,
    }
