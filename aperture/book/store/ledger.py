"""The reed book: what is in it, and adding to it. Rows are added, never changed; the latest counts."""

import json
import sqlite3
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from datetime import date, datetime, timedelta
from hashlib import sha256
from pathlib import Path
from typing import Any, Self

from aperture import __version__
from aperture.book.store import book_file, growth, picture_folder, rows, schema, seals
from aperture.book.store.lot_entry import LotEntry, mistakes
from aperture.book.store.records import (
    ACTIONS,
    AGES,
    FAULTS,
    GONE,
    RESPONSES,
    WATERS,
    WETTED,
    Action,
    Entry,
    Fate,
    Filing,
    GaugeCheck,
    History,
    Lot,
    Origin,
    Photo,
    PrintedCard,
    Reading,
    Reed,
    short_code,
)
from aperture.book.store.withdrawals import WITHDRAWABLE, Entered, something_lacks, standing
from aperture.card.geometry import CARD, LONGEST_RULER_MM, SHORTEST_RULER_MM
from aperture.codes import code_key, composed
from aperture.dates import is_sensible, latest, span_words
from aperture.errors import BookError, SettingsError
from aperture.scale import Scale
from aperture.settings import MOST_TIP_OFFSET_MM, Settings, settings_from_text, settings_text

Row = Mapping[str, Any]

# So many lots, the last ones, are named to who asks for one that is not there.
_LOTS_NAMED = 8

# The reeds of which the latest decision is that they left.
_GONE = f"""(SELECT reed_id FROM decisions
    WHERE id IN (SELECT max(id) FROM decisions WHERE {standing("decisions")} GROUP BY reed_id)
    AND action IN {GONE})"""


# When something happened, by table and column; what cannot have been counts as of the time of its entry.
_DATES = (
    ("photos", "taken"),
    ("photos", "received_at"),
    ("checks", "done_at"),
    ("squeezes", "done_at"),
    ("decisions", "decided_at"),
)


class Book:
    """An open reed book. Use it in a `with` block, or call `close`.

    Reading never waits. What belongs together is written inside `with book.writing():`. Everything raises
    `BookError` where the file cannot be read or written, or where what was to be entered is not possible.
    """

    def __init__(self, path: Path, create: bool = False, wait_seconds: float | None = None) -> None:
        """Open the book at `path`; with `create` begin a new one where there is none.

        It waits at most so many seconds for others who write; see `book_file.connect`.
        """
        self.path = path
        with book_file.report_errors(path):
            picture_folder.check_nothing_left(path)
        self._connection = book_file.connect(path, create, wait_seconds)
        self.pictures = picture_folder.settled(path, self._connection, wait_seconds)
        self._looked_at = False  # before the first writing, whether the file is in order
        self._entered: list[Entered] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    @contextmanager
    def writing(self) -> Iterator[None]:
        """One transaction: all that is added inside is kept, or nothing of it."""
        with book_file.report_errors(self.path):
            if not self._looked_at:
                book_file.check_whole(self._connection)
                self._looked_at = True
            with book_file.writing(self._connection):
                yield

    # What is in it

    def lots(self) -> list[Lot]:
        """All lots, by the time they were entered."""
        return [rows.lot(row) for row in self._select("SELECT * FROM current_lots ORDER BY id")]

    def lot(self, code: str) -> Lot:
        """The lot with this code, in any spelling: see `aperture.codes`."""
        found = self._select("SELECT * FROM current_lots WHERE id = ?", self._lot_id(code))
        if not found:
            # Most likely it was mistyped.
            there = ", ".join(lot.code for lot in self.lots()[-_LOTS_NAMED:])
            raise BookError("book-unknown", f"lot {code}" + (f"; there are {there}" if there else ""))
        return rows.lot(found[0])

    def has_lot(self, code: str) -> bool:
        """Whether there is a lot with this code, in any spelling."""
        return bool(self._select("SELECT 1 FROM current_lots WHERE id = ?", self._lot_id(code)))

    def reeds(self, here: bool = False, lot: str | None = None) -> list[Reed]:
        """The reeds by number, the older of the same number first; with `here` only those that have not left,
        with `lot` only those of the lot with this code."""
        gone = f"WHERE id NOT IN {_GONE}" if here else ""
        found = self._select(f"SELECT * FROM current_reeds {gone} ORDER BY number, id")
        code = self.lot(lot).code if lot is not None else None
        return [reed for reed in map(rows.reed, found) if code is None or reed.lot == code]

    def last_seal(self) -> tuple[int, str] | None:
        """What was added last, by whomever: as long as it is the same, all else is. None of an empty book.

        Every row that is added is sealed, and none is ever changed.
        """
        found = self._select("SELECT id, seal FROM seals ORDER BY id DESC LIMIT 1")
        return (found[0]["id"], found[0]["seal"]) if found else None

    def reeds_since(self, seal: tuple[int, str]) -> frozenset[int] | None:
        """The ids of the reeds about which something was added since `last_seal` was this; None if it may be
        about any reed, or if this is another book."""
        same = self._select("SELECT 1 FROM seals WHERE id = ? AND seal = ?", *seal)
        if not same or self._select(growth.OF_ANY, seal[0]):
            return None
        return frozenset(row["reed_id"] for row in self._select(growth.OF_THESE, seal[0]))

    def reed(self, number: int) -> Reed:
        """The reed that has this number now, or had it last."""
        found = self.reeds_with_number(number)
        if not found:
            raise BookError("book-unknown", f"reed {number}")
        return found[-1]

    def reeds_with_number(self, number: int) -> list[Reed]:
        """All reeds that have or had this number, the oldest first."""
        if not 1 <= number <= CARD.reed_tags.count:  # SQLite has no room for a number of twenty digits
            return []
        query = "SELECT * FROM current_reeds WHERE number = ? ORDER BY id"
        return [rows.reed(row) for row in self._select(query, number)]

    def reed_with_id(self, reed_id: int) -> Reed:
        """The reed with this id."""
        found = self._select("SELECT * FROM current_reeds WHERE id = ?", reed_id)
        if not found:
            raise BookError("book-damaged", f"a photo belongs to reed {reed_id}, which is not there")
        return rows.reed(found[0])

    def is_gone(self, reed: Reed) -> bool:
        """Whether the reed has left the box."""
        return self.left_at(reed) is not None

    def reed_at(self, number: int, when: datetime) -> Reed | None:
        """The reed that had this number then; None if it was free: never given, or the reed had left."""
        for reed in self.reeds_with_number(number):
            left = self.left_at(reed)
            if left is None or when <= left:
                return reed
        return None

    def history(self, reed: Reed) -> History:
        """Everything about one reed."""
        return self.histories_of([reed])[0]

    def now(self, reed: Reed) -> datetime:
        """The time for what is entered about a reed now: by this computer's clock, but after all that the
        book has of the reed, for a clock can be behind the phone's, or be set back between two entries. What
        cannot have happened yet does not count, so that this clock never runs out."""
        last = self.history(reed).last_moment
        return max(datetime.now(), last + timedelta(seconds=1)) if last <= latest() else datetime.now()

    def histories(self, here: bool = False, lot: str | None = None, outlines: bool = True) -> list[History]:
        """Everything about every reed, or about some: see `reeds` and `histories_of`."""
        return self.histories_of(self.reeds(here, lot), outlines)

    def histories_of(self, reeds: Sequence[Reed], outlines: bool = True) -> list[History]:
        """Everything about these reeds, in the same order.

        Without `outlines` neither those nor the tips of the readings must be looked at, nor by whom they
        are, nor how a photo was filed first. They are most of the book: a list of many reeds that draws none
        is made in half the time.
        """
        # All ids as one value, because a query takes only so many values.
        ids, where = (
            json.dumps([reed.id for reed in reeds]),
            "WHERE reed_id IN (SELECT value FROM json_each(?))",
        )
        lots = self._lots_of(reeds)
        entries: dict[int | None, list[Entry]] = defaultdict(list)
        for entry in self._entries(where, ids, outlines=outlines):
            entries[entry.filing.reed_id].append(entry)
        checks = self._of_reeds("checks", rows.check, where, ids)
        squeezes = self._of_reeds("squeezes", rows.squeeze, where, ids)
        decisions = self._of_reeds("decisions", rows.decision, where, ids)
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

    def fates(self) -> list[Fate]:
        """What was decided about every reed, by number: a history without what it rests on."""
        reeds = self.reeds()
        lots, decisions = self._lots_of(reeds), self._of_reeds("decisions", rows.decision, "WHERE true")
        return [Fate(reed, lots[reed.lot] if reed.lot else None, tuple(decisions[reed.id])) for reed in reeds]

    def left_at(self, reed: Reed) -> datetime | None:
        """When the reed left the box; None if it is here."""
        query = f"""SELECT * FROM decisions WHERE reed_id = ? AND {standing("decisions")}
            ORDER BY id DESC LIMIT 1"""
        found = self._select(query, reed.id)
        decision = rows.decision(found[0]) if found else None
        return decision.decided_at if decision is not None and decision.action in GONE else None

    def photo(self, sha: str) -> Photo | None:
        """The photo of which this is the SHA-256; None if the book does not have it."""
        found = self._select(f"SELECT {rows.PHOTO_COLUMNS} FROM photos WHERE sha256 = ?", sha)
        return rows.photo(found[0]) if found else None

    def photos(self) -> list[Photo]:
        """All photos, in the order in which they came."""
        return [
            rows.photo(row) for row in self._select(f"SELECT {rows.PHOTO_COLUMNS} FROM photos ORDER BY id")
        ]

    def entry(self, photo: Photo) -> Entry:
        """A photo with its filing and readings."""
        return self._entries("WHERE photos.id = ?", photo.id)[0]

    def entries(self, hashes: Sequence[str]) -> list[Entry]:
        """The photos of which these are the SHA-256, by the time they were taken."""
        where = "WHERE photos.sha256 IN (SELECT value FROM json_each(?))"
        return self._entries(where, json.dumps(list(hashes)))

    def unfiled(self) -> list[Entry]:
        """The photos of which the reed or the state is not known, and no retake was asked for."""
        return self.entries(self.unfiled_hashes())

    def unfiled_hashes(self) -> list[str]:
        """The SHA-256 of each of them, in the same order: of thousands these are read in no time."""
        # As `Reading.retake_asked` has it: the latest reading is a person's, without a number.
        query = f"""SELECT photos.sha256 FROM photos
            JOIN current_filings AS filings ON filings.photo_id = photos.id
            WHERE (filings.reed_id IS NULL OR filings.state IS NULL)
            AND NOT EXISTS (
                SELECT 1 FROM readings
                WHERE id = (SELECT max(id) FROM readings
                    WHERE photo_id = photos.id AND {standing("readings")})
                AND origin = 'person' AND outcome = 'refused')
            ORDER BY coalesce(photos.taken, photos.received_at), photos.id"""
        return [row["sha256"] for row in self._select(query)]

    def gauge_checks(self) -> list[GaugeCheck]:
        """The checks with a gauge of paper, by the time they were made."""
        found = map(rows.gauge_check, self._select("SELECT * FROM gauge_checks ORDER BY id"))
        return sorted(found, key=lambda check: check.done_at)

    def days_in_doubt(self) -> frozenset[date]:
        """The days on which a gauge did not agree: its last check that day with the same bar and offset."""
        last = {(check.done_at.date(), check.told, check.sheets): check for check in self.gauge_checks()}
        return frozenset(day for (day, *_), check in last.items() if not check.agrees)

    def cards(self) -> list[PrintedCard]:
        """What was said of printed cards, the latest last: that one is in use."""
        return [rows.card(row) for row in self._select("SELECT * FROM cards ORDER BY id")]

    def scales(self) -> dict[int, Scale]:
        """What settings that made readings say of the printed card, by the settings' id."""
        return dict(rows.scale(row) for row in self._select("SELECT id, content FROM settings_used"))

    def photos_by_scale(self) -> dict[Scale, int]:
        """How many photos count with each scale, by the reading that counts."""
        scales, counts = self.scales(), Counter[Scale]()
        query = f"""SELECT settings_id, count(*) AS photos FROM readings
            WHERE id IN (SELECT max(id) FROM readings WHERE {standing("readings")} GROUP BY photo_id)
            AND outcome = 'measured' GROUP BY settings_id"""
        for row in self._select(query):
            counts[scales[row["settings_id"]]] += row["photos"]
        return counts

    def settings_of(self, reading: Reading) -> Settings:
        """The settings that made a reading."""
        found = self._select(
            "SELECT content FROM settings_used WHERE id = (SELECT settings_id FROM readings WHERE id = ?)",
            reading.id,
        )
        try:
            return settings_from_text(found[0]["content"])
        except (SettingsError, LookupError, TypeError, ValueError) as error:
            raise BookError("book-damaged", f"{self.path}: settings of a reading: {error}") from error

    def recorded_readings(self, photo: Photo) -> dict[int, datetime]:
        """When each reading of a photo was written into the book, with its zone, by its id."""
        found = self._select("SELECT id, recorded_at FROM readings WHERE photo_id = ?", photo.id)
        try:
            return {row["id"]: datetime.fromisoformat(row["recorded_at"]) for row in found}
        except (TypeError, ValueError) as error:
            raise BookError("book-damaged", f"{self.path}: when a photo was read: {error}") from error

    def table(self, table: str) -> Iterator[dict[str, Any]]:
        """Every row of a table of `schema.TABLES`, the oldest first."""
        if table not in schema.TABLES:
            raise BookError("book-unknown", f"table {table}")
        with book_file.report_errors(self.path):
            for row in self._connection.execute(f"SELECT * FROM {table} ORDER BY id"):
                yield dict(row)

    def impossible_dates(self) -> Iterator[tuple[str, int, str]]:
        """The dates that cannot be, which only earlier versions entered: table, row and text of each."""
        for table, column in _DATES:
            for row in self.table(table):
                if row[column] is not None and rows.possible(row[column], row["recorded_at"]) is None:
                    yield table, row["id"], row[column]

    def integrity_errors(self) -> list[str]:
        """What is wrong with the file: nothing, if all is well."""
        with book_file.report_errors(self.path):
            return schema.integrity_errors(self._connection)

    def copy_to(self, target: Path) -> None:
        """Write a consistent copy of the database file, even while others write to the book."""
        with book_file.report_errors(target):
            book_file.copy_to(self._connection, target)

    # Adding to it

    def add_lot(
        self,
        code: str,
        source: str,
        ordered_on: date | None = None,
        return_by: date | None = None,
        price_per_reed: float | None = None,
        strength: str | None = None,
    ) -> Lot:
        """Enter a lot, or a lot's details again: they replace the earlier ones, which stay on record.

        Whoever lets somebody type asks before it is one that is there: see `lot_entry`.
        """
        entry = LotEntry(code, source, ordered_on, return_by, price_per_reed, strength)
        if wrong := mistakes(entry):
            raise BookError("book-entry-wrong", " ".join(wrong.values()))
        code, source = short_code(code, "A lot"), short_code(source, "A source")
        with self._together():
            lot_id = self._lot_id(code)
            if lot_id is None:
                now = _now()  # one time for both, as an upgrade has it
                lot_id = self._insert("lots", code=code, recorded_at=now)
                self._insert("lot_keys", id=lot_id, key=code_key(code), recorded_at=now)
            self._insert(
                "lot_details",
                lot_id=lot_id,
                source=source,
                ordered_on=_text(ordered_on),
                return_by=_text(return_by),
                price_per_reed=price_per_reed,
                strength=strength,
            )
        return self.lot(code)

    def add_reed(
        self, number: int, lot: str | None = None, slot: str | None = None, player: str | None = None
    ) -> Reed:
        """Enter a new reed. Its number must be free: never given, or of a reed that is gone."""
        if not 1 <= number <= CARD.reed_tags.count:
            raise BookError("book-entry-wrong", f"reed numbers run from 1 to {CARD.reed_tags.count}")
        with self._together():
            earlier = self.reeds_with_number(number)
            if earlier and not self.is_gone(earlier[-1]):
                raise BookError(
                    "book-entry-wrong",
                    f"number {number} belongs to a reed that is still here; decide that it was sent back or"
                    " thrown away first",
                )
            reed_id = self._insert("reeds", number=number)
            self._detail_reed(reed_id, lot, slot, player)
        return self.reed(number)

    def known_or_new(self, number: int, when: datetime) -> Reed:
        """The reed that had this number then; a new one if it was free."""
        return self.reed_at(number, when) or self.add_reed(number)

    def change_reed(self, reed: Reed, lot: str | None, slot: str | None, player: str | None) -> Reed:
        """Enter a reed's lot, place and player again; None is not known."""
        with self._together():
            self._detail_reed(reed.id, lot, slot, player)
        return self.reed(reed.number)

    def add_photo(
        self,
        sha: str,
        name: str,
        taken: datetime | None,
        received_at: datetime,
        kept: str | None = None,
        kept_sha256: str | None = None,
    ) -> Photo:
        """Enter a photo that is not in the book yet; one that is stays as it is and is returned."""
        with self._together():
            if self.photo(sha) is None:
                self._insert(
                    "photos",
                    sha256=sha,
                    name=name,
                    taken=_text(taken),
                    received_at=_text(received_at),
                    kept=kept,
                    kept_sha256=kept_sha256,
                )
            photo = self.photo(sha)
        assert photo is not None
        return photo

    def add_filing(self, photo: Photo, filing: Filing) -> None:
        """Say to which reed and state a photo belongs, and how the reed was soaked."""
        soaking = filing.soaking
        if soaking.seconds is not None and not 0.0 <= soaking.seconds <= 86400.0:
            raise BookError("book-entry-wrong", f"a soak of {soaking.seconds:g} seconds")
        _one_of(soaking.water, WATERS, "water")
        _one_of(soaking.wetted, WETTED, "where it was wetted")
        _one_of(soaking.age, AGES, "age")
        with self._together():
            self._insert(
                "filings",
                photo_id=photo.id,
                reed_id=filing.reed_id,
                state=filing.state,
                soak_seconds=soaking.seconds,
                water=soaking.water,
                wetted=soaking.wetted,
                age=soaking.age,
                reason=filing.reason,
                by=filing.by and short_code(filing.by, "Who filed it"),
            )

    def add_reading(
        self,
        photo: Photo,
        record: Row,
        settings: Settings,
        printed_scale_relative: float,
        outline_mm: Sequence[Sequence[float]] | None,
        origin: Origin = "program",
        by: str | None = None,
        tip: str | None = None,
        tip_window: Sequence[float] | None = None,
    ) -> None:
        """Enter a measurement; `record` has the keys of the JSON output, for the rest see `Reading`."""
        u = record["u"] or {}
        quantities = ("height_mm", "width_mm", "area_mm2", "ellipse_ratio")
        with self._together():
            self._insert(
                "readings",
                photo_id=photo.id,
                settings_id=self._settings_id(settings),
                origin=origin,
                version=__version__,
                outcome=record["outcome"],
                shape=record["shape"],
                review=int(record["review"]),
                **{name: record[name] for name in quantities},
                **{f"u_{name}": u.get(name) for name in quantities},
                coverage_factor=settings.uncertainty.coverage_factor,
                printed_scale_relative=printed_scale_relative,
                record=json.dumps(dict(record), allow_nan=False),
                outline_mm=json.dumps([*outline_mm]) if outline_mm is not None else None,
                tip=tip,
                tip_window=json.dumps(list(tip_window)) if tip_window is not None else None,
                by=by and short_code(by, "Who measured"),
            )

    def add_check(
        self,
        reed: Reed,
        done_at: datetime,
        faults: Mapping[str, bool],
        response: str | None = None,
        pitch_cents: float | None = None,
        note: str | None = None,
        by: str | None = None,
    ) -> None:
        """Enter a check by hand. `faults` answers questions of `records.FAULTS`; what is left out was not
        looked at."""
        _happened(done_at)
        for name in faults:
            _one_of(name, tuple(FAULTS), "fault")
        _one_of(response, RESPONSES, "response")
        if pitch_cents is not None and not abs(pitch_cents) <= 1200.0:
            raise BookError("book-entry-wrong", f"a pitch off by {pitch_cents:g} cents, more than an octave")
        with self._together():
            self._insert(
                "checks",
                reed_id=reed.id,
                done_at=_text(done_at),
                **{name: int(faults[name]) if name in faults else None for name in FAULTS},
                response=response,
                pitch_cents=pitch_cents,
                note=note,
                by=by and short_code(by, "Who checked"),
            )

    def add_gauge_check(self, record: Row, settings: Settings) -> None:
        """Enter a check with a gauge of paper that was measured; `record` has the keys of the JSON output.

        The same photo with the same settings, sheets and ream is entered once.
        """
        numbers = ("gap_mm", "u_gap_mm", "expected_mm", "u_expected_mm", "en")
        with self._together():
            settings_id = self._settings_id(settings)
            same = (record["sha256"], settings_id, record["sheets"], record["ream_mm"])
            query = "SELECT 1 FROM gauge_checks WHERE (sha256, settings_id, sheets, ream_mm) = (?, ?, ?, ?)"
            if self._select(query, *same):
                return
            self._insert(
                "gauge_checks",
                done_at=record["taken"] or datetime.now().isoformat(timespec="seconds"),
                photo=Path(record["photo"]).name,
                sha256=record["sha256"],
                settings_id=settings_id,
                version=__version__,
                ruler_mm=settings.ruler_mm,
                tip_offset_mm=settings.tip_offset_mm,
                sheets=record["sheets"],
                ream_mm=record["ream_mm"],
                **{name: record[name] for name in numbers},
                agrees=int(record["agrees"]),
            )

    def add_card(self, name: str, ruler_mm: float, tip_offset_mm: float | None = None) -> PrintedCard:
        """Enter what was measured of the printed card in use; what was said before stays on record.

        Parameters
        ----------
        name : a short code by which the user knows it.
        ruler_mm, tip_offset_mm : see `aperture.scale.Scale`.
        """
        short_code(name, "A card's name")
        if not SHORTEST_RULER_MM <= ruler_mm <= LONGEST_RULER_MM:  # also catches NaN
            raise BookError("book-entry-wrong", f"a 50 mm bar cannot measure {ruler_mm:g} mm")
        if tip_offset_mm is not None and not abs(tip_offset_mm) <= MOST_TIP_OFFSET_MM:
            raise BookError("book-entry-wrong", f"a tip offset cannot be {tip_offset_mm:g} mm")
        with self._together():
            self._insert(
                "cards",
                name=name,
                said_at=datetime.now().isoformat(timespec="seconds"),
                ruler_mm=ruler_mm,
                tip_offset_mm=tip_offset_mm,
            )
        return self.cards()[-1]

    def add_squeeze(
        self,
        reed: Reed,
        done_at: datetime,
        before: Photo | None = None,
        after: Photo | None = None,
        by: str | None = None,
    ) -> None:
        """Enter a squeeze. Photos that are not named are found by the time they were taken."""
        _happened(done_at)
        with self._together():
            self._insert(
                "squeezes",
                reed_id=reed.id,
                done_at=_text(done_at),
                before_photo_id=before and before.id,
                after_photo_id=after and after.id,
                by=by and short_code(by, "Who squeezed"),
            )

    def add_decision(
        self,
        reed: Reed,
        decided_at: datetime,
        action: Action,
        reason: str,
        by: str,
        advised: str | None = None,
        rule: str | None = None,
        override_reason: str | None = None,
    ) -> None:
        """Enter what a person decided."""
        _one_of(action, ACTIONS, "decision")
        _happened(decided_at)
        with self._together():
            self._insert(
                "decisions",
                reed_id=reed.id,
                decided_at=_text(decided_at),
                action=action,
                reason=reason,
                by=short_code(by, "Who decided"),
                advised=advised,
                rule=rule,
                override_reason=override_reason,
            )

    @property
    def entered(self) -> tuple[Entered, ...]:
        """What was entered through this object and can be withdrawn, in the order in which it was."""
        return tuple(self._entered)

    def withdraw(self, entered: Sequence[Entered]) -> None:
        """Enter that these rows do not count any more. They stay on record; what counted before counts again.

        Raises
        ------
        BookError : something that was entered since rests on them, or they do not count already.
        """
        with self._together():
            for table, row in reversed(entered):
                query = f"SELECT 1 FROM {table} WHERE id = ? AND {standing(table)}"
                if table not in WITHDRAWABLE or not self._select(query, row):
                    raise BookError("book-entry-wrong", f"{table}, row {row}, does not count already")
                self._insert("withdrawals", of_table=table, of_row=row)
            if self._select(something_lacks(_GONE))[0][0]:
                raise BookError("book-entry-wrong", "something that was entered since rests on it")

    # How it is done

    def _select(self, query: str, *values: Any) -> list[sqlite3.Row]:
        with book_file.report_errors(self.path):
            return self._connection.execute(query, values).fetchall()

    def _together(self) -> AbstractContextManager[None]:
        """A transaction of its own, unless one is open."""
        return _nothing() if self._connection.in_transaction else self.writing()

    def _insert(self, table: str, **values: Any) -> int:
        values.setdefault("recorded_at", _now())
        names, marks = ", ".join(values), ", ".join("?" * len(values))
        with book_file.report_errors(self.path):
            done = self._connection.execute(
                f"INSERT INTO {table} ({names}) VALUES ({marks})", tuple(values.values())
            )
            assert done.lastrowid is not None
            seals.seal(self._connection, table, done.lastrowid)
        if table in WITHDRAWABLE:
            self._entered.append(Entered(table, done.lastrowid))
        return done.lastrowid

    def _lot_id(self, code: str) -> int | None:
        """The lot with this code, also one that was withdrawn; None if there never was one.

        In an older book lots can have one key that were told apart. Each is found by its own spelling, as it
        always was.
        """
        for spelling in dict.fromkeys((code, composed(code))):
            if same := self._select("SELECT id FROM lots WHERE code = ? COLLATE NOCASE", spelling):
                return int(same[0]["id"])
        query = "SELECT lots.id, code FROM lots JOIN lot_keys USING (id) WHERE key = ? ORDER BY lots.id"
        found = self._select(query, code_key(code))
        if len(found) > 1:
            codes = " and ".join(row["code"] for row in found)
            raise BookError(
                "book-entry-wrong", f"{code} can be one of the lots {codes}: write it as one of them"
            )
        return int(found[0]["id"]) if found else None

    def _detail_reed(self, reed_id: int, lot: str | None, slot: str | None, player: str | None) -> None:
        self._insert(
            "reed_details",
            reed_id=reed_id,
            lot_id=self.lot(lot).id if lot is not None else None,
            slot=slot and short_code(slot, "A slot"),
            player=player and short_code(player, "A player"),
        )

    def _settings_id(self, settings: Settings) -> int:

        content = settings_text(settings)
        digest = sha256(content.encode()).hexdigest()
        found = self._select("SELECT id FROM settings_used WHERE sha256 = ?", digest)
        return found[0]["id"] if found else self._insert("settings_used", sha256=digest, content=content)

    def _entries(self, where: str, *values: Any, outlines: bool = True) -> list[Entry]:
        """Photos with what is known of them, by the time they were taken."""
        chosen = f"photos JOIN current_filings AS filings ON filings.photo_id = photos.id {where}"
        columns = f"{rows.PHOTO_COLUMNS}, {rows.FILING}" + (f", {rows.FIRST_FILING}" if outlines else "")
        found = [rows.filed(row) for row in self._select(f"SELECT {columns} FROM {chosen}", *values)]
        days = self.days_in_doubt()
        doubted = {photo.id: photo.when.date() in days for photo, _ in found}
        readings: dict[int, list[Reading]] = defaultdict(list)
        what = f"{rows.READING}, {rows.DRAWN}" if outlines else rows.READING
        scales = self.scales()
        query = f"""SELECT {what} FROM readings
            WHERE photo_id IN (SELECT value FROM json_each(?)) AND {standing("readings")}"""
        for row in self._select(query, json.dumps([photo.id for photo, _ in found])):
            reading = rows.reading(row, scales)
            if doubted.get(reading.photo_id) and reading.origin == "program":
                reading = replace(reading, record=reading.record.doubted("gauge-failed"))
            readings[reading.photo_id].append(reading)
        for several in readings.values():
            several.sort(key=lambda reading: reading.id)  # SQLite would move their outlines to sort them
        entries = [Entry(photo, filing, tuple(readings[photo.id])) for photo, filing in found]
        return sorted(entries, key=lambda entry: (entry.photo.when, entry.photo.id))

    def _lots_of(self, reeds: Sequence[Reed]) -> dict[str, Lot]:
        """The lots to which reeds belong, by their codes."""
        codes = {reed.lot for reed in reeds if reed.lot is not None}
        query = "SELECT * FROM current_lots WHERE code IN (SELECT value FROM json_each(?))"
        found = self._select(query, json.dumps(sorted(codes)))
        lots = {row["code"]: rows.lot(row) for row in found}
        if missing := codes - lots.keys():
            raise BookError("book-damaged", f"{self.path}: nothing is known of lot {min(missing)} any more")
        return lots

    def _of_reeds(
        self, table: str, make: Callable[[rows.Row], Any], where: str, *values: Any
    ) -> dict[int, list[Any]]:
        """The rows of a table that stand, by reed, in the order in which they were entered."""
        found: dict[int, list[Any]] = defaultdict(list)
        for row in self._select(f"SELECT * FROM {table} {where} AND {standing(table)} ORDER BY id", *values):
            found[row["reed_id"]].append(make(row))
        return found


@contextmanager
def _nothing() -> Iterator[None]:
    yield


def _one_of(value: str | None, known: Sequence[str], what: str) -> None:
    if value is not None and value not in known:
        raise BookError("book-entry-wrong", f"{what}: {value!r} is none of {', '.join(known)}")


def _now() -> str:
    """This moment, with its zone."""
    return datetime.now().astimezone().isoformat()


def _happened(moment: datetime) -> None:
    """Raise BookError if nothing can have happened then."""
    if not is_sensible(moment):
        raise BookError("book-entry-wrong", f"{moment:%Y-%m-%d} is not {span_words()}")


def _text(moment: date | datetime | None) -> str | None:
    return moment.isoformat() if moment is not None else None
