"""The reed book on a terminal: what came in, the reeds, one reed, the lots, an order, what is due."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from aperture.book.advice.due import HEADINGS, Task
from aperture.book.advice.facts import soak_change, soak_times, squeeze_change
from aperture.book.advice.rules import CAUTIONS, Advised
from aperture.book.advice.soak_trend import soak_trend
from aperture.book.orders.shares import cost_per_usable, share
from aperture.book.present.words import cost_words, recorded, share_words, soaking_words
from aperture.book.store.records import FAULTS, Check, Entry, History
from aperture.card.geometry import FACES
from aperture.correction import all_words
from aperture.flags import FLAGS
from aperture.present.report import NAMES, NO_VALUE, change_lines, printable, remarks
from aperture.present.screen import bare_table, indented, show_rows
from aperture.verdict import Change

# A list of reeds is shown without what measures and checks.
if TYPE_CHECKING:
    from aperture.book.backup.checking import Findings
    from aperture.book.orders.lot_record import LotRecord
    from aperture.book.orders.order_plan import OrderPlan
    from aperture.book.photos.intake import Arrival

SHOWN = ("height_mm", "ellipse_ratio")
DATE = "date-impossible"


def show_arrivals(console: Console, arrivals: Sequence[Arrival]) -> None:
    """What became of photos that were taken in; what is to be done about some of them."""
    counts = {what: sum(arrival.what == what for arrival in arrivals) for what in _ARRIVED}
    words = [f"{count} {words}" for what, words in _ARRIVED.items() if (count := counts[what])]
    photos = "photo" if len(arrivals) == 1 else "photos"
    console.print(Text(f"{len(arrivals)} {photos}: {', '.join(words)}."))
    filed = [arrival for arrival in arrivals if arrival.what in ("filed", "measured again")]
    if filed:
        console.print()
        table = bare_table()
        for heading in ("photo", "reed", "state", "class", *(NAMES[name] for name in SHOWN), "remarks"):
            table.add_column(heading, overflow="fold")
        for arrival in filed:
            assert arrival.measurement is not None
            record = arrival.measurement.record()
            reed = (
                f"{arrival.reed.number}{' (new)' if arrival.new_reed else ''}" if arrival.reed else NO_VALUE
            )
            table.add_row(
                Text(_name(arrival)),
                reed,
                arrival.state or NO_VALUE,
                _class(record),
                *(recorded(record, name) for name in SHOWN),
                "take it again" if arrival.refused else "look" if record["review"] else "",
            )
        console.print(table)
    for heading, what in _TO_DO.items():
        _show_to_do(console, heading, [arrival for arrival in arrivals if _to_do(arrival) == what])
    misdated = [arrival for arrival in arrivals if arrival.measurement and DATE in arrival.measurement.flags]
    if misdated:
        _heading(console, FLAGS[DATE].sentence)
        indented(console, f"{', '.join(map(_name, misdated))}: {FLAGS[DATE].advice}")
    console.print()
    console.print("What to do next: aperture due", style="bold")


def show_reeds(console: Console, told: Sequence[tuple[History, Advised]]) -> None:
    """One row per reed: where it is, its opening dry and soaked, what was decided or is advised."""
    if not told:
        console.print("There are no reeds in the book yet: aperture intake FOLDER begins.")
        return
    rows: list[tuple[str, ...]] = [
        ("reed", "lot", "slot", "player", "dry", "soaked", "ratio soaked", "decided", "next")
    ]
    for history, advised in told:
        reed = history.reed
        dry, soaked = (history.latest(state) for state in FACES)
        rows.append(
            (
                str(reed.number),
                *(value or NO_VALUE for value in (reed.lot, reed.slot, reed.player)),
                _class(dry.reading.record) if dry else NO_VALUE,
                _class(soaked.reading.record) if soaked else NO_VALUE,
                recorded(soaked.reading.record, "ellipse_ratio") if soaked else NO_VALUE,
                history.decision.action if history.decision else NO_VALUE,
                "" if history.gone else advised.action,
            )
        )
    show_rows(console, rows)
    console.print(Text("aperture reed N tells more of one; aperture due what to do today.", style="dim"))


def show_reed(console: Console, history: History, advised: Advised, pictures: Path) -> None:
    """Everything about one reed: photos, what soaking and squeezing changed, checks, decisions, advice."""
    reed = history.reed
    console.print(Text(f"Reed {reed.number}", style="bold"))
    where = {"lot": reed.lot, "slot": reed.slot, "player": reed.player}
    known = [f"{what} {value}" for what, value in where.items() if value]
    indented(console, ", ".join(known) if known else "Lot, slot and player were not entered.")
    _show_photos(console, history, pictures)
    _show_changes(console, history)
    _show_checks(console, history)
    _show_decisions(console, history)
    if not history.gone:
        _heading(console, "What to do")
        indented(console, advised.what, "bold")
        indented(console, advised.why)
        for remark in advised.remarks:
            indented(console, f"{remark.what} {remark.why}")
    console.print()
    for caution in advised.cautions or CAUTIONS:
        console.print(Text(caution, style="dim"))


def show_lots(console: Console, records: Sequence[LotRecord]) -> None:
    """One row per lot: usable share with its interval, what a usable reed cost, which defects."""
    if not records:
        console.print("There are no lots in the book yet: aperture enter lot CODE --source CODE begins.")
        return
    table = bare_table()
    headings = ("lot", "source", "ordered", "strength", "price", "usable", "share", "per usable reed")
    for heading in (*headings, "not decided", "defects"):
        table.add_column(heading, overflow="fold")
    for record in records:
        lot, found = record.lot, share(record.usable, record.judged)
        price = lot.price_per_reed
        table.add_row(
            Text(lot.code),
            Text(lot.source),
            lot.ordered_on.isoformat() if lot.ordered_on else NO_VALUE,
            Text(printable(lot.strength or NO_VALUE)),
            NO_VALUE if price is None else f"{price:.2f}",
            f"{record.usable} of {record.judged}",
            share_words(found),
            cost_words(cost_per_usable(price, found) if price is not None else None),
            str(record.undecided),
            ", ".join(f"{count} × {defect}" for defect, count in record.defects) or NO_VALUE,
        )
    console.print(table)
    words = (
        "Usable: reeds that a person decided to keep. Share: with the interval that holds the true share in"
        " 19 of 20 such lots (Wilson). A reed that is not decided yet counts in neither."
    )
    console.print(Text(words, style="dim"))


def show_due(console: Console, tasks: Sequence[Task], unfiled: Sequence[Entry]) -> None:
    """What is to be done today, the same for several reeds said once."""
    if not tasks and not unfiled:
        console.print("Nothing is due.")
    for kind, heading in HEADINGS.items():
        mine = [task for task in tasks if task.kind == kind]
        if not mine:
            continue
        _heading(console, heading)
        for words in dict.fromkeys(task.what for task in mine):
            reeds = ", ".join(str(task.reed) for task in mine if task.what == words)
            indented(console, f"Reed {reeds}: {words}" if "," not in reeds else f"Reeds {reeds}: {words}")
    if unfiled:
        _heading(console, "Say which reed and state")
        for entry in unfiled:
            indented(console, f"{printable(entry.photo.name)}: {entry.filing.reason or ''}".rstrip(": "))
        indented(console, "aperture enter filing PHOTO --reed N --state dry", "dim")


def show_order(console: Console, plan: OrderPlan, source: str | None) -> None:
    """How many to order, and what that rests on."""
    whose = f" from {source}" if source is not None else ""
    console.print(Text(f"{plan.need} usable reeds{whose}, {100 * plan.sure:g} % sure", style="bold"))
    indented(console, plan.answer)
    for sentence in plan.assumptions:
        indented(console, sentence, "dim")


def show_findings(console: Console, findings: Findings) -> None:
    """What a look through the book found."""
    console.print(Text(str(findings.path), style="bold"))
    if findings.compared is not None:
        indented(console, f"{findings.compared} photos are as they were kept.")
    for finding in findings.found:
        indented(console, printable(f"{finding.what} {finding.where}"))
        indented(console, f"  {finding.advice}", "dim")
    if not findings.loss:
        indented(console, "Nothing is lost.")


# --- parts -------------------------------------------------------------------------------------------------

_ARRIVED = {
    "filed": "new",
    "measured again": "measured again",
    "known": "already in the book",
    "not assigned": "in the book, but not assigned",
    "not taken in": "not taken in",
}
_TO_DO = {
    "Not assigned: say which reed and state": "assign",
    "Refused: take these again": "retake",
    "Have a look before you use the number": "look",
    "Not taken in": "outside",
}


def _to_do(arrival: Arrival) -> str | None:
    if arrival.what == "not assigned":
        return "assign"
    if arrival.what == "not taken in":
        return "outside"
    if arrival.refused:
        return "retake"
    if arrival.measurement is not None and arrival.measurement.review:
        return "look"
    return None


def _show_to_do(console: Console, heading: str, arrivals: Sequence[Arrival]) -> None:
    if not arrivals:
        return
    _heading(console, heading)
    for arrival in arrivals:
        name = _name(arrival)
        if arrival.what == "not assigned":
            what = ("" if arrival.reed else " --reed N") + ("" if arrival.state else " --state dry")
            indented(console, f"{name}: {arrival.why} aperture enter filing {quote(name)}{what}")
            continue
        assert arrival.measurement is not None
        for remark in remarks(arrival.measurement)[:1]:
            indented(console, f"{name}: {printable(remark.sentence)} {remark.advice}")


def _heading(console: Console, words: str) -> None:
    console.print()
    console.print(Text(words, style="bold"))


def _name(arrival: Arrival) -> str:
    return printable(arrival.path.name)


def _class(record: Mapping[str, Any]) -> str:
    if record["outcome"] == "refused":
        return "refused"
    shape = f"{record['shape']}, rather wide" if "wide" in record["flags"] else str(record["shape"])
    return f"{shape} ?" if record["review"] else shape


def _show_photos(console: Console, history: History, pictures: Path) -> None:
    _heading(console, "Photos")
    if not history.entries:
        indented(console, "None yet.")
        return
    table = bare_table()
    for heading in ("taken", "state", "soaked for", "class", *NAMES.values(), "measured"):
        table.add_column(heading, overflow="fold")
    for entry in history.entries:
        times = len(entry.readings)
        table.add_row(
            f"{entry.photo.when:%Y-%m-%d %H:%M}",
            entry.filing.state or NO_VALUE,
            soaking_words(entry.filing.soaking) or NO_VALUE,
            _class(entry.reading.record),
            *(recorded(entry.reading.record, name) for name in NAMES),
            "by a person" if entry.reading.origin == "person" else f"{times} times" if times > 1 else "once",
        )
    console.print(Padding(table, (0, 0, 0, 2)))
    for words in all_words([entry.reading.record for entry in history.entries]):
        indented(console, printable(f"(corrected): {words} was added to the height."), "dim")
    if any(entry.reading.record["review"] for entry in history.entries):
        indented(console, "?: a person should look at the picture before the number is used.", "dim")
    for entry in history.entries:
        if entry.photo.taken is None and DATE in entry.reading.record["flags"]:
            words = f"{printable(entry.photo.name)}: {FLAGS[DATE].sentence} Shown is when it came."
            indented(console, words, "dim")
    indented(console, "Pictures:")
    for entry in history.entries:
        if entry.photo.kept:
            indented(console, f"{printable(entry.photo.name)}: {pictures / entry.photo.kept}")


def _show_changes(console: Console, history: History) -> None:
    soaked = soak_change(history)
    if soaked is not None:
        _heading(console, "Soaking changed")
        _show_change(console, soaked)
    for squeeze in history.squeezes:
        _heading(console, f"Squeezed on {squeeze.done_at:%Y-%m-%d}")
        changed = squeeze_change(history, squeeze)
        if changed is None:
            indented(console, "There are no two photos to compare, before and after it in the same soak.")
        else:
            _show_change(console, changed)
    trend = soak_trend(soak_times(history))
    if trend.days > 1:
        _heading(console, "Soaking it needs")
        indented(console, trend.words)


def _show_change(console: Console, changed: Change) -> None:
    for line in change_lines(changed):
        indented(console, line)


def _show_checks(console: Console, history: History) -> None:
    if not history.checks:
        return
    _heading(console, "Checks by hand")
    for check in history.checks:
        by = f" ({check.by})" if check.by else ""
        indented(console, f"{check.done_at:%Y-%m-%d}{by}: {_check_words(check)}.")


def _check_words(check: Check) -> str:
    answers = {name: getattr(check, name) for name in FAULTS}
    found = [name.replace("_", " ") for name, answer in answers.items() if answer]
    fine = [f"no {name.replace('_', ' ')}" for name, answer in answers.items() if answer is False]
    heard = [f"response {check.response}"] if check.response else []
    if check.pitch_cents is not None:
        heard.append(f"{check.pitch_cents:+g} cents".replace("-", "−"))
    return ", ".join([*found, *fine, *heard, *([printable(check.note)] if check.note else [])])


def _show_decisions(console: Console, history: History) -> None:
    if not history.decisions:
        return
    _heading(console, "Decisions")
    for decision in history.decisions:
        against = f", against the advice “{decision.advised}”" if decision.override_reason else ""
        reason = printable(decision.reason)
        indented(
            console, f"{decision.decided_at:%Y-%m-%d} ({decision.by}): {decision.action}{against}. {reason}"
        )
