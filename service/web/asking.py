"""Who asks for a page."""

from __future__ import annotations

from dataclasses import dataclass

from service.web.texts import Units
from service.work.access import Access


@dataclass(frozen=True)
class Asker:
    """Who asks for a page, and how they want it written."""

    access: Access
    csrf: str
    """Stands in every form of the session; a form without it is not of our pages."""
    units: Units = "metric"

    @property
    def name(self) -> str:
        """What they are called."""
        return self.access.name
