"""How is a network cut in two, so that only what is asked for is reckoned?

OpenCV's network module runs all of a graph, whatever is asked for. A network that yields two things is cut where the way to
one leaves the way to the other. It is done on the ONNX file's own protocol buffers, so that whoever trains need not know.

References
----------
.. [1] ONNX, onnx.proto: fields of ModelProto, GraphProto, NodeProto, TensorProto and ValueInfoProto (from memory).
.. [2] Protocol Buffers, Encoding: variable-length integers and length-delimited fields (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

_GRAPH = 7  # field of a model
_NODE, _WEIGHTS, _INPUT, _OUTPUT = 1, 5, 11, 12  # of a graph
_READS, _YIELDS, _NAME, _NAME_OF_WEIGHTS = 1, 2, 1, 8  # of a node, of an input or output, of weights
_OF_FLOATS = b"\x12\x06\x0a\x04\x08\x01\x12\x00"  # a type: tensor of floats, whose shape the graph tells


def halves(model: bytes, first: str, second: str) -> tuple[bytes, bytes, list[str]]:
    """A network in two: what yields `first`, and what goes on from there to `second`.

    Parameters
    ----------
    model
        The network as ONNX [no unit].
    first, second
        Its two outputs [no unit].

    Returns
    -------
    one, other : bytes
        The two halves as ONNX.
    handed : list of str
        What the first half yields besides, and the second reads.
    """
    graph = next(body for field, body, _ in _fields(memoryview(model)) if field == _GRAPH)
    nodes = [_Node(body) for field, body, _ in _fields(graph) if field == _NODE]
    early = _way_to({first}, nodes)
    late = [node for node in _way_to({second}, nodes) if node not in early]
    read = {name for node in late for name in node.reads}
    handed = [name for node in early for name in node.yields if name in read]
    inputs = [name for field, body, _ in _fields(graph) if field == _INPUT for name in _names(body, _NAME)]
    return _of(model, graph, early, inputs, [first, *handed]), _of(model, graph, late, handed, [second]), handed


class _Node:
    """A node of a graph, and the names of what it reads and yields."""

    def __init__(self, body: memoryview) -> None:
        self.body, self.reads, self.yields = body, _names(body, _READS), _names(body, _YIELDS)


def _way_to(wanted: set[str], nodes: Sequence[_Node]) -> list[_Node]:
    """The nodes without which the wanted is not had, in their order."""
    way = []
    for node in reversed(nodes):  # each stands after all that it reads
        if not wanted.isdisjoint(node.yields):
            way.append(node)
            wanted = wanted.union(node.reads)
    return way[::-1]


def _of(model: bytes, graph: memoryview, nodes: Sequence[_Node], inputs: Sequence[str], outputs: Sequence[str]) -> bytes:
    """The model with these nodes alone, and the weights that they read."""
    read = {name for node in nodes for name in node.reads}
    kept: list[bytes | memoryview] = [_field(_NODE, node.body) for node in nodes]
    kept += [raw for field, body, raw in _fields(graph)
             if field == _WEIGHTS and not read.isdisjoint(_names(body, _NAME_OF_WEIGHTS))]  # fmt: skip
    kept += [raw for field, _, raw in _fields(graph) if field not in (_NODE, _WEIGHTS, _INPUT, _OUTPUT)]
    for field, names in ((_INPUT, inputs), (_OUTPUT, outputs)):
        kept += [_field(field, _field(_NAME, name.encode()) + _OF_FLOATS) for name in names]
    head = b"".join(raw for field, _, raw in _fields(memoryview(model)) if field != _GRAPH)
    return head + _field(_GRAPH, b"".join(kept))


def _names(message: memoryview, wanted: int) -> list[str]:
    return [str(body, "utf-8") for field, body, _ in _fields(message) if field == wanted]


def _fields(message: memoryview) -> Iterator[tuple[int, memoryview, memoryview]]:
    """Number, content (empty of plain numbers) and raw bytes of each field."""
    at = 0
    while at < len(message):
        start = at
        key, at = _number(message, at)
        value, end = _number(message, at) if key & 7 in (0, 2) else (0, at + (8 if key & 7 == 1 else 4))
        at = end + value if key & 7 == 2 else end
        yield key >> 3, message[end:at], message[start:at]


def _number(message: memoryview, at: int) -> tuple[int, int]:
    """A variable-length integer, and where it ends."""
    value = shift = 0
    while True:
        value |= (message[at] & 127) << shift
        at, shift = at + 1, shift + 7
        if message[at - 1] < 128:
            return value, at


def _field(number: int, body: bytes | memoryview) -> bytes:
    return b"".join((_written(number << 3 | 2), _written(len(body)), body))


def _written(value: int) -> bytes:
    out = bytearray()
    while value > 127:
        out.append(value & 127 | 128)
        value >>= 7
    return bytes([*out, value])
