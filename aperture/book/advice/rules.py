"""History -> what to do with a reed, and why: the table applied, with cautions; and what goes against it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import cast

from aperture.book.advice.facts import Facts, facts
from aperture.book.advice.looking import photo_that_counts
from aperture.book.advice.rule import Rule, Step
from aperture.book.advice.rule_table import REMARKS, RULES
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


# What is to be done once it was decided. With other decisions the reed is gone.
DECIDED: Mapping[Action, str] = {
    "keep": "Keep it: that was decided.",
    "squeeze": (
        "It was decided to squeeze it: firmly just above the thread, only while it is soaked, never dry; then"
        " photograph it again."
    ),
    "send back": (
        "It was decided to send it back. `aperture return-sheet` writes the sheet to go with it; then enter"
        " that it was sent back."
    ),
    "replace": "It was decided to replace it. When it is thrown away, enter that.",
}
# The same on a page, where it speaks of the command line.
DECIDED_ON_A_PAGE: Mapping[Action, str] = {
    "send back": (
        "It was decided to send it back. The page Lots has the return sheet to go with it; then enter that it"
        " was sent back."
    ),
}
# These stand until they are done; the others until something new is known of the reed.
UNTIL_DONE: frozenset[Action] = frozenset({"send back", "replace"})
_SAME_AS_DECIDED = frozenset({"to-send-back", "to-replace"})


@dataclass(frozen=True)
class ToDo:
    """What to do with one reed, and why: as advised, or as a person decided."""

    action: Step
    what: str
    why: str


@dataclass(frozen=True)
class Advised:
    """What the rules say of one reed: the rule's words filled in, its code, and what else is to be said.

    `decided` is what a person decided to do instead; None if nothing was, if the decision follows the advice,
    or if something new is known since. `to_do` is what to do, of the two.
    """

    action: Step
    rule: str
    what: str
    why: str
    remarks: tuple[Rule, ...]
    for_seller: str | None
    cautions: tuple[str, ...]
    decided: ToDo | None = None

    @property
    def to_do(self) -> ToDo:
        """What was decided, where that leads; else what is advised."""
        return self.decided or ToDo(self.action, self.what, self.why)

    @property
    def beside(self) -> str | None:
        """What is advised, where a decision leads; None where it is what to do, or no different."""
        if self.decided is None or self.decided.action == self.action:
            return None
        return f"The advice is “{self.action}”: {self.what} {self.why}"

    @property
    def said_too(self) -> tuple[Rule, ...]:
        """The remarks that do not say once more what was decided."""
        return tuple(one for one in self.remarks if not (self.decided and one.code in _SAME_AS_DECIDED))


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
    decided = _decided(history, known, rule)
    acts = (decided.action, rule.action) if decided else (rule.action,)
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
        # Beside what a person does against the advice stands why it was advised, too.
        cautions=tuple(dict.fromkeys(one for act in acts for one in CAUTIONS_FOR.get(act, ()))),
        decided=decided,
    )


def advise_all(histories: Sequence[History], habit: Habit, today: date) -> list[tuple[History, Advised]]:
    """Each reed with what to do with it; see `facts` for the parameters."""
    return [(history, advise(history, habit, today)) for history in histories]


def _decided(history: History, known: Facts, rule: Rule) -> ToDo | None:
    """What a person decided, where that is what to do."""
    decision = history.decision
    if decision is None or decision.action not in DECIDED:
        return None
    stands = decision.action in UNTIL_DONE or known.decided is not None
    follows = decision.action in FOLLOWED_BY.get(rule.action, frozenset())
    if not stands or (follows and decision.action not in UNTIL_DONE):
        return None
    return ToDo(cast("Step", decision.action), DECIDED[decision.action], decision.reason)


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
