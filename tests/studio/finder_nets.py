"""The two small networks of the finder, as PyTorch modules (training only; the product runs ONNX files).

``Finder``: the whole picture, small, to a map of cube centres. ``Poser``: a square crop round one cube to
maps of its edges, seams, corners and visible surface, and to its orientation, place and size.
"""

from __future__ import annotations

from pathlib import Path

import torch
from torch import Tensor, nn

FINDER_STRIDE = 8
POSER_INPUT = 128
POSER_MAP = 64
#: edges of the crop per cube edge at its centre
CROP_EDGES = 2.4
SIZES = (2, 3, 4, 5)
#: exponents of the 15 monomials of degree four and their multinomial weights: a name for an orientation
#: that all 24 labellings of a cube share (sum over the three axes of the fourth tensor power)
MONOMIALS = [(i, j, 4 - i - j) for i in range(5) for j in range(5 - i)]


def unit(c_in: int, c_out: int, stride: int = 1, kernel: int = 3) -> nn.Sequential:
    """Convolution, batch normalisation, ReLU."""
    return nn.Sequential(
        nn.Conv2d(c_in, c_out, kernel, stride, kernel // 2, bias=False), nn.BatchNorm2d(c_out), nn.ReLU(True)
    )


class Residual(nn.Module):
    """Two convolutions beside a straight path."""

    def __init__(self, c: int) -> None:
        super().__init__()
        self.a = unit(c, c)
        self.b = nn.Sequential(nn.Conv2d(c, c, 3, 1, 1, bias=False), nn.BatchNorm2d(c))

    def forward(self, x: Tensor) -> Tensor:
        return torch.relu(x + self.b(self.a(x)))


class Finder(nn.Module):
    """(B, 3, H, W) in -0.5..0.5 to (B, 4, H/8, W/8): centre logit, dx, dy in cells, log(edge px / 32)."""

    def __init__(self, c: tuple[int, int, int, int] = (16, 24, 40, 64)) -> None:
        super().__init__()
        self.to4 = nn.Sequential(unit(3, c[0], 2), unit(c[0], c[1], 2), Residual(c[1]))
        self.to8 = nn.Sequential(unit(c[1], c[2], 2), Residual(c[2]))
        self.to16 = nn.Sequential(unit(c[2], c[3], 2), Residual(c[3]), Residual(c[3]))
        self.lateral = nn.Sequential(nn.Conv2d(c[3], c[2], 1, bias=False), nn.BatchNorm2d(c[2]))
        self.up = nn.Upsample(scale_factor=2, mode="nearest")
        self.mix = unit(c[2], c[2])
        self.out = nn.Conv2d(c[2], 4, 1)
        nn.init.zeros_(self.out.bias)
        self.out.bias.data[0] = -4.0

    def forward(self, x: Tensor) -> Tensor:
        at8 = self.to8(self.to4(x))
        at16 = self.to16(at8)
        return self.out(self.mix(torch.relu(at8 + self.up(self.lateral(at16)))))


class Poser(nn.Module):
    """(B, 3, 128, 128) in -0.5..0.5 to maps (B, 4, 64, 64) of logits and numbers (B, 24).

    Maps: edges of the visible faces, seams inside them, corners, surface really seen. Numbers: 15
    orientation monomials, dx, dy in crop sides, log scale, log perspective, four size logits, cube logit.
    """

    def __init__(self, c: tuple[int, int, int] = (24, 40, 80)) -> None:
        super().__init__()
        self.to4 = nn.Sequential(unit(3, c[0], 2), unit(c[0], c[1], 2), Residual(c[1]))
        self.to8 = nn.Sequential(unit(c[1], c[2], 2), Residual(c[2]), Residual(c[2]), Residual(c[2]))
        self.lateral = nn.Sequential(nn.Conv2d(c[2], c[1], 1, bias=False), nn.BatchNorm2d(c[1]))
        self.up = nn.Upsample(scale_factor=2, mode="nearest")
        self.mix = Residual(c[1])
        self.maps = nn.Sequential(nn.Conv2d(c[1], 16, 1), nn.PixelShuffle(2))
        self.squeeze = nn.Sequential(unit(c[2], c[2], 2), nn.AvgPool2d(2), nn.Flatten())
        self.numbers = nn.Sequential(nn.Linear(c[2] * 16, 160), nn.ReLU(True), nn.Linear(160, 24))

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:
        at4 = self.to4(x)
        at8 = self.to8(at4)
        fine = self.mix(torch.relu(at4 + self.up(self.lateral(at8))))
        return self.maps(fine), self.numbers(self.squeeze(at8))


@torch.no_grad()
def take_up(net: nn.Module, onnx_path: Path, example: Tensor) -> None:
    """Load the exported weights of ``onnx_path`` so that training can go on from them.

    The export folds each batch normalisation into its convolution. Here every convolution takes the folded
    kernel, and its normalisation is set so that on ``example`` (a batch of real input) it only adds the bias.
    """
    import onnx
    from onnx import numpy_helper

    model = onnx.load(str(onnx_path))
    stored = {t.name: torch.from_numpy(numpy_helper.to_array(t).copy()) for t in model.graph.initializer}
    rows = [
        [stored[name] for name in node.input[1:] if name in stored]
        for node in model.graph.node
        if node.op_type in ("Conv", "Gemm")
    ]
    order: list[nn.Module] = []

    def visit(module: nn.Module, given: tuple[Tensor, ...], out: Tensor) -> None:
        if isinstance(module, nn.Conv2d | nn.Linear):
            order.append(module)
        elif isinstance(module, nn.BatchNorm2d):
            order[-1].norm = [module]  # a list: not a child module

    for module in net.modules():
        module.register_forward_hook(visit)
    net.train()
    net(example[:2])
    for module in net.modules():
        module._forward_hooks.clear()
    assert len(order) == len(rows), "the file holds another network"
    for module, (weight, bias) in zip(order, rows, strict=True):
        module.weight.copy_(weight.reshape(module.weight.shape).to(module.weight.device))
        if hasattr(module, "norm"):
            module.norm[0].bias.copy_(bias)
        else:
            module.bias.copy_(bias)

    def settle(norm: nn.BatchNorm2d, folded: Tensor, into: Tensor) -> None:
        mean, spread = into.mean((0, 2, 3)), into.var((0, 2, 3), unbiased=False)
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(spread)
        norm.weight.copy_((spread + norm.eps).sqrt())
        norm.bias.copy_(folded + mean)

    def before(norm: nn.Module, given: tuple[Tensor, ...]) -> None:
        settle(norm, norm.bias.clone(), given[0])

    for module in net.modules():
        if isinstance(module, nn.BatchNorm2d):
            module.register_forward_pre_hook(before)
    net.eval()
    net(example)
    for module in net.modules():
        module._forward_pre_hooks.clear()
        if hasattr(module, "norm"):
            del module.norm
    net.train()


def orientation_monomials(rotation: Tensor) -> Tensor:
    """(B, 3, 3) rotations (columns: cube axes in the ray's frame) to their (B, 15) symmetric names."""
    weights = []
    terms = []
    for i, j, k in MONOMIALS:
        multinomial = 24 / (_factorial(i) * _factorial(j) * _factorial(k))
        weights.append(multinomial**0.5)
        terms.append((rotation[:, 0] ** i * rotation[:, 1] ** j * rotation[:, 2] ** k).sum(-1))
    return torch.stack(terms, -1) * torch.tensor(weights, device=rotation.device)


def _factorial(k: int) -> int:
    return k * _factorial(k - 1) if k > 1 else 1
