"""People who log in, for the tests of the pages."""

from __future__ import annotations

from dataclasses import dataclass

from playwright.sync_api import Page

from service.work.access import SYSTEM
from service.work.users import create_user, prepare_user
from tests.web.serving import Site

PASSWORD = "seven green lettuces"


@dataclass(frozen=True)
class Person:
    """Someone who can log in."""

    login: str
    name: str
    password: str = PASSWORD


def make_person(site: Site, role: str) -> Person:
    """Make someone with a role."""
    person = Person(f"robin.{role}", f"Robin {role}")

    async def make() -> None:
        new = await prepare_user(
            {"login": person.login, "display_name": person.name, "role": role}, person.password
        )
        async with site.store.write() as uow:
            await create_user(uow, site.clock, SYSTEM, new)

    site.run(make())
    return person


def log_in(page: Page, person: Person) -> None:
    """Log in by the page."""
    page.goto("/login")
    page.fill("input[name=login]", person.login)
    page.fill("input[name=password]", person.password)
    page.click("main form button")
    page.wait_for_url(lambda url: "/login" not in url)
