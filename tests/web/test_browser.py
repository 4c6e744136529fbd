"""What people do on the pages, in Chromium."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import select

from service.records.tables import Entry, Task
from service.work.access import SYSTEM
from service.work.tasks import list_tasks
from tests.web.conftest import Grounds, LookMaker
from tests.web.people import make_person
from tests.web.screenshots import pages_of
from tests.web.serving import Site, serving


def ledger(site: Site, batch_id: int) -> list[Entry]:
    """Return a batch's ledger."""

    async def read(uow: object) -> list[Entry]:
        statement = select(Entry).where(Entry.batch_id == batch_id).order_by(Entry.id)
        return list(await uow.session.scalars(statement))  # type: ignore[attr-defined]

    return site.do(read)


def of_kind(site: Site, batch_id: int, kind: str) -> list[Entry]:
    """Return the entries of a kind."""
    return [entry for entry in ledger(site, batch_id) if entry.kind == kind]


# --------------------------------------------------------------------------- the first run


@pytest.fixture
def empty_site(sqlite_template: Path, tmp_path: Path) -> Iterator[Site]:
    """Have a service without anything in it."""
    own = shutil.copy(sqlite_template, tmp_path / "first.sqlite3")
    with serving(f"sqlite+aiosqlite:///{own}") as site:
        yield site


def test_from_the_first_run_to_the_first_forecast(empty_site: Site, look: LookMaker) -> None:
    """House, crop, sensor, batch: then it lies on the belt, with a forecast."""
    owner = make_person(empty_site, "owner")
    with look(empty_site, owner, timezone_id="America/New_York") as seen:
        page: Page = seen.page
        expect(page).to_have_url(re.compile("/houses/new$"))
        page.fill("[name=farm]", "Alder Farm")
        page.fill("[name=name]", "South house")
        page.fill("[name=latitude_deg]", "91")
        page.fill("[name=longitude_deg]", "-79.8")
        assert page.input_value("[name=time_zone]") == "America/New_York"
        page.fill("[name=nursery_cells]", "2000")
        page.fill("[name=channel_sites]", "1500")
        page.click("main form .main")
        expect(page.locator("#latitude_deg-problem")).to_contain_text("must be from -90 to 90")
        assert page.input_value("[name=name]") == "South house", "what was typed is not lost"
        page.fill("[name=latitude_deg]", "36.1")
        page.click("main form .main")

        page.select_option("[name=profile]", "butterhead")
        page.fill("[name=heads_per_harvest]", "150")
        page.check("[name=seeding_weekdays][value='1']")
        page.fill("[name=cells_per_seeding]", "190")
        page.click("main form .main")

        page.fill("[name=topic]", "evenleaf/south/temp")
        page.click("main form .main")
        expect(page.get_by_text("evenleaf/south/temp")).to_be_visible()
        page.get_by_role("link", name="Go on").click()

        page.fill("[name=seeded_on]", "2026-09-10")
        page.click("main form .main")
        expect(page.get_by_role("heading", name="South house, on the way to the door")).to_be_visible()
        batch = page.locator(".belt-wide a.batch")
        expect(batch).to_have_count(1)
        assert "harvest expected" in (batch.get_attribute("aria-label") or "")
        errors = [e for e in seen.errors if "422" not in e]  # the refused form
        assert errors == []


# --------------------------------------------------------------------------- recording


def test_a_transplant_is_recorded_on_a_phone_and_taken_back(grounds: Grounds, look: LookMaker) -> None:
    """One tap records what is suggested; one more takes it back, and both stay in the ledger."""
    with look(grounds.site, grounds.people["crew"], width=360, height=640) as seen:
        page: Page = seen.page
        page.goto(f"{grounds.house}/today")
        form = page.locator("form.tap").filter(has_text="Record transplant").first
        batch_id = int(form.get_attribute("data-record") or "0")
        button = form.get_by_role("button")
        box = button.bounding_box()
        assert box is not None
        assert min(box["height"], box["width"]) >= 44
        assert page.evaluate("document.documentElement.scrollWidth") <= 360, "nothing sticks out"
        form.get_by_label("Plants").fill("150")
        button.click()
        page.get_by_role("button", name="Undo").wait_for()
        (moved,) = of_kind(grounds.site, batch_id, "transplanted")
        assert (moved.plants, moved.recorded_by) == (150, "Robin crew")
        page.get_by_role("button", name="Undo").click()
        expect(page.locator("#told")).to_contain_text("Taken back")
        assert [e.void for e in of_kind(grounds.site, batch_id, "transplanted")] == [False, True]
        seen.fine()


def test_what_cannot_be_is_said_at_its_field(grounds: Grounds, look: LookMaker) -> None:
    """With a script and without one, nothing is recorded and nothing of what was typed is lost."""
    batch_id = grounds.made.batch_ids[0]
    before = len(ledger(grounds.site, batch_id))
    for script in (True, False):
        with look(grounds.site, grounds.people["crew"], java_script_enabled=script) as seen:
            page: Page = seen.page
            page.goto(f"/batches/{batch_id}")
            form = page.locator("#harvested form")
            form.get_by_label("Heads cut").fill("5000")
            form.get_by_role("button", name="Record harvest").click()
            expect(form.locator("[data-problem=plants]")).to_be_visible()
            assert form.get_by_label("Heads cut").input_value() == "5000"
            expect(form.get_by_label("Heads cut")).to_have_attribute("aria-invalid", "true")
    assert len(ledger(grounds.site, batch_id)) == before


def test_records_without_network_are_kept_and_sent_once(grounds: Grounds, look: LookMaker) -> None:
    """Kept in the browser over a reload, counted, sent when the network is back, and written down once."""
    batch_id = grounds.made.batch_ids[4]
    before = len(of_kind(grounds.site, batch_id, "leaves_counted"))
    with look(grounds.site, grounds.people["crew"], width=360, height=640, workers="allow") as seen:
        page: Page = seen.page
        page.goto(f"{grounds.house}/today")
        page.evaluate("navigator.serviceWorker.ready")
        page.evaluate(
            "async (path) => { const pages = await caches.open('pages');"
            " while (!(await pages.match(path))) await new Promise((done) => setTimeout(done, 100)); }",
            f"/batches/{batch_id}",
        )
        seen.context.set_offline(True)
        page.goto(f"/batches/{batch_id}")  # from what the browser kept
        page.locator("#leaves_counted summary").first.click()
        form = page.locator("#leaves_counted form")
        form.get_by_label("True leaves a plant").fill("9.5")
        form.get_by_role("button", name="Record count").click()
        expect(page.locator("#unsent")).to_have_text("1 unsent")
        page.reload()
        expect(page.locator("#unsent")).to_have_text("1 unsent")
        assert len(of_kind(grounds.site, batch_id, "leaves_counted")) == before
        # An answer that is lost on the way: the record was written down, and is sent again with its key.
        lost: list[str] = []

        def lose(route: object) -> None:
            lost.append(route.request.headers["idempotency-key"])  # type: ignore[attr-defined]
            if len(lost) == 1:
                route.fetch()  # type: ignore[attr-defined]
                route.abort()  # type: ignore[attr-defined]
            else:
                route.continue_()  # type: ignore[attr-defined]

        seen.context.route("**/v1/batches/*/entries", lose)
        seen.context.set_offline(False)  # what waits is sent at once
        for _ in range(100):
            if lost:
                break
            page.wait_for_timeout(100)
        expect(page.locator("#unsent")).to_have_text("1 unsent")
        page.goto("/unsent")
        expect(page.get_by_text("Everything is sent.")).to_be_visible(timeout=20_000)
        assert len(set(lost)) == 1
        assert len(lost) >= 2
        counts = of_kind(grounds.site, batch_id, "leaves_counted")
        assert len(counts) == before + 1, "once"
        assert counts[-1].leaves == 9.5
        assert seen.outside == []


def test_a_refused_record_is_kept_with_the_reason(grounds: Grounds, look: LookMaker) -> None:
    """What was recorded without network and contradicts the ledger is not lost silently."""
    batch_id = grounds.made.batch_ids[1]
    with look(grounds.site, grounds.people["crew"]) as seen:
        page: Page = seen.page
        page.goto(f"/batches/{batch_id}")
        seen.context.set_offline(True)
        form = page.locator("#harvested form")
        form.get_by_label("Heads cut").fill("5000")
        form.get_by_role("button", name="Record harvest").click()
        expect(page.locator("#unsent")).to_have_text("1 unsent")
        seen.context.set_offline(False)
        page.goto("/unsent")
        expect(page.locator("#unsent-list .problem")).to_contain_text("Refused:")
        page.on("dialog", lambda dialog: dialog.accept())
        page.get_by_role("button", name="Throw away").click()
        expect(page.get_by_text("Everything is sent.")).to_be_visible()
    assert not of_kind(grounds.site, batch_id, "harvested")


# --------------------------------------------------------------------------- advice, viewers


def test_advice_is_accepted(grounds: Grounds, look: LookMaker) -> None:
    """Its seedings are on the work list, and the interval is the succession's."""
    succession_id = grounds.made.succession_ids[0]
    with look(grounds.site, grounds.people["owner"]) as seen:
        page: Page = seen.page
        page.goto(f"{grounds.house}/advice")
        card = page.locator(f"#succession-{succession_id}")
        expect(card.get_by_text("Days between harvests")).to_be_visible()
        card.get_by_role("button", name="Accept").click()
        expect(page.locator("#told")).to_contain_text("Accepted")
        card = page.locator(f"#succession-{succession_id}")
        expect(card.get_by_text("on the work list").first).to_be_visible()
        seen.fine()

    async def tasks(uow: object) -> list[Task]:
        return (await list_tasks(uow, SYSTEM, house_id=grounds.made.house_id, kind="seed"))[0]  # type: ignore[arg-type]

    assert [t for t in grounds.site.do(tasks) if t.note == "from the advice"]


def test_a_viewer_sees_and_cannot_write(grounds: Grounds, look: LookMaker) -> None:
    """No form that writes is shown, and what is sent all the same is refused."""
    batch_id = grounds.made.batch_ids[0]
    before = len(ledger(grounds.site, batch_id))
    with look(grounds.site, grounds.people["viewer"]) as seen:
        page: Page = seen.page
        for path in (
            grounds.house,
            f"{grounds.house}/today",
            f"{grounds.house}/advice",
            f"/batches/{batch_id}",
        ):
            page.goto(path)
            expect(page.locator("main form")).to_have_count(0)
        seen.fine()
        csrf = page.locator("footer [name=csrf]").first.input_value()
        answer = page.request.post(
            f"/batches/{batch_id}/entries",
            form={"csrf": csrf, "kind": "harvested", "plants": "3"},
            headers={"sec-fetch-site": "same-origin"},
        )
        assert answer.status == 403
        assert "You may not do this" in answer.text()
    assert len(ledger(grounds.site, batch_id)) == before


def test_a_batch_is_opened_by_its_code(grounds: Grounds, look: LookMaker) -> None:
    """Typed in small letters, where no camera reads codes."""
    with look(grounds.site, grounds.people["crew"], width=360, height=640) as seen:
        page: Page = seen.page
        page.goto(f"{grounds.house}/today")
        page.get_by_role("link", name="Scan").click()
        page.get_by_label("Or type the batch code").fill("n1-but-260803")
        page.get_by_role("button", name="Open").click()
        expect(page.get_by_role("heading", name="N1-BUT-260803")).to_be_visible()
        seen.fine()


def test_everything_is_reached_by_keyboard(grounds: Grounds, look: LookMaker) -> None:
    """From the start of the belt's page to a batch and its form, with Tab and Enter alone."""
    with look(grounds.site, grounds.people["crew"]) as seen:
        page: Page = seen.page
        page.goto(grounds.house)
        page.keyboard.press("Tab")
        expect(page.get_by_role("link", name="Go to the page")).to_be_focused()
        page.keyboard.press("Enter")
        for _ in range(4):
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement.matches('a.batch')"):
                break
        assert page.evaluate("document.activeElement.matches('a.batch')")
        stroke = page.evaluate("getComputedStyle(document.activeElement.querySelector('.hit')).strokeWidth")
        assert stroke == "3px", "where one is can be seen"
        page.keyboard.press("Enter")
        page.wait_for_url(re.compile(r"/batches/\d+"))
        for _ in range(30):
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement.matches('.record summary')"):
                break
        assert page.evaluate("document.activeElement.matches('.record summary')")
        seen.fine()


def test_nothing_moves_while_a_page_is_read(grounds: Grounds, look: LookMaker) -> None:
    """No layout shift on any page."""
    with look(grounds.site, grounds.people["owner"], width=360, height=640) as seen:
        page: Page = seen.page
        page.add_init_script(
            "window.shift = 0; new PerformanceObserver((list) => { for (const e of list.getEntries())"
            " if (!e.hadRecentInput) window.shift += e.value; }).observe({type: 'layout-shift', buffered: true});"
        )
        for path in pages_of(grounds.made).values():
            page.goto(path)
            page.wait_for_load_state("networkidle")
            assert page.evaluate("window.shift") == 0, path
