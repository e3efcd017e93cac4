"""A ventilation sheet as a picture: fan curve against system curve, and adequacy week by week. SVG as text.

Rules of this file: pure; colour is never the only sign (lines differ in their dashes and carry a name, limits are
labelled); title and description say in words what is drawn; black on white, for it is printed. Texts are
escaped: a pen may be named anything.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

from monitor.air.fan import Curve, system_pressure_pa
from monitor.air.units import Kind, display, show, shown_number
from monitor.engine.specification import Pen
from monitor.engine.ventilation import duct_run, opening
from monitor.engine.wording import capitalised
from monitor.review.sheet import Delivered, Sheet
from monitor.review.sheet_words import airflow, day_words, times

WIDTH, PANEL = 640, 250
LEFT, RIGHT, TOP, BOTTOM = 64, 36, 34, 46
STEPS = 40  # points of a curve
LOWEST, HIGHEST = 0.25, 64.0  # adequacy axis; beyond it a line runs along the edge


@dataclass(frozen=True, slots=True)
class Panel:
    """One pair of axes at a height of the picture, in the units of what is drawn."""

    top: float
    low_x: float
    high_x: float
    low_y: float
    high_y: float
    is_log: bool = False

    def x(self, value: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * (value - self.low_x) / ((self.high_x - self.low_x) or 1.0)

    def y(self, value: float) -> float:
        low, high, at = self.low_y, self.high_y, min(max(value, self.low_y), self.high_y)
        share = math.log(at / low) / math.log(high / low) if self.is_log else (at - low) / ((high - low) or 1.0)
        return self.bottom - (self.bottom - self.top) * share

    @property
    def bottom(self) -> float:
        return self.top + PANEL - TOP - BOTTOM

    def frame(self, heading: str, along: str) -> list[str]:
        return [
            _text(LEFT, self.top - 12, heading, size=14),
            f'<path d="M{LEFT} {self.top:.1f}V{self.bottom:.1f}H{WIDTH - RIGHT}" fill="none" stroke="black"/>',
            _text((LEFT + WIDTH - RIGHT) / 2, self.bottom + 36, along, anchor="middle"),
        ]

    def line(self, points: Sequence[tuple[float, float]], dashes: str = "") -> str:
        way = " ".join(f"{self.x(x):.1f},{self.y(y):.1f}" for x, y in points)
        dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
        return f'<polyline points="{way}" fill="none" stroke="black" stroke-width="1.6"{dashed}/>'

    def level(self, value: float, words: str) -> list[str]:
        """A labelled line across."""
        return [
            f'<path d="M{LEFT} {self.y(value):.1f}H{WIDTH - RIGHT}" stroke="#666" stroke-dasharray="2 4"/>',
            _text(LEFT + 6, self.y(value) + 14, words),
        ]

    def ticks_x(self, values: Sequence[float], words: Callable[[float], str]) -> list[str]:
        return [_text(self.x(value), self.bottom + 18, words(value), anchor="middle") for value in values]

    def ticks_y(self, values: Sequence[float], words: Callable[[float], str]) -> list[str]:
        return [_text(LEFT - 8, self.y(value) + 4, words(value), anchor="end") for value in values]


def sheet_picture(sheet: Sheet, units: str) -> str:
    """The picture of a sheet; a fan whose curve is not known leaves its panel saying so.

    Args:
        sheet: from `sizing.sheet`.
        units: "us" or "metric".
    """
    fan = _fan_panel(sheet, units, TOP)
    weeks = _weeks_panel(sheet, PANEL + TOP)
    title = f"Ventilation of {sheet.pen.name}, {day_words(sheet.today)}"
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {2 * PANEL}" role="img" '
            'aria-labelledby="title what" font-family="sans-serif" font-size="12">',
            f'<title id="title">{_plain(title)}</title>',
            f'<desc id="what">{_plain(_in_words(sheet, units))}</desc>',
            f'<rect width="{WIDTH}" height="{2 * PANEL}" fill="white"/>',
            *fan,
            *weeks,
            "</svg>",
            "",
        ]
    )


def _in_words(sheet: Sheet, units: str) -> str:
    now = sheet.delivered
    if now is None:
        return "What the fan moves is not known."
    said = [
        f"The fan's curve meets the curve of duct and inlets at {airflow(now.airflow_m3_h, units)} and "
        f"{show(now.fan_pressure_pa, Kind.PRESSURE, units)}."
    ]
    for name, words in (("winter", "winter nights"), ("summer", "summer days")):
        known = [worst for week in sheet.weeks if (worst := getattr(week, name).worst) is not None]
        if known:
            said.append(f"Adequacy on {words}: {times(known[0])} today, {times(min(known))} at the lowest.")
    return " ".join(said)


def _fan_panel(sheet: Sheet, units: str, top: float) -> list[str]:
    pen, now = sheet.pen, sheet.delivered
    flow, force = display(Kind.AIRFLOW, units), display(Kind.PRESSURE, units)
    heading = f"{capitalised(pen.name)}: fan, and what duct and inlets ask"
    if now is None or pen.fan is None:
        panel = Panel(top, 0.0, 1.0, 0.0, 1.0)
        return [*panel.frame(heading, ""), _text(WIDTH / 2, top + 80, "the fan's curve is not known", anchor="middle")]
    curve = Curve.from_points(pen.fan.curve)
    most = curve.airflows_m3_s[-1]
    made = [(_air(q, units), _force(curve.pressure_pa(q), units)) for q in _steps(curve.airflows_m3_s[0], most)]
    asked = [(_air(q, units), _force(pa, units)) for q, pa in _system(pen, most, 1.15 * curve.shut_off_pa)]
    panel = Panel(top, 0.0, _air(most, units), 0.0, 1.15 * _force(curve.shut_off_pa, units))
    x, y = panel.x(_air(now.airflow_m3_h / 3600.0, units)), panel.y(_force(now.fan_pressure_pa, units))
    left = x > WIDTH / 2
    parts = [
        *panel.frame(heading, f"airflow, {flow.symbol}; upwards static pressure, {force.symbol}"),
        *panel.ticks_x(_round_ticks(panel.high_x), lambda v: f"{v:.0f}"),
        *panel.ticks_y(_round_ticks(panel.high_y), lambda v: f"{v:g}"),
        panel.line(made),
        panel.line(asked, "7 4"),
        _text(panel.x(made[4][0]), panel.y(made[4][1]) - 6, "fan"),
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="5"/>',
        _text(x - 46 if left else x + 14, y - 10, _point_words(now, units), anchor="end" if left else "start"),
    ]
    if len(asked) > 2:
        low = asked[len(asked) // 3]
        parts.append(_text(panel.x(low[0]) + 4, panel.y(low[1]) - 8, "duct and inlets (dashed)", anchor="end"))
    return parts


def _point_words(now: Delivered, units: str) -> str:
    return f"{airflow(now.airflow_m3_h, units)} at {show(now.fan_pressure_pa, Kind.PRESSURE, units)}"


def _system(pen: Pen, most: float, highest_pa: float) -> list[tuple[float, float]]:
    """What duct and openings ask for, from nothing up to the edge of the picture."""
    duct, way_in = duct_run(pen.duct), opening(pen.inlet)
    if way_in is not None and way_in.effective_area_m2 < 1e-6:
        return [(0.0, 0.0), (0.0, highest_pa)]
    fastest = most if duct is None else min(most, 99.0 * duct.area_m2)
    points = []
    for q in _steps(0.0, fastest):
        points.append((q, system_pressure_pa(q, duct, way_in)))
        if points[-1][1] > highest_pa:
            break
    return points


def _weeks_panel(sheet: Sheet, top: float) -> list[str]:
    last = max(1, len(sheet.weeks) - 1)
    panel = Panel(top, 0.0, float(last), LOWEST, HIGHEST, is_log=True)
    ticks = sorted({0, last // 3, 2 * last // 3, last})
    parts = [
        *panel.frame("Adequacy of the need that governs: air delivered for air needed", "week, from today"),
        *panel.ticks_x([float(n) for n in ticks], lambda n: f"{sheet.weeks[int(n)].day.day} {sheet.weeks[int(n)].day:%b}"),
        *panel.ticks_y((0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0), lambda v: f"{v:g}"),
        *panel.level(1.0, "needed"),
        *panel.level(2.0, "twice that, for published figures may be half too low"),
    ]
    drawn = False
    for name, dashes, words in (("winter", "", "winter night"), ("summer", "7 4", "summer day (dashed)")):
        points = [(float(n), worst) for n, week in enumerate(sheet.weeks) if (worst := getattr(week, name).worst) is not None]
        if points:
            drawn = True
            x, y = points[len(points) // 3]
            parts += [panel.line(points, dashes), _text(panel.x(x) + 6, panel.y(y) - 8, words)]
    if not drawn:
        parts.append(_text(WIDTH / 2, top + 60, "not known", anchor="middle"))
    return parts


def _steps(low: float, high: float) -> list[float]:
    return [low + (high - low) * n / STEPS for n in range(STEPS + 1)]


def _round_ticks(high: float) -> list[float]:
    """About five round numbers from 0 to at most high."""
    if high <= 0.0:
        return [0.0]
    rough = high / 5.0
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(times_ * power for times_ in (1.0, 2.0, 5.0, 10.0) if times_ * power >= rough * 0.999)
    return [round(n * step, 10) for n in range(int(high / step + 1e-9) + 1)]


def _air(m3_s: float, units: str) -> float:
    return shown_number(m3_s, Kind.AIRFLOW, units)


def _force(pa: float, units: str) -> float:
    return shown_number(pa, Kind.PRESSURE, units)


def _text(x: float, y: float, words: str, *, anchor: str = "start", size: int | None = None) -> str:
    big = "" if size is None else f' font-size="{size}"'
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{big}>{_plain(words)}</text>'


def _plain(words: str) -> str:
    """XML text; signs that XML does not know are left out."""
    return escape("".join(sign for sign in words if sign.isprintable()))
