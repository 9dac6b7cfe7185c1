"""The page of one reed: what is known, what changed, and the forms to enter what hands and ears found."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any, cast

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from aperture.book.advice.decide import IF_IT_CAME_BACK, decide
from aperture.book.advice.facts import HEARD, facts
from aperture.book.advice.looking import photo_that_counts
from aperture.book.advice.rule import Step
from aperture.book.advice.rules import CAUTIONS, FOLLOWED_BY, SQUEEZE_CAUTION, Advised, advise
from aperture.book.advice.soak_habit import soak_times
from aperture.book.advice.soak_trend import soak_trend
from aperture.book.present.words import recorded, said_words, seen_words, soaking_words
from aperture.book.store.ledger import Book
from aperture.book.store.records import (
    ACTIONS,
    FAULTS,
    RESPONSES,
    Action,
    Check,
    Decision,
    Entry,
    History,
    Reed,
    short_code,
)
from aperture.desk.pages.fields import (
    FieldError,
    about,
    code,
    decimal,
    reed_in_address,
    said_beside,
    text,
)
from aperture.desk.pages.latest import latest_pair
from aperture.desk.pages.reed_story import changes, happened, limit_words, plots
from aperture.desk.pages.who import remember, remembered
from aperture.desk.web import desk_of, desk_only, page, redirect, with_form
from aperture.errors import BookError
from aperture.present.report import NAMES, UNITS
from aperture.scale import all_scale_words

# The same entered again within this time is a button that was pressed twice: nobody squeezes, photographs and
# squeezes again so soon.
ONE_PRESS = timedelta(seconds=10)
# What is shown beside a picture; area is in the table of photos.
BESIDE_PICTURE = ("height_mm", "width_mm", "ellipse_ratio")
# The decision that an advice asks for; other advice asks for something else than a decision.
AS_ADVISED: dict[Step, Action] = {
    "keep": "keep",
    "squeeze": "squeeze",
    "send back": "send back",
    "replace": "replace",
    "do not use": "replace",
}
# What is entered once it is done that was decided, and the words on its button.
DONE: dict[Step, tuple[Action, str]] = {
    "send back": ("sent back", "It was sent back"),
    "replace": ("thrown away", "It was thrown away"),
}


@desk_only
def reed(request: Request) -> Response:
    """Everything about one reed, and the forms to enter what hands and ears found."""
    desk, today = desk_of(request), date.today()
    with desk.open_book() as book:
        this, same_number = _reed_asked_for(request, book)
        history = book.history(this)
        lots = [lot.code for lot in book.lots()]
        pair = _pair(book, history)
        judged_by = {book.settings_of(entry.reading).limits for entry in history.entries}
    habit, limits = desk.settings.soaking, desk.settings.limits
    advised, known = advise(history, habit, today), facts(history, habit, today)
    counts = photo_that_counts(history)
    return page(
        request,
        "reed.html",
        history=history,
        others=[other for other in same_number if other != this],
        earlier=this != same_number[-1],
        advised=advised,
        needs_reason=advised.action in FOLLOWED_BY,
        cautions=advised.cautions or CAUTIONS,
        squeeze_caution=SQUEEZE_CAUTION,
        button=_button(advised, known.decided),
        look_at=counts.photo.sha256 if counts is not None and advised.to_do.action == "look" else None,
        pair=pair,
        rows=[_row(entry) for entry in history.entries],
        names=list(NAMES.values()),
        changes=changes(history),
        happened=happened(history),
        scales=all_scale_words(e.reading.scale for e in history.entries if e.reading.measured),
        trend=soak_trend(soak_times(history)),
        plots=plots(history, limits, habit.squeeze_below_ratio),
        other_limits=judged_by - {limits} != set(),
        faults=FAULTS,
        # A reed that may go back is not played, so what is heard is not asked of it.
        asked=[name for name in FAULTS if not (known.returnable and name in HEARD)],
        responses=RESPONSES,
        actions=ACTIONS,
        lots=lots,
        who=remembered(request),
    )


@desk_only
@with_form
@said_beside(reed, "details")
def change_reed(request: Request, form: FormData) -> Response:
    """A reed's lot, place and player as its page has them; what is empty there is not known any more.

    What somebody else changed while the page was open stays so, unless it was changed here, too: then that is
    said first.
    """
    with desk_of(request).open_book() as book, book.writing():
        this = _reed_meant(request, book, form)
        slot, player = code(form, "slot", "A slot"), code(form, "player", "A player")
        said = {"lot": text(form, "lot"), "slot": slot, "player": player}
        book.change_reed(this, **_changed_here(form, this, said))
    return redirect(
        f"/reed/{this.number}", f"Reed {this.number}: lot, place and player, saved.", book.entered
    )


@desk_only
@with_form
@said_beside(reed, "check")
def enter_check(request: Request, form: FormData) -> Response:
    """A check by hand; "nothing found" says no to every question that it names and that is not answered.

    A button that was pressed twice is one check.
    """
    faults = {name: form[name] == "yes" for name in FAULTS if form.get(name) in ("yes", "no")}
    if form.get("nothing_found") == "yes":
        asked = (text(form, "asked") or "").split()
        faults = {name: False for name in FAULTS if name in asked} | faults
    cents = decimal(form, "cents")
    with desk_of(request).open_book() as book, book.writing():
        this = _reed_here(request, book, form)
        if not faults and cents is None and not text(form, "response") and not text(form, "note"):
            raise BookError("book-entry-wrong", "nothing was looked at")
        response, note, by = text(form, "response"), text(form, "note"), code(form, "by", "Who checked")
        said = {"response": response, "pitch_cents": cents, "note": note, "by": by}
        said |= dict.fromkeys(FAULTS) | faults
        history = book.history(this)
        if not _pressed_twice(history.checks, "done_at", said):
            if (before := _sent_again(history, said)) is not None:
                words = (
                    f"Reed {this.number}: this check was entered at {before:%H:%M} already. It stands once."
                )
                return redirect(f"/reed/{this.number}", words)
            book.add_check(this, book.now(this), faults, response, cents, note, by)
        done = _entered(book, this, "check by hand")
    return remember(done, by)


@desk_only
@with_form
@said_beside(reed, "squeeze")
def enter_squeeze(request: Request, form: FormData) -> Response:
    """A squeeze; a button that was pressed twice is one."""
    now, by = datetime.now(), code(form, "by", "Who squeezed")
    with desk_of(request).open_book() as book, book.writing():
        this = _reed_here(request, book, form)
        if not any(abs(now - squeeze.done_at) < ONE_PRESS for squeeze in book.history(this).squeezes):
            book.add_squeeze(this, book.now(this), by=by)
        done = _entered(book, this, "squeezed")
    return remember(done, by)


def _entered(book: Book, this: Reed, what: str) -> Response:
    """The reed's page, which says what was entered; of one that counts as gone, also what brings it back."""
    history, words = book.history(this), f"Reed {this.number}: {what}, saved."
    if not history.gone or history.decision is None:
        return redirect(f"/reed/{this.number}", words, book.entered)
    words += f" It still counts as {history.decision.action}: decide what becomes of it, below."
    return redirect(f"/reed/{this.number}#back", words, book.entered, back=f"/reed/{this.number}")


def _pressed_twice(entered: Sequence[Check | Decision], when: str, said: Mapping[str, object]) -> bool:
    """Whether the last thing entered says the same, just now; `when` names its time."""
    return bool(entered) and (
        abs(datetime.now() - getattr(entered[-1], when)) < ONE_PRESS
        and all(getattr(entered[-1], name) == value for name, value in said.items())
    )


def _sent_again(history: History, said: Mapping[str, object]) -> datetime | None:
    """When the same check was entered today, if nothing else happened to the reed since: who went back and
    sent the form again; else None."""
    if not history.checks:
        return None
    last = history.checks[-1]
    others = [
        *(one.photo.when for one in history.entries),
        *(one.done_at for one in history.squeezes),
        *(one.decided_at for one in history.decisions),
    ]
    same = all(getattr(last, name) == value for name, value in said.items())
    alone = last.done_at.date() == date.today() and all(when <= last.done_at for when in others)
    return last.done_at if same and alone else None


@desk_only
@with_form
@said_beside(reed, "decision")
def enter_decision(request: Request, form: FormData) -> Response:
    """A decision; against the advice it needs a reason. A button that was pressed twice is one decision."""
    desk = desk_of(request)
    with desk.open_book() as book, book.writing():
        this = _reed_here(request, book, form)
        action = cast("Action", text(form, "action") or "")
        with about("by"):
            by, reason = short_code(text(form, "by") or "", "Who decides"), text(form, "reason")
        said_before = {"action": action, "by": by} | ({"reason": reason} if reason else {})
        if _pressed_twice(book.history(this).decisions, "decided_at", said_before):
            return redirect(f"/reed/{this.number}")
        with about("action" if reason else "reason"):
            # Of one that is gone, the form said that it came back.
            said = decide(book, this, action, by, reason, book.now(this), desk.settings, came_back=True)
    return remember(redirect(f"/reed/{this.number}", f"{said} Saved.", book.entered), by)


routes = [
    Route("/reed/{number}", reed),
    Route("/reed/{number}/details", change_reed, methods=["POST"]),
    Route("/reed/{number}/check", enter_check, methods=["POST"]),
    Route("/reed/{number}/squeeze", enter_squeeze, methods=["POST"]),
    Route("/reed/{number}/decision", enter_decision, methods=["POST"]),
]


def _reed_asked_for(request: Request, book: Book) -> tuple[Reed, list[Reed]]:
    """The reed that a page is about, and all that have or had its number, the oldest first.

    It is the one that has the number now, or had it last; or, named by its id, an earlier one.
    """
    number, earlier = reed_in_address(request), request.query_params.get("id", "")
    last = book.reed(number)
    same_number = book.reeds_with_number(number)
    return next((reed for reed in same_number if str(reed.id) == earlier), last), same_number


def _reed_meant(request: Request, book: Book, form: FormData) -> Reed:
    """The reed that has the number, if it is the one that the form was about.

    Raises
    ------
    BookError : the number was given to another reed while the page was open.
    """
    this = book.reed(reed_in_address(request))
    if text(form, "reed_id") not in (None, str(this.id)):
        raise BookError(
            "book-entry-wrong",
            f"the number {this.number} was given to another reed since this page was opened; send it again"
            " only if it is about the new one",
        )
    return this


def _changed_here(form: FormData, this: Reed, said: Mapping[str, str | None]) -> dict[str, str | None]:
    """Of what a form says of a reed, what was changed in it; of the rest, what the book says now.

    Raises
    ------
    FieldError : 409, what was changed here somebody else had changed meanwhile.
    """
    was = {name: text(form, f"was_{name}") if f"was_{name}" in form else getattr(this, name) for name in said}
    now = {name: getattr(this, name) for name in said}
    mine = [name for name in said if said[name] != was[name]]
    both = [name for name in mine if now[name] not in (was[name], said[name])]
    if both:
        found = ", ".join(f"{name} “{now[name]}”" if now[name] else f"no {name}" for name in both)
        words = f"Somebody entered {found} while this page was open. If yours is right, send it again."
        raise FieldError(409, words, both[0])
    return {name: said[name] if name in mine else now[name] for name in said}


def _reed_here(request: Request, book: Book, form: FormData) -> Reed:
    """The reed that something is entered about.

    Raises
    ------
    BookError : it has left the box, and the form does not say that it came back.
    """
    this = _reed_meant(request, book, form)
    if book.is_gone(this) and form.get("came_back") != "yes":
        raise BookError(
            "book-entry-wrong",
            f"reed {this.number} has left the box; {IF_IT_CAME_BACK}",
        )
    return this


def _button(advised: Advised, decided: Action | None) -> tuple[Action, str] | None:
    """The decision that one button enters, and its words: as advised, or that it was done as decided."""
    action = advised.to_do.action
    if advised.decided is not None:
        return DONE.get(action)
    followed = AS_ADVISED.get(action)
    if followed is None or followed == decided:
        return None
    return followed, f"Decide: {followed}, as advised"


def _pair(book: Book, history: History) -> list[dict[str, Any]]:
    """The latest photo in each state, with its numbers and the limits by which it was judged."""
    pair = latest_pair(history)
    for one in pair:
        entry: Entry | None = one["entry"]
        measured = entry is not None and entry.reading.measured
        one["numbers"] = _numbers(book, entry) if entry is not None and measured else []
    return pair


def _numbers(book: Book, entry: Entry) -> list[tuple[str, str, str]]:
    limits, record = book.settings_of(entry.reading).limits, entry.reading.record
    return [
        (NAMES[name], recorded(record, name, UNITS[name]), limit_words(name, limits))
        for name in BESIDE_PICTURE
    ]


def _row(entry: Entry) -> dict[str, object]:
    """A photo's line in the table of a reed."""
    return {
        "entry": entry,
        "when": f"{entry.photo.when:%Y-%m-%d %H:%M}",
        "soaking": soaking_words(entry.filing.soaking),
        "seen": seen_words(entry.reading) if entry.reading.measured else "refused",
        "said": said_words(entry),
        "numbers": [recorded(entry.reading.record, name, UNITS[name]) for name in NAMES],
    }
