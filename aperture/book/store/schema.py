"""The tables of the reed book and their history: each migration runs once, in one transaction.

Tables only grow: triggers refuse to change or delete a row. What changes about a lot, a reed or a photo's
place has rows of its own (`lot_details`, `reed_details`, `filings`), of which the latest counts.
To change the tables, write a function and add it to the end of `MIGRATIONS`; never change one that was
released.
"""

import sqlite3
from contextlib import closing
from functools import cache
from typing import Any

from aperture.book.store import seals
from aperture.codes import code_key

# Marks the file as a reed book, for those who find it ("reed" as four bytes).
APPLICATION_ID = 0x72656564

_TABLES = """
CREATE TABLE lots (
    id INTEGER PRIMARY KEY,
    code TEXT NOT NULL UNIQUE COLLATE NOCASE,
    recorded_at TEXT NOT NULL
) STRICT;

CREATE TABLE lot_details (
    id INTEGER PRIMARY KEY,
    lot_id INTEGER NOT NULL REFERENCES lots (id),
    source TEXT NOT NULL,
    ordered_on TEXT,
    return_by TEXT,
    price_per_reed REAL CHECK (price_per_reed >= 0),
    strength TEXT,
    recorded_at TEXT NOT NULL
) STRICT;

CREATE TABLE reeds (
    id INTEGER PRIMARY KEY,
    number INTEGER NOT NULL CHECK (number > 0),
    recorded_at TEXT NOT NULL
) STRICT;

CREATE TABLE reed_details (
    id INTEGER PRIMARY KEY,
    reed_id INTEGER NOT NULL REFERENCES reeds (id),
    lot_id INTEGER REFERENCES lots (id),
    slot TEXT,
    player TEXT,
    recorded_at TEXT NOT NULL
) STRICT;

CREATE TABLE photos (
    id INTEGER PRIMARY KEY,
    sha256 TEXT NOT NULL UNIQUE CHECK (length(sha256) = 64),
    name TEXT NOT NULL,
    taken TEXT,
    received_at TEXT NOT NULL,
    kept TEXT,
    kept_sha256 TEXT,
    recorded_at TEXT NOT NULL
) STRICT;

CREATE TABLE filings (
    id INTEGER PRIMARY KEY,
    photo_id INTEGER NOT NULL REFERENCES photos (id),
    reed_id INTEGER REFERENCES reeds (id),
    state TEXT CHECK (state IN ('dry', 'soaked')),
    soak_seconds REAL CHECK (soak_seconds >= 0),
    water TEXT CHECK (water IN ('cold', 'room', 'warm')),
    wetted TEXT CHECK (wetted IN ('water', 'mouth')),
    age TEXT CHECK (age IN ('new', 'old')),
    reason TEXT,
    by TEXT,
    recorded_at TEXT NOT NULL
) STRICT;

CREATE TABLE settings_used (
    id INTEGER PRIMARY KEY,
    sha256 TEXT NOT NULL UNIQUE,
    content TEXT NOT NULL,
    recorded_at TEXT NOT NULL
) STRICT;

CREATE TABLE readings (
    id INTEGER PRIMARY KEY,
    photo_id INTEGER NOT NULL REFERENCES photos (id),
    settings_id INTEGER NOT NULL REFERENCES settings_used (id),
    origin TEXT NOT NULL CHECK (origin IN ('program', 'person')),
    version TEXT NOT NULL,
    outcome TEXT NOT NULL CHECK (outcome IN ('measured', 'refused')),
    shape TEXT CHECK (shape IN ('shut', 'elliptical', 'round')),
    review INTEGER NOT NULL CHECK (review IN (0, 1)),
    height_mm REAL,
    u_height_mm REAL,
    width_mm REAL,
    u_width_mm REAL,
    area_mm2 REAL,
    u_area_mm2 REAL,
    ellipse_ratio REAL,
    u_ellipse_ratio REAL,
    coverage_factor REAL NOT NULL,
    printed_scale_relative REAL NOT NULL,
    record TEXT NOT NULL,
    outline_mm TEXT,
    tip TEXT,
    tip_window TEXT,
    by TEXT,
    recorded_at TEXT NOT NULL
) STRICT;

CREATE TABLE checks (
    id INTEGER PRIMARY KEY,
    reed_id INTEGER NOT NULL REFERENCES reeds (id),
    done_at TEXT NOT NULL,
    leak INTEGER CHECK (leak IN (0, 1)),
    wire INTEGER CHECK (wire IN (0, 1)),
    film_wrap INTEGER CHECK (film_wrap IN (0, 1)),
    chip INTEGER CHECK (chip IN (0, 1)),
    crack INTEGER CHECK (crack IN (0, 1)),
    air_noise INTEGER CHECK (air_noise IN (0, 1)),
    response TEXT CHECK (response IN ('good', 'slow', 'none')),
    pitch_cents REAL,
    note TEXT,
    by TEXT,
    recorded_at TEXT NOT NULL
) STRICT;

CREATE TABLE squeezes (
    id INTEGER PRIMARY KEY,
    reed_id INTEGER NOT NULL REFERENCES reeds (id),
    done_at TEXT NOT NULL,
    before_photo_id INTEGER REFERENCES photos (id),
    after_photo_id INTEGER REFERENCES photos (id),
    by TEXT,
    recorded_at TEXT NOT NULL
) STRICT;

CREATE TABLE decisions (
    id INTEGER PRIMARY KEY,
    reed_id INTEGER NOT NULL REFERENCES reeds (id),
    decided_at TEXT NOT NULL,
    action TEXT NOT NULL
        CHECK (action IN ('keep', 'squeeze', 'send back', 'replace', 'sent back', 'thrown away')),
    reason TEXT NOT NULL,
    by TEXT NOT NULL,
    advised TEXT,
    rule TEXT,
    override_reason TEXT,
    recorded_at TEXT NOT NULL
) STRICT;

CREATE INDEX lot_details_of_lot ON lot_details (lot_id);
CREATE INDEX reeds_by_number ON reeds (number);
CREATE INDEX reed_details_of_reed ON reed_details (reed_id);
CREATE INDEX filings_of_photo ON filings (photo_id);
CREATE INDEX filings_of_reed ON filings (reed_id);
CREATE INDEX readings_of_photo ON readings (photo_id);
CREATE INDEX checks_of_reed ON checks (reed_id);
CREATE INDEX squeezes_of_reed ON squeezes (reed_id);
CREATE INDEX decisions_of_reed ON decisions (reed_id);

CREATE VIEW current_lots AS
    SELECT lots.id, lots.code, details.source, details.ordered_on, details.return_by,
        details.price_per_reed, details.strength
    FROM lots JOIN lot_details AS details
        ON details.id = (SELECT max(id) FROM lot_details WHERE lot_id = lots.id);

CREATE VIEW current_reeds AS
    SELECT reeds.id, reeds.number, details.lot_id, lots.code AS lot, details.slot, details.player
    FROM reeds
    JOIN reed_details AS details
        ON details.id = (SELECT max(id) FROM reed_details WHERE reed_id = reeds.id)
    LEFT JOIN lots ON lots.id = details.lot_id;

CREATE VIEW current_filings AS
    SELECT filings.* FROM filings
    WHERE filings.id = (SELECT max(id) FROM filings AS others WHERE others.photo_id = filings.photo_id);
"""

FIRST_TABLES = (
    "lots",
    "lot_details",
    "reeds",
    "reed_details",
    "photos",
    "filings",
    "settings_used",
    "readings",
    "checks",
    "squeezes",
    "decisions",
)
# Of this version, in the order in which they came.
TABLES = (*FIRST_TABLES, "gauge_checks", "lot_keys", "cards", "withdrawals")


_GAUGE_CHECKS = """
CREATE TABLE gauge_checks (
    id INTEGER PRIMARY KEY,
    done_at TEXT NOT NULL,
    photo TEXT NOT NULL,
    sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
    settings_id INTEGER NOT NULL REFERENCES settings_used (id),
    version TEXT NOT NULL,
    ruler_mm REAL NOT NULL,
    tip_offset_mm REAL NOT NULL,
    sheets INTEGER NOT NULL CHECK (sheets > 0),
    ream_mm REAL NOT NULL CHECK (ream_mm > 0),
    gap_mm REAL NOT NULL,
    u_gap_mm REAL NOT NULL,
    expected_mm REAL NOT NULL,
    u_expected_mm REAL NOT NULL,
    en REAL NOT NULL,
    agrees INTEGER NOT NULL CHECK (agrees IN (0, 1)),
    recorded_at TEXT NOT NULL
) STRICT
"""

# By which a lot is found. `id` is the lot's own; a row of the table `lots` is never changed.
_LOT_KEYS = """
CREATE TABLE lot_keys (
    id INTEGER PRIMARY KEY REFERENCES lots (id),
    key TEXT NOT NULL,
    recorded_at TEXT NOT NULL
) STRICT
"""

_CARDS = """
CREATE TABLE cards (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    said_at TEXT NOT NULL,
    ruler_mm REAL NOT NULL CHECK (ruler_mm > 0),
    tip_offset_mm REAL,
    recorded_at TEXT NOT NULL
) STRICT
"""

# As `withdrawals.standing` has it, written out: what a migration does never changes.
_WITHDRAWALS = """
CREATE TABLE withdrawals (
    id INTEGER PRIMARY KEY,
    of_table TEXT NOT NULL CHECK (of_table IN ('lot_details', 'reed_details', 'filings', 'readings', 'checks',
        'squeezes', 'decisions')),
    of_row INTEGER NOT NULL,
    recorded_at TEXT NOT NULL,
    UNIQUE (of_table, of_row)
) STRICT;

DROP VIEW current_lots;
CREATE VIEW current_lots AS
    SELECT lots.id, lots.code, details.source, details.ordered_on, details.return_by,
        details.price_per_reed, details.strength
    FROM lots JOIN lot_details AS details
        ON details.id = (SELECT max(id) FROM lot_details WHERE lot_id = lots.id
            AND id NOT IN (SELECT of_row FROM withdrawals WHERE of_table = 'lot_details'));

DROP VIEW current_reeds;
CREATE VIEW current_reeds AS
    SELECT reeds.id, reeds.number, details.lot_id, lots.code AS lot, details.slot, details.player
    FROM reeds
    JOIN reed_details AS details
        ON details.id = (SELECT max(id) FROM reed_details WHERE reed_id = reeds.id
            AND id NOT IN (SELECT of_row FROM withdrawals WHERE of_table = 'reed_details'))
    LEFT JOIN lots ON lots.id = details.lot_id;

DROP VIEW current_filings;
CREATE VIEW current_filings AS
    SELECT filings.* FROM filings
    WHERE filings.id = (SELECT max(id) FROM filings AS others WHERE others.photo_id = filings.photo_id
        AND others.id NOT IN (SELECT of_row FROM withdrawals WHERE of_table = 'filings'));
"""

_ONE_OF_EACH = {"lots": "code", "photos": "sha256", "settings_used": "sha256", "lot_keys": "key"}


def m001_first(db: Any) -> None:
    """The book as it began."""
    db.executescript(_TABLES)
    for table in FIRST_TABLES:
        _only_grows(db, table)
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")


def _only_grows(db: Any, table: str) -> None:
    """Triggers that refuse to change, delete or replace a row of a table."""
    refuse = "BEGIN SELECT RAISE(ABORT, 'nothing in the reed book is ever overwritten'); END"
    db.execute(f"CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table} {refuse}")
    db.execute(f"CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} {refuse}")
    # REPLACE deletes without asking the trigger above.
    there = f"EXISTS (SELECT 1 FROM {table} WHERE id = NEW.id)"
    if column := _ONE_OF_EACH.get(table):
        there += f" OR EXISTS (SELECT 1 FROM {table} WHERE {column} = NEW.{column})"
    db.execute(f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} WHEN {there} {refuse}")


def m002_seals(db: Any) -> None:
    """A seal for every row, those included that are there already."""
    db.execute(
        "CREATE TABLE seals (id INTEGER PRIMARY KEY, of_table TEXT NOT NULL, of_row INTEGER NOT NULL,"
        " seal TEXT NOT NULL) STRICT"
    )
    seals.seal_all(db.conn, FIRST_TABLES)
    for change in ("UPDATE", "DELETE"):
        db.execute(
            f"CREATE TRIGGER seals_no_{change.lower()} BEFORE {change} ON seals"
            " BEGIN SELECT RAISE(ABORT, 'nothing in the reed book is ever overwritten'); END"
        )


def m003_gauge_checks(db: Any) -> None:
    """What a gauge of paper measured, and whether that agreed with what it must be."""
    db.execute(_GAUGE_CHECKS)
    _only_grows(db, "gauge_checks")


def m004_lot_keys(db: Any) -> None:
    """One lot for each key, whatever the spelling. Lots that an older book told apart stay apart."""
    db.execute(_LOT_KEYS)
    for lot_id, code, recorded_at in db.execute("SELECT id, code, recorded_at FROM lots ORDER BY id"):
        db.execute("INSERT INTO lot_keys VALUES (?, ?, ?)", (lot_id, code_key(code), recorded_at))
    seals.seal_all(db.conn, ["lot_keys"])
    # From here on no second lot gets a key that is there.
    _only_grows(db, "lot_keys")


def m005_cards(db: Any) -> None:
    """What was measured of the printed card in use: a row for each answer, of which the latest counts."""
    db.execute(_CARDS)
    _only_grows(db, "cards")


def m006_withdrawals(db: Any) -> None:
    """What does not count any more; the views of what counts pass over it."""
    for statement in filter(str.strip, _WITHDRAWALS.split(";")):
        db.execute(statement)
    _only_grows(db, "withdrawals")


MIGRATIONS = (m001_first, m002_seals, m003_gauge_checks, m004_lot_keys, m005_cards, m006_withdrawals)
# What this program writes. A file says which version it has in its `user_version`.
VERSION = len(MIGRATIONS)


def upgrade(connection: sqlite3.Connection, migrations: tuple[Any, ...] = MIGRATIONS) -> None:
    """Run the migrations that a file has not had yet; all of them or, if one fails, none.

    Parameters
    ----------
    connection : open for writing, with a write transaction begun, which the caller ends.
    migrations : another list than the program's own, for tests.

    Raises
    ------
    sqlite3.Error : a migration failed.
    """
    from sqlite_utils import Database, Migrations

    known = Migrations("reed book")
    for migration in migrations:
        known()(migration)
    known.apply(Database(connection, execute_plugins=False))
    connection.execute(f"PRAGMA user_version = {len(migrations)}")


def integrity_errors(connection: sqlite3.Connection) -> list[str]:
    """What is wrong with a book's file, in words; nothing, if all is well.

    SQLite's own checks, then what they do not see: tables, rules and views that are not those of this
    version, and rows that are not as they were written.
    """
    answers = [str(row[0]) for row in connection.execute("PRAGMA integrity_check")]
    found = [answer for answer in answers if answer != "ok"]
    for table, row_id, parent, _ in connection.execute("PRAGMA foreign_key_check"):
        found.append(f"{table}, row {row_id}: its {parent} is missing")
    missing = _as_they_should_be(MIGRATIONS) - _definitions(connection)
    found += [f"{name} is not defined as it should be" for name, _ in sorted(missing)]
    # What tables are not there cannot be read.
    return found or list(seals.broken(connection, TABLES))


@cache
def _as_they_should_be(migrations: tuple[Any, ...]) -> frozenset[tuple[str, str]]:
    """The definitions of a new book. To make one takes longer than all the rest of a small book's check."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as fresh:
        fresh.execute("BEGIN")
        upgrade(fresh, migrations)
        return frozenset(_definitions(fresh))


def _definitions(connection: sqlite3.Connection) -> set[tuple[str, str]]:
    """Names and SQL of everything in a book, and which migrations it had."""
    made = connection.execute("SELECT name, sql FROM sqlite_schema WHERE name NOT LIKE '%sqlite%'")
    had = connection.execute("SELECT name, 'migration' FROM _sqlite_migrations")
    return {(name, sql) for name, sql in [*made, *had]}
