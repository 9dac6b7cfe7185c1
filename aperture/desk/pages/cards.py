"""The page of the printed card: what its 50 mm bar measures, asked once for each print, and since when."""

from collections.abc import Mapping
from typing import Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from aperture.book.store.records import PrintedCard, short_code
from aperture.card.geometry import LONGEST_RULER_MM, SHORTEST_RULER_MM
from aperture.desk.pages.fields import FieldError, FieldErrors, decimal, each, said_beside, text
from aperture.desk.web import desk_of, desk_only, page, redirect, with_form
from aperture.errors import BookError
from aperture.scale import Scale, scale_of, scale_words
from aperture.settings import MOST_TIP_OFFSET_MM, Settings

FIRST_NAME = "A"
# Of what was typed and cannot be, so much is shown again.
MOST_SHOWN = 60
# So many answers are listed, the newest first.
LISTED = 30


@desk_only
def cards_page(request: Request) -> Response:
    """What counts now, the form, the answers so far, and how the photos in the book were scaled."""
    with desk_of(request).open_book() as book:
        cards, counts = book.cards(), book.photos_by_scale()
    in_use = cards[-1] if cards else None
    now = in_use.scale.over(desk_of(request).settings) if in_use else desk_of(request).settings
    counting = scale_of(now)
    return page(
        request,
        "cards.html",
        in_use=in_use,
        counts_now=scale_words(counting),
        from_settings=in_use is None and scale_of(Settings()) != counting,
        filled=_filled(in_use),
        most_shown=MOST_SHOWN,
        history=[(card, scale_words(card.scale)) for card in reversed(cards[-LISTED:])],
        photos=[(count, scale_words(scale)) for scale, count in counts.items()],
        others=sum(count for scale, count in counts.items() if scale.ruler_mm != counting.ruler_mm),
        limits=(SHORTEST_RULER_MM, LONGEST_RULER_MM),
    )


@desk_only
@with_form
@said_beside(cards_page, "card")
def answer(request: Request, form: FormData) -> Response:
    """What the bar measures, and perhaps where the tip stands; asked again where that cannot be."""
    said, wrong = each(form, {"ruler": _ruler, "name": _name, "offset": _offset})
    if wrong:
        raise FieldErrors(400, wrong)
    scale = Scale(said["ruler"], said["offset"], said["name"])
    with desk_of(request).open_book() as book, book.writing():
        cards = book.cards()
        if not cards or cards[-1].scale != scale:  # a button that was pressed twice is one answer
            book.add_card(scale.card, said["ruler"], scale.tip_offset_mm)
    return redirect("/cards", f"Card {scale.card}: kept. Every photo that is measured from now on uses it.")


routes = [
    Route("/cards", cards_page),
    Route("/cards", answer, methods=["POST"]),
]


def _name(form: Mapping[str, Any], name: str) -> str:
    said = _shown(form, name)
    try:
        return short_code(said, "A card's name")
    except BookError:
        words = (
            f"“{said}” cannot be a card’s name. Use letters, digits, dots or dashes without spaces,"
            " for example B or B-2026."
        )
        raise FieldError(400, words, name) from None


def _ruler(form: Mapping[str, Any], name: str) -> float:
    ruler_mm, said = _millimetres(form, name), _shown(form, name)
    if ruler_mm is None:
        raise FieldError(400, "Say what the bar measures, in millimetres, for example 49.5.", name)
    if not SHORTEST_RULER_MM <= ruler_mm <= LONGEST_RULER_MM:
        words = (
            f"“{said}” cannot be right: whatever the printer did, the bar lies between"
            f" {SHORTEST_RULER_MM:g} and {LONGEST_RULER_MM:g} mm. Measure it again from end to end, in"
            " millimetres; if it really is so, print the card again at 100 %."
        )
        raise FieldError(400, words, name)
    return ruler_mm


def _offset(form: Mapping[str, Any], name: str) -> float | None:
    offset_mm, said = _millimetres(form, name), _shown(form, name)
    if offset_mm is not None and abs(offset_mm) > MOST_TIP_OFFSET_MM:
        words = (
            f"“{said}” cannot be right: a tip that far from the card’s face is not measured. Push it"
            " level, then leave this empty or write 0."
        )
        raise FieldError(400, words, name)
    return offset_mm


def _millimetres(form: Mapping[str, Any], name: str) -> float | None:
    """A length, with or without its unit; None where nothing was typed."""
    said = _shown(form, name)
    try:
        return decimal({name: said.removesuffix("mm")}, name)
    except FieldError:
        words = f"“{said}” is no number. Write millimetres, for example 49.5 or 49,5."
        raise FieldError(400, words, name) from None


def _shown(form: Mapping[str, Any], name: str) -> str:
    """What was typed, as much of it as is shown again."""
    return (text(form, name) or "")[:MOST_SHOWN]


def _filled(card: PrintedCard | None) -> dict[str, str]:
    """The form to begin with: the card in use and the tip offset that counts; the bar is measured again."""
    if card is None:
        return {"name": FIRST_NAME, "ruler": "", "offset": ""}
    offset_mm = card.scale.tip_offset_mm
    return {"name": card.name, "ruler": "", "offset": f"{offset_mm:g}" if offset_mm is not None else ""}
