"""Which dates a photo or an entry can have."""

from datetime import datetime, timedelta

# Exif was published in 1995; an earlier year is the clock of a camera that was never set.
FIRST_YEAR = 1995
# When this was written. A computer whose clock is behind it has a wrong clock, and cannot judge dates.
_WRITTEN = datetime(2026, 11, 29)
_AHEAD = timedelta(days=1)


def is_sensible(moment: datetime) -> bool:
    """Whether something can have happened then: from 1995 to tomorrow, by the clock on the wall."""
    return moment.year >= FIRST_YEAR and moment.replace(tzinfo=None) <= latest()


def latest() -> datetime:
    """Tomorrow: the phone's clock may be in another time zone, or a little ahead."""
    return max(datetime.now(), _WRITTEN) + _AHEAD
