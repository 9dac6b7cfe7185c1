"""Two who answer one photo: what was answered while a page was open, and what the later answer says."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from hashlib import sha256

from starlette.datastructures import FormData

from aperture.book.store.records import Entry, Reading
from aperture.desk.pages.outlines import sent_points
from aperture.desk.pages.read_out import Looked, who_looked

# Names of the fields by which a form says upon what it was answered, and what it is to replace knowingly.
UPON, INSTEAD = "upon", "instead"


@dataclass(frozen=True)
class Meanwhile:
    """What was answered while a page was open, and what was sent from it.

    Parameters
    ----------
    answered : what was answered, each by whom and when, the oldest first.
    mine : what was sent, in words.
    replaces : whether what was sent would count in the place of what was answered, not beside it.
    form : what was sent, to send it once more, now knowingly.
    """

    answered: list[str]
    mine: str
    replaces: bool
    form: list[tuple[str, str]]


def state_of(entry: Entry) -> str:
    """What counts of a photo now, in short: its reading's id, and a digest of its filing."""
    return f"{entry.reading.id}-{_digest(entry)}"


def is_news(entry: Entry, form: FormData) -> bool:
    """Whether something was answered since the page was shown on which a form was filled in.

    Not if the form says that it knows; nor of a form that does not say upon what it was answered.
    """
    upon = form.get(UPON)
    return upon is not None and state_of(entry) not in (upon, form.get(INSTEAD))


def looked_at(entry: Entry, form: FormData) -> Reading:
    """The reading that was shown on the page on which a form was filled in: what is confirmed is that."""
    shown = str(form.get(UPON, "")).partition("-")[0]
    return next((one for one in entry.readings if str(one.id) == shown), entry.reading)


def repeated(form: FormData) -> list[tuple[str, str]]:
    """What was sent, to send it once more."""
    return [(name, said) for name, said in form.multi_items() if isinstance(said, str) and name != "csrf"]


def meanwhile(
    entry: Entry, form: FormData, recorded_at: Mapping[int, datetime], reed: int | None
) -> Meanwhile:
    """What was answered since the page was shown on which a form was filled in.

    Parameters
    ----------
    recorded_at : when each reading was written into the book, by its id.
    reed : the number of the reed that the photo is filed under now.
    """
    shown, _, filed = str(form.get(UPON, "")).partition("-")
    later = [one for one in entry.readings if not shown.isdecimal() or one.id > int(shown)]
    answered = [_sentence(one) for one in who_looked(later, recorded_at)]
    if refiled := _digest(entry) != filed:
        which = "no reed" if reed is None else f"reed {reed}"
        state = entry.filing.state or "state not known"
        answered.append(f"{entry.filing.by or 'Somebody'}: it shows {which}, {state}")
    again = [(name, said) for name, said in repeated(form) if name != INSTEAD]
    return Meanwhile(
        answered or ["What was answered before was undone."],
        _mine(form),
        refiled if form.get("say") == "reed" else bool(later),
        [*again, (INSTEAD, state_of(entry))],
    )


def _digest(entry: Entry) -> str:
    filing = replace(entry.filing, first=None)
    return sha256(repr(filing).encode()).hexdigest()[:16]


def _sentence(looked: Looked) -> str:
    today = looked.when.date() == date.today()
    return f"{looked.who}, {looked.when:{'%H:%M' if today else '%Y-%m-%d %H:%M'}}: {looked.says}"


def _mine(form: FormData) -> str:
    """What was sent, in words."""

    def said(name: str, otherwise: str = "") -> str:
        return str(form.get(name, "")).strip() or otherwise

    points = sent_points(said("points"))
    words = {
        "confirm": "the numbers are right",
        "override": f"it is {said('shape')}, “{said('reason')}”",
        "retake": "take the photo again",
        "reed": f"it shows reed {said('reed', 'as before')}, {said('state', 'state not known')}",
        "outline": f"the outline as you drew it, with {0 if points is None else len(points)} points",
    }
    return f"{said('by')}: {words[said('say')]}"
