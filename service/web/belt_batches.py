"""The batches of a belt as text: twice in its picture, lengthwise and downwards, and as rows of its table.

There may be hundreds, so each is written in one step here and not by the template's loops.
"""

from __future__ import annotations

from collections.abc import Iterable

from markupsafe import Markup, escape

from service.web.belt import Belt, Laid, Lane
from service.web.texts import Formats
from service.work.line import LineBatch

TRACK_PX = 46
"""Height of a track, lengthwise."""
DAY_PX, COLUMN_PX = 15, 66
"""Height of a day and width of a track, downwards."""
_HIT_PX = 44  # as large as a fingertip


class Batches:
    """Writes the batches of a belt for one reader."""

    track_px, day_px, column_px = TRACK_PX, DAY_PX, COLUMN_PX

    def __init__(self, belt: Belt, formats: Formats) -> None:
        texts = formats.texts
        self._belt = belt
        self._formats = formats
        self._overdue_mark = escape(texts.text("belt.overdue_mark"))
        self._none, self._later = escape(texts.text("format.none")), escape(texts.text("format.later"))
        self._stages = {stage: texts.text(f"stage.{stage}") for stage in ("nursery", "channels", "finished")}
        laid = [item for lane in belt.lanes for item in lane.laid]
        self._said = {item.batch.id: self._say(item.batch) for item in laid}
        self._days = {item.batch.id: escape(formats.short_day(item.batch.seeded_on)) for item in laid}

    def wide(self, lane: Lane) -> Markup:
        """Return a lane's batches lengthwise."""
        return Markup("".join(self._wide(item) for item in lane.laid))  # noqa: S704 - escaped piece by piece

    def tall(self, lane: Lane) -> Markup:
        """Return a lane's batches downwards."""
        return Markup("".join(self._tall(item) for item in lane.laid))  # noqa: S704

    def rows(self, batches: Iterable[LineBatch]) -> Markup:
        """Return batches as rows of the table."""
        return Markup("".join(self._row(batch) for batch in batches))  # noqa: S704

    def _say(self, batch: LineBatch) -> Markup:
        harvest = batch.harvest
        assert harvest is not None  # noqa: S101 - only those that have one lie on the belt
        return escape(
            self._formats.texts.text(
                "belt.batch",
                code=batch.code,
                crop=batch.crop,
                stage=self._stages[batch.stage],
                plants=self._formats.number(batch.plants),
                day=self._formats.day(harvest.p50),
                between=self._formats.between(harvest.p10, harvest.p90),
            )
        )

    def _wide(self, item: Laid) -> str:
        along, batch = self._belt.along, item.batch
        y = 44 + item.track * TRACK_PX
        left, right = along(item.far), along(item.near)
        centre, middle = along(item.centre), along(item.middle)
        ready = item.middle <= 0
        half = 7 if ready else 4.5
        name = f"{'← ' if item.open_ended else ''}{self._days[batch.id]}"
        if ready:
            name += f" {self._overdue_mark}"
        return (
            f'    <a href="/batches/{batch.id}" class="batch" aria-label="{self._said[batch.id]}">\n'
            f'      <rect class="hit" x="{round(centre - half, 2)}%" y="{y}" width="{2 * half}%"'
            f' height="{_HIT_PX}" rx="6"/>\n'
            f'      <text class="batch-name" x="{centre}%" text-anchor="middle" y="{y + 17}">{name}</text>\n'
            f'      <rect class="bar {batch.stage}" x="{left}%" y="{y + 24}"'
            f' width="{round(max(right - left, 0.6), 2)}%" height="14" rx="7"/>\n'
            f'      <line class="middle" x1="{middle}%" x2="{middle}%" y1="{y + 22}" y2="{y + 40}"/>\n'
            "    </a>\n"
        )

    def _tall(self, item: Laid) -> str:
        batch, days = item.batch, self._belt.days
        x = item.track * COLUMN_PX
        top, bottom, middle = (min(max(d, 0), days) * DAY_PX for d in (item.near, item.far, item.middle))
        hit = min(max((top + bottom) / 2 - _HIT_PX / 2, 0), days * DAY_PX - _HIT_PX)
        return (
            f'    <a href="/batches/{batch.id}" class="batch" aria-label="{self._said[batch.id]}">\n'
            f'      <rect class="hit" x="{x + 2}" y="{round(hit, 1)}" width="{COLUMN_PX - 10}"'
            f' height="{_HIT_PX}" rx="6"/>\n'
            f'      <rect class="bar {batch.stage}" x="{x + 4}" y="{round(top, 1)}" width="12"'
            f' height="{round(max(bottom - top, 4), 1)}" rx="6"/>\n'
            f'      <line class="middle" x1="{x + 2}" x2="{x + 18}" y1="{round(middle, 1)}"'
            f' y2="{round(middle, 1)}"/>\n'
            f'      <text class="batch-name small" x="{x + 20}" y="{round(hit + 26, 1)}">'
            f"{self._days[batch.id]}</text>\n"
            "    </a>\n"
        )

    def _row(self, batch: LineBatch) -> str:
        harvest, formats = batch.harvest, self._formats
        if harvest is None:
            day = dates = str(self._none)
        else:
            day = str(escape(formats.day(harvest.p50)) if harvest.p50 else self._later)
            dates = str(escape(formats.range(harvest.p10, harvest.p90)))
        return (
            f'      <tr><th scope="row"><a href="/batches/{batch.id}">{escape(batch.code)}</a></th>'
            f"<td>{escape(batch.crop)}</td><td>{escape(self._stages[batch.stage])}</td>"
            f'<td class="number">{formats.number(batch.plants)}</td>\n'
            f"<td>{day}</td><td>{dates}</td></tr>\n"
        )
