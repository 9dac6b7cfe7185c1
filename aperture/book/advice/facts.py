"""History -> Facts: what the book knows about one reed, in the few words that the table of rules reads.

The limits named here are working values, not validated.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal, cast

from aperture.book.advice.soak_trend import soak_trend
from aperture.book.store.records import (
    FAULTS,
    Action,
    Check,
    Entry,
    History,
    Reading,
    Response,
    Soaking,
    Squeeze,
)
from aperture.card.geometry import Face
from aperture.correction import uncorrected
from aperture.flags import FLAGS, WHICH_REED, needs_review
from aperture.settings import Soaking as Habit
from aperture.verdict import Change, Result, change

Seen = Literal["shut", "elliptical", "wide", "round"]
Look = Literal["refused", "which reed", "which state", "borderline", "review"]
Compared = Literal["usual", "more", "less", "other", "unknown"]
Squeezed = Literal[
    "waiting for a photo",
    "not photographed",
    "came down",
    "came down a little",
    "did not come down",
    "squeezed shut",
]
Pitch = Literal["flat", "in tune", "sharp"]

# Soaks count as alike if the longer one took at most this many times as long: a stopwatch and a hand in the
# water do no better.
LIKE_FACTOR = 1.5
# Farther off than this is more than a player can correct with ease.
PITCH_LIMIT_CENTS = 20.0
# A dry photo with a smaller chance than this of showing a round opening is in no doubt that matters: whether
# it is shut or elliptical, the next step is to soak the reed.
NEGLIGIBLE = 0.01
# How far water opens a reed more than other water does; between room and warm nobody says which does.
_OPENS = {"warm": 0, "room": 0, "cold": 1}
_WETS = {"water": 0, "mouth": 1}

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
    habit : how its owner soaks reeds.
    today : decides whether it may still go back, and whether it counts as played in.
    """
    dry, soaked = _latest_measured(history, "dry"), _latest_measured(history, "soaked")
    is_old = is_old_on(history, today)
    squeezed = [_outcome(history, squeeze) for squeeze in history.squeezes]
    answers, since_squeeze = _answers(history.checks), _answers(_since_squeeze(history))
    return Facts(
        gone=history.gone,
        decided=_decided(history),
        dry=_seen(dry),
        soaked=_seen(soaked),
        look=_look(history),
        soaking=compared(soaked.filing.soaking, habit, _was_old(history, soaked)) if soaked else None,
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


def like(one: Soaking, other: Soaking) -> bool:
    """Whether two photos were soaked alike, so that what they show can be compared.

    Times up to `LIKE_FACTOR` apart count as alike. What was noted of one and not of the other is not known to
    be alike; what was noted of neither says nothing against it.
    """
    same = (one.water, one.wetted, one.age) == (other.water, other.wetted, other.age)
    if one.seconds is None or other.seconds is None:
        return same and one.seconds == other.seconds
    shorter, longer = sorted((one.seconds, other.seconds))
    return same and longer <= LIKE_FACTOR * shorter


def compared(soaking: Soaking, habit: Habit, is_old: bool) -> Compared:
    """How a soak compares with the habit for a reed of that age; see `Facts.soaking`."""
    usual_seconds = habit.old_seconds if is_old else habit.new_seconds
    found = {
        _compared_seconds(soaking.seconds, usual_seconds),
        _compared_opening(soaking.water, habit.water, _OPENS),
        _compared_opening(soaking.wetted, habit.wetted, _WETS),
    } - {"usual"}
    if not found:
        return "usual"
    return found.pop() if len(found) == 1 else "other"


def soak_pair(history: History) -> tuple[Entry, Entry] | None:
    """The latest measured dry and soaked photos of like conditions: nothing but soaking came between them.

    That is, no squeeze, and no playing: an old reed's photos must be of the same day; and both count the
    printed bar alike. None where there are no such photos.
    """
    for soaked in reversed(history.measured("soaked")):
        for dry in reversed(history.measured("dry")):
            if _only_soaked(history, dry, soaked) and _same_bar(dry, soaked):
                return dry, soaked
    return None


def soak_change(history: History) -> Change | None:
    """What soaking did to a reed: the soaked photo of `soak_pair` minus the dry one; None without a pair.

    Correlated between the two photos is only the millimetre of the printed card: how it was printed, and how
    its bar was read with a ruler. That part mostly cancels. All else (where the tip stood, how the reed
    leaned, how the camera was held, how the edge was seen) is new in each photo and adds up. One card is
    supposed; if there were two whose bars are equally long, the ± is slightly too small. Photos that count
    the bar as of another length are not compared: that difference would be the ruler's, not the reed's.

    Source: GUM 5.2.2, in `aperture.verdict.change`.
    """
    pair = soak_pair(history)
    return _change(*pair) if pair else None


def squeeze_change(history: History, squeeze: Squeeze) -> Change | None:
    """What a squeeze did to a reed: the soaked photo after it minus the one before it.

    None where one is missing, they were not soaked alike, or they count the printed bar as of another length.
    What is correlated is the same as in `soak_change`.
    """
    before, after = _around(history, squeeze)
    if before is None or after is None or not _same_bar(before, after):
        return None
    if not like(before.filing.soaking, after.filing.soaking):
        return None
    return _change(before, after)


def soak_times(history: History) -> tuple[tuple[date, float], ...]:
    """Days, and after how many seconds of soaking the reed was seen not to be shut; for `soak_trend`.

    Only soaks in the same water, and wetted in the same way, as the latest. Those of a new reed are left out:
    that it is soaked for less is a habit, not a need.
    """
    since = _old_since(history)
    if since is None:
        return ()
    opened = [
        (entry.photo.when.date(), entry.filing.soaking)
        for entry in history.measured("soaked")
        if entry.reading.record["shape"] != "shut" and since <= entry.photo.when.toordinal()
    ]
    return tuple(
        (day, soaking.seconds)
        for day, soaking in opened
        if soaking.seconds is not None
        and (soaking.water, soaking.wetted) == (opened[-1][1].water, opened[-1][1].wetted)
    )


def is_old_on(history: History, day: date) -> bool:
    """Whether the reed had been played in: a photo says so, or it was kept on an earlier day."""
    since = _old_since(history)
    return since is not None and since <= day.toordinal()


def photo_that_counts(history: History) -> Entry | None:
    """The photo on which the advice rests: the latest soaked one; while there is none, the latest dry one.

    A photo whose state nobody knows comes first, if it is the latest of all: it may be either. A refused
    photo is passed over if one of that day and state was measured before it, and no squeeze came between.
    """
    if history.entries and history.entries[-1].filing.state is None:
        return history.entries[-1]
    photos = history.photos("soaked") or history.photos("dry")
    if not photos or photos[-1].reading.measured:
        return photos[-1] if photos else None
    refused = photos[-1]
    others = [
        entry
        for entry in photos
        if entry.reading.measured
        and entry.photo.when.date() == refused.photo.when.date()
        and not _squeezed_between(history, entry, refused)
    ]
    return others[-1] if others else refused


# --- photos ------------------------------------------------------------------------------------------------


def _latest_measured(history: History, state: Face) -> Entry | None:
    photos = history.measured(state)
    return photos[-1] if photos else None


def _seen(entry: Entry | None) -> Seen | None:
    return cast("Seen", entry.reading.seen) if entry else None


def _look(history: History) -> Look | None:
    entry = photo_that_counts(history)
    if entry is None or _decided_since(history, entry):
        return None
    record = entry.reading.record
    if not entry.reading.measured:
        return "refused"
    if entry.filing.state is None:
        return "which state"
    if _contradicted_again(entry):
        return "which reed"
    if entry.reading.origin == "person":
        return None
    doubts = [
        code
        for code in record["flags"]
        if code in FLAGS and code not in WHICH_REED and not (code == "borderline" and _either_way(entry))
    ]
    if not needs_review(doubts):
        return None
    return "borderline" if not needs_review([code for code in doubts if code != "borderline"]) else "review"


def _contradicted_again(entry: Entry) -> bool:
    """Whether a later reading contradicts the reed or the state.

    What the first one contradicted was not filed until a person settled it.
    """
    first, last = (set(reading.record["flags"]) for reading in (entry.readings[0], entry.reading))
    return entry.filing.by is None and bool(WHICH_REED & (last - first))


def _either_way(entry: Entry) -> bool:
    """Whether it does not matter for what is done next on which side of the limit a dry reed lies."""
    chances = entry.reading.record["shape_probabilities"]
    return entry.filing.state == "dry" and chances is not None and chances["round"] < NEGLIGIBLE


def _only_soaked(history: History, dry: Entry, soaked: Entry) -> bool:
    first, last = sorted((dry, soaked), key=lambda entry: entry.photo.when)
    same_day = first.photo.when.date() == last.photo.when.date()
    return not _squeezed_between(history, first, last) and (same_day or not _was_old(history, last))


def _same_bar(one: Entry, other: Entry) -> bool:
    """Whether both photos count the printed 50 mm bar as equally long."""
    return one.reading.scale.ruler_mm == other.reading.scale.ruler_mm


def _closed_on_soaking(history: History, dry: Entry | None, soaked: Entry | None) -> bool:
    if dry is None or soaked is None or dry.reading.seen == "shut" or soaked.reading.seen != "shut":
        return False
    return _only_soaked(history, dry, soaked) and not _decided_since(history, soaked)


def _change(before: Entry, after: Entry) -> Change:
    one, other = before.reading, after.reading
    shared = min(one.printed_scale_relative, other.printed_scale_relative)
    return change(_result(one), _result(other), shared, other.coverage_factor)


def _result(reading: Reading) -> Result:
    record, u, k = reading.record, reading.record["u"], reading.coverage_factor
    below_mm = record.get("height_below_mm")
    if below_mm is not None:
        # Where no height can be told it lies between 0 and that: half of it, and two standard uncertainties
        # to both sides reach to both ends.
        height_mm, u_height_mm = below_mm / 2.0, below_mm / 4.0
    else:
        found = record["height_mm"], u["height_mm"] / k
        height_mm, u_height_mm = uncorrected(*found, record.get("correction"))
    return Result(
        height_mm=height_mm,
        u_height_mm=u_height_mm,
        area_mm2=record["area_mm2"],
        u_area_mm2=u["area_mm2"] / k,
        ellipse_ratio=record["ellipse_ratio"],
        u_ellipse_ratio=u["ellipse_ratio"] / k,
    )


# --- soaking and age ---------------------------------------------------------------------------------------


def _compared_seconds(seconds: float | None, usual: float) -> Compared:
    if seconds is None:
        return "unknown"
    if seconds > LIKE_FACTOR * usual:
        return "more"
    return "less" if usual > LIKE_FACTOR * seconds else "usual"


def _compared_opening(found: str | None, usual: str, opens: Mapping[str, int]) -> Compared:
    if found is None:
        return "unknown"
    if found == usual:
        return "usual"
    if opens[found] == opens[usual]:
        return "other"
    return "more" if opens[found] > opens[usual] else "less"


def _old_since(history: History) -> int | None:
    """The first day on which it counts as played in, as `date.toordinal` counts days."""
    said = [entry.photo.when.toordinal() for entry in history.entries if entry.filing.soaking.age == "old"]
    kept = [one.decided_at.toordinal() + 1 for one in history.decisions if one.action == "keep"]
    return min([*said, *kept], default=None)


def _was_old(history: History, entry: Entry) -> bool:
    return is_old_on(history, entry.photo.when.date())


def _returnable(history: History, is_old: bool, today: date) -> bool | None:
    if is_old:
        return False
    if history.lot is None or history.lot.return_by is None:
        return None
    return today <= history.lot.return_by


# --- squeezes ----------------------------------------------------------------------------------------------


def _around(history: History, squeeze: Squeeze) -> tuple[Entry | None, Entry | None]:
    """The measured soaked photos before a squeeze, and after it in the same soak.

    A reed opens again at the next soak, so a photo of another day tells nothing of the squeeze, unless
    somebody named it.
    """
    before, after = (
        entry if entry is not None and entry.reading.measured and entry.filing.state == "soaked" else None
        for entry in history.around(squeeze)
    )
    if after is not None and after.photo.id != squeeze.after_photo_id:
        after = after if after.photo.when.date() == squeeze.done_at.date() else None
    return before, after


def _outcome(history: History, squeeze: Squeeze) -> Squeezed:
    _, after = _around(history, squeeze)
    latest = _latest_measured(history, "soaked")
    if after is None:
        later = latest is not None and latest.photo.when > squeeze.done_at
        return "not photographed" if later else "waiting for a photo"
    if after.reading.seen == "shut" and after is latest:
        return "squeezed shut"
    if after.reading.seen not in ("wide", "round"):
        return "came down"
    what_changed = squeeze_change(history, squeeze)
    fell = what_changed is not None and what_changed.ellipse_ratio.word == "flatter"
    return "came down a little" if fell else "did not come down"


def _squeezed_between(history: History, first: Entry, last: Entry) -> bool:
    return any(first.photo.when < squeeze.done_at <= last.photo.when for squeeze in history.squeezes)


# --- checks and decisions ----------------------------------------------------------------------------------


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


def _decided_since(history: History, entry: Entry) -> bool:
    return any(decision.decided_at >= entry.photo.when for decision in history.decisions)
