"""Which photos of a reed can be compared, and what soaking and squeezing changed between them.

The limit named here is a working value, not validated.
"""

from datetime import date

from aperture.book.store.records import Entry, History, Reading, Soaking, Squeeze
from aperture.correction import uncorrected
from aperture.verdict import Change, Result, change

# Soaks count as alike if the longer one took at most this many times as long: a stopwatch and a hand in the
# water do no better.
LIKE_FACTOR = 1.5


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


def soak_pair(history: History) -> tuple[Entry, Entry] | None:
    """The latest measured dry and soaked photos of like conditions: nothing but one soak came between them.

    That is, no squeeze, no other soak, and no playing: an old reed's photos must be of the same day; and both
    count the printed bar alike. None where there are no such photos. Photos of one day are of one soak, those
    of two days of two, as for squeezes.
    """
    for soaked in reversed(history.measured("soaked")):
        for dry in reversed(history.measured("dry")):
            alike = only_soaked(history, dry, soaked) and _same_bar(dry, soaked)
            if alike and not _soaked_between(history, dry, soaked):
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
    return change_between(*pair) if pair else None


def squeeze_pair(history: History, squeeze: Squeeze) -> tuple[Entry, Entry] | None:
    """The measured soaked photos before and after a squeeze, of the soak in which it was squeezed.

    None where one is missing, they were not soaked alike, or they count the printed bar as of another length.
    A photo of another day is of another soak, unless somebody named it.
    """
    before, after = around(history, squeeze)
    if before is None or after is None or not _same_bar(before, after):
        return None
    if not like(before.filing.soaking, after.filing.soaking):
        return None
    same_soak = before.photo.when.date() == squeeze.done_at.date()
    return (before, after) if same_soak or before.photo.id == squeeze.before_photo_id else None


def squeeze_change(history: History, squeeze: Squeeze) -> Change | None:
    """What a squeeze did to a reed: of `squeeze_pair`, the photo after it minus the one before it.

    None without a pair. What is correlated is the same as in `soak_change`.
    """
    pair = squeeze_pair(history, squeeze)
    return change_between(*pair) if pair else None


def change_between(before: Entry, after: Entry) -> Change:
    """The later of two measured photos minus the earlier one; see `soak_change`."""
    one, other = before.reading, after.reading
    shared = min(one.printed_scale_relative, other.printed_scale_relative)
    return change(_result(one), _result(other), shared, other.coverage_factor)


def around(history: History, squeeze: Squeeze) -> tuple[Entry | None, Entry | None]:
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


def only_soaked(history: History, dry: Entry, soaked: Entry) -> bool:
    """Whether neither a squeeze nor playing came between the two."""
    first, last = sorted((dry, soaked), key=lambda entry: entry.photo.when)
    same_day = first.photo.when.date() == last.photo.when.date()
    return not squeezed_between(history, first, last) and (same_day or not was_old(history, last))


def squeezed_between(history: History, first: Entry, last: Entry) -> bool:
    """Whether a squeeze came between the two."""
    return any(first.photo.when < squeeze.done_at <= last.photo.when for squeeze in history.squeezes)


def is_old_on(history: History, day: date) -> bool:
    """Whether the reed had been played in: a photo says so, or it was kept on an earlier day."""
    since = old_since(history)
    return since is not None and since <= day.toordinal()


def was_old(history: History, entry: Entry) -> bool:
    """Whether the reed had been played in when a photo was taken."""
    return is_old_on(history, entry.photo.when.date())


def old_since(history: History) -> int | None:
    """The first day on which it counts as played in, as `date.toordinal` counts days."""
    said = [entry.photo.when.toordinal() for entry in history.entries if entry.filing.soaking.age == "old"]
    kept = [one.decided_at.toordinal() + 1 for one in history.decisions if one.action == "keep"]
    return min([*said, *kept], default=None)


def _soaked_between(history: History, dry: Entry, soaked: Entry) -> bool:
    """Whether there was another soak between the two, on a day of its own."""
    first, last = sorted((dry, soaked), key=lambda entry: entry.photo.when)
    day = soaked.photo.when.date()
    return any(
        first.photo.when < other.photo.when < last.photo.when and other.photo.when.date() != day
        for other in history.photos("soaked")
    )


def _same_bar(one: Entry, other: Entry) -> bool:
    """Whether both photos count the printed 50 mm bar as equally long."""
    return one.reading.scale.ruler_mm == other.reading.scale.ruler_mm


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
