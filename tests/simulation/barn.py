"""The simulated barn as the daemon's settings know it: one brooder with chicks of three days, two people, three channels."""

from __future__ import annotations

from pathlib import Path

from monitor.settings.read import Settings
from monitor.settings.read import read as read_settings

FAN_SET, FAN_STATE = "millrise/brooder/fan/set", "millrise/brooder/fan/state"
SENSORS = {"warm": "temperature", "warm too": "temperature", "damp": "humidity", "ammonia": "ammonia"}
SETTINGS = """
[site]
name = "Mill Rise"
timezone = "Europe/Dublin"
units = "metric"

[store]
folder = "{folder}"

[[pen]]
name = "brooder"
length = "12 ft"
width = "10 ft"
height = "8 ft"
{sensors}
[pen.heat]
kind = "{heat}"

[pen.fan]
command_topic = "millrise/brooder/fan/set"
report_topic = "millrise/brooder/fan/state"
free_air = "400 cfm"
shut_off = "1.6 inH2O"
report_within = "45 s"

[[pen.flock]]
name = "spring layers"
class = "layer"
hatched = 2026-04-02
count = 16

[[tell]]
person = "Nora"
channel = "json://127.0.0.1:1/phone"

[[tell]]
person = "Nora"
channel = "json://127.0.0.1:1/mail"

[[tell]]
person = "Sam"
channel = "json://127.0.0.1:1/sam"
order = 1
priorities = ["urgent", "high"]
"""

SENSOR = """
[[pen.sensor]]
name = "{name}"
measures = "{measures}"
place = "bird level"
topic = "millrise/brooder/{name}"
every = "{every_s:g} s"
{unit}"""


def settings_in(folder: Path, every_s: float, heat: str) -> Settings:
    """Written to a file there and read as the daemon reads them; the store lies beside it."""
    file = folder / "warmstraw.toml"
    sensors = ""
    for name, measures in SENSORS.items():
        unit = 'unit = "degC"\n' if measures == "temperature" else ""
        sensors += SENSOR.format(name=name, measures=measures, unit=unit, every_s=every_s)
    file.write_text(SETTINGS.format(folder=folder / "store", sensors=sensors, heat=heat))
    return read_settings(str(file))


class Heard:
    """The last readings of each sensor that reached the daemon one after another as they were taken."""

    def __init__(self, every_s: float) -> None:
        self._every_s = every_s
        self._last: dict[str, list[tuple[float, float]]] = {name: [] for name in SENSORS}

    def note(self, sensor: str, now: float, value: float, waited: bool) -> None:
        """One that waited for the daemon tells no time, and yet is newer than all before it: they say nothing of now."""
        self._last[sensor] = [] if waited else [*self._last[sensor], (now, value)][-3:]

    def _fresh(self, sensor: str, count: int, now: float, since: float) -> list[float]:
        """So many values, all heard by this run of the daemon, the last just now; else none."""
        heard = self._last[sensor][-count:]
        is_fresh = len(heard) == count and now - heard[-1][0] <= self._every_s and heard[0][0] >= since
        return [value for _, value in heard] if is_fresh else []

    def are_chicks_cold(self, now: float, since: float) -> bool:
        """Both probes have said twice what is far below any limit for chicks of this age."""
        both = [self._fresh(probe, 2, now, since) for probe in ("warm", "warm too")]
        return all(values and max(values) < 20.0 for values in both)

    def is_ammonia_dangerous(self, now: float, since: float) -> bool:
        """Said three times: the first jump of a sensor is not believed."""
        values = self._fresh("ammonia", 3, now, since)
        return bool(values) and min(values) > 60.0
