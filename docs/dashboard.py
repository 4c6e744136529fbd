"""All houses at a glance: ``python docs/dashboard.py http://127.0.0.1:8717``, with a token in EVENLEAF_TOKEN."""

import asyncio
import os
import sys

import httpx


async def everything(api, path):
    """Follow the pages of a list to its end."""
    query = {"limit": 100}
    while True:
        page = (await api.get(path, params=query)).raise_for_status().json()
        for item in page["items"]:
            yield item
        if page["next"] is None:
            return
        query["after"] = page["next"]


async def lines(api):
    """Say of each house what is cut next, what is advised and what is wrong."""
    async for house in everything(api, "/v1/houses"):
        line = (await api.get(f"/v1/houses/{house['id']}/line")).raise_for_status().json()
        cut = next(
            (
                f"{b['code']} {b['harvest']['p50'][:10]}"
                for b in line["batches"]
                if (b["harvest"] or {}).get("p50")
            ),
            "-",
        )
        told = [
            f"{a['advice']['decision']} to {a['advice']['advisedIntervalDays']:g} days"
            for a in line["advice"]
        ]
        advice, alerts = ", ".join(told) or "no advice", len(line["alerts"])
        yield f"{house['name']}: {len(line['batches'])} batches; next {cut}; {advice}; {alerts} alerts"


async def main(url, token):
    async with httpx.AsyncClient(base_url=url, headers={"Authorization": f"Bearer {token}"}) as api:
        async for line in lines(api):
            print(line)


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1], os.environ["EVENLEAF_TOKEN"]))
