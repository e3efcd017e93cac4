"""The barn on the air: the world in real time, its sensors and its relay speaking MQTT.

Rules of this file: the world follows the wall clock; commands are taken where they arrive and obeyed in
the next step; a step that was missed is made up for. One message a topic, whatever it carries.
"""

from __future__ import annotations

import json
import logging
import threading
import time
from collections.abc import Callable

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from demo.instruments import payload
from demo.world import Heard, World
from monitor.engine.specification import Sensor
from monitor.wire.relay import report

log = logging.getLogger(__name__)

LIVE_STEP_S = 2.0
REPORT_EVERY_S = 20.0
FIRST_WORD_S = 1.0


class LiveBarn:
    """Publishes one world until told to stop."""

    def __init__(self, world: World, port: int, now_s: Callable[[], float]) -> None:
        """`now_s` gives the time of the world, s, as it goes on with the wall clock."""
        self._world = world
        self._now_s = now_s
        self._stopping = threading.Event()
        self._commands: list[bytes] = []
        self._turn = threading.Lock()
        self._reported: tuple[bool, float | None] | None = None
        self._report_due_s = 0.0
        self.published = 0
        self.trouble: BaseException | None = None
        # MQTT 3.1.1: what the embedded broker speaks too
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="millrise-barn", protocol=mqtt.MQTTv311)
        self._client.on_connect = self._connected
        self._client.on_message = self._message
        self._client.connect("127.0.0.1", port, keepalive=30)
        self._thread = threading.Thread(target=self._run, name="barn", daemon=True)

    def start(self) -> None:
        self._world.step_s = LIVE_STEP_S
        # Whoever looks should not wait a minute for the slowest sensor's first word.
        for number, post in enumerate(self._world.posts):
            post.next_s = min(post.next_s, self._world.time_s + FIRST_WORD_S + 0.2 * number)
        self._client.loop_start()
        self._thread.start()

    def stop(self) -> None:
        self._stopping.set()
        if self._thread.ident is not None:  # a daemon that did not come up ends the show before the barn lives
            self._thread.join(5.0)
        self._client.disconnect()
        self._client.loop_stop()

    def _connected(self, client: mqtt.Client, *_: object) -> None:
        fan = self._world.pen.fan
        if fan is not None:
            client.subscribe(fan.command_topic, 1)

    def _message(self, _client: mqtt.Client, _user: object, message: mqtt.MQTTMessage) -> None:
        fan = self._world.pen.fan
        if fan is not None and message.topic == fan.command_topic:
            with self._turn:
                self._commands.append(bytes(message.payload))

    def _run(self) -> None:
        try:
            while not self._stopping.is_set():
                self._obey()
                while self._world.time_s + LIVE_STEP_S <= self._now_s() and not self._stopping.is_set():
                    self._publish(self._world.step())
                self._report()
                self._stopping.wait(max(0.05, min(0.5, self._world.time_s + LIVE_STEP_S - self._now_s())))
        except BaseException as trouble:
            self.trouble = trouble
            log.exception("the barn stands still")

    def _obey(self) -> None:
        with self._turn:
            commands, self._commands = self._commands, []
        fan = self._world.pen.fan
        for command in commands:
            # the relay understands the words it reports in
            said = report(fan, command, None) if fan is not None else None
            if said is not None:
                self._world.command(*said)
                self._report_due_s = 0.0  # a relay answers every command

    def _publish(self, heard: list[Heard]) -> None:
        by_topic: dict[tuple[str, float], list[tuple[Sensor, float]]] = {}
        for one in heard:
            by_topic.setdefault((one.sensor.topic, one.time_s), []).append((one.sensor, one.value))
        for (topic, _), values in by_topic.items():
            self._client.publish(topic, message(values), qos=1)
            self.published += len(values)

    def _report(self) -> None:
        said, now, fan = self._world.report(), self._world.time_s, self._world.pen.fan
        if said is None or fan is None or fan.report_topic is None:
            return
        if said != self._reported or now >= self._report_due_s:
            self._reported, self._report_due_s = said, now + REPORT_EVERY_S
            self._client.publish(fan.report_topic, fan.on_word if said[0] else fan.off_word, qos=1)


def message(values: list[tuple[Sensor, float]]) -> bytes:
    """One message for all numbers of a topic: JSON documents become one."""
    if len(values) == 1:
        return payload(*values[0])
    whole: dict[str, object] = {}
    for sensor, value in values:
        _merge(whole, json.loads(payload(sensor, value)))
    return json.dumps(whole).encode()


def _merge(into: dict[str, object], part: dict[str, object]) -> None:
    for key, value in part.items():
        known = into.get(key)
        if isinstance(known, dict) and isinstance(value, dict):
            _merge(known, value)
        else:
            into[key] = value


def wall_now_s(wall0_ms: int) -> Callable[[], float]:
    """The world's time that belongs to this moment."""
    return lambda: time.time() - wall0_ms / 1000.0
