"""Why there is no connection, in words a keeper can act on, and never with a secret in them."""

from __future__ import annotations

import socket
import ssl

from monitor.engine.connections import Broker

UNSUPPORTED_VERSION = "Unsupported protocol version"

# What to do, for the reasons a broker gives by name (MQTT 5.0 section 3.2.2.2).
_ADVICE = {
    "Not authorized": "check username and password_file under [broker]",
    "Bad user name or password": "check username and password_file under [broker]",
    "Client identifier not valid": "choose another client_id under [broker]",
    "Session taken over": "another program uses the same client_id",
    "Server shutting down": "the broker is being stopped or restarted",
}


def refusal(name: str) -> str:
    """The broker's own reason for refusing or ending the connection, with what to do about it."""
    advice = _ADVICE.get(name)
    said = f"the broker says: {name[:1].lower()}{name[1:]}"
    return f"{said} ({advice})" if advice else said


def in_words(error: BaseException, broker: Broker) -> str:
    """What went wrong on the way to this broker."""
    where = f"{broker.host}:{broker.port}"
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"the certificate of {where} is not trusted: {error.verify_message} (check ca_file and host under [broker])"
    if isinstance(error, ssl.SSLError):
        return f"no secure connection to {where}: {error.reason or 'TLS failed'}"
    if isinstance(error, socket.gaierror):
        return f"the name {broker.host} is not known to the network"
    if isinstance(error, ConnectionRefusedError):
        return f"no broker answers at {where}"
    if isinstance(error, TimeoutError):
        return f"{where} does not answer in time"
    if isinstance(error, OSError):
        file = f" {error.filename}" if isinstance(error.filename, str) else ""
        return f"cannot reach {where}:{file} {error.strerror or type(error).__name__}"
    return f"the connection to {where} failed: {type(error).__name__}"
