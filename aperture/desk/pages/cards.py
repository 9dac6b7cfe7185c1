"""The page of the printed card: what its 50 mm bar measures, asked once for each print, and since when."""

from dataclasses import dataclass, field

from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from aperture.book.store.ledger import Book
from aperture.book.store.records import PrintedCard, short_code
from aperture.card.geometry import LONGEST_RULER_MM, SHORTEST_RULER_MM
from aperture.desk.pages.fields import decimal, text
from aperture.desk.web import desk_of, desk_only, page, redirect, with_form
from aperture.errors import BookError
from aperture.scale import Scale, scale_of, scale_words
from aperture.settings import MOST_TIP_OFFSET_MM, Settings

FIRST_NAME = "A"
# Of what was typed and cannot be, so much is shown again.
MOST_SHOWN = 60
# So many answers are listed, the newest first.
LISTED = 30


@dataclass
class _Typed:
    """The form as it was filled in, and what is wrong with it, by the field's name."""

    name: str = FIRST_NAME
    ruler: str = ""
    offset: str = ""
    wrong: dict[str, str] = field(default_factory=dict)


@desk_only
def cards_page(request: Request) -> Response:
    """What counts now, the form, the answers so far, and how the photos in the book were scaled."""
    with desk_of(request).open_book() as book:
        return _page(request, book, None)


@desk_only
@with_form
def answer(request: Request, form: FormData) -> Response:
    """What the bar measures, and perhaps where the tip stands; asked again where that cannot be."""
    name, ruler, offset = ((text(form, each) or "")[:MOST_SHOWN] for each in ("name", "ruler", "offset"))
    typed = _Typed(name, ruler, offset)
    said = _said(typed)
    with desk_of(request).open_book() as book:
        if said is None:
            return _page(request, book, typed)
        with book.writing():
            cards = book.cards()
            if not cards or cards[-1].scale != said:  # a button that was pressed twice is one answer
                book.add_card(said.card, said.ruler_mm or 0.0, said.tip_offset_mm)
    return redirect("/cards", f"Card {said.card}: kept. Every photo that is measured from now on uses it.")


routes = [
    Route("/cards", cards_page),
    Route("/cards", answer, methods=["POST"]),
]


def _said(typed: _Typed) -> Scale | None:
    """What was answered; None where something cannot be, which `typed.wrong` then says."""
    try:
        short_code(typed.name, "A card's name")
    except BookError:
        typed.wrong["name"] = (
            f"“{typed.name}” cannot be a card’s name. Use letters, digits, dots or dashes without spaces,"
            " for example B or B-2026."
        )
    ruler_mm = _millimetres(typed, "ruler", typed.ruler)
    if ruler_mm is not None and not SHORTEST_RULER_MM <= ruler_mm <= LONGEST_RULER_MM:
        typed.wrong["ruler"] = (
            f"“{typed.ruler}” cannot be right: whatever the printer did, the bar lies between"
            f" {SHORTEST_RULER_MM:g} and {LONGEST_RULER_MM:g} mm. Measure it again from end to end, in"
            " millimetres; if it really is so, print the card again at 100 %."
        )
    elif ruler_mm is None:
        typed.wrong.setdefault("ruler", "Say what the bar measures, in millimetres, for example 49.5.")
    offset_mm = _millimetres(typed, "offset", typed.offset)
    if offset_mm is not None and abs(offset_mm) > MOST_TIP_OFFSET_MM:
        typed.wrong["offset"] = (
            f"“{typed.offset}” cannot be right: a tip that far from the card’s face is not measured. Push it"
            " level, then leave this empty or write 0."
        )
    return None if typed.wrong else Scale(ruler_mm, offset_mm, typed.name)


def _millimetres(typed: _Typed, name: str, said: str) -> float | None:
    """A length, with or without its unit; None where nothing was typed, or no number."""
    try:
        return decimal({name: said.removesuffix("mm")}, name)
    except HTTPException:
        typed.wrong[name] = f"“{said}” is no number. Write millimetres, for example 49.5 or 49,5."
        return None


def _page(request: Request, book: Book, typed: _Typed | None) -> Response:
    """The page; with `typed` what was filled in is still there, and beside it what is wrong."""
    cards, counts = book.cards(), book.photos_by_scale()
    in_use = cards[-1] if cards else None
    now = in_use.scale.over(desk_of(request).settings) if in_use else desk_of(request).settings
    counting = scale_of(now)
    return page(
        request,
        "cards.html",
        400 if typed else 200,
        in_use=in_use,
        counts_now=scale_words(counting),
        from_settings=in_use is None and scale_of(Settings()) != counting,
        form=typed or _filled(in_use),
        history=[(card, scale_words(card.scale)) for card in reversed(cards[-LISTED:])],
        photos=[(count, scale_words(scale)) for scale, count in counts.items()],
        others=sum(count for scale, count in counts.items() if scale.ruler_mm != counting.ruler_mm),
        limits=(SHORTEST_RULER_MM, LONGEST_RULER_MM),
    )


def _filled(card: PrintedCard | None) -> _Typed:
    """The form to begin with: the card in use and the tip offset that counts; the bar is measured again."""
    if card is None:
        return _Typed()
    offset_mm = card.scale.tip_offset_mm
    return _Typed(card.name, "", f"{offset_mm:g}" if offset_mm is not None else "")
