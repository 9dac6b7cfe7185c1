"""The review: photos that need eyes, one at a time, and what a person says of each."""

import json
from collections.abc import Mapping, Sequence
from typing import Any, cast

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from aperture.book.photos.intake import soaked_as
from aperture.book.present.words import WATER, said_words
from aperture.book.store.ledger import Book
from aperture.book.store.records import (
    AGES,
    WETTED,
    Age,
    Entry,
    Filing,
    History,
    Reading,
    Soaking,
    Water,
    Wetted,
    short_code,
)
from aperture.card.geometry import CARD, FACES
from aperture.desk.pages.fields import decimal, photo_in_address, reed_number, said_beside, text
from aperture.desk.pages.leaves import leaf
from aperture.desk.pages.meanwhile import is_news, looked_at, meanwhile, repeated, state_of
from aperture.desk.pages.outlines import (
    NUMBERS,
    corrected_outline,
    first_guess,
    handles,
    measured_by_hand,
    overridden,
    programs_own,
    sent_points,
    smooth,
)
from aperture.desk.pages.read_out import chances, numbers, seen, who_looked
from aperture.desk.pages.tips import TipView, tip_view
from aperture.desk.pages.waiting import (
    KINDS,
    Waiting,
    asks_which,
    contradictions,
    faults,
    is_unfiled,
    listed,
    queue,
    what_is_missing,
)
from aperture.desk.pages.who import remember, remembered
from aperture.desk.refused import refused_in
from aperture.desk.web import desk_of, desk_only, page, redirect, with_form
from aperture.errors import BookError
from aperture.flags import FLAGS, Flag
from aperture.scale import scale_words
from aperture.settings import Settings

SHAPES = ("shut", "elliptical", "round")
RETAKE = "A person asked for a retake."
# So many of a kind are listed on a page.
PHOTOS_LISTED = 60
# The form in which it is said, as its template calls it.
FORM = "say"
# What can be said of a photo, and what the next page says of that.
DONE = {
    "confirm": "numbers confirmed",
    "override": "another class",
    "retake": "a retake is asked for",
    "reed": "reed, state or soak corrected",
    "outline": "outline measured",
}


@desk_only
def queue_page(request: Request) -> Response:
    """The photos that need eyes, with the reason: of each kind the first ones, or one kind in leaves."""
    desk, asked = desk_of(request), request.query_params
    alone = next((place for place in range(len(KINDS)) if asked.get("kind") == str(place)), None)
    groups = []
    with desk.open_book() as book:
        waiting = queue(desk, book)
        numbers = {reed.id: reed.number for reed in book.reeds()}
        for place, kind in enumerate(KINDS):
            mine = [one for one in waiting if one.kind == kind]
            if mine and alone in (None, place):
                this = leaf(asked.get("page") if alone is not None else None, len(mine), PHOTOS_LISTED)
                groups.append((kind, place, listed(book, this.of(mine)), this))
    return page(
        request,
        "review.html",
        begin=waiting[0].sha256 if waiting else None,
        count=len(waiting),
        groups=groups,
        alone=alone is not None,
        numbers=numbers,
    )


@desk_only
def one_page(request: Request) -> Response:
    """One photo beside the same reed's photo in the other state, and what can be said of it."""
    with desk_of(request).open_book() as book:
        return _one(request, book, refused_in(request, FORM).typed)


def _one(request: Request, book: Book, typed: Mapping[str, Any], told: bool = False) -> Response:
    """The page of one photo; `typed` is what was typed into its form, if that is to be corrected.

    `told`: it tells what was answered while the page was open on which that was typed.
    """
    desk, then = desk_of(request), typed.get("then") or request.query_params.get("then", "")
    entry = photo_in_address(request, book)
    waiting = queue(desk, book)
    why = next((one.known[1] for one in waiting if one.sha256 == entry.photo.sha256 and one.known), None)
    reed = book.reed_with_id(entry.filing.reed_id) if entry.filing.reed_id is not None else None
    other = _other_state(book.history(reed), entry) if reed is not None else None
    reading, record = entry.reading, entry.reading.record
    flags = [FLAGS[code] for code in record["flags"] if code in FLAGS]
    shown = sorted([one for one in (entry, other) if one], key=lambda one: one.filing.state or "")
    following = _following(waiting, entry, then)
    missing = what_is_missing(entry) if is_unfiled(entry) and not reading.retake_asked else None
    said, recorded_at = [record["reason"], missing, why], book.recorded_readings(entry.photo)
    number = reed.number if reed is not None else None
    return page(
        request,
        "review_one.html",
        409 if told else 200,
        meanwhile=meanwhile(entry, cast("FormData", typed), recorded_at, number) if told else None,
        upon=state_of(entry),
        entry=entry,
        reed=reed,
        record=record,
        shown=[_drawn(one) for one in shown],
        said_words=said_words,
        main=_main_flag(record["reason"] or "", flags),
        # "Wide" stands in the class, and what to do about it depends on more than this photo.
        flags=[
            flag
            for flag in flags
            if flag.code != "wide" and flag.sentence.removesuffix(".") not in (record["reason"] or "")
        ],
        missing=missing,
        asks=(asks := asks_which(entry) and not reading.retake_asked),
        faults=[one for one in (*contradictions(entry), *faults(entry)) if one not in said] if asks else [],
        why=why,
        looked=who_looked(entry.readings, recorded_at),
        following=following[0] if following else None,
        left=len(following),
        then=then,
        handles=_handles(reading, typed),
        window=reading.tip_window,
        by=typed.get("by", remembered(request)),
        typed=typed,
        shapes=SHAPES,
        most=CARD.reed_tags.count,
        waters=WATER,
        wetted=WETTED,
        ages=AGES,
        scales=_scales([one for one in shown if one.reading.measured]),
    )


def _where(typed: FormData) -> str:
    """Beside which field it is said what is wrong: who it is, or what was said."""
    try:
        short_code(str(typed.get("by", "")).strip(), "Who reviews")
    except BookError:
        return "by"
    return str(typed.get("say"))


@desk_only
@with_form
@said_beside(one_page, FORM, _where)
def answer(request: Request, form: FormData) -> Response:
    """What a person says of a photo: stored beside what the program said, never in its place."""
    if str(form.get("say", "")) not in DONE:
        raise BookError("book-entry-wrong", f"{form.get('say')!r} cannot be said of a photo")
    with desk_of(request).open_book() as book:
        return _answered(request, book, form)


def _answered(request: Request, book: Book, form: FormData) -> Response:
    """What was said is written, and the next page shown.

    What was answered while the page was open is told first, and whether this is to count is asked. A button
    that was pressed twice is one answer.
    """
    desk, said = desk_of(request), str(form.get("say", ""))
    entry = photo_in_address(request, book)
    by = short_code(str(form.get("by", "")).strip(), "Who reviews")
    following = _following(queue(desk, book), entry, str(form.get("then", "")))
    if said == "reed" and form.get("make") != "yes":
        free = _free_number(book, entry, form)
        if free is not None and not is_news(entry, form):
            return page(request, "make_reed.html", entry=entry, number=free, form=repeated(form))
    with book.writing():
        entry = photo_in_address(request, book)  # nobody else writes from now on
        told = is_news(entry, form) and not _is_said_already(book, entry, form, by, desk.settings)
        if not is_news(entry, form):
            _write(book, entry, form, by, desk.settings)
    if told:
        return _one(request, book, form, told=True)
    after, here = following[0] if following else None, f"/review/{entry.photo.sha256}"
    words = f"{entry.photo.name}: {DONE[said]}, saved."
    if said in ("outline", "reed"):  # it is looked at once more
        done = redirect(here + (f"?then={after}" if after else ""), words, book.entered)
    else:
        done = redirect(f"/review/{after}" if after else "/review", words, book.entered, back=here)
    return remember(done, by)


routes = [
    Route("/review", queue_page),
    Route("/review/{sha}", one_page),
    Route("/review/{sha}", answer, methods=["POST"]),
]


def _following(waiting: Sequence[Waiting], entry: Entry, then: str | None) -> list[str]:
    """The hashes of the photos that wait after this one, and from the front again those before it.

    `then` is the next one where this one waits no more.
    """
    waits = [one.sha256 for one in waiting]
    here = entry.photo.sha256
    if here in waits:
        place = waits.index(here)
        return waits[place + 1 :] + waits[:place]
    place = waits.index(then) if then in waits else 0
    return waits[place:] + waits[:place]


def _write(book: Book, entry: Entry, form: FormData, by: str, settings: Settings) -> None:
    """Write what was said of a photo."""
    if form.get("say") == "reed":
        book.add_filing(entry.photo, _filing(book, entry, form, by, settings))
        return
    was = looked_at(entry, form)
    record, outline_mm = _manual_reading(book, entry, form)
    scale, tip, window = was.printed_scale_relative, was.tip, was.tip_window
    book.add_reading(entry.photo, record, book.settings_of(was), scale, outline_mm, "person", by, tip, window)


def _is_said_already(book: Book, entry: Entry, form: FormData, by: str, settings: Settings) -> bool:
    """Whether what counts of a photo is what this form says, by the same person: a button pressed twice."""
    if form.get("say") == "reed":
        new = _free_number(book, entry, form) is not None
        return not new and _filing(book, entry, form, by, settings) == entry.filing
    last = entry.reading
    record, outline_mm = _manual_reading(book, entry, form)
    said = ("person", by, json.loads(json.dumps(record)), list(outline_mm or ()))
    return said == (last.origin, last.by, dict(last.record), list(last.outline_mm or ()))


def _manual_reading(
    book: Book, entry: Entry, form: FormData
) -> tuple[dict[str, Any], Sequence[Sequence[float]] | None]:
    """What becomes a person's reading: its record and outline."""
    reading, said = looked_at(entry, form), form.get("say")
    if said == "retake":
        record = {**programs_own(entry).record, "outcome": "refused", "reason": RETAKE, "review": True}
        record |= {"advice": "Take it again.", "shape": None, "u": None}
        return record | dict.fromkeys(
            (*NUMBERS, "height_below_mm", "shape_probabilities", "borderline")
        ), None
    if said == "outline":
        program = programs_own(entry)
        points = corrected_outline(str(form.get("points", "")), program)
        record = measured_by_hand(points, program, book.settings_of(program))
        return record, smooth(points).round(5).tolist()
    if not reading.measured:
        raise BookError(
            "book-entry-wrong", "there is no number to confirm; ask for a retake, or draw the outline"
        )
    if said == "confirm":
        return {**reading.record, "review": False, "reason": None}, reading.outline_mm
    shape, reason = str(form.get("shape", "")), str(form.get("reason", "")).strip()
    if shape not in SHAPES or not reason:
        raise BookError("book-entry-wrong", "say which class it is, and why")
    return overridden(reading.record, shape, reason), reading.outline_mm


def _handles(reading: Reading, typed: Mapping[str, Any]) -> list[list[float]]:
    """The points that a person can drag; none without a picture to drag them on.

    Those that were sent and refused are still where they were.
    """
    if reading.tip is None or reading.tip_window is None:
        return []
    if typed.get("say") == "outline" and (sent := sent_points(str(typed.get("points", "")))) is not None:
        return [[float(x), float(y)] for x, y in sent]
    return handles(reading.outline_mm) if reading.outline_mm else first_guess(reading.tip_window)


def _other_state(history: History, entry: Entry) -> Entry | None:
    others = [
        other
        for other in history.entries
        if other.filing.state not in (None, entry.filing.state) and other.reading.measured
    ]
    return min(others, key=lambda other: abs(other.photo.when - entry.photo.when), default=None)


def _main_flag(reason: str, flags: Sequence[Flag]) -> Flag | None:
    """The flag that is the reason for which a photo is doubted or refused."""
    return next((flag for flag in flags if flag.sentence.removesuffix(".") in reason), None)


def _drawn(entry: Entry) -> tuple[Entry, str, TipView | None, list[tuple[str, str]], str | None]:
    """A photo with its class, what is drawn of it, its numbers, and how likely each class is."""
    reading = entry.reading
    return entry, seen(reading), tip_view(reading), numbers(reading.record), chances(reading.record)


def _scales(shown: Sequence[Entry]) -> list[str]:
    """The printed scale of the photos that are shown; where they differ, of each."""
    words = {one.filing.state or "state not known": scale_words(one.reading.scale) for one in shown}
    one_for_all = len(set(words.values())) == 1
    return list(set(words.values())) if one_for_all else [f"{state}: {said}" for state, said in words.items()]


def _free_number(book: Book, entry: Entry, form: FormData) -> int | None:
    """The number that was typed if no reed has it, or had it when the photo was taken; else None."""
    number = reed_number(form, "reed")
    return number if number is not None and book.reed_at(number, entry.photo.when) is None else None


def _filing(book: Book, entry: Entry, form: FormData, by: str, settings: Settings) -> Filing:
    """As which a photo is filed again. What is empty stays as it was; a reed that is not there is made."""
    was, photo = entry.filing, entry.photo
    number = reed_number(form, "reed")
    reed_id = was.reed_id if number is None else book.known_or_new(number, photo.when).id
    state = next((face for face in FACES if face == form.get("state")), was.state)
    if number is None and text(form, "state") is None:
        raise BookError("book-entry-wrong", "say which reed it is, or in which state")
    soaking = Soaking()
    if state == "soaked":
        before = was.soaking if was.state == "soaked" else Soaking()
        seconds, water, wetted, age = (text(form, name) for name in ("seconds", "water", "wetted", "age"))
        said = Soaking(
            before.seconds if seconds is None else decimal(form, "seconds"),
            cast("Water | None", water or before.water),
            cast("Wetted | None", wetted or before.wetted),
            cast("Age | None", age or before.age),
        )
        reed = book.reed_with_id(reed_id) if reed_id is not None else None
        soaking = said if was.state == "soaked" else soaked_as(said, settings, book, reed, photo)
    return Filing(reed_id, state, soaking, "corrected in the review", by)
