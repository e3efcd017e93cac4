"""The first minute of an installed board, on a network of its own: broker, daemon, one sensor. Run by test_install.py.

usage: unshare --net python first_minute.py ROOT       prints what the health probe says once it is well
"""

from __future__ import annotations

import fcntl
import socket
import struct
import subprocess
import sys
import time

BROKER = "/usr/sbin/mosquitto -c /etc/mosquitto/mosquitto.conf"
SENSOR = "sh /opt/warmstraw/current/deploy/add-device.sh --no-reload sensor probe1 millrise/brooder/probe1"
PROBE = "/opt/warmstraw/current/bin/python /opt/warmstraw/current/deploy/health_probe.py /etc/warmstraw/warmstraw.toml"
DEADLINE_S = 60.0


def raise_loopback() -> None:
    """A new network starts with its loopback down (netdevice(7): SIOCGIFFLAGS, SIOCSIFFLAGS, IFF_UP)."""
    with socket.socket() as any_socket:
        asked = fcntl.ioctl(any_socket, 0x8913, struct.pack("16sH14x", b"lo", 0))
        (flags,) = struct.unpack("16xH14x", asked)
        fcntl.ioctl(any_socket, 0x8914, struct.pack("16sH14x", b"lo", flags | 1))


def main() -> int:
    """Start all, send readings until the daemon says that it is well."""
    root = sys.argv[1]
    raise_loopback()

    def inside(command: str, user: str = "root") -> list[str]:
        return ["chroot", root, "setpriv", f"--reuid={user}", f"--regid={user}", "--clear-groups", *command.split()]

    subprocess.run(["chroot", root, "install", "-d", "-o", "mosquitto", "/run/mosquitto", "/var/log/mosquitto"], check=True)
    told = subprocess.run(inside(SENSOR), capture_output=True, text=True, check=True).stdout
    password = next(line.split()[1] for line in told.splitlines() if line.split()[:1] == ["password"])
    started = [
        subprocess.Popen(inside(BROKER)),
        subprocess.Popen(inside("/usr/local/bin/warmstraw watch --settings /etc/warmstraw/warmstraw.toml", "warmstraw")),
    ]
    publish = ["mosquitto_pub", "-h", "127.0.0.1", "-u", "probe1", "-P", password, "-t", "millrise/brooder/probe1", "-q", "1"]
    end, code = time.monotonic() + DEADLINE_S, 1
    try:
        while time.monotonic() < end:
            subprocess.run(["chroot", root, *publish, "-m", '{"t": 93.5}'], capture_output=True, check=False)
            asked = subprocess.run(inside(PROBE), capture_output=True, text=True, check=False)
            if asked.returncode == 0:
                print(asked.stdout)
                code = 0
                break
            time.sleep(0.5)
        else:
            print(asked.stdout, asked.stderr)
    finally:
        for process in reversed(started):
            process.terminate()
        stops = [process.wait(20) for process in reversed(started)]
    return code or max(stops)


if __name__ == "__main__":
    sys.exit(main())
