"""From alarms to notices: asks the rota with the ledger of what was told, and finds the words."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from datetime import time as time_of_day
from zoneinfo import ZoneInfo

from monitor.engine.connections import Connections, Notice, Tell
from monitor.engine.specification import Specification
from monitor.engine.state import AlarmRecord, AlarmState, State
from monitor.engine.wording import Catalogue, Words, all_clear_words, words
from monitor.notify import rota
from monitor.notify.rota import Now, Told

Link = Callable[[str, int, str], str | None]  # alarm key, occurrence, person → one-tap address


class People:
    """Who must be told now. Called under the engine's lock, so it only reckons."""

    def __init__(self, specification: Specification, connections: Connections, catalogue: Catalogue, link: Link) -> None:
        self._specification = specification
        self._tell = connections.tell
        self._catalogue = catalogue
        self._link = link
        self._zone = ZoneInfo(specification.timezone)
        self._ledger: dict[str, Told] = {}
        self._state = State()

    def go_on(self, state: State, at: float, find: Callable[[str], Notice | None]) -> None:
        """Begin where the last run stopped: with its alarms, and what stands in its outbox about them.

        Args:
            state: the engine's, as loaded.
            at: elapsed seconds now.
            find: the notice written under a key, or None.
        """
        self._state = state  # else the worker would take what waits to be sent for no longer needed
        self._ledger = {line.key: line for line in rota.recall(_records(state), self._tell, at, find)}

    def remember(self, notices: Iterable[Notice]) -> None:
        """What was written into the outbox: by the rota, or by the worker for a channel that failed."""
        for notice in notices:
            self._ledger[notice.key] = rota.told(notice)

    def due(self, state: State, at: float, wall_ms: int | None) -> list[Notice]:
        """Every notice that is due now; asked again at once it gives nothing."""
        self._state = state
        records = _records(state)
        if not self._tell or not records:
            return []
        living = {record.occurrence for record in records}
        if len(self._ledger) > 500:
            self._ledger = {key: line for key, line in self._ledger.items() if line.occurrence in living}

        def compose(record: AlarmRecord, entry: Tell, kind: str) -> Words:
            return self._compose(record, entry, kind, at)

        notices = rota.due(records, self._ledger.values(), self._tell, Now(at, self.local(wall_ms)), compose)
        self.remember(notices)
        return notices

    def _compose(self, record: AlarmRecord, entry: Tell, kind: str, at: float) -> Words:
        if kind == rota.ALL_CLEAR:
            return all_clear_words(record, self._specification, self._catalogue)
        link = self._link(record.key, record.occurrence, entry.person)
        return words(record, self._specification, self._catalogue, at=at, link=link, kind=kind)

    def matters(self, notice: Notice) -> bool:
        """Does the alarm behind this notice still stand unacknowledged?"""
        pen, _, _ = notice.alarm.partition("/")
        records = self._state.pens[pen].alarms if pen in self._state.pens else self._state.alarms
        record = records.get(notice.alarm)
        return record is not None and record.occurrence == notice.occurrence and record.state is AlarmState.UNACKNOWLEDGED

    def local(self, wall_ms: int | None) -> time_of_day | None:
        """The site's time of day."""
        if wall_ms is None:
            return None
        return datetime.fromtimestamp(wall_ms / 1000, UTC).astimezone(self._zone).time()

    def when(self, wall_ms: int | None) -> str:
        """A moment as local day and time, for a line of a summary."""
        if wall_ms is None:
            return ""
        return datetime.fromtimestamp(wall_ms / 1000, UTC).astimezone(self._zone).strftime("%a %H:%M")


def _records(state: State) -> list[AlarmRecord]:
    return [*state.alarms.values(), *(record for pen in state.pens.values() for record in pen.alarms.values())]
