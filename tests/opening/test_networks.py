"""The networks' files: whole, small, plain, and the same in another library that runs networks."""

import hashlib
from importlib import resources

import numpy as np
import pytest

from aperture.errors import ModelError
from aperture.opening import networks
from aperture.opening.networks import FILES, run

SHAPES = {"where.onnx": (1, 1, 192, 240), "edge.onnx": (2, 6, 48, 128)}
EDGES = {"where.onnx": [0, 1], "edge.onnx": [0, 3]}  # these channels are places of an edge
# Mean, standard deviation, and three places of each network's answer to `pattern`; from the program itself,
# so that a change of the weights or of the library is noticed.
GOLDEN = {
    "where.onnx": [-10.40325, 18.35361, -29.80791, -38.617],
    "edge.onnx": [4.37789, 5.58363, 8.11786, -1.89647],
}


def pattern(name):
    """A made input, the same on every machine: waves in place of a picture."""
    shape = SHAPES[name]
    index = np.arange(np.prod(shape)).reshape(shape)
    return (0.4 * np.sin(index * 0.37) * np.cos(index * 0.011)).astype(np.float32)


def content(name):
    return resources.files("aperture.opening").joinpath("weights", name).read_bytes()


@pytest.mark.parametrize("name", FILES)
def test_the_file_is_the_one_the_figures_are_from(name):
    assert hashlib.sha256(content(name)).hexdigest() == FILES[name]


def test_both_files_are_small():
    assert sum(len(content(name)) for name in FILES) < 1_000_000


def used(name, answer):
    """What is used of an answer (n, channels, rows, columns): shares of a column's rows, probabilities."""
    edges = answer[:, EDGES[name]]
    share = np.exp(edges - edges.max(axis=2, keepdims=True))
    share /= share.sum(axis=2, keepdims=True)
    others = np.delete(answer, EDGES[name], axis=1)
    return np.concatenate([share, (1 + np.tanh(others / 2)) / 2], axis=1)


@pytest.mark.parametrize("name", FILES)
def test_another_library_gives_the_same(name):
    # Reference: ONNX Runtime, on the same file and input.
    import onnxruntime

    session = onnxruntime.InferenceSession(content(name), providers=["CPUExecutionProvider"])
    expected = session.run(None, {session.get_inputs()[0].name: pattern(name)})[0]
    assert used(name, run(name, pattern(name))) == pytest.approx(used(name, expected), abs=1e-4)


@pytest.mark.parametrize("name", FILES)
def test_the_answer_is_the_recorded_one(name):
    answer = run(name, pattern(name))
    places = [float(answer[0, channel, 5, 7]) for channel in range(2)]
    assert [float(answer.mean()), float(answer.std()), *places] == pytest.approx(GOLDEN[name], abs=1e-3)


def test_plain_operations_alone_and_few_of_them():
    """What every version of OpenCV's dnn module runs, and no more than half a thousand million products."""
    import onnx

    products = 0
    for name, shape in SHAPES.items():
        graph = onnx.shape_inference.infer_shapes(onnx.load_from_string(content(name))).graph
        assert {node.op_type for node in graph.node} <= {
            "Conv",
            "Relu",
            "MaxPool",
            "Resize",
            "Concat",
            "Constant",
        }
        weights = {each.name: tuple(each.dims) for each in graph.initializer}
        sizes = {
            each.name: [d.dim_value for d in each.type.tensor_type.shape.dim]
            for each in (*graph.value_info, *graph.output)
        }
        for node in graph.node:
            if node.op_type == "Conv":
                batch, _, rows, columns = sizes[node.output[0]]
                products += batch * rows * columns * int(np.prod(weights[node.input[1]]))
        assert sizes[graph.output[0].name][0] == shape[0]
    assert products < 500_000_000


def test_the_same_twice():
    assert np.array_equal(run("edge.onnx", pattern("edge.onnx")), run("edge.onnx", pattern("edge.onnx")))


@pytest.mark.parametrize("damage", ["missing", "another"])
def test_a_file_that_is_missing_or_another_is_told(damage, monkeypatch):
    networks._network.cache_clear()
    if damage == "missing":
        monkeypatch.setattr(networks, "FILES", {"nowhere.onnx": "0"})
        name = "nowhere.onnx"
    else:
        monkeypatch.setitem(networks.FILES, "edge.onnx", "0" * 64)
        name = "edge.onnx"
    with pytest.raises(ModelError) as error:
        run(name, pattern("edge.onnx"))
    assert error.value.code == "model-unusable"
    assert name in error.value.detail
    networks._network.cache_clear()
