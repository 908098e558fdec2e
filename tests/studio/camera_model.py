"""From linear light to a JPEG: lens blur, shake, exposure, sensor noise, white balance, tone, sharpening,
coding."""

from __future__ import annotations

from dataclasses import asdict, dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .shades import linear_to_srgb

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Pipeline:
    """One camera's processing of one picture (all drawn from a seed; written to the truth)."""

    wb_gains: tuple[float, float, float]
    ev: float
    full_well: float
    read: float
    sat: float
    shoulder: float
    contrast: float
    lift: float
    chroma_blur: float
    nr: float
    sharpen: float
    sharp_sigma: float
    vignette: float
    psf_px: float
    shake_px: float
    shake_dir: float
    jpeg_q: int

    def to_truth(self) -> dict[str, object]:
        """The object `pipeline` of a truth file, rounded."""
        out: dict[str, object] = {}
        for key, value in asdict(self).items():
            out[key] = [round(v, 4) for v in value] if isinstance(value, tuple) else round(value, 4)
        return out


def draw_pipeline(
    rng: np.random.Generator, light_rgb: Array, *, height: int, dim: bool, blur: str
) -> Pipeline:
    """A camera's settings. `light_rgb`: mean colour of the light (green 1); `blur`: none, focus or motion."""
    adapted = rng.uniform(0.55, 1.1)
    gains = (light_rgb / light_rgb[1]) ** -adapted * np.exp(rng.normal(0, 0.06, 3))
    gains = np.clip(gains / gains[1], 0.3, 4.0)
    scale = height / 720
    return Pipeline(
        wb_gains=(float(gains[0]), 1.0, float(gains[2])),
        ev=float(rng.normal(-0.9 if dim else 0.0, 0.45)),
        full_well=float(rng.uniform(250, 900) if dim else rng.uniform(1200, 8000)),
        read=float(rng.uniform(0.004, 0.012) if dim else rng.uniform(0.0008, 0.004)),
        sat=float(rng.uniform(0.85, 1.3)),
        shoulder=float(rng.uniform(0.6, 0.95)),
        contrast=float(rng.uniform(0.0, 0.5)),
        lift=float(rng.choice([0.0, 0.0, 0.01, 0.03, 0.05])),
        chroma_blur=float(rng.uniform(0.4, 1.8) * max(scale, 0.4)),
        nr=float(rng.uniform(0, 0.7)),
        sharpen=float(rng.uniform(0, 1.1)),
        sharp_sigma=float(rng.uniform(0.8, 1.8) * max(scale, 0.5)),
        vignette=float(rng.uniform(0, 0.35)),
        psf_px=float(rng.uniform(1.3, 3.2) * scale if blur == "focus" else rng.uniform(0.35, 0.9)),
        shake_px=float(rng.uniform(3, 14) * scale if blur == "motion" else 0.0),
        shake_dir=float(rng.uniform(0, np.pi)),
        jpeg_q=int(rng.integers(45, 96)),
    )


def exposure(linear: Array, ev: float) -> float:
    """Factor that brings the picture's middle-weighted brightness to a mid tone, off by `ev` stops."""
    h, w = linear.shape[:2]
    y, x = np.mgrid[0:h, 0:w]
    weight = np.exp(-(((x / w - 0.5) ** 2 + (y / h - 0.5) ** 2) / 0.12))
    light = np.minimum(linear @ np.array([0.2126, 0.7152, 0.0722]), np.percentile(linear, 99.5))
    mean = float((light * weight).sum() / weight.sum())
    return float(0.2 / max(mean, 1e-6) * 2.0**ev)


def _spread(linear: Array, sigma: float) -> Array:
    return np.asarray(cv2.GaussianBlur(linear, (0, 0), sigma)) if sigma > 0.2 else linear


def _shaken(linear: Array, length: float, direction: float) -> Array:
    """A straight even shake, centred, so that places stay true."""
    if length < 0.5:
        return linear
    size = 2 * int(np.ceil(length / 2)) + 3
    kernel = np.zeros((size, size), dtype=np.float32)
    middle = (size - 1) / 2
    for t in np.linspace(-0.5, 0.5, 8 * size):
        x, y = middle + t * length * np.cos(direction), middle + t * length * np.sin(direction)
        x0, y0 = int(x), int(y)
        for dx in (0, 1):
            for dy in (0, 1):
                wx, wy = 1 - abs(x - x0 - dx), 1 - abs(y - y0 - dy)
                if 0 <= x0 + dx < size and 0 <= y0 + dy < size:
                    kernel[y0 + dy, x0 + dx] += max(wx, 0) * max(wy, 0)
    kernel /= kernel.sum()
    return np.asarray(cv2.filter2D(linear, -1, kernel, borderType=cv2.BORDER_REPLICATE))


def photograph(
    linear: NDArray[np.float32], p: Pipeline, seed: int, gain: float | None = None
) -> NDArray[np.uint8]:
    """A picture (H, W, 3) of BGR bytes as the camera's software would hand it to the JPEG coder.

    `gain` fixes the exposure (clips: one exposure for all frames); None meters this picture.
    """
    rng = np.random.default_rng(seed)
    light = linear.astype(np.float64)
    light = _shaken(_spread(light, p.psf_px), p.shake_px, p.shake_dir)
    h, w = light.shape[:2]
    y, x = np.mgrid[0:h, 0:w]
    r2 = ((x + 0.5) / w - 0.5) ** 2 + ((y + 0.5) / h - 0.5) ** 2
    light = light * (1 - p.vignette * 2 * r2)[..., None]
    raw = np.minimum(light * (exposure(light, p.ev) if gain is None else gain), 1.0)
    raw = raw + rng.normal(0, 1, raw.shape) * np.sqrt(np.maximum(raw, 0) / p.full_well + p.read**2)
    raw = np.minimum(np.clip(raw, 0, 1) * np.array(p.wb_gains), max(p.wb_gains) if p.shoulder < 0.7 else 1.0)
    grey = raw @ np.array([0.2126, 0.7152, 0.0722])
    raw = np.maximum(grey[..., None] + p.sat * (raw - grey[..., None]), 0)
    knee = p.shoulder  # above the knee light is rolled off towards 1
    over = np.maximum(raw - knee, 0)
    raw = np.minimum(raw, knee) + (1 - knee) * (1 - np.exp(-over / max(1 - knee, 1e-3)))
    out = linear_to_srgb(raw)
    out = out + p.contrast * 0.35 * (out - 0.5) * (1 - np.abs(2 * out - 1))
    out = p.lift + (1 - p.lift) * np.clip(out, 0, 1)
    ycc = cv2.cvtColor(out.astype(np.float32), cv2.COLOR_RGB2YCrCb)
    ycc[..., 1:] = cv2.GaussianBlur(ycc[..., 1:], (0, 0), max(p.chroma_blur, 0.3))
    luma = ycc[..., 0]
    if p.nr > 0.05:
        calm = cv2.bilateralFilter(luma, 5, 0.03 + 0.08 * p.nr, 1.5)
        luma = luma + p.nr * (calm - luma)
    luma = luma + p.sharpen * (luma - cv2.GaussianBlur(luma, (0, 0), p.sharp_sigma))
    ycc[..., 0] = np.clip(luma, 0, 1)
    bgr = cv2.cvtColor(ycc, cv2.COLOR_YCrCb2BGR)
    return (np.clip(bgr, 0, 1) * 255 + 0.5).astype(np.uint8)
