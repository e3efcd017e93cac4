"""Heat stress of birds: one index a class, and how fast it rises.

Rules of this file: a band belongs to its formula. `formula(bird_class)` names the index that
`thi_c` computes, which is also the key of its bands in the tables handed in; `chart_f` has bands of
its own. None of these indices is proven for small mixed flocks: they rank days, birds decide.

Sources:
  [1] Zulovich & DeShazer (1990), ASAE paper 90-4021: layers, 0.6/0.4 (formula from memory; it agrees
      with the values printed by [3]).
  [2] Tao & Xin (2003), Transactions of the ASAE 46: broilers of 2.8 kg, 0.85/0.15 and air speed.
  [3] Kang et al. (2020), Frontiers in Veterinary Science 7, 568093: sudden against slow heat.
  [4] Hy-Line International, Understanding heat stress in layers: the °F chart; its formula was found
      by fit and gives every legible cell from 24 to 38 °C.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from monitor.air.ranges import within

LAYER, MEAT, DUAL_PURPOSE = "layer", "meat", "dual-purpose"


class BandRow(Protocol):
    """A row of a band table: its name and the index value it starts from."""

    @property
    def name(self) -> str: ...

    @property
    def from_value(self) -> float: ...


def formula(bird_class: str) -> str:
    """Which index a class is judged by: "layer" (0.6/0.4) or "meat" (0.85/0.15).

    Dual-purpose birds are judged as layers: they are laying breeds with a hen's slow growth, and no
    index was published for them.

    Raises:
        ValueError: no such class.
    """
    if bird_class in (LAYER, DUAL_PURPOSE):
        return LAYER
    if bird_class == MEAT:
        return MEAT
    raise ValueError(f"bird class is {bird_class!r}; expected {LAYER!r}, {MEAT!r} or {DUAL_PURPOSE!r}")


def thi_c(bird_class: str, temperature_c: float, wet_bulb_c: float, air_speed_m_s: float | None = None) -> float:
    """Temperature-humidity index of a class of birds, °C; for meat birds with moving air, too.

    Args:
        bird_class: "layer", "meat" or "dual-purpose".
        temperature_c: dry bulb, °C, −40 to 60.
        wet_bulb_c: °C, −45 to temperature_c.
        air_speed_m_s: at the birds, 0.2 to 1.2 m/s; None for the index without speed. Published for
            broilers only: for the other classes it must be in range and changes nothing, so the index
            errs to the hot side in moving air. (With 1 m/s the broiler index equals the one without.)

    Raises:
        OutOfRange: an argument lies outside the range above.
        ValueError: no such class.

    Source: layers [1], broilers [2].
    """
    within("temperature_c", temperature_c, -40.0, 60.0)
    within("wet_bulb_c", wet_bulb_c, -45.0, temperature_c + 0.01)  # the wet bulb is iterated to 0.001 K
    if air_speed_m_s is not None:
        within("air_speed_m_s", air_speed_m_s, 0.2, 1.2)
    if formula(bird_class) == LAYER:
        return 0.6 * temperature_c + 0.4 * wet_bulb_c
    still = 0.85 * temperature_c + 0.15 * wet_bulb_c
    # The factor was fitted between 35 and 41 °C; below 0 °C it would turn round, and there is no heat to speak of.
    return still if air_speed_m_s is None or still <= 0.0 else float(still * air_speed_m_s**-0.058)


def chart_f(temperature_c: float, relative_humidity_pct: float) -> float:
    """The layer trade's chart value, °F, for keepers who know the chart.

    Args:
        temperature_c: °C, 14.5 to 45; the printed chart runs from 24 to 38.
        relative_humidity_pct: %, 0 to 100; printed from 5.

    Raises:
        OutOfRange: an argument lies outside the range above.

    Source: [4].
    """
    t = within("temperature_c", temperature_c, 14.5, 45.0) * 1.8 + 32.0
    fraction = within("relative_humidity_pct", relative_humidity_pct, 0.0, 100.0) / 100.0
    return t - (0.55 - 0.55 * fraction) * (t - 58.0)


def band_of(index: float, bands: Sequence[BandRow]) -> str:
    """The name of the band an index value falls into.

    Args:
        index: in the table's own unit.
        bands: rising rows; a row holds from its `from_value` up to the next one's.

    Raises:
        ValueError: the table is empty, or the index is not a number or lies below its first row.
    """
    name: str | None = None
    for row in bands:
        if index >= row.from_value:
            name = row.name
    if name is None:
        raise ValueError(f"index {index:g} falls into none of {len(bands)} bands")
    return name


def rise_k_h(index_then_c: float, index_now_c: float, elapsed_s: float) -> float:
    """How fast an index rose, K per hour.

    Args:
        index_then_c, index_now_c: two values of `thi_c` for one class, °C.
        elapsed_s: time between them, 600 to 7200 s: shorter is noise, longer hides a sudden rise.

    Raises:
        OutOfRange: elapsed_s lies outside.
    """
    within("elapsed_s", elapsed_s, 600.0, 7200.0)
    return (index_now_c - index_then_c) / elapsed_s * 3600.0


def rise_warning(index_then_c: float, index_now_c: float, elapsed_s: float, *, warn_k_h: float, from_index_c: float) -> bool:
    """Whether heat comes on so fast that birds die of it later, though no level is alarming yet.

    Birds taken from 24.2 to 32.1 (0.6/0.4 index) within an hour died after it, not in it; the same
    level reached slowly was far milder [3].

    Args:
        index_then_c, index_now_c, elapsed_s: as for `rise_k_h`.
        warn_k_h: rise at which to warn, K/h.
        from_index_c: below this level a fast rise is only a warm morning.

    Raises:
        OutOfRange: elapsed_s lies outside.
    """
    return index_now_c >= from_index_c and rise_k_h(index_then_c, index_now_c, elapsed_s) >= warn_k_h
