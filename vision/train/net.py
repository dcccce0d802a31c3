"""The network: an encoder and decoder at half resolution, and its export to ONNX.

The input is blue, green, red / 255 - 0.5, any multiple of `Shape.multiple` px. The
stem halves the resolution at once and nothing is computed at full resolution: the
head gives 4 numbers per map and pixel of the half-size picture, to be spread to
2 x 2 pixels outside the network:

    map[m][2 * y + dy][2 * x + dx] = out[4 * m + 2 * dy + dx][y][x]

OpenCV 4.6 loads the export: opset 11, convolution, ReLU, max-pooling, nearest
resize and concatenation, nothing else.
"""
import dataclasses

import numpy as np
import torch
from torch import nn
from torch.nn import functional

MAPS = ('body', 'distance', 'border', 'offset_x', 'offset_y', 'foreign', 'object', 'covered')


@dataclasses.dataclass(frozen=True)
class Shape:
    """Channels of the stem, (channels, convolutions) of each level, decoder channels."""
    stem: int
    levels: tuple
    decoder: tuple  # one per level but the last; decoder[0] works at half resolution

    @property
    def multiple(self):
        return 2 ** len(self.levels)


# Cost on two threads of OpenCV 4.6, relative to `slim`, and weights: see README.md.
SHAPES = {
    'slim': Shape(16, ((16, 1), (32, 2), (56, 2), (64, 1), (64, 1)), (24, 24, 40, 48)),
    'deep': Shape(24, ((24, 1), (32, 2), (48, 2), (64, 1), (80, 1)), (24, 24, 32, 48)),
    'head': Shape(24, ((24, 0), (36, 2), (56, 2), (72, 1), (72, 1)), (32, 24, 40, 48)),
    'wide': Shape(24, ((24, 1), (40, 2), (64, 2), (80, 2)), (32, 40, 56)),
    'tiny': Shape(8, ((8, 1), (12, 1), (16, 1)), (8, 8)),  # for trying the code only
}


class Block(nn.Sequential):
    """Convolution, batch normalisation, ReLU."""

    def __init__(self, inputs, outputs, size=3, stride=1):
        super().__init__(
            nn.Conv2d(inputs, outputs, size, stride, padding=(size - 1) // 2, bias=False),
            nn.BatchNorm2d(outputs), nn.ReLU(inplace=True))


class Net(nn.Module):
    def __init__(self, shape):
        super().__init__()
        self.shape, self.frozen = shape, False
        self.stem = Block(3, shape.stem, 4, 2)
        self.encoder, self.decoder = nn.ModuleList(), nn.ModuleList()
        inputs, skips = shape.stem, []
        for channels, count in shape.levels:
            blocks = []
            for _ in range(count):
                blocks.append(Block(inputs, channels))
                inputs = channels
            self.encoder.append(nn.Sequential(*blocks))
            skips.append(inputs)
        for level in reversed(range(len(shape.decoder))):
            self.decoder.append(Block(inputs + skips[level], shape.decoder[level]))
            inputs = shape.decoder[level]
        self.head = nn.Conv2d(inputs, 4 * len(MAPS), 1)

    def forward(self, x):
        x, skips = self.stem(x), []
        for level, blocks in enumerate(self.encoder):
            x = blocks(functional.max_pool2d(x, 2) if level else x)
            skips.append(x)
        skips.pop()
        for block in self.decoder:
            x = functional.interpolate(x, scale_factor=2., mode='nearest')
            x = block(torch.cat([x, skips.pop()], 1))
        return self.head(x)

    def norms(self):
        return [m for m in self.modules() if isinstance(m, nn.BatchNorm2d)]

    def train(self, mode=True):
        """As ever, but the statistics of a `frozen` net stay as they are."""
        super().train(mode)
        for norm in self.norms() if self.frozen else ():
            norm.eval()
        return self


@torch.no_grad()
def restore(net, path, device):
    """Go on from a state (.pt), or from an export (.onnx).

    In an export batch normalisation is folded in: there it only adds the bias, with
    the statistics of a plain channel, which stay frozen.
    """
    if not path.endswith('.onnx'):
        net.load_state_dict(torch.load(path, map_location=device))
        return
    import onnx
    from onnx import numpy_helper
    arrays = [torch.from_numpy(numpy_helper.to_array(tensor).copy())
              for tensor in onnx.load(path).graph.initializer]
    weights = [i for i, array in enumerate(arrays) if array.dim() == 4]
    convs = [m for m in net.modules() if isinstance(m, nn.Conv2d)]
    for conv, add, i in zip(convs, [n.bias for n in net.norms()] + [net.head.bias], weights,
                            strict=True):
        conv.weight.copy_(arrays[i])
        add.copy_(arrays[i + 1])
    for norm in net.norms():
        norm.running_var.fill_(1 - norm.eps)
    net.frozen = True


@torch.no_grad()
def unfold(net, images):
    """Statistics of their own for the norms of a restored export; its answers stay."""
    def note(norm, inputs):
        x = inputs[0].float()
        seen[norm] = x.mean((0, 2, 3)), x.var((0, 2, 3))
    seen = {}
    hooks = [norm.register_forward_pre_hook(note) for norm in net.norms()]
    net.eval()(images)
    for hook in hooks:
        hook.remove()
    for norm, (mean, var) in seen.items():
        norm.bias += mean
        norm.weight.copy_(torch.sqrt(var + norm.eps))
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(var)
    net.frozen = False


def spread(out):
    """The maps at full resolution."""
    return functional.pixel_shuffle(out, 2)


def folded(block):
    """Weights and bias of a convolution with its batch normalisation folded in."""
    conv, norm = block[0], block[1]
    gain = (norm.weight / torch.sqrt(norm.running_var + norm.eps)).detach().float()
    weight = conv.weight.detach().float() * gain[:, None, None, None]
    bias = norm.bias.detach().float() - norm.running_mean.float() * gain
    return weight.cpu().numpy(), bias.cpu().numpy()


class Graph:
    """Collects the nodes of an ONNX graph; every method gives the name of its output."""

    def __init__(self):
        from onnx import helper, numpy_helper
        self.make, self.tensor = helper.make_node, numpy_helper.from_array
        self.nodes, self.constants = [], []

    def constant(self, values, name):
        self.constants.append(self.tensor(np.ascontiguousarray(values, np.float32), name))
        return name

    def add(self, kind, inputs, **attributes):
        name = f'{kind.lower()}{len(self.nodes)}'
        self.nodes.append(self.make(kind, inputs, [name], name=name, **attributes))
        return name

    def conv(self, x, weight, bias, stride=1):
        size, n = weight.shape[2], len(self.nodes)
        inputs = [x, self.constant(weight, f'weight{n}'), self.constant(bias, f'bias{n}')]
        return self.add('Conv', inputs, kernel_shape=[size] * 2, pads=[(size - 1) // 2] * 4,
                        strides=[stride] * 2)

    def block(self, x, block):
        return self.add('Relu', [self.conv(x, *folded(block), stride=block[0].stride[0])])


def export(net, path, size=256):
    """Write a trained network as ONNX. OpenCV takes other sizes than `size` as well."""
    import onnx
    from onnx import TensorProto, helper
    graph, skips = Graph(), []
    scales = graph.constant([1, 1, 2, 2], 'scales')
    region = graph.constant([], 'region')
    x = graph.block('input', net.stem)
    for level, blocks in enumerate(net.encoder):
        if level:
            x = graph.add('MaxPool', [x], kernel_shape=[2, 2], strides=[2, 2])
        for block in blocks:
            x = graph.block(x, block)
        skips.append(x)
    skips.pop()
    for block in net.decoder:
        x = graph.add('Resize', [x, region, scales], mode='nearest', nearest_mode='floor',
                      coordinate_transformation_mode='asymmetric')
        x = graph.block(graph.add('Concat', [x, skips.pop()], axis=1), block)
    head = net.head
    x = graph.conv(x, head.weight.detach().float().cpu().numpy(),
                   head.bias.detach().float().cpu().numpy())
    info = helper.make_tensor_value_info
    shape = [1, 4 * len(MAPS), size // 2, size // 2]
    made = helper.make_graph(
        graph.nodes, 'rice', [info('input', TensorProto.FLOAT, [1, 3, size, size])],
        [info(x, TensorProto.FLOAT, shape)], graph.constants)
    model = helper.make_model(made, opset_imports=[helper.make_opsetid('', 11)])
    model.ir_version = 6
    onnx.save(model, str(path))
