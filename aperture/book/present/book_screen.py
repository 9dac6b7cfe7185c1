"""The reed book on a terminal: what came in, the reeds, one reed, the lots, an order, what is due."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from aperture.book.advice.comparing import soak_change, soak_pair, squeeze_change
from aperture.book.advice.due import HEADINGS, Task
from aperture.book.advice.rules import CAUTIONS, Advised
from aperture.book.advice.soak_habit import soak_times
from aperture.book.advice.soak_trend import soak_trend
from aperture.book.orders.shares import cost_per_usable, share
from aperture.book.present.words import (
    check_words,
    cost_words,
    price_words,
    recorded,
    said_words,
    share_words,
    soaking_words,
)
from aperture.book.store.records import Entry, History, Lot
from aperture.card.geometry import FACES
from aperture.correction import all_words
from aperture.flags import FLAGS
from aperture.present.report import NAMES, NO_VALUE, change_lines, printable, remarks
from aperture.present.screen import fitted_table, indented, show_rows
from aperture.scale import all_scale_words
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
    """What became of photos that were taken in, by outcome; what is to be done about some of them."""
    from aperture.book.photos.intake import OUTCOMES

    counts = Counter(arrival.outcome for arrival in arrivals)
    words = [f"{counts[what]} {_ARRIVED.get(what, what)}" for what in OUTCOMES if counts[what]]
    photos = "photo" if len(arrivals) == 1 else "photos"
    console.print(Text(f"{len(arrivals)} {photos}: {', '.join(words)}."))
    _show_measured(console, [arrival for arrival in arrivals if arrival.what in ("filed", "measured again")])
    for what, heading in _TO_DO.items():
        _show_to_do(console, heading, [arrival for arrival in arrivals if arrival.outcome == what])
    misdated = [arrival for arrival in arrivals if arrival.measurement and DATE in arrival.measurement.flags]
    if misdated:
        _heading(console, FLAGS[DATE].sentence)
        indented(console, f"{', '.join(map(_name, misdated))}: {FLAGS[DATE].advice}")
    console.print()
    console.print("What to do next: aperture due", style="bold")


def arrival_line(arrival: Arrival) -> str:
    """What became of one photo, in one line."""
    where = [f"reed {arrival.reed.number}"] if arrival.reed else []
    where += [arrival.state] if arrival.state else []
    told = f"{_name(arrival)}: {', '.join([arrival.outcome, *where])}"
    why = _why(arrival)
    return f"{told}. {why}" if why else told


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
                "" if history.gone else advised.to_do.action,
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
        indented(console, advised.to_do.what, "bold")
        indented(console, printable(advised.to_do.why))
        if advised.beside is not None:
            indented(console, advised.beside, "dim")
        for remark in advised.said_too:
            indented(console, f"{remark.what} {remark.why}")
    console.print()
    for caution in advised.cautions or CAUTIONS:
        console.print(Text(caution, style="dim"))


def show_lots(console: Console, records: Sequence[LotRecord], currency: str = "") -> None:
    """One row per lot: usable share with its interval, what a usable reed cost, which defects."""
    if not records:
        console.print("There are no lots in the book yet: aperture enter lot CODE --source CODE begins.")
        return
    headings = ("lot", "source", "ordered", "strength", "price", "usable", "share", "per usable reed")
    rows = [(*headings, "not decided", "defects")]
    for record in records:
        lot, found = record.lot, share(record.usable, record.judged)
        price = lot.price_per_reed
        row = (
            lot.code,
            lot.source,
            lot.ordered_on.isoformat() if lot.ordered_on else NO_VALUE,
            printable(lot.strength or NO_VALUE),
            price_words(price, currency),
            f"{record.usable} of {record.judged}",
            share_words(found),
            cost_words(cost_per_usable(price, found) if price is not None else None, currency),
            str(record.undecided),
            ", ".join(f"{count} × {defect}" for defect, count in record.defects) or NO_VALUE,
        )
        rows.append(row)
    console.print(fitted_table(rows, console.width))
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
        for words, beside in dict.fromkeys((task.what, task.beside) for task in mine):
            same = [str(task.reed) for task in mine if (task.what, task.beside) == (words, beside)]
            indented(console, f"{'Reed' if len(same) == 1 else 'Reeds'} {', '.join(same)}: {words}")
            if beside is not None:
                indented(console, beside, "dim")
    if unfiled:
        _heading(console, "Say which reed and state")
        for entry in unfiled:
            indented(console, f"{printable(entry.photo.name)}: {entry.filing.reason or ''}".rstrip(": "))
        indented(console, "aperture enter filing PHOTO --reed N --state dry", "dim")


def show_order(
    console: Console,
    plan: OrderPlan,
    source: str | None,
    priced: Lot | None = None,
    currency: str = "",
) -> None:
    """How many to order, in short and then in full, and what that rests on."""
    from aperture.book.present.order_words import order_answer

    short = order_answer(plan, priced, currency)
    whose = f" from {source}" if source is not None else ""
    console.print(Text(f"{plan.need} usable reeds{whose}, {100 * plan.sure:g} % sure", style="bold"))
    indented(console, f"{short.headline}{f': {short.price}' if short.price else '.'}", "bold")
    indented(console, plan.answer)
    for sentence in plan.assumptions:
        indented(console, sentence, "dim")


def show_order_line(console: Console, plan: OrderPlan, source: str | None) -> None:
    """The same in one line: how many, from what record, and what counted before it."""
    whose = f"{source}: " if source is not None else ""
    answer = f"order {plan.n}" if plan.n is not None else "no sensible order"
    record = f"{plan.usable} of {plan.judged} were" if plan.judged else "none was judged"
    asked = f"{plan.need} usable, {100 * plan.sure:g} % sure"
    indented(console, f"{whose}{answer} for {asked} ({record}; Jeffreys’ prior).")


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

# Where its outcome alone does not make a sentence.
_ARRIVED = {"take again": "to take again"}
_TO_DO = {
    "take again": "No number: take these again",
    "to review": "To review: look at these, or say which reed and state",
    "refused": "Refused: not taken into the book",
}


def _show_measured(console: Console, arrivals: Sequence[Arrival]) -> None:
    if not arrivals:
        return
    console.print()
    rows: list[tuple[str, ...]] = [
        ("photo", "reed", "state", "class", *(NAMES[name] for name in SHOWN), "remarks")
    ]
    for arrival in arrivals:
        assert arrival.measurement is not None
        record = arrival.measurement.record()
        reed = f"{arrival.reed.number}{' (new)' if arrival.new_reed else ''}" if arrival.reed else NO_VALUE
        look = "take it again" if arrival.refused else "look" if record["review"] else ""
        numbers = (recorded(record, name) for name in SHOWN)
        rows.append((_name(arrival), reed, arrival.state or NO_VALUE, _class(record), *numbers, look))
    console.print(fitted_table(rows, console.width))


def _show_to_do(console: Console, heading: str, arrivals: Sequence[Arrival]) -> None:
    if not arrivals:
        return
    _heading(console, heading)
    for arrival in arrivals:
        indented(console, f"{_name(arrival)}: {_why(arrival)}")


def _why(arrival: Arrival) -> str:
    """Why a person must do something about a photo, and what; empty if there is nothing to do."""
    if arrival.outcome in ("take again", "refused"):
        return _first_remark(arrival) or printable(arrival.why or "")
    if arrival.what == "not assigned":
        what = ("" if arrival.reed else " --reed N") + ("" if arrival.state else " --state dry")
        return f"{arrival.why} aperture enter filing {quote(_name(arrival))}{what}"
    if arrival.outcome != "to review":
        return ""
    assert arrival.measurement is not None
    if arrival.measurement.review:
        return _first_remark(arrival)
    return f"It is {arrival.measurement.record()['shape']}."


def _first_remark(arrival: Arrival) -> str:
    said = remarks(arrival.measurement) if arrival.measurement is not None else []
    return "".join(f"{printable(remark.sentence)} {remark.advice}" for remark in said[:1])


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
    rows = [("taken", "state", "soaked for", "class", *NAMES.values(), "measured")]
    for entry in history.entries:
        times = len(entry.readings)
        row = (
            f"{entry.photo.when:%Y-%m-%d %H:%M}",
            entry.filing.state or NO_VALUE,
            soaking_words(entry.filing.soaking) or NO_VALUE,
            _class(entry.reading.record),
            *(recorded(entry.reading.record, name) for name in NAMES),
            said_words(entry) or (f"{times} times" if times > 1 else "once"),
        )
        rows.append(row)
    console.print(Padding(fitted_table(rows, console.width - 2), (0, 0, 0, 2)))
    for words in all_words([entry.reading.record for entry in history.entries]):
        indented(console, printable(f"(corrected): {words} was added to the height."), "dim")
    measured = [entry.reading for entry in history.entries if entry.reading.measured]
    for words in all_scale_words(reading.scale for reading in measured):
        indented(console, printable(f"Printed scale: {words}."), "dim")
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
    soaked, pair = soak_change(history), soak_pair(history)
    if soaked is not None and pair is not None:
        dry_at, soaked_at = (f"{entry.photo.when:%Y-%m-%d %H:%M}" for entry in pair)
        _heading(console, f"Soaking changed (dry {dry_at}, soaked {soaked_at})")
        _show_change(console, soaked)
    for squeeze in history.squeezes:
        _heading(console, f"Squeezed on {squeeze.done_at:%Y-%m-%d}")
        changed = squeeze_change(history, squeeze)
        if changed is None:
            indented(
                console, "There are no two photos to compare, before and after it, of one soak and one bar."
            )
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
        indented(console, f"{check.done_at:%Y-%m-%d}{by}: {check_words(check)}.")


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
