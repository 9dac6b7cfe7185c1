"""A small picture of a whole photo, by which somebody knows it again."""

from pathlib import Path

from aperture.errors import PhotoError

# The longer side; twice what a page shows, for phones have two pixels where a page counts one.
LONGEST_PX = 320
QUALITY = 75


def small_picture(path: Path) -> bytes | None:
    """A photo as a small JPEG in grays, upright and without what the camera wrote; None if it is none."""
    import cv2
    import simplejpeg

    from aperture.photo import read_photo

    try:
        luma = read_photo(path).luma
    except PhotoError:
        return None
    rows, columns = luma.shape
    scale = min(1.0, LONGEST_PX / max(rows, columns))
    size_px = (max(1, round(columns * scale)), max(1, round(rows * scale)))
    small = cv2.resize(luma, size_px, interpolation=cv2.INTER_AREA)
    return bytes(simplejpeg.encode_jpeg(small[..., None], quality=QUALITY, colorspace="GRAY"))
