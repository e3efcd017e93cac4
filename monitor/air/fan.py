"""What a fan moves against the duct and the openings it works with.

Rules of this file: a curve falls strictly, from shut-off towards free air; it is that of air of standard
density (1.2041 kg/m³) at the speed it was measured at; the fan laws carry it to another speed or density.
A question the curve cannot answer gets a verdict, not a guess.

Sources
    [1] Fan laws, AMCA 201: airflow goes with speed, pressure with speed squared and with density.
    [2] F. N. Fritsch, R. E. Carlson, Monotone piecewise cubic interpolation, SIAM J. Numer. Anal. 17 (1980),
        with the weighted harmonic mean of F. N. Fritsch, J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from monitor.air import inlet as opening
from monitor.air.duct import FASTEST_M_S, STANDARD_DENSITY_KG_M3, DuctRun, pressure_drop_pa
from monitor.air.inlet import Inlet
from monitor.air.ranges import within


class Verdict(StrEnum):
    """How far an operating point can be trusted."""

    ON_CURVE = "on the curve"
    STALLED = "stalled"  # more resistance than the curve's first point; nothing is known to flow
    BEYOND = "beyond the curve"  # less resistance than its last point; at least that much flows


@dataclass(frozen=True, slots=True)
class Curve:
    """A falling fan curve: points, and the slope of the smooth line through each.

    Build it with `from_points` or `from_free_air_and_shut_off`.

    Attributes:
        airflows_m3_s: rising, m³/s.
        pressures_pa: falling, static pressure, Pa.
        slopes: Pa per m³/s at each point, none above 0.
    """

    airflows_m3_s: tuple[float, ...]
    pressures_pa: tuple[float, ...]
    slopes: tuple[float, ...]

    @classmethod
    def from_points(cls, points: Sequence[tuple[float, float]]) -> Curve:
        """A curve through a maker's points, smooth and without bumps of its own [2].

        Two points that are shut-off (no airflow) and free air (no pressure) say nothing of the shape
        between them; they are taken as `from_free_air_and_shut_off` does.

        Args:
            points: (airflow m³/s, static pressure Pa), two to a hundred in any order; a greater airflow must
                have a lower pressure. A fan with a dip in its curve is only usable right of the dip: give
                the points from there on.

        Raises:
            ValueError: fewer than two points, or a pressure that does not fall.
            OutOfRange: an airflow outside 0 to 100 m³/s, or a pressure outside 0 to 2000 Pa.
        """
        ordered = sorted(points)
        if not 2 <= len(ordered) <= 100:
            raise ValueError(f"a fan curve needs 2 to 100 points, got {len(ordered)}")
        for airflow, pressure in ordered:
            within("airflow_m3_s", airflow, 0.0, 100.0)
            within("pressure_pa", pressure, 0.0, 2000.0)
        for (airflow, pressure), (next_airflow, next_pressure) in pairwise(ordered):
            if next_airflow <= airflow or next_pressure >= pressure:
                raise ValueError(
                    f"the fan curve must fall: {airflow:g} m³/s at {pressure:g} Pa is followed by "
                    f"{next_airflow:g} m³/s at {next_pressure:g} Pa"
                )
        if len(ordered) == 2 and ordered[0][0] == 0.0 and ordered[1][1] == 0.0:
            return cls.from_free_air_and_shut_off(ordered[1][0], ordered[0][1])
        airflows = tuple(float(airflow) for airflow, _ in ordered)
        pressures = tuple(float(pressure) for _, pressure in ordered)
        return cls(airflows, pressures, _slopes(airflows, pressures))

    @classmethod
    def from_free_air_and_shut_off(cls, free_air_m3_s: float, shut_off_pa: float) -> Curve:
        """The falling parabola p = shut-off · (1 − (Q / free air)²).

        The usual sketch when a maker gives only these two figures; a real inline fan lies under it in the
        middle as often as above. Points are better. (Common practice, no source.)

        Args:
            free_air_m3_s: airflow against nothing, m³/s, 0.0001 to 100.
            shut_off_pa: pressure at no airflow, Pa, 0.1 to 2000.

        Raises:
            OutOfRange: an argument lies outside the range above.
        """
        within("free_air_m3_s", free_air_m3_s, 1e-4, 100.0)
        within("shut_off_pa", shut_off_pa, 0.1, 2000.0)
        # A cubic with these two end slopes is exactly that parabola.
        return cls((0.0, free_air_m3_s), (shut_off_pa, 0.0), (0.0, -2.0 * shut_off_pa / free_air_m3_s))

    @property
    def shut_off_pa(self) -> float:
        """Pressure at the curve's first point: shut-off when that point is at no airflow."""
        return self.pressures_pa[0]

    @property
    def largest_airflow_m3_s(self) -> float:
        """Airflow at the curve's last point: free air when that point is at no pressure."""
        return self.airflows_m3_s[-1]

    def pressure_pa(self, airflow_m3_s: float) -> float:
        """Static pressure the fan makes at this airflow, in air of standard density.

        Args:
            airflow_m3_s: m³/s, from the curve's first to its last point.

        Raises:
            OutOfRange: the airflow lies outside the curve.
        """
        flows = self.airflows_m3_s
        within("airflow_m3_s", airflow_m3_s, flows[0], flows[-1])
        i = min(bisect_right(flows, airflow_m3_s), len(flows) - 1) - 1
        width = flows[i + 1] - flows[i]
        t = (airflow_m3_s - flows[i]) / width
        rise = self.pressures_pa[i + 1] - self.pressures_pa[i]
        start, end = self.slopes[i] * width, self.slopes[i + 1] * width
        return self.pressures_pa[i] + t * (start + t * (3.0 * rise - 2.0 * start - end + t * (start + end - 2.0 * rise)))

    def at_speed(self, speed_pct: float) -> Curve:
        """The same fan at another speed of rotation: airflow × s, pressure × s² [1].

        Speed is that of the wheel. What a controller calls 50 % often is not: measure one airflow or one
        room pressure at a lower setting and calibrate.

        Args:
            speed_pct: of the speed the curve was measured at, %, 1 to 150.

        Raises:
            OutOfRange: the speed lies outside the range above.
        """
        s = within("speed_pct", speed_pct, 1.0, 150.0) / 100.0
        return Curve(
            tuple(airflow * s for airflow in self.airflows_m3_s),
            tuple(pressure * s * s for pressure in self.pressures_pa),
            tuple(slope * s for slope in self.slopes),
        )


def _slopes(airflows: Sequence[float], pressures: Sequence[float]) -> tuple[float, ...]:
    """Slopes that keep a cubic through falling points falling [2]."""
    widths = [b - a for a, b in pairwise(airflows)]
    secants = [(b - a) / width for (a, b), width in zip(pairwise(pressures), widths, strict=True)]
    if len(secants) == 1:
        return (secants[0], secants[0])
    inner = []
    for i in range(1, len(secants)):
        left, right = 2.0 * widths[i] + widths[i - 1], widths[i] + 2.0 * widths[i - 1]
        inner.append((left + right) / (left / secants[i - 1] + right / secants[i]))
    first = _end_slope(widths[0], widths[1], secants[0], secants[1])
    last = _end_slope(widths[-1], widths[-2], secants[-1], secants[-2])
    return (first, *inner, last)


def _end_slope(width: float, next_width: float, secant: float, next_secant: float) -> float:
    """Three-point slope at an end, held between 0 and three times the secant so that the curve stays falling."""
    slope = ((2.0 * width + next_width) * secant - width * next_secant) / (width + next_width)
    return min(0.0, max(slope, 3.0 * secant))


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """Where fan, duct and openings agree.

    Attributes:
        airflow_m3_s: what the fan moves; 0 when stalled, at least this when beyond the curve.
        fan_pressure_pa: static pressure the fan makes there.
        duct_pressure_pa: of it, lost in the duct and its fittings.
        room_negative_pressure_pa: of it, how far the room is below the outside.
        inlet_speed_m_s: of the air jet through inlets and leaks; 0 when no openings were given.
        inlet_airflow_m3_s: through the inlets…
        leakage_airflow_m3_s: …and through the leaks beside them.
        verdict: whether the fan's curve covers this point.
    """

    airflow_m3_s: float
    fan_pressure_pa: float
    duct_pressure_pa: float
    room_negative_pressure_pa: float
    inlet_speed_m_s: float
    inlet_airflow_m3_s: float
    leakage_airflow_m3_s: float
    verdict: Verdict


def system_pressure_pa(
    airflow_m3_s: float,
    duct: DuctRun | None,
    inlet: Inlet | None,
    density_kg_m3: float = STANDARD_DENSITY_KG_M3,
    opposing_pressure_pa: float = 0.0,
) -> float:
    """Pressure needed to move this airflow in through the openings and out through the duct.

    Args:
        airflow_m3_s: m³/s, 0 up to 100 m/s in the duct.
        duct: the run behind the fan; None for a fan that blows straight out.
        inlet: the room's openings; None for openings so wide that they take no pressure.
        density_kg_m3: air density, kg/m³, 0.7 to 1.6; one for all, though cold air comes in and warm goes
            out: across 15 K that is 5 % of the inlet's share of the pressure.
        opposing_pressure_pa: wind on the outlet, Pa, −500 to 500; below 0 when it sucks.

    Raises:
        OutOfRange: an argument lies outside the range above, or the openings are shut.
    """
    within("opposing_pressure_pa", opposing_pressure_pa, -500.0, 500.0)
    through_duct = pressure_drop_pa(airflow_m3_s, duct, density_kg_m3) if duct else 0.0
    through_inlet = opening.room_negative_pressure_pa(airflow_m3_s, inlet, density_kg_m3) if inlet else 0.0
    return opposing_pressure_pa + through_duct + through_inlet


def operating_point(
    fan: Curve,
    duct: DuctRun | None = None,
    inlet: Inlet | None = None,
    density_kg_m3: float = STANDARD_DENSITY_KG_M3,
    opposing_pressure_pa: float = 0.0,
) -> OperatingPoint:
    """Airflow at which the fan's pressure equals what duct and openings ask for.

    Args:
        fan: the curve at the running speed, see `Curve.at_speed`.
        duct, inlet, density_kg_m3, opposing_pressure_pa: as in `system_pressure_pa`. A room sealed to an
            effective opening below 1 mm² counts as stalled, its negative pressure all the fan can make.

    Returns:
        The point, with a verdict. The fan's pressure scales with density [1].

    Raises:
        OutOfRange: an argument lies outside its range.
    """
    within("density_kg_m3", density_kg_m3, 0.7, 1.6)
    within("opposing_pressure_pa", opposing_pressure_pa, -500.0, 500.0)
    density_ratio = density_kg_m3 / STANDARD_DENSITY_KG_M3

    def surplus_pa(airflow_m3_s: float) -> float:
        asked = system_pressure_pa(airflow_m3_s, duct, inlet, density_kg_m3, opposing_pressure_pa)
        return fan.pressure_pa(airflow_m3_s) * density_ratio - asked

    least, most = fan.airflows_m3_s[0], fan.airflows_m3_s[-1]
    if duct:  # the physics of the duct ends at that speed; no real fan gets there
        most = min(most, FASTEST_M_S * duct.area_m2)
        least = min(least, most)
    sealed = inlet is not None and inlet.effective_area_m2 < 1e-6
    if sealed or surplus_pa(least) <= 0.0:
        airflow, verdict = 0.0, Verdict.STALLED
    elif surplus_pa(most) >= 0.0:
        airflow, verdict = most, (Verdict.ON_CURVE if surplus_pa(most) < 1e-9 else Verdict.BEYOND)
    else:
        airflow, verdict = _falling_root(surplus_pa, least, most), Verdict.ON_CURVE

    through_duct = pressure_drop_pa(airflow, duct, density_kg_m3) if duct else 0.0
    made = fan.pressure_pa(max(airflow, least)) * density_ratio
    room = opening.room_negative_pressure_pa(airflow, inlet, density_kg_m3) if inlet else 0.0
    if sealed:
        room = max(0.0, made - opposing_pressure_pa)
    leaked = airflow * inlet.leakage_area_m2 / inlet.effective_area_m2 if inlet and airflow > 0.0 else 0.0
    return OperatingPoint(
        airflow_m3_s=airflow,
        fan_pressure_pa=made,
        duct_pressure_pa=through_duct,
        room_negative_pressure_pa=room,
        inlet_speed_m_s=opening.speed_m_s(room, density_kg_m3) if airflow > 0.0 else 0.0,
        inlet_airflow_m3_s=airflow - leaked if inlet else 0.0,
        leakage_airflow_m3_s=leaked,
        verdict=verdict,
    )


def speed_for_airflow_pct(
    fan: Curve,
    airflow_m3_s: float,
    duct: DuctRun | None = None,
    inlet: Inlet | None = None,
    density_kg_m3: float = STANDARD_DENSITY_KG_M3,
) -> float | None:
    """Lowest speed at which the fan moves this airflow through duct and openings.

    Args:
        fan: the curve at full speed.
        airflow_m3_s: wanted, m³/s, 0 to 100.
        duct, inlet, density_kg_m3: as in `system_pressure_pa`.

    Returns:
        %, 1 to 100; None when even full speed does not move it for certain.

    Raises:
        OutOfRange: an argument lies outside its range.
    """
    within("airflow_m3_s", airflow_m3_s, 0.0, 100.0)

    def shortfall_m3_s(speed_pct: float) -> float:
        return airflow_m3_s - operating_point(fan.at_speed(speed_pct), duct, inlet, density_kg_m3).airflow_m3_s

    if shortfall_m3_s(100.0) > 0.0:
        return None
    if shortfall_m3_s(1.0) <= 0.0:
        return 1.0
    return _falling_root(shortfall_m3_s, 1.0, 100.0)


def _falling_root(f: Callable[[float], float], low: float, high: float) -> float:
    """Where a falling function crosses 0, given f(low) > 0 ≥ f(high): false position, halved when it drags."""
    f_low, f_high = f(low), f(high)
    kept = 0  # which end stood still last time: −1 low, +1 high
    tolerance = 1e-10 * (abs(low) + abs(high))
    for count in range(200):
        if high - low <= tolerance or f_high == 0.0:
            break
        middle = 0.5 * (low + high) if count % 4 == 3 else high - f_high * (high - low) / (f_high - f_low)
        value = f(middle)
        if value > 0.0:
            low, f_low = middle, value
            f_high, kept = (0.5 * f_high if kept == 1 else f_high), 1
        else:
            high, f_high = middle, value
            f_low, kept = (0.5 * f_low if kept == -1 else f_low), -1
    return high
