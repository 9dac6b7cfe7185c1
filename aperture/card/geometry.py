"""The scale card itself: where everything printed on it stands, in millimetres, and its pictures.

This is the only place that knows the card's millimetres. The axes are the card's own: origin in the lower
left corner, x to the right, y up, every length as printed at 100 %. The sheet to print is drawn from the same
values in `aperture.card.artwork`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

from aperture.card.ink import PrintedEllipse, Rectangle, Text, picture
from aperture.errors import CardError

# A list of reeds must not wait for them, and asks for no more than how many reed numbers there are.
if TYPE_CHECKING:
    import cv2
    import numpy as np
    from numpy.typing import NDArray

Face = Literal["dry", "soaked"]
FACES: tuple[Face, ...] = get_args(Face)

MARKER_CELLS = 8  # AprilTag 36h11: 6 x 6 data cells inside a black border one cell wide


@dataclass(frozen=True)
class Ruler:
    """The bar that the user measures to find out what the printer did to the scale."""

    x_min_mm: float
    x_max_mm: float
    y_mm: float

    @property
    def length_mm(self) -> float:
        """From the first tick to the last."""
        return self.x_max_mm - self.x_min_mm


@dataclass(frozen=True)
class FaceMarkers:
    """The markers of one face: `side_mm` is the outer edge of the black border."""

    side_mm: float
    centres_mm: tuple[tuple[float, float], ...]
    first_id_dry: int
    first_id_soaked: int

    def first_id(self, face: Face) -> int:
        """The marker number at the first of `centres_mm`; the others count up from it."""
        return self.first_id_dry if face == "dry" else self.first_id_soaked


@dataclass(frozen=True)
class ReedTags:
    """The loose tags that name a reed: reed number n (1 to `count`) is marker `id_offset` + n.

    A tag has its own axes, origin in its lower left corner; `marker` is where its marker stands.
    """

    id_offset: int
    count: int
    width_mm: float
    height_mm: float
    marker: Rectangle
    number_baseline_mm: float
    number_capital_mm: float
    foot_mm: float  # below the tag, to fold back so that it stands

    @property
    def side_mm(self) -> float:
        """The outer edge of the marker's black border."""
        return self.marker.width_mm


@dataclass(frozen=True)
class Flaps:
    """Two flaps below the card's bottom edge, left and right of the notch: folded back, the card stands."""

    depth_mm: float
    taper_mm: float  # how far each side leans inwards on the way down


@dataclass(frozen=True)
class Card:
    """Everything on the card: see `CARD` for the values."""

    width_mm: float
    height_mm: float
    notch: Rectangle
    tip_mm: tuple[float, float]
    markers: FaceMarkers
    reed_tags: ReedTags
    control_ellipses: tuple[PrintedEllipse, ...]
    ruler: Ruler
    word_baseline_mm: float
    word_capital_mm: float
    flaps: Flaps


CARD = Card(
    # Format ID-1 of ISO/IEC 7810:2019, 5.1, so any bank card is a check of the outline.
    width_mm=85.60,
    height_mm=53.98,
    # Cut away from the bottom edge; the reed's tip lies in it, level with the card's face.
    notch=Rectangle(x_min_mm=37.30, x_max_mm=48.30, y_min_mm=0.0, y_max_mm=9.00),
    tip_mm=(42.80, 4.50),
    markers=FaceMarkers(
        side_mm=13.00,
        # Spread so that an error symmetric about each marker's centre (ink spread, a refinement that
        # shrinks) nearly cancels in a fit over all corners of all markers.
        centres_mm=((9.00, 9.00), (25.50, 9.00), (60.10, 9.00), (76.60, 9.00), (9.00, 45.00), (76.60, 45.00)),
        first_id_dry=0,
        first_id_soaked=6,
    ),
    reed_tags=ReedTags(
        id_offset=100,
        count=480,
        width_mm=14.00,
        height_mm=19.00,
        marker=Rectangle(x_min_mm=2.00, x_max_mm=12.00, y_min_mm=7.00, y_max_mm=17.00),
        number_baseline_mm=2.30,
        number_capital_mm=2.80,
        foot_mm=7.00,
    ),
    control_ellipses=(
        PrintedEllipse(x_mm=42.80, y_mm=16.00, width_mm=7.00, height_mm=1.00),
        PrintedEllipse(x_mm=42.80, y_mm=20.50, width_mm=7.00, height_mm=0.40),
        PrintedEllipse(x_mm=42.80, y_mm=25.50, width_mm=7.00, height_mm=2.00),
    ),
    ruler=Ruler(x_min_mm=17.80, x_max_mm=67.80, y_mm=32.00),
    word_baseline_mm=42.00,
    word_capital_mm=6.00,
    # Outside the ID-1 outline, which can be compared with a bank card before folding.
    flaps=Flaps(depth_mm=14.00, taper_mm=2.00),
)

# Below and above this the bar was not measured, or the sheet was not printed from this file: no office
# printer's "fit to page" shrinks or stretches by a tenth.
SHORTEST_RULER_MM = 45.0
LONGEST_RULER_MM = 55.0


def printed_scale(ruler_mm: float) -> float:
    """How many real millimetres one printed millimetre has.

    Parameters
    ----------
    ruler_mm : what the ruler bar of the print really measures, mm.

    Returns
    -------
    The factor that every length of the artwork is multiplied by; 1 for a perfect print.

    Raises
    ------
    CardError : "printed-scale-impossible" when the length is not from 45 to 55 mm.
    """
    if not SHORTEST_RULER_MM <= ruler_mm <= LONGEST_RULER_MM:  # also catches NaN
        raise CardError(
            "printed-scale-impossible",
            f"the {CARD.ruler.length_mm:.0f} mm bar is said to measure {ruler_mm:g} mm",
        )
    return ruler_mm / CARD.ruler.length_mm


def dictionary() -> cv2.aruco.Dictionary:
    """The family of all markers on the card and the reed tags: AprilTag 36h11, as OpenCV draws it."""
    import cv2

    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)


def face_marker_ids(face: Face) -> tuple[int, ...]:
    """The marker numbers of one face, in the order of `CARD.markers.centres_mm`."""
    first_id = CARD.markers.first_id(face)
    return tuple(range(first_id, first_id + len(CARD.markers.centres_mm)))


def face_of_marker(marker_id: int) -> Face | None:
    """The face that carries this marker; None when it is not one of the card's."""
    return next((face for face in FACES if marker_id in face_marker_ids(face)), None)


def reed_of_marker(marker_id: int) -> int | None:
    """The reed number that this marker stands for; None when it is not a reed tag."""
    number = marker_id - CARD.reed_tags.id_offset
    return number if 1 <= number <= CARD.reed_tags.count else None


def marker_of_reed(number: int) -> int:
    """The marker number on the tag of reed `number`; ValueError when there is no such tag."""
    if not 1 <= number <= CARD.reed_tags.count:
        raise ValueError(f"reed numbers run from 1 to {CARD.reed_tags.count}, not {number}")
    return CARD.reed_tags.id_offset + number


def square_corners_mm(centre_mm: tuple[float, float], side_mm: float) -> NDArray[np.float64]:
    """The corners of an upright square: top left, top right, bottom right, bottom left; (4, 2), mm, y up."""
    import numpy as np

    half_mm = side_mm / 2.0
    offsets_mm = np.array(
        [[-half_mm, half_mm], [half_mm, half_mm], [half_mm, -half_mm], [-half_mm, -half_mm]]
    )
    corners_mm: NDArray[np.float64] = np.asarray(centre_mm, dtype=np.float64) + offsets_mm
    return corners_mm


def marker_corners_mm(marker_id: int) -> NDArray[np.float64]:
    """Where the corners of one of the card's markers stand.

    Parameters
    ----------
    marker_id : a number of either face; both faces have their markers at the same places.

    Returns
    -------
    (4, 2) float64, card millimetres (x, y up), in the order in which OpenCV reports the corners of an
    upright generated marker: top left, top right, bottom right, bottom left.

    Raises
    ------
    ValueError : the marker is not on the card (a reed tag lies anywhere).
    """
    face = face_of_marker(marker_id)
    if face is None:
        raise ValueError(f"marker {marker_id} is not on the card")
    centre_mm = CARD.markers.centres_mm[marker_id - CARD.markers.first_id(face)]
    return square_corners_mm(centre_mm, CARD.markers.side_mm)


def marker_cells(marker_id: int) -> NDArray[np.bool_]:
    """The cells of a marker with its border: (8, 8) bool, True is black, row 0 on top."""
    import numpy as np

    cells: NDArray[np.bool_] = np.asarray(dictionary().generateImageMarker(marker_id, MARKER_CELLS)) == 0
    return cells


def marker_rectangles(marker_id: int, x_min_mm: float, y_min_mm: float, side_mm: float) -> list[Rectangle]:
    """The black parts of an upright marker, none over another: runs of black cells, row by row.

    Parameters
    ----------
    marker_id : number in the family.
    x_min_mm, y_min_mm : lower left corner of the black border, mm.
    side_mm : outer edge of the black border, mm.
    """
    import numpy as np

    cell_mm = side_mm / MARKER_CELLS
    rectangles = []
    for row, cells in enumerate(marker_cells(marker_id)):
        y_max_mm = y_min_mm + side_mm - row * cell_mm
        # A run begins where black follows white and ends where white follows black.
        steps = np.diff(np.concatenate(([False], cells, [False])).astype(np.int8))
        for first, end in zip(np.flatnonzero(steps == 1), np.flatnonzero(steps == -1), strict=True):
            rectangles.append(
                Rectangle(
                    x_min_mm=x_min_mm + float(first) * cell_mm,
                    x_max_mm=x_min_mm + float(end) * cell_mm,
                    y_min_mm=y_max_mm - cell_mm,
                    y_max_mm=y_max_mm,
                )
            )
    return rectangles


def ruler_rectangles() -> list[Rectangle]:
    """The ruler: a bar whose two ends are exactly its length apart, and a tick on it for every millimetre.

    The first and the last tick stand inside the bar's ends, the others have their middle on the millimetre.
    """
    ruler = CARD.ruler
    bar_half_mm, tick_half_mm = 0.40, 0.075
    bar_top_mm = ruler.y_mm + bar_half_mm
    rectangles = [Rectangle(ruler.x_min_mm, ruler.x_max_mm, ruler.y_mm - bar_half_mm, bar_top_mm)]
    length_mm = round(ruler.length_mm)
    for millimetre in range(length_mm + 1):
        x_mm = ruler.x_min_mm + millimetre
        x_mm = min(max(x_mm, ruler.x_min_mm + tick_half_mm), ruler.x_max_mm - tick_half_mm)
        tick_mm = 2.0 if millimetre % 10 == 0 else 1.5 if millimetre % 5 == 0 else 1.0
        rectangles.append(
            Rectangle(x_mm - tick_half_mm, x_mm + tick_half_mm, bar_top_mm, bar_top_mm + tick_mm)
        )
    return rectangles


def face_rectangles(face: Face) -> list[Rectangle]:
    """All rectangles of ink on one face, none over another: the markers' black cells and the ruler."""
    rectangles = ruler_rectangles()
    for marker_id in face_marker_ids(face):
        x_min_mm, y_min_mm = marker_corners_mm(marker_id)[3]
        rectangles += marker_rectangles(marker_id, float(x_min_mm), float(y_min_mm), CARD.markers.side_mm)
    return rectangles


def face_texts(face: Face) -> list[Text]:
    """The words on one face: the state of the reed, and the numbers at the ruler."""
    ruler = CARD.ruler
    texts = [Text(face.upper(), CARD.width_mm / 2, CARD.word_baseline_mm, CARD.word_capital_mm, bold=True)]
    for millimetre in range(0, round(ruler.length_mm) + 1, 10):
        texts.append(_ruler_text(str(millimetre), millimetre))
    texts.append(_ruler_text("mm", ruler.length_mm + 3.5))
    return texts


def _ruler_text(words: str, from_start_mm: float) -> Text:
    ruler = CARD.ruler
    return Text(words, ruler.x_min_mm + from_start_mm, ruler.y_mm + 3.0, 1.4, bold=False)


def reed_tag_rectangles(number: int) -> list[Rectangle]:
    """All rectangles of ink on the tag of reed `number`, in the tag's own millimetres."""
    marker = CARD.reed_tags.marker
    return marker_rectangles(marker_of_reed(number), marker.x_min_mm, marker.y_min_mm, marker.width_mm)


def reed_tag_text(number: int) -> Text:
    """The number for people on the tag of reed `number`, in the tag's own millimetres."""
    tags = CARD.reed_tags
    return Text(
        f"{number:03d}", tags.width_mm / 2, tags.number_baseline_mm, tags.number_capital_mm, bold=True
    )


def face_image(face: Face, px_per_mm: float) -> NDArray[np.uint8]:
    """One printed face as a picture, every pixel the exact mean over its square.

    Parameters
    ----------
    face : which face.
    px_per_mm : pixels in a millimetre, any positive number.

    Returns
    -------
    (rows, columns) uint8, row 0 at the top of the card, 0 for ink and 255 for paper, proportional to the
    part of the pixel's square that is paper (so linear light, not gamma-encoded). Pixel (0, 0) covers the
    square of 1 / px_per_mm in the card's upper left corner. A last row or column that reaches over the
    card's edge is paper there. The notch is paper too; `notch_mask` says where it is.
    """
    ink = picture(
        CARD.width_mm,
        CARD.height_mm,
        px_per_mm,
        face_rectangles(face),
        CARD.control_ellipses,
        face_texts(face),
    )
    return _paper(ink)


def notch_mask(px_per_mm: float) -> NDArray[np.float64]:
    """How much of each pixel of `face_image` is cut away: (rows, columns) float64 from 0 to 1."""
    return picture(CARD.width_mm, CARD.height_mm, px_per_mm, [CARD.notch])


def reed_tag_image(number: int, px_per_mm: float) -> NDArray[np.uint8]:
    """A whole reed tag as it is cut out (14 x 19 mm), drawn as `face_image` draws a face.

    Parameters
    ----------
    number : the reed's number, 1 to 480.
    px_per_mm : pixels in a millimetre, any positive number.

    Returns
    -------
    (rows, columns) uint8, as `face_image`; the marker stands at `CARD.reed_tags.marker`.

    Raises
    ------
    ValueError : there is no such reed number.
    """
    tags = CARD.reed_tags
    rectangles, text = reed_tag_rectangles(number), reed_tag_text(number)
    return _paper(picture(tags.width_mm, tags.height_mm, px_per_mm, rectangles, texts=[text]))


def _paper(ink: NDArray[np.float64]) -> NDArray[np.uint8]:
    import numpy as np

    return np.rint(255.0 * (1.0 - ink)).astype(np.uint8)
