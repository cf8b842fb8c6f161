"""The part masks of the assessor as a network of their own, for the letters that are measured.

They take a sixth of the assessor's time, and most letters are not measured. The assessor then gives
the inputs of that network as further outputs, and holds it in its metadata: one file as before.
"""

from __future__ import annotations

import base64
from pathlib import Path

import onnx

from crownlet.datasets.files.atomic import atomic_write
from crownlet.infer.networks import FEATURE_PREFIX, PART_MASKS_KEY, PARTS_OUTPUT


def split_part_masks(path: Path) -> None:
    """Take the part masks out of an assessor, in floats or integers; its answers stay the same.

    A file that is split already stays as it is.
    """
    model = onnx.load(path)
    if PARTS_OUTPUT not in {output.name for output in model.graph.output}:
        return
    shaped = onnx.shape_inference.infer_shapes(model)
    trunk, masks = divide(shaped.graph)
    produced = {name: node for node in model.graph.node for name in node.output}
    inputs = sorted(
        {n for node in masks for n in node.input} & {o for t in trunk for o in t.output}
    )
    names: dict[str, str] = {}
    dequantisers: list[onnx.NodeProto] = []
    for name in inputs:
        node = produced[name]
        if node.op_type == "DequantizeLinear":
            # Integers go from one network to the other: a quarter of the bytes, and no rounding.
            dequantisers.append(node)
            name = node.input[0]
        names.setdefault(name, f"{FEATURE_PREFIX}{len(names)}")
    parts = _subgraph(shaped, [*dequantisers, *masks], tuple(names), (PARTS_OUTPUT,))
    answers = tuple(o.name for o in model.graph.output if o.name != PARTS_OUTPUT)
    rest = _subgraph(shaped, trunk, ("crops",), (*answers, *names))
    for part in (parts, rest):
        _rename(part.graph, names)
    for entry in model.metadata_props:
        rest.metadata_props.add(key=entry.key, value=entry.value)
    for part in (parts, rest):
        onnx.checker.check_model(part)
    text = base64.b64encode(parts.SerializeToString()).decode("ascii")
    rest.metadata_props.add(key=PART_MASKS_KEY, value=text)
    with atomic_write(path) as draft:
        onnx.save(rest, draft)


def divide(graph: onnx.GraphProto) -> tuple[list[onnx.NodeProto], list[onnx.NodeProto]]:
    """The nodes of which any other output is made, and those of the part masks alone, in order."""
    needed = {output.name for output in graph.output if output.name != PARTS_OUTPUT}
    trunk = []
    for node in reversed(graph.node):
        if needed & set(node.output):
            needed |= set(node.input)
            trunk.append(node)
    names = {node.name for node in trunk}
    return trunk[::-1], [node for node in graph.node if node.name not in names]


def _subgraph(
    model: onnx.ModelProto,
    nodes: list[onnx.NodeProto],
    inputs: tuple[str, ...],
    outputs: tuple[str, ...],
) -> onnx.ModelProto:
    """A model of some of the nodes, with the weights that they use."""
    graph = model.graph
    shapes = {v.name: v for v in (*graph.input, *graph.output, *graph.value_info)}
    used = {name for node in nodes for name in node.input} | set(outputs)
    made = onnx.helper.make_graph(
        nodes, graph.name, [shapes[n] for n in inputs], [shapes[n] for n in outputs],
        [weights for weights in graph.initializer if weights.name in used],
    )  # fmt: skip
    return onnx.helper.make_model(
        made, opset_imports=model.opset_import, ir_version=model.ir_version
    )


def _rename(graph: onnx.GraphProto, names: dict[str, str]) -> None:
    """Give tensors other names, wherever they occur."""
    for node in graph.node:
        for ends in (node.input, node.output):
            for k, name in enumerate(ends):
                ends[k] = names.get(name, name)
    for value in (*graph.input, *graph.output):
        value.name = names.get(value.name, value.name)
