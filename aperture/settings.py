"""Validated settings and their file. Each field says what it means; the file's template is made from that."""

import difflib
import math
import textwrap
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from aperture.errors import SettingsError

Positive = Annotated[float, Field(gt=0.0)]
Ratio = Annotated[float, Field(gt=0.0, le=1.0)]
Angle = Annotated[float, Field(gt=0.0, lt=90.0)]

NOT_VALIDATED = (
    "They are working values from memory, NOT validated: no published range of oboe tip openings was found."
    " Set your own, and let the player's teacher have the last word."
)


def _require(in_order: bool, smaller: str, larger: str) -> None:
    if not in_order:
        raise ValueError(f"{smaller} must not be larger than {larger}")


class _Group(BaseModel):
    # Strict, so that "true" or "0.25" in quotes is a mistake and not a number.
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class Limits(_Group):
    """Limits between the classes of openings."""

    shut_below_height_mm: Positive = Field(
        default=0.15, description="mm. An opening lower than this is shut."
    )
    round_from_ratio: Ratio = Field(
        default=0.25, description="No unit. Not shut, and an ellipse ratio (minor/major) from here on: round."
    )
    wide_from_ratio: Ratio = Field(
        default=0.18,
        description="No unit. Neither shut nor round, and a ratio from here on: the remark `wide`.",
    )

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        _require(self.wide_from_ratio <= self.round_from_ratio, "wide_from_ratio", "round_from_ratio")
        return self


class PhotoLimits(_Group):
    """When a photo goes to review or is refused. Working values."""

    min_px_per_mm: Positive = Field(
        default=10.0, description="Pixels per mm. Fewer: refused as too far away."
    )
    tilt_review_deg: Angle = Field(
        default=15.0, description="Degrees between the camera's axis and the card's normal. More: to review."
    )
    tilt_refuse_deg: Angle = Field(default=25.0, description="Degrees, likewise. More: refused as too steep.")
    blur_review_mm: Positive = Field(
        default=0.075, description="mm on the card, standard deviation of the blur. More: to review."
    )
    blur_refuse_mm: Positive = Field(default=0.16, description="mm, likewise. More: refused as too blurred.")
    self_check_limit_mm: Positive = Field(
        default=0.05,
        description="mm. A printed ellipse whose width or height is off by more sends the photo to review.",
    )

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        _require(self.tilt_review_deg <= self.tilt_refuse_deg, "tilt_review_deg", "tilt_refuse_deg")
        _require(self.blur_review_mm <= self.blur_refuse_mm, "blur_review_mm", "blur_refuse_mm")
        return self


class Uncertainty(_Group):
    """What the uncertainty budget assumes where a photo cannot tell."""

    coverage_factor: Annotated[float, Field(ge=1.0, le=4.0)] = Field(
        default=2.0, description="No unit. Expanded uncertainty = this factor times the standard uncertainty."
    )
    tip_offset_unknown_mm: Annotated[float, Field(ge=0.0, le=10.0)] = Field(
        default=1.0,
        description="mm. Half-width: how far the tip may stand before or behind the card's face when nobody"
        " measured it (all values within equally likely).",
    )
    tip_offset_measured_mm: Annotated[float, Field(ge=0.0, le=10.0)] = Field(
        default=0.3, description="mm. Standard uncertainty of tip_offset_mm when it is given."
    )
    ruler_doubt_mm: Annotated[float, Field(ge=0.0, le=5.0)] = Field(
        default=0.25,
        description="mm. Half-width: how far the printed 50 mm bar may be from `ruler_mm`, read with a ruler"
        " (all values within equally likely).",
    )
    reed_lean_deg: Annotated[float, Field(ge=0.0, lt=45.0)] = Field(
        default=6.0,
        description="Degrees. Half-width: how far the reed may lean from the card's normal (all values within"
        " equally likely). A working value.",
    )


class Soaking(_Group):
    """Your own habit of soaking; a photo in the reed book counts as soaked so unless you say otherwise.

    Published advice differs, from 30 seconds to several minutes: keep to one way, and compare like with like.
    """

    new_seconds: Annotated[float, Field(gt=0.0, le=3600.0)] = Field(
        default=30.0, description="Seconds. How long a new reed lies in the water."
    )
    old_seconds: Annotated[float, Field(gt=0.0, le=3600.0)] = Field(
        default=120.0, description="Seconds. How long a reed does that has been played in."
    )
    water: Literal["cold", "room", "warm"] = Field(
        default="room", description='How warm the water is: "cold", "room" (room temperature) or "warm".'
    )
    wetted: Literal["water", "mouth"] = Field(
        default="water", description='Where: in a glass of "water" or in the "mouth".'
    )


class Settings(_Group):
    """Everything that can be set. Defaults are the values a missing file or a missing line stands for."""

    ruler_mm: Positive = Field(
        default=50.0, description="mm. What the printed 50 mm bar really measures; printers scale."
    )
    tip_offset_mm: Annotated[float, Field(ge=-20.0, le=20.0)] = Field(
        default=0.0,
        description="mm. How far the tip stands in front of the card's face, towards the camera (behind it:"
        " negative). Any value but 0 counts as measured.",
    )
    tip_offset_is_measured: bool = Field(
        default=False, description="true or false. Whether somebody measured that the offset is 0."
    )
    workers: Annotated[int, Field(ge=0, le=256)] = Field(
        default=0, description="How many photos are measured at the same time; 0: one for each processor."
    )
    limits: Limits = Limits()
    photo: PhotoLimits = PhotoLimits()
    uncertainty: Uncertainty = Uncertainty()
    soaking: Soaking = Soaking()

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
    try:
        values = tomllib.loads(path.read_bytes().decode("utf-8-sig"))  # Windows' Notepad may add a mark
    except OSError as error:
        raise SettingsError("settings-invalid", f"{path}: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise SettingsError("settings-invalid", f"{path} is not a text file in UTF-8") from error
    except tomllib.TOMLDecodeError as error:
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
    return _checked({**settings.model_dump(), **changes}, "")


def settings_template() -> str:
    """A settings file with every field at its default, its meaning and unit above it, as TOML text."""
    lines = ["# Settings of aperture. A line that is missing stands for the value shown here.", ""]
    for name, model in _MODELS.items():
        if name:
            about = (
                f"{model.__doc__} {NOT_VALIDATED}"
                if model is Limits
                else " ".join(f"{model.__doc__}".split())
            )
            lines += [*_comment(about), f"[{name}]", ""]
        for field, info in model.model_fields.items():
            if field not in _MODELS:
                lines += [*_comment(f"{info.description}"), f"{field} = {_toml(info.default)}", ""]
    return "\n".join(lines)


_MODELS: dict[str, type[BaseModel]] = {
    "": Settings,
    "limits": Limits,
    "photo": PhotoLimits,
    "uncertainty": Uncertainty,
    "soaking": Soaking,
}


def _comment(text: str) -> list[str]:
    return textwrap.wrap(text, 98, initial_indent="# ", subsequent_indent="# ")


def _toml(value: bool | float | str) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value).lower()


def _checked(values: Mapping[str, Any], where: str) -> Settings:
    try:
        return Settings.model_validate(values)
    except ValidationError as error:
        problems = "; ".join(_in_words(dict(problem)) for problem in error.errors())
        raise SettingsError("settings-invalid", where + problems) from error


def _in_words(problem: dict[str, Any]) -> str:
    """One of pydantic's problems as a sentence that names the field."""
    steps = [str(step) for step in problem["loc"]]
    name = ".".join(steps)
    if problem["type"] == "extra_forbidden":
        known = difflib.get_close_matches(steps[-1], _all_names(), n=1)
        return f"{name}: there is no such setting" + (f"; did you mean {known[0]}?" if known else "")
    if problem["type"] == "value_error":
        return f"{name}: {problem['ctx']['error']}"
    if problem["type"] == "model_type":
        return f"{name} must be a group of settings, [{name}], not {problem['input']!r}"
    expected = str(problem["msg"]).removeprefix("Input should be ")
    return f"{name} must be {expected}, not {problem['input']!r}"


def _all_names() -> list[str]:
    return [name for model in _MODELS.values() for name in model.model_fields]
