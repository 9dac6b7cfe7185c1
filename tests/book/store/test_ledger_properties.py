"""The book against a plain model, through any sequence of what can be entered.

Nothing is ever overwritten, the latest counts, and what is not possible changes nothing.
"""

import tempfile
from collections import defaultdict
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from aperture.book.store import schema
from aperture.book.store.ledger import Book
from aperture.book.store.records import ACTIONS, FAULTS, GONE, Filing, Soaking
from aperture.errors import BookError
from aperture.settings import Settings

NUMBERS = st.integers(1, 3)
LOTS = st.sampled_from(["26a", "26A", "27"])
PLACES = st.sampled_from([None, "A1", "B2"])
STATES = st.sampled_from(["dry", "soaked", None])
NOON = datetime(2026, 10, 5, 12, 0)


def record_of(height_mm):
    """What of a measurement the ledger looks at."""
    empty = dict.fromkeys(("u", "shape", "height_mm", "width_mm", "area_mm2", "ellipse_ratio"))
    outcome = "refused" if height_mm is None else "measured"
    return {**empty, "outcome": outcome, "review": height_mm is None, "flags": [], "height_mm": height_mm}


class AnyLife(RuleBasedStateMachine):
    """The model: lists that only grow, and dictionaries of what counts now."""

    @initialize()
    def begin(self):
        self.folder = tempfile.TemporaryDirectory(prefix="ledger-")
        self.path = Path(self.folder.name) / "reeds.sqlite3"
        self.open()
        self.minutes = 0
        self.lots = {}  # code in small letters -> (code as first written, source, price)
        self.reeds = []  # by id - 1: [number, lot, slot, player]
        self.photos = []  # by id - 1: [sha, when, filing or None, heights]
        self.checks, self.squeezes, self.decisions = defaultdict(list), defaultdict(list), defaultdict(list)
        self.rows = {table: [] for table in schema.TABLES}
        # Something to begin with: most of what can be entered is about a reed or a photo that is there.
        self.add_lot("26a", "north", 21.5)
        for number in (1, 2):
            self.add_reed(number, "A1", None)
            self.add_photo(str(number) * 64)

    def open(self):
        self.book = Book(self.path, create=True)
        # The disk is not what is tested here.
        self.book._connection.execute("PRAGMA synchronous = off")

    def teardown(self):
        if hasattr(self, "folder"):
            self.book.close()
            self.folder.cleanup()

    def now(self):
        self.minutes += 1
        return NOON + timedelta(minutes=self.minutes)

    def current(self, number):
        """Id of the reed that has the number now, or had it last; None if there was none."""
        ids = [place + 1 for place, reed in enumerate(self.reeds) if reed[0] == number]
        return ids[-1] if ids else None

    def gone(self, reed_id):
        decided = self.decisions[reed_id]
        return bool(decided) and decided[-1] in GONE

    # What can be entered

    @rule(code=LOTS, source=st.sampled_from(["north", "south"]), price=st.sampled_from([None, 0.0, 21.5]))
    def enter_lot(self, code, source, price):
        self.add_lot(code, source, price)

    def add_lot(self, code, source, price):
        self.book.add_lot(code, source, price_per_reed=price)
        first = self.lots.get(code.lower(), (code,))[0]
        self.lots[code.lower()] = (first, source, price)

    @rule(number=NUMBERS, slot=PLACES, player=PLACES)
    def enter_reed(self, number, slot, player):
        self.add_reed(number, slot, player)

    def add_reed(self, number, slot, player):
        known = self.current(number)
        if known is not None and not self.gone(known):
            with pytest.raises(BookError):
                self.book.add_reed(number, None, slot, player)
            return
        self.book.add_reed(number, None, slot, player)
        self.reeds.append([number, None, slot, player])

    @rule(data=st.data(), lot=LOTS, slot=PLACES, player=PLACES)
    def change_reed(self, data, lot, slot, player):
        number = data.draw(st.sampled_from([reed[0] for reed in self.reeds]))
        reed_id = self.current(number)
        if lot.lower() not in self.lots:
            with pytest.raises(BookError):
                self.book.change_reed(self.book.reed(number), lot, slot, player)
            return
        self.book.change_reed(self.book.reed(number), lot, slot, player)
        self.reeds[reed_id - 1] = [number, self.lots[lot.lower()][0], slot, player]

    @rule(sha=st.sampled_from([digit * 64 for digit in "1234"]))
    def enter_photo(self, sha):
        self.add_photo(sha)

    def add_photo(self, sha):
        known = [place + 1 for place, photo in enumerate(self.photos) if photo[0] == sha]
        when = self.now()
        with self.book.writing():
            photo = self.book.add_photo(sha, "x.jpg", when, when)
            if not known:
                self.book.add_filing(photo, Filing(None, None, Soaking(), "new", None))
                self.book.add_reading(photo, record_of(None), Settings(), 0.001, None)
        if known:
            assert photo.id == known[0]
        else:
            self.photos.append([sha, when, (None, None), [None]])
            assert photo.id == len(self.photos)

    @rule(data=st.data(), state=STATES)
    def file_photo(self, data, state):
        place = data.draw(st.integers(0, len(self.photos) - 1))
        reed_id = data.draw(st.sampled_from([None, *range(1, len(self.reeds) + 1)]))
        photo = self.book.photo(self.photos[place][0])
        self.book.add_filing(photo, Filing(reed_id, state, Soaking(), None, "MB"))
        self.photos[place][2] = (reed_id, state)

    # A person's reading without a number would ask for a retake, which is another story.
    @rule(data=st.data(), reading=st.sampled_from([(None, None), (0.4, None), (0.8, None), (0.6, "MB")]))
    def measure(self, data, reading):
        height_mm, by = reading
        place = data.draw(st.integers(0, len(self.photos) - 1))
        photo = self.book.photo(self.photos[place][0])
        origin = "person" if by else "program"
        self.book.add_reading(photo, record_of(height_mm), Settings(), 0.001, None, origin, by)
        self.photos[place][3].append(height_mm)

    @rule(data=st.data(), fault=st.sampled_from(sorted(FAULTS)), found=st.booleans())
    def check(self, data, fault, found):
        reed_id = self.current(data.draw(st.sampled_from([reed[0] for reed in self.reeds])))
        self.book.add_check(self.book.reed_with_id(reed_id), self.now(), {fault: found})
        self.checks[reed_id].append((fault, found))

    @rule(data=st.data())
    def squeeze(self, data):
        reed_id = self.current(data.draw(st.sampled_from([reed[0] for reed in self.reeds])))
        when = self.now()
        self.book.add_squeeze(self.book.reed_with_id(reed_id), when)
        self.squeezes[reed_id].append(when)

    @rule(data=st.data(), action=st.sampled_from(ACTIONS))
    def decide(self, data, action):
        reed_id = self.current(data.draw(st.sampled_from([reed[0] for reed in self.reeds])))
        self.book.add_decision(self.book.reed_with_id(reed_id), self.now(), action, "so", "MB")
        self.decisions[reed_id].append(action)

    # What must change nothing

    @rule(number=NUMBERS)
    def stop_halfway(self, number):
        with suppress(KeyboardInterrupt), self.book.writing():
            self.book.add_lot("never", "north")
            self.book.known_or_new(number, NOON)
            self.book.add_photo("e" * 64, "x.jpg", NOON, NOON)
            raise KeyboardInterrupt

    @rule(
        wrong=st.sampled_from(
            [
                lambda book: book.add_lot("two words", "north"),
                lambda book: book.add_lot("26a", "north", price_per_reed=-1.0),
                lambda book: book.add_reed(0),
                lambda book: book.add_reed(10**20),
                lambda book: book.add_reed(1, "no such lot"),
                lambda book: book.reed(10**20),
            ]
        )
    )
    def enter_what_cannot_be(self, wrong):
        with pytest.raises(BookError):
            wrong(self.book)

    @rule()
    def close_and_open(self):
        self.book.close()
        self.open()

    # What must hold after each of them

    @invariant()
    def nothing_is_overwritten(self):
        for table, before in self.rows.items():
            after = list(self.book.table(table))
            assert after[: len(before)] == before, table
            self.rows[table] = after

    @invariant()
    def the_latest_counts(self):
        lots = {lot.code.lower(): (lot.code, lot.source, lot.price_per_reed) for lot in self.book.lots()}
        assert lots == self.lots
        histories = {history.reed.id: history for history in self.book.histories()}
        assert histories.keys() == set(range(1, len(self.reeds) + 1))
        for reed_id, history in histories.items():
            reed = history.reed
            assert [reed.number, reed.lot, reed.slot, reed.player] == self.reeds[reed_id - 1]
            mine = [photo for photo in self.photos if photo[2][0] == reed_id]
            mine.sort(key=lambda photo: photo[1])
            seen = [
                [entry.photo.sha256, entry.filing.state, [one.record["height_mm"] for one in entry.readings]]
                for entry in history.entries
            ]
            assert seen == [[sha, filing[1], heights] for sha, _, filing, heights in mine]
            answers = [
                [(name, getattr(check, name)) for name in FAULTS if getattr(check, name) is not None]
                for check in history.checks
            ]
            assert answers == [[answer] for answer in self.checks[reed_id]]
            assert [squeeze.done_at for squeeze in history.squeezes] == self.squeezes[reed_id]
            assert [decision.action for decision in history.decisions] == self.decisions[reed_id]
            assert history.gone == self.book.is_gone(reed) == self.gone(reed_id)
        unfiled = {entry.photo.sha256 for entry in self.book.unfiled()}
        assert unfiled == {photo[0] for photo in self.photos if None in photo[2]}
        assert self.book.integrity_errors() == []


TestAnyLife = AnyLife.TestCase
TestAnyLife.settings = settings(max_examples=12, stateful_step_count=30, deadline=None)
