"""How hot the air feels to the keeper: the heat index of the US National Weather Service.

Rules of this file: a human index, for people at work in the pen; it says nothing about birds
(`poultry` does). The procedure is taken whole: simple form averaged with the temperature,
regression from 80 °F on, both adjustments. Where the two forms meet it jumps by up to 3.3 °F
(100 % humidity): an alarm on it wants a deadband of at least 2 K.

Sources:
  [1] National Weather Service, Weather Prediction Center: "The Heat Index Equation".
  [2] Rothfusz, NWS Southern Region Technical Attachment SR 90-23 (1990): the regression.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt

from monitor.air.poultry import BandRow, band_of
from monitor.air.ranges import within


def heat_index_c(temperature_c: float, relative_humidity_pct: float) -> float:
    """What the air feels like to a resting person in the shade, °C.

    Args:
        temperature_c: °C, −40 to 50. At and below 40 °F (4.4 °C) the index is the temperature, as
            in the Service's own gridded forecasts. Above 112 °F (44 °C) the regression is drawn on
            beyond the data it was fitted to.
        relative_humidity_pct: %, 0 to 100.

    Raises:
        OutOfRange: an argument lies outside the range above.

    Source: [1]; regression [2].
    """
    within("temperature_c", temperature_c, -40.0, 50.0)
    within("relative_humidity_pct", relative_humidity_pct, 0.0, 100.0)
    return (_heat_index_f(temperature_c * 1.8 + 32.0, relative_humidity_pct) - 32.0) / 1.8


def _heat_index_f(t: float, r: float) -> float:
    if t <= 40.0:
        return t
    simple = 0.5 * (t + 61.0 + (t - 68.0) * 1.2 + r * 0.094)
    averaged = (simple + t) / 2.0
    if averaged < 80.0:
        return averaged
    index = regression_f(t, r)
    if r < 13.0 and 80.0 <= t <= 112.0:
        return index - (13.0 - r) / 4.0 * sqrt((17.0 - abs(t - 95.0)) / 17.0)
    if r > 85.0 and 80.0 <= t <= 87.0:
        return index + (r - 85.0) / 10.0 * (87.0 - t) / 5.0
    return index


def regression_f(temperature_f: float, relative_humidity_pct: float) -> float:
    """The regression alone, °F, without adjustments: what the printed chart shows.

    Args:
        temperature_f: °F, 78 to 122; fitted from 80 to 112.
        relative_humidity_pct: %, 0 to 100.

    Raises:
        OutOfRange: an argument lies outside the range above. `heat_index_c` enters it from 78.86 °F on.

    Source: [2]. One copy in circulation prints 0.05391553 for the RH² term; only 0.05481717 gives the chart.
    """
    t = within("temperature_f", temperature_f, 78.0, 122.0 + 1e-9)
    r = within("relative_humidity_pct", relative_humidity_pct, 0.0, 100.0)
    return (
        -42.379
        + 2.04901523 * t
        + 10.14333127 * r
        - 0.22475541 * t * r
        - 0.00683783 * t * t
        - 0.05481717 * r * r
        + 0.00122874 * t * t * r
        + 0.00085282 * t * r * r
        - 0.00000199 * t * t * r * r
    )


def band(heat_index_c: float, bands: Sequence[BandRow]) -> str:
    """The keeper's band of a heat index, from a table in °F.

    Args:
        heat_index_c: °C.
        bands: rows with a name and the °F they start from, rising.

    Raises:
        ValueError: the table is empty, or the index lies below its first row.
    """
    return band_of(heat_index_c * 1.8 + 32.0, bands)
