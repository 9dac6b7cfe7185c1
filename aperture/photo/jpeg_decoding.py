"""A JPEG decoded by OpenCV as a program of its own, so that its decoder's warnings can be heard.

Given the file on its standard input and "gray" or "colour" as its argument, it writes the pixels, as stored,
to its standard output. What libjpeg has to say of the file, it says on standard error: nothing, if all is
well. It imports nothing of the package.
"""

import sys

import cv2
import numpy as np


def main() -> None:
    """Decode what comes in, and write it out."""
    how = {"gray": cv2.IMREAD_GRAYSCALE, "colour": cv2.IMREAD_COLOR_RGB}[sys.argv[1]]
    encoded = np.frombuffer(sys.stdin.buffer.read(), np.uint8)
    pixels = cv2.imdecode(encoded, how | cv2.IMREAD_IGNORE_ORIENTATION)
    if pixels is None:
        sys.exit("the decoder cannot read it")
    sys.stdout.buffer.write(pixels.tobytes())


if __name__ == "__main__":
    main()
