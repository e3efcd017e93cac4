"""A client given its name and password, and the question whether a broker refuses MQTT 5."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Final

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

from monitor.engine.connections import Broker
from monitor.wire.reasons import UNSUPPORTED_VERSION

DIAL_WITHIN_S: Final = 10.0
ANSWER_WITHIN_S: Final = 3.0  # some brokers meet MQTT 5 with silence

_log = logging.getLogger(__name__)


def refuses_v5(broker: Broker, stopping: threading.Event, monotonic: Callable[[], float]) -> bool:
    """Ask a broker, by the barest possible connection under no name, whether it refuses MQTT 5.

    An old broker may trip over the properties and the last will of a real MQTT 5 connection and
    say nothing at all; this much it understands. False when it accepts, or gives no clear answer.
    """
    answers: list[str] = []
    client = Client(CallbackAPIVersion.VERSION2, client_id="", protocol=MQTTProtocolVersion.MQTTv5, reconnect_on_failure=False)
    client.connect_timeout = DIAL_WITHIN_S
    client.on_connect = lambda _client, _userdata, _flags, reason, _properties: answers.append(reason.getName())
    try:
        identify(client, broker)
        client.connect(broker.host, broker.port, keepalive=broker.keepalive_s, clean_start=True)
        end = monotonic() + ANSWER_WITHIN_S
        while not answers and monotonic() < end and not stopping.is_set():
            if client.loop(0.2) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                break
        client.disconnect()
        client.loop(0.1)
    except OSError:
        return False  # the next real attempt will say why
    except Exception:
        _log.debug("the broker's answer to the question for MQTT 5 could not be read", exc_info=True)
        return False
    finally:
        client.on_connect = None
    return answers == [UNSUPPORTED_VERSION]


def identify(client: Client, broker: Broker) -> None:
    """Give a client its name, password and certificates. Raises OSError when a file cannot be read."""
    if broker.username is not None:
        client.username_pw_set(broker.username, broker.password.reveal() if broker.password else None)
    if broker.tls:
        for file in (broker.ca_file, broker.certificate_file, broker.key_file):
            if file is not None:
                Path(file).open("rb").close()  # raises with the file's name, which the TLS library leaves out
        client.tls_set(ca_certs=broker.ca_file, certfile=broker.certificate_file, keyfile=broker.key_file)
