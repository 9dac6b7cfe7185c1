"""The exception tree. Every error that a user can cause carries the code of an entry in `flags.py`."""


class ApertureError(Exception):
    """Something the user can do something about.

    Parameters
    ----------
    code : key of `aperture.flags.FLAGS`: what is wrong and what to do about it.
    detail : what was seen in this case ("found 1 of 6 markers"); may be empty.
    """

    def __init__(self, code: str, detail: str = "") -> None:
        super().__init__(f"{code}: {detail}" if detail else code)
        self.code = code
        self.detail = detail


class PhotoError(ApertureError):
    """The file is not a photo that can be read."""


class CardError(ApertureError):
    """The scale card cannot be used: there is no trustworthy millimetre."""


class OpeningError(ApertureError):
    """The opening of the reed cannot be outlined."""


class GaugeError(ApertureError):
    """What is in the notch is no gauge, or what was said of it cannot be."""


class SettingsError(ApertureError):
    """The settings, or an option of a command, cannot be used."""


class BookError(ApertureError):
    """The reed book cannot be read or written, or what was to be entered is not possible."""


class ModelError(ApertureError):
    """The networks of the first look cannot be used."""
