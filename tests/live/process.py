"""``evenleaf`` as a process that is killed on purpose: ``python -m tests.live.process LEASE_S COMMAND ...``.

Leases last LEASE_S seconds, so that what a killed process left is taken over soon.
"""

from __future__ import annotations

import sys

import ingest.slots
import service.deliver.deliverer
import service.scheduler
import service.work.periodic
import service.work.reforecast
from service.cli import main

if __name__ == "__main__":
    lease_s = float(sys.argv[1])
    ingest.slots.LEASE_S = lease_s
    ingest.slots._ROUND_S = lease_s / 6
    service.deliver.deliverer.LEASE_S = lease_s
    service.scheduler.LEASE_S = lease_s
    service.work.periodic.LEASE_S = lease_s
    service.work.reforecast.LEASE_S = lease_s
    sys.exit(main(sys.argv[2:]))
