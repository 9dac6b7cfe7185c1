"""The sheet that goes back to the seller with the reeds: what was seen of each, in neutral words.

It names no person, and nothing that a person wrote stands on it but a lot's strength and the reason of a
decision.
"""

import math
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from aperture.book.advice.comparing import squeeze_change
from aperture.book.photos.pictures import place_of
from aperture.book.present.sheet_drawing import Block, Frame, TipPicture, TipView, draw_sheet, tip_picture
from aperture.book.present.words import WATER, price_words, recorded, said_words, seen_words
from aperture.book.store.ledger import Book
from aperture.book.store.records import FAULTS, Action, Check, Entry, History, Lot, Reading, Soaking
from aperture.card.geometry import FACES, Face
from aperture.card.paper import Paper
from aperture.codes import same_code
from aperture.correction import all_words
from aperture.errors import BookError
from aperture.present.canvas import Window
from aperture.present.report import NAMES, NO_VALUE, UNITS, change_words
from aperture.scale import all_scale_words

GOING_BACK: tuple[Action, ...] = ("send back", "sent back")

# What the questions of `FAULTS` are about, for those that were answered with no.
_NOT_FOUND = {
    "leak": "leak at the sides",
    "wire": "wire",
    "film_wrap": "film wrap",
    "chip": "chip in the tip",
    "crack": "crack",
    "air_noise": "air before the tone",
}
_RESPONSE = {"good": "Good response.", "slow": "Slow response.", "none": "No response."}


def return_sheet(
    book: Book,
    lot: Lot,
    histories: Sequence[History],
    reasons: Mapping[int, str],
    today: date,
    paper: Paper = "a4",
    currency: str = "",
) -> bytes:
    """A PDF file with every reed of a lot that a person decided to send back, or has sent back.

    Parameters
    ----------
    book : where the pictures and the settings of each measurement are.
    histories : of the lot's reeds, in the order wanted; those of other lots are passed over.
    reasons : by the reed's id, a neutral sentence for the seller; where there is none, the reason that was
        given with the decision is printed as it is.
    today : the date on the sheet.
    paper : one of `aperture.card.paper.PAPERS`.
    currency : as in the settings.

    Returns
    -------
    The file's bytes; the same book and arguments give the same bytes.

    Raises
    ------
    BookError : "book-unknown", no reed of the lot goes back.
    SettingsError : "settings-invalid", another paper.
    """
    received = [history for history in histories if history.reed.lot == lot.code]
    going = [history for history in received if history.decision and history.decision.action in GOING_BACK]
    if not going:
        raise BookError("book-unknown", f"no reed of lot {lot.code} was to go back")
    entries = [entry for history in going for state in FACES if (entry := _entry(history, state))]
    frame = Frame(
        title=f"Return sheet, lot {lot.code}",
        dated=f"Date: {today.isoformat()}",
        facts=_lot_facts(lot, len(going), len(received), currency),
        small_print=_small_print(book, [entry.reading for entry in entries if entry.reading.measured]),
    )
    return draw_sheet(frame, [_block(book.pictures, history, reasons) for history in going], paper)


def sheet_name(lot: Lot, lots: Sequence[Lot]) -> str:
    """What the file of a lot's sheet is called: two lots of a book never have one file.

    Of lots that only an older book told apart, later ones get a number: file systems do not tell them apart.
    """
    alike = [other.id for other in lots if same_code(other.code, lot.code)]
    place = alike.index(lot.id)
    return f"return-sheet-{lot.code}-{place + 1}.pdf" if place else f"return-sheet-{lot.code}.pdf"


def _lot_facts(lot: Lot, going: int, received: int, currency: str) -> list[tuple[str, str]]:
    price = "not recorded"
    if lot.price_per_reed is not None:
        each = round(lot.price_per_reed, 2)
        price = f"{price_words(each, currency)} per reed, {price_words(each * going, currency)} together"
    return [
        ("Source", lot.source),
        ("Ordered", lot.ordered_on.isoformat() if lot.ordered_on else "date not recorded"),
        ("Strength as printed", lot.strength or "not recorded"),
        ("Returned", f"{going} of {received} {'reed' if received == 1 else 'reeds'} received"),
        ("Price", price),
    ]


def _small_print(book: Book, readings: Sequence[Reading]) -> list[str]:
    """How it was measured, and what the classes mean; the printed scale; corrections. Each a paragraph."""
    factors = sorted({reading.coverage_factor for reading in readings} or {2.0})
    coverage = " or ".join(f"k = {factor:g}, about {_coverage_percent(factor)} %" for factor in factors)
    limits = {book.settings_of(reading).limits for reading in readings}
    meaning = "The limits between shut, elliptical, rather wide and round are"
    if len(limits) == 1:
        used = book.settings_of(readings[0]).limits
        meaning = (
            f"Shut means a height below {used.shut_below_height_mm:g} mm, rather wide a ratio from"
            f" {used.wide_from_ratio:g}, round a ratio from {used.round_from_ratio:g}:"
        )
    added = all_words([each.record for each in readings])
    scales = all_scale_words(each.scale for each in readings)
    how = (
        "How it was measured: each tip was photographed end-on against a printed scale card, and the opening"
        " was outlined (the thin line) and measured in the plane of the card. The figure after ± is the"
        f" expanded uncertainty ({coverage}). Ratio is the short axis over the long axis of the ellipse that"
        f" matches the opening. {meaning} working values and the buyer’s own limits, not a standard."
    )
    scale = [f"Printed scale: {'; or '.join(scales)}."] if scales else []
    return [how, *scale, *(f"(corrected): {words} was added to the height." for words in added)]


def _coverage_percent(factor: float) -> int:
    """How many of 100 values of a normal distribution lie within so many standard deviations, cut off."""
    return int(100.0 * math.erf(factor / math.sqrt(2.0)))


def _block(pictures: Path, history: History, reasons: Mapping[int, str]) -> Block:
    assert history.decision is not None
    entries = {state: _entry(history, state) for state in FACES}
    dry, soaked = entries["dry"], entries["soaked"]
    rows = [
        ("class", (_class(dry), _class(soaked))),
        *((NAMES[name], (_quantity(dry, name), _quantity(soaked, name))) for name in NAMES),
        ("photo", (_photo(dry), _photo(soaked))),
        ("soaking", (NO_VALUE, _soaking(soaked.filing.soaking) if soaked else NO_VALUE)),
    ]
    reed = history.reed
    return Block(
        name=f"Reed {reed.number}, slot {reed.slot}" if reed.slot else f"Reed {reed.number}",
        reason=reasons.get(reed.id) or history.decision.reason,
        tips={state: _tip(pictures, entry) for state, entry in entries.items()},
        rows=rows,
        notes=[("By hand", _by_hand(history.checks)), ("Squeezed", _squeezed(history))],
    )


def _entry(history: History, state: Face) -> Entry | None:
    """The latest measured photo in a state; if none was measured, the latest that shows a tip."""
    photos = history.photos(state)
    measured = history.measured(state)
    with_tip = [entry for entry in photos if entry.reading.tip is not None]
    return next(reversed(measured or with_tip), None)


# --- the table ---------------------------------------------------------------------------------------------


def _class(entry: Entry | None) -> str:
    """For example "elliptical, rather wide"."""
    if entry is None:
        return NO_VALUE
    if not entry.reading.measured:
        return "not measured"
    words = seen_words(entry.reading)
    return f"{words} (near a limit)" if entry.reading.record["borderline"] else words


def _quantity(entry: Entry | None, name: str) -> str:
    return recorded(entry.reading.record, name, UNITS[name]) if entry else NO_VALUE


def _photo(entry: Entry | None) -> str:
    if entry is None:
        return NO_VALUE
    return ", ".join(filter(None, [entry.photo.when.date().isoformat(), said_words(entry)]))


def _soaking(soaking: Soaking) -> str:
    """For example "30 s, room-temperature water"."""
    parts = [
        f"{soaking.seconds:g} s" if soaking.seconds is not None else "",
        "in the mouth" if soaking.wetted == "mouth" else WATER[soaking.water] if soaking.water else "",
    ]
    return ", ".join(part for part in parts if part) or "not recorded"


# --- what hands found --------------------------------------------------------------------------------------


def _by_hand(checks: Sequence[Check]) -> str:
    """The latest answer to each question of the check by hand."""
    if not checks:
        return "Not checked."

    def latest(name: str) -> Any:
        answers = (getattr(check, name) for check in reversed(checks))
        return next((answer for answer in answers if answer is not None), None)

    found = [f"{sentence}." for name, sentence in FAULTS.items() if latest(name)]
    absent = [_NOT_FOUND[name] for name in FAULTS if latest(name) is False]
    if absent:
        found.append(f"Not found: {', '.join(absent)}.")
    if response := latest("response"):
        found.append(_RESPONSE[response])
    if (cents := latest("pitch_cents")) is not None:
        found.append(_pitch(round(cents)))
    return f"{checks[-1].done_at.date().isoformat()}: {' '.join(found) or 'nothing recorded.'}"


def _pitch(cents: int) -> str:
    if cents == 0:
        return "Pitch as the tuner’s."
    return f"Pitch {abs(cents)} {'cent' if abs(cents) == 1 else 'cents'} {'sharp' if cents > 0 else 'flat'}."


def _squeezed(history: History) -> str:
    """Whether it was squeezed, and what the last squeeze did."""
    if not history.squeezes:
        return "Not tried."
    squeeze, count = history.squeezes[-1], len(history.squeezes)
    times = "Once" if count == 1 else f"{count} times, last"
    effect = "its effect was not measured."
    if (changed := squeeze_change(history, squeeze)) is not None:
        height = change_words(changed.height_mm, UNITS["height_mm"])
        effect = f"height {height}; ratio {change_words(changed.ellipse_ratio)}."
    return f"{times} on {squeeze.done_at.date().isoformat()}, while soaked: {effect}"


# --- pictures ----------------------------------------------------------------------------------------------


def _tip(pictures: Path, entry: Entry | None) -> TipView:
    """What is drawn of a photo: its tip and the outline that counts."""
    reading = entry.reading if entry is not None else None
    if reading is None or reading.tip is None or reading.tip_window is None:
        return TipView(None)
    window = Window(*reading.tip_window)
    outline_mm = reading.outline_mm or []
    centre_mm = _middle(outline_mm) if outline_mm else _middle(_corners(window))
    return TipView(_picture(pictures, reading.tip, window, centre_mm), centre_mm, outline_mm)


def _picture(pictures: Path, name: str, window: Window, centre_mm: tuple[float, float]) -> TipPicture | None:
    try:
        content = place_of(pictures, name).read_bytes()
    except (OSError, ValueError):  # `aperture verify` says what is missing; the sheet does without
        return None
    return tip_picture(content, window, centre_mm)


def _corners(window: Window) -> list[list[float]]:
    return [[window.x_min_mm, window.y_min_mm], [window.x_max_mm, window.y_max_mm]]


def _middle(points_mm: Sequence[Sequence[float]]) -> tuple[float, float]:
    """The middle of the upright rectangle around points (n, 2)."""
    across, up = zip(*points_mm, strict=True)
    return ((min(across) + max(across)) / 2, (min(up) + max(up)) / 2)
