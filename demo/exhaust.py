"""The exhaust fan of the model: what it moves at a speed, through its duct, with what is left of its opening.

Rules of this file: the airflow is the operating point of fan curve, duct and inlet, worked out once
for each speed and state of the duct and then looked up, so that a step of the barn stays cheap.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.air.duct import DuctRun
from monitor.air.fan import Curve, operating_point
from monitor.air.inlet import Inlet
from monitor.engine.specification import Pen

FULL_POWER_W = 48.0  # of a small duct fan at full speed (invented)


@dataclass(slots=True)
class Exhaust:
    """Fan, duct and inlet of one pen, and the levers of its troubles.

    `blocked` is the share of the duct's opening closed by dust or a nest; `seized` means the wheel
    stands and the motor's thermal cut-out has opened; `speed_pct` is what the relay gives it.
    """

    curve: Curve
    duct: DuctRun | None
    inlet: Inlet | None
    speed_pct: float = 0.0
    blocked: float = 0.0
    seized: bool = False
    _known: dict[tuple[int, float], float] = field(default_factory=dict)

    @classmethod
    def of(cls, pen: Pen) -> Exhaust | None:
        """The fan as the pen's settings describe it, or None for a pen without one."""
        if pen.fan is None:
            return None
        duct = None
        if pen.duct is not None:
            fittings = pen.duct.elbows * pen.duct.elbow_loss + pen.duct.entry_loss + pen.duct.discharge_loss
            duct = DuctRun(pen.duct.diameter_m, pen.duct.length_m, pen.duct.roughness_m, fittings)
        inlet = None
        if pen.inlet is not None:
            inlet = Inlet(pen.inlet.area_m2, pen.inlet.discharge_coefficient, pen.inlet.leakage_area_m2)
        return cls(Curve.from_points(pen.fan.curve), duct, inlet)

    def turns(self, mains: bool) -> bool:
        """Does the wheel turn?"""
        return self.speed_pct > 0.0 and mains and not self.seized

    def airflow_m3_s(self, mains: bool = True) -> float:
        """What it moves now, m³/s."""
        if not self.turns(mains):
            return 0.0
        key = (round(self.speed_pct), self.blocked)
        if key not in self._known:
            self._known[key] = self._work_out(*key)
        return self._known[key]

    def power_w(self, mains: bool = True) -> float:
        """Electrical power, by the fan laws with the cube of speed over a small constant part."""
        if not self.turns(mains):
            return 0.0
        part = self.speed_pct / 100.0
        # a centrifugal wheel that moves less air does less work
        work = 0.55 + 0.45 * self.airflow_m3_s(mains) / max(self._free_flow(), 1e-9)
        return FULL_POWER_W * (0.12 + 0.88 * part**3 * work)

    def _free_flow(self) -> float:
        key = (round(self.speed_pct), 0.0)
        if key not in self._known:
            self._known[key] = self._work_out(*key)
        return self._known[key]

    def _work_out(self, speed_pct: int, blocked: float) -> float:
        duct = self.duct
        if blocked > 0.0:
            # an orifice of the open share in the duct: K = (1/(0.6 · share))², a sharp-edged restriction
            share = max(1.0 - blocked, 0.06)
            extra = 1.0 / (0.6 * share) ** 2
            if duct is None:
                return operating_point(self.curve.at_speed(speed_pct), None, self.inlet).airflow_m3_s * share
            duct = DuctRun(
                duct.diameter_m, duct.length_m, duct.roughness_m, duct.loss_coefficient + extra, duct.friction_multiplier
            )
        return operating_point(self.curve.at_speed(speed_pct), duct, self.inlet).airflow_m3_s
