"""Asks the daemon on this board how it is, as its settings say where. For install.sh; run by the daemon's own Python.

usage: health_probe.py SETTINGS
Prints one line. Exit code 0: it does its work. 1: it answers, and says that it does not (no broker, no readings yet).
2: no daemon of ours answers.
"""

from __future__ import annotations

import json
import sys
import urllib.error
import urllib.request

from monitor.settings.complaints import SettingsMistakes
from monitor.settings.read import find, read

WELL, UNWELL, SILENT = 0, 1, 2
TIMEOUT_S = 5.0


def probe(host: str, port: int, token: str | None = None) -> tuple[int, str]:
    """Ask once. Returns the exit code and a sentence."""
    reached = {"0.0.0.0": "127.0.0.1", "::": "[::1]", "": "127.0.0.1"}.get(host, host)  # noqa: S104 — a comparison
    headers = {"Authorization": f"Bearer {token}"} if token else {}
    request = urllib.request.Request(f"http://{reached}:{port}/healthz", headers=headers)
    try:
        with urllib.request.urlopen(request, timeout=TIMEOUT_S) as answer:  # noqa: S310 — as above
            told = json.load(answer)
    except urllib.error.HTTPError as refused:
        try:
            told = json.load(refused)
        except ValueError:
            return SILENT, f"something else answers at {reached}:{port}, with {refused.code}"
    except (OSError, ValueError) as trouble:
        return SILENT, f"nothing of ours answers at {reached}:{port}: {trouble}"
    if not isinstance(told, dict) or "healthy" not in told:
        return SILENT, f"something else answers at {reached}:{port}"
    parts = "; ".join(f"{name}: {said}" for name, said in told.get("parts", {}).items())
    if told["healthy"] is True:
        return WELL, "well" + (f" ({parts})" if parts else "")
    return UNWELL, "not doing its work" + (f" ({parts})" if parts else "")


def main() -> int:
    """Read where to ask from the settings, and ask."""
    try:
        api = read(find(sys.argv[1] if len(sys.argv) > 1 else None)).connections.api
    except SettingsMistakes as mistakes:
        print(mistakes)
        return SILENT
    token = None
    if api.token_file:
        try:
            with open(api.token_file) as file:
                token = file.read().strip()
        except OSError:
            token = None
    code, sentence = probe(api.host, api.port, token)
    print(sentence)
    return code


if __name__ == "__main__":
    sys.exit(main())
