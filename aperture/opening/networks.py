"""The two networks of the first look: their files, checked, and run by OpenCV.

They were trained on rendered pictures alone (`fixtures/training`); the guide's page "model" says on which,
and how well they do. Their input and output are described in `first_look`.
"""

import hashlib
from functools import cache
from importlib import resources
from typing import Any

import numpy as np
from numpy.typing import NDArray

from aperture.errors import ModelError

# SHA-256 of the files: the program runs with the weights that its figures are from, or not at all.
FILES = {
    "where.onnx": "36093e1c2b6eb7c4b447773341b70661f6f9d16cb6ecd49d82bc4ab850c1f98d",
    "edge.onnx": "1e88a9607cfc9aa68c4031e331fedbea2015edc2d0c17b47e7b38cb58f4b3883",
}


@cache
def _network(name: str) -> Any:
    """The network in a file of this package, as OpenCV runs it.

    Raises
    ------
    ModelError : the file is missing, damaged, or of another version.
    """
    import cv2

    try:
        content = resources.files("aperture.opening").joinpath("weights", name).read_bytes()
    except OSError as error:
        raise ModelError("model-unusable", f"{name} is missing") from error
    if hashlib.sha256(content).hexdigest() != FILES[name]:
        raise ModelError("model-unusable", f"{name} is damaged or of another version")
    return cv2.dnn.readNetFromONNX(np.frombuffer(content, np.uint8))


def load() -> None:
    """Reads and checks both files now, so that no photo has to wait for it.

    Raises
    ------
    ModelError : a file is missing, damaged, or of another version.
    """
    for name in FILES:
        _network(name)


def run(name: str, blob: NDArray[np.float32]) -> NDArray[np.float32]:
    """The result (n, channels, rows, columns) of a network for an input (n, channels, rows, columns)."""
    network = _network(name)
    network.setInput(np.ascontiguousarray(blob, np.float32))
    return np.asarray(network.forward(), np.float32)
