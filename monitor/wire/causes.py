"""Why a payload is no reading: a small closed set, so that each cause is logged once and counted."""

from __future__ import annotations

from enum import StrEnum


class Cause(StrEnum):
    """What is wrong with a payload, as the keeper reads it on the page and in the log."""

    TOO_LONG = "longer than 64 KiB"
    EMPTY = "an empty payload"
    NOT_UTF8 = "not UTF-8 text"
    NOT_A_NUMBER = "not a number"
    NOT_FINITE = "a number too large to be one"
    IN_QUOTES = "a number in quotes: let the device send it without"
    NOT_ON_OFF = "neither on nor off"
    NOT_JSON = "not JSON"
    REPEATED_KEY = "JSON that names a key twice"
    TOO_DEEP = "JSON nested deeper than 32 levels"
    NOTHING_THERE = "JSON with nothing at the pointer"
    NOT_SENML = "not a SenML pack (RFC 8428)"
    NEWER_SENML = "SenML of a version this program does not know"
    NO_RECORD = "a SenML pack without the record"
    SEVERAL_RECORDS = "a SenML pack of several records, and the settings choose none"
    WRONG_UNIT = "a SenML unit that does not fit what the sensor measures"
    NOT_A_REPORT = "no report of this fan"


class Unusable(ValueError):  # noqa: N818 - said in words, like the rest of the house
    """This payload cannot be read, for the cause given."""

    def __init__(self, cause: Cause) -> None:
        super().__init__(str(cause))
        self.cause = cause
