"""The reed book's commands: they read options, call the book, print."""

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from aperture.cli.enter import enter_app
from aperture.cli.options import (
    SOME_REFUSED,
    AgeOption,
    BookFile,
    PaperToPrintOn,
    Reed,
    ReedNumber,
    Replace,
    Ruler,
    Seconds,
    SettingsFile,
    State,
    TipOffset,
    WaterOption,
    WettedOption,
    Workers,
    check_output,
    chosen_settings,
    open_book,
    report_errors,
    without_kept,
)

# Everything else is imported inside the commands, so that --help does not wait for image libraries.
if TYPE_CHECKING:
    from rich.console import Console

    from aperture.book.advice.rules import Advised
    from aperture.book.store.ledger import Book
    from aperture.book.store.records import History
    from aperture.settings import Settings

PANEL = "The reed book"

book_app = typer.Typer()
book_app.add_typer(enter_app, name="enter", rich_help_panel=PANEL)


@book_app.command("intake", rich_help_panel=PANEL)
@report_errors
def intake_command(
    paths: Annotated[
        list[Path], typer.Argument(metavar="FOLDER…", help="Folders of photos, and single photos.")
    ],
    lot: Annotated[
        str | None, typer.Option("--lot", metavar="CODE", help="The lot to which reeds belong that are new.")
    ] = None,
    seconds: Seconds = None,
    water: WaterOption = None,
    wetted: WettedOption = None,
    age: AgeOption = None,
    again: Annotated[
        bool,
        typer.Option("--again", help="Measure known photos again, too, if program or settings changed."),
    ] = False,
    watch: Annotated[
        bool,
        typer.Option(
            "--watch", help="Go on: also take in the photos that come into the folder, until Ctrl-C."
        ),
    ] = False,
    reed: Reed = None,
    state: State = None,
    book: BookFile = None,
    ruler: Ruler = None,
    tip_offset: TipOffset = None,
    settings: SettingsFile = None,
    workers: Workers = None,
) -> None:
    """Take photos into the book: measure what is new and file it under its reed and state.

    Exit status: 0 all is taken in, 3 some photos were refused or could not be assigned, 2 wrong usage.
    """
    from aperture.batch.photo_files import photos_in
    from aperture.book.store.records import Soaking
    from aperture.cli.intake import Intake, take_in_all, watch_folder
    from aperture.scale import Scale

    chosen = chosen_settings(settings, ruler, tip_offset, workers)
    scale, soaking = Scale(ruler, tip_offset), Soaking(seconds, water, wetted, age)
    intake = Intake(book, chosen, scale, soaking, lot, again, reed, state)
    if watch:
        if len(paths) != 1 or not paths[0].is_dir():
            raise typer.BadParameter("name one folder that is to be watched", param_hint="--watch")
        watch_folder(intake, paths[0])
        return
    photos = without_kept(photos_in(paths), paths)
    if not photos:
        raise typer.BadParameter("there is no photo in " + ", ".join(map(str, paths)), param_hint="FOLDER…")
    take_in_all(intake, photos)


@book_app.command("reeds", rich_help_panel=PANEL)
@report_errors
def reeds_command(
    everything: Annotated[
        bool, typer.Option("--all", help="Also reeds that were sent back or thrown away.")
    ] = False,
    lot: Annotated[str | None, typer.Option("--lot", metavar="CODE", help="Only reeds of this lot.")] = None,
    settings: SettingsFile = None,
    book: BookFile = None,
) -> None:
    """List the reeds: the opening dry and soaked, what was decided, what to do next."""
    from aperture.book.present.book_screen import show_reeds
    from aperture.present.screen import make_console

    with open_book(book) as opened:
        code = opened.lot(lot).code if lot is not None else None
        told = _told(opened.histories(here=not everything, lot=code, outlines=False), settings)
    show_reeds(make_console(), told)


@book_app.command("reed", rich_help_panel=PANEL)
@report_errors
def reed_command(reed: ReedNumber, settings: SettingsFile = None, book: BookFile = None) -> None:
    """Tell all about one reed: photos, changes, checks, decisions, and what to do with it, and why."""
    from aperture.book.advice.rules import advise
    from aperture.book.present.book_screen import show_reed
    from aperture.present.screen import make_console
    from aperture.settings import load_settings

    with open_book(book) as opened:
        history = opened.history(opened.reed(reed))
    advised = advise(history, load_settings(settings).soaking, date.today())
    show_reed(make_console(), history, advised, opened.pictures)


@book_app.command("lots", rich_help_panel=PANEL)
@report_errors
def lots_command(settings: SettingsFile = None, book: BookFile = None) -> None:
    """List the lots: the share of usable reeds, what a usable one cost, and which defects there were."""
    from aperture.book.orders.lot_record import lot_records
    from aperture.book.present.book_screen import show_lots
    from aperture.present.screen import make_console
    from aperture.settings import load_settings

    currency = load_settings(settings).currency
    with open_book(book) as opened:
        records = lot_records(opened.lots(), opened.fates())
    show_lots(make_console(), records, currency)


@book_app.command("order", rich_help_panel=PANEL)
@report_errors
def order_command(
    need: Annotated[
        int, typer.Option("--need", metavar="N", min=1, max=1000, help="How many usable reeds you need.")
    ],
    sure: Annotated[
        float, typer.Option("--sure", metavar="PERCENT", help="How sure you want to be, for example 90.")
    ] = 90.0,
    source: Annotated[
        str | None,
        typer.Option("--source", metavar="CODE", help="From which source, if the book has several."),
    ] = None,
    settings: SettingsFile = None,
    book: BookFile = None,
) -> None:
    """Say how many reeds to order so that enough of them are usable, from the record of the source."""
    from aperture.book.orders.lot_record import last_priced, lot_records, of_source, sources_of
    from aperture.book.orders.order_plan import plan_order
    from aperture.book.present.book_screen import show_order
    from aperture.present.screen import make_console
    from aperture.settings import load_settings

    if not 0.0 < sure < 100.0:
        raise typer.BadParameter("say how sure in per cent, above 0 and below 100", param_hint="--sure")
    currency = load_settings(settings).currency
    with open_book(book) as opened:
        records = lot_records(opened.lots(), opened.fates())
    sources = sources_of(records)
    if source is None and len(sources) > 1:
        raise typer.BadParameter(f"say from which source: {', '.join(sources)}", param_hint="--source")
    chosen = of_source(records, source) if source is not None else records
    plan = plan_order(need, sure / 100.0, [(record.usable, record.judged) for record in chosen])
    show_order(make_console(), plan, source or next(iter(sources), None), last_priced(chosen), currency)


@book_app.command("due", rich_help_panel=PANEL)
@report_errors
def due_command(settings: SettingsFile = None, book: BookFile = None) -> None:
    """Say what is to be done today: soak, photograph, squeeze, check, decide, send back, replace."""
    from aperture.book.advice.due import due
    from aperture.book.present.book_screen import show_due
    from aperture.present.screen import make_console

    with open_book(book) as opened:
        told = _told(opened.histories(here=True, outlines=False), settings)
        show_due(make_console(), due(told), opened.unfiled())


@book_app.command("export", rich_help_panel=PANEL)
@report_errors
def export_command(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="The folder to write to.")] = Path(
        "reed-book-export"
    ),
    kind: Annotated[
        Literal["all", "csv", "xlsx", "json", "training"],
        typer.Option(
            "--kind",
            help="Only this kind of file. training, which all leaves out: tips and their outlines as people"
            " corrected them.",
        ),
    ] = "all",
    replace: Replace = False,
    book: BookFile = None,
) -> None:
    """Write every table of the book as CSV, as an XLSX workbook and as JSON."""
    from aperture.book.present.exports import export

    if kind == "training":
        _export_training(out, book)
        return
    with open_book(book) as opened:
        for path in export(opened, out, {"csv", "xlsx", "json"} if kind == "all" else {kind}, replace):
            typer.echo(f"Wrote {path}")


def _export_training(out: Path, book: Path | None) -> None:
    """Write what people corrected, and say what that is."""
    from aperture.book.present.training import export_training

    with open_book(book) as opened:
        done = export_training(opened, out)
    typer.echo(
        f"Wrote {out}: {done.photos} pictures of tips, and their outlines by the program and by people"
        f" ({done.redrawn} redrawn). No numbers of reeds, names, dates or whole photos."
    )
    if done.without_picture:
        typer.echo(f"Photos left out, because their picture is missing or spoilt: {done.without_picture}")
    typer.echo(f"It stays on this computer unless you hand it on; {out / 'README.txt'} says what is in it.")


@book_app.command("return-sheet", rich_help_panel=PANEL)
@report_errors
def return_sheet_command(
    lot: Annotated[str, typer.Argument(metavar="LOT", help="The lot's code.")],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="The PDF; else return-sheet-LOT.pdf.")
    ] = None,
    paper: PaperToPrintOn = "a4",
    settings: SettingsFile = None,
    replace: Replace = False,
    book: BookFile = None,
) -> None:
    """Write a PDF for the seller: each reed that goes back, its pictures, numbers and the reason."""
    from aperture.book.orders.lot_record import reasons_for_seller
    from aperture.book.present.return_sheet import return_sheet, sheet_name
    from aperture.files import write_whole
    from aperture.settings import load_settings

    currency = load_settings(settings).currency
    with open_book(book) as opened:
        this = opened.lot(lot)
        name = sheet_name(this, opened.lots())
        histories = opened.histories(lot=this.code)
        reasons = reasons_for_seller(histories)
        pdf = return_sheet(opened, this, histories, reasons, date.today(), paper, currency)
    path = out or Path(name)
    check_output(path, "--out", replace, pdf)
    write_whole(path, pdf)
    typer.echo(f"Wrote {path}. Read it before you send it.")


@book_app.command("backup", rich_help_panel=PANEL)
@report_errors
def backup_command(
    out: Annotated[
        Path, typer.Option("--out", metavar="PATH", help="A folder, or the ZIP file to write.")
    ] = Path(),
    book: BookFile = None,
) -> None:
    """Write the book and its pictures into one file, to keep elsewhere."""
    from aperture.book.backup.keeping import back_up

    with open_book(book) as opened:
        made = back_up(opened, out)
    typer.echo(f"Wrote {made.path}: {made.photos} photos, {made.bytes / 1e6:.1f} MB. Keep it elsewhere.")
    for name in made.lacking:
        typer.echo(f"This picture is missing or spoilt: {name}")
    if made.lacking:
        raise typer.Exit(SOME_REFUSED)


@book_app.command("restore", rich_help_panel=PANEL)
@report_errors
def restore_command(
    archive: Annotated[Path, typer.Argument(metavar="FILE", help="A file that `aperture backup` wrote.")],
    book: BookFile = None,
) -> None:
    """Bring the book in a backup back; the present one is put aside, not overwritten."""
    from aperture.book.backup.restoring import restore
    from aperture.book.store.book_file import book_path

    done = restore(archive, book_path(book))
    typer.echo(f"Restored {done.path} with {done.photos} photos.")
    if done.moved_aside is not None:
        typer.echo(f"The book that was there is now {done.moved_aside}.")
    for name in done.lacking:
        typer.echo(f"The backup does not have this picture: {name}")


@book_app.command("verify", rich_help_panel=PANEL)
@report_errors
def verify_command(book: BookFile = None) -> None:
    """Check the book's file and its pictures.

    Exit status: 0 nothing is lost, 3 something is damaged or missing, 2 wrong usage.
    """
    from aperture.book.backup.checking import check
    from aperture.book.present.book_screen import show_findings
    from aperture.book.store.book_file import book_path
    from aperture.present.screen import make_console

    findings = check(book_path(book))
    show_findings(make_console(), findings)
    if findings.loss:
        raise typer.Exit(SOME_REFUSED)


def show_term(console: "Console", book: "Book", settings: "Settings", today: date, out: Path) -> None:
    """Print and write what a book tells at the end of a term: reeds, lots, an order, what is due, sheets."""
    from aperture.book.advice.due import due
    from aperture.book.advice.rules import advise_all
    from aperture.book.orders.lot_record import (
        lot_records,
        of_source,
        reasons_for_seller,
        sources_of,
    )
    from aperture.book.orders.order_plan import plan_order
    from aperture.book.present import book_screen
    from aperture.book.present.return_sheet import return_sheet, sheet_name
    from aperture.files import write_whole

    histories = book.histories()
    told = advise_all(histories, settings.soaking, today)
    records = lot_records(book.lots(), histories)
    console.print(f"\nThe reed book on {today}", style="bold")
    book_screen.show_reeds(console, told)
    console.print("\nReed by reed", style="bold")
    book_screen.show_due(console, due(told), book.unfiled())
    console.print("\nThe lots", style="bold")
    book_screen.show_lots(console, records, settings.currency)
    console.print("\nWhat to order next", style="bold")
    for source in sources_of(records):
        mine = [(record.usable, record.judged) for record in of_source(records, source)]
        book_screen.show_order_line(console, plan_order(12, 0.9, mine), source)
    console.print()
    for lot in (lots := book.lots()):
        path = out / sheet_name(lot, lots)
        reasons = reasons_for_seller(histories)
        pdf = return_sheet(book, lot, histories, reasons, today, currency=settings.currency)
        write_whole(path, pdf)
        console.print(f"Wrote {path}", markup=False)


def _told(histories: "list[History]", settings: Path | None) -> "list[tuple[History, Advised]]":
    """Reeds with the advice of today."""
    from aperture.book.advice.rules import advise_all
    from aperture.settings import load_settings

    return advise_all(histories, load_settings(settings).soaking, date.today())
