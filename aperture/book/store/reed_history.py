"""Everything that a book knows of a reed, put together."""

import json
from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime, timedelta

from aperture.book.store import rows
from aperture.book.store.event_tables import of_reeds
from aperture.book.store.lot_tables import lots_of
from aperture.book.store.open_book import OpenBook
from aperture.book.store.photo_tables import entries_where
from aperture.book.store.records import Entry, Fate, History, Reed
from aperture.book.store.reed_tables import reeds as all_reeds
from aperture.dates import latest


def history(book: OpenBook, reed: Reed) -> History:
    """Everything about one reed."""
    return histories_of(book, [reed])[0]


def histories(
    book: OpenBook, here: bool = False, lot: str | None = None, outlines: bool = True
) -> list[History]:
    """Everything about every reed, or about some: see `reeds` and `histories_of`."""
    return histories_of(book, all_reeds(book, here, lot), outlines)


def histories_of(book: OpenBook, reeds: Sequence[Reed], outlines: bool = True) -> list[History]:
    """Everything about these reeds, in the same order.

    Without `outlines` neither those nor the tips of the readings must be looked at, nor by whom they
    are, nor how a photo was filed first. They are most of the book: a list of many reeds that draws none
    is made in half the time.
    """
    # All ids as one value, because a query takes only so many values.
    ids = json.dumps([reed.id for reed in reeds])
    where = "WHERE reed_id IN (SELECT value FROM json_each(?))"
    lots = lots_of(book, reeds)
    entries: dict[int | None, list[Entry]] = defaultdict(list)
    for entry in entries_where(book, where, ids, outlines=outlines):
        entries[entry.filing.reed_id].append(entry)
    checks = of_reeds(book, "checks", rows.check, where, ids)
    squeezes = of_reeds(book, "squeezes", rows.squeeze, where, ids)
    decisions = of_reeds(book, "decisions", rows.decision, where, ids)
    return [
        History(
            reed=reed,
            lot=lots[reed.lot] if reed.lot else None,
            entries=tuple(entries[reed.id]),
            checks=tuple(sorted(checks[reed.id], key=lambda check: check.done_at)),
            squeezes=tuple(sorted(squeezes[reed.id], key=lambda squeeze: squeeze.done_at)),
            decisions=tuple(decisions[reed.id]),
        )
        for reed in reeds
    ]


def fates(book: OpenBook) -> list[Fate]:
    """What was decided about every reed, by number: a history without what it rests on."""
    reeds = all_reeds(book)
    lots, decisions = lots_of(book, reeds), of_reeds(book, "decisions", rows.decision, "WHERE true")
    return [Fate(reed, lots[reed.lot] if reed.lot else None, tuple(decisions[reed.id])) for reed in reeds]


def now(book: OpenBook, reed: Reed) -> datetime:
    """The time for what is entered about a reed now: by this computer's clock, but after all that the
    book has of the reed, for a clock can be behind the phone's, or be set back between two entries. What
    cannot have happened yet does not count, so that this clock never runs out."""
    last = history(book, reed).last_moment
    return max(datetime.now(), last + timedelta(seconds=1)) if last <= latest() else datetime.now()
