"""People log in with a browser: who gets in, for how long, and what another site cannot make it do."""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any

import httpx
import pytest
from argon2 import PasswordHasher
from litestar import Litestar, Request, get, post

from service.api import users as api_users
from service.app import create_app
from service.clock import FixedClock
from service.records.store import Store
from service.records.tables import User
from service.settings import Settings
from service.web.sessions import current_csrf, local_path, pages_router
from service.work import passwords, throttle, users
from service.work.access import SYSTEM, first_token
from service.work.sessions import _on_clock
from service.work.throttle import wait_s
from tests.api.conftest import running
from tests.api.farm import Place, all_rows, made, problem_of

PASSWORD = "rows of green heads"


@pytest.fixture(autouse=True)
def quick_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have hashes that are quick to make; the real ones take long on purpose."""
    monkeypatch.setattr(passwords, "_hasher", PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))
    monkeypatch.setattr(passwords, "_nobody_hash", [])


@dataclass
class MovedClock:
    """A clock that a test moves."""

    moment: FixedClock
    rate: float = 0.0

    def now(self) -> Any:
        """Return the moment it stands at."""
        return self.moment.now()

    def on(self, **by: float) -> None:
        """Move it on."""
        self.moment = replace(self.moment, moment=self.moment.moment + timedelta(**by))


@pytest.fixture
def moved(clock: FixedClock) -> MovedClock:
    """Return a clock that can be moved."""
    return MovedClock(clock)


@get("/page")
async def page(request: Request[Any, Any, Any]) -> str:
    """Show who has logged in."""
    return f"{request.user.name} {current_csrf(request)}"


@post("/page", opt={"scope": "record"})
async def change(request: Request[Any, Any, Any]) -> str:
    """Record something."""
    return f"{(await request.form()).get('what')}"


@pytest.fixture
def app(store: Store, moved: MovedClock) -> Litestar:
    """Return the application with a page of its own."""
    app = create_app(store, moved, Settings(), wall=moved)
    app.register(pages_router("/", [page, change]))
    return app


@asynccontextmanager
async def browsing(app: Litestar, base: str = "http://farm.test") -> AsyncIterator[httpx.AsyncClient]:
    """Have a browser; it sends what one sends with a form of the page."""
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url=base) as browser:
        browser.headers["origin"] = base
        yield browser


@pytest.fixture
async def browser(app: Litestar, client: httpx.AsyncClient) -> AsyncIterator[httpx.AsyncClient]:
    """Have a browser in which nobody has logged in."""
    async with browsing(app) as opened:
        yield opened


async def person(
    store: Store, clock: Any, login: str = "ada", role: str = "grower", farm_id: int | None = None
) -> User:
    """Make a user."""
    new = await users.prepare_user({"login": login, "role": role, "farm_id": farm_id}, PASSWORD)
    async with store.write() as uow:
        return await users.create_user(uow, clock, SYSTEM, new)


async def log_in(
    browser: httpx.AsyncClient, login: str = "ada", password: str = PASSWORD, **more: str
) -> httpx.Response:
    """Send the form."""
    return await browser.post("/login", data={"login": login, "password": password, **more})


async def csrf_of(browser: httpx.AsyncClient) -> str:
    """Return the token that the browser's pages carry."""
    found = re.search(r'name="csrf" value="([0-9a-f]{64})"', (await browser.get("/password")).text)
    assert found
    return found[1]


# --------------------------------------------------------------------------- logging in


async def test_a_page_sends_to_log_in_and_back(
    browser: httpx.AsyncClient, store: Store, moved: MovedClock
) -> None:
    await person(store, moved)
    away = await browser.get("/page?of=house%201")
    assert (away.status_code, away.headers["location"]) == (303, "/login?next=/page%3Fof%3Dhouse%25201")
    form = await browser.get(away.headers["location"])
    assert 'name="next" value="/page?of=house%201"' in form.text
    assert form.headers["cache-control"] == "no-store"
    assert "frame-ancestors 'none'" in form.headers["content-security-policy"]

    back = await log_in(browser, "ADA ", next="/page?of=house%201")
    assert (back.status_code, back.headers["location"]) == (303, "/page?of=house%201")
    cookie = back.headers["set-cookie"]
    assert cookie.startswith("evenleaf_session=")
    assert {"HttpOnly", "SameSite=lax", "Path=/", "Max-Age=2592000"} <= set(cookie.split("; "))
    assert "Secure" not in cookie
    assert "Domain" not in cookie
    shown = await browser.get("/page")
    assert shown.status_code == 200
    assert shown.text.startswith("ada ")
    secret = browser.cookies["evenleaf_session"]
    assert all(secret not in str(row) for row in (await all_rows(store))["session"])


async def test_over_https_the_cookie_is_bound_to_this_host(
    app: Litestar, client: httpx.AsyncClient, store: Store, moved: MovedClock
) -> None:
    await person(store, moved)
    async with browsing(app, "https://farm.test") as browser:
        cookie = (await log_in(browser)).headers["set-cookie"]
        assert cookie.startswith("__Host-evenleaf_session=")
        assert {"Secure", "Path=/", "HttpOnly"} <= set(cookie.split("; "))
        assert "Domain" not in cookie
        assert (await browser.get("/page")).status_code == 200
        # A cookie that anything on plain HTTP could have set is not looked at.
        plain = {"cookie": f"evenleaf_session={browser.cookies['__Host-evenleaf_session']}"}
        browser.cookies.clear()
        assert (await browser.get("/page", headers=plain)).status_code == 303


@pytest.mark.parametrize(
    ("wanted", "taken"),
    [
        ("/", "/"),
        ("/belt/3?day=2026-09-14#now", "/belt/3?day=2026-09-14#now"),
        ("", "/"),
        (None, "/"),
        ("belt", "/"),
        ("//evil.test", "/"),
        ("///evil.test", "/"),
        ("/\\evil.test", "/"),
        ("\\/evil.test", "/"),
        ("/\t/evil.test", "/"),
        ("/ok\r\nset-cookie: a=b", "/"),
        ("https://evil.test/", "/"),
        ("javascript:alert(1)", "/"),
    ],
)
def test_only_paths_of_ours_are_gone_to(wanted: str | None, taken: str) -> None:
    assert local_path(wanted) == taken


async def test_a_wrong_login_does_not_say_what_was_wrong(
    browser: httpx.AsyncClient, store: Store, moved: MovedClock
) -> None:
    user = await person(store, moved)
    await person(store, moved, "ben")
    async with store.write() as uow:
        await users.change_user(uow, moved, SYSTEM, user.id + 1, {"active": False})
    answers = [
        await log_in(browser, *pair) for pair in (("ada", "wrong"), ("eve", PASSWORD), ("ben", PASSWORD))
    ]
    for answer in answers:
        assert answer.status_code == 422
        assert "The name or the password is wrong." in answer.text
        assert "set-cookie" not in answer.headers
    bodies = {re.sub(r'value="(ada|eve|ben)"', "", answer.text) for answer in answers}
    assert len(bodies) == 1
    assert not (await all_rows(store))["session"]
    # What was typed is escaped, and a body that is no form is no accident.
    odd = await log_in(browser, '"><script>alert(1)</script>')
    assert "<script>" not in odd.text
    assert (await browser.post("/login", json={"login": "ada"})).status_code == 422


async def test_failures_make_one_wait_longer_and_longer(
    app: Litestar, browser: httpx.AsyncClient, store: Store, moved: MovedClock
) -> None:
    await person(store, moved)
    for _ in range(5):
        assert (await log_in(browser, password="wrong")).status_code == 422
    refused = await log_in(browser)
    assert refused.status_code == 429
    assert refused.headers["retry-after"] == "2"
    assert "2 seconds" in refused.text
    # The count is in the store: another process keeps to it too, and it counts from the last attempt.
    another = create_app(store, moved, Settings(), wall=moved)
    async with running(another), browsing(another) as other:
        assert (await log_in(other)).status_code == 429
        moved.on(seconds=3)
        assert (await log_in(other, password="wrong")).status_code == 422
    assert (await log_in(browser)).headers["retry-after"] == "4"
    assert (await log_in(browser, "ben", "x")).status_code == 422, "another account is not held up"
    moved.on(seconds=5)
    assert (await log_in(browser)).status_code == 303
    assert (await log_in(browser, password="wrong")).status_code == 422, "success clears the account"
    assert (await log_in(browser)).status_code == 303


async def test_the_wait_ends_by_the_machines_time_where_the_services_clock_stands_still(
    store: Store, clock: FixedClock, moved: MovedClock
) -> None:
    await person(store, moved)
    async with running(app := create_app(store, clock, Settings(), wall=moved)), browsing(app) as browser:
        for _ in range(5):
            assert (await log_in(browser, password="wrong")).status_code == 422
        assert (await log_in(browser)).status_code == 429
        moved.on(seconds=3)
        assert (await log_in(browser)).status_code == 303


async def test_one_address_cannot_try_many_accounts(
    browser: httpx.AsyncClient, store: Store, moved: MovedClock
) -> None:
    await person(store, moved)
    statuses = [(await log_in(browser, f"someone{n}", "x")).status_code for n in range(21)]
    assert statuses == [422] * 20 + [429]
    assert (await log_in(browser)).status_code == 429
    moved.on(hours=3)
    assert (await log_in(browser)).status_code == 303


@pytest.mark.parametrize(
    ("counted", "also", "other"),
    [
        ("2001:db8:1:2::{n:x}", "2001:db8:1:2:ffff:ffff:ffff:ffff", "2001:db8:1:3::1"),
        ("fe80::{n:x}%eth0", "fe80::ffff%eth0", "fe80:0:0:1::1"),
        ("::ffff:192.0.2.7", "192.0.2.7", "::ffff:192.0.2.8"),
        ("192.0.2.7", "::ffff:c000:207", "192.0.2.8"),
        ("", "", "testclient"),
    ],
)
async def test_addresses_of_one_connection_count_as_one(
    sqlite_store: Store, moved: MovedClock, counted: str, also: str, other: str
) -> None:
    async with sqlite_store.write() as uow:
        for n in range(20):  # whoever has an IPv6 connection has 2 ** 64 addresses (RFC 6177)
            await throttle.count(uow, moved, f"someone{n}", counted.format(n=n + 1))
        with pytest.raises(throttle.TooMany):
            await throttle.count(uow, moved, "ada", also)
        await throttle.count(uow, moved, "ben", other)


async def test_many_tries_at_once_are_all_counted(
    browser: httpx.AsyncClient, store: Store, moved: MovedClock
) -> None:
    await person(store, moved)
    answers = await asyncio.gather(*(log_in(browser, password="wrong") for _ in range(12)))
    statuses = sorted(answer.status_code for answer in answers)
    assert statuses == [422] * 5 + [429] * 7


async def test_ones_own_password_is_tried_no_more_often_than_the_log_in(
    browser: httpx.AsyncClient, app: Litestar, store: Store, moved: MovedClock
) -> None:
    await person(store, moved)
    await log_in(browser)
    headers = {"x-csrf-token": await csrf_of(browser)}

    async def change(current: str) -> httpx.Response:
        body = {"currentPassword": current, "newPassword": "another sentence"}
        return await browser.post("/v1/me/password", json=body, headers=headers)

    for _ in range(5):
        problem_of(await change("wrong"), 422, "/currentPassword")
    refused = await change(PASSWORD)
    problem_of(refused, 429)
    assert refused.headers["retry-after"] == "2"
    form = {"current_password": PASSWORD, "new_password": "x", "new_password_again": "x"}
    page = await browser.post("/password", data={**form, "csrf": headers["x-csrf-token"]})
    assert (page.status_code, page.headers["retry-after"]) == (429, "2")
    async with browsing(app) as other:
        assert (await log_in(other)).status_code == 429, "one count for both"
    moved.on(seconds=3)
    assert (await change(PASSWORD)).status_code == 204
    async with browsing(app) as other:
        assert (await log_in(other, password="another sentence")).status_code == 303


async def test_no_transaction_is_open_while_a_password_is_hashed(
    client: httpx.AsyncClient,
    browser: httpx.AsyncClient,
    store: Store,
    moved: MovedClock,
    place: Place,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """SQLite has one writer, and a hash takes long."""
    user = await person(store, moved, role="owner")
    hashed, seen = passwords.hashed, []

    async def slowly(password: str) -> str:
        async with asyncio.timeout(3), store.write() as uow:
            await first_token(uow, moved)
        seen.append(password)
        return await hashed(password)

    monkeypatch.setattr(users, "hashed", slowly)
    monkeypatch.setattr(api_users, "hashed", slowly)
    body = {"login": "cleo", "role": "crew", "password": PASSWORD}
    assert (await client.post("/v1/users", json=body)).status_code == 201
    answer = await client.post(f"/v1/users/{user.id}/password", json={"password": PASSWORD})
    assert answer.status_code == 200
    await log_in(browser)
    csrf = await csrf_of(browser)
    form = {**body, "login": "dora", "csrf": csrf}
    page = await browser.post(f"/houses/{place.house['id']}/settings/users", data=form)
    assert page.status_code == 303, page.text
    assert len(seen) == 3


def test_the_wait_doubles_up_to_a_quarter_of_an_hour() -> None:
    assert [wait_s(n, 5) for n in (0, 4, 5, 6, 7, 14, 10**6)] == [0, 0, 2, 4, 8, 900, 900]


async def test_a_hash_with_old_parameters_is_renewed(
    browser: httpx.AsyncClient, store: Store, moved: MovedClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    user = await person(store, moved)
    monkeypatch.setattr(passwords, "_hasher", PasswordHasher(time_cost=2, memory_cost=16, parallelism=1))
    assert (await log_in(browser)).status_code == 303
    async with store.read() as uow:
        renewed = (await users.get_user(uow, SYSTEM, user.id)).password_hash
    assert renewed != user.password_hash
    assert "t=2" in renewed
    assert (await log_in(browser)).status_code == 303


# --------------------------------------------------------------------------- how long it lasts


async def test_a_session_ends(browser: httpx.AsyncClient, store: Store, moved: MovedClock) -> None:
    await person(store, moved)
    await log_in(browser)
    moved.on(days=6.9)
    assert (await browser.get("/page")).status_code == 200  # used: the idle time begins anew
    moved.on(days=6.9)
    assert (await browser.get("/page")).status_code == 200
    moved.on(days=7)
    assert (await browser.get("/page")).status_code == 303, "idle too long"

    await log_in(browser)
    for _ in range(5):
        moved.on(days=5.9)
        assert (await browser.get("/page")).status_code == 200
    moved.on(days=0.6)
    assert (await browser.get("/page")).status_code == 303, "a month old, however much it is used"


async def test_its_last_use_is_not_written_at_every_request(
    browser: httpx.AsyncClient, store: Store, moved: MovedClock
) -> None:
    await person(store, moved)
    await log_in(browser)
    before = (await all_rows(store))["session"]
    moved.on(minutes=4)
    await browser.get("/page")
    assert (await all_rows(store))["session"] == before
    moved.on(minutes=2)
    await browser.get("/page")
    assert (await all_rows(store))["session"] != before


async def test_logging_out_ends_the_session_not_only_the_cookie(
    browser: httpx.AsyncClient, store: Store, moved: MovedClock
) -> None:
    await person(store, moved)
    await log_in(browser)
    secret = browser.cookies["evenleaf_session"]
    out = await browser.post("/logout", data={"csrf": await csrf_of(browser)})
    assert (out.status_code, out.headers["location"]) == (303, "/login")
    assert "evenleaf_session" not in browser.cookies
    browser.cookies.set("evenleaf_session", secret)
    assert (await browser.get("/page")).status_code == 303


async def test_a_disabled_user_is_out_at_once(
    browser: httpx.AsyncClient, store: Store, moved: MovedClock
) -> None:
    user = await person(store, moved)
    await log_in(browser)
    async with store.write() as uow:
        await users.change_user(uow, moved, SYSTEM, user.id, {"active": False})
    assert (await browser.get("/page")).status_code == 303
    async with store.write() as uow:
        await users.change_user(uow, moved, SYSTEM, user.id, {"active": True})
    assert (await browser.get("/page")).status_code == 303, "the session had ended"


async def test_a_new_password_ends_the_other_sessions(
    app: Litestar, browser: httpx.AsyncClient, store: Store, moved: MovedClock
) -> None:
    await person(store, moved)
    await log_in(browser)
    async with browsing(app) as other:
        await log_in(other)
        csrf = await csrf_of(browser)
        new = "rows of red heads"

        async def send(**fields: str) -> httpx.Response:
            form = {
                "current_password": PASSWORD,
                "new_password": new,
                "new_password_again": new,
                "csrf": csrf,
            }
            return await browser.post("/password", data={**form, **fields})

        for wrong in (
            {"current_password": "x"},
            {"new_password_again": "x"},
            {"new_password": "short", "new_password_again": "short"},
            {"new_password": "ada" * 5, "new_password_again": "ada" * 5},
        ):
            answer = await send(**wrong)
            assert answer.status_code == 422, wrong
            assert 'role="alert"' in answer.text
        assert (await other.get("/page")).status_code == 200
        assert "is changed" in (await send()).text
        assert (await browser.get("/page")).status_code == 200
        assert (await other.get("/page")).status_code == 303
        assert (await log_in(other)).status_code == 422
        assert (await log_in(other, password=new)).status_code == 303


# --------------------------------------------------------------------------- other sites


async def test_another_site_cannot_make_a_browser_change_anything(
    browser: httpx.AsyncClient, store: Store, moved: MovedClock
) -> None:
    await person(store, moved)
    await log_in(browser)
    csrf = await csrf_of(browser)
    sent = {"what": "tick", "csrf": csrf}
    del browser.headers["origin"]

    async def post(data: dict[str, str], **headers: str) -> int:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        return (await browser.post("/page", data=data, headers=named)).status_code

    assert await post(sent, origin="http://farm.test") == 201
    assert await post({"what": "tick"}, x_csrf_token=csrf) == 201
    assert await post(sent, sec_fetch_site="same-origin") == 201
    assert await post({"what": "tick"}) == 403
    assert await post({"what": "tick", "csrf": "0" * 64}) == 403
    assert await post({"what": "tick", "csrf": ""}) == 403
    for site in ("cross-site", "same-site", "none"):
        assert await post(sent, sec_fetch_site=site, origin="http://farm.test") == 403
    for origin in (
        "http://evil.test",
        "null",
        "http://farm.test.evil.test",
        "http://[",
        "http://farm.test:81",
    ):
        assert await post(sent, origin=origin) == 403
    # Logging somebody else in is no less a change.
    answer = await browser.post(
        "/login", data={"login": "ada", "password": PASSWORD}, headers={"origin": "http://evil.test"}
    )
    assert answer.status_code == 403


async def test_the_token_of_one_session_is_not_that_of_another(
    app: Litestar, browser: httpx.AsyncClient, store: Store, moved: MovedClock
) -> None:
    await person(store, moved)
    await log_in(browser)
    async with browsing(app) as other:
        await log_in(other)
        theirs = await csrf_of(other)
    assert theirs != await csrf_of(browser)
    assert (await browser.post("/page", data={"csrf": theirs})).status_code == 403


# --------------------------------------------------------------------------- the API, with a cookie


async def test_the_api_takes_a_session_as_it_takes_a_token(
    browser: httpx.AsyncClient, store: Store, moved: MovedClock, place: Place, other_place: Place
) -> None:
    await person(store, moved, farm_id=place.farm["id"])
    problem_of(await browser.get("/v1/houses"), 401)
    await log_in(browser)
    listed = (await browser.get("/v1/houses")).json()["items"]
    assert [house["id"] for house in listed] == [place.house["id"]]
    problem_of(await browser.get(f"/v1/houses/{other_place.house['id']}"), 404)

    path, csrf = f"/v1/houses/{place.house['id']}", await csrf_of(browser)
    problem_of(await browser.patch(path, json={"name": "New"}), 403)
    problem_of(
        await browser.patch(
            path, json={"name": "New"}, headers={"x-csrf-token": csrf, "origin": "http://evil.test"}
        ),
        403,
    )
    changed = await browser.patch(path, json={"name": "New"}, headers={"x-csrf-token": csrf})
    assert changed.json()["name"] == "New"
    # A token that is sent is what counts, and a wrong one is not saved by the cookie.
    problem_of(await browser.get("/v1/houses", headers={"authorization": "Bearer evl_wrong"}), 401)


ROLES = [
    ("owner", {"read", "record", "write", "admin"}),
    ("grower", {"read", "record", "write"}),
    ("crew", {"read", "record"}),
    ("viewer", {"read"}),
]


@pytest.mark.parametrize(("role", "may"), ROLES)
async def test_a_role_may_what_it_says(
    browser: httpx.AsyncClient,
    client: httpx.AsyncClient,
    store: Store,
    moved: MovedClock,
    place: Place,
    role: str,
    may: set[str],
) -> None:
    task = await made(
        client,
        "/v1/tasks",
        {"houseId": place.house["id"], "kind": "check", "dueOn": "2026-09-14", "title": "Look at roots"},
    )
    user = await person(store, moved, role=role, farm_id=place.farm["id"])
    assert {s for s in ("read", "record", "write", "ingest", "admin") if users.access_of(user).may(s)} >= may
    await log_in(browser)
    browser.headers["x-csrf-token"] = await csrf_of(browser)
    farm = f"/v1/farms/{place.farm['id']}"
    tried = {
        "read": (await browser.get("/v1/tasks")).status_code,
        "record": (await browser.post(f"/v1/tasks/{task['id']}/done")).status_code,
        "write": (await browser.patch(f"/v1/houses/{place.house['id']}", json={})).status_code,
        "admin": (await browser.patch(farm, json={})).status_code,
    }
    assert tried == {scope: 200 if scope in may else 403 for scope in tried}
    assert (await browser.post("/page", data={})).status_code == (201 if "record" in may else 403)


# --------------------------------------------------------------------------- the first user


async def test_the_first_user_is_made_with_the_first_token_and_only_once(
    app: Litestar, open_client: httpx.AsyncClient, store: Store, moved: MovedClock
) -> None:
    async with store.write() as uow:
        token = await first_token(uow, moved)
    assert token is not None
    async with browsing(app) as browser:
        assert (await browser.get("/login")).headers["location"] == "/setup"
        assert 'name="token"' in (await browser.get("/setup")).text
        form = {"token": token, "login": "Ada@farm.test", "display_name": "Ada", "password": PASSWORD}
        for wrong in ({"token": "evl_wrong"}, {"token": ""}, {"login": "a b"}, {"password": "short"}):
            answer = await browser.post("/setup", data={**form, **wrong})
            assert answer.status_code == 422, wrong
            assert 'role="alert"' in answer.text
            assert PASSWORD not in answer.text
        assert not (await all_rows(store))["user"]
        done = await browser.post("/setup", data=form)
        assert (done.status_code, done.headers["location"]) == (303, "/")
        assert (await browser.get("/page")).text.startswith("Ada ")
        async with store.read() as uow:
            [owner] = (await users.list_users(uow, SYSTEM))[0]
        assert (owner.login, owner.role, owner.farm_id) == ("ada@farm.test", "owner", None)
        assert (await browser.get("/setup")).headers["location"] == "/login"
        again = await browser.post("/setup", data={**form, "login": "eve"})
        assert again.status_code == 422
        assert "already" in again.text
        assert (await browser.get("/login")).status_code == 200


async def test_a_limited_token_makes_no_first_user(
    app: Litestar, client: httpx.AsyncClient, store: Store, place: Place
) -> None:
    for body in ({"scopes": ["write"]}, {"scopes": ["admin"], "farmId": place.farm["id"]}):
        token = (await made(client, "/v1/tokens", {"name": "tablet", **body}))["secret"]
        async with browsing(app) as browser:
            form = {"token": token, "login": "ada", "password": PASSWORD}
            assert (await browser.post("/setup", data=form)).status_code == 422
    assert not (await all_rows(store))["user"]


def test_lifetimes_count_real_time_on_a_fast_clock(moved: MovedClock) -> None:
    moved.rate = 1000.0
    assert _on_clock(moved, timedelta(days=1)) == timedelta(days=1000)
