"""Forms: what was typed, read into the values that the use cases take, and shown again with what is wrong."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from service.web.texts import Catalogue, Formats, catalogue
from service.work.errors import FieldProblem, Impossible, WorkError


@dataclass
class Form:
    """A form as it was sent, or as it is first shown."""

    texts: Catalogue
    typed: dict[str, list[str]] = field(default_factory=dict)
    problems: dict[str, str] = field(default_factory=dict)
    """What is wrong, by field; "" for the whole."""

    @classmethod
    def blank(cls, texts: Catalogue, /, **shown: object) -> Form:
        """Return a form with what it shows at first."""
        typed = {
            name: [str(v) for v in value] if isinstance(value, list | tuple) else [str(value)]
            for name, value in shown.items()
            if value is not None
        }
        return cls(texts, typed)

    @classmethod
    def sent(cls, texts: Catalogue, items: Iterable[tuple[str, Any]]) -> Form:
        """Return a form that was sent; files and other than text are left out."""
        typed: dict[str, list[str]] = {}
        for name, value in items:
            if isinstance(value, str):
                typed.setdefault(name, []).append(value.strip())
        return cls(texts, typed)

    def value(self, name: str) -> str:
        """Return what was typed into a field."""
        return next(iter(self.typed.get(name, [])), "")

    def has(self, name: str, value: object) -> bool:
        """Return whether one of several choices is chosen."""
        return str(value) in self.typed.get(name, [])

    # ------------------------------------------------------------------- reading

    def text(self, name: str) -> str | None:
        """Return a text, or None if the field was left empty."""
        return self.value(name) or None

    def number(self, name: str, scale: float = 1.0) -> float | None:
        """Return a number times ``scale``, or None if the field was left empty."""
        typed = self.value(name)
        if not typed:
            return None
        try:
            found = float(typed.replace(",", "."))
        except ValueError:
            self.problems[name] = self.texts.text("form.not_a_number")
            return None
        return found * scale

    def celsius(self, name: str, formats: Formats) -> float | None:
        """Return a temperature, °C, typed in the reader's units."""
        typed = self.number(name)
        return (typed - 32.0) * 5.0 / 9.0 if typed is not None and formats.units == "us" else typed

    def whole(self, name: str) -> int | None:
        """Return a whole number, or None if the field was left empty."""
        typed = self.value(name)
        if not typed:
            return None
        try:
            return int(typed)
        except ValueError:
            self.problems[name] = self.texts.text("form.not_whole")
            return None

    def wholes(self, name: str) -> list[int]:
        """Return the chosen of several whole numbers."""
        found = [v for v in self.typed.get(name, []) if v]
        if not all(v.isascii() and v.isdigit() for v in found):
            self.problems[name] = self.texts.text("form.not_whole")
            return []
        return [int(v) for v in found]

    def day(self, name: str) -> date | None:
        """Return a day, or None if the field was left empty."""
        typed = self.value(name)
        if not typed:
            return None
        try:
            return date.fromisoformat(typed)
        except ValueError:
            self.problems[name] = self.texts.text("form.not_a_day")
            return None

    def moment(self, name: str, formats: Formats) -> datetime | None:
        """Return a moment typed as the house's local time, or None if the field was left empty."""
        typed = self.value(name)
        if not typed:
            return None
        try:
            found = datetime.fromisoformat(typed)
        except ValueError:
            self.problems[name] = self.texts.text("form.not_a_moment")
            return None
        return found.replace(tzinfo=formats.zone) if found.tzinfo is None else found

    def checked(self, **values: Any) -> dict[str, Any]:
        """Return the values that were given; an empty field counts as not given.

        Raises
        ------
        Impossible
            If something could not be read.
        """
        if self.problems:
            raise Impossible(
                self.texts.text("form.unreadable"), *(FieldProblem(n, p) for n, p in self.problems.items())
            )
        return {name: value for name, value in values.items() if value is not None}

    # ------------------------------------------------------------------- showing again

    def refused(self, error: WorkError, fields: Mapping[str, str] | None = None) -> Form:
        """Note what a use case refused, under the form's own names of the fields."""
        names = fields or {}
        for problem in error.problems:
            name = names.get(problem.field, problem.field)
            self.problems[name if name in self.typed else f"{name}"] = problem.problem
        if not error.problems:
            self.problems[""] = error.detail
        return self

    def others(self, *shown: str) -> list[str]:
        """Return what is wrong with fields that the form does not show, to be said on top."""
        return [
            f"{name}: {problem}" if name else problem
            for name, problem in self.problems.items()
            if name not in shown
        ]


class Forms:
    """The forms of a page: the one that was sent and refused, by its name, and blank ones for the others."""

    def __init__(self, name: str = "", form: Form | None = None) -> None:
        self._name = name
        self._form = form

    def get(self, name: str, /, **shown: object) -> Form:
        """Return the form as it was sent, or a blank one with what it shows at first."""
        if self._form is not None and name == self._name:
            return self._form
        return Form.blank(catalogue(), **shown)

    def sent(self, name: str) -> bool:
        """Return whether this form was sent and refused, so that it is shown open."""
        return self._form is not None and name == self._name
