"""The mirror's place in the daemon: it begins when there is a store, and its trouble becomes a link that is down.

Rules of this file: nothing here is on the way from a reading to the fan. With no `[mirror]` in the settings
there is no thread, and what an earlier mirror kept back in the store is let go.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from pathlib import Path

from monitor.engine.connections import Mirror as Address
from monitor.engine.specification import Specification
from monitor.store.failures import StoreFailing
from monitor.store.keep import Store
from monitor.store.mirror import LineSender, Mirror, Sender

log = logging.getLogger(__name__)

LOOK_S = 5.0  # the store may come later, after a failing start


class Mirroring:
    """Runs the mirror on whatever store there is, from `start` to `stop`."""

    def __init__(
        self,
        folder: str | Path,
        address: Address | None,
        specification: Specification,
        store: Callable[[], Store | None],
        on_link: Callable[[bool, str], None],
        sender: Callable[[Address], Sender] = LineSender,
    ) -> None:
        """Prepare.

        Args:
            address: None when the settings have no mirror.
            store: the writer's present one.
            on_link: told when the server is lost and found again, and of a line it will not take.
            sender: makes what speaks to the server.
        """
        self._folder = folder
        self._address = address
        self._specification = specification
        self._store = store
        self._on_link = on_link
        self._sender = sender
        self._of: Store | None = None
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._mirror: Mirror | None = None

    def start(self) -> None:
        if self._address is not None:
            self._thread = threading.Thread(target=self._run, args=(self._address,), name="mirror's keeper", daemon=True)
            self._thread.start()
            return
        store = self._store()
        try:
            if store is not None and store.mirror.keep_after_seq is not None:
                store.mirror.end()
                log.info("there is no [mirror] any more: nothing is kept back for it")
        except StoreFailing as trouble:
            log.warning("what was kept for a former mirror stays until the next start: %s", trouble)

    def stop(self) -> None:
        """Before the store is closed. A mirror that hangs in the network is left behind."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(2.0)
        if self._mirror is not None:
            self._mirror.stop()

    def figures(self) -> dict[str, float]:
        """For the metrics; nothing while there is no mirror."""
        mirror = self._mirror
        if mirror is None:
            return {}
        figures = {
            "mirror_lines_sent_total": float(mirror.lines_sent),
            "mirror_lines_refused_total": float(mirror.lines_refused),
        }
        try:
            figures["mirror_waiting_rows"] = float(mirror.behind())
        except Exception as trouble:  # a figure, nothing more: the store's own alarm tells the rest
            log.debug("how far the mirror is behind cannot be told: %s", trouble)
        return figures

    def _run(self, address: Address) -> None:
        while not self._stopping.is_set():
            store = self._store()
            if store is not None and store is not self._of:
                self._begin(store, address)
            self._stopping.wait(LOOK_S)

    def _begin(self, store: Store, address: Address) -> None:
        if self._mirror is not None:
            self._mirror.stop()
        mirror = Mirror(self._folder, store.mirror, self._specification, lambda: self._sender(address), self._on_link)
        try:
            mirror.start()
        except Exception as trouble:  # tried again at the next look
            log.warning("the mirror cannot begin: %s", trouble)
            self._on_link(False, f"it cannot begin: {trouble}")
            return
        self._mirror, self._of = mirror, store
