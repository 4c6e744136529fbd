"""Mail: one when an alert opens, one when it ends, a digest in the morning, nothing at night that can wait."""

from __future__ import annotations

from datetime import UTC, date, datetime

from service.deliver.deliverer import REFUSED_TRIES
from service.records.store import Store
from service.records.tables import Task
from service.work.access import SYSTEM
from service.work.alerts import acknowledge_alert, snooze_alert
from service.work.notices import remind
from service.work.receivers import send_test
from tests.deliver.rig import (
    SENDER,
    Inbox,
    MovingClock,
    condition,
    deliverer,
    notices,
    receiver,
    settle,
)
from tests.work.conftest import Place

GROWER = "grower@example.org"


async def test_one_mail_when_it_opens_and_one_when_it_ends(
    store: Store, moving: MovingClock, place: Place, inbox: Inbox
) -> None:
    await receiver(store, moving, place, "mail", GROWER)
    sender = deliverer(store, moving, inbox=inbox)
    for conditions in ([condition()], [condition(title="Channels: still no flow")], []):
        await settle(store, moving, place, *conditions)
        await sender.pass_()
        moving.move(minutes=10)
    await sender.close()
    opened, ended = inbox.mails
    assert (opened["from"], opened["to"]) == (SENDER, GROWER)
    assert opened["subject"] == "Channels: no flow (North house)"
    text = opened.get_content()
    assert "Flow has been 0 L min-1 for 12 minutes." in text
    assert "Next step: Look at the pump." in text
    assert "Opened: Mon 14 Sep, 08:00" in text  # of Amsterdam
    assert "no safety system" in text
    assert ended["subject"] == "Ended: Channels: still no flow (North house)"
    assert "Ended: Mon 14 Sep, 08:20" in ended.get_content()
    assert opened["message-id"] != ended["message-id"]
    assert opened["references"] == ended["references"]


async def test_worse_is_told_also_of_what_was_acknowledged_or_snoozed(
    store: Store, moving: MovingClock, place: Place, inbox: Inbox
) -> None:
    await receiver(store, moving, place, "mail", GROWER)
    sender = deliverer(store, moving, inbox=inbox)
    await settle(store, moving, place, condition())
    async with store.write() as uow:
        await acknowledge_alert(uow, moving, SYSTEM, 1)
        await snooze_alert(uow, moving, SYSTEM, 1, datetime(2026, 9, 14, 9, tzinfo=UTC))
    await settle(store, moving, place, condition(severity="urgent"))
    await sender.pass_()
    assert [m["subject"] for m in inbox.mails] == [
        "Channels: no flow (North house)",
        "Urgent: Channels: no flow (North house)",
    ]
    moving.move(hours=3)
    async with store.write() as uow:
        assert await remind(uow, moving, place.house) == 1
    async with store.write() as uow:
        assert await remind(uow, moving, place.house) == 0
    await sender.pass_()
    await sender.close()
    assert inbox.mails[2]["subject"] == "Still open: Channels: no flow (North house)"


async def test_at_night_only_what_is_urgent_goes_and_the_rest_waits_for_the_digest(
    store: Store, moving: MovingClock, place: Place, inbox: Inbox
) -> None:
    await receiver(
        store, moving, place, "mail", GROWER, quiet_from="21:00", quiet_to="06:30", digest_at="06:30"
    )
    sender = deliverer(store, moving, inbox=inbox)
    await sender.pass_()  # the digest of the day it was made: nothing to say
    moving.moment = datetime(2026, 9, 14, 22, 15, tzinfo=UTC)  # after midnight there
    await settle(store, moving, place, condition())
    await settle(store, moving, place, condition(), condition(kind="hot", subject="zone:1", title="Hot"))
    await sender.pass_()
    assert inbox.mails == []
    urgent = condition(kind="cold", subject="zone:1", severity="urgent", title="Frost")
    await settle(
        store, moving, place, condition(), condition(kind="hot", subject="zone:1", title="Hot"), urgent
    )
    await sender.pass_()
    assert [m["subject"] for m in inbox.mails] == ["Urgent: Frost (North house)"]
    await settle(
        store, moving, place, condition(), urgent
    )  # it cooled down; but not of a kind that is settled
    async with store.write() as uow:
        uow.session.add(
            Task(house_id=place.house.id, kind="seed", due_on=date(2026, 9, 15), title="Seed 200 cells")
        )
    moving.moment = datetime(2026, 9, 15, 4, 29, tzinfo=UTC)
    await sender.pass_()
    assert len(inbox.mails) == 1
    moving.move(minutes=1)
    await sender.pass_()
    await sender.pass_()
    moving.move(minutes=2)
    await sender.pass_()
    await sender.close()
    _, digest = inbox.mails
    assert digest["subject"] == "Alder Farm: Tue 15 Sep"
    text = digest.get_content()
    held, rest = text.split("Open now:")
    assert "00:15 Channels: no flow (North house)" in held
    assert "00:15 Hot (North house)" in held
    assert "Frost" not in held
    assert "Urgent: Frost (North house)" in rest
    assert "Seed 200 cells (North house)" in rest.split("To do today:")[1]
    assert {n.state for n in await notices(store)} == {"sent", "replaced"}


async def test_without_a_digest_what_was_held_goes_when_the_night_ends(
    store: Store, moving: MovingClock, place: Place, inbox: Inbox
) -> None:
    await receiver(store, moving, place, "mail", GROWER, quiet_from="21:00", quiet_to="06:30")
    sender = deliverer(store, moving, inbox=inbox)
    moving.moment = datetime(2026, 9, 14, 22, 15, tzinfo=UTC)
    await settle(store, moving, place, condition())
    await sender.pass_()
    assert inbox.mails == []
    moving.moment = datetime(2026, 9, 15, 4, 30, tzinfo=UTC)
    await sender.pass_()
    await sender.close()
    assert len(inbox.mails) == 1


async def test_only_what_was_asked_for(store: Store, moving: MovingClock, place: Place, inbox: Inbox) -> None:
    await receiver(store, moving, place, "mail", "a@example.org", min_severity="urgent")
    await receiver(store, moving, place, "mail", "b@example.org", alert_kinds=["seed_heat"])
    await receiver(store, moving, place, "mail", "c@example.org", house_ids=[place.house.id])
    sender = deliverer(store, moving, inbox=inbox)
    await settle(
        store, moving, place, condition(), condition(kind="seed_heat", title="Hot", severity="urgent")
    )
    await sender.pass_()
    await sender.close()
    got = sorted((m["to"], m["subject"].removesuffix(" (North house)")) for m in inbox.mails)
    assert got == [
        ("a@example.org", "Urgent: Hot"),
        ("b@example.org", "Urgent: Hot"),
        ("c@example.org", "Channels: no flow"),
        ("c@example.org", "Urgent: Hot"),
    ]


async def test_a_server_that_refuses_is_tried_again(
    store: Store, moving: MovingClock, place: Place, inbox: Inbox
) -> None:
    row, _ = await receiver(store, moving, place, "mail", GROWER)
    async with store.write() as uow:
        await send_test(uow, moving, SYSTEM, row.id)
    inbox.answer = "451 try later"
    sender = deliverer(store, moving, inbox=inbox)
    await sender.pass_()
    (notice,) = await notices(store)
    assert notice.state == "waiting"
    assert "try later" in (notice.last_error or "")
    inbox.answer = "250 OK"
    moving.move(seconds=15)
    await sender.pass_()
    await sender.close()
    assert [m["subject"] for m in inbox.mails] == ["Evenleaf: a test"]


async def test_a_mail_whose_text_is_refused_is_given_up_after_a_few_tries(
    store: Store, moving: MovingClock, place: Place, inbox: Inbox
) -> None:
    await receiver(store, moving, place, "mail", GROWER)
    sender = deliverer(store, moving, inbox=inbox)
    inbox.answer = "554 looks like spam"
    await settle(store, moving, place, condition())
    for _ in range(30):
        await sender.pass_()
        moving.move(minutes=1)
    await sender.close()
    (notice,) = await notices(store)
    assert (notice.state, notice.attempts) == ("dead", REFUSED_TRIES)
    assert notice.last_error == "refused: 554 looks like spam"


async def test_without_a_mail_server_nothing_is_lost(store: Store, moving: MovingClock, place: Place) -> None:
    await receiver(store, moving, place, "mail", GROWER)
    sender = deliverer(store, moving)
    await settle(store, moving, place, condition())
    await sender.pass_()
    await sender.close()
    (notice,) = await notices(store)
    assert (notice.state, notice.last_error) == ("waiting", "no mail server is set (EVENLEAF_SMTP_HOST)")


async def test_line_breaks_in_names_do_not_reach_the_headers(
    store: Store, moving: MovingClock, place: Place, inbox: Inbox
) -> None:
    await receiver(store, moving, place, "mail", GROWER)
    sender = deliverer(store, moving, inbox=inbox)
    await settle(store, moving, place, condition(title="Too warm\r\nBcc: all@example.org\nÜber 30 °C"))
    await sender.pass_()
    await sender.close()
    (mail,) = inbox.mails
    assert mail["bcc"] is None
    assert mail["subject"] == "Too warm Bcc: all@example.org Über 30 °C (North house)"
