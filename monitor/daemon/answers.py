"""What this site says of itself to a yard: the sentence of each pen and its open alarms, retained at the broker.

Rules of this file: said when it changes, at most every ten seconds, and every five minutes in any case, so that
whoever listens can tell silence from peace. No payload says less than the page does of a danger.
"""

from __future__ import annotations

import json
from collections.abc import Callable

from monitor.api.answer import answer
from monitor.api.moments import rfc3339
from monitor.api.status import in_order
from monitor.engine.alarm_states import OPEN
from monitor.engine.events import Json
from monitor.engine.plan import plan_for
from monitor.engine.specification import Specification
from monitor.engine.state import AlarmRecord, PenState, State
from monitor.engine.wording import Catalogue, words
from monitor.wire.other_sites import MOST_ALARMS

AT_MOST_EVERY_S = 10.0
IN_ANY_CASE_EVERY_S = 300.0


class Answers:
    """Publishes them; asked every second or so, from one thread."""

    def __init__(
        self,
        specification: Specification,
        catalogue: Catalogue,
        publish: Callable[[str], bool],
        monotonic: Callable[[], float],
    ) -> None:
        """Prepare.

        Args:
            publish: hands a payload on, to be retained; False when there is no connection.
        """
        self._specification = specification
        self._catalogue = catalogue
        self._publish = publish
        self._monotonic = monotonic
        self._said: dict[str, Json] | None = None
        self._said_at = 0.0
        self._next_look = monotonic()

    def forget(self) -> None:
        """The broker may not have it any more: say it again. From any thread."""
        self._said = None
        self._next_look = 0.0

    def look(self, state: State, at: float, wall_ms: int | None) -> None:
        """Say it, if it is time to and there is anything new."""
        now = self._monotonic()
        if now < self._next_look:
            return
        self._next_look = now + AT_MOST_EVERY_S
        said = self.answer(state, at)
        if said == self._said and now - self._said_at < IN_ANY_CASE_EVERY_S:
            return
        if self._publish(json.dumps({**said, "time": rfc3339(wall_ms)}, ensure_ascii=False)):
            self._said, self._said_at = said, now

    def answer(self, state: State, at: float) -> dict[str, Json]:
        """The site's answer without its time."""
        specification = self._specification
        pens: list[Json] = []
        records: list[AlarmRecord] = [*state.alarms.values()]
        for name in specification.pens:
            known = state.pens.get(name) or PenState(name)
            said = answer(plan_for(specification).pens[name], known, state.day, at, specification.units)
            pens.append({"pen": name, "answer": said.sentence, "verdict": said.verdict.value})
            records += known.alarms.values()
        alarms: list[Json] = []
        alarms += [
            {
                "pen": record.pen,
                "alarm": record.name,
                "title": words(record, specification, self._catalogue, at=at).title,
                "priority": record.priority.value,
                "state": record.state.value,
            }
            for record in in_order(records)
            if record.state in OPEN
        ]
        return {"site": specification.site, "pens": pens, "alarms": alarms[:MOST_ALARMS]}
