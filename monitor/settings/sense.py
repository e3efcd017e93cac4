"""What only shows when settings are seen together: clashes and gaps (mistakes), and thin protection (warnings).

Rules of this file: a mistake is what could not work or would mislead; what works but protects less
than the keeper may think is a warning, and says what is lost.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path as FilePath
from typing import Any

from monitor.engine.specification import Measure, Place, Priority
from monitor.settings.complaints import Complaint, Origin
from monitor.settings.lines import Path
from monitor.settings.secret_files import beside
from monitor.settings.written import DuctTable, FanTable, PenTable, Written

_SMOOTH_DIAMETERS_M = (0.1, 0.3)  # for which the friction of a compressed flexible duct is known
CHICKS_ARE_YOUNGER_THAN_DAYS = 42
SITE_WORD = "site"  # warmstraw/{site}/site/alarm: the alarms that are of no one pen


@dataclass(frozen=True, slots=True)
class Trials:
    """Who tries out what only the sender understands: each is given an address and says what is wrong, or None.

    The sentence must not repeat the address, which is a secret.
    """

    channel: Callable[[str], str | None]
    ping: Callable[[str], str | None]


def mistakes_in(model: Written, origin: Origin, today: date | None, trials: Trials | None) -> list[Complaint]:
    """Every clash and gap between settings that are each sound by themselves."""
    return [
        *_twice(model, origin),
        *_pens(model, origin, today),
        *_links(model, origin, trials),
        *_people(model, origin, trials),
    ]


def _repeated(
    items: Sequence[tuple[Path, Any]], origin: Origin, expected: str, write: Callable[[Any], str]
) -> Iterator[Complaint]:
    first: dict[Any, Path] = {}
    for path, value in items:
        if value in first:
            yield origin.complain(path, f"{expected}; it also stands at {origin.place(first[value])}", write(value))
        else:
            first[value] = path


def _alike(name: str) -> str:
    """Names that a person or an address could mix up count as the same."""
    return " ".join(name.casefold().replace("-", " ").replace("_", " ").split())


def _twice(model: Written, origin: Origin) -> Iterator[Complaint]:
    def another(name: str) -> str:
        return f'name = "{name} 2"'

    pens = [(("pen", i, "name"), _alike(pen.name)) for i, pen in enumerate(model.pen)]
    yield from _repeated(pens, origin, "a name no other pen has", another)
    for i, pen in enumerate(model.pen):
        if pen.name == SITE_WORD:
            expected = f"another name than {SITE_WORD}, which in the topics stands for what concerns all pens"
            yield origin.complain(("pen", i, "name"), expected, 'name = "brooder"')
        sensors = [(("pen", i, "sensor", j, "name"), _alike(sensor.name)) for j, sensor in enumerate(pen.sensor)]
        yield from _repeated(sensors, origin, "a name no other sensor of this pen has", another)
        flocks = [(("pen", i, "flock", j, "name"), _alike(flock.name)) for j, flock in enumerate(pen.flock)]
        yield from _repeated(flocks, origin, "a name no other flock of this pen has", another)
    heard = [
        (("pen", i, "sensor", j, "topic"), (sensor.topic, sensor.pointer, sensor.record))
        for i, pen in enumerate(model.pen)
        for j, sensor in enumerate(pen.sensor)
    ]
    yield from _repeated(
        heard,
        origin,
        "a topic, pointer and record that together no other sensor has",
        lambda address: f'pointer = "/…", or another topic than "{address[0]}"',
    )
    commands = [(("pen", i, "fan", "command_topic"), pen.fan.command_topic) for i, pen in enumerate(model.pen) if pen.fan]
    yield from _repeated(
        commands,
        origin,
        "a topic no other fan listens to, for each pen switches its own fan",
        lambda topic: f'command_topic = "{topic}-2"',
    )


def _pens(model: Written, origin: Origin, today: date | None) -> Iterator[Complaint]:
    for i, pen in enumerate(model.pen):
        here: Path = ("pen", i)
        if pen.fan is None:
            for key in ("duct", "inlet"):
                if getattr(pen, key) is not None:
                    yield origin.complain(
                        (*here, key), f"a [pen.fan] before it, for the {key} goes with a fan", "[pen.fan]", got=f"[pen.{key}]"
                    )
        else:
            yield from _fan(pen.fan, (*here, "fan"), origin)
        if pen.duct is not None:
            yield from _duct(pen.duct, (*here, "duct"), origin)
        for j, sensor in enumerate(pen.sensor):
            if sensor.pointer is not None and sensor.record is not None:
                yield origin.complain(
                    (*here, "sensor", j, "record"), "a pointer for JSON or a record for SenML, not both", "take one of them out"
                )
        yield from _flocks(pen, here, origin, today)


def _fan(fan: FanTable, here: Path, origin: Origin) -> Iterator[Complaint]:
    if fan.report_topic is None and fan.report_pointer is not None:
        yield origin.complain((*here, "report_pointer"), "a report_topic for it to point into", 'report_topic = "…"')
    if fan.report_topic == fan.command_topic:
        expected = "another topic than command_topic: an echo of the command is no proof that the relay obeyed"
        yield origin.complain((*here, "report_topic"), expected, f'report_topic = "{fan.command_topic}-state"')
    if fan.on_word == fan.off_word:
        yield origin.complain((*here, "off_word"), "another word than on_word", 'off_word = "off"')
    least_s = fan.shortest_on + fan.shortest_off
    if fan.timer_period < least_s:
        expected = f"at least {least_s:g} s, the shortest_on and shortest_off together"
        key = "timer_period" if (*here, "timer_period") in origin.lines else "shortest_on"
        yield origin.complain((*here, key), f"a timer_period of {expected}", f'timer_period = "{least_s:g} s"')


def _duct(duct: DuctTable, here: Path, origin: Origin) -> Iterator[Complaint]:
    if duct.compression == 0:
        return
    if not duct.material.startswith("flexible"):
        yield origin.complain((*here, "compression"), "0 for a rigid duct", "compression = 0")
    elif not _SMOOTH_DIAMETERS_M[0] <= duct.diameter <= _SMOOTH_DIAMETERS_M[1]:
        expected = "a diameter from 10 to 30 cm: only for these is the friction of a compressed duct known"
        yield origin.complain((*here, "diameter"), expected, "compression = 0, and pull the duct straight")


def _flocks(pen: PenTable, here: Path, origin: Origin, today: date | None) -> Iterator[Complaint]:
    for j, flock in enumerate(pen.flock):
        path = (*here, "flock", j)
        if today is not None and flock.hatched > today:
            yield origin.complain((*path, "hatched"), f"a day not after today, {today}", f"hatched = {today}")
        if flock.start_of_lay is not None and flock.end_of_lay is not None and flock.end_of_lay <= flock.start_of_lay:
            yield origin.complain((*path, "end_of_lay"), "a later age than start_of_lay", 'end_of_lay = "80 weeks"')


def _links(model: Written, origin: Origin, trials: Trials | None) -> Iterator[Complaint]:
    broker = model.broker
    if not broker.tls:
        for key in ("ca_file", "certificate_file", "key_file"):
            if getattr(broker, key) is not None:
                yield origin.complain(("broker", key), "tls = true beside it, else the connection is not encrypted", "tls = true")
    for one, other in (("certificate_file", "key_file"), ("key_file", "certificate_file")):
        if getattr(broker, one) is not None and getattr(broker, other) is None:
            yield origin.complain(("broker", other), f"the {other} that goes with {one}", f'{other} = "FILE"', got="nothing")
    for key in ("ca_file", "certificate_file", "key_file"):
        written = getattr(broker, key)
        if written is not None and broker.tls and not FilePath(beside(FilePath(origin.file).parent, written)).is_file():
            yield origin.complain(("broker", key), "a file that exists", f'{key} = "FILE"')
    if broker.password is not None and broker.username is None:
        yield origin.complain(
            ("broker", "username"), "the username that goes with the password", 'username = "warmstraw"', got="nothing"
        )
    if model.ping is not None and model.ping.address is None and model.ping.address_file is None:
        yield origin.complain(("ping", "address_file"), "where to ping", 'address_file = "FILE"', got="nothing")
    elif trials is not None and model.ping is not None and model.ping.address is not None:
        mistake = trials.ping(model.ping.address.reveal())
        if mistake is not None:
            key = "address" if model.ping.address_file is None else "address_file"
            expected = f"an address that can be called: {mistake.removeprefix('expected ')}"
            yield origin.complain(("ping", key), expected, f'{key} = "…"')


def _people(model: Written, origin: Origin, trials: Trials | None) -> Iterator[Complaint]:
    for i, tell in enumerate(model.tell):
        if tell.channel is None:
            if tell.channel_file is None:
                expected = "how this person is reached: channel or channel_file"
                yield origin.complain(("tell", i, "channel"), expected, 'channel = "mqtt:millrise/siren"', got="nothing")
        elif trials is not None and (mistake := trials.channel(tell.channel.reveal())) is not None:
            key = "channel" if tell.channel_file is None else "channel_file"
            expected = f"an address that can be sent to: {mistake.removeprefix('expected ')}"
            yield origin.complain(("tell", i, key), expected, f"{key} = …, in the form its service asks for")


# ------------------------------------------------------------------ warnings


def warnings_in(model: Written, origin: Origin) -> list[str]:
    """Sentences for the keeper: what is sound but protects less than it may seem."""
    return [*_thin_pens(model), *_thin_links(model, origin), *_thin_people(model)]


def _thin_pens(model: Written) -> Iterator[str]:
    if not model.pen:
        yield "no [[pen]]: nothing is watched yet. `warmstraw hear` lists what is published and drafts entries"
    has_outside = False
    for pen in model.pen:
        kinds = {(Measure(sensor.measures), Place(sensor.place or Place.ROOM)) for sensor in pen.sensor}
        has_outside = has_outside or (Measure.TEMPERATURE, Place.OUTSIDE) in kinds
        name = f'pen "{pen.name}"'
        if pen.flock and (Measure.TEMPERATURE, Place.BIRD_LEVEL) not in kinds:
            yield (
                f'{name}: no temperature sensor at "bird level": while the birds are chicks that need heat, whether they '
                "are too cold or too hot cannot be known, and the fan keeps to its minimum timer"
            )
        if not pen.flock:
            yield f"{name}: no [[pen.flock]]: limits of warmth and the minimum airflow need the birds' class, age and number"
        if pen.fan is None:
            yield f"{name}: no [pen.fan]: it is watched, nothing is switched"
        else:
            yield from _thin_fan(pen.fan, name)
        if not any(measure is Measure.AMMONIA for measure, _ in kinds):
            yield f"{name}: no ammonia sensor: ammonia is not watched; your nose tires of it within minutes"
    if model.pen and not has_outside:
        yield 'no temperature sensor "outside": the night\'s low, frostbite and what airflow costs in warmth cannot be foreseen'


def _thin_fan(fan: FanTable, name: str) -> Iterator[str]:
    if fan.report_topic is None:
        yield f"{name}: the fan has no report_topic: a relay that does not obey will not be noticed"
    if fan.curve is None and fan.free_air is None and fan.shut_off is None:
        yield (
            f"{name}: the fan has neither curve nor free_air and shut_off: what it moves is not known, so whether it moves "
            "enough is not either, and its timer runs it for shortest_on in each timer_period"
        )


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"


def _thin_links(model: Written, origin: Origin) -> Iterator[str]:
    api, broker = model.api, model.broker
    folder = FilePath(origin.file).parent
    if not _is_loopback(api.host):
        if api.password_file is None and api.token_file is None:
            yield f"[api] listens on {api.host} and names neither password_file nor token_file: set a password first"
        yield f"[api] listens on {api.host} without encryption: put a server with TLS before it, or trust that network"
    for key in ("token_file", "password_file"):
        written = getattr(api, key)
        if written is not None and not FilePath(beside(folder, written)).is_file():
            yield f"[api] {key}: {beside(folder, written)} is not there yet"
    if not _is_loopback(broker.host) and not broker.tls:
        yield f"[broker] {broker.host} is reached without tls: anyone on that network can read it, and switch the fan"
    if broker.tls and broker.port == 1883:
        yield "[broker] tls with port 1883: encrypted brokers usually listen on 8883"


def _thin_people(model: Written) -> Iterator[str]:
    if not model.tell:
        yield "no [[tell]]: alarms stand on the page, and nobody is called"
    elif not any(Priority.URGENT in tell.priorities for tell in model.tell):
        yield 'no [[tell]] has the priority "urgent": nobody is called when birds are in danger'
    if model.ping is None:
        yield "no [ping]: if this machine dies, nobody is told; silence is no all-clear"
