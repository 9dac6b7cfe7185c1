"""A made-up reed book of ten years: 100 lots, 2,000 reeds, 20,000 photos. Nothing in it was measured.

The rows are those that the book's own methods leave, but written in one go.
"""

import json
import random
import sqlite3
from contextlib import closing
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from hashlib import sha256
from io import BytesIO
from pathlib import Path
from typing import Any

from PIL import Image

from aperture import __version__
from aperture.book.photos.pictures import place_of
from aperture.book.store import seals
from aperture.book.store.book_file import pictures_folder
from aperture.book.store.ledger import Book
from aperture.book.store.records import FAULTS
from aperture.book.store.schema import TABLES
from aperture.card.geometry import CARD
from aperture.settings import Settings, settings_text
from tests.conftest import _measured, _refused, ellipse_points_mm

LOTS = 100
DAYS_BETWEEN_LOTS = 36
SOURCES = ("north", "south", "east", "west")
# What the kept picture of a tip shows, as `book.pictures` makes it: in card mm, and pixels per mm.
WINDOW = [36.4, -0.9, 49.2, 9.9, 78.125]
# Heights in mm of tips 7 mm wide: shut, elliptical, rather wide, round; mostly elliptical.
HEIGHTS_MM = (0.05, 0.6, 0.8, 1.0, 1.45, 2.1)
OUTLINE_POINTS = 400
UNFILED = 20
PICTURES = 40


@dataclass
class _Rows:
    """Rows of each table, in the order in which they are to be entered."""

    of: dict[str, list[dict[str, Any]]] = field(default_factory=dict)

    def add(self, table: str, at: datetime, **values: Any) -> int:
        """Another row; its id."""
        rows = self.of.setdefault(table, [])
        rows.append({"id": len(rows) + 1, **values, "recorded_at": at.astimezone().isoformat()})
        return len(rows)


@dataclass(frozen=True)
class _Result:
    """A made-up result and its outline, as they are kept."""

    record: dict[str, Any]
    outline: str | None


def make_book(path: Path, live: int, reeds: int = 2000, photos: int = 20_000, seed: int = 1) -> None:
    """Write the book to `path`, and a few pictures beside it.

    Parameters
    ----------
    live : how many of the reeds, the last ones, are still here; not more than there are numbers.
    reeds, photos : how many there are in all; each reed has the same number of photos.
    """
    if not live <= CARD.reed_tags.count < reeds // 2:
        raise ValueError(f"{live} of {reeds} reeds cannot be here: numbers end at {CARD.reed_tags.count}")
    chance = random.Random(seed)
    today = datetime.combine(date.today(), datetime.min.time()) + timedelta(hours=7)
    rows = _Rows()
    rows.add("settings_used", today, sha256="", content=settings_text(Settings()))
    rows.of["settings_used"][0]["sha256"] = sha256(settings_text(Settings()).encode()).hexdigest()
    results = _results()
    arrived = [today - timedelta(days=DAYS_BETWEEN_LOTS * (LOTS - lot)) for lot in range(LOTS)]
    for number, day in enumerate(arrived):
        _add_lot(rows, number, day)
    for number in range(reeds):
        lot = number * LOTS // reeds
        here = number >= reeds - live
        _add_reed(rows, chance, number, lot, arrived[lot], here, photos // reeds, results)
    for number in range(UNFILED):
        _add_photo(rows, today, f"IMG_{number:04d}.jpg", None, None, results[0], "Which reed is it?")
    with Book(path, create=True):
        pass
    _write(path, rows)
    _write_pictures(path, rows)


def _add_lot(rows: _Rows, number: int, day: datetime) -> None:
    lot_id = rows.add("lots", day, code=f"{number:03d}a")
    rows.add("lot_keys", day, key=f"{number:03d}a")
    rows.add(
        "lot_details",
        day,
        lot_id=lot_id,
        source=SOURCES[number % len(SOURCES)],
        ordered_on=(day - timedelta(days=14)).date().isoformat(),
        return_by=(day + timedelta(days=28)).date().isoformat(),
        price_per_reed=18.0 + number % 7,
        strength="medium",
    )


def _add_reed(
    rows: _Rows,
    chance: random.Random,
    number: int,
    lot: int,
    day: datetime,
    here: bool,
    photos: int,
    results: list[_Result],
) -> None:
    """A reed's life: photos on several days, checks, perhaps a squeeze, decisions."""
    reed_id = rows.add("reeds", day, number=number % CARD.reed_tags.count + 1)
    rows.add("reed_details", day, reed_id=reed_id, lot_id=lot + 1, slot=f"A{number % 40}", player=None)
    chosen = chance.choice(results)
    for photo in range(photos):
        state = ("dry", "soaked")[photo % 2]
        at = day + timedelta(days=photo // 2, minutes=number % 600 + 30 * (photo % 2))
        # Now and then one cannot be measured.
        result = results[-1] if chance.random() < 0.03 else chosen
        _add_photo(rows, at, f"R{number % 480 + 1:03d}_{state}_{photo}.jpg", reed_id, state, result, None)
    checked = day + timedelta(days=1, hours=12)
    found = {name: int(chance.random() < 0.05) for name in FAULTS}
    rows.add(
        "checks",
        checked,
        reed_id=reed_id,
        done_at=checked.isoformat(),
        **found,
        response="good",
        pitch_cents=round(chance.gauss(0.0, 8.0), 1),
        note=None,
        by="MB",
    )
    if chance.random() < 0.2:
        at = day + timedelta(minutes=number % 600 + 40)
        ids = {"before_photo_id": None, "after_photo_id": None}
        rows.add("squeezes", at, reed_id=reed_id, done_at=at.isoformat(), **ids, by="MB")
    usable = chance.random() < 0.7
    ending = chance.choice(("sent back", "thrown away")) if not usable else "thrown away"
    actions = [*(["keep"] if usable else []), *([] if here else [ending])]
    for place, action in enumerate(actions):
        decided = day + timedelta(days=2 + 30 * place)
        rows.add(
            "decisions",
            decided,
            reed_id=reed_id,
            decided_at=decided.isoformat(),
            action=action,
            reason="It is as it should be." if action == "keep" else "It will not do.",
            by="T1",
            advised=action,
            rule=None,
            override_reason=None,
        )


def _add_photo(
    rows: _Rows,
    at: datetime,
    name: str,
    reed_id: int | None,
    state: str | None,
    result: _Result,
    why: str | None,
) -> None:
    sha = sha256(f"{name} {at} {len(rows.of.get('photos', []))}".encode()).hexdigest()
    photo_id = rows.add(
        "photos",
        at,
        sha256=sha,
        name=name,
        taken=at.isoformat(),
        received_at=at.isoformat(),
        kept=f"{sha[:2]}/{sha}.jpg",
        kept_sha256=sha,
    )
    soaked = state == "soaked"
    rows.add(
        "filings",
        at,
        photo_id=photo_id,
        reed_id=reed_id,
        state=state,
        soak_seconds=30.0 if soaked else None,
        water="room" if soaked else None,
        wetted="water" if soaked else None,
        age="new" if soaked else None,
        reason=why,
        by=None,
    )
    record = {**result.record, "photo": name, "state": state, "taken": at.isoformat(), "sha256": sha}
    u = record["u"] or {}
    quantities = ("height_mm", "width_mm", "area_mm2", "ellipse_ratio")
    rows.add(
        "readings",
        at,
        photo_id=photo_id,
        settings_id=1,
        origin="program",
        version=__version__,
        outcome=record["outcome"],
        shape=record["shape"],
        review=int(record["review"]),
        **{quantity: record[quantity] for quantity in quantities},
        **{f"u_{quantity}": u.get(quantity) for quantity in quantities},
        coverage_factor=2.0,
        printed_scale_relative=0.001,
        record=json.dumps(record),
        outline_mm=result.outline,
        tip=f"{sha[:2]}/{sha}-00000000-tip.jpg" if result.outline else None,
        tip_window=json.dumps(WINDOW) if result.outline else None,
        by=None,
    )


def _results() -> list[_Result]:
    """One for each height, one for which a look is needed, and last a refused one."""
    kinds = [(height, ()) for height in HEIGHTS_MM] + [(0.8, ("blurred",))]
    results = []
    for height_mm, flags in kinds:
        points = ellipse_points_mm(7.0, height_mm)
        # As many points as the program draws.
        points = points.repeat(OUTLINE_POINTS // len(points), axis=0)
        record = _measured(height_mm=height_mm, flags=flags).record()
        results.append(_Result(record, json.dumps(points.round(5).tolist())))
    return [*results, _Result(_refused(code="too-blurred").record(), None)]


def _write(path: Path, rows: _Rows) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        for table, content in rows.of.items():
            names = list(content[0])
            marks = ", ".join(f":{name}" for name in names)
            connection.executemany(f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks})", content)
        seals.seal_all(connection, TABLES)


def _write_pictures(path: Path, rows: _Rows) -> None:
    """The pictures of the last tips that are there: noise, as large as kept ones."""
    buffer = BytesIO()
    Image.effect_noise((1000, 844), 60.0).save(buffer, "JPEG", quality=90)
    tips = [row["tip"] for row in rows.of["readings"] if row["tip"]]
    for name in tips[-PICTURES:]:
        place = place_of(pictures_folder(path), name)
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(buffer.getvalue())
