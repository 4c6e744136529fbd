"""Pictures of every page: ``python -m tests.web.screenshots FOLDER``.

Made on a farm of its own at 360, 820 and 1920 px, in light and, at 820 px, in dark; to be looked at by whoever
changes a page.
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from playwright.sync_api import Browser

from service.records.migrate import upgrade
from service.records.store import Store
from tests.web.browser import chromium
from tests.web.farm import Made, make_farm
from tests.web.people import log_in, make_person
from tests.web.serving import Site, serving

WIDTHS = {360: 740, 820: 1180, 1920: 1080}


def pages_of(made: Made) -> dict[str, str]:
    """Return the path of every page of a farm, by a name for its picture."""
    house = f"/houses/{made.house_id}"
    return {
        "belt": house,
        "wall": f"{house}?wall",
        "today": f"{house}/today",
        "advice": f"{house}/advice",
        "batch-channels": f"/batches/{made.batch_ids[0]}",
        "batch-nursery": f"/batches/{made.batch_ids[6]}",
        "seed": f"{house}/seed",
        "packing": f"{house}/packing",
        "orders": f"{house}/orders",
        "plan": f"{house}/plan",
        "conditions": f"{house}/conditions",
        "log": f"{house}/log",
        "trace-search": f"/trace?house={made.house_id}",
        "report": f"{house}/report",
        "settings": f"{house}/settings",
        "receivers": f"{house}/receivers",
        **_pages_of_goods(made),
        "scan": "/scan",
        "unsent": "/unsent",
        "setup-house": "/houses/new",
        "setup-succession": f"{house}/setup?step=succession",
        "setup-sensors": f"{house}/setup?step=sensors",
        "setup-batch": f"{house}/setup?step=batch",
        "not-found": "/batches/999999",
        "offline": "/offline",
    }


def _pages_of_goods(made: Made) -> dict[str, str]:
    goods = made.goods
    if goods is None:
        return {}
    return {
        "seed-lot": f"/seed-lots/{goods.seed_lot_id}",
        "packed-lot": f"/packed-lots/{goods.packed_lot_id}",
        "trace": f"/trace?house={made.house_id}&from=seedLot:{goods.seed_lot_id}",
        "plan-made": f"/houses/{made.house_id}/plan?make=1&weeks=12",
    }


def _shoot(browser: Browser, site: Site, made: Made, folder: Path, only: str) -> None:
    person = make_person(site, "owner")
    for width, height in WIDTHS.items():
        for scheme in ("light", "dark") if width == 820 else ("light",):
            context = browser.new_context(
                base_url=site.url,
                viewport={"width": width, "height": height},
                color_scheme=scheme,
                service_workers="block",
            )
            page = context.new_page()
            page.goto("/login")
            page.screenshot(path=folder / f"login-{width}-{scheme}.png", full_page=True)
            log_in(page, person)
            for name, path in pages_of(made).items():
                if only in name:
                    page.goto(path)
                    page.screenshot(path=folder / f"{name}-{width}-{scheme}.png", full_page=True)
            context.close()


async def _migrated(url: str) -> None:
    store = Store.open(url)
    await upgrade(store)
    await store.close()


def main() -> None:
    """Make the pictures."""
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else "screenshots")
    only = sys.argv[2] if len(sys.argv) > 2 else ""
    folder.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory() as temporary:
        url = f"sqlite+aiosqlite:///{temporary}/evenleaf.sqlite3"
        asyncio.run(_migrated(url))
        with serving(url) as site, chromium() as browser:
            made = site.run(make_farm(site.store))
            _shoot(browser, site, made, folder, only)
    print(f"{len(list(folder.glob('*.png')))} pictures in {folder}")


if __name__ == "__main__":
    main()
