"""People who log in, for the tests of the pages."""

from __future__ import annotations

from dataclasses import dataclass

from playwright.sync_api import Page

from service.work.access import SYSTEM, create_token
from tests.web.serving import Site

SCOPES = {"owner": ["write", "admin"], "grower": ["write"], "viewer": ["read"]}


@dataclass(frozen=True)
class Person:
    """Someone who can log in."""

    login: str
    password: str


def make_person(site: Site, role: str) -> Person:
    """Make someone with a role."""
    _, secret = site.do(lambda uow: create_token(uow, site.clock, SYSTEM, f"Robin {role}", SCOPES[role], None))
    return Person(f"Robin {role}", secret)


def log_in(page: Page, person: Person) -> None:
    """Log in by the page."""
    page.goto("/login")
    page.fill("input[type=password]", person.password)
    page.click("main form button")
    page.wait_for_url(lambda url: "/login" not in url)
