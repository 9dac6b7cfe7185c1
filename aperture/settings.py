"""Settings and their file. Each field says what it means; the file's template is made from that.

What comes from outside (a file, an option, the reed book) is checked by pydantic, which is imported only
then: a list of reeds with the usual settings does not wait for it.
"""

import difflib
import json
import math
import textwrap
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Literal

from aperture.dates import FIRST_YEAR
from aperture.errors import SettingsError
from aperture.instrument import INSTRUMENT

if TYPE_CHECKING:
    from pydantic import TypeAdapter

# Far above anything sensible, and far below where arithmetic ends.
LENGTH_MM = {"gt": 0.0, "le": 1000.0}
MOST_TIP_OFFSET_MM = 20.0
# A day.
SHORTEST_PHOTO_SECONDS, LONGEST_PHOTO_SECONDS = 1.0, 86400.0
RATIO = {"gt": 0.0, "le": 1.0}
ANGLE = {"gt": 0.0, "lt": 90.0}

NOT_VALIDATED = (
    "They are working values from memory, NOT validated: no published range of oboe tip openings was found."
    " Set your own, and let the player's teacher have the last word."
)


def _require(in_order: bool, smaller: str, larger: str) -> None:
    if not in_order:
        raise ValueError(f"{smaller} must not be larger than {larger}")


def _set(default: Any, description: str, **limits: float) -> Any:
    """A field with its default, its unit and meaning, limits (gt, ge, lt, le, max_length), named as by
    pydantic."""
    return field(default=default, metadata={"description": description, **limits})


class _Group:
    # Strict, so that "true" or "0.25" in quotes is a mistake and not a number.
    __pydantic_config__: ClassVar[Mapping[str, Any]] = {
        "extra": "forbid",
        "strict": True,
        "allow_inf_nan": False,
    }


@dataclass(frozen=True)
class Limits(_Group):
    """Limits between the classes of openings."""

    shut_below_height_mm: float = _set(
        INSTRUMENT.shut_below_height_mm, "mm. An opening lower than this is shut.", **LENGTH_MM
    )
    round_from_ratio: float = _set(
        INSTRUMENT.round_from_ratio,
        "No unit. Not shut, and an ellipse ratio (minor/major) from here on: round.",
        **RATIO,
    )
    wide_from_ratio: float = _set(
        INSTRUMENT.wide_from_ratio,
        "No unit. Neither shut nor round, and a ratio from here on: the remark `wide`.",
        **RATIO,
    )

    def __post_init__(self) -> None:
        _require(self.wide_from_ratio <= self.round_from_ratio, "wide_from_ratio", "round_from_ratio")


@dataclass(frozen=True)
class PhotoLimits(_Group):
    """When a photo goes to review or is refused. Working values."""

    min_px_per_mm: float = _set(10.0, "Pixels per mm. Fewer: refused as too far away.", gt=0.0, le=10000.0)
    tilt_review_deg: float = _set(
        15.0, "Degrees between the camera's axis and the card's normal. More: to review.", **ANGLE
    )
    tilt_refuse_deg: float = _set(25.0, "Degrees, likewise. More: refused as too steep.", **ANGLE)
    blur_review_mm: float = _set(
        0.075, "mm on the card, standard deviation of the blur. More: to review.", **LENGTH_MM
    )
    blur_refuse_mm: float = _set(0.16, "mm, likewise. More: refused as too blurred.", **LENGTH_MM)
    self_check_limit_mm: float = _set(
        0.05,
        "mm. A printed ellipse whose width or height is off by more sends the photo to review.",
        **LENGTH_MM,
    )

    def __post_init__(self) -> None:
        _require(self.tilt_review_deg <= self.tilt_refuse_deg, "tilt_review_deg", "tilt_refuse_deg")
        _require(self.blur_review_mm <= self.blur_refuse_mm, "blur_review_mm", "blur_refuse_mm")


@dataclass(frozen=True)
class Uncertainty(_Group):
    """What the uncertainty budget assumes where a photo cannot tell."""

    coverage_factor: float = _set(
        2.0, "No unit. Expanded uncertainty = this factor times the standard uncertainty.", ge=1.0, le=4.0
    )
    tip_offset_unknown_mm: float = _set(
        1.0,
        "mm. Half-width: how far the tip may stand before or behind the card's face when nobody"
        " measured it (all values within equally likely).",
        ge=0.0,
        le=10.0,
    )
    tip_offset_measured_mm: float = _set(
        0.3, "mm. Standard uncertainty of tip_offset_mm when it is given.", ge=0.0, le=10.0
    )
    ruler_doubt_mm: float = _set(
        0.25,
        "mm. Half-width: how far the printed 50 mm bar may be from `ruler_mm`, read with a ruler"
        " (all values within equally likely).",
        ge=0.0,
        le=5.0,
    )
    reed_lean_deg: float = _set(
        6.0,
        "Degrees. Half-width: how far the reed may lean from the card's normal (all values within"
        " equally likely). A working value.",
        ge=0.0,
        lt=45.0,
    )


@dataclass(frozen=True)
class Soaking(_Group):
    """Your own habit of soaking and squeezing. A photo in the reed book counts as soaked so unless you say
    otherwise.

    Published advice differs, from 30 seconds to several minutes: keep to one way, and compare like with like.
    """

    new_seconds: float = _set(30.0, "Seconds. How long a new reed lies in the water.", gt=0.0, le=3600.0)
    old_seconds: float = _set(
        120.0, "Seconds. How long a reed does that has been played in.", gt=0.0, le=3600.0
    )
    water: Literal["cold", "room", "warm"] = _set(
        "room", 'How warm the water is: "cold", "room" (room temperature) or "warm".'
    )
    wetted: Literal["water", "mouth"] = _set("water", 'Where: in a glass of "water" or in the "mouth".')
    squeeze_below_ratio: float = _set(
        0.35,
        "No unit. A soaked reed is squeezed only below this ellipse ratio; from here on, by more than its ±,"
        " it is too open for that: send back while it can be, else replace. Squeezing is for moderately open"
        " reeds (common practice, no published source). Why 0.35: if a squeeze takes a quarter off the"
        " height, 0.26 is left, still round. A working value from memory, NOT validated.",
        **RATIO,
    )


@dataclass(frozen=True)
class Correction(_Group):
    """A correction of the height. `aperture compare --write` sets it, and every result names it.

    To take it back, delete this section.
    """

    offset_mm: float = _set(0.0, "mm. Added to every height; 0: no correction.", ge=-1.0, le=1.0)
    u_offset_mm: float = _set(
        0.0, "mm. Standard uncertainty of offset_mm; it goes into the ± of the height.", ge=0.0, le=1.0
    )
    source: str = _set("", "In words, where the correction comes from.")

    @property
    def applies(self) -> bool:
        """Whether there is a correction."""
        return self.offset_mm != 0.0


NO_CORRECTION = Correction()


@dataclass(frozen=True)
class Settings(_Group):
    """Everything that can be set. Defaults are the values a missing file or a missing line stands for."""

    ruler_mm: float = _set(
        50.0, "mm. What the printed 50 mm bar really measures; printers scale.", **LENGTH_MM
    )
    card: str = _set(
        "", "The name of the printed card on which `ruler_mm` was measured, if it has one; results say it."
    )
    tip_offset_mm: float = _set(
        0.0,
        "mm. How far the tip stands in front of the card's face, towards the camera (behind it:"
        " negative). Any value but 0 counts as measured.",
        ge=-MOST_TIP_OFFSET_MM,
        le=MOST_TIP_OFFSET_MM,
    )
    tip_offset_is_measured: bool = _set(
        False, "true or false. Whether somebody measured that the offset is 0."
    )
    workers: int = _set(
        0, "How many photos are measured at the same time; 0: one for each processor.", ge=0, le=256
    )
    photo_seconds: float = _set(
        120.0,
        "Seconds. A photo that takes longer is given up, unless only one is measured at a time.",
        ge=SHORTEST_PHOTO_SECONDS,
        le=LONGEST_PHOTO_SECONDS,
    )
    currency: str = _set(
        "",
        "In which currency prices are, as it is to stand before them: EUR, kr or a sign such as £;"
        " empty: prices are numbers alone.",
        max_length=8,
    )
    first_year: int = _set(
        FIRST_YEAR,
        "A year. A photo that its camera dates before it, or after tomorrow, counts as one without a date;"
        " --at refuses such times.",
        ge=FIRST_YEAR,
        le=2100,
    )
    limits: Limits = Limits()
    photo: PhotoLimits = PhotoLimits()
    uncertainty: Uncertainty = Uncertainty()
    soaking: Soaking = Soaking()
    correction: Correction = NO_CORRECTION

    def knows_tip_offset(self) -> bool:
        """Whether somebody measured the tip offset."""
        return self.tip_offset_is_measured or self.tip_offset_mm != 0.0

    def tip_offset_uncertainty_mm(self) -> float:
        """Standard uncertainty of the tip offset, mm.

        Source: a uniform distribution of half-width a has the standard uncertainty a/sqrt(3) (GUM 4.3.7).
        """
        if self.knows_tip_offset():
            return self.uncertainty.tip_offset_measured_mm
        return self.uncertainty.tip_offset_unknown_mm / math.sqrt(3.0)


def settings_path() -> Path:
    """Where the user's settings file lies on this system, whether it exists or not."""
    from platformdirs import user_config_path

    return user_config_path("aperture", appauthor=False) / "settings.toml"


def load_settings(path: Path | None = None) -> Settings:
    """Read and check a settings file.

    Parameters
    ----------
    path : a TOML file; without it the user's own file, and the defaults where that does not exist.

    Raises
    ------
    SettingsError : the file given does not exist or is not TOML, or a value is unknown or impossible.
    """
    if path is None:
        path = settings_path()
        if not path.exists():
            return Settings()
    import tomllib

    try:
        values = tomllib.loads(path.read_bytes().decode("utf-8-sig"))  # Windows' Notepad may add a mark
    except OSError as error:
        raise SettingsError("settings-invalid", f"{path}: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise SettingsError("settings-invalid", f"{path} is not a text file in UTF-8") from error
    # Beside its own error: a number of thousands of digits, and brackets within brackets without end.
    except (ValueError, RecursionError) as error:
        raise SettingsError("settings-invalid", f"{path} is not valid TOML: {error}") from error
    return _checked(values, f"{path}: ")


def change_settings(settings: Settings, changes: Mapping[str, Any]) -> Settings:
    """The same settings with some top-level values replaced, checked again.

    Parameters
    ----------
    changes : name of a field -> new value, as an option of a command gives it.

    Raises
    ------
    SettingsError : a value is unknown or impossible.
    """
    return _checked({**asdict(settings), **changes}, "")


def settings_text(settings: Settings) -> str:
    """The settings as one line of JSON, which the reed book keeps; the currency, on which no result depends,
    is left empty."""
    return json.dumps({**asdict(settings), "currency": ""}, separators=(",", ":"))


def settings_from_text(text: str) -> Settings:
    """The settings that `settings_text` wrote.

    Raises
    ------
    SettingsError : a value is unknown or impossible.
    """
    values = json.loads(text)
    if isinstance(values, dict) and isinstance(seconds := values.get("photo_seconds"), float):
        # Books can be older than these limits, and no result depends on it.
        values["photo_seconds"] = min(max(seconds, SHORTEST_PHOTO_SECONDS), LONGEST_PHOTO_SECONDS)
    return _checked(values, "")


def settings_template() -> str:
    """A settings file with every field at its default, its meaning and unit above it, as TOML text."""
    lines = ["# Settings of aperture. A line that is missing stands for the value shown here.", ""]
    for name, model in _SECTIONS.items():
        if name:
            about = (
                f"{model.__doc__} {NOT_VALIDATED}"
                if model is Limits
                else " ".join(f"{model.__doc__}".split())
            )
            lines += [*_comment(about), f"[{name}]", ""]
        for each in fields(model):
            if each.name not in _SECTIONS:
                lines += [*_comment(each.metadata["description"]), f"{each.name} = {_toml(each.default)}", ""]
    return "\n".join(lines)


_SECTIONS: dict[str, type[Settings | Limits | PhotoLimits | Uncertainty | Soaking | Correction]] = {
    "": Settings,
    "limits": Limits,
    "photo": PhotoLimits,
    "uncertainty": Uncertainty,
    "soaking": Soaking,
    "correction": Correction,
}


def _comment(text: str) -> list[str]:
    return textwrap.wrap(text, 98, initial_indent="# ", subsequent_indent="# ")


def _toml(value: object) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value).lower()


@cache
def _checker() -> "TypeAdapter[Settings]":
    from pydantic import TypeAdapter

    return TypeAdapter(Settings)


def _checked(values: Mapping[str, Any], where: str) -> Settings:
    from pydantic import ValidationError

    try:
        # As JSON, because of Python's own values pydantic takes, when it is strict, no group that is a dict.
        # A date, which JSON does not have, becomes a text: no setting is one.
        return _checker().validate_json(json.dumps(values, default=str))
    except ValidationError as error:
        problems = "; ".join(_as_sentence(dict(problem)) for problem in error.errors())
        raise SettingsError("settings-invalid", where + problems) from error
    except (ValueError, RecursionError) as error:  # a number too long to be written out
        raise SettingsError("settings-invalid", f"{where}{error}") from error


def _as_sentence(problem: dict[str, Any]) -> str:
    """One of pydantic's problems as a sentence that names the field."""
    steps = [str(step) for step in problem["loc"]]
    name = ".".join(steps)
    if problem["type"] == "unexpected_keyword_argument":
        known = difflib.get_close_matches(steps[-1], _all_names(), n=1)
        return f"{name}: there is no such setting" + (f"; did you mean {known[0]}?" if known else "")
    if problem["type"] == "value_error":
        return f"{name}: {problem['ctx']['error']}"
    if problem["type"] == "dataclass_type":
        return f"{name} must be a group of settings, [{name}], not {problem['input']!r}"
    if problem["type"] == "string_too_long":
        return f"{name} must have at most {problem['ctx']['max_length']} characters, not {problem['input']!r}"
    expected = str(problem["msg"]).removeprefix("Input should be ")
    return f"{name} must be {expected}, not {problem['input']!r}"


def _all_names() -> list[str]:
    return [each.name for group in _SECTIONS.values() for each in fields(group)]
