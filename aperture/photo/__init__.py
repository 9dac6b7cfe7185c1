"""Reading a photo: its file, its pixels upright, and what the camera wrote beside them."""

from aperture.photo.content import Format, glance, is_address, read_bytes
from aperture.photo.flat import Pixels
from aperture.photo.reading import Photo, read_photo

__all__ = ["Format", "Photo", "Pixels", "glance", "is_address", "read_bytes", "read_photo"]
