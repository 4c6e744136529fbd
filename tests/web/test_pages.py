"""The pages without a browser: forms from elsewhere, scripts in texts, headers, sizes, who may."""

from __future__ import annotations

import gzip
import re
from collections.abc import AsyncIterator
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import httpx
import pytest
from litestar import Litestar
from litestar.handlers import HTTPRouteHandler

from service.app import create_app
from service.clock import FixedClock
from service.records.store import Store
from service.settings import Settings
from service.web import assets
from service.web.router import OPEN, PAGES
from service.work.access import SYSTEM
from service.work.users import create_user, prepare_user
from tests.api.conftest import running
from tests.api.farm import all_rows
from tests.work.conftest import Place, make_place
from tests.work.test_line import advise, keep, seed

PASSWORD = "seven green lettuces"
HTML = {"accept": "text/html"}


@dataclass
class Visit:
    """A browser without a screen, logged in, and what there is to look at."""

    client: httpx.AsyncClient
    store: Store
    clock: FixedClock
    place: Place
    batch_id: int
    csrf: str = ""

    async def get(self, path: str, status: int = 200) -> str:
        """Return a page."""
        answer = await self.client.get(path, headers=HTML)
        assert answer.status_code == status, (path, answer.status_code, answer.text[:2000])
        return answer.text

    async def post(self, path: str, _headers: dict[str, str] | None = None, **form: Any) -> httpx.Response:
        """Send a form of this session."""
        return await self.client.post(path, data={"csrf": self.csrf, **form}, headers=_headers or {})

    async def log_in(self, role: str) -> None:
        """Log in as someone with a role."""
        new = await prepare_user({"login": role, "display_name": f"Robin {role}", "role": role}, PASSWORD)
        async with self.store.write() as uow:
            await create_user(uow, self.clock, SYSTEM, new)
        answer = await self.client.post("/login", data={"login": role, "password": PASSWORD})
        assert answer.status_code == 303, answer.text
        self.csrf = (await self.client.get("/session.json")).json()["csrf"]

    @property
    def house(self) -> str:
        """The house's path."""
        return f"/houses/{self.place.house.id}"

    @property
    def pages(self) -> list[str]:
        """Every page of the farm."""
        return [
            self.house,
            f"{self.house}?wall",
            f"{self.house}/today",
            f"{self.house}/advice",
            f"/batches/{self.batch_id}",
            *(
                f"{self.house}/{name}"
                for name in ("seed", "packing", "orders", "plan", "conditions", "log", "report", "settings")
            ),
            f"{self.house}/plan?make=1&weeks=4",
            "/trace",
            f"/trace?from=batch:{self.batch_id}",
            "/scan",
            "/unsent",
            "/password",
            "/houses/new",
            *(f"{self.house}/setup?step={step}" for step in ("succession", "sensors", "batch")),
        ]


@pytest.fixture
def app(sqlite_store: Store, clock: FixedClock) -> Litestar:
    """Return the application."""
    return create_app(sqlite_store, clock, Settings())


@pytest.fixture
async def visit(app: Litestar, sqlite_store: Store, clock: FixedClock) -> AsyncIterator[Visit]:
    """Have a farm with a forecast batch, and a browser."""
    place = await make_place(sqlite_store, clock, "Alder Farm")
    batch_id = await seed(sqlite_store, clock, place, "N1-A", clock.now().date() - timedelta(days=20))
    await keep(sqlite_store, batch_id, 9, 12, 16)
    await advise(sqlite_store, place.succession.id, "shorten")
    async with (
        running(app),
        httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url="http://test") as client,
    ):
        yield Visit(client, sqlite_store, clock, place, batch_id)


def posts() -> list[tuple[str, HTTPRouteHandler]]:
    """Return every form of the pages with a path that exists."""
    return [
        (re.sub(r"\{\w+:int\}", "1", path), handler)
        for handler in (*PAGES, *OPEN)
        if "POST" in handler.http_methods
        for path in sorted(handler.paths)
    ]


async def test_every_form_refuses_what_another_site_sends(visit: Visit) -> None:
    """With the cookie but without the session's token, with a wrong one, or from another site: nothing changes."""
    await visit.log_in("owner")
    before = {
        k: v for k, v in (await all_rows(visit.store)).items() if k not in {"session", "login_throttle"}
    }
    assert len(posts()) >= 12
    for path, handler in posts():
        tries: list[tuple[dict[str, str], dict[str, str]]] = [
            ({"csrf": visit.csrf}, {"sec-fetch-site": "cross-site"}),
            ({"csrf": visit.csrf}, {"sec-fetch-site": "same-site"}),
            ({"csrf": visit.csrf}, {"origin": "https://elsewhere.example"}),
        ]
        if handler in PAGES:
            tries += [({}, {}), ({"csrf": "x" * len(visit.csrf)}, {})]
        for form, headers in tries:
            answer = await visit.client.post(path, data=form, headers=headers)
            assert answer.status_code == 403, (path, form, headers, answer.status_code)
            assert "Nothing was changed" in answer.text or answer.headers["content-type"].startswith(
                "application/problem"
            )
    rows = await all_rows(visit.store)
    assert {k: v for k, v in rows.items() if k not in {"session", "login_throttle"}} == before


async def test_a_viewer_cannot_send_any_form_of_the_farm(visit: Visit) -> None:
    """What a viewer may send is about the viewer alone."""
    await visit.log_in("viewer")
    own = {"/units", "/logout", "/password"}
    for path, handler in posts():
        if handler in PAGES and path not in own:
            assert (await visit.post(path)).status_code == 403, path
    for page in (visit.house, f"{visit.house}/today", f"{visit.house}/advice", f"/batches/{visit.batch_id}"):
        main = (await visit.get(page)).split("<main", 1)[1].split("</main>")[0]
        assert "<form" not in main, page
    assert "You may not do this" in await visit.get("/houses/new", 403)


async def test_what_is_of_another_farm_is_not_there(visit: Visit) -> None:
    """Pages of another farm answer 404, as those of no farm do."""
    await visit.log_in("owner")
    for path in ("/houses/99", "/houses/99/today", "/batches/99", "/batches/99/code.svg", "/nonsense"):
        assert "There is nothing here" in await visit.get(path, 404), path
    answer = await visit.client.get("/v1/nonsense", headers=HTML)
    assert answer.headers["content-type"] == "application/problem+json", "the API keeps its own errors"


SCRIPT = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>{{7*7}}"


async def test_a_script_in_any_text_is_only_text(visit: Visit) -> None:
    """Whatever is typed into the fields of the pages is shown as typed on all of them, and never becomes markup."""
    await visit.log_in("owner")
    setup = f"{visit.house}/setup"
    fields = {
        "farm": SCRIPT, "name": SCRIPT, "code": "x", "latitude_deg": "43", "longitude_deg": "2",
        "time_zone": "Europe/Paris", "nursery_cells": "900", "nursery_plants": "650", "channel_sites": "900",
        "channels_plants": "25", "light_percent": "60",
    }  # fmt: skip
    assert (await visit.post("/houses/new", **fields)).status_code == 303
    crop = {
        "profile": "basil", "crop": SCRIPT, "cultivar": SCRIPT, "name": SCRIPT, "heads_per_harvest": "10",
        "harvest_interval_days": "7", "seeding_weekdays": "1", "cells_per_seeding": "20", "keep_percent": "80",
    }  # fmt: skip
    assert (await visit.post(f"{setup}/succession", **crop)).status_code == 303
    sensor = {
        "quantity": "temp_air_c",
        "unit": "degC",
        "topic": "evenleaf/a/b",
        "name": SCRIPT,
        "zone_id": "1",
    }
    assert (await visit.post(f"{setup}/sensors", **sensor)).status_code == 303
    batch = {"succession_id": "2", "seeded_on": "2026-09-01", "cells": "20", "note": SCRIPT}
    assert (await visit.post(f"{setup}/batch", **batch)).status_code == 303
    entry = {"kind": "discarded", "plants": "1", "reason": SCRIPT, "note": SCRIPT}
    assert (await visit.post("/batches/2/entries", **entry)).status_code == 303
    refused = [
        await visit.post("/houses/new", **dict.fromkeys(fields, SCRIPT)),
        await visit.post(f"{setup}/succession", **dict.fromkeys(crop, SCRIPT)),
        await visit.post(f"{setup}/sensors", **dict.fromkeys(sensor, SCRIPT)),
        await visit.post(f"{setup}/batch", **dict.fromkeys(batch, SCRIPT)),
        await visit.post("/batches/2/entries", **dict.fromkeys(entry, SCRIPT)),
    ]
    assert [answer.status_code for answer in refused] == [422] * 5
    pages = [await visit.get(page) for page in (*visit.pages, "/batches/2", "/")]
    pages.append(await visit.get(f"/scan?code={SCRIPT}"))
    pages.append(await visit.get(f"/login?next={SCRIPT}"))
    pages.append(await visit.get(f"{visit.house}?said={SCRIPT}"))
    pages += [answer.text for answer in refused]
    for text in pages:
        for part in ("<script>alert", "<img src=x", "onerror=alert(2)>"):
            assert part not in text
        assert "49" not in re.findall(r"alert\(2\)&gt;(\d*)", text), "no template is made of it"
    assert sum("&lt;script&gt;alert(1)" in text for text in pages) >= 10


async def test_every_page_has_a_strict_policy_and_no_inline_script(visit: Visit) -> None:
    """Nothing runs but our own files; what one user saw is not kept for the next."""
    await visit.log_in("owner")
    for page in (*visit.pages, "/offline", "/nonsense"):
        answer = await visit.client.get(page, headers=HTML)
        policy = answer.headers["content-security-policy"]
        assert policy.startswith("default-src 'none'")
        assert "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["x-frame-options"] == "DENY"
        assert answer.headers["cache-control"] == "no-store"
        text = answer.text
        assert not re.search(r"\sstyle=|\son\w+=|javascript:", text), page
        for script in re.findall(r"<script[^>]*>", text):
            assert "src=" in script or 'type="application/json"' in script, page
        assert not re.findall(r"(?:src|href|action)=\"(?:https?:)?//", text), (
            "nothing comes from another host"
        )


async def test_a_page_with_all_it_needs_is_small(visit: Visit) -> None:
    """Under 100 kB compressed, files included; files are kept for good under a name of their own."""
    await visit.log_in("owner")
    files = sum(len(gzip.compress(content)) for content in assets.contents().values())
    for page in visit.pages:
        assert files + len(gzip.compress((await visit.get(page)).encode())) < 100_000, page
    answer = await visit.client.get(assets.url("style.css"))
    assert answer.headers["cache-control"] == "public, max-age=31536000, immutable"
    old = await visit.client.get("/assets/0123/style.css")
    assert old.status_code == 200
    assert old.headers["cache-control"] == "no-cache"


async def test_units_are_those_of_the_reader(visit: Visit) -> None:
    """Weights are shown and typed in ounces where US units are chosen, and kept in grams."""
    await visit.log_in("owner")
    assert "1.4 g" in await visit.get(f"/batches/{visit.batch_id}")
    assert (await visit.post("/units", units="us", back="//elsewhere.example")).headers["location"] == "/"
    page = await visit.get(f"/batches/{visit.batch_id}")
    assert "0.05 oz" in page
    assert "Tue, Aug 25" in page
    move = {"kind": "transplanted", "plants": "150", "happened_at": "2026-09-10T08:00"}
    assert (await visit.post(f"/batches/{visit.batch_id}/entries", **move)).status_code == 303
    assert "Weight of a head (oz)" in await visit.get(f"/batches/{visit.batch_id}")
    weighed = {"kind": "weighed", "plants": "10", "weight_g": "4"}
    assert (await visit.post(f"/batches/{visit.batch_id}/entries", **weighed)).status_code == 303
    page = await visit.get(f"/batches/{visit.batch_id}")
    assert re.search(r"Weighed</strong>\s*10 plants · 4\.00? oz", page), page
    cut = {"kind": "harvested", "plants": "10", "weight_g": "5,5"}
    assert (await visit.post(f"/batches/{visit.batch_id}/entries", **cut)).status_code == 303
    ledger = (await all_rows(visit.store))["entry"]
    assert any(value == pytest.approx(5.5 * 28.349523125) for value in ledger[-1] if isinstance(value, float))


async def test_a_local_time_is_the_house_s(visit: Visit) -> None:
    """A moment typed into a form is local to the house, whatever the season."""
    await visit.log_in("owner")
    form = {"kind": "leaves_counted", "leaves": "3.5", "happened_at": "2026-09-10T08:00"}
    assert (await visit.post(f"/batches/{visit.batch_id}/entries", **form)).status_code == 303
    page = await visit.get(f"/batches/{visit.batch_id}")
    assert "Thu 10 Sep, 08:00" in page


async def test_the_belt_says_the_same_in_every_way(visit: Visit) -> None:
    """Picture, sentence, table and CSV name the batch and its dates."""
    await visit.log_in("viewer")
    page = await visit.get(visit.house)
    assert "The next heads are expected Sat 26 Sep: N1-A." in page
    assert page.count('class="batch"') == 2, "once lengthwise, once downwards"
    assert "harvest expected Sat 26 Sep, between 23 Sep and 30 Sep" in page
    rows = (await visit.get(f"{visit.house}/belt.csv")).splitlines()
    assert rows[0].startswith("batch,crop,succession,stage")
    assert "2026-09-26T05:00:00+00:00" in rows[1]
