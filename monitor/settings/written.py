"""What a keeper can write: the one table of settings, with kind, default, example and meaning of each.

Rules of this file: reader, `check`, documentation and their tests all read these classes, so a setting
exists here or nowhere. Defaults are written as a keeper would write them; what is read is SI, so
`pen.length` is metres whatever unit it was written in. No rule that needs two pens stands here.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any

from pydantic import Field
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict

from monitor.air.units import Kind as Measured
from monitor.engine.connections import Secret
from monitor.engine.specification import BirdClass, Measure, Place, Priority
from monitor.facts.airflow import DISCHARGE, FITTINGS, ROUGHNESS, TIMER
from monitor.settings.addresses import Address, Channel, Hidden, Pointer, Topic
from monitor.settings.kinds import (
    Choice,
    Day,
    FallingCurve,
    Flag,
    Hours,
    Name,
    Number,
    Quantity,
    Raw,
    Text,
    Whole,
    Words,
    Zone,
)
from monitor.settings.limit_tables import PenLimits, SiteLimits, Table, setting

DAY_S = 86400.0

NameText = Annotated[str, Name()]
FilePath = Annotated[str, Text(longest=1024)]
PublishTopic = Annotated[str, Topic(is_filter=False)]
SubscribeTopic = Annotated[str, Topic(is_filter=True)]
JsonPointer = Annotated[str, Pointer()]
SecretText = Annotated[Secret, Hidden()]
YesNo = Annotated[bool, Flag()]
Delay = Annotated[float, Quantity(Measured.TIME, lowest=0, highest=30 * DAY_S)]
Wait = Annotated[float, Quantity(Measured.TIME, above=0, highest=30 * DAY_S)]
Length = Annotated[float, Quantity(Measured.LENGTH, above=0, highest=300)]
Area = Annotated[float, Quantity(Measured.AREA, lowest=0, highest=100)]
Age = Annotated[float, Quantity(Measured.TIME, above=0, highest=3650 * DAY_S)]
Loss = Annotated[float, Number(0, 15)]
Temperature = Annotated[float, Quantity(Measured.TEMPERATURE, lowest=-40, highest=60)]
Humidity = Annotated[float, Quantity(Measured.PERCENTAGE, lowest=1, highest=100)]


class SiteTable(Table):
    """Where the pens stand and how people there are spoken to."""

    name: NameText = setting("the site's name; part of the topics it publishes", example="Mill Rise")
    timezone: Annotated[str, Zone()] = setting("the keeper's clock, for hours of the day and ages", example="Europe/Dublin")
    units: Annotated[str, Choice(("us", "metric"))] = setting("how pages and messages speak", "us", example="metric")
    altitude: Annotated[float, Quantity(Measured.LENGTH, lowest=-400, highest=4200)] = setting(
        "height above the sea, for the air's density", "0 m", example="120 m"
    )
    language_file: FilePath | None = setting(
        "texts of the messages in another language; what it leaves out stays English", None, example="francais.toml"
    )


class BrokerTable(Table):
    """The MQTT broker."""

    host: Annotated[str, Text()] = setting("name or address of the broker", "127.0.0.1", example="192.168.1.10")
    port: Annotated[int, Whole(1, 65535)] = setting("1883 usually, 8883 with tls", 1883, example=8883)
    tls: YesNo = setting("encrypt the connection", False, example=True)
    ca_file: FilePath | None = setting("certificate authority that signed the broker's certificate", None, example="ca.pem")
    certificate_file: FilePath | None = setting("the daemon's own certificate", None, example="warmstraw.pem")
    key_file: FilePath | None = setting("the key of that certificate", None, example="warmstraw.key")
    username: Annotated[str, Text()] | None = setting("name at the broker", None, example="warmstraw")
    password: SecretText | None = setting(
        "for the environment or the secrets folder; in the file use password_file", None, example="…"
    )
    password_file: FilePath | None = setting(
        "a file that holds only the password", None, example="/etc/warmstraw/broker-password"
    )
    client_id: Annotated[str, Text(longest=64)] = setting("one of its own for each daemon", "warmstraw", example="warmstraw-barn")
    session_expiry: Annotated[float, Quantity(Measured.TIME, lowest=60, highest=365 * DAY_S)] = setting(
        "how long the broker keeps readings while the daemon is away", "7 days", example="3 days"
    )
    receive_maximum: Annotated[int, Whole(10, 65535)] = setting("unacknowledged readings at a time", 200, example=100)
    keepalive: Annotated[float, Quantity(Measured.TIME, lowest=5, highest=3600)] = setting(
        "a link silent for longer is lost", "30 s", example="60 s"
    )


class CalibrationTable(Table):
    """A sensor's correction: an offset, or two points of (measured, true)."""

    offset: Annotated[Any, Raw()] = setting("added to every reading", None, example="0.5 degF")
    points: Annotated[Any, Raw("two pairs, measured and true")] = setting(
        "two pairs, measured and true", None, example=[["32.0 degF", "33.1 degF"], ["98.0 degF", "97.2 degF"]]
    )


class SensorTable(Table):
    """One quantity at one place."""

    name: NameText = setting("unlike any other in its pen", example="chick height")
    measures: Annotated[str, Choice(tuple(Measure))] = setting("the one quantity", example="temperature")
    place: Annotated[str, Choice(tuple(Place))] | None = setting(
        "where it hangs; may be left out for battery, mains, fan_power and fan_speed", None, example="bird level"
    )
    topic: SubscribeTopic = setting("where it publishes; + and # allowed", example="millrise/brooder/probe1")
    pointer: JsonPointer | None = setting("where in a JSON payload; leave out for a bare number", None, example="/t")
    record: Annotated[str, Text()] | None = setting("record name in a SenML payload", None, example="urn:dev:mill-rise:co2")
    unit: Annotated[str, Text(longest=40)] | None = setting(
        "of the published number; may be left out where only one is usual (%, ppm, W, lx, on/off)", None, example="degF"
    )
    every: Annotated[float, Quantity(Measured.TIME, lowest=0.1, highest=DAY_S)] = setting(
        "how often it promises to publish; silence is judged against it", example="30 s"
    )
    calibration: CalibrationTable | None = setting("its correction", None, example={"offset": "0.5 degF"})
    lag: Delay = setting("time to follow 63 % of a sudden change", "0 s", example="60 s")
    silent_after: Wait | None = setting(
        "silent longer is an alarm; default four times `every`, at least 3 min", None, example="5 min"
    )
    stuck_after: Delay | None = setting("not one digit moved for so long is an alarm; 0 s never", None, example="6 h")
    lowest: Annotated[Any, Raw()] = setting("below this it is not believed", None, example="-20 degF")
    highest: Annotated[Any, Raw()] = setting("above this it is not believed", None, example="140 degF")
    largest_step: Annotated[Any, Raw()] = setting(
        "a larger difference between neighbouring readings is not believed at once", None, example="20 degF"
    )


class FanTable(Table):
    """The pen's exhaust fan."""

    command_topic: PublishTopic = setting("where the relay listens", example="millrise/brooder/fan/set")
    report_topic: PublishTopic | None = setting(
        "where the relay tells what it does; without it nobody notices a dead relay", None, example="millrise/brooder/fan/state"
    )
    report_pointer: JsonPointer | None = setting("where in a JSON report", None, example="/state")
    kind: Annotated[str, Choice(("on/off", "variable"))] = setting(
        "a variable fan is sent 0 to 100", "on/off", example="variable"
    )
    on_word: Annotated[str, Text(longest=64)] = setting("sent for on, and reported", "on", example="ON")
    off_word: Annotated[str, Text(longest=64)] = setting("sent for off, and reported", "off", example="OFF")
    lowest_speed: Annotated[float, Quantity(Measured.PERCENTAGE, lowest=1, highest=100)] = setting(
        "a variable fan stalls below", "30 %", example="30 %"
    )
    shortest_on: Delay = setting("once on, stays on so long", "20 s", example="20 s")
    shortest_off: Delay = setting("once off, stays off so long", "60 s", example="60 s")
    timer_period: Annotated[float, Quantity(Measured.TIME, lowest=60, highest=3600)] = setting(
        "of the minimum-ventilation timer", f"{TIMER['period'].value:g} s", example="5 min"
    )
    report_within: Annotated[float, Quantity(Measured.TIME, lowest=1, highest=3600)] = setting(
        "no matching report by then: the command is sent again", "10 s", example="15 s"
    )
    free_air: Annotated[float, Quantity(Measured.AIRFLOW, lowest=1e-3, highest=50)] | None = setting(
        "airflow with nothing in its way, from the fan's data sheet", None, example="400 cfm"
    )
    shut_off: Annotated[float, Quantity(Measured.PRESSURE, lowest=0.1, highest=2000)] | None = setting(
        "static pressure at which no air moves any more, from the data sheet", None, example="1.6 inH2O"
    )
    curve: Annotated[tuple[tuple[float, float], ...], FallingCurve()] | None = setting(
        "pairs of airflow and static pressure, instead of free_air and shut_off",
        None,
        example=[["0 cfm", "1.6 inH2O"], ["400 cfm", "0 inH2O"]],
    )


class DuctTable(Table):
    """The duct between fan and open air."""

    diameter: Annotated[float, Quantity(Measured.LENGTH, lowest=0.06, highest=2)] = setting("inside", example="6 in")
    length: Annotated[float, Quantity(Measured.LENGTH, lowest=0, highest=200)] = setting(
        "all straight runs together", example="22 ft"
    )
    elbows: Annotated[int, Whole(0, 50)] = setting("how many", 0, example=2)
    material: Annotated[str, Choice(tuple(ROUGHNESS))] = setting("its wall", "galvanised steel", example="flexible")
    compression: Annotated[float, Number(0, 0.3)] = setting("of a flexible duct: 0 pulled to full length", 0.0, example=0.1)
    elbow_loss: Loss = setting("loss coefficient of one elbow", FITTINGS["elbow, smooth"].value, example=0.33)
    entry_loss: Loss = setting("loss coefficient where air enters", FITTINGS["entry, flush"].value, example=0.9)
    discharge_loss: Loss = setting("loss coefficient where air leaves", FITTINGS["discharge"].value, example=2.5)


class InletTable(Table):
    """The opening by which air comes in."""

    area: Annotated[float, Quantity(Measured.AREA, lowest=1e-4, highest=100)] = setting("open area", example="60 in^2")
    discharge_coefficient: Annotated[float, Number(0.2, 1.0)] = setting(
        "share of the ideal flow", DISCHARGE["sharp opening"].value, example=0.6
    )
    leakage_area: Area = setting("cracks and gaps, from a leak test", "0 in^2", example="20 in^2")


class HeatTable(Table):
    """Lamp or brooder plate."""

    kind: Annotated[str, Choice(("steady", "thermostat", "none"))] = setting(
        "burns all the time, cycles, or has been taken away", "steady", example="thermostat"
    )
    watts: Annotated[float, Quantity(Measured.POWER, above=0, highest=50_000)] | None = setting(
        "what it draws", None, example="250 W"
    )
    set_point: Temperature | None = setting("of its thermostat", None, example="95 degF")


class FlockTable(Table):
    """Birds of one hatch and class."""

    name: NameText = setting("unlike any other in its pen", example="spring layers")
    class_: Annotated[str, Choice(tuple(BirdClass))] = setting("what they are kept for", example="layer", alias="class")
    hatched: Annotated[date, Day()] = setting("hatching day", example=date(2026, 4, 2))
    count: Annotated[int, Whole(0, 10_000)] = setting("birds at the start; the journal changes it", example=16)
    processing_age: Age | None = setting("age at which they are processed", None, example="16 weeks")
    start_of_lay: Age | None = setting("age at the first eggs", None, example="20 weeks")
    end_of_lay: Age | None = setting("age at which the hens go", None, example="80 weeks")


class PenTable(Table):
    """One air space with birds or litter."""

    name: NameText = setting("unlike any other", example="brooder")
    length: Length = setting("inside", example="12 ft")
    width: Length = setting("inside", example="10 ft")
    height: Annotated[float, Quantity(Measured.LENGTH, above=0, highest=30)] = setting("mean, inside", example="8 ft")
    insulation: Annotated[float, Quantity(Measured.INSULATION, above=0, highest=20)] = setting(
        "walls and ceiling; the default is about a single board", "R-1", example="R-5"
    )
    sensor: list[SensorTable] = setting("its sensors", list, example=None)
    fan: FanTable | None = setting("its exhaust fan", None, example=None)
    duct: DuctTable | None = setting("the fan's duct", None, example=None)
    inlet: InletTable | None = setting("its inlet", None, example=None)
    heat: HeatTable | None = setting("its heat source", None, example=None)
    flock: list[FlockTable] = setting("its birds", list, example=None)
    limits: PenLimits | None = setting("its own limits", None, example=None)


class TellTable(Table):
    """One person by one channel."""

    person: NameText = setting("who", example="Nora")
    channel: Annotated[Secret, Channel()] | None = setting(
        'an address of the notification library, or "mqtt:TOPIC" for a siren or lamp', None, example="mqtt:millrise/siren"
    )
    channel_file: FilePath | None = setting("a file that holds only the channel", None, example="/etc/warmstraw/nora-channel")
    priorities: Annotated[tuple[str, ...], Words(tuple(Priority))] = setting(
        "which alarms", ["urgent", "high", "medium", "low"], example=["urgent", "high"]
    )
    hours: Annotated[tuple[str, str], Hours()] | None = setting(
        "local hours for medium and low; urgent and high always come", None, example=["07:00", "22:00"]
    )
    order: Annotated[int, Whole(0, 99)] = setting("0 is told first, the next when nobody acknowledged", 0, example=1)
    escalate_after: Wait = setting("unacknowledged so long, the next in order is told", "10 min", example="5 min")
    repeat_every: Wait = setting("unacknowledged, told again", "15 min", example="30 min")
    reports: YesNo = setting("also gets the morning report", False, example=True)


class StoreTable(Table):
    """Where readings and decisions are kept."""

    folder: FilePath = setting("on a disk that survives a power cut", "/var/lib/warmstraw", example="/var/lib/warmstraw")
    commit_every: Annotated[float, Quantity(Measured.TIME, lowest=1, highest=3600)] = setting(
        "readings are written together; longer spares a flash card", "200 s", example="300 s"
    )
    raw_days: Annotated[int, Whole(0, 36_500)] = setting("older readings are dropped, roll-ups stay; 0 keeps all", 400, example=0)


class ApiTable(Table):
    """The page and the API."""

    host: Annotated[str, Text()] = setting("address it listens on", "127.0.0.1", example="0.0.0.0")  # noqa: S104 - an example only
    port: Annotated[int, Whole(0, 65535)] = setting("port it listens on", 8720, example=8720)
    token_file: FilePath | None = setting("a file with the token for programs", None, example="/etc/warmstraw/token")
    password_file: FilePath | None = setting(
        "a file with the hash of the keeper's password; beside the store when left out", None, example="/etc/warmstraw/keeper"
    )
    public_address: Annotated[str, Address()] | None = setting(
        "as the phone reaches it, for links in messages", None, example="https://barn.example.org"
    )


class ClockTable(Table):
    """Who keeps the machine's clock right."""

    kept_by: Annotated[str, Choice(("network", "battery"))] = setting(
        "network: trusted once synchronised; battery: trusted from the start", "network", example="battery"
    )


class MirrorTable(Table):
    """A central server of time series that receives a copy."""

    address: Annotated[str, Address()] = setting("of the server", example="http://192.168.1.20:8428")
    organisation: Annotated[str, Text()] = setting("as the server names it", "-", example="farm")
    bucket: Annotated[str, Text()] = setting("as the server names it", "warmstraw", example="warmstraw")
    token: SecretText | None = setting("for the environment or the secrets folder; in the file use token_file", None, example="…")
    token_file: FilePath | None = setting("a file that holds only the token", None, example="/etc/warmstraw/mirror-token")


class PingTable(Table):
    """A watcher elsewhere that calls when this daemon falls silent."""

    address: SecretText | None = setting("asked for every so often", None, example="https://watcher.example.org/abc")
    address_file: FilePath | None = setting("a file that holds only the address", None, example="/etc/warmstraw/ping-address")
    every: Annotated[float, Quantity(Measured.TIME, lowest=30, highest=DAY_S)] = setting("how often", "5 min", example="5 min")


class YardTable(Table):
    """Other sites whose answers this broker carries."""

    watch: YesNo = setting("listen to what every site publishes, and show them all under /yard", False, example=True)


class WinterNightTable(Table):
    """The coldest usual night, outside."""

    temperature: Temperature = setting("outside", "-5 degC", example="23 degF")
    humidity: Humidity = setting("outside", "80 %", example="85 %")


class SummerDayTable(Table):
    """The hottest usual day, outside."""

    temperature: Temperature = setting("outside", "30 degC", example="88 degF")
    humidity: Humidity = setting("outside", "50 %", example="55 %")


class DesignTable(Table):
    """The outside air the sizing sheet is drawn up for."""

    winter_night: WinterNightTable = Field(default_factory=WinterNightTable)
    summer_day: SummerDayTable = Field(default_factory=SummerDayTable)


class Written(BaseSettings):
    """The whole of it. The layers (file, secrets folder, environment) are laid over one another by `read`."""

    model_config = SettingsConfigDict(
        extra="forbid",
        frozen=True,
        hide_input_in_errors=True,
        env_prefix="WARMSTRAW_",
        env_nested_delimiter="__",
        env_ignore_empty=False,
    )

    site: SiteTable
    broker: BrokerTable = Field(default_factory=BrokerTable)
    pen: list[PenTable] = Field(default_factory=list)
    limits: SiteLimits | None = None
    tell: list[TellTable] = Field(default_factory=list)
    store: StoreTable = Field(default_factory=StoreTable)
    api: ApiTable = Field(default_factory=ApiTable)
    clock: ClockTable = Field(default_factory=ClockTable)
    mirror: MirrorTable | None = None
    ping: PingTable | None = None
    yard: YardTable = Field(default_factory=YardTable)
    design: DesignTable = Field(default_factory=DesignTable)

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],  # noqa: ARG003 - the library's signature
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,  # noqa: ARG003
        dotenv_settings: PydanticBaseSettingsSource,  # noqa: ARG003
        file_secret_settings: PydanticBaseSettingsSource,  # noqa: ARG003
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Only what `read` hands over: it has asked the other sources itself, to know who said what."""
        return (init_settings,)


# Tables that may be set from the environment and the secrets folder: those of which there is only one.
SINGLE_TABLES = ("site", "broker", "store", "api", "clock", "mirror", "ping", "yard", "design", "limits")
