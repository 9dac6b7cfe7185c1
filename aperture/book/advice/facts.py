"""History -> Facts: what the book knows about one reed, in the few words that the table of rules reads.

The limits named here are working values, not validated.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

from aperture.book.advice.comparing import (
    around,
    change_between,
    is_old_on,
    like,
    only_soaked,
    was_old,
)
from aperture.book.advice.looking import Look, Seen, decided_since, latest_measured, look, seen
from aperture.book.advice.soak_habit import Compared, compared, soak_times
from aperture.book.advice.soak_trend import soak_trend
from aperture.book.store.records import (
    FAULTS,
    Action,
    Check,
    Entry,
    History,
    Response,
    Squeeze,
)
from aperture.settings import Soaking as Habit
from aperture.verdict import too_open

Squeezed = Literal[
    "waiting for a photo",
    "not photographed",
    "came down",
    "came down a little",
    "did not come down",
    "squeezed shut",
]
Pitch = Literal["flat", "in tune", "sharp"]

# Farther off than this is more than a player can correct with ease.
PITCH_LIMIT_CENTS = 20.0
# Questions of the check by hand: what a squeeze can break, and what is only heard when the reed is played.
SQUEEZE_BREAKS = ("leak", "crack")
HEARD = ("air_noise", "response", "pitch_cents")
SEEN_OR_FELT = tuple(name for name in FAULTS if name not in HEARD)


@dataclass(frozen=True)
class Facts:
    """What is known about one reed. None is not known, unless something else is said.

    Attributes
    ----------
    gone : it has left the box.
    decided : what a person decided, if no photo, check or squeeze came after that; else None.
    dry, soaked : what the latest measured photo in that state showed.
    too_open : the soaked photo showed it too open to be squeezed (`aperture.verdict.too_open`); False without
        such a photo.
    look : why a person must look first at `photo_that_counts`: "refused", it could not be measured; "which
        state", that is not known or contradicted; "which reed", a new reading contradicts how it was filed;
        "borderline"; "review", another flag. None: nothing, or a person confirmed it by correcting the
        outline, or by deciding after it was taken.
    soaking : how it was soaked for `soaked`, compared with the habit for its age: "usual"; "more" (longer,
        colder or in the mouth, all of which opens a reed more); "less"; "other" (some of both, or nobody says
        which opens it more); "unknown". None: there is no such photo.
    squeeze : what the latest squeeze did. "came down": the opening is no longer wide or round, by however
        little, because it is judged as it stands. "came down a little": it still is, but its ratio fell by
        more than the expanded uncertainty of the change. "squeezed shut", and not photographed since.
        "waiting for a photo". "not photographed" in that soak, only later. None: never squeezed.
    squeeze_each_time : squeezing has brought it down; it opens again at the next soak.
    is_old : it has been played in: a photo was filed so, or it was kept on an earlier day.
    returnable : the seller may still take it back: neither is the lot's date past nor is the reed old.
    closed_on_soaking : it was open dry and is shut soaked, which water does not do; nothing decided since.
    worn : it needs ever longer soaking.
    leak, wire, film_wrap, chip, crack, air_noise, response, pitch : from the latest check in which each was
        looked at.
    hands_checked : what can be checked without playing was: leak and crack since the latest squeeze.
    played_checked : so was what is heard: air noise, response, pitch.
    """

    gone: bool
    decided: Action | None
    dry: Seen | None
    soaked: Seen | None
    too_open: bool
    look: Look | None
    soaking: Compared | None
    squeeze: Squeezed | None
    squeeze_each_time: bool
    is_old: bool
    returnable: bool | None
    closed_on_soaking: bool
    worn: bool
    leak: bool | None
    wire: bool | None
    film_wrap: bool | None
    chip: bool | None
    crack: bool | None
    air_noise: bool | None
    response: Response | None
    pitch: Pitch | None
    hands_checked: bool
    played_checked: bool


def facts(history: History, habit: Habit, today: date) -> Facts:
    """What is known about a reed.

    Parameters
    ----------
    history : everything about it.
    habit : how its owner soaks and squeezes reeds.
    today : decides whether it may still go back, and whether it counts as played in.
    """
    dry, soaked = latest_measured(history, "dry"), latest_measured(history, "soaked")
    is_old = is_old_on(history, today)
    squeezed = [_outcome(history, squeeze) for squeeze in history.squeezes]
    answers, since_squeeze = _answers(history.checks), _answers(_since_squeeze(history))
    return Facts(
        gone=history.gone,
        decided=_decided(history),
        dry=seen(dry),
        soaked=seen(soaked),
        too_open=soaked is not None and _too_open(soaked, habit),
        look=look(history),
        soaking=compared(soaked.filing.soaking, habit, was_old(history, soaked)) if soaked else None,
        squeeze=squeezed[-1] if squeezed else None,
        squeeze_each_time="came down" in squeezed,
        is_old=is_old,
        returnable=_returnable(history, is_old, today),
        closed_on_soaking=_closed_on_soaking(history, dry, soaked),
        worn=soak_trend(soak_times(history)).worn,
        **{name: answers.get(name) for name in FAULTS},
        response=answers.get("response"),
        pitch=_pitch(answers.get("pitch_cents")),
        hands_checked=all(
            name in (since_squeeze if name in SQUEEZE_BREAKS else answers) for name in SEEN_OR_FELT
        ),
        played_checked=all(name in answers for name in HEARD),
    )


def _too_open(soaked: Entry, habit: Habit) -> bool:
    record = soaked.reading.record
    return too_open(record["ellipse_ratio"], record["u"]["ellipse_ratio"], habit.squeeze_below_ratio)


def _closed_on_soaking(history: History, dry: Entry | None, soaked: Entry | None) -> bool:
    if dry is None or soaked is None or dry.reading.seen == "shut" or soaked.reading.seen != "shut":
        return False
    return only_soaked(history, dry, soaked) and not decided_since(history, soaked)


def _returnable(history: History, is_old: bool, today: date) -> bool | None:
    if is_old:
        return False
    if history.lot is None or history.lot.return_by is None:
        return None
    return today <= history.lot.return_by


def _outcome(history: History, squeeze: Squeeze) -> Squeezed:
    before, after = around(history, squeeze)
    latest = latest_measured(history, "soaked")
    if after is None:
        later = latest is not None and latest.photo.when > squeeze.done_at
        return "not photographed" if later else "waiting for a photo"
    if after.reading.seen == "shut" and after is latest:
        return "squeezed shut"
    if after.reading.seen not in ("wide", "round"):
        return "came down"
    # Where none was taken in that soak, an earlier photo of a soak like it tells whether it fell at all.
    alike = before is not None and like(before.filing.soaking, after.filing.soaking)
    fell = before is not None and alike and change_between(before, after).ellipse_ratio.word == "flatter"
    return "came down a little" if fell else "did not come down"


def _answers(checks: Sequence[Check]) -> dict[str, Any]:
    """The latest answer to each question of the check by hand; none where it was never looked at."""
    return {
        name: found
        for check in checks
        for name in (*FAULTS, "response", "pitch_cents")
        if (found := getattr(check, name)) is not None
    }


def _since_squeeze(history: History) -> tuple[Check, ...]:
    if not history.squeezes:
        return history.checks
    return tuple(check for check in history.checks if check.done_at > history.squeezes[-1].done_at)


def _pitch(cents: float | None) -> Pitch | None:
    if cents is None:
        return None
    if abs(cents) <= PITCH_LIMIT_CENTS:
        return "in tune"
    return "sharp" if cents > 0.0 else "flat"


def _decided(history: History) -> Action | None:
    decision = history.decision
    if decision is None:
        return None
    moments = [entry.photo.when for entry in history.entries]
    moments += [check.done_at for check in history.checks]
    moments += [squeeze.done_at for squeeze in history.squeezes]
    return decision.action if all(moment <= decision.decided_at for moment in moments) else None
