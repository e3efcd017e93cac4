"""What `warmstraw check` prints, and its exit code."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date

from monitor.settings.complaints import SettingsMistakes
from monitor.settings.read import find, read
from monitor.settings.resolved import as_json, render, unsound
from monitor.settings.sense import Trials

SOUND, UNSOUND = 0, 2


def check(
    path: str | None,
    json_wanted: bool = False,
    environ: Mapping[str, str] | None = None,
    today: date | None = None,
    trials: Trials | None = None,
) -> tuple[str, int]:
    """The resolved settings or every mistake in them, as text or JSON, and the exit code 0 or 2.

    Args:
        path: the settings file; None looks in the usual places.
        json_wanted: JSON instead of text.
        environ: the environment's variables; left out, the process's own.
        today: the keeper's date, so that a hatching day in the future is a mistake, and for the calendar.
        trials: try out the addresses that only their senders understand.
    """
    try:
        settings = read(find(path), environ, today, trials)
    except SettingsMistakes as mistakes:
        if json_wanted:
            return json.dumps(unsound(path or "", mistakes.complaints), ensure_ascii=False, indent=2), UNSOUND
        return str(mistakes), UNSOUND
    if json_wanted:
        return json.dumps(as_json(settings, today), ensure_ascii=False, indent=2), SOUND
    return render(settings, today), SOUND
