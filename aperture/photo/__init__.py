"""Reading a photo: its file, its pixels upright, and what the camera wrote beside them."""

from aperture.photo.content import Format, is_address
from aperture.photo.pixels import Pixels
from aperture.photo.reading import Photo, read_photo

__all__ = ["Format", "Photo", "Pixels", "is_address", "read_photo"]
