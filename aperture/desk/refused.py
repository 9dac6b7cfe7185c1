"""A form that was sent and refused, for the page that shows it again: what was typed, what is wrong where."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from markupsafe import Markup
from starlette.datastructures import FormData
from starlette.requests import Request

from aperture.desk.wording import page_words


@dataclass(frozen=True)
class Refused:
    """A form that was sent and refused; false where it was not.

    `form` is which of the page's forms, `typed` what was in it. `said` is what is wrong, in words, by the
    name of the field beside which it stands; by None what is in no field alone. The first gets the focus.
    """

    form: str
    typed: Mapping[str, Any] = field(default_factory=FormData)
    said: Mapping[str | None, str] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.said)

    def value(self, name: str, otherwise: object = "") -> str:
        """What was typed into a field; what stands there else, if the form was not sent."""
        typed = self.typed.get(name) if self else None
        return typed if isinstance(typed, str) else str(otherwise or "")

    def mark(self, name: str, beside: str = "", id: str = "wrong") -> Markup:
        """Attributes of a field: that it is wrong, and by what it is explained.

        Parameters
        ----------
        beside : the id of what always explains it.
        id : as in `wrong`.
        """
        if name not in self.said:
            return Markup(' aria-describedby="{}"').format(beside) if beside else Markup()
        marks = Markup(' aria-invalid="true" aria-describedby="{}"').format(f"{id} {beside}".rstrip())
        return marks + (Markup(" autofocus") if self._is_first(name) else Markup())

    def wrong(self, name: str | None = None, id: str = "wrong") -> Markup:
        """What is wrong with a field, or without a name with the form: a line below it, or nothing.

        Parameters
        ----------
        id : of the line; a form of which several fields can be wrong at once gives each its own.
        """
        if name not in self.said:
            return Markup()
        focus = Markup(' tabindex="-1" autofocus') if name is None and self._is_first(name) else Markup()
        return Markup('<p class="wrong" id="{}"{}>{}</p>').format(id, focus, page_words(self.said[name]))

    def _is_first(self, name: str | None) -> bool:
        return name == next(iter(self.said))


def refused_in(request: Request, form: str) -> Refused:
    """One of a page's forms, if that was sent with this request and refused; else one that was not sent."""
    refused: Refused | None = getattr(request.state, "refused", None)
    return refused if refused is not None and refused.form == form else Refused(form)
