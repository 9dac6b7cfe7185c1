"""The whole photo, scaled down, with what was found in it: the card, its notch, reed tags, the opening."""

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from aperture.book.photos.pictures import place_of
from aperture.book.store.book_file import pictures_folder
from aperture.book.store.records import Entry
from aperture.desk.pages.fields import photo_in_address
from aperture.desk.web import Desk, desk_of, desk_only, page
from aperture.errors import ApertureError, CardError, PhotoError
from aperture.flags import FLAGS
from aperture.settings import Settings

# With OpenCV they are imported where they are used: the other pages do not wait for it.
if TYPE_CHECKING:
    from aperture.photo import Photo
    from aperture.view.markers import Markers

Floats = NDArray[np.float64]

# Its longer side on the page: the number on a tag can be read where the tag's marker can, and it is a tenth
# of the original's bytes.
LONGER_SIDE_PX = 2000
WHOLE_PHOTO_QUALITY = 82
# Fewer markers do not tell where the card's far side is.
FEWEST_TO_PLACE = 2


@dataclass(frozen=True)
class Mark:
    """One thing that was found: "card", "notch", "marker", "tag" or "opening".

    `points` is the line round it, "x,y x,y …", in pixels of the whole photo; `words` say what it is.
    """

    kind: str
    points: str
    words: str


@dataclass(frozen=True)
class Whole:
    """A photo's size in pixels, and what was found in it; `missing` says what was not, in sentences."""

    width_px: int
    height_px: int
    marks: tuple[Mark, ...]
    missing: tuple[str, ...]


@desk_only
def photo_page(request: Request) -> Response:
    """The whole photo on a page of its own; the review takes the picture out of it."""
    desk = desk_of(request)
    with desk.open_book() as book:
        entry = photo_in_address(request, book)
        reed = book.reed_with_id(entry.filing.reed_id) if entry.filing.reed_id is not None else None
        settings = book.settings_of(entry.reading)
    whole = found_in(_photo(desk, entry), entry.reading.outline_mm, settings)
    return page(request, "review_photo.html", entry=entry, reed=reed, whole=whole)


@desk_only
def photo_picture(request: Request) -> Response:
    """The photo itself, upright, without private data, with nothing drawn on it."""
    desk = desk_of(request)
    with desk.open_book() as book:
        entry = photo_in_address(request, book)
    return Response(scaled_down(_photo(desk, entry)), media_type="image/jpeg")


routes = [
    Route("/review/{sha}/photo", photo_page),
    Route("/review/{sha}/photo.jpg", photo_picture),
]


def found_in(photo: "Photo", outline_mm: Sequence[Sequence[float]] | None, settings: Settings) -> Whole:
    """What was found in a photo.

    The card and its tags are drawn where their markers were read, so that they are seen of a refused photo,
    too. The opening is drawn through the camera that measured it.

    Parameters
    ----------
    photo : as `read_photo` returned it.
    outline_mm : of the opening, (n, 2) in card mm; None where there is none.
    settings : those that it was measured with.
    """
    from aperture.view.markers import find_markers

    rows, columns = photo.luma.shape
    try:
        markers = find_markers(photo.luma)
    except CardError as error:
        return Whole(columns, rows, (), (FLAGS[error.code].sentence,))
    card, tags = _card_marks(markers), _tag_marks(markers)
    opening = _opening_marks(photo, outline_mm, settings) if outline_mm else []
    missing = [
        *([] if tags else ["No tag could be read: look whether there is one, and for its number."]),
        *([] if opening else ["The opening was not outlined."]),
    ]
    return Whole(columns, rows, (*card, *tags, *opening), tuple(missing))


def scaled_down(photo: "Photo") -> bytes:
    """A photo as a JPEG file, its longer side at most `LONGER_SIDE_PX`."""
    import cv2
    from PIL import Image

    colour = photo.colour()
    rows, columns = colour.shape[:2]
    factor = min(1.0, LONGER_SIDE_PX / max(rows, columns))
    size = max(1, round(columns * factor)), max(1, round(rows * factor))
    small = np.asarray(cv2.resize(colour, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    buffer = BytesIO()
    Image.fromarray(small).save(buffer, "JPEG", quality=WHOLE_PHOTO_QUALITY)
    return buffer.getvalue()


def _photo(desk: Desk, entry: Entry) -> "Photo":
    """The photo as it is kept.

    Raises
    ------
    HTTPException : 404, it is not kept any more.
    """
    from aperture.photo import read_photo

    try:
        folder = pictures_folder(desk.book_path)
        return read_photo(place_of(folder, entry.photo.kept or ""))
    except (ValueError, PhotoError):
        raise HTTPException(404, "The photo itself is not kept any more.") from None


def _card_marks(markers: "Markers") -> list[Mark]:
    """Each marker that was read, and where the card and its notch are, if enough were."""
    import cv2

    from aperture.card import geometry
    from aperture.card.geometry import CARD
    from aperture.view.markers import ransac_inliers

    read = ransac_inliers(markers)
    face = geometry.face_of_marker(next(iter(markers.face_corners_px))) or "dry"
    count, most = len(markers.face_corners_px), len(CARD.markers.centres_mm)
    marks = [Mark("marker", _points(one), "") for one in markers.face_corners_px.values()]
    words = f"the card (face {face.upper()}, {count} of its {most} markers)"
    if len(read) < FEWEST_TO_PLACE:
        return [Mark("marker", marks[0].points, words), *marks[1:]]
    drawn = np.concatenate([geometry.marker_corners_mm(number) for number in read])
    homography, _ = cv2.findHomography(drawn, np.concatenate(list(read.values())))
    if homography is None:
        return marks
    notch = CARD.notch
    for kind, said, corners in (
        ("card", words, ((0, 0), (CARD.width_mm, CARD.height_mm))),
        ("notch", "the notch", ((notch.x_min_mm, notch.y_min_mm), (notch.x_max_mm, notch.y_max_mm))),
    ):
        marks.append(Mark(kind, _points(_seen(_rectangle(*corners), homography)), said))
    return marks


def _tag_marks(markers: "Markers") -> list[Mark]:
    """The whole of each tag whose marker was read."""
    import cv2

    from aperture.card.geometry import CARD

    tag = CARD.reed_tags
    low, high = (tag.marker.x_min_mm, tag.marker.y_min_mm), (tag.marker.x_max_mm, tag.marker.y_max_mm)
    marks = []
    for reed, corners_px in markers.tag_corners_px.items():
        homography, _ = cv2.findHomography(_rectangle(low, high), corners_px)
        if homography is None:
            continue
        whole = _seen(_rectangle((0.0, 0.0), (tag.width_mm, tag.height_mm)), homography)
        marks.append(Mark("tag", _points(whole), f"the tag of reed {reed}"))
    return marks


def _opening_marks(photo: "Photo", outline_mm: Sequence[Sequence[float]], settings: Settings) -> list[Mark]:
    from aperture.measure import one_thread
    from aperture.view.view import locate_card

    try:
        with one_thread():
            view = locate_card(photo, settings)
    except ApertureError:  # of a photo that was measured: by a version that saw more in it
        return []
    outline = view.to_pixel(np.asarray(outline_mm, dtype=np.float64))
    return [Mark("opening", _points(outline), "the outline of the opening")]


def _rectangle(low: tuple[float, float], high: tuple[float, float]) -> Floats:
    """Its corners as those of markers: top left, top right, bottom right, bottom left; (4, 2), y up."""
    return np.array([(low[0], high[1]), high, (high[0], low[1]), low], dtype=np.float64)


def _seen(points_mm: Floats, homography: NDArray[Any]) -> Floats:
    """Points (n, 2) of a plane as the photo shows them, px."""
    import cv2

    return np.asarray(cv2.perspectiveTransform(points_mm[None], homography)[0], dtype=np.float64)


def _points(points_px: Floats) -> str:
    """Of pixels whose centres are integers: in the drawing a pixel's upper left corner is."""
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in np.asarray(points_px) + 0.5)
