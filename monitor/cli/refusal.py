"""What was asked cannot be done."""

from __future__ import annotations


class Refused(Exception):  # noqa: N818 - said in words
    """The sentence says why; `code` is the exit code."""

    def __init__(self, sentence: str, code: int = 1) -> None:
        super().__init__(sentence)
        self.code = code
