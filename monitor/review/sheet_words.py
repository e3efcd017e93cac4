"""Numbers of the ventilation sheet in the keeper's units."""

from __future__ import annotations

from datetime import date

from monitor.air.units import Kind, show, shown_number


def airflow(m3_h: float, units: str) -> str:
    """An airflow with its unit; small ones with a digit more."""
    shown = shown_number(m3_h / 3600.0, Kind.AIRFLOW, units)
    return show(m3_h / 3600.0, Kind.AIRFLOW, units, 1 if abs(shown) < 10.0 else 0)


def pressure(pa: float, units: str) -> str:
    return show(pa, Kind.PRESSURE, units)


def stopped(sentence: str) -> str:
    """The sentence with one full stop, even where its last word is an abbreviation."""
    return sentence if sentence.endswith(".") else sentence + "."


def small_area(m2: float, units: str) -> str:
    """An inlet's area: in² or cm², as it is measured with a ruler."""
    return f"{m2 / 0.0254**2:.0f} in²" if units == "us" else f"{m2 * 1e4:.0f} cm²"


def bore(m: float, units: str) -> str:
    """A duct's diameter: inches or millimetres."""
    return f"{m / 0.0254:.0f} in" if units == "us" else f"{m * 1000.0:.0f} mm"


def times(adequacy: float | None) -> str:
    """An adequacy as a bare number; a dash where it is not known."""
    if adequacy is None:
        return "–"
    return f"{adequacy:.0f}" if adequacy >= 9.95 else (f"{adequacy:.1f}" if adequacy >= 1.95 else f"{adequacy:.2f}")


def adequacy_words(adequacy: float) -> str:
    """What an adequacy means, the factor of two of published minimum rates in mind."""
    if adequacy < 1.0:
        return "short"
    return "enough by the figures, but within their factor of two" if adequacy < 2.0 else "enough"


def day_words(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


def spell(seconds: float) -> str:
    """Seconds of a timer: whole seconds, for that is what a timer is set to."""
    return f"{seconds:.0f} s"
