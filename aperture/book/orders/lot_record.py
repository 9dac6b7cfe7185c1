"""How the reeds of each lot, and of each source, turned out."""

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from aperture.book.advice.rule_table import RULES
from aperture.book.store.records import Decision, Fate, History, Lot
from aperture.codes import code_key, same_code
from aperture.errors import BookError

SENT_BACK = ("send back", "sent back")
REJECTED = (*SENT_BACK, "replace", "thrown away")


@dataclass(frozen=True)
class LotRecord:
    """What became of the reeds of a lot. Only decisions of a person count.

    `usable`: reeds that were kept, even if they wore out later. `rejected`: reeds that were to go back, or to
    be replaced without ever having been kept. `undecided`: the rest. `defects`: why reeds were rejected, in
    the rules' words, most frequent first; "other" where a person decided without a rule or against it.
    """

    lot: Lot
    usable: int
    rejected: int
    undecided: int
    defects: tuple[tuple[str, int], ...]

    @property
    def judged(self) -> int:
        """Reeds of which it is known whether they were usable."""
        return self.usable + self.rejected


def lot_records(lots: Sequence[Lot], fates: Sequence[Fate | History]) -> list[LotRecord]:
    """The record of each lot, in the order given, from what was decided about every reed."""
    of_lot: dict[int, list[Fate | History]] = defaultdict(list)
    for fate in fates:
        if fate.lot is not None:
            of_lot[fate.lot.id].append(fate)
    records = []
    for lot in lots:
        reeds = of_lot[lot.id]
        outcomes = Counter(map(_outcome, reeds))
        defects = Counter(_defect(fate) for fate in reeds if _outcome(fate) == "rejected")
        records.append(
            LotRecord(
                lot=lot,
                usable=outcomes["usable"],
                rejected=outcomes["rejected"],
                undecided=outcomes["undecided"],
                defects=tuple(defects.most_common()),
            )
        )
    return records


def sources_of(records: Sequence[LotRecord]) -> list[str]:
    """The sources of lots, in order; of a code that was spelt in several ways the last spelling."""
    return sorted({code_key(record.lot.source): record.lot.source for record in records}.values())


def of_source(records: Sequence[LotRecord], source: str) -> list[LotRecord]:
    """The lots that came from one source.

    Raises
    ------
    BookError : no lot came from there.
    """
    found = [record for record in records if same_code(record.lot.source, source)]
    if not found:
        raise BookError("book-unknown", f"source {source}")
    return found


def last_priced(records: Sequence[LotRecord]) -> Lot | None:
    """The lot that was entered last among those with a price; None if no price is known."""
    priced = [record.lot for record in records if record.lot.price_per_reed is not None]
    return max(priced, key=lambda lot: lot.id, default=None)


def reasons_for_seller(histories: Sequence[History]) -> dict[int, str]:
    """For reeds that were rejected as a rule advised, by their id: the rule's reason, in neutral words."""
    words = {rule.code: rule.for_seller for rule in RULES}
    reasons = {}
    for history in histories:
        decision = rejection(history)
        if decision is not None and not decision.override_reason and words.get(decision.rule or ""):
            reasons[history.reed.id] = str(words[decision.rule or ""])
    return reasons


def _outcome(fate: Fate | History) -> str:
    """Sent back counts against the lot whatever was decided before; thrown away does not once it was kept."""
    actions = [decision.action for decision in fate.decisions]
    if not actions:
        return "undecided"
    if actions[-1] in SENT_BACK:
        return "rejected"
    if "keep" in actions:
        return "usable"
    return "rejected" if actions[-1] in REJECTED else "undecided"


def rejection(fate: Fate | History) -> Decision | None:
    """The decision that rejected a reed: the first against it since it was last kept."""
    found = None
    for decision in fate.decisions:
        if decision.action == "keep":
            found = None
        elif decision.action in REJECTED:
            found = found or decision
    return found


def _defect(fate: Fate | History) -> str:
    decision = rejection(fate)
    if decision is None or decision.override_reason:
        return "other"
    return next((rule.defect for rule in RULES if rule.code == decision.rule and rule.defect), "other")
