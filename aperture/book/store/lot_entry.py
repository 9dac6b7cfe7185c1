"""What somebody says of a lot before it is entered: what cannot be, what it would change."""

from dataclasses import astuple, dataclass, replace
from datetime import date
from hashlib import sha256

from aperture.book.store.records import Lot, short_code
from aperture.dates import FIRST_YEAR, can_be_ordered_on, can_be_returned_by, span_words
from aperture.errors import BookError

# Above the price of any reed in any currency, and below what would make sums unreadable.
DEAREST = 1e6


@dataclass(frozen=True)
class LotEntry:
    """A lot as somebody typed it; None is not said, or not known."""

    code: str | None
    source: str | None
    ordered_on: date | None = None
    return_by: date | None = None
    price_per_reed: float | None = None
    strength: str | None = None

    def over(self, lot: Lot) -> "LotEntry":
        """The same of a lot that is there; what was not said stays as it was."""
        said = {name: getattr(self, name) for name in DETAILS}
        kept = {name: getattr(lot, name) for name, value in said.items() if value is None}
        return replace(self, code=lot.code, **kept)

    def differs(self, lot: Lot) -> list[str]:
        """The names of the details that it would change."""
        return [name for name in DETAILS if getattr(self, name) != getattr(lot, name)]


# What is known of a lot beside its code, in the order in which it is asked and shown; each in words.
DETAILS = {
    "source": "source",
    "ordered_on": "ordered on",
    "return_by": "can go back until",
    "price_per_reed": "price per reed",
    "strength": "strength",
}


def mistakes(entry: LotEntry) -> dict[str, str]:
    """What cannot be so, by the name of the detail, in a sentence each."""
    found = {}
    if not entry.code:
        found["code"] = "Give the lot a short code, such as 26a."
    elif wrong := _no_code(entry.code, "A lot"):
        found["code"] = wrong
    if not entry.source:
        found["source"] = "Say where the lot is from: a short code of your own, such as north."
    elif wrong := _no_code(entry.source, "A source"):
        found["source"] = wrong
    return found | _wrong_dates(entry.ordered_on, entry.return_by) | _wrong_price(entry.price_per_reed)


def fingerprint(lot: Lot) -> str:
    """Tells whether a lot is still as it was when somebody looked at it."""
    return sha256(repr(astuple(lot)).encode()).hexdigest()[:16]


def _no_code(text: str, what: str) -> str | None:
    try:
        short_code(text, what)
    except BookError as error:
        return f"{error.detail}."
    return None


def _wrong_dates(ordered_on: date | None, return_by: date | None) -> dict[str, str]:
    found = {}
    if ordered_on is not None and not can_be_ordered_on(ordered_on):
        found["ordered_on"] = f"{ordered_on} is not {span_words()}."
    if return_by is None:
        return found
    if return_by.year < FIRST_YEAR:
        found["return_by"] = f"{return_by} is before {FIRST_YEAR}."
    elif ordered_on is not None and return_by < ordered_on:
        found["return_by"] = f"{return_by} is before the day on which it was ordered, {ordered_on}."
    elif not can_be_returned_by(return_by):
        found["return_by"] = f"{return_by} is too many years away."
    return found


def _wrong_price(price: float | None) -> dict[str, str]:
    if price is None or 0.0 <= price < DEAREST:
        return {}
    return {"price_per_reed": f"A reed cannot cost {price:.2f}: say from 0 to below {DEAREST:.0f}."}
