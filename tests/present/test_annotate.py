"""Pictures for a person: what is drawn lies where it was measured, and no photo is ever lost."""

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from aperture.batch.pairs import pairs
from aperture.card.geometry import CARD, face_image, marker_corners_mm
from aperture.photo import read_photo
from aperture.present.annotate import annotate, annotate_pair, picture_names, write_annotations
from aperture.present.canvas import (
    BAD,
    ELLIPSE,
    OUTLINE,
    PAPER,
    Window,
    arrows,
    label,
    line,
    load_font,
    places_in_photo,
    rectify,
    wrapped,
)
from aperture.present.drawing import draw_markers, draw_opening
from aperture.settings import Settings
from aperture.view.view import locate_card

PX_PER_MM, BORDER_PX = 12, 80


def pixel_of(points_mm):
    """Where the synthetic photo shows a place on the card; integers are pixel centres."""
    x, y = np.asarray(points_mm, dtype=float).T
    return np.column_stack([x, CARD.height_mm - y]) * PX_PER_MM + BORDER_PX - 0.5


def save_card(path, hidden=()):
    """A face of the card seen square on, on gray; the markers of the numbers in `hidden` painted over."""
    card = np.pad(face_image("dry", PX_PER_MM), BORDER_PX, constant_values=180)
    for marker_id in hidden:
        (left, top), (right, bottom) = pixel_of(marker_corners_mm(marker_id)[[0, 2]]).astype(int)
        card[top - 5 : bottom + 5, left - 5 : right + 5] = 255
    Image.fromarray(card).convert("RGB").save(path)
    return path


@pytest.fixture(scope="module")
def card_photo(tmp_path_factory):
    return read_photo(save_card(tmp_path_factory.mktemp("card") / "card.png"))


@pytest.fixture(scope="module")
def view(card_photo):
    return locate_card(card_photo, Settings())


def lens_mm(width_mm, height_mm):
    """Two parabolas: the ends of the outline reach beyond the ellipse of inertia."""
    x = np.linspace(-1.0, 1.0, 101)
    lower, upper = np.column_stack([x, x * x - 1.0]), np.column_stack([x, 1.0 - x * x])[-2:0:-1]
    return np.vstack([lower, upper]) * (width_mm / 2, height_mm / 2) + np.array(CARD.tip_mm)


def near(picture, colour, tolerance=60):
    """Which pixels have about this colour."""
    return np.abs(picture.astype(int) - colour).max(axis=-1) < tolerance


def opened(content):
    image = Image.open(io.BytesIO(content))
    assert image.format == "JPEG"
    return np.asarray(image.convert("RGB"))


@pytest.mark.parametrize("ellipse", CARD.control_ellipses, ids=lambda ellipse: f"{ellipse.height_mm}")
def test_a_printed_ellipse_is_laid_flat_at_its_place_and_size(card_photo, view, ellipse):
    """Closed form: an ellipse has the area pi/4 × width × height."""
    window = Window(ellipse.x_mm - 4, ellipse.y_mm - 1.5, ellipse.x_mm + 4, ellipse.y_mm + 1.5, 60.0)
    flat = rectify(card_photo.colour(), view, window)
    ink = 1.0 - flat[..., 0] / 255.0
    area_mm2 = ink.sum() / window.px_per_mm**2
    rows, columns = np.indices(ink.shape)
    centre_px = np.array([[(ink * columns).sum(), (ink * rows).sum()]]) / ink.sum()
    assert area_mm2 == pytest.approx(np.pi / 4 * ellipse.width_mm * ellipse.height_mm, rel=0.02)
    assert window.to_mm(centre_px)[0] == pytest.approx([ellipse.x_mm, ellipse.y_mm], abs=0.02)


@pytest.mark.parametrize("size_px", [(1000, 844), (205, 100), (16, 16)])
def test_places_between_knots_are_those_that_the_camera_computes(view, size_px):
    """Reference: each place computed by itself, for a card that leans and turns, and a strong lens."""
    camera = view.camera
    leaning = replace(
        camera,
        rotation_vector=camera.rotation_vector + np.array([0.35, 0.3, 0.1]),
        radial=-0.05,
    )
    slanted = replace(view, camera=leaning)
    columns, rows = size_px
    window = Window(36.4, -0.9, 49.2, -0.9 + 12.8 * rows / columns, columns / 12.8)
    assert window.size_px == size_px
    x, y = np.meshgrid(np.arange(columns), np.arange(rows))
    each_px = slanted.to_pixel(window.to_mm(np.column_stack([x.ravel(), y.ravel()])))
    assert np.ptp(each_px, axis=0).min() > 10.0
    places_px = places_in_photo(slanted, window)
    assert places_px.shape == (rows, columns, 2)
    assert np.abs(places_px - each_px.reshape(rows, columns, 2)).max() < 0.01


def test_beyond_the_photo_is_white(card_photo, view):
    flat = rectify(card_photo.colour(), view, Window(-40.0, 0.0, -20.0, 10.0, 10.0))
    assert flat.shape == (100, 200, 3)
    assert (flat == 255).all()


def test_a_window_turns_millimetres_into_pixels_and_back():
    window = Window(10.0, 20.0, 14.0, 23.0, 50.0)
    assert window.size_px == (200, 150)
    # The upper left corner of the upper left pixel is half a pixel before its centre.
    assert window.to_px([[10.0, 23.0]]) == pytest.approx(np.array([[-0.5, -0.5]]))
    points_mm = np.array([[11.3, 20.4], [13.9, 22.2]])
    assert window.to_mm(window.to_px(points_mm)) == pytest.approx(points_mm)


@pytest.mark.parametrize("row", [20.0, 20.25, 20.5, 20.75])
def test_a_line_lies_where_it_should_to_a_fraction_of_a_pixel(row):
    picture = np.zeros((40, 60, 3), np.uint8)
    line(picture, np.array([[-5.0, row], [65.0, row]]), (255, 255, 255), 2)
    profile = picture[:, 30, 0].astype(float)
    assert (profile * np.arange(40)).sum() / profile.sum() == pytest.approx(row, abs=0.15)


def test_a_dashed_line_has_as_many_gaps_as_dashes():
    picture = np.zeros((20, 400, 3), np.uint8)
    line(picture, np.array([[0.0, 10.0], [400.0, 10.0]]), (255, 255, 255), 1, dash_px=20)
    lit = picture[10, :, 0] > 128
    assert np.count_nonzero(np.diff(lit.astype(int)) == -1) == 10
    assert lit.mean() == pytest.approx(0.5, abs=0.05)


def test_an_arrow_without_length_is_drawn_without_complaint():
    picture = np.zeros((40, 40, 3), np.uint8)
    arrows(picture, np.array([20.0, 20.0]), np.array([20.0, 20.0]), both=True)
    assert picture.any()


@pytest.mark.parametrize("place", [(0.0, 0.0), (300.0, 100.0), (150.0, -50.0), (150.0, 500.0)])
def test_a_label_is_kept_inside_its_picture(place):
    inside, outside = (np.full((100, 300, 3), 128, np.uint8) for _ in range(2))
    label(inside, "height 0.8 mm", (150.0, 50.0), 20)
    label(outside, "height 0.8 mm", place, 20)
    lit = [np.count_nonzero(picture[..., 0] > 200) for picture in (inside, outside)]
    assert lit[1] == pytest.approx(lit[0], rel=0.2)


@pytest.mark.parametrize("words", ["", "a", "some words that need several lines", "x" * 300, "ä " * 90])
def test_wrapped_text_is_whole_and_not_too_wide(words):
    font = load_font(False, 20)
    lines = wrapped(words, font, 200.0)
    assert "".join(lines).replace(" ", "") == words.replace(" ", "")
    assert max(font.getlength(words_of_line) for words_of_line in lines) <= 200.0


def outline_and_ellipse(measured):
    """Both drawn on black, 50 px a mm."""
    window = Window(37.8, 0.5, 47.8, 8.5, 50.0)
    picture = np.zeros((400, 500, 3), np.uint8)
    draw_opening(picture, window, measured, labels=False)
    return window, near(picture, OUTLINE), near(picture, ELLIPSE)


def test_the_outline_is_drawn_where_it_was_measured(measured):
    photo = measured(points_mm=lens_mm(6.0, 2.0))
    window, outline, _ = outline_and_ellipse(photo)
    rows, columns = np.nonzero(outline)
    seen_mm = window.to_mm(np.column_stack([columns, rows]).astype(float))
    assert seen_mm.min(axis=0) == pytest.approx([42.8 - 3.0, 4.5 - 1.0], abs=0.04)
    assert seen_mm.max(axis=0) == pytest.approx([42.8 + 3.0, 4.5 + 1.0], abs=0.04)


def test_the_ellipse_of_inertia_of_a_rectangle(measured):
    """Closed form: sides a, b have second moments a²/12, b²/12; axes 4 sqrt(.) = 2/sqrt(3) a, 2/sqrt(3) b."""
    corners = np.array([[-2.0, -0.5], [2.0, -0.5], [2.0, 0.5], [-2.0, 0.5]]) + np.array(CARD.tip_mm)
    window, _, ellipse = outline_and_ellipse(measured(points_mm=corners))
    rows, columns = np.nonzero(ellipse)
    seen_mm = window.to_mm(np.column_stack([columns, rows]).astype(float))
    assert np.ptp(seen_mm, axis=0) == pytest.approx(np.array([4.0, 1.0]) * 2 / np.sqrt(3), abs=0.12)


def test_a_measured_photo(card_photo, view, measured):
    picture = opened(annotate(measured(card_photo.path, view=view, flags=("steep",))))
    assert picture.shape[1] == 1400
    assert near(picture, OUTLINE).sum() > 500
    assert near(picture, ELLIPSE).sum() > 300


def test_a_photo_that_is_gone_since_still_has_its_numbers(tmp_path, view, measured):
    picture = opened(annotate(measured(tmp_path / "gone.jpg", view=view)))
    assert not near(picture, OUTLINE).any()
    assert (~near(picture, PAPER)).sum() > 5000


def test_a_file_that_is_no_photo_has_words(tmp_path, refused):
    (tmp_path / "text.jpg").write_text("not a photo")
    picture = opened(annotate(refused(tmp_path / "text.jpg", "not-a-photo")))
    assert (~near(picture, PAPER)).sum() > 5000


def test_of_a_refused_photo_markers_found_and_missing_are_drawn_at_their_places(tmp_path, refused):
    hidden = (1, 4, 5)
    path = save_card(tmp_path / "few.png", hidden)
    photo = read_photo(path)
    picture = photo.colour().copy()
    words = draw_markers(picture, refused(path, "too-few-markers"), photo, 1.0)
    assert words.startswith("Markers: 3 read")
    assert "3 missing" in words
    for marker_id in range(6):
        corners = pixel_of(marker_corners_mm(marker_id))
        sides = np.vstack(
            [np.linspace(a, b, 50) for a, b in zip(corners, np.roll(corners, -1, 0), strict=True)]
        )
        columns, rows = np.rint(sides).astype(int).T
        on_the_sides = picture[rows, columns]
        found, missing = near(on_the_sides, OUTLINE).mean(), near(on_the_sides, ELLIPSE).mean()
        if marker_id in hidden:
            assert missing > 0.25  # of half the line, as it is dashed, some lies under the label
            assert found == 0.0
        else:
            assert found > 0.8
            assert missing == 0.0


def test_from_a_single_marker_no_other_is_guessed(tmp_path, refused):
    path = save_card(tmp_path / "one.png", hidden=(1, 2, 3, 4, 5))
    photo = read_photo(path)
    picture = photo.colour().copy()
    words = draw_markers(picture, refused(path, "too-few-markers"), photo, 1.0)
    assert words == "Markers: 1 read (solid line), 5 missing."
    assert not near(picture, ELLIPSE).any()


def test_a_photo_without_a_card(tmp_path, refused):
    Image.new("RGB", (400, 300), "gray").save(tmp_path / "wall.png")
    assert opened(annotate(refused(tmp_path / "wall.png"))).shape[1] == 1400


@pytest.mark.parametrize("size", [(200, 200), (200, 6000), (6000, 200)])
def test_refused_photos_of_any_shape_have_a_picture(tmp_path, refused, size):
    Image.new("RGB", size, "gray").save(tmp_path / "wall.png")
    assert opened(annotate(refused(tmp_path / "wall.png"))).shape[1] == 1400


def test_a_refused_photo_with_a_card_shows_the_notch(card_photo, view, refused):
    with_notch = opened(annotate(refused(card_photo.path, "no-reed", view=view)))
    without = opened(annotate(refused(card_photo.path, "no-reed")))
    assert with_notch.shape[0] > without.shape[0] + 500


def test_an_outline_that_was_rejected_is_shown_as_such(card_photo, view, refused, measured):
    photo = refused(card_photo.path, "glare", view=view)
    plain = opened(annotate(photo))
    with_outline = opened(annotate(replace(photo, outline=measured(points_mm=lens_mm(7.0, 2.0)).outline)))
    assert near(with_outline, BAD).sum() > near(plain, BAD).sum() + 300


def test_a_pair_is_drawn_at_one_scale(card_photo, view, measured):
    dry = measured(card_photo.path, state="dry", points_mm=lens_mm(7.0, 1.0), view=view)
    soaked = measured(card_photo.path, state="soaked", points_mm=lens_mm(3.5, 1.0), view=view)
    picture = opened(annotate_pair(pairs([dry, soaked])[0]))
    outline = near(picture, OUTLINE)
    half = picture.shape[1] // 2
    widths_px = [np.ptp(np.nonzero(side.any(axis=0))[0]) for side in (outline[:, :half], outline[:, half:])]
    assert widths_px[0] / widths_px[1] == pytest.approx(7.0 / 3.5, rel=0.01)


def test_a_pair_whose_photos_are_gone(tmp_path, view, measured):
    dry = measured(tmp_path / "d.jpg", state="dry", view=view)
    soaked = measured(tmp_path / "s.jpg", state="soaked", view=view, flags=("steep",))
    assert opened(annotate_pair(pairs([dry, soaked])[0])).shape[1] == 2000


def test_pictures_are_called_after_their_photos_and_all_differently(refused):
    photos = ["a/R07_dry.jpg", "b/R07_dry.jpg", "b/r07_DRY.heic", "x.jpg", "c/Ä.png"]
    names = picture_names([refused(photo) for photo in photos])
    assert names == [
        "R07_dry_annotated.jpg",
        "R07_dry_annotated_2.jpg",
        "r07_DRY_annotated_3.jpg",
        "x_annotated.jpg",
        "Ä_annotated.jpg",
    ]


def test_a_name_as_long_as_names_can_be(refused):
    (name,) = picture_names([refused("ä" * 120 + ".jpg")])
    assert len(name.encode()) <= 255


def test_a_photo_is_never_replaced(tmp_path, card_photo, refused, measured, view):
    names = ["R07_dry.png", "R07_dry_annotated.jpg", "reed-07.png"]
    for name in names:
        (tmp_path / name).write_bytes(card_photo.encoded)
    photos = [refused(tmp_path / name) for name in names]
    photos += [replace(measured(tmp_path / names[0], view=view), state=state) for state in ("dry", "soaked")]
    written = list(write_annotations(photos, tmp_path, pairs(photos)))
    assert len({path.name for path in written}) == len(written) == 6
    assert written[-1].name == "reed-07_dry-soaked.jpg"
    assert not {path.name for path in written} & set(names)
    for name in names:
        assert (tmp_path / name).read_bytes() == card_photo.encoded


def test_a_folder_is_made_and_an_earlier_picture_replaced(tmp_path, refused):
    folder = tmp_path / "new" / "folder"
    photo = refused(tmp_path / "a.jpg")
    for _ in range(2):
        assert list(write_annotations([photo], folder)) == [folder / "a_annotated.jpg"]
    assert [path.name for path in Path(folder).iterdir()] == ["a_annotated.jpg"]
