"""The reed book: all that can be asked of it, and entered. Rows are added, never changed; the latest counts.

How each is done stands with its subject, as functions over an open book; here is the list of them.
"""

from collections.abc import Sequence

from aperture.book.store import (
    event_tables,
    growth,
    lot_tables,
    photo_tables,
    reed_history,
    reed_tables,
    scale_tables,
)
from aperture.book.store.open_book import OpenBook
from aperture.book.store.withdrawals import WITHDRAWABLE, Entered, something_lacks, standing
from aperture.errors import BookError


class Book(OpenBook):
    """An open reed book. Use it in a `with` block, or call `close`.

    Reading never waits. What belongs together is written inside `with book.writing():`. Everything raises
    `BookError` where the file cannot be read or written, or where what was to be entered is not possible.
    """

    # What is in it

    lots = lot_tables.lots
    lot = lot_tables.lot
    has_lot = lot_tables.has_lot

    reeds = reed_tables.reeds
    reed = reed_tables.reed
    reeds_with_number = reed_tables.reeds_with_number
    reed_with_id = reed_tables.reed_with_id
    reed_at = reed_tables.reed_at
    left_at = reed_tables.left_at
    is_gone = reed_tables.is_gone

    photo = photo_tables.photo
    photos = photo_tables.photos
    entry = photo_tables.entry
    entries = photo_tables.entries
    unfiled = photo_tables.unfiled
    unfiled_hashes = photo_tables.unfiled_hashes
    recorded_readings = photo_tables.recorded_readings

    history = reed_history.history
    histories = reed_history.histories
    histories_of = reed_history.histories_of
    fates = reed_history.fates
    now = reed_history.now

    scales = scale_tables.scales
    photos_by_scale = scale_tables.photos_by_scale
    settings_of = scale_tables.settings_of
    cards = scale_tables.cards
    gauge_checks = scale_tables.gauge_checks
    days_in_doubt = scale_tables.days_in_doubt

    impossible_dates = event_tables.impossible_dates
    last_seal = growth.last_seal
    reeds_since = growth.reeds_since

    # Adding to it

    add_lot = lot_tables.add_lot
    add_reed = reed_tables.add_reed
    known_or_new = reed_tables.known_or_new
    change_reed = reed_tables.change_reed
    add_photo = photo_tables.add_photo
    add_filing = photo_tables.add_filing
    add_reading = photo_tables.add_reading
    add_check = event_tables.add_check
    add_squeeze = event_tables.add_squeeze
    add_decision = event_tables.add_decision
    add_card = scale_tables.add_card
    add_gauge_check = scale_tables.add_gauge_check

    def withdraw(self, entered: Sequence[Entered]) -> None:
        """Enter that these rows do not count any more. They stay on record; what counted before counts again.

        Raises
        ------
        BookError : something that was entered since rests on them, or they do not count already.
        """
        with self.together():
            for table, row in reversed(entered):
                query = f"SELECT 1 FROM {table} WHERE id = ? AND {standing(table)}"
                if table not in WITHDRAWABLE or not self.select(query, row):
                    raise BookError("book-entry-wrong", f"{table}, row {row}, does not count already")
                self.insert("withdrawals", of_table=table, of_row=row)
            if self.select(something_lacks(reed_tables.GONE_REEDS))[0][0]:
                raise BookError("book-entry-wrong", "something that was entered since rests on it")
