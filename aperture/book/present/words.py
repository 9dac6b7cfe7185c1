"""What the terminal, the pages and the exports say of the book in the same words."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from datetime import date
from typing import TYPE_CHECKING, Any

from aperture.book.store.corrections import Said, said_of
from aperture.book.store.records import FAULTS, Check, Entry, Reading, Soaking, Water
from aperture.correction import MARK
from aperture.present.report import NO_VALUE, below_words, printable, with_uncertainty

if TYPE_CHECKING:
    from aperture.book.orders.shares import Cost, Share

WATER: dict[Water, str] = {"cold": "cold water", "room": "room-temperature water", "warm": "warm water"}

SAID: dict[Said, str] = {
    "confirmed": "confirmed by a person",
    "class changed": "class changed by a person",
    "outline redrawn": "outline corrected by hand",
    "retake asked": "another photo asked for",
    "reed or state named": "reed or state named by a person",
    "reed or state corrected": "reed or state corrected by a person",
}


def recorded(record: Mapping[str, Any], name: str, unit: str = "") -> str:
    """One of the four quantities of a reading that have an uncertainty; a dash where there is none.

    A height that cannot be told: "below 0.05 mm". One to which a correction was added says so. Records of
    earlier versions have no such keys.
    """
    if name == "height_mm" and (below_mm := record.get("height_below_mm")) is not None:
        return f"{below_words(below_mm, unit)} {MARK if record.get('correction') else ''}".rstrip()
    if not record["u"]:
        return NO_VALUE
    words = with_uncertainty(record[name], record["u"][name], unit)
    return f"{words} {MARK}" if name == "height_mm" and record.get("correction") else words


def seen_words(reading: Reading) -> str:
    """The class of a measured photo, for example "elliptical, rather wide"."""
    return "elliptical, rather wide" if reading.seen == "wide" else reading.seen or NO_VALUE


def said_words(entry: Entry) -> str:
    """What of a photo is a person's, for example "class changed by a person"; empty where nothing is."""
    return ", ".join(SAID[said] for said in said_of(entry))


def check_words(check: Check) -> str:
    """What hands and ears found, for example "no leak, chip, response good, −8 cents"."""
    answers = {name.replace("_", " "): getattr(check, name) for name in FAULTS}
    found = [name for name, answer in answers.items() if answer]
    fine = [f"no {name}" for name, answer in answers.items() if answer is False]
    heard = [f"response {check.response}"] if check.response else []
    if check.pitch_cents is not None:
        heard.append(f"{check.pitch_cents:+g} cents".replace("-", "−"))
    return ", ".join([*found, *fine, *heard, *([printable(check.note)] if check.note else [])])


def soaking_words(soaking: Soaking) -> str:
    """For example "30 s in room-temperature water, new"."""
    seconds = f"{soaking.seconds:g} s" if soaking.seconds is not None else ""
    water = WATER[soaking.water] if soaking.water is not None else "water"
    where = "in the mouth" if soaking.wetted == "mouth" else f"in {water}"
    known = soaking.wetted is not None or soaking.water is not None
    return ", ".join(filter(None, [f"{seconds} {where if known else ''}".strip(), soaking.age or ""]))


def share_words(found: Share) -> str:
    """For example "75 % (30 to 95)"."""
    if found.estimate is None:
        return NO_VALUE
    return f"{100 * found.estimate:.0f} % ({100 * found.low:.0f} to {100 * found.high:.0f})"


def cost_words(cost: Cost | None, currency: str = "") -> str:
    """For example "28.00 (22.00 to 69.85)"; a dash where there is no price, or nothing usable yet."""
    if cost is None or cost.estimate is None:
        return NO_VALUE
    high = f" to {cost.high:.2f}" if cost.high is not None else " or more"
    return f"{price_words(cost.estimate, currency)} ({cost.low:.2f}{high})"


def price_words(price: float | None, currency: str = "") -> str:
    """For example "EUR 21.00", "£21.00", or "21.00" where no currency is set; a dash for no price.

    A sign stands close to the number, letters apart from it, on the same line. Source: Interinstitutional
    Style Guide of the European Union, English edition, 7.3.3 (from memory).
    """
    if price is None:
        return NO_VALUE
    shown = printable(currency.strip())
    apart = "\u00a0" if shown and unicodedata.category(shown[-1]) != "Sc" else ""
    return f"{shown}{apart}{price:.2f}"


def lot_detail_words(name: str, value: object, currency: str = "") -> str:
    """A detail of a lot, by its name in `lot_entry.DETAILS`, in words."""
    if name == "price_per_reed" and isinstance(value, float):
        return price_words(value, currency)
    return NO_VALUE if value is None else printable(str(value))


def days_left_words(until: date, today: date) -> str:
    """For example "12 days left, until 2026-10-19"; the last day counts."""
    days = (until - today).days
    if days < 0:
        return f"the last day was {until.isoformat()}, {'1 day' if days == -1 else f'{-days} days'} ago"
    left = "today is the last day" if days == 0 else "1 day left" if days == 1 else f"{days} days left"
    return f"{left}, until {until.isoformat()}" if days else left
