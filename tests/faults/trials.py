"""Every fault that is tried, in the order of the table."""

from __future__ import annotations

from tests.faults.disks import read_only_card, slow_disk, store_held
from tests.faults.rows import (
    broker_hung,
    client_id_taken,
    connections_come_and_go,
    flood,
    killed_while_speaking,
    receiver_hung,
    thousand_sensors,
    two_daemons,
)

QUICK = (broker_hung, store_held, two_daemons, receiver_hung)
LONGER = (killed_while_speaking, client_id_taken, flood, thousand_sensors, slow_disk, read_only_card, connections_come_and_go)
