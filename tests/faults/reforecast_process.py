"""A replica that re-forecasts: ``python -m tests.faults.reforecast_process URL MOMENT SECONDS``.

Each house takes it some seconds, so that it can be killed in the middle. Prints the ids of houses as it concludes
them, and ``done`` when nothing is left to do for this time.
"""

from __future__ import annotations

import asyncio
import sys
import time
from datetime import datetime

from service.clock import FixedClock
from service.records.leases import unfinished
from service.records.store import Store
from service.work import reforecast as job

LEASE_S = 4.0


async def run(url: str, moment: datetime, seconds: float) -> None:
    """Do this time's share, and take over what another does not finish."""
    conclude = job.conclude

    def slowly(given: job.HouseInput, key: str) -> job.Conclusions:
        print(given.house.id, flush=True)
        time.sleep(seconds)
        return conclude(given, key)

    job.conclude = slowly
    job.LEASE_S = LEASE_S
    job.TOGETHER = 4
    store = Store.open(url)
    try:
        reforecaster = job.Reforecaster(store, FixedClock(moment), 10, 30)
        while True:
            await reforecaster.all_houses(None, moment)
            async with store.read() as uow:
                if not await unfinished(uow, job.JOB):
                    break
            await asyncio.sleep(0.2)
    finally:
        await store.close()
    print("done", flush=True)


if __name__ == "__main__":
    asyncio.run(run(sys.argv[1], datetime.fromisoformat(sys.argv[2]), float(sys.argv[3])))
