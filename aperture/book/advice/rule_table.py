"""The table: from the facts about a reed to what to do with it, and why. To change the advice, change a row.

The first row of `RULES` whose conditions all hold is the advice; all of `REMARKS` that hold are added to it.
"""

from collections.abc import Mapping
from typing import Any

from aperture.book.advice.rule import (
    BAKER,
    COMMON,
    GUARD_BAND,
    KOWAL,
    OWN,
    Rule,
    Step,
    or_send_back,
    said,
)
from aperture.instrument import INSTRUMENT, Instrument
from aperture.verdict import ADVICE, BORDERLINE, CLOSED_ON_SOAKING, STANDING


def _fault(fact: str, action: Step, what: str, why: str, for_seller: str) -> tuple[Rule, Rule]:
    """The rules about a fault that was found by hand."""
    words = fact.replace("_", " ")
    return or_send_back(
        Rule(words.replace(" ", "-"), {fact: True}, action, what, why, COMMON, for_seller, words)
    )


UNUSABLE = "Do not use it. If it is new, ask whether it may go back."
USED_UP = "Replace it. If it is new, ask whether it may go back."
DO_NOT_BUY = "Do not buy such reeds. Whether this one is played, its player's teacher decides."
AGAIN = "soak it as usual ({usual}) and photograph it again"
ROUND_DRY = "The opening is round when dry: its ellipse ratio is above the limit that we use."
ROUND_SOAKED = (
    "The opening is too round when soaked, even after squeezing: its ellipse ratio is above the limit that we"
    " use."
)
TOO_OPEN_SOAKED = (
    "The opening is too round when soaked, too open to be squeezed: its ellipse ratio is far above the limit"
    " that we use."
)
SHUT_SOAKED = "It stays shut when soaked: its height is below the limit that we use."
WIDE = frozenset({"wide", "round"})
NOT_KEPT = frozenset({None, "squeeze", "send back", "replace", "sent back", "thrown away"})
# Soaked so, a photo says nothing against a reed that is shut; or nothing against one that is wide.
TOO_LITTLE = frozenset({"less", "other", "unknown"})
TOO_MUCH = frozenset({"more", "other"})


def wire_rules(instrument: Instrument) -> tuple[Rule, ...]:
    """A wire is a fault where the instrument's reeds have none."""
    if instrument.has_wires:
        return ()
    return _fault(
        "wire",
        "ask the teacher",
        DO_NOT_BUY,
        "On an oboe reed a wire covers for a poor seal. (Other double reeds do have wires.)",
        "There is a wire on it; we do not use oboe reeds with a wire.",
    )


BY_HAND = (
    *_fault(
        "crack", "do not use", UNUSABLE, "A cracked reed leaks, and the crack grows.", "The cane is cracked."
    ),
    *_fault(
        "leak",
        "do not use",
        UNUSABLE,
        "Air that escapes at the sides does not make the blades sound.",
        "It leaks: air escapes at the sides with the tube's end closed.",
    ),
    *_fault("chip", "replace", USED_UP, "The blades must meet along the whole tip.", "The tip is chipped."),
    *wire_rules(INSTRUMENT),
    *_fault(
        "film_wrap",
        "ask the teacher",
        DO_NOT_BUY,
        "On an oboe reed film covers for a poor seal.",
        "Film is wrapped round it; we do not use oboe reeds with film.",
    ),
)
TO_LOOK_AT = (
    Rule(
        "photo-refused",
        {"look": "refused"},
        "photograph again",
        "Photograph it again. {doubt}",
        "The latest photo could not be measured.",
        OWN,
    ),
    Rule(
        "which-reed",
        {"look": "which reed"},
        "look",
        "Check which reed the latest photo shows, and in which state, and say so.",
        "The picture and its name do not agree.",
        OWN,
    ),
    Rule("which-state", {"look": "which state"}, "look", **said(ADVICE["unknown", "any"])),
    Rule("borderline", {"look": "borderline"}, "look", **said(BORDERLINE), source=GUARD_BAND),
    Rule(
        "review",
        {"look": "review"},
        "look",
        "Look at the picture before you act, or take a better one. {doubt}",
        "Something in the photo makes its numbers doubtful.",
        OWN,
    ),
    Rule("closed-on-soaking", {"closed_on_soaking": True}, "look", **said(CLOSED_ON_SOAKING)),
)
DRY = (
    Rule(
        "no-photo",
        {"soaked": None, "dry": None},
        "photograph again",
        "Photograph it dry; then soak it and photograph it again.",
        "Nothing is known of its opening.",
        OWN,
    ),
    Rule("dry-shut", {"soaked": None, "dry": "shut"}, "soak", **said(ADVICE["dry", "shut"])),
    Rule(
        "dry-elliptical", {"soaked": None, "dry": "elliptical"}, "soak", **said(ADVICE["dry", "elliptical"])
    ),
    Rule(
        "dry-wide-return",
        {"soaked": None, "dry": "wide", "returnable": True, "decided": NOT_KEPT},
        "look",
        "Rather wide for a dry reed. It may go back until {return_by}: decide before you soak it.",
        ADVICE["dry", "wide"].why,
    ),
    Rule("dry-wide", {"soaked": None, "dry": "wide"}, "soak", **said(ADVICE["dry", "wide"])),
    Rule(
        "dry-round-return",
        {"soaked": None, "dry": "round", "returnable": True, "decided": NOT_KEPT},
        "send back",
        "Send it back: it may go back until {return_by}. Do not soak it.",
        ADVICE["dry", "round"].why,
        for_seller=ROUND_DRY,
        defect="round when dry",
    ),
    Rule(
        "dry-round-new",
        {"soaked": None, "dry": "round", "returnable": None, "is_old": False, "decided": NOT_KEPT},
        "send back",
        **said(ADVICE["dry", "round"]),
        for_seller=ROUND_DRY,
        defect="round when dry",
    ),
    Rule(
        "dry-round",
        {"soaked": None, "dry": "round"},
        "soak",
        f"If it stays here, {AGAIN}.",
        "Soaking makes it rounder, but while it is soaked it can perhaps be squeezed into shape.",
    ),
)
SOAKED_SHUT = (
    Rule(
        "squeezed-shut",
        {"soaked": "shut", "squeeze": "squeezed shut"},
        "dry and judge again",
        f"Let it dry, {AGAIN}; squeeze more lightly next time.",
        "The squeeze closed it; it opens again at the next soak.",
    ),
    Rule(
        "soaked-too-little",
        {"soaked": "shut", "soaking": TOO_LITTLE},
        "soak",
        "Soak it as usual ({usual}), note how long, and photograph it again.",
        "Soaked for a shorter time, or otherwise than usual, a reed can stay too closed.",
        KOWAL,
    ),
    *or_send_back(
        Rule(
            "soaked-shut",
            {"soaked": "shut"},
            "replace",
            **said(ADVICE["soaked", "shut"]),
            for_seller=SHUT_SOAKED,
            defect="shut when soaked",
        )
    ),
)
SOAKED_WIDE = (
    Rule(
        "over-soaked",
        {"soaked": WIDE, "soaking": TOO_MUCH},
        "dry and judge again",
        f"Let it dry, {AGAIN}.",
        "A longer soak, cold water, or the mouth opens a reed more: too long leaves it too open.",
        KOWAL,
    ),
    *or_send_back(
        Rule(
            "squeeze-failed",
            {"soaked": WIDE, "squeeze": "did not come down"},
            "replace",
            "Replace it, unless the teacher can bring it down. If it is new, ask whether it may go back.",
            "It is too open when soaked, and squeezing did not bring it down.",
            for_seller=ROUND_SOAKED,
            defect="too round when soaked",
        )
    ),
    # What a squeeze has brought down before, it brings down again.
    *or_send_back(
        Rule(
            "too-open",
            {"soaked": WIDE, "too_open": True, "squeeze_each_time": False},
            "replace",
            "Too open to be squeezed: replace it. If it is new, ask whether it may go back.",
            ADVICE["soaked", "too open"].why,
            for_seller=TOO_OPEN_SOAKED,
            defect="too open when soaked",
        ),
        "Too open to be squeezed: send it back while it can be, until {return_by}. Do not play it.",
    ),
    Rule(
        "squeeze-more",
        {"soaked": WIDE, "squeeze": "came down a little"},
        "squeeze",
        "Squeeze it once more just above the thread, while it is soaked, never dry; photograph it again.",
        "The squeeze brought it down, but not far enough.",
    ),
    Rule(
        "squeeze-again",
        {"soaked": WIDE, "squeeze_each_time": True},
        "squeeze",
        "Squeeze it again just above the thread, while it is soaked, never dry.",
        "It came down before, and opens again at each soak: the squeeze is repeated each time.",
    ),
    Rule("squeeze", {"soaked": WIDE}, "squeeze", **said(ADVICE["soaked", "wide"])),
)
SOAKED_ELLIPTICAL = (
    Rule(
        "kept",
        {"soaked": "elliptical", "decided": "keep"},
        "keep",
        "Keep it, as was decided.",
        "The opening is as it should be, and nothing was found against it since.",
    ),
    Rule(
        "air-noise",
        {"soaked": "elliptical", "air_noise": True},
        "ask the teacher",
        "Check it once more for leaks, and let the teacher hear it.",
        "Air before the tone comes from a leak, from a tip too open, or from the way the cane is scraped.",
    ),
    Rule(
        "response",
        {"soaked": "elliptical", "response": frozenset({"slow", "none"})},
        "ask the teacher",
        "Let the teacher play or adjust it.",
        "The opening is as it should be; a poor response then comes from the scrape or the cane.",
    ),
    Rule(
        "pitch",
        {"soaked": "elliptical", "pitch": frozenset({"flat", "sharp"})},
        "ask the teacher",
        "Let the teacher try it on the oboe that it is for.",
        "It is farther from the tuner than a player corrects with ease; oboe and player matter, too.",
    ),
    Rule(
        "check-unplayed",
        {"soaked": "elliptical", "hands_checked": False, "returnable": True},
        "check by hand",
        "Check it for leaks, wire, film wrap, chips and cracks, but do not play it yet: it may go back until"
        " {return_by}.",
        ADVICE["soaked", "elliptical"].why,
    ),
    Rule(
        "check",
        {"soaked": "elliptical", "hands_checked": False},
        "check by hand",
        "Go on to the checks by hand: leaks, wire, film wrap, chips, cracks; then response, air before the"
        " tone, and pitch against a tuner.",
        ADVICE["soaked", "elliptical"].why,
    ),
    Rule(
        "keep-unplayed",
        {"soaked": "elliptical", "played_checked": False, "returnable": True},
        "keep",
        "Keep it, if you want it: it may go back until {return_by}, but not once it has been played. Then"
        " check response, air before the tone, and pitch.",
        "Opening and checks are as they should be, as far as can be told without playing it.",
    ),
    Rule(
        "keep-to-play",
        {"soaked": "elliptical", "played_checked": False},
        "keep",
        "Keep it, and have it played in: note response, air before the tone, and pitch.",
        "Opening and checks are as they should be, as far as can be told without playing it.",
    ),
    Rule(
        "keep",
        {"soaked": "elliptical"},
        "keep",
        "Keep it.",
        "Opening and checks by hand are as they should be.",
    ),
)

RULES: tuple[Rule, ...] = (
    Rule("gone", {"gone": True}, "nothing", "Nothing.", "It has left the box.", OWN),
    # What hands found counts, whatever a photo shows; and nothing is decided on a photo in doubt.
    *BY_HAND,
    *TO_LOOK_AT,
    Rule(
        "worn",
        {"worn": True},
        "replace",
        "Replace it soon: have another one played in.",
        "It needs ever longer soaking until it opens; an old reed that needs minutes is worn.",
    ),
    Rule(
        "squeeze-unseen",
        {"squeeze": "waiting for a photo", "soaked": WIDE | {None}},
        "photograph again",
        "Photograph it while it is soaked. If it has dried since the squeeze, soak it, squeeze it again and"
        " photograph it at once.",
        "It was squeezed, and no photo shows yet whether it came down.",
    ),
    *DRY,
    *SOAKED_SHUT,
    *SOAKED_WIDE,
    *SOAKED_ELLIPTICAL,
)


def _remark(code: str, when: Mapping[str, Any], what: str, why: str, source: str = COMMON) -> Rule:
    return Rule(code, {**when, "gone": False}, "nothing", what, why, source)


REMARKS: tuple[Rule, ...] = (
    _remark(
        "soaked-otherwise",
        {"soaking": frozenset({"more", "less", "other"})},
        "Compare this soak only with one like it.",
        "It was longer or shorter, or in other water, or wetted elsewhere than usual ({usual}).",
    ),
    _remark(
        "soaking-unknown",
        {"soaking": "unknown"},
        "Note how it is soaked.",
        "How long, in what water and how it was wetted decides how far a reed opens.",
    ),
    _remark(
        "rather-closed",
        {"soaked": WIDE, "look": None},
        "When in doubt choose the more closed reed for a student.",
        "A little too closed is better for a student than a little too open.",
    ),
    _remark(
        "squeeze-each-time",
        {"squeeze_each_time": True, "soaked": frozenset({"elliptical"})},
        "Squeeze it each time it has been soaked, never dry.",
        "A reed that came down opens again at the next soak.",
    ),
    _remark(
        "needs-long",
        {"is_old": True, "soaked": "elliptical", "soaking": "more", "worn": False},
        "Note the shortest soak that opens it.",
        "An old reed that needs ever longer is worn.",
    ),
    _remark(
        "life",
        {"is_old": True, "soaked": "elliptical"},
        "Have the next reed ready.",
        "A reed lasts one or two weeks of daily use.",
        BAKER,
    ),
    _remark(
        "to-send-back",
        {"decided": "send back"},
        "Send it back, and enter that it was sent back.",
        "That was decided.",
        OWN,
    ),
    _remark(
        "to-replace",
        {"decided": "replace"},
        "Replace it, and enter that it was thrown away.",
        "That was decided.",
        OWN,
    ),
    _remark("standing", {}, STANDING.what, STANDING.why, OWN),
)
