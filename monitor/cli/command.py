"""Words to calls. Each subcommand imports what it needs, so that `--help` is quick on a small board."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from typing import Any

from monitor.cli.refusal import Refused
from monitor.cli.words import words

DONE, FAILED, WRONG = 0, 1, 2
HEAR_TOLD_EVERY_S = 5


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command. Returns its exit code."""
    asked = words().parse_args(arguments)
    from monitor.settings.complaints import SettingsMistakes

    try:
        return _COMMANDS[asked.command](asked)
    except Refused as refused:
        print(f"warmstraw {asked.command}: {refused}", file=sys.stderr)
        return refused.code
    except SettingsMistakes as mistakes:
        print(mistakes, file=sys.stderr)
        return WRONG
    except BrokenPipeError:
        sys.stderr.close()  # whoever read our output has gone; nothing more to say
        return DONE
    except KeyboardInterrupt:
        return 130


def _settings(asked: argparse.Namespace) -> Any:
    from monitor.settings.read import find, read

    return read(find(asked.settings))


def _print(asked: argparse.Namespace, text: Callable[[], str], figures: Callable[[], Any]) -> None:
    print(json.dumps(figures(), ensure_ascii=False, indent=2) if asked.json else text())


def _watch(asked: argparse.Namespace) -> int:
    from monitor.daemon.watch import watch

    return watch(_settings(asked))


def _check(asked: argparse.Namespace) -> int:
    from datetime import datetime

    from monitor.notify.channels import check_address
    from monitor.notify.dead_man import check_ping_address
    from monitor.review import facts_sheet
    from monitor.settings.check import check
    from monitor.settings.sense import Trials

    if asked.facts:
        _print(asked, lambda: "\n".join(facts_sheet.as_lines()), facts_sheet.as_json)
        return DONE
    today = datetime.now().astimezone().date()
    text, code = check(asked.settings, asked.json, today=today, trials=Trials(check_address, check_ping_address))
    print(text, file=sys.stdout if code == DONE or asked.json else sys.stderr)
    return code


def _hear(asked: argparse.Namespace) -> int:
    from monitor.cli.spans import seconds
    from monitor.wire import hear

    settings = _settings(asked)
    wanted = seconds(asked.for_text)
    told = 0

    def progress(listened: float, messages: int) -> None:
        nonlocal told
        if listened >= told + HEAR_TOLD_EVERY_S:
            told = int(listened)
            print(f"{messages:,} messages in {told} of {wanted:.0f} s …", file=sys.stderr)

    try:
        heard = hear.hear(settings.connections.broker, wanted, asked.topic, progress=progress)
    except hear.NotHeard as trouble:
        raise Refused(str(trouble)) from trouble
    _print(asked, lambda: hear.render(heard), lambda: hear.as_json(heard))
    return DONE


def _rehearse(asked: argparse.Namespace) -> int:
    from monitor.cli.rehearsing import run

    return run(asked, _settings(asked))


def _size(asked: argparse.Namespace) -> int:
    from monitor.cli.sizing import size

    return size(asked, _settings(asked))


def _bedding(asked: argparse.Namespace) -> int:
    from monitor.cli.bedding import bedding

    return bedding(asked, _settings(asked))


def _call(asked: argparse.Namespace) -> int:
    from monitor.cli.calling import call

    return call(asked, _settings(asked))


def _journal(asked: argparse.Namespace) -> int:
    from monitor.cli.keeping import journal

    return journal(asked, _settings(asked))


def _export(asked: argparse.Namespace) -> int:
    from monitor.cli.keeping import export

    return export(asked, _settings(asked))


def _take_in(asked: argparse.Namespace) -> int:
    from monitor.cli.keeping import take_in

    return take_in(asked, _settings(asked))


def _backup(asked: argparse.Namespace) -> int:
    from monitor.cli.keeping import backup

    return backup(asked, _settings(asked))


def _restore(asked: argparse.Namespace) -> int:
    from monitor.cli.keeping import restore

    return restore(asked, _settings(asked))


def _password(asked: argparse.Namespace) -> int:
    import getpass

    from monitor.api.passwords import PasswordRefused, set_password

    settings = _settings(asked)
    if sys.stdin.isatty():
        password = getpass.getpass("New password: ")
        if getpass.getpass("Once more: ") != password:
            raise Refused("the two are not the same; nothing was changed")
    else:
        password = sys.stdin.readline().rstrip("\n")
    try:
        set_password(settings.connections, password, look_only=asked.look_only)
    except (PasswordRefused, OSError) as trouble:
        raise Refused(str(trouble)) from trouble
    print("The password is set. A daemon that runs uses it at once; to listen beyond this machine, restart it.")
    return DONE


_COMMANDS: dict[str, Callable[[argparse.Namespace], int]] = {
    "watch": _watch,
    "check": _check,
    "hear": _hear,
    "size": _size,
    "bedding": _bedding,
    "rehearse": _rehearse,
    "journal": _journal,
    "call": _call,
    "export": _export,
    "take-in": _take_in,
    "backup": _backup,
    "restore": _restore,
    "password": _password,
}
