"""How far a long piece of work has come, for whoever waits."""

from __future__ import annotations

import sys


class Progress:
    """Per cent on one line of a terminal, every tenth elsewhere."""

    def __init__(self, what: str) -> None:
        self._what = what
        self._last = -10
        self._open = False

    def __call__(self, percent: float) -> None:
        whole = int(percent)
        if sys.stdout.isatty():
            print(f"\r{self._what}: {whole} %", end="", flush=True)
            self._open = True
        elif whole >= self._last + 10:
            self._last = whole - whole % 10
            print(f"{self._what}: {whole} %", flush=True)

    def end(self) -> None:
        if self._open:
            print()
        self._open = False
