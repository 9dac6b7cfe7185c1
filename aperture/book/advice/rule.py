"""What a rule of advice is: its conditions, what to do and why, in whose words, from which source."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal, TypedDict

from aperture.book.advice.facts import Facts
from aperture.verdict import Advice

Step = Literal[
    "soak",  # soak it and photograph it
    "photograph again",  # a photo is missing, or was refused
    "look",  # a person looks at a photo and decides
    "check by hand",  # leak, wire, film wrap, chips, cracks; then what is heard
    "keep",  # it is usable as it is
    "squeeze",  # only while it is soaked
    "dry and judge again",  # the photo does not show it as it is usually soaked
    "send back",  # to the seller, while that is possible
    "replace",  # it is of no use, or not for long
    "do not use",  # whatever its opening
    "ask the teacher",  # who plays or adjusts it
    "nothing",  # it is gone; of a remark: nothing beside the advice
]

COMMON = "common practice, no published source"
KOWAL = "L. N. Kowal, Best Practices for Oboe, English Horn, and their Reeds, rev. 2/2023"
BAKER = "A. Baker, Selection and Care of Oboe Reeds (trade article)"
GUARD_BAND = "JCGM 106:2012, guard bands"
OWN = "a rule of this program"

SEND_BACK = "Send it back: it may go back until {return_by}. Do not play it."


@dataclass(frozen=True)
class Rule:
    """One row.

    `when`: fields of `Facts`, each with the value that it must have, or a frozenset of such values. `what`
    and `why` are for the user; {usual} in them stands for the usual way of soaking, {return_by} for the lot's
    date, {doubt} for what is said of the photo that counts. `for_seller` is the reason in neutral words for
    a return sheet, `defect` the same in a word or two for a table; None where the reed is not at fault.
    """

    code: str
    when: Mapping[str, Any]
    action: Step
    what: str
    why: str
    source: str = COMMON
    for_seller: str | None = None
    defect: str | None = None

    def applies(self, known: Facts) -> bool:
        """Whether all conditions hold."""
        for name, wanted in self.when.items():
            found = getattr(known, name)
            # As `values_of` has it, without making a set for each row of the table and each reed.
            if (found not in wanted) if isinstance(wanted, frozenset) else (found != wanted):
                return False
        return True


class Words(TypedDict):
    """The part of a rule that is for the user."""

    what: str
    why: str


def values_of(wanted: Any) -> frozenset[Any]:
    """The values that a condition of a rule allows."""
    return wanted if isinstance(wanted, frozenset) else frozenset({wanted})


def said(advice: Advice) -> Words:
    """The words of `aperture.verdict`, where the meaning is the same."""
    return {"what": advice.what, "why": advice.why}


def or_send_back(rule: Rule, what: str | None = None) -> tuple[Rule, Rule]:
    """Before the rule, the same for a reed that may still go back; `what` to do if not just `SEND_BACK`."""
    code, when = f"{rule.code}-return", {**rule.when, "returnable": True}
    return replace(rule, code=code, when=when, action="send back", what=what or SEND_BACK), rule
