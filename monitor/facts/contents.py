"""Every table of single facts under one roof, for pages and commands that list them.

The tables by age (warmth, space, airflow, growth), the bands and the alarms' limits have their own
shapes and stand in their own files.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from monitor.facts import airflow, ammonia, brooding, climate, growth, lay, space
from monitor.facts.sources import Fact

CONTENTS: Mapping[str, Mapping[str, Fact]] = MappingProxyType(
    {
        "brooding": brooding.BROODING_FACTS,
        "ammonia, birds": ammonia.BIRDS,
        "ammonia, people": ammonia.PEOPLE,
        "ammonia, effects on birds": ammonia.EFFECTS_ON_BIRDS,
        "ammonia, given off": ammonia.EMISSION,
        "ammonia, sensors": ammonia.SENSORS,
        "humidity": climate.HUMIDITY,
        "temperature": climate.TEMPERATURE,
        "felt temperature in moving air at 32 °C": climate.FELT_AT_32_C,
        "frost": climate.FROST,
        "litter": climate.LITTER,
        "carbon dioxide": climate.CARBON_DIOXIDE,
        "heat-stress index": climate.INDEX,
        "heat-stress rise": climate.RISE,
        "airflow": airflow.RATES,
        "timer": airflow.TIMER,
        "static pressure and inlets": airflow.PRESSURE,
        "discharge coefficients": airflow.DISCHARGE,
        "duct roughness": airflow.ROUGHNESS,
        "duct fittings": airflow.FITTINGS,
        "growth and lay": growth.GROWTH_FACTS,
        "housing": space.HOUSING,
        "day length": lay.LAY,
    }
)
