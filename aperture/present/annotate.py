"""Measurement -> a picture for a person: what was measured, or what was found and missing, at a glance."""

from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path

import numpy as np

from aperture.batch.pairs import Pair
from aperture.batch.photo_files import ANNOTATED, PAIRED
from aperture.errors import ApertureError
from aperture.files import write_whole
from aperture.measure import Measurement
from aperture.photo import Photo, read_photo
from aperture.present.canvas import BAD, GOOD, INK, LOOK, QUIET, Pixels, Sheet, Window, label, line
from aperture.present.drawing import (
    SMALL_PX,
    draw_markers,
    draw_opening,
    draw_scale_bar,
    flat_picture,
    notch_window,
)
from aperture.present.own_pictures import marked, may_be_written
from aperture.present.report import (
    change_words,
    class_words,
    identity_words,
    next_steps,
    printable,
    probability_words,
    quantity,
    remarks,
)
from aperture.view.view import View

WIDTH_PX, PAIR_WIDTH_PX, MARGIN_PX = 1400, 2000, 36
TITLE_PX, TEXT_PX = 50, 30
PLAIN_MARGIN_MM = 0.7
PAIR_WINDOW_MM = (9.0, 5.6)


def annotate(measurement: Measurement) -> bytes:
    """Draw one photo's result.

    Parameters
    ----------
    measurement : measured or refused; its photo is read again.

    Returns
    -------
    A JPEG file: the notch laid flat and enlarged with outline, ellipse and sizes; or, of a refused photo, the
    whole photo with what was found and what is missing, and what to do about it.
    """
    sheet = Sheet(WIDTH_PX, MARGIN_PX)
    photo = _read(measurement)
    _draw_title(sheet, measurement)
    if measurement.outcome == "refused":
        _draw_remarks(sheet, measurement)
        if photo is not None:
            sheet.space(8)
            _draw_whole_photo(sheet, measurement, photo)
    else:
        if photo is not None and measurement.view is not None:
            _draw_notch(sheet, measurement, photo, measurement.view)
        _draw_numbers(sheet, measurement)
        sheet.space(8)
        _draw_remarks(sheet, measurement)
    sheet.space(16)
    sheet.text(f"Photo: {_name(measurement)}", SMALL_PX, QUIET)
    return sheet.jpeg()


def annotate_pair(pair: Pair) -> bytes:
    """Draw a reed dry and soaked side by side at the same scale, and what soaking changed; a JPEG file."""
    sheet = Sheet(PAIR_WIDTH_PX, MARGIN_PX)
    sheet.text(f"Reed {pair.reed}: dry and soaked, at the same scale", TITLE_PX, bold=True)
    sheet.space(16)
    gap_px = MARGIN_PX
    width_px = (sheet.inner_width_px - gap_px) // 2
    columns = (MARGIN_PX, MARGIN_PX + width_px + gap_px)
    for x_px, measurement in zip(columns, (pair.dry, pair.soaked), strict=True):
        picture = _pair_picture(measurement, width_px)
        label(picture, (measurement.state or "").upper(), (28, 24), TEXT_PX, "la")
        sheet.picture(picture, x_px, advance=measurement is pair.soaked)
    sheet.space(16)
    top_px = sheet.y_px
    lowest_px = top_px
    for x_px, measurement in zip(columns, (pair.dry, pair.soaked), strict=True):
        sheet.y_px = top_px
        if measurement.verdict is not None:
            sheet.text(class_words(measurement.verdict), TITLE_PX - 8, INK, True, x_px, width_px)
        sizes = (f"{name} {quantity(measurement, field, unit)}" for name, field, unit in _QUANTITIES)
        sheet.text(", ".join(sizes), SMALL_PX, INK, False, x_px, width_px)
        if measurement.review:
            sheet.text("A person should look at this photo.", SMALL_PX, LOOK, True, x_px, width_px)
        lowest_px = max(lowest_px, sheet.y_px)
    sheet.y_px = lowest_px
    sheet.space(20)
    sheet.text("Soaking changed", TEXT_PX + 4, bold=True)
    for name, difference, unit in (
        ("height", pair.change.height_mm, "mm"),
        ("area", pair.change.area_mm2, "mm²"),
        ("ellipse ratio", pair.change.ellipse_ratio, ""),
    ):
        sheet.text(f"{name} {change_words(difference, unit)}", TEXT_PX)
    sheet.space(10)
    for step in next_steps(pair.soaked, pair.dry):
        sheet.text(step.what, TEXT_PX)
    sheet.space(12)
    sheet.text(f"{_LEGEND} Photos: {_name(pair.dry)}, {_name(pair.soaked)}", SMALL_PX, QUIET)
    return sheet.jpeg()


def write_annotations(
    measurements: Sequence[Measurement], folder: Path, pairs: Sequence[Pair] = (), replace: bool = False
) -> Iterator[Path]:
    """Write the picture of each photo, then of each pair; yields each file when it is written.

    Parameters
    ----------
    folder : is made if it does not exist. Pictures are called after their photos ("R07_dry_annotated.jpg"),
        pairs "reed-07_dry-soaked.jpg"; where that name is taken, with a number. Pictures of an earlier run
        are replaced; other files are not, and the photos never.
    replace : whether other files may be replaced, too, as long as they are no photos that are drawn.

    Raises
    ------
    OSError : a file cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    names = picture_names(measurements, pairs, folder, replace)
    drawings = [partial(annotate, measurement) for measurement in measurements]
    drawings += [partial(annotate_pair, pair) for pair in pairs]
    for name, draw in zip(names, drawings, strict=True):
        write_whole(folder / name, marked(draw()))
        yield folder / name


def picture_names(
    measurements: Sequence[Measurement],
    pairs: Sequence[Pair] = (),
    folder: Path | None = None,
    replace: bool = False,
) -> list[str]:
    """A file name for each photo's picture, then for each pair's.

    All are different, also where case does not count. None is that of a photo that is drawn, or, in `folder`,
    of a file that may not be replaced.
    """
    names: list[str] = []
    taken = {Path(measurement.photo).name.casefold() for measurement in measurements}
    stems = [f"{_short(Path(measurement.photo).stem)}{ANNOTATED}" for measurement in measurements]
    for stem in [*stems, *(f"reed-{pair.reed:02d}{PAIRED}" for pair in pairs)]:
        name, number = f"{stem}.jpg", 2
        while name.casefold() in taken or (folder and not may_be_written(folder / name, replace)):
            name, number = f"{stem}_{number}.jpg", number + 1
        taken.add(name.casefold())
        names.append(name)
    return names


def _short(stem: str) -> str:
    """The beginning of a name, with room for an ending: it can have 255 bytes on most systems."""
    while len(stem.encode("utf-8", "surrogateescape")) > 200:
        stem = stem[:-1]
    return stem


_QUANTITIES = (
    ("height", "height_mm", "mm"),
    ("width", "width_mm", "mm"),
    ("area", "area_mm2", "mm²"),
    ("ellipse ratio", "ellipse_ratio", ""),
)
_LEGEND = "Solid line: outline. Dashed line: ellipse with the same second moments."


def _name(measurement: Measurement) -> str:
    """The photo's name without its folders, which are nobody's business when the picture is passed on."""
    return printable(Path(measurement.photo).name)


def _read(measurement: Measurement) -> Photo | None:
    """The photo, or None where it cannot be read (any more)."""
    try:
        return read_photo(measurement.photo)
    except ApertureError:
        return None


def _draw_title(sheet: Sheet, measurement: Measurement) -> None:
    words, colour = ("measured", GOOD) if not measurement.review else ("please look", LOOK)
    if measurement.outcome == "refused":
        words, colour = "refused", BAD
    sheet.badge(words, TEXT_PX + 4, colour)
    title = identity_words(measurement)
    sheet.text(title[0].upper() + title[1:], TITLE_PX, bold=True, width_px=sheet.inner_width_px - 300)
    if measurement.verdict is not None:
        verdict = measurement.verdict
        words = f"{class_words(verdict)}; borderline: {probability_words(verdict)}"
        sheet.text(words if verdict.borderline else class_words(verdict), TITLE_PX - 10)
    sheet.space(14)


def _draw_notch(sheet: Sheet, measurement: Measurement, photo: Photo, view: View) -> None:
    """The notch with everything that was measured, and the opening once more without lines over its edge."""
    window = notch_window(view, sheet.inner_width_px)
    plain = flat_picture(photo, view, window)
    picture = plain.copy()
    draw_opening(picture, window, measurement)
    sheet.picture(picture)
    sheet.space(10)
    sheet.text(f"{_LEGEND} White arrows: height and width. Below, the same without lines.", SMALL_PX, QUIET)
    sheet.space(10)
    if measurement.outline is not None:
        rows_px = window.to_px(measurement.outline.points_mm)[:, 1]
        room_px = PLAIN_MARGIN_MM * window.px_per_mm
        top, bottom = max(0, round(rows_px.min() - room_px)), round(rows_px.max() + room_px)
        sheet.picture(plain[top:bottom])
    sheet.space(20)


def _draw_numbers(sheet: Sheet, measurement: Measurement) -> None:
    """The four quantities in two columns."""
    half_px = sheet.inner_width_px // 2
    for first in (0, 2):
        top_px = sheet.y_px
        for column, (name, field, unit) in enumerate(_QUANTITIES[first : first + 2]):
            sheet.y_px = top_px
            words = f"{name} {quantity(measurement, field, unit)}"
            sheet.text(words, TEXT_PX + 2, INK, False, sheet.margin_px + column * half_px, half_px)
    if measurement.u is not None and measurement.budget is not None:
        factor = measurement.u["height_mm"] / measurement.budget.standard()["height_mm"]
        sheet.text(f"±: expanded uncertainty, coverage factor {factor:.3g}", SMALL_PX, QUIET)


def _draw_remarks(sheet: Sheet, measurement: Measurement) -> None:
    refused = measurement.outcome == "refused"
    for place, remark in enumerate(remarks(measurement)):
        main = refused and place == 0
        sheet.text(remark.sentence, TEXT_PX + 6 if main else TEXT_PX, BAD if main else INK, bold=True)
        sheet.text(remark.advice, TEXT_PX)
        sheet.space(8)
    first = "Once you have looked: " if measurement.review else "Next: "
    for step in next_steps(measurement):
        sheet.text(first + step.what, TEXT_PX)


def _draw_whole_photo(sheet: Sheet, measurement: Measurement, photo: Photo) -> None:
    """The whole photo, markers that were found and that are missing, and the notch if the card was found."""
    import cv2

    colour = photo.colour()
    rows, columns = colour.shape[:2]
    # no larger than the sheet is wide, no taller than it is useful on a phone
    factor = min(sheet.inner_width_px / columns, 1.1 * sheet.inner_width_px / rows)
    size = (max(1, round(columns * factor)), max(1, round(rows * factor)))
    interpolation = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    picture = np.array(cv2.resize(colour, size, interpolation=interpolation), dtype=np.uint8)
    counts = draw_markers(picture, measurement, photo, factor)
    sheet.picture(picture, (sheet.width_px - size[0]) // 2)
    sheet.space(10)
    sheet.text(counts, SMALL_PX, QUIET)
    if measurement.view is not None:
        sheet.space(10)
        window = notch_window(measurement.view, 2 * sheet.inner_width_px // 3)
        flat = flat_picture(photo, measurement.view, window)
        words = "The notch, enlarged."
        if measurement.outline is not None:
            line(flat, window.to_px(measurement.outline.points_mm), BAD, 2, closed=True, dash_px=8)
            words = "The notch, enlarged. Dashed line: an outline that was found and rejected."
        draw_scale_bar(flat, window)
        sheet.text(words, SMALL_PX, QUIET)
        sheet.picture(flat, (sheet.width_px - flat.shape[1]) // 2)


def _pair_picture(measurement: Measurement, width_px: int) -> Pixels:
    """The opening of one of a pair, in a window of the same size in millimetres."""
    width_mm, height_mm = PAIR_WINDOW_MM
    px_per_mm = width_px / width_mm
    photo = _read(measurement)
    if photo is None or measurement.view is None or measurement.geometry is None:
        return np.full((round(height_mm * px_per_mm), width_px, 3), 235, np.uint8)
    x_mm, y_mm = measurement.geometry.centroid_mm
    window = Window(
        x_mm - width_mm / 2, y_mm - height_mm / 2, x_mm + width_mm / 2, y_mm + height_mm / 2, px_per_mm
    )
    picture = flat_picture(photo, measurement.view, window)
    draw_opening(picture, window, measurement, labels=False)
    return picture
