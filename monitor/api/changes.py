"""Who is told, inside this process, that something changed: a hub and its listeners.

A listener holds the *names* of the pens that changed since it last looked, never the changes
themselves, so a phone that stops reading costs a few names however long it sleeps.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

SITE = ""  # stands for what belongs to no pen: links, the clock, site-wide alarms


@dataclass(slots=True)
class Listener:
    """One open stream. `wake` is called, from any thread, when there is something new or all ends."""

    wake: Callable[[], None] | None = None
    closed: bool = False
    _changed: set[str] = field(default_factory=set)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def tell(self, pen: str) -> None:
        with self._lock:
            news = pen not in self._changed
            self._changed.add(pen)
        if news and self.wake is not None:
            self.wake()

    def take(self) -> set[str]:
        """The pens that changed since the last take; empties the list."""
        with self._lock:
            taken, self._changed = self._changed, set()
        return taken

    def close(self) -> None:
        self.closed = True
        if self.wake is not None:
            self.wake()


class Hub:
    """Tells every open listener. Telling never waits and never raises."""

    def __init__(self) -> None:
        self._listeners: tuple[Listener, ...] = ()
        self._lock = threading.Lock()
        self._closed = False

    def tell(self, pen: str = SITE) -> None:
        """Say that this pen changed ("" for the site)."""
        for listener in self._listeners:
            listener.tell(pen)

    @contextmanager
    def listen(self) -> Iterator[Listener]:
        listener = Listener(closed=self._closed)
        with self._lock:
            self._listeners = (*self._listeners, listener)
        try:
            yield listener
        finally:
            with self._lock:
                self._listeners = tuple(other for other in self._listeners if other is not listener)

    def close(self) -> None:
        """End every open stream, and any that opens later, so that a stop need not wait for them."""
        self._closed = True
        for listener in self._listeners:
            listener.close()

    @property
    def open_streams(self) -> int:
        return len(self._listeners)
