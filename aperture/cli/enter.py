"""Commands to enter what a photo cannot tell: lots, reeds, checks by hand, squeezes, decisions."""

from dataclasses import asdict
from datetime import date, datetime
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from aperture.cli.options import (
    WRONG_USAGE,
    AgeOption,
    BookFile,
    Reed,
    ReedNumber,
    Seconds,
    Sections,
    SettingsFile,
    State,
    WaterOption,
    WettedOption,
    give_up,
    open_book,
    report_errors,
)

# Everything else is imported inside the commands, so that --help does not wait for image libraries.
if TYPE_CHECKING:
    from aperture.book.store.ledger import Book
    from aperture.book.store.lot_entry import LotEntry
    from aperture.book.store.records import Lot, Photo

enter_app = typer.Typer(
    help="Enter what a photo cannot tell: lots, reeds, checks by hand, squeezes, decisions.",
    cls=Sections,
    no_args_is_help=True,
)

By = Annotated[str, typer.Option("--by", metavar="CODE", help="Who says so: a short code, not a name.")]
MaybeBy = Annotated[
    str | None, typer.Option("--by", metavar="CODE", help="Who did it: a short code, not a name.")
]
When = Annotated[
    datetime | None,
    typer.Option(
        "--at",
        metavar="TIME",
        formats=["%Y-%m-%d", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M:%S"],
        help="When, if not now: 2026-10-05, or 2026-10-05T14:30.",
    ),
]
Slot = Annotated[str | None, typer.Option("--slot", metavar="CODE", help="The reed's place in the case.")]
Player = Annotated[
    str | None, typer.Option("--player", metavar="CODE", help="Who plays it: a short code, never a name.")
]


@enter_app.command("lot")
@report_errors
def enter_lot(
    lot: Annotated[str, typer.Argument(metavar="LOT", help="A short code for it, such as 26a.")],
    source: Annotated[
        str | None,
        typer.Option("--source", metavar="CODE", help="Where it was bought: a short code of your own."),
    ] = None,
    ordered: Annotated[
        datetime | None, typer.Option("--ordered", metavar="DATE", formats=["%Y-%m-%d"], help="Order date.")
    ] = None,
    return_by: Annotated[
        datetime | None,
        typer.Option("--return-by", metavar="DATE", formats=["%Y-%m-%d"], help="Last day to send back."),
    ] = None,
    price: Annotated[
        float | None, typer.Option("--price", metavar="AMOUNT", min=0, help="Price per reed.")
    ] = None,
    strength: Annotated[
        str | None, typer.Option("--strength", metavar="TEXT", help="The strength as printed on the label.")
    ] = None,
    change: Annotated[
        bool, typer.Option("--change", help="Change a lot that is there; what you leave out stays as it was.")
    ] = False,
    settings: SettingsFile = None,
    book: BookFile = None,
) -> None:
    """Enter a lot; one that is there is changed only with --change.

    Exit status: 0 it is so now, 2 wrong usage, or it is there otherwise: nothing was written.
    """
    from aperture.book.store.lot_entry import LotEntry
    from aperture.settings import load_settings

    said = LotEntry(lot, source, _day(ordered), _day(return_by), price, strength)
    currency = load_settings(settings).currency
    with open_book(book, create=True) as opened, opened.writing():
        now = opened.lot(lot) if opened.has_lot(lot) else None
        if now is None and change:
            raise typer.BadParameter(f"there is no lot {lot} that could be changed", param_hint="--change")
        _check_lot(entry := said if now is None else said.over(now))
        if now is None:
            done = f"Entered lot {opened.add_lot(**asdict(entry)).code}, which is new in the book."
        elif not entry.differs(now):
            done = f"Lot {now.code} is in the book already, just so. Nothing was written."
        elif not change:
            give_up(
                WRONG_USAGE,
                f"Lot {now.code} is in the book already. It would be changed:\n"
                f"{_old_and_new(now, entry, currency)}\n"
                "Say --change as well to change it. Nothing was written.",
            )
        else:
            opened.add_lot(**asdict(entry))
            done = f"Changed lot {now.code}:\n{_old_and_new(now, entry, currency)}"
    # Not before it is on the disk.
    typer.echo(done)


@enter_app.command("reed")
@report_errors
def enter_reed(
    reed: ReedNumber,
    lot: Annotated[str | None, typer.Option("--lot", metavar="CODE", help="The lot it came in.")] = None,
    slot: Slot = None,
    player: Player = None,
    new: Annotated[
        bool, typer.Option("--new", help="A new reed with the number of one that is gone.")
    ] = False,
    book: BookFile = None,
) -> None:
    """Enter a reed, or its lot, place and player again; what you leave out stays as it was."""
    with open_book(book, create=True) as opened, opened.writing():
        lot = opened.lot(lot).code if lot is not None else None
        known = opened.reeds_with_number(reed)
        if new or not known:
            opened.add_reed(reed, lot, slot, player)
        else:
            now = known[-1]
            opened.change_reed(now, lot or now.lot, slot or now.slot, player or now.player)
    typer.echo(f"Entered reed {reed}.")


@enter_app.command("check")
@report_errors
def enter_check(
    reed: ReedNumber,
    leak: Annotated[
        bool | None, typer.Option("--leak/--no-leak", help="Air hisses at the sides, tube end closed.")
    ] = None,
    wire: Annotated[bool | None, typer.Option("--wire/--no-wire", help="There is a wire.")] = None,
    film_wrap: Annotated[
        bool | None, typer.Option("--film-wrap/--no-film-wrap", help="Film is wrapped round it.")
    ] = None,
    chip: Annotated[bool | None, typer.Option("--chip/--no-chip", help="The tip is chipped.")] = None,
    crack: Annotated[bool | None, typer.Option("--crack/--no-crack", help="The cane is cracked.")] = None,
    air_noise: Annotated[
        bool | None, typer.Option("--air-noise/--no-air-noise", help="Air is heard before the tone.")
    ] = None,
    response: Annotated[
        Literal["good", "slow", "none"] | None, typer.Option("--response", help="How it responds.")
    ] = None,
    cents: Annotated[
        float | None,
        typer.Option("--cents", metavar="N", help="Pitch against a tuner; flat is negative: --cents=-15."),
    ] = None,
    note: Annotated[str | None, typer.Option("--note", metavar="TEXT", help="Anything else.")] = None,
    by: MaybeBy = None,
    at: When = None,
    book: BookFile = None,
) -> None:
    """Enter what hands and ears found; what you leave out counts as not looked at."""
    answers = {
        "leak": leak,
        "wire": wire,
        "film_wrap": film_wrap,
        "chip": chip,
        "crack": crack,
        "air_noise": air_noise,
    }
    faults = {name: answer for name, answer in answers.items() if answer is not None}
    if not faults and response is None and cents is None and note is None:
        raise typer.BadParameter("say what was found, for example --no-leak --no-wire --response good")
    with open_book(book) as opened:
        this = opened.reed(reed)
        opened.add_check(this, _sensible(at) or opened.now(this), faults, response, cents, note, by)
    typer.echo(f"Entered the check of reed {reed}.")


@enter_app.command("squeeze")
@report_errors
def enter_squeeze(
    reed: ReedNumber,
    before: Annotated[
        str | None, typer.Option("--before", metavar="PHOTO", help="The photo before it, by its file name.")
    ] = None,
    after: Annotated[
        str | None, typer.Option("--after", metavar="PHOTO", help="The photo after it, by its file name.")
    ] = None,
    by: MaybeBy = None,
    at: When = None,
    book: BookFile = None,
) -> None:
    """Enter that a soaked reed was squeezed; photos before and after are found by their times."""
    from aperture.book.advice.rules import SQUEEZE_CAUTION

    with open_book(book) as opened:
        this = opened.reed(reed)
        photos = [_photo_of(opened, reed, name) if name is not None else None for name in (before, after)]
        opened.add_squeeze(this, _sensible(at) or opened.now(this), photos[0], photos[1], by)
    typer.echo(f"Entered the squeeze of reed {reed}. Photograph it again while it is soaked, then intake.")
    typer.echo(SQUEEZE_CAUTION)


@enter_app.command("decision")
@report_errors
def enter_decision(
    reed: ReedNumber,
    action: Annotated[
        Literal["keep", "squeeze", "send back", "replace", "sent back", "thrown away"],
        typer.Argument(metavar="DECISION", help="keep, squeeze, “send back”, replace, “sent back”, …"),
    ],
    by: By,
    reason: Annotated[
        str | None, typer.Option("--reason", metavar="TEXT", help="Why; else the rule's own reason.")
    ] = None,
    came_back: Annotated[
        bool, typer.Option("--came-back", help="The reed had left the box, and is here again.")
    ] = False,
    at: When = None,
    settings: SettingsFile = None,
    book: BookFile = None,
) -> None:
    """Enter what was decided about a reed; against the advice it needs a reason."""
    from aperture.book.advice.decide import decide
    from aperture.settings import load_settings

    with open_book(book) as opened:
        this = opened.reed(reed)
        moment = _sensible(at) or opened.now(this)
        said = decide(opened, this, action, by, reason, moment, load_settings(settings), came_back)
    typer.echo(said)


@enter_app.command("filing")
@report_errors
def enter_filing(
    photo: Annotated[str, typer.Argument(metavar="PHOTO", help="The photo's file name, or its hash.")],
    reed: Reed = None,
    state: State = None,
    seconds: Seconds = None,
    water: WaterOption = None,
    wetted: WettedOption = None,
    age: AgeOption = None,
    reason: Annotated[str | None, typer.Option("--reason", metavar="TEXT", help="Why.")] = None,
    by: MaybeBy = None,
    book: BookFile = None,
) -> None:
    """Say which reed and state a photo shows, or how it was soaked; what you leave out stays as it was."""
    from aperture.book.store.records import Filing, Soaking

    with open_book(book) as opened, opened.writing():
        entry = opened.entry(_photo_of(opened, None, photo))
        was, soaked = entry.filing, entry.filing.soaking
        reed_id = was.reed_id if reed is None else opened.known_or_new(reed, entry.photo.when).id
        soaking = Soaking(
            soaked.seconds if seconds is None else seconds,
            water or soaked.water,
            wetted or soaked.wetted,
            age or soaked.age,
        )
        state = state or was.state
        filing = Filing(reed_id, state, soaking if state == "soaked" else Soaking(), reason, by)
        opened.add_filing(entry.photo, filing)
    typer.echo(f"Filed {entry.photo.name}.")


def _check_lot(entry: "LotEntry") -> None:
    """Complain of the first thing about a lot that cannot be so, by the name of its option."""
    from aperture.book.store.lot_entry import mistakes

    options = {
        "code": "LOT",
        "ordered_on": "--ordered",
        "return_by": "--return-by",
        "price_per_reed": "--price",
    }
    for name, words in mistakes(entry).items():
        raise typer.BadParameter(words, param_hint=options.get(name, f"--{name}"))


def _old_and_new(lot: "Lot", entry: "LotEntry", currency: str) -> str:
    """What would become of a lot's details, a line each, as far as they differ."""
    from aperture.book.present.words import lot_detail_words
    from aperture.book.store.lot_entry import DETAILS

    old_and_new = [
        (DETAILS[name], *(lot_detail_words(name, getattr(of, name), currency) for of in (lot, entry)))
        for name in entry.differs(lot)
    ]
    return "\n".join(f"  {what}: {old} → {new}" for what, old, new in old_and_new)


def _sensible(at: datetime | None) -> datetime | None:
    """The time that was given, if it can be one."""
    from aperture.dates import is_sensible, span_words
    from aperture.settings import load_settings

    if at is not None and not is_sensible(at, first_year := load_settings().first_year):
        raise typer.BadParameter(f"{at:%Y-%m-%d} is not {span_words(first_year)}", param_hint="--at")
    return at


def _day(moment: datetime | None) -> date | None:
    return moment.date() if moment is not None else None


def _photo_of(book: "Book", reed: int | None, name: str) -> "Photo":
    """The photo with this file name or beginning of the hash, of this reed if one is given."""
    entries = book.history(book.reed(reed)).entries if reed is not None else None
    photos = [entry.photo for entry in entries] if entries is not None else book.photos()
    found = [
        photo
        for photo in photos
        if photo.name == name or (len(name) >= 8 and photo.sha256.startswith(name.lower()))
    ]
    of_reed = f" of reed {reed}" if reed is not None else ""
    if not found:
        raise typer.BadParameter(f"the book has no photo{of_reed} called {name}")
    if len(found) > 1:
        hashes = ", ".join(photo.sha256[:12] for photo in found)
        raise typer.BadParameter(f"several photos{of_reed} are called {name}; say which: {hashes}")
    return found[0]
