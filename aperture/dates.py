"""Which dates a photo or an entry can have."""

from datetime import date, datetime, timedelta

# Exif was published in 1995; an earlier year is the clock of a camera that was never set.
FIRST_YEAR = 1995
# When this was written. A computer whose clock is behind it has a wrong clock, and cannot judge dates.
_WRITTEN = datetime(2026, 11, 29)
_AHEAD = timedelta(days=1)
# What is in the book already is left out only where no clock that is a little wrong explains it.
_FAR_AHEAD = timedelta(days=366)
# Nobody gives so long to send reeds back (common practice, no published source).
_LONGEST_RETURN_DAYS = 3660


def is_sensible(moment: datetime, first_year: int = FIRST_YEAR) -> bool:
    """Whether something can have happened then: from that year to tomorrow, by the clock on the wall."""
    return moment.year >= first_year and moment.replace(tzinfo=None) <= latest()


def sensible(moment: datetime | None, first_year: int = FIRST_YEAR) -> datetime | None:
    """The same moment; None if it cannot be."""
    return moment if moment is not None and is_sensible(moment, first_year) else None


def span_words(first_year: int = FIRST_YEAR) -> str:
    """Between which dates something can have happened, in words."""
    return f"between {first_year} and tomorrow"


def latest() -> datetime:
    """Tomorrow: the phone's clock may be in another time zone, or a little ahead."""
    return max(datetime.now(), _WRITTEN) + _AHEAD


def can_be_ordered_on(day: date) -> bool:
    """Whether something can have been ordered on that day."""
    return is_sensible(datetime.combine(day, datetime.min.time()))


def can_be_returned_by(day: date) -> bool:
    """Whether that day can be the last one to send something back: from 1995 to ten years from now."""
    return day.year >= FIRST_YEAR and day <= latest().date() + timedelta(days=_LONGEST_RETURN_DAYS)


def could_be_entered(moment: datetime, entered: datetime) -> bool:
    """Whether something that was entered then can have happened at that moment, both by a clock on the wall.

    Earlier versions entered any date. It goes by when it was entered and not by the clock of today, so that a
    book says the same tomorrow.
    """
    return moment.year >= FIRST_YEAR and moment <= max(entered, _WRITTEN) + _FAR_AHEAD
