"""What JPEG takes from a picture, as torch does it: colour transform, chroma halving, 8x8 quantisation."""

from __future__ import annotations

from typing import Any

import numpy as np

# quantisation tables of ITU-T T.81, Annex K (from memory)
LUMA_TABLE = np.array(
    [[16, 11, 10, 16, 24, 40, 51, 61],
     [12, 12, 14, 19, 26, 58, 60, 55],
     [14, 13, 16, 24, 40, 57, 69, 56],
     [14, 17, 22, 29, 51, 87, 80, 62],
     [18, 22, 37, 56, 68, 109, 103, 77],
     [24, 35, 55, 64, 81, 104, 113, 92],
     [49, 64, 78, 87, 103, 121, 120, 101],
     [72, 92, 95, 98, 112, 100, 103, 99]],
    np.float32,
)  # fmt: skip
CHROMA_TABLE = np.full((8, 8), 99, np.float32)
CHROMA_TABLE[:4, :4] = [[17, 18, 24, 47], [18, 21, 26, 66], [24, 26, 56, 99], [47, 66, 99, 99]]


def jpeg_torch(x: Any, quality: np.ndarray, half_chroma: np.ndarray) -> Any:
    """JPEG's colour transform, chroma halving and 8x8 quantisation on (B,H,W,3) 0..1 RGB; quality 0 leaves
    a picture alone."""
    import torch

    f = torch.nn.functional
    b, h, w, _ = x.shape
    ph, pw = -h % 16, -w % 16
    z = f.pad(x.permute(0, 3, 1, 2) * 255, (0, pw, 0, ph), mode="replicate")
    m = torch.tensor(
        [[0.299, 0.587, 0.114], [-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]], device=x.device
    )
    ycc = torch.einsum("ij,bjhw->bihw", m, z)
    q = np.asarray(quality, np.float32)
    scale = np.where(q < 50, 5000 / np.maximum(q, 1), 200 - 2 * q) / 100
    k = np.arange(8)
    d = np.cos((2 * k[None] + 1) * k[:, None] * np.pi / 16) * np.where(k[:, None] == 0, np.sqrt(1 / 8), 0.5)
    dct = torch.tensor(d, dtype=torch.float32, device=x.device)

    def coarse(plane: Any, table: np.ndarray) -> Any:
        hh, ww = plane.shape[-2:]
        t = torch.as_tensor(
            np.clip(np.floor(table[None] * scale[:, None, None] + 0.5), 1, 255),
            dtype=torch.float32,
            device=x.device,
        )
        blocks = plane.reshape(b, hh // 8, 8, ww // 8, 8).permute(0, 1, 3, 2, 4)
        c = dct @ blocks @ dct.T
        t = t.reshape(b, 1, 1, 8, 8)
        c = torch.round(c / t) * t
        return (dct.T @ c @ dct).permute(0, 1, 3, 2, 4).reshape(b, hh, ww)

    y = coarse(ycc[:, 0] - 128, LUMA_TABLE) + 128
    out = [y]
    sub = torch.as_tensor(np.asarray(half_chroma) > 0.5, device=x.device).reshape(b, 1, 1)
    for i in (1, 2):
        full = coarse(ycc[:, i], CHROMA_TABLE)
        small = coarse(f.avg_pool2d(ycc[:, i : i + 1], 2)[:, 0], CHROMA_TABLE)
        big = f.interpolate(small[:, None], scale_factor=2, mode="bilinear", align_corners=False)[:, 0]
        out.append(torch.where(sub, big, full))
    inv = torch.linalg.inv(m)
    rgb = torch.einsum("ij,bjhw->bhwi", inv, torch.stack(out, 1))[:, :h, :w] / 255
    keep = torch.as_tensor(q <= 0, device=x.device).reshape(b, 1, 1, 1)
    return torch.where(keep, x, rgb.clamp(0, 1))
