"""One week of a pen as a picture: the day's span of warmth, and ammonia near dawn. Pure; SVG as text.

Rules of this file: no number is drawn that was not measured, a day without one is a gap; colour is never the
only sign: span and dots differ in shape, and limits are labelled lines. Black on white, for it is printed and
attached to mail. Texts are escaped: a pen may be named anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from xml.sax.saxutils import escape

from monitor.air.units import Kind, shown_number
from monitor.engine.wording import capitalised
from monitor.review.report import PenWeek

WIDTH, HEIGHT = 640, 360
LEFT, RIGHT, TOP, GAP = 48, 84, 40, 44
PLOT = (HEIGHT - TOP - GAP - 40) / 2
TICKS = 4


def week_picture(
    week: PenWeek, units: str, *, cold_c: float | None = None, hot_c: float | None = None, ammonia_limit_ppm: float | None = None
) -> str:
    """The week as SVG: above, low to high at bird level; below, ammonia near dawn.

    Args:
        week: its days, in order; at least one.
        units: "us" or "metric".
        cold_c: drawn as a labelled line, as are the two that follow.

    Raises:
        ValueError: no day to draw.
    """
    if not week.days:
        raise ValueError(f"no day to draw for {week.pen}")
    unit = "°F" if units == "us" else "°C"
    spans = [None if d.low_c is None or d.high_c is None else (_warm(d.low_c, units), _warm(d.high_c, units)) for d in week.days]
    dots = [day.ammonia_dawn_ppm for day in week.days]
    limits = [(_warm(at, units), word) for at, word in ((cold_c, "too cold"), (hot_c, "too hot")) if at is not None]
    limit = [] if ammonia_limit_ppm is None else [(ammonia_limit_ppm, "limit")]
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif" font-size="12">',
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="white"/>',
        f'<text x="{LEFT}" y="18" font-size="14">{_plain(week.pen)}: warmth at bird level, {unit}</text>',
        *_panel(TOP, spans, limits),
        f'<text x="{LEFT}" y="{TOP + PLOT + GAP - 12:.0f}" font-size="14">Ammonia near dawn, ppm</text>',
        *_panel(TOP + PLOT + GAP, [None if dot is None else (dot, dot) for dot in dots], limit, from_zero=True),
    ]
    for index, day in enumerate(week.days):
        parts.append(
            f'<text x="{_x(index, len(week.days)):.1f}" y="{HEIGHT - 14}" text-anchor="middle">{day.day:%a} {day.day.day}</text>'
        )
    return "\n".join([*parts, "</svg>", ""])


def _plain(name: str) -> str:
    """A name as XML text; signs that XML does not know are left out."""
    return escape("".join(sign for sign in capitalised(name) if sign.isprintable()))


def _warm(celsius: float, units: str) -> float:
    return shown_number(celsius, Kind.TEMPERATURE, units)


def _x(index: int, days: int) -> float:
    return LEFT + (WIDTH - LEFT - RIGHT) * (index + 0.5) / days


def _panel(
    top: float, spans: Sequence[tuple[float, float] | None], limits: Sequence[tuple[float, str]], from_zero: bool = False
) -> list[str]:
    """Axis, labelled limits, and a bar from low to high (a dot where they are one) for each day that has any."""
    known = [edge for span in spans if span is not None for edge in span]
    bottom = top + PLOT
    parts = [f'<path d="M{LEFT} {top:.1f}V{bottom:.1f}H{WIDTH - RIGHT}" fill="none" stroke="black"/>']
    if not known:
        return [*parts, f'<text x="{WIDTH / 2:.0f}" y="{top + PLOT / 2:.1f}" text-anchor="middle">not measured</text>']
    edges = [*known, *(value for value, _ in limits)]
    low, high = 0.0 if from_zero else min(edges), max(edges)
    margin = 0.08 * (high - low) or 1.0
    low, high = low if from_zero else low - margin, high + margin

    def y(value: float) -> float:
        return bottom - PLOT * (value - low) / (high - low)

    for step in range(TICKS + 1):
        value = low + (high - low) * step / TICKS
        parts.append(f'<text x="{LEFT - 6}" y="{y(value) + 4:.1f}" text-anchor="end">{value:.0f}</text>')
    for value, word in limits:
        parts.append(f'<path d="M{LEFT} {y(value):.1f}H{WIDTH - RIGHT}" stroke="black" stroke-dasharray="6 4"/>')
        parts.append(f'<text x="{WIDTH - RIGHT + 6}" y="{y(value) + 4:.1f}">{word} {value:.0f}</text>')
    for index, span in enumerate(spans):
        if span is None:
            continue
        x, (from_value, to_value) = _x(index, len(spans)), span
        if from_value == to_value:
            parts.append(f'<circle cx="{x:.1f}" cy="{y(to_value):.1f}" r="5"/>')
        else:
            tall = y(from_value) - y(to_value)
            parts.append(f'<rect x="{x - 9:.1f}" y="{y(to_value):.1f}" width="18" height="{tall:.1f}" fill="#777"/>')
    return parts
