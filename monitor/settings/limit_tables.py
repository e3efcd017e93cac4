"""What a keeper can write under [limits] and [pen.limits]: one entry for each alarm of the facts.

Rules of this file: the alarms and their defaults come from `monitor.facts.alarms`, so an alarm added
there can be set here at once. An entry is a table, or in short form only the limit: `damp = "80 %"`.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, create_model, model_validator

from monitor.air.units import Kind as Measured
from monitor.engine.specification import BirdClass, Priority
from monitor.facts.airflow import RATES
from monitor.facts.alarms import DEFAULT_LIMITS, FRESH_FOR_S, WARMTH_DEADBAND_C, LimitRow
from monitor.facts.ammonia import BIRDS as AMMONIA_BIRDS
from monitor.facts.climate import CARBON_DIOXIDE, HUMIDITY
from monitor.settings.kinds import Choice, Flag, Number, Quantity, Whole

# Alarms of the daemon itself, of which a site has one each; all others belong to a pen.
SITE_ALARMS = ("broker_lost", "clock_not_trusted", "store_failing", "notice_not_delivered", "mirror_behind")


class Table(BaseModel):
    """A table of the settings file; a key it does not know is a mistake."""

    # Built when first read: most of these tables are parts of others, and building each by itself doubles the start.
    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True, defer_build=True)


def setting(meaning: str, default: Any = ..., *, example: Any, alias: str | None = None) -> Any:
    """One setting: what it means, its default as a keeper would write it (none: it must be set), an example."""
    if default is list:
        return Field(default_factory=list, description=meaning, examples=[example])
    return Field(default=default, description=meaning, examples=[example], validate_default=True, alias=alias)


class LimitTable(Table):
    """Delays and priority of an alarm."""

    on_delay: Annotated[float, Quantity(Measured.TIME, lowest=0, highest=86400)] | None = setting(
        "beyond the limit so long before it rings", None, example="10 min"
    )
    off_delay: Annotated[float, Quantity(Measured.TIME, lowest=0, highest=86400)] | None = setting(
        "back inside so long before it clears", None, example="5 min"
    )
    priority: Annotated[str, Choice(tuple(Priority))] | None = setting("how soon a person must act", None, example="high")


class ThresholdTable(LimitTable):
    """A limit with its deadband; only `on` moves both by the same amount."""

    on: Any = None
    off: Any = None

    @model_validator(mode="before")
    @classmethod
    def _short_form(cls, written: Any) -> Any:
        return written if isinstance(written, (dict, BaseModel)) else {"on": written}


def quantity_of(row: LimitRow) -> Quantity | None:
    """How a limit of this alarm is written; None for an alarm that has no number."""
    return {
        "ppm": Quantity(Measured.CONCENTRATION, above=0, highest=5000),
        "%": Quantity(Measured.PERCENTAGE, lowest=0, highest=100),
        "degC": Quantity(Measured.TEMPERATURE, lowest=-60, highest=60),
        "K": Quantity(Measured.TEMPERATURE_DIFFERENCE, lowest=-30, highest=30),
        "fraction": Quantity(Measured.PERCENTAGE, lowest=0, highest=300, scale=0.01),
    }.get(row.unit)


def limit_example(row: LimitRow) -> str:
    return {
        "ppm": f"{row.on:g} ppm",
        "%": f"{row.on:g} %",
        "degC": f"{row.on:g} degC",
        "K": f"{row.on:g} degC",
        "fraction": f"{row.on * 100:g} %",
    }[row.unit]


def _alarm_table(name: str, row: LimitRow) -> type[LimitTable]:
    quantity = quantity_of(row)
    if quantity is None:
        return create_model(f"{name}_limit", __base__=LimitTable, __doc__=f"The alarm {name}.")
    example = limit_example(row)
    fields: dict[str, Any] = {
        "on": (Annotated[float, quantity] | None, setting("the limit", None, example=example)),
        "off": (Annotated[float, quantity] | None, setting("clears here; the deadband lies between", None, example=example)),
    }
    return create_model(f"{name}_limit", __base__=ThresholdTable, __doc__=f"The alarm {name}.", **fields)


class WarmthTable(Table):
    """What birds of one class want from an age on; what is left out keeps its distance from the target."""

    class_: Annotated[str, Choice(tuple(BirdClass))] = setting("of which birds", example="layer", alias="class")
    from_day: Annotated[int, Whole(0, 3650)] = setting("age in days from which it holds", example=0)
    target_low: Annotated[float, Quantity(Measured.TEMPERATURE, lowest=-10, highest=45)] = setting(
        "lower end of what they want", example="92 degF"
    )
    target_high: Annotated[float, Quantity(Measured.TEMPERATURE, lowest=-10, highest=45)] = setting(
        "upper end of what they want", example="95 degF"
    )
    cold: Annotated[float, Quantity(Measured.TEMPERATURE, lowest=-40, highest=45)] | None = setting(
        "too cold at or below", None, example="82 degF"
    )
    vent: Annotated[float, Quantity(Measured.TEMPERATURE, lowest=-10, highest=50)] | None = setting(
        "the fan helps against heat from here", None, example="96 degF"
    )
    hot: Annotated[float, Quantity(Measured.TEMPERATURE, lowest=-10, highest=50)] | None = setting(
        "too hot at or above", None, example="98 degF"
    )
    needs_heat: Annotated[bool, Flag()] | None = setting("they depend on a heat source", None, example=True)


class PenLimitsTable(Table):
    """Limits that are no alarm's own; each alarm's entry is added below."""

    warmth: list[WarmthTable] = setting(
        "what birds want, by class and age; replaces the built-in rows from its first day on", list, example=None
    )
    warmth_deadband: Annotated[float, Quantity(Measured.TEMPERATURE_DIFFERENCE, above=0, highest=10)] | None = setting(
        f"birds_cold and birds_hot clear this far inside; {WARMTH_DEADBAND_C:g} °C if left out", None, example="1.8 degF"
    )
    fresh_for: Annotated[float, Quantity(Measured.TIME, lowest=5, highest=86400)] | None = setting(
        f"an older reading is not believed; {FRESH_FOR_S:g} s if left out", None, example="5 min"
    )
    minimum_airflow: Annotated[float, Number(0.05, 10)] | None = setting(
        f"m³/h per kg of live weight to the power 0.75; {RATES['minimum per kg^0.75'].value:g} if left out", None, example=0.7
    )
    carbon_dioxide: Annotated[float, Quantity(Measured.CONCENTRATION, lowest=500, highest=30000)] | None = setting(
        f"limit the minimum ventilation is reckoned for; {CARBON_DIOXIDE['limit'].value:g} ppm if left out",
        None,
        example="3000 ppm",
    )
    humidity_target: Annotated[float, Quantity(Measured.PERCENTAGE, lowest=20, highest=95)] | None = setting(
        f"humidity the ventilation is reckoned for; {HUMIDITY['target'].value:g} % if left out", None, example="65 %"
    )
    ammonia_target: Annotated[float, Quantity(Measured.CONCENTRATION, above=0, highest=100)] | None = setting(
        f"ammonia the ventilation is reckoned for; {AMMONIA_BIRDS['target'].value:g} ppm if left out", None, example="10 ppm"
    )


def _entries(names: tuple[str, ...]) -> dict[str, Any]:
    return {
        name: (
            _alarm_table(name, DEFAULT_LIMITS[name]) | None,
            setting(f"the alarm {name}", None, example={"on_delay": "10 min"}),
        )
        for name in names
    }


PEN_ALARMS = tuple(name for name in DEFAULT_LIMITS if name not in SITE_ALARMS)
PenLimits: Any = create_model("PenLimits", __base__=PenLimitsTable, __doc__="Limits of this pen alone.", **_entries(PEN_ALARMS))
# Under [limits] at the top: for every pen at once, and the alarms of the daemon itself.
SiteLimits: Any = create_model(
    "SiteLimits",
    __base__=PenLimitsTable,
    __doc__="Limits of every pen, and of the daemon's own alarms.",
    **_entries(tuple(DEFAULT_LIMITS)),
)
