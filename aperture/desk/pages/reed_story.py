"""What the page of one reed tells of its past: changes with their pictures, plots, and what was done when."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from aperture.book.advice.comparing import soak_change, soak_pair, squeeze_change, squeeze_pair
from aperture.book.advice.soak_habit import soak_times
from aperture.book.present.words import check_words, soaking_words
from aperture.book.store.records import Entry, History
from aperture.card.geometry import FACES, Face
from aperture.correction import MARK
from aperture.desk.pages.plots import Event, Plot, Point, plot
from aperture.desk.pages.tips import TipView, tip_view
from aperture.present.report import NAMES, UNITS, below_words, change_lines
from aperture.settings import Limits
from aperture.verdict import Change

NOT_THE_LATEST = (
    "These are not the latest photos, which are shown above: those are not both of one soak, or a squeeze"
    " lies between them."
)
NO_PAIR = (
    "That is not known: the dry and the soaked photo shown above are not of one soak, or a squeeze lies"
    " between them. Photograph it dry and soaked on one day."
)
NO_SQUEEZE_PAIR = "There are no two photos to compare, before and after it, of one soak and one bar."


@dataclass(frozen=True)
class Compared:
    """Two photos, earlier and later, and what changed between them.

    `lines` and `photos` (each its words and what is drawn) are empty where there are none; `note` is what is
    to be said beside them.
    """

    heading: str
    lines: tuple[str, ...] = ()
    photos: tuple[tuple[str, TipView | None], ...] = ()
    note: str | None = None


@dataclass(frozen=True)
class Happened:
    """Something that was done with a reed, in words."""

    when: datetime
    what: str
    words: str
    by: str | None


def changes(history: History) -> list[Compared]:
    """What soaking and each squeeze changed, and of which photos that is told."""
    found = [_soaking(history)]
    for squeeze in history.squeezes:
        heading = f"The squeeze of {squeeze.done_at:%Y-%m-%d %H:%M} changed"
        pair = squeeze_pair(history, squeeze)
        found.append(
            _compared(heading, pair, squeeze_change(history, squeeze))
            if pair is not None
            else Compared(heading, note=NO_SQUEEZE_PAIR)
        )
    return [one for one in found if one is not None]


def happened(history: History) -> list[Happened]:
    """Checks, squeezes and decisions, in the order in which they were."""
    found = [Happened(check.done_at, "Checked", check_words(check), check.by) for check in history.checks]
    found += [Happened(one.done_at, "Squeezed", "", one.by) for one in history.squeezes]
    for decision in history.decisions:
        against = f", against the advice “{decision.advised}”" if decision.override_reason else ""
        words = f"{decision.action}{against}. {decision.reason}"
        found.append(Happened(decision.decided_at, "Decided", words, decision.by))
    return sorted(found, key=lambda one: one.when)


def plots(history: History, limits: Limits, squeeze_below_ratio: float) -> list[Plot]:
    """Ratio and height over time, with the limits of the classes; and the soak that it needed.

    Parameters
    ----------
    limits, squeeze_below_ratio : as they are set now.
    """
    events = [Event(squeeze.done_at, "squeezed", "squeezed") for squeeze in history.squeezes]
    events += [Event(one.decided_at, "decided", f"decided, {one.action}") for one in history.decisions]
    found = []
    for name in ("ellipse_ratio", "height_mm"):
        points = [
            _point(entry, name, state)
            for state in FACES
            for entry in history.photos(state)
            if entry.reading.measured
        ]
        if len(points) > 1:
            lines = _limits_of(name, limits, squeeze_below_ratio, max(point.value for point in points))
            found.append(plot(_title(history, name), UNITS[name], points, lines, events))
    times = [
        Point(datetime.combine(day, datetime.min.time()), seconds, 0.0, "soaked")
        for day, seconds in soak_times(history)
    ]
    if len(times) > 1:
        found.append(plot("Soak it needed", "s", times))
    return found


def limit_words(name: str, limits: Limits) -> str:
    """Where the classes begin that a quantity decides; empty for one that decides none."""
    if name == "height_mm":
        return f"shut below {limits.shut_below_height_mm:g} mm"
    if name == "ellipse_ratio":
        return ", ".join(words for _, words in _ratio_limits(limits))
    return ""


def _soaking(history: History) -> Compared | None:
    """What soaking changed; or why that is not told, where both states were measured."""
    pair = soak_pair(history)
    latest = [history.latest(state) for state in FACES]
    if pair is None:
        both = all(entry is not None and entry.reading.measured for entry in latest)
        return Compared("Soaking changed", note=NO_PAIR) if both else None
    note = None if [*pair] == latest else NOT_THE_LATEST
    return _compared("Soaking changed", pair, soak_change(history), note)


def _compared(
    heading: str, pair: tuple[Entry, Entry], change: Change | None, note: str | None = None
) -> Compared:
    lines = change_lines(change) if change is not None else []
    return Compared(heading, tuple(lines), tuple((_words(one), tip_view(one.reading)) for one in pair), note)


def _words(entry: Entry) -> str:
    """Which photo it is: its state, when it was taken, and how the reed was soaked for it."""
    state, when = entry.filing.state or "state not known", f"{entry.photo.when:%Y-%m-%d %H:%M}"
    return ", ".join(filter(None, [state, when, soaking_words(entry.filing.soaking)]))


def _point(entry: Entry, name: str, state: Face) -> Point:
    """A measured photo in a plot; of a height that cannot be told the bar from 0 to below what it lies."""
    when, record = entry.photo.when, entry.reading.record
    below_mm = record.get("height_below_mm") if name == "height_mm" else None
    if below_mm is not None:
        return Point(when, below_mm / 2.0, below_mm / 2.0, state, below_words(below_mm, UNITS[name]))
    return Point(when, record[name], record["u"][name], state)


def _title(history: History, name: str) -> str:
    if name == "ellipse_ratio":
        return "Ratio (0 is a line, 1 a circle)"
    corrected = any(entry.reading.record.get("correction") for entry in history.entries)
    return f"{NAMES[name].capitalize()} {MARK if corrected else ''}".rstrip()


def _ratio_limits(limits: Limits) -> list[tuple[float, str]]:
    begins = {"wide": limits.wide_from_ratio, "round": limits.round_from_ratio}
    if begins["wide"] == begins["round"]:
        del begins["wide"]
    return [(value, f"{name} from {value:g}") for name, value in begins.items()]


def _limits_of(
    name: str, limits: Limits, squeeze_below_ratio: float, highest: float
) -> Sequence[tuple[float, str]]:
    """The lines of a plot. From where on nothing is squeezed matters only to a reed that is round."""
    if name == "height_mm":
        return [(limits.shut_below_height_mm, limit_words(name, limits))]
    lines = _ratio_limits(limits)
    if limits.round_from_ratio <= highest and limits.round_from_ratio < squeeze_below_ratio:
        lines.append((squeeze_below_ratio, f"too open to squeeze from {squeeze_below_ratio:g}"))
    return lines
