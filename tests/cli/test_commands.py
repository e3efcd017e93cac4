"""Each command as typed: what it prints, as text and as JSON, and the exit code a script can use."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from demo.broker import free_port
from monitor.cli import main
from monitor.store.keep import Store
from tests.whole.conftest import DaemonProcess

CONFIG = Path(__file__).parents[2] / "config"
COMMANDS = (
    "watch", "check", "hear", "size", "bedding", "rehearse", "journal", "call", "export", "take-in", "backup", "restore",
    "password",
)  # fmt: skip
READINGS = """time,sensor,value
2026-05-01T06:40:00Z,brooder/ammonia,18
2026-05-01T06:40:30+00:00,brooder/ammonia,18.5
2026-05-01T07:41:00+01:00,brooder/ammonia,19
"""

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    """A keeper's settings, with a store of their own and no broker behind them."""
    return DaemonProcess(tmp_path, free_port()).settings_file


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], settings: Path) -> Run:
    """Type a command; exit code, standard output, standard error."""

    def typed(*words: str, with_settings: bool = True) -> tuple[int, str, str]:
        asked = [*words, "--settings", str(settings)] if with_settings else list(words)
        try:
            code = main(asked)
        except SystemExit as ended:  # argparse's own end
            code = int(ended.code or 0)
        out, err = capsys.readouterr()
        return code, out, err

    return typed


def write(folder: Path, text: str) -> str:
    file = folder / "readings.csv"
    file.write_text(text)
    return str(file)


# ------------------------------------------------------------ help and mistakes


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(run: Run, command: str) -> None:
    """`--help` ends with 0, names the settings option, and starts with what the command does."""
    code, out, _ = run(command, "--help", with_settings=False)
    assert code == 0
    assert f"warmstraw {command}" in out
    assert "--settings FILE" in out


def test_the_overview_names_every_command_and_exit_code(run: Run) -> None:
    """One page shows what there is, that it is never the only safeguard, and what the exit codes mean."""
    code, out, _ = run("--help", with_settings=False)
    assert code == 0
    assert all(command in out for command in COMMANDS)
    assert "never the only safeguard" in out
    assert "exit codes: 0 done" in out


@pytest.mark.parametrize("words", [(), ("wach",), ("rehearse", "--nonsense"), ("journal", "--add", "moonlight")])
def test_wrong_words_end_with_2(run: Run, words: tuple[str, ...]) -> None:
    """A slip of typing is told apart from a failure."""
    assert run(*words, with_settings=False)[0] == 2


@pytest.mark.parametrize("command", [("export", "-"), ("rehearse",), ("journal",), ("backup", "x.sqlite"), ("watch",)])
def test_a_missing_settings_file_is_named(capsys: pytest.CaptureFixture[str], tmp_path: Path, command: tuple[str, ...]) -> None:
    """Exit code 2, and the name of the file that was looked for."""
    assert main([*command, "--settings", str(tmp_path / "nothing.toml")]) == 2
    assert "nothing.toml" in capsys.readouterr().err


def test_a_mistake_in_the_settings_names_line_key_and_what_to_write(run: Run, settings: Path) -> None:
    """Any command that reads the settings says it the same way, and ends with 2."""
    settings.write_text(settings.read_text().replace('units = "metric"', 'units = "metrical"'))
    code, _, err = run("export", "-")
    assert code == 2
    assert "line 5" in err
    assert "metrical" in err
    assert 'write     units = "' in err


# ------------------------------------------------------------ check


@pytest.mark.parametrize("example", ["brooder.toml", "grown-flock.toml", "two-pens.toml"])
def test_the_examples_are_sound(capsys: pytest.CaptureFixture[str], example: str) -> None:
    """`check` ends with 0 on each, prints every limit with its source, and its JSON says the same."""
    assert main(["check", "--settings", str(CONFIG / example)]) == 0
    text = capsys.readouterr().out
    assert f"{example}: sound" in text
    assert "NIOSH" in text
    assert main(["check", "--json", "--settings", str(CONFIG / example)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["sound"] is True
    assert told["site"]["name"] == "Mill Rise"


def test_unsound_settings_end_with_2_as_text_and_as_json(run: Run, settings: Path) -> None:
    """JSON of mistakes goes to standard output, for a script reads it there."""
    settings.write_text(settings.read_text().replace('every = "30 s"', 'every = "30 fortnights"', 1))
    code, out, err = run("check")
    assert (code, out) == (2, "")
    assert "fortnights" in err
    code, out, _ = run("check", "--json")
    assert code == 2
    assert json.loads(out)["sound"] is False


# ------------------------------------------------------------ readings in and out


def test_readings_taken_in_come_out_as_they_were(run: Run, tmp_path: Path) -> None:
    """In and out again: the same times and values, in UTC; taken in twice they are known."""
    file = write(tmp_path, READINGS)
    assert run("take-in", file)[:2] == (0, "3 readings stored, 0 were already there, 0 bad lines left out\n")
    assert run("take-in", file)[1] == "0 readings stored, 3 were already there, 0 bad lines left out\n"
    code, out, err = run("export", "-")
    assert code == 0
    lines = out.splitlines()
    assert lines[0] == "time,sensor,value"
    assert [line.split(",")[1:] for line in lines[1:]] == [["brooder/ammonia", v] for v in ("18", "18.5", "19")]
    assert [line[:19] for line in lines[1:]] == ["2026-05-01T06:40:00", "2026-05-01T06:40:30", "2026-05-01T06:41:00"]
    assert "3 readings written" in err


def test_bad_lines_are_named_and_the_good_ones_stored(run: Run, tmp_path: Path) -> None:
    """Exit code 1, each bad line with its number and reason."""
    bad = READINGS + "yesterday,brooder/ammonia,18\n2026-05-01T08:00:00Z,brooder/ammonia,many\n2026-05-01T08:00:00Z,barn/x,1\nx\n"
    code, out, err = run("take-in", write(tmp_path, bad))
    assert code == 1
    assert out == "3 readings stored, 0 were already there, 4 bad lines left out\n"
    assert [line.split(":")[0] for line in err.splitlines()] == ["line 5", "line 6", "line 7", "line 8"]


def test_a_file_that_is_none_is_refused_in_words(run: Run, tmp_path: Path) -> None:
    """Exit code 1 or 2 and one sentence, no traceback."""
    for words in (("take-in", str(tmp_path / "no.csv")), ("take-in", write(tmp_path, "time;sensor;value\n"))):
        code, out, err = run(*words)
        assert code in (1, 2), words
        assert out == ""
        assert "Traceback" not in err
        assert err.startswith("warmstraw take-in: ")


def test_an_export_can_be_narrowed(run: Run, tmp_path: Path) -> None:
    """By sensor and by time; a time without an offset is the site's own (Dublin: an hour ahead in May)."""
    run("take-in", write(tmp_path, READINGS))
    assert len(run("export", "-", "--sensor", "brooder/ammonia")[1].splitlines()) == 4
    code, out, err = run("export", "-", "--sensor", "brooder/lamp")
    assert (code, out) == (1, "")
    assert 'no readings of "brooder/lamp"' in err
    assert len(run("export", "-", "--from", "2026-05-01T07:40:30")[1].splitlines()) == 3
    assert len(run("export", "-", "--to", "2026-05-01T06:40:30Z")[1].splitlines()) == 2
    code, _, err = run("export", "-", "--from", "breakfast")
    assert code == 2
    assert "breakfast" in err


def test_an_export_writes_parquet(run: Run, tmp_path: Path) -> None:
    """The name's ending decides; another program reads the same numbers."""
    import pyarrow.parquet

    run("take-in", write(tmp_path, READINGS))
    assert run("export", str(tmp_path / "out.parquet"))[0] == 0
    table = pyarrow.parquet.read_table(tmp_path / "out.parquet")
    assert table.column("value").to_pylist() == [18.0, 18.5, 19.0]


# ------------------------------------------------------------ rehearse


def hours_of_ammonia() -> str:
    """Three hours of a morning within the flock's life: up from 12 ppm past 20 and down again."""
    day = datetime.now(UTC).date() - timedelta(days=2)
    ppm = [12 + (m if m < 90 else 180 - m) / 3 for m in range(180)]
    rows = [f"{day}T{6 + m // 60:02d}:{m % 60:02d}:00Z,brooder/ammonia,{value:.1f}" for m, value in enumerate(ppm)]
    return "\n".join(["time,sensor,value", *rows, ""])


def test_decisions_are_lines_of_the_agreed_form(run: Run, tmp_path: Path) -> None:
    """Time, pen, kind, what, state, priority and evidence, one change a line; a fan's line has its reason beside it."""
    out = tmp_path / "decisions.jsonl"
    code, text, _ = run("rehearse", "--readings", write(tmp_path, hours_of_ammonia()), "--decisions", str(out))
    assert code == 0
    assert text.startswith("180 readings over ")
    lines = [json.loads(line) for line in out.read_text().splitlines()]
    shape = {"time", "pen", "kind", "what", "state", "priority", "evidence"}
    for line in lines:
        assert set(line) - {"reason", "speed_pct"} == shape
        assert line["time"].endswith("Z")
        assert line["pen"] == "brooder"
        if line["kind"] == "fan":
            assert line["state"] in ("running", "resting")
            assert line["reason"]
        else:
            assert line["kind"] == "alarm"
            assert line["state"] in ("unacknowledged", "acknowledged", "returned", "normal", "shelved", "suppressed")
            assert line["priority"] in ("urgent", "high", "medium", "low")
            assert line["evidence"]["source"]
    ammonia = [(line["time"][11:16], line["state"]) for line in lines if line["what"] == "ammonia_birds"]
    assert ammonia[0] == ("06:24", "unacknowledged")  # 12 + 24/3 = 20 ppm, no delay set
    assert ammonia[1][1] == "returned"


def test_a_rehearsal_tells_its_figures_as_json_and_its_decisions_on_standard_output(run: Run, tmp_path: Path) -> None:
    """With the decisions on standard output the tally goes to the other one, so that a pipe stays clean."""
    file = write(tmp_path, hours_of_ammonia())
    figures = json.loads(run("rehearse", "--readings", file, "--json")[1])
    assert figures["readings"] == 180
    assert figures["alarms_raised"]["ammonia_birds"] == 1
    code, out, err = run("rehearse", "--readings", file, "--decisions", "-", "--json")
    assert code == 0
    assert all(json.loads(line)["kind"] in ("fan", "alarm") for line in out.splitlines())
    assert json.loads(err) == figures


def test_the_stores_own_readings_rehearse_like_the_file_they_came_from(run: Run, tmp_path: Path) -> None:
    """The same decisions, byte for byte."""
    file = write(tmp_path, hours_of_ammonia())
    one, two = tmp_path / "one.jsonl", tmp_path / "two.jsonl"
    run("rehearse", "--readings", file, "--decisions", str(one))
    run("take-in", file)
    assert run("rehearse", "--decisions", str(two))[0] == 0
    assert two.read_text() == one.read_text() != ""


def test_a_rehearsal_without_readings_says_so(run: Run, tmp_path: Path) -> None:
    """No store yet: exit code 1. A wrong header: 2. Lines it cannot read and sensors it does not know are counted."""
    assert run("rehearse")[0] == 1
    assert run("rehearse", "--readings", write(tmp_path, "a,b\n1,2\n"))[0] == 2
    odd = READINGS + "noon,brooder/ammonia,1\n2026-05-01T09:00:00Z,loft/ammonia,12\n"
    code, out, err = run("rehearse", "--readings", write(tmp_path, odd))
    assert code == 0
    assert "1 lines could not be read" in out
    assert "'loft/ammonia', which is not in the settings" in out
    assert err.startswith("line 5: ")


# ------------------------------------------------------------ journal, backup, restore


def test_a_journal_entry_is_written_and_listed(run: Run) -> None:
    """Without a daemon it goes straight into the store; text and JSON list it with flock, count and note."""
    assert run("journal", "--add", "birds in", "--count", "12", "--flock", "spring layers", "--note", "from the barn")[0] == 0
    assert "birds in 12 (spring layers) from the barn" in run("journal")[1]
    (entry,) = json.loads(run("journal", "--json")[1])
    assert (entry["what"], entry["count"], entry["flock"], entry["pen"]) == ("birds in", 12, "spring layers", "brooder")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--add", "deaths"), "needs --count"),
        (("--add", "eggs", "--count", "0"), "needs --count"),
        (("--add", "note", "--pen", "loft"), "expected one of brooder"),
        (("--add", "deaths", "--count", "1", "--flock", "geese"), "expected one of spring layers"),
    ],
)
def test_a_half_journal_entry_is_refused(run: Run, words: tuple[str, ...], told: str) -> None:
    """Exit code 2, what is missing, and nothing written."""
    code, _, err = run("journal", *words)
    assert code == 2
    assert told in err


def test_a_journal_written_days_after_the_last_run_raises_no_alarm(run: Run, tmp_path: Path, settings: Path) -> None:
    """Nobody listened in between, so the sensors' silence says nothing."""
    import sqlite3

    run("journal", "--add", "note", "--note", "first")
    file = tmp_path / "store" / "store.sqlite"
    with sqlite3.connect(file) as store:  # as after three days in which nothing ran
        store.execute("UPDATE saved SET at = at - 259200, wall_ms = wall_ms - 259200000, boottime_s = boottime_s - 259200")
    store.close()
    assert run("journal", "--add", "litter changed")[0] == 0
    with sqlite3.connect(file) as store:
        assert store.execute("SELECT what FROM decision WHERE kind = 'alarm'").fetchall() == []
    store.close()


def test_a_backup_is_put_back(run: Run, tmp_path: Path) -> None:
    """What the backup held is there again, and what was there is kept aside."""
    run("take-in", write(tmp_path, READINGS))
    copy = tmp_path / "copy.sqlite"
    told = json.loads(run("backup", str(copy), "--json")[1])
    assert (told["file"], told["bytes"]) == (str(copy), copy.stat().st_size)
    run("take-in", write(tmp_path, READINGS.replace("05-01", "05-02")))
    code, out, _ = run("restore", str(copy), "--json")
    assert code == 0
    assert Path(json.loads(out)["set_aside"]).exists()
    assert len(run("export", "-")[1].splitlines()) == 4
    assert run("backup", str(tmp_path / "again.sqlite"))[1].endswith("checked and sound\n")


def test_what_needs_the_store_alone_refuses_while_it_is_held(run: Run, tmp_path: Path) -> None:
    """Exit code 3 while another process has it; a backup and an export do not mind."""
    run("take-in", write(tmp_path, READINGS))
    copy = str(tmp_path / "copy.sqlite")
    with Store.open(tmp_path / "store"):
        assert run("backup", copy)[0] == 0
        assert run("export", "-")[0] == 0
        assert run("restore", copy)[0] == 3
        assert run("take-in", write(tmp_path, READINGS))[0] == 3


def test_a_backup_that_is_none_is_not_restored(run: Run, tmp_path: Path) -> None:
    """Exit code 1 in words, and the store stays as it is."""
    run("take-in", write(tmp_path, READINGS))
    (tmp_path / "bad.sqlite").write_bytes(b"no database" * 100)
    code, _, err = run("restore", str(tmp_path / "bad.sqlite"))
    assert code == 1
    assert err.startswith("warmstraw restore: ")
    assert len(run("export", "-")[1].splitlines()) == 4
