"""The minimum-ventilation timer against the trade's own example."""

from __future__ import annotations

import pytest

from monitor.air.units import Kind, to_si
from monitor.engine.ventilation import timer


@pytest.mark.parametrize(("minutes_on", "mean_cfm"), [(1, 1000), (2, 2000)])
def test_a_large_fan_for_minutes_of_ten(minutes_on: int, mean_cfm: int) -> None:
    """A 36-inch fan of 10 000 cfm run 1 of 10 minutes gives 1000 cfm on the mean, 2 of 10 give 2000."""
    # Czarick & Fairchild, University of Georgia: minimum ventilation timer settings (exact by definition of the mean).
    fan_m3_h = to_si(10_000, "cfm", Kind.AIRFLOW) * 3600.0
    need_m3_h = to_si(mean_cfm, "cfm", Kind.AIRFLOW) * 3600.0
    on_s, _, period_s = timer(need_m3_h, need_m3_h, fan_m3_h, 600.0, 20.0, 60.0)
    assert (on_s, period_s) == (60.0 * minutes_on, 600.0)
