"""From linear light to the picture a camera would store: one model, in numpy and in torch.

    p = bulk_camera.sample_camera(rng, B, height)        # dict of numpy arrays (B, ...)
    bgr = bulk_camera.photograph(rgb, p, seed=1)         # numpy float32 (B,H,W,3) -> uint8 BGR (B,H,W,3)
    bgr = bulk_camera.photograph_torch(rgb, p, seed=1)   # torch, any device -> uint8 BGR tensor, same device

photograph_torch applies JPEG's 8x8 quantisation (4:2:0 or 4:4:4) itself; jpeg=False leaves it out. photograph
does not. Order: auto exposure (mean, centre, or the cube where `meter_mask` (B,H,W) is
given) -> white balance -> vignette -> focus and motion blur, halo -> shot and read noise -> chroma noise and
smoothing -> saturation -> tone curve -> sharpening -> 8 bit. sample_camera draws all values broadly;
the ranges are common practice for phone and web cameras, no source.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from bulk_jpeg import jpeg_torch

LUMA = (0.2126, 0.7152, 0.0722)


def _log_uniform(rng: np.random.Generator, lo: float, hi: float, n: int) -> np.ndarray:
    return np.exp(rng.uniform(np.log(lo), np.log(hi), n))


def sample_camera(rng: np.random.Generator, count: int, height: int = 360) -> dict[str, np.ndarray]:
    """Parameters of `count` exposures for pictures about `height` pixels high (blur scales with it)."""
    n, k = count, height / 720

    def some(share: float, values: np.ndarray, other: float = 0.0) -> np.ndarray:
        return np.where(rng.random(n) < share, values, other).astype(np.float32)

    wb = np.exp(rng.normal(0, 1, (n, 3)) * np.array([0.13, 0.03, 0.15]))
    follow = rng.beta(3, 1.5, n)  # how far the camera corrects the light's cast (grey world), 0..1
    p = {
        "ev": rng.normal(-0.1, 0.42, n),
        "meter_cube": rng.random(n) * (rng.random(n) < 0.5),
        "meter_centre": rng.random(n),
        "target": rng.uniform(0.11, 0.24, n),
        "wb": wb,
        "follow": follow,
        "vignette": some(0.6, rng.uniform(0, 0.45, n)),
        "focus": some(0.45, k * np.abs(rng.normal(0, 1.6, n))),
        "motion": some(0.22, k * _log_uniform(rng, 2, 16, n)),
        "motion_angle": rng.uniform(0, np.pi, n),
        "halo": some(0.3, rng.uniform(0.02, 0.12, n)),
        "full_well": _log_uniform(rng, 120, 9000, n),
        "read": _log_uniform(rng, 0.0008, 0.02, n),
        "chroma_noise": some(0.6, rng.uniform(0.0, 0.025, n)),
        "chroma_blur": some(0.6, rng.uniform(0.5, 2.5, n) * max(k, 0.5)),
        "denoise": some(0.5, rng.uniform(0.3, 1.1, n)),
        "saturation": np.clip(rng.normal(1.08, 0.17, n), 0.55, 1.6),
        "contrast": np.clip(rng.normal(0.35, 0.3, n), -0.2, 1.0),
        "shoulder": rng.uniform(0.6, 0.98, n),
        "lift": some(0.3, rng.uniform(0, 0.05, n)),
        "sharpen": some(0.65, rng.uniform(0.1, 1.1, n)),
        "sharp_sigma": rng.uniform(0.6, 1.3, n),
        "jpeg": np.where(rng.random(n) < 0.12, 0, rng.uniform(38, 97, n)),
        "jpeg_420": (rng.random(n) < 0.7).astype(float),
    }
    return {key: np.asarray(v, np.float32) for key, v in p.items()}


class _Numpy:
    """The few operations in which numpy and torch differ."""

    def __init__(self, like: Any, seed: int) -> None:
        self.rng = np.random.default_rng(seed)

    def array(self, v: Any) -> Any:
        return np.asarray(v, np.float32)

    def normal(self, shape: tuple[int, ...]) -> Any:
        return self.rng.standard_normal(shape, np.float32)

    def stack(self, xs: list[Any]) -> Any:
        return np.stack(xs, -1)

    def clip(self, x: Any, lo: float, hi: float) -> Any:
        return np.clip(x, lo, hi)

    def where(self, c: Any, a: Any, b: Any) -> Any:
        return np.where(c, a, b)

    exp, log, sqrt = staticmethod(np.exp), staticmethod(np.log), staticmethod(np.sqrt)

    def bytes(self, x: Any) -> Any:
        return np.clip(x * 255 + 0.5, 0, 255).astype(np.uint8)

    def convolve(self, x: Any, kernels: np.ndarray) -> Any:
        import cv2

        out = np.empty_like(x)
        for i, k in enumerate(kernels):
            out[i] = cv2.filter2D(x[i], -1, k[::-1, ::-1], borderType=cv2.BORDER_REPLICATE).reshape(
                x[i].shape
            )
        return out


class _Torch:
    def __init__(self, like: Any, seed: int) -> None:
        import torch

        self.t, self.device = torch, like.device
        self.gen = torch.Generator(device=like.device)
        self.gen.manual_seed(seed)

    def array(self, v: Any) -> Any:
        return self.t.as_tensor(
            np.asarray(v, np.float32) if isinstance(v, np.ndarray) else v,
            dtype=self.t.float32,
            device=self.device,
        )

    def normal(self, shape: tuple[int, ...]) -> Any:
        return self.t.randn(shape, generator=self.gen, device=self.device)

    def stack(self, xs: list[Any]) -> Any:
        return self.t.stack(xs, -1)

    def clip(self, x: Any, lo: float, hi: float) -> Any:
        return self.t.clamp(x, lo, hi)

    def where(self, c: Any, a: Any, b: Any) -> Any:
        return self.t.where(c, a, self.t.as_tensor(b, dtype=a.dtype, device=a.device))

    def exp(self, x: Any) -> Any:
        return self.t.exp(x)

    def log(self, x: Any) -> Any:
        return self.t.log(x)

    def sqrt(self, x: Any) -> Any:
        return self.t.sqrt(x)

    def bytes(self, x: Any) -> Any:
        return self.t.clamp(x * 255 + 0.5, 0, 255).to(self.t.uint8)

    def convolve(self, x: Any, kernels: np.ndarray) -> Any:
        f = self.t.nn.functional
        b = x.shape[0]
        k = kernels.shape[-1]
        z = x.permute(3, 0, 1, 2)  # (c, b, h, w): one kernel a picture
        z = f.pad(z, (k // 2,) * 4, mode="replicate")
        z = f.conv2d(z, self.array(np.ascontiguousarray(kernels))[:, None], groups=b)
        return z.permute(1, 2, 3, 0)


def _gauss(sigma: np.ndarray, radius: int) -> np.ndarray:
    y = np.arange(-radius, radius + 1)
    g = np.exp(-0.5 * (y[None] / np.maximum(sigma, 1e-3)[:, None]) ** 2)
    g /= g.sum(1, keepdims=True)
    return (g[:, :, None] * g[:, None, :]).astype(np.float32)


def _disc_and_streak(p: dict[str, np.ndarray], radius: int) -> np.ndarray:
    """Kernels (B, k, k): defocus disc widened along the motion's line."""
    y, x = np.mgrid[-radius : radius + 1, -radius : radius + 1].astype(np.float32)
    out = []
    for focus, motion, angle in zip(p["focus"], p["motion"], p["motion_angle"], strict=True):
        u, v = x * np.cos(angle) + y * np.sin(angle), -x * np.sin(angle) + y * np.cos(angle)
        d = np.hypot(np.maximum(np.abs(u) - motion / 2, 0), v)
        k = (
            np.clip(focus + 0.5 - d, 0, 1)
            if focus > 0.4
            else np.exp(-0.5 * (d / max(0.38, float(focus))) ** 2)
        )
        out.append(k / k.sum())
    return np.asarray(out, np.float32)


def _expose(xp: Any, rgb: Any, p: dict[str, np.ndarray], mask: Any) -> Any:
    b, h, w, _ = rgb.shape
    q = {k: xp.array(v) for k, v in p.items()}

    def each(name: str) -> Any:
        return q[name].reshape(b, 1, 1, 1)

    luma = (rgb * xp.array(np.array(LUMA, np.float32))).sum(-1)
    yy = xp.array(np.linspace(-1, 1, h, dtype=np.float32)).reshape(1, h, 1)
    xx = xp.array(np.linspace(-1, 1, w, dtype=np.float32)).reshape(1, 1, w)
    centre = (
        xp.exp(-2.5 * (yy * yy + xx * xx)) * q["meter_centre"].reshape(b, 1, 1)
        + (1 - q["meter_centre"].reshape(b, 1, 1))
        + 0.05
    )
    if mask is not None:
        m = xp.array(mask)
        share = m.sum((1, 2)).reshape(b, 1, 1) / (h * w)
        centre = centre + m * (q["meter_cube"].reshape(b, 1, 1) * 4 / (share + 0.02))
    squeezed = xp.clip(luma, 1e-4, 1e4)
    mean = xp.exp((xp.log(squeezed) * centre).sum((1, 2)) / centre.sum((1, 2))) * 0.6 + 0.4 * (
        squeezed * centre
    ).sum((1, 2)) / centre.sum((1, 2))
    gain = q["target"] * xp.exp(q["ev"] * 0.6931) / mean
    x = rgb * gain.reshape(b, 1, 1, 1)
    soft = xp.clip(x, 0, 1.5)
    avg = soft.mean((1, 2)) + 1e-4  # (B, 3): grey world, followed in part
    grey = xp.exp(xp.log(avg.mean(-1).reshape(b, 1) / avg) * (0.75 * q["follow"].reshape(b, 1)))
    x = x * (xp.clip(grey, 0.4, 2.8) * q["wb"]).reshape(b, 1, 1, 3)
    r2 = (yy * yy * (h / w) ** 2 + xx * xx).reshape(1, h, w, 1) / (1 + (h / w) ** 2)
    return x * (1 - each("vignette") * r2)


def _develop(xp: Any, rgb: Any, p: dict[str, np.ndarray], mask: Any) -> Any:
    b, h, w, _ = rgb.shape
    q = {k: xp.array(v) for k, v in p.items()}

    def each(name: str) -> Any:
        return q[name].reshape(b, 1, 1, 1)

    x = xp.clip(_expose(xp, rgb, p, mask), 0, 30)
    radius = int(np.clip(np.ceil((p["focus"] + p["motion"] / 2 + 1.2).max()), 1, 14))
    x = xp.convolve(x, _disc_and_streak(p, radius))
    if (p["halo"] > 0).any():
        x = x * (1 - each("halo")) + each("halo") * xp.convolve(
            xp.clip(x, 0, 8), _gauss(np.full(b, 4.0 * h / 360), int(8 * h / 360))
        )
    noise = xp.normal((b, h, w, 3))
    x = x + noise * xp.sqrt(xp.clip(x, 0, 2) / each("full_well") + each("read") ** 2)
    x = xp.clip(x, 0, 1.0)
    luma = (x * xp.array(np.array(LUMA, np.float32))).sum(-1).reshape(b, h, w, 1)
    chroma = x - luma
    coarse = xp.convolve(xp.normal((b, h, w, 3)), _gauss(np.full(b, 1.2, np.float32), 3)) * 4
    chroma = chroma + coarse * each("chroma_noise") * (0.15 + xp.sqrt(xp.clip(luma, 0, 1)))
    chroma = xp.convolve(chroma, _gauss(p["chroma_blur"], 5))
    luma = xp.convolve(luma, _gauss(p["denoise"], 2))
    x = xp.clip(luma + chroma * each("saturation"), 0, 1)
    # sRGB curve, then a shoulder, an S and a lifted black
    x = xp.where(x <= 0.0031308, 12.92 * x, 1.055 * xp.clip(x, 1e-6, 1) ** (1 / 2.4) - 0.055)
    s = each("shoulder")
    x = xp.where(x > s, s + (1 - s) * (1 - xp.exp(-(x - s) / (1 - s) * 1.6)) / 0.7981, x)
    x = x + each("contrast") * (x * x * (3 - 2 * x) - x)
    x = each("lift") + x * (1 - each("lift"))
    x = x + each("sharpen") * (x - xp.convolve(x, _gauss(p["sharp_sigma"], 3)))
    return xp.clip(x, 0, 1)


def photograph(
    rgb: np.ndarray, p: dict[str, np.ndarray], seed: int = 0, meter_mask: np.ndarray | None = None
) -> np.ndarray:
    """Linear (B,H,W,3) RGB -> uint8 BGR (B,H,W,3), without JPEG."""
    xp = _Numpy(rgb, seed)
    out: np.ndarray = xp.bytes(_develop(xp, np.asarray(rgb, np.float32), p, meter_mask)[..., ::-1])
    return np.ascontiguousarray(out)


def photograph_torch(
    rgb: Any, p: dict[str, np.ndarray], seed: int = 0, meter_mask: Any = None, jpeg: bool = True
) -> Any:
    """As photograph, on a torch tensor; JPEG losses included (quality 0 in p['jpeg']: none)."""
    xp = _Torch(rgb, seed)
    x = _develop(xp, rgb.to(xp.t.float32), p, meter_mask)
    if jpeg:
        x = jpeg_torch(x, p["jpeg"], p["jpeg_420"])
    return xp.bytes(x.flip(-1))
