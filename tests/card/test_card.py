"""The card's geometry and pictures, and the printed sheet read back with a PDF library."""

import itertools
import math
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pypdfium2.raw as pdfium
import pytest
from numpy.typing import NDArray
from PIL import Image
from scipy.integrate import quad
from skimage.measure import moments_central

from aperture.card import artwork, geometry
from aperture.card.geometry import CARD, FACES
from aperture.card.ink import PrintedEllipse, Rectangle, picture
from aperture.errors import CardError, SettingsError
from aperture.flags import FLAGS

PAPERS = ("a4", "letter")
DPI = 300
# ISO/IEC 7810:2019, 5.1, format ID-1 (as encyclopaedias repeat it; the standard itself was not read).
ID1_MM = (85.60, 53.98)


def raster(page: pypdfium2.PdfPage, dpi: float) -> NDArray[np.uint8]:
    """A page as gray pixels (rows, columns)."""
    return np.ascontiguousarray(page.render(scale=dpi / 72, grayscale=True).to_numpy())


class Sheet:
    """The rasterised first page; positions in millimetres from the page's lower left corner."""

    def __init__(self, paper: str) -> None:
        self.plan = artwork.page(paper)
        self.document = pypdfium2.PdfDocument(artwork.sheet_pdf(paper))
        self.page = self.document[0]
        self.size_mm = tuple(points * 25.4 / 72 for points in self.page.get_size())
        self.gray = raster(self.page, DPI)
        height, width = self.gray.shape
        # PDFium stretches the page to a whole number of pixels, each direction by itself.
        self.px_per_mm = np.array([width / self.size_mm[0], height / self.size_mm[1]])

    def to_mm(self, corner_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Positions (..., 2) that count from the corner of pixel (0, 0)."""
        mm = corner_px / self.px_per_mm
        return np.stack([mm[..., 0], self.size_mm[1] - mm[..., 1]], axis=-1)

    def cut(self, x_min: float, x_max: float, y_min: float, y_max: float) -> NDArray[np.float64]:
        """The ink, 0 to 1, in a rectangle of the page given in mm, to the nearest pixel."""
        columns = slice(*(round(x * self.px_per_mm[0]) for x in (x_min, x_max)))
        rows = slice(*(round((self.size_mm[1] - y) * self.px_per_mm[1]) for y in (y_max, y_min)))
        return 1.0 - self.gray[rows, columns] / 255.0

    def line_mm(self, x_min: float, x_max: float, y_min: float, y_max: float, axis: int) -> float:
        """The middle of the one thin line in a rectangle: its x (axis 0) or y (axis 1) on the page."""
        ink = self.cut(x_min, x_max, y_min, y_max).sum(axis=axis)
        assert ink.sum() > 0
        middle_px = (ink * (np.arange(len(ink)) + 0.5)).sum() / ink.sum()
        if axis == 0:
            return float((round(x_min * self.px_per_mm[0]) + middle_px) / self.px_per_mm[0])
        top_px = round((self.size_mm[1] - y_max) * self.px_per_mm[1])
        return float(self.size_mm[1] - (top_px + middle_px) / self.px_per_mm[1])


@pytest.fixture(scope="module", params=PAPERS)
def sheet(request: pytest.FixtureRequest) -> Sheet:
    return Sheet(request.param)


def detect(gray: NDArray[np.uint8]) -> dict[int, NDArray[np.float64]]:
    """Markers by number: corners (4, 2) px, counted from the corner of pixel (0, 0).

    OpenCV's AprilTag refinement is the one without a bias in size, but on level edges without noise it moves
    in steps of up to half a pixel; so the picture is turned by 7 degrees and blurred as a lens would, and the
    corners are turned back. It counts from pixel corners, not centres (a square drawn over [50, 250) comes
    back as 50 and 250); both measured on OpenCV 5.0.0.93.
    """
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_APRILTAG
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    height, width = gray.shape
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), 7.0, 1.0)
    room = 0.08 * (width + height)
    turn[:, 2] += room
    size = (round(width + 2 * room), round(height + 2 * room))
    turned = cv2.warpAffine(cv2.GaussianBlur(gray, (0, 0), 0.8), turn, size, borderValue=255)
    corners, ids, _ = cv2.aruco.ArucoDetector(family, parameters).detectMarkers(turned)
    assert ids is not None
    numbers = [int(i) for i in ids.ravel()]
    assert len(set(numbers)) == len(numbers)
    # warpAffine works on pixel centres, so half a pixel comes off before turning back and on again after.
    back = cv2.invertAffineTransform(turn)
    centres = [c.reshape(4, 2).astype(float) - 0.5 for c in corners]
    return {i: c @ back[:, :2].T + back[:, 2] + 0.5 for i, c in zip(numbers, centres, strict=True)}


# The geometry


def test_outline_is_format_id1() -> None:
    assert (CARD.width_mm, CARD.height_mm) == ID1_MM


def test_geometry_is_the_one_that_printed_cards_have() -> None:
    # Cards are printed once and used for years: a change here makes every card at large measure wrongly.
    assert CARD.notch == Rectangle(37.30, 48.30, 0.0, 9.00)
    assert CARD.tip_mm == (42.80, 4.50)
    assert CARD.markers.side_mm == 13.00
    assert CARD.markers.centres_mm == ((9, 9), (25.5, 9), (60.1, 9), (76.6, 9), (9, 45), (76.6, 45))
    assert (geometry.face_marker_ids("dry"), geometry.face_marker_ids("soaked")) == (
        (0, 1, 2, 3, 4, 5),
        (6, 7, 8, 9, 10, 11),
    )
    assert (CARD.reed_tags.side_mm, CARD.reed_tags.id_offset, CARD.reed_tags.count) == (10.0, 100, 480)
    assert [(e.x_mm, e.y_mm, e.width_mm, e.height_mm) for e in CARD.control_ellipses] == [
        (42.80, 16.00, 7.00, 1.00),
        (42.80, 20.50, 7.00, 0.40),
        (42.80, 25.50, 7.00, 2.00),
    ]
    assert (CARD.ruler.x_min_mm, CARD.ruler.x_max_mm, CARD.ruler.y_mm) == (17.80, 67.80, 32.00)


def test_ink_spread_cancels_over_the_markers() -> None:
    # Every corner moved outwards from its marker's centre by 0.1 mm on both axes. The least-squares scale of
    # all corners, sum(m . d) / sum(m . m) in closed form, changes by much less than a single marker's size,
    # which changes by 0.1 / 6.5 = 1.5 %.
    drawn = np.concatenate([geometry.marker_corners_mm(i) for i in geometry.face_marker_ids("dry")])
    centres = np.repeat(np.array(CARD.markers.centres_mm), 4, axis=0)
    moved = 0.1 * np.sign(drawn - centres)
    about_middle = drawn - drawn.mean(axis=0)
    scale_error = (about_middle * moved).sum() / (about_middle**2).sum()
    assert 0 < scale_error < 0.0015


def test_marker_family_is_36h11() -> None:
    # AprilTag 36h11: 36 data bits, any two codes differ in 11 or more, however turned (E. Olson, ICRA 2011,
    # for the family's construction; 587 codes is the published table's length, from memory).
    family = geometry.dictionary()
    assert family.bytesList.shape[0] == 587
    used = [i for face in FACES for i in geometry.face_marker_ids(face)]
    used += [geometry.marker_of_reed(n) for n in (1, 2, 240, 479, 480)]
    bits = np.array([geometry.marker_cells(i)[1:-1, 1:-1] for i in used])
    turned = [np.rot90(bits, turn, axes=(1, 2)).reshape(len(used), 36) for turn in range(4)]
    for a, b in itertools.combinations(range(len(used)), 2):
        assert min(int((turned[0][a] != t[b]).sum()) for t in turned) >= 11


def test_face_and_reed_of_a_marker() -> None:
    assert [geometry.face_of_marker(i) for i in (0, 5, 6, 11, 12, 101)] == [
        "dry",
        "dry",
        "soaked",
        "soaked",
        None,
        None,
    ]
    assert [geometry.reed_of_marker(i) for i in (0, 11, 100, 101, 580, 581)] == [
        None,
        None,
        None,
        1,
        480,
        None,
    ]
    assert geometry.reed_of_marker(geometry.marker_of_reed(37)) == 37
    for number in (0, 481):
        with pytest.raises(ValueError, match="1 to 480"):
            geometry.marker_of_reed(number)
    with pytest.raises(ValueError, match="not on the card"):
        geometry.marker_corners_mm(101)


def test_printed_scale() -> None:
    # 48.5 mm on a bar of 50 mm: 0.97, by division.
    assert geometry.printed_scale(48.5) == pytest.approx(0.97, rel=1e-12)
    assert geometry.printed_scale(50.0) == 1.0
    for impossible in (44.9, 55.1, 0.0, -50.0, math.nan, math.inf):
        with pytest.raises(CardError) as refused:
            geometry.printed_scale(impossible)
        assert refused.value.code == "printed-scale-impossible"
        assert refused.value.code in FLAGS


# The pictures


@pytest.mark.parametrize("face", FACES)
@pytest.mark.parametrize("px_per_mm", [14.0, 20.37])
def test_face_image_has_its_markers_where_the_card_has_them(face: geometry.Face, px_per_mm: float) -> None:
    # OpenCV finds what OpenCV's own generator would have drawn, corner for corner.
    border = 60
    padded = np.pad(geometry.face_image(face, px_per_mm), border, constant_values=255)
    found = detect(padded)
    assert set(found) == set(geometry.face_marker_ids(face))
    for marker_id, corners_px in found.items():
        mm = (corners_px - border) / px_per_mm
        mm[:, 1] = CARD.height_mm - mm[:, 1]
        np.testing.assert_allclose(mm, geometry.marker_corners_mm(marker_id), atol=0.01)


def test_reed_tag_marker_is_the_one_opencv_draws() -> None:
    # 8 px/mm makes a cell of 1.25 mm 10 px wide: identical pictures, no tolerance.
    tag = geometry.reed_tag_image(7, 8.0)
    marker = CARD.reed_tags.marker
    rows = slice(round((CARD.reed_tags.height_mm - marker.y_max_mm) * 8), None)
    cut = tag[rows, round(marker.x_min_mm * 8) :][:80, :80]
    assert np.array_equal(cut, cv2.aruco.generateImageMarker(geometry.dictionary(), 107, 80))
    assert set(detect(np.pad(tag, 20, constant_values=255))) == {107}


@pytest.mark.parametrize("ellipse", CARD.control_ellipses)
def test_control_ellipses_in_the_face_image(ellipse: PrintedEllipse) -> None:
    # Closed form: area pi/4 w h; full axes 4 sqrt(second central moment / area). Averaging over a pixel adds
    # 1/12 px^2 to a second moment. Moments by scikit-image.
    px_per_mm = 23.7
    ink = 1.0 - geometry.face_image("dry", px_per_mm) / 255.0
    x_px, y_px = ellipse.x_mm * px_per_mm, (CARD.height_mm - ellipse.y_mm) * px_per_mm
    left, top = round(x_px - 4.5 * px_per_mm), round(y_px - 1.9 * px_per_mm)
    window = ink[top : round(y_px + 1.9 * px_per_mm), left : round(x_px + 4.5 * px_per_mm)]
    area_px = window.sum()
    assert area_px / px_per_mm**2 == pytest.approx(
        math.pi / 4 * ellipse.width_mm * ellipse.height_mm, rel=2e-4
    )
    rows, columns = np.indices(window.shape)
    assert (columns * window).sum() / area_px + left + 0.5 == pytest.approx(x_px, abs=0.01)
    assert (rows * window).sum() / area_px + top + 0.5 == pytest.approx(y_px, abs=0.01)
    mu = moments_central(window, order=2)
    for moment, length_mm in ((mu[0, 2], ellipse.width_mm), (mu[2, 0], ellipse.height_mm)):
        axis_px = 4.0 * math.sqrt(moment / area_px - 1.0 / 12.0)
        assert axis_px / px_per_mm == pytest.approx(length_mm, abs=0.002)


def test_ellipse_coverage_of_a_pixel_is_exact() -> None:
    # Against numerical quadrature (scipy, QUADPACK) of the ellipse's chord within the pixel.
    ellipse = PrintedEllipse(x_mm=3.13, y_mm=1.71, width_mm=5.2, height_mm=1.1)
    px_per_mm, height_mm = 3.3, 4.0
    ink = picture(7.0, height_mm, px_per_mm, [], [ellipse])

    def chord_in(x_mm: float, low_mm: float, high_mm: float) -> float:
        inside = 1.0 - ((x_mm - ellipse.x_mm) / (ellipse.width_mm / 2)) ** 2
        half = ellipse.height_mm / 2 * math.sqrt(max(inside, 0.0))
        return max(0.0, min(high_mm, ellipse.y_mm + half) - max(low_mm, ellipse.y_mm - half))

    partly = np.argwhere((ink > 0.01) & (ink < 0.99))
    assert len(partly) > 20
    for row, column in partly:
        y_mm = height_mm - (row + 1) / px_per_mm
        limits = (column / px_per_mm, (column + 1) / px_per_mm)
        area, _ = quad(chord_in, *limits, args=(y_mm, y_mm + 1 / px_per_mm), limit=200)
        assert ink[row, column] == pytest.approx(area * px_per_mm**2, abs=1e-5)


def test_rectangle_coverage_is_exact() -> None:
    # By hand: 1 px is 1 mm; x from 0.25 to 2.5, y from 0.5 to 1.25 of 2, so rows from the top 0.75 to 1.5.
    ink = picture(3.0, 2.0, 1.0, [Rectangle(0.25, 2.5, 0.5, 1.25)])
    np.testing.assert_allclose(ink, np.outer([0.25, 0.5], [0.75, 1.0, 0.5]), atol=1e-12)


def test_the_notch_stays_paper() -> None:
    mask = geometry.notch_mask(10.0)
    assert mask.sum() / 100 == pytest.approx(11.0 * 9.0, rel=1e-9)
    for face in FACES:
        image = geometry.face_image(face, 10.0)
        assert image.shape == mask.shape == (540, 856)
        assert (image[mask > 0] == 255).all()


# The printed sheet


def test_page_size(sheet: Sheet) -> None:
    # ISO 216: A4 is 210 x 297 mm. US Letter is 8.5 x 11 inches (ANSI Y14.1 size A).
    expected = {297.0: (210.0, 297.0), 279.4: (215.9, 279.4)}[round(sheet.size_mm[1], 1)]
    assert sheet.size_mm == pytest.approx(expected, abs=0.01)


def test_viewers_are_asked_not_to_scale(sheet: Sheet) -> None:
    # ISO 32000-1, 12.2, ViewerPreferences: PrintScaling None. PDFium's reading of it: no scaling.
    assert not pdfium.FPDF_VIEWERREF_GetPrintScaling(sheet.document)


def test_markers_and_tags_are_found_where_they_belong(sheet: Sheet) -> None:
    found = detect(sheet.gray)
    drawn = {}
    for face in FACES:
        for marker_id in geometry.face_marker_ids(face):
            drawn[marker_id] = geometry.marker_corners_mm(marker_id) + sheet.plan.face_origin_mm(face)
    plan = sheet.plan
    for place in range(26):
        row, column = divmod(place, artwork.TAGS_IN_A_ROW)
        marker = CARD.reed_tags.marker
        middle = ((marker.x_min_mm + marker.x_max_mm) / 2, (marker.y_min_mm + marker.y_max_mm) / 2)
        origin = np.array(artwork._tag_origin_mm(plan.left_mm, plan.tags_top_mm, row, column))
        drawn[101 + place] = geometry.square_corners_mm(middle, 10.0) + origin
    # Exactly these: the drawing of the set-up must not add a marker to a photo of the sheet.
    assert set(found) == set(drawn)
    for marker_id, corners_px in found.items():
        np.testing.assert_allclose(sheet.to_mm(corners_px), drawn[marker_id], atol=0.02)


@pytest.mark.parametrize("face", FACES)
def test_outline_in_print_is_id1(sheet: Sheet, face: geometry.Face) -> None:
    x, y = sheet.plan.face_origin_mm(face)
    width, height = ID1_MM
    left = sheet.line_mm(x - 2, x + 2, y + 20, y + 30, axis=0)
    right = sheet.line_mm(x + width - 2, x + width + 2, y + 20, y + 30, axis=0)
    # The bottom edge is the dashed fold of the flaps, measured over many dashes.
    top = sheet.line_mm(x + 20, x + 35, y + height - 2, y + height + 2, axis=1)
    bottom = sheet.line_mm(x + 5, x + 35, y - 2, y + 2, axis=1)
    assert right - left == pytest.approx(width, abs=0.02)
    assert top - bottom == pytest.approx(height, abs=0.02)


@pytest.mark.parametrize("face", FACES)
def test_notch_in_print(sheet: Sheet, face: geometry.Face) -> None:
    x, y = sheet.plan.face_origin_mm(face)
    sides = [sheet.line_mm(x + at - 1.5, x + at + 1.5, y + 1, y + 8, axis=0) for at in (37.3, 48.3)]
    ceiling = sheet.line_mm(x + 39, x + 46, y + 8, y + 10, axis=1)
    assert sides[1] - sides[0] == pytest.approx(11.0, abs=0.02)
    assert ceiling - y == pytest.approx(9.0, abs=0.03)


@pytest.mark.parametrize("face", FACES)
def test_ruler_in_print_is_50_mm(sheet: Sheet, face: geometry.Face) -> None:
    # Ink in a strip through the bar, over the strip's height: its length, whatever the anti-aliasing.
    x, y = sheet.plan.face_origin_mm(face)
    strip = sheet.cut(x + 10, x + 75, y + 31.8, y + 32.2)
    assert strip.mean(axis=0).sum() / sheet.px_per_mm[0] == pytest.approx(50.0, abs=0.02)


@pytest.mark.parametrize("face", FACES)
@pytest.mark.parametrize("ellipse", CARD.control_ellipses)
def test_control_ellipses_in_print(sheet: Sheet, face: geometry.Face, ellipse: PrintedEllipse) -> None:
    # Closed form as above, moments by OpenCV. PDFium loses a little of the sharp ends: 0.02 mm of the
    # thinnest at 300 dpi, 0.006 mm at 1200 dpi; a pixel here is 0.085 mm.
    origin_x, origin_y = sheet.plan.face_origin_mm(face)
    x, y = origin_x + ellipse.x_mm, origin_y + ellipse.y_mm
    moments = cv2.moments(sheet.cut(x - 4.5, x + 4.5, y - 1.9, y + 1.9))
    area_mm2 = moments["m00"] / sheet.px_per_mm.prod()
    assert area_mm2 == pytest.approx(math.pi / 4 * ellipse.width_mm * ellipse.height_mm, rel=0.01)
    for key, px_per_mm, length_mm in (
        ("mu20", sheet.px_per_mm[0], ellipse.width_mm),
        ("mu02", sheet.px_per_mm[1], ellipse.height_mm),
    ):
        axis_px = 4.0 * math.sqrt(moments[key] / moments["m00"] - 1.0 / 12.0)
        assert axis_px / px_per_mm == pytest.approx(length_mm, abs=0.03)


def test_flaps_lie_outside_the_outline() -> None:
    # Areas by OpenCV against closed forms: above the fold, ID-1 less the notch; below it, two trapezoids.
    outline = np.array(artwork.card_outline_mm(), np.float32)
    assert (outline[:, 0].min(), outline[:, 0].max()) == pytest.approx((0.0, ID1_MM[0]))
    above = outline[outline[:, 1] >= 0]
    flaps = [outline[(outline[:, 1] <= 0) & side] for side in (outline[:, 0] < 42.8, outline[:, 0] > 42.8)]
    card_mm2, flap_mm2 = cv2.contourArea(above), [cv2.contourArea(flap) for flap in flaps]
    assert card_mm2 == pytest.approx(ID1_MM[0] * ID1_MM[1] - 11.0 * 9.0, rel=1e-5)
    depth, taper = CARD.flaps.depth_mm, CARD.flaps.taper_mm
    assert flap_mm2 == pytest.approx([depth * (37.3 - taper)] * 2, rel=1e-5)
    # All of the outline is used: nothing between the flaps, where the reed lies.
    assert cv2.contourArea(outline) == pytest.approx(card_mm2 + sum(flap_mm2), rel=1e-5)


def test_flaps_in_print(sheet: Sheet) -> None:
    for face in FACES:
        x, y = sheet.plan.face_origin_mm(face)
        for middle in (18.65, 66.95):
            lower = sheet.line_mm(x + middle - 10, x + middle + 10, y - 16, y - 11, axis=1)
            assert y - lower == pytest.approx(CARD.flaps.depth_mm, abs=0.03)
        # Where the reed will lie there is nothing to be in its way.
        assert sheet.cut(x + 38, x + 47.6, y - 15, y).max() == 0.0


def test_nothing_is_printed_outside_the_margin() -> None:
    for paper in PAPERS:
        document = pypdfium2.PdfDocument(artwork.sheet_pdf(paper, first_reed=1, reed_count=480))
        assert len(document) > 1
        for page in document:
            gray = raster(page, 100)
            border = math.floor((artwork.PAGE_MARGIN_MM - 0.2) / 25.4 * 100)
            inside = gray[border:-border, border:-border]
            assert inside.min() < 50
            assert int((gray < 255).sum()) == int((inside < 255).sum())


def test_blocks_keep_apart(sheet: Sheet) -> None:
    # Words grow when they are edited; a heading that something runs into shows it first.
    words = sheet.page.get_textpage()
    for heading in ("Setting up", "Check the print", "With care", "Reed tags"):
        first, _count = words.search(heading).get_next()
        left, _bottom, _right, top = (points * 25.4 / 72 for points in words.get_charbox(first))
        assert sheet.cut(left, left + 60.0, top + 0.3, top + 1.8).max() == 0.0, heading


def test_every_tag_that_is_asked_for_is_printed_once() -> None:
    document = pypdfium2.PdfDocument(artwork.sheet_pdf("letter", first_reed=441, reed_count=40))
    found: list[int] = []
    for page in list(document)[:-1]:  # the last one is for a gauge
        found += detect(raster(page, 200))
    numbers = sorted(n for i in found if (n := geometry.reed_of_marker(i)) is not None)
    assert numbers == list(range(441, 481))


def test_words_on_the_sheet(sheet: Sheet) -> None:
    # What a person must be told: how to set up, how to check the print, and the cautions.
    # The cautions are common practice, no published source, but for sharing (a school board's return plan,
    # 2020: reeds should never be shared).
    text = " ".join(sheet.page.get_textpage().get_text_range().split())
    for words in (
        "print at 100 % (“actual size”)",
        "any bank card",
        "50 mm",
        "--ruler 48.5",
        "through the notch",
        "level with the face of the card",
        "white paper behind it, 10 cm or more",
        "12–15 cm in front, square to the card",
        "No digital zoom",
        "Cut with scissors, away from the hand",
        "Hold the reed by the cork; never touch the tip",
        "Never wet with the mouth, and never play, a reed that may go back or belongs to somebody else",
        "Local rules, your school’s and your teacher’s, come first",
    ):
        assert words in text
    # Foreshortening by a lean: 1 - cos(10 degrees), closed form.
    assert f"a lean of 10° shortens the height by {100 * (1 - math.cos(math.radians(10))):.1f} %" in text


def test_wrong_options_are_refused_with_a_reason(tmp_path: Path) -> None:
    for options in (
        {"paper": "a3"},
        {"paper": "A4 "},
        {"first_reed": 0},
        {"first_reed": 481},
        {"first_reed": 470, "reed_count": 12},
        {"reed_count": 0},
    ):
        with pytest.raises(SettingsError) as refused:
            artwork.sheet_pdf(**options)
        assert refused.value.code == "settings-invalid"
        assert refused.value.code in FLAGS
        assert refused.value.detail
    for dpi in (0.0, 5000.0, math.nan):
        with pytest.raises(SettingsError, match="dpi"):
            artwork.sheet_png(dpi=dpi)
    assert list(tmp_path.iterdir()) == []


def test_files_are_written_and_do_not_change_by_themselves(tmp_path: Path) -> None:
    assert artwork.sheet_pdf("letter") == artwork.sheet_pdf("letter")
    path = tmp_path / "étalon à imprimer.png"
    path.write_bytes(artwork.sheet_png("letter", dpi=60))
    with Image.open(path) as image:
        # 8.5 x 11 inches at 60 dots an inch.
        assert image.format == "PNG"
        assert image.size == (510, 660)
        assert set(detect(np.asarray(image.convert("L").resize((2040, 2640))))) >= set(range(12))
