"""What MQTT itself costs: a subscriber that does nothing with a message but acknowledge it, or answer it at once.

usage: python tests/bench/bare_subscriber.py PORT count TOPIC MESSAGES | PORT echo SUFFIX_IN SUFFIX_OUT

`count` prints "ready", then "done" after so many messages, each acknowledged by hand. `echo` answers a message on
…SUFFIX_IN at once on …SUFFIX_OUT, at QoS 0: "on" to 60, "off" to anything else. Both ask for
MQTT 5 and the window the daemon asks for.
"""

from __future__ import annotations

import socket
import sys
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

WINDOW = 200


def main(port: int, what: str, first: str, second: str) -> None:
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5, manual_ack=True)
    client.on_socket_open = lambda _c, _u, opened: opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    came = 0

    def counted(_client: Client, _userdata: Any, message: MQTTMessage) -> None:
        nonlocal came
        came += 1
        client.ack(message.mid, message.qos)
        if came == int(second):
            print("done", flush=True)

    def answered(_client: Client, _userdata: Any, message: MQTTMessage) -> None:
        client.publish(message.topic.removesuffix(first) + second, "on" if message.payload == b"60" else "off")
        client.ack(message.mid, message.qos)

    client.on_message = counted if what == "count" else answered
    client.on_subscribe = lambda *_: print("ready", flush=True)
    wanted = Properties(PacketTypes.CONNECT)
    wanted.ReceiveMaximum = WINDOW
    client.connect("127.0.0.1", port, properties=wanted)
    client.subscribe(first if what == "count" else f"bench/+{first}", 1)
    client.loop_forever()


if __name__ == "__main__":
    main(int(sys.argv[1]), *sys.argv[2:5])
