"""A browser, and the service with a farm for it to look at."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page

from tests.conftest import REQUIRED, run_apart
from tests.services import Unavailable
from tests.web.browser import chromium
from tests.web.farm import Made, make_farm
from tests.web.people import Person, log_in, make_person
from tests.web.serving import Site, serving


@pytest.fixture(scope="module")  # it keeps an event loop running, which other modules' tests cannot have
def browser() -> Iterator[Browser]:
    """Have Chromium; where it cannot be had, skip, or fail if it is required."""
    try:
        with chromium() as started:
            yield started
    except Unavailable as reason:
        if "chromium" in REQUIRED:
            pytest.fail(f"chromium is required: {reason}", pytrace=False)
        pytest.skip(f"chromium: {reason}")


@dataclass
class Grounds:
    """A farm that is served, and who may log in to it."""

    site: Site
    made: Made
    people: dict[str, Person]

    @property
    def house(self) -> str:
        """The path of its house."""
        return f"/houses/{self.made.house_id}"


@pytest.fixture(scope="session")
def farm_file(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Made]:
    """Return a store with a farm in it, to be copied: its forecasts take some seconds."""
    file = tmp_path_factory.mktemp("farm") / "evenleaf.sqlite3"
    shutil.copy(sqlite_template, file)

    async def fill() -> Made:
        from tests.conftest import open_store

        async with open_store(f"sqlite+aiosqlite:///{file}") as store:
            return await make_farm(store)

    return file, run_apart(fill())


@pytest.fixture(scope="module")
def grounds(farm_file: tuple[Path, Made], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Grounds]:
    """Have a farm of the module's own, served."""
    file, made = farm_file
    own = shutil.copy(file, tmp_path_factory.mktemp("served") / "evenleaf.sqlite3")
    with serving(f"sqlite+aiosqlite:///{own}") as site:
        people = {role: make_person(site, role) for role in ("owner", "crew", "viewer")}
        yield Grounds(site, made, people)


@dataclass
class Look:
    """A page with all that went wrong on it written down."""

    page: Page
    context: BrowserContext
    outside: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)

    def fine(self) -> None:
        """Check that nothing was asked of another host, and nothing was refused or failed."""
        assert self.outside == []
        assert self.errors == []


LookMaker = Callable[..., Any]


@pytest.fixture
def look(browser: Browser) -> Iterator[LookMaker]:
    """Open pages as someone, of a size and scheme; all of them are checked at the end."""
    made: list[Look] = []

    @contextmanager
    def open_page(
        site: Site,
        person: Person | None = None,
        *,
        width: int = 820,
        height: int = 1180,
        workers: str = "block",
        **context: Any,
    ) -> Iterator[Look]:
        opened = browser.new_context(
            base_url=site.url,
            viewport={"width": width, "height": height},
            service_workers=workers,
            **context,
        )
        opened.set_default_timeout(20_000)
        page = opened.new_page()
        found = Look(page, opened)
        made.append(found)
        opened.on(
            "request",
            lambda request: (
                None
                if request.url.startswith((site.url, "data:", "blob:"))
                else found.outside.append(request.url)
            ),
        )
        page.on(
            "console",
            lambda message: (
                found.errors.append(message.text)
                if message.type in {"error", "warning"} and "by Playwright" not in message.text
                else None
            ),
        )
        page.on("pageerror", lambda error: found.errors.append(str(error)))
        try:
            if person is not None:
                log_in(page, person)
            yield found
        finally:
            opened.close()

    yield open_page
    for found in made:
        assert found.outside == [], "nothing is asked of another host"
