"""History -> what to do with a reed, and why: the table applied, with cautions; and what goes against it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from aperture.book.advice.facts import Facts, facts, photo_that_counts
from aperture.book.advice.rule_table import REMARKS, Step
from aperture.book.advice.rule_table import RULES as RULES
from aperture.book.advice.rule_table import Rule as Rule
from aperture.book.store.records import Action, History
from aperture.card.instructions import CARE
from aperture.flags import FLAGS
from aperture.settings import Soaking as Habit
from aperture.verdict import ADVICE

_, _, UNPLAYED_CAUTION, LOCAL_CAUTION = CARE
SQUEEZE_CAUTION = ADVICE["soaked", "wide"].why
SHARING_CAUTION = "Reeds are never shared: one reed, one player."
CLEANING_CAUTION = (
    "What two players touch is cleaned between them as the rules of your school or district say."
)
INFECTION_CAUTION = "After a throat infection throw the reed away."
EDGES_CAUTION = "Chipped or cracked cane has sharp edges: keep it from lips and fingers."
CAUTIONS = (
    SQUEEZE_CAUTION,
    SHARING_CAUTION,
    CLEANING_CAUTION,
    INFECTION_CAUTION,
    EDGES_CAUTION,
    UNPLAYED_CAUTION,
    LOCAL_CAUTION,
)
# Each stands where somebody acts.
CAUTIONS_FOR: Mapping[Step, tuple[str, ...]] = {
    "soak": (UNPLAYED_CAUTION,),
    "check by hand": (UNPLAYED_CAUTION, CLEANING_CAUTION),
    "keep": (SHARING_CAUTION, CLEANING_CAUTION, INFECTION_CAUTION, LOCAL_CAUTION),
    "squeeze": (SQUEEZE_CAUTION,),
    "dry and judge again": (SQUEEZE_CAUTION,),
    "send back": (UNPLAYED_CAUTION,),
    "replace": (EDGES_CAUTION,),
    "do not use": (EDGES_CAUTION,),
    "ask the teacher": (SHARING_CAUTION, LOCAL_CAUTION),
}

# Which decisions follow an advice; every other one goes against it and needs a reason. What a person may
# decide freely, because the advice asks for a decision or there is none, is left out.
FOLLOWED_BY: Mapping[Step, frozenset[Action]] = {
    "soak": frozenset({"keep"}),
    "photograph again": frozenset({"keep"}),
    "check by hand": frozenset({"keep"}),
    "keep": frozenset({"keep"}),
    "squeeze": frozenset({"squeeze"}),
    "dry and judge again": frozenset({"keep"}),
    "send back": frozenset({"send back", "sent back"}),
    "replace": frozenset({"replace", "thrown away", "send back", "sent back"}),
    "do not use": frozenset({"replace", "thrown away", "send back", "sent back"}),
}


@dataclass(frozen=True)
class Advised:
    """What to do with one reed: the rule's words filled in, its code, and what else is to be said."""

    action: Step
    rule: str
    what: str
    why: str
    remarks: tuple[Rule, ...]
    for_seller: str | None
    cautions: tuple[str, ...]


def overrides(decision: Action, advised: Step) -> bool:
    """Whether what a person decides goes against the advice."""
    return advised in FOLLOWED_BY and decision not in FOLLOWED_BY[advised]


def chosen(known: Facts) -> Rule:
    """The rule that is the advice: the first one that applies. There is always one."""
    return next(rule for rule in RULES if rule.applies(known))


def advise(history: History, habit: Habit, today: date) -> Advised:
    """What to do with a reed, and why; see `facts` for the parameters."""
    known = facts(history, habit, today)
    rule = chosen(known)
    words = _words(history, habit, known)
    return Advised(
        action=rule.action,
        rule=rule.code,
        what=rule.what.format(**words).strip(),
        why=rule.why,
        remarks=tuple(
            replace(remark, why=remark.why.format(**words)) if "{" in remark.why else remark
            for remark in REMARKS
            if remark.applies(known)
        ),
        for_seller=rule.for_seller,
        cautions=CAUTIONS_FOR.get(rule.action, ()),
    )


def advise_all(histories: Sequence[History], habit: Habit, today: date) -> list[tuple[History, Advised]]:
    """Each reed with what to do with it; see `facts` for the parameters."""
    return [(history, advise(history, habit, today)) for history in histories]


def _words(history: History, habit: Habit, known: Facts) -> dict[str, str]:
    """What the words in braces stand for."""
    seconds = habit.old_seconds if known.is_old else habit.new_seconds
    water = "room-temperature" if habit.water == "room" else habit.water
    where = "in the mouth" if habit.wetted == "mouth" else f"in {water} water"
    entry, lot = photo_that_counts(history), history.lot
    record = entry.reading.record if entry else {}
    doubts = [FLAGS[code] for code in record.get("flags", ()) if code in FLAGS]
    doubt = next((flag for flag in doubts if flag.effect in ("refuse", "review")), None)
    return {
        "usual": f"{seconds:g} seconds {where}",
        "return_by": lot.return_by.isoformat() if lot and lot.return_by else "",
        "doubt": f"{doubt.sentence} {doubt.advice}" if doubt else "",
    }
