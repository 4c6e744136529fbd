"""Jobs done on the pages from beginning to end, in Chromium: tracing a lot, correcting a record, saying who is told."""

from __future__ import annotations

import re

from playwright.sync_api import Locator, Page, expect
from sqlalchemy import select

from service.records.tables import Entry, Notice, Receiver
from tests.web.conftest import Grounds, LookMaker
from tests.web.test_browser import of_kind


def open_(card: Locator) -> None:
    """Open what may be open already."""
    if card.get_attribute("open") is None:
        card.locator("summary").first.click()


def test_a_lot_is_traced_from_the_seed_to_the_buyer_and_back(grounds: Grounds, look: LookMaker) -> None:
    """From the lot on a buyer's box to the seed, and from that seed to all that left."""
    goods = grounds.made.goods
    assert goods is not None
    with look(grounds.site, grounds.people["viewer"]) as seen:
        page: Page = seen.page
        page.goto(f"/packed-lots/{goods.packed_lot_id}")
        code = page.locator("h1").inner_text().split()[-1]
        page.goto(f"/trace?house={grounds.made.house_id}")
        search = page.locator(
            "main form", has=page.get_by_label(re.compile("lot code|Lot code|packed", re.IGNORECASE))
        ).first
        search.locator("input[type=text], input[type=search], input:not([type])").first.fill(code)
        search.get_by_role("button").first.click()
        expect(page.locator(".way")).to_be_visible()
        way = page.locator("main").inner_text()
        assert code in way
        page.goto(f"/trace?house={grounds.made.house_id}&from=seedLot:{goods.seed_lot_id}")
        there = page.locator("main").inner_text()
        assert code in there, "from the seed one comes to the lot that was packed"
        seen.fine()


def test_a_record_is_corrected_and_both_stay(grounds: Grounds, look: LookMaker) -> None:
    """What was written down wrong is taken back on the batch's page and written down right."""
    batch_id = grounds.made.batch_ids[0]
    with look(grounds.site, grounds.people["crew"], width=360, height=640) as seen:
        page: Page = seen.page
        page.goto(f"/batches/{batch_id}")
        form = page.locator("#harvested form")
        form.get_by_label("Heads cut").fill("31")
        form.get_by_role("button", name="Record harvest").click()
        page.get_by_role("button", name="Undo").first.click()
        expect(page.locator("#told")).to_contain_text("Taken back")
        form = page.locator("#harvested form")
        form.get_by_label("Heads cut").fill("13")
        form.get_by_role("button", name="Record harvest").click()
        expect(page.get_by_role("button", name="Undo").first).to_be_visible()
        wrong, back, right = of_kind(grounds.site, batch_id, "harvested")
        assert (wrong.plants, back.void, back.supersedes_id, right.plants) == (31, True, wrong.id, 13)
        seen.fine()


def test_who_is_told_is_said_on_a_page(grounds: Grounds, look: LookMaker) -> None:
    """A webhook's secret is shown once; a test is sent; quiet hours and kinds are kept; it is deleted."""

    async def receivers(uow: object) -> list[Receiver]:
        return list(await uow.session.scalars(select(Receiver)))  # type: ignore[attr-defined]

    async def notices(uow: object) -> list[Notice]:
        return list(await uow.session.scalars(select(Notice)))  # type: ignore[attr-defined]

    with look(grounds.site, grounds.people["owner"]) as seen:
        page: Page = seen.page
        page.goto(f"{grounds.house}/settings")
        page.get_by_role("link", name="Who is told").click()
        page.get_by_role("heading", name="Set up a receiver").click()
        new = page.locator("form", has=page.get_by_label("Way"))
        new.get_by_label("Way").select_option("webhook")
        new.get_by_label("Name").fill("Packing <b>room</b>")
        new.get_by_label("Address").fill("http://127.0.0.1:9/hook")
        new.get_by_role("button", name="Set up a receiver").click()
        expect(page.locator("#new-target-problem")).to_be_visible()
        assert page.get_by_label("Name").last.input_value() == "Packing <b>room</b>", "nothing typed is lost"
        new.get_by_label("Address").fill("https://example.org/hook")
        new.get_by_role("button", name="Set up a receiver").click()
        secret = page.locator("code").inner_text()
        assert secret.startswith("whsec_")
        (made,) = grounds.site.do(receivers)
        assert (made.secret, made.name, made.min_severity) == (secret, "Packing <b>room</b>", "warning")
        page.goto(f"{grounds.house}/receivers")
        assert secret not in page.content()

        card = page.locator(f"#receiver-{made.id}")
        open_(card)
        card.get_by_label("Quiet from").fill("21:00")
        card.get_by_label("Quiet until").fill("06:30")
        card.get_by_text("Only some kinds of alerts").click()
        card.get_by_label("Flow lost").check()
        card.get_by_role("button", name="Save").click()
        expect(page.locator("#told")).to_contain_text("Saved")
        (made,) = grounds.site.do(receivers)
        assert (made.quiet_from, made.quiet_to, made.alert_kinds) == ("21:00", "06:30", ["flow_lost"])

        open_(card)
        card.get_by_role("button", name=re.compile("Send a test")).click()
        expect(page.get_by_text("waiting to be sent")).to_be_visible()
        assert [n.type for n in grounds.site.do(notices)] == ["evenleaf.test"]
        open_(card)
        card.get_by_role("button", name=re.compile("Delete")).click()
        expect(page.get_by_text("Nobody is told yet")).to_be_visible()
        assert grounds.site.do(receivers) == []
        assert [e for e in seen.errors if "422" not in e] == []
    with look(grounds.site, grounds.people["crew"]) as seen:
        seen.page.goto(f"{grounds.house}/receivers")
        expect(seen.page.get_by_text("You may not do this")).to_be_visible()


def test_a_count_is_recorded_and_taken_back_with_the_keyboard_alone(
    grounds: Grounds, look: LookMaker
) -> None:
    """From the page of today to a batch, its form, the record and its undoing, without a pointer."""

    def counts() -> list[Entry]:
        return of_kind(grounds.site, batch_id, "leaves_counted")

    with look(grounds.site, grounds.people["crew"]) as seen:
        page: Page = seen.page

        def tab_to(selector: str, most: int = 80) -> None:
            for _ in range(most):
                page.keyboard.press("Tab")
                if page.evaluate("(s) => document.activeElement.matches(s)", selector):
                    return
            raise AssertionError(f"{selector} is not reached")

        page.goto(f"{grounds.house}/today")
        tab_to("main h3 a[href^='/batches/']")
        page.keyboard.press("Enter")
        page.wait_for_url(re.compile(r"/batches/\d+"))
        batch_id = int(page.url.rsplit("/", 1)[1])
        before = len(counts())
        tab_to("#leaves_counted summary")
        page.keyboard.press("Enter")
        tab_to("#leaves_counted [name=leaves]")
        page.keyboard.type("4.5")
        page.keyboard.press("Enter")
        expect(page.get_by_role("button", name="Undo").first).to_be_visible()
        assert [e.leaves for e in counts()[before:]] == [4.5]
        tab_to("form.said button")
        page.keyboard.press("Enter")
        expect(page.locator("#told")).to_contain_text("Taken back")
        assert [e.void for e in counts()[before:]] == [False, True]
        seen.fine()


def test_an_alert_is_seen_to_and_put_off(grounds: Grounds, look: LookMaker) -> None:
    """It stays on the page with who sees to it; whoever may only record is not offered to."""
    with look(grounds.site, grounds.people["crew"]) as seen:
        seen.page.goto(f"{grounds.house}/today")
        expect(seen.page.locator(".alert form")).to_have_count(0)
    with look(grounds.site, grounds.people["owner"], width=360, height=640) as seen:
        page: Page = seen.page
        page.goto(f"{grounds.house}/today")
        card = page.locator(".alert", has_text="Canopy light")
        card.get_by_role("button", name=re.compile("I see to it")).click()
        expect(page.locator("#told")).to_contain_text("You see to it")
        expect(card).to_contain_text("Robin owner sees to it")
        card.get_by_role("button", name=re.compile("Quiet for a day")).click()
        expect(card).to_contain_text("Nothing is sent of it until Tue 15 Sep")
        expect(card.locator("form")).to_have_count(0)
        seen.fine()
