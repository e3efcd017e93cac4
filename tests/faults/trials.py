"""Every fault that is tried, in the order of the table."""

from __future__ import annotations

from tests.faults.disks import full_card, read_only_card, slow_disk, spoilt_store, store_held
from tests.faults.rows import (
    broker_hung,
    broker_killed,
    client_id_taken,
    connections_come_and_go,
    flood,
    killed_while_speaking,
    receiver_hung,
    thousand_sensors,
    two_daemons,
)

QUICK = (broker_hung, store_held, spoilt_store, two_daemons, receiver_hung)
LONGER = (
    broker_killed,
    killed_while_speaking,
    client_id_taken,
    flood,
    thousand_sensors,
    slow_disk,
    full_card,
    read_only_card,
    connections_come_and_go,
)
