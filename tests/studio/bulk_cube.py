"""Random looks, states and misturns of cubes for the bulk pictures (numpy only).

Facelet arrays are (6, n, n) in face order URFDLB, rows as printed on paper; cube axes x -> R, y -> U, z -> F.
"""

from __future__ import annotations

import colorsys
from typing import Any

import numpy as np

FACES = "URFDLB"
CUBE_FLOATS = 256
# usual shades (sRGB, from memory, no source), in the order white yellow red orange blue green, from which the
# jitter starts
USUAL = np.array(
    [
        [0.93, 0.93, 0.92],
        [0.98, 0.85, 0.10],
        [0.78, 0.08, 0.12],
        [0.98, 0.41, 0.07],
        [0.06, 0.26, 0.72],
        [0.05, 0.60, 0.25],
    ]
)
# yellows are sold from golden to lemon: shift of their hue, in turns (from memory, no source)
YELLOW_HUES = (-0.036, 0.012)
Rng = np.random.Generator


def to_linear(srgb: Any) -> np.ndarray:
    """sRGB 0..1 -> linear 0..1 (IEC 61966-2-1)."""
    c = np.clip(np.asarray(srgb, float), 0, 1)
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def jitter_hsv(rng: Rng, srgb: np.ndarray, dh: float, ds: float, dv: float) -> np.ndarray:
    h, s, v = colorsys.rgb_to_hsv(*srgb)
    h = (h + rng.normal(0, dh)) % 1.0
    s = float(np.clip(s * (1 + rng.normal(0, ds)) + abs(rng.normal(0, 0.03)), 0, 1))
    v = float(np.clip(v * (1 + rng.normal(0, dv)), 0.03, 1))
    return np.array(colorsys.hsv_to_rgb(h, s, v))


def sample_palette(rng: Rng) -> tuple[np.ndarray, str]:
    """Six sticker colours, linear RGB (6, 3), and the name of the family they were drawn from."""
    kind = str(
        rng.choice(
            ["usual", "bright", "dark", "faded", "pastel", "free"], p=[0.36, 0.16, 0.14, 0.12, 0.12, 0.10]
        )
    )
    if kind == "free":
        out: list[np.ndarray] = []
        while len(out) < 6:
            c = np.array(colorsys.hsv_to_rgb(rng.random(), rng.random() ** 0.5, 0.12 + 0.88 * rng.random()))
            if all(np.abs(c - o).sum() > 0.35 for o in out):
                out.append(c)
        return to_linear(np.array(out)), kind
    g_s, g_v = {
        "usual": (1.0, 1.0),
        "bright": (1.15, 1.15),
        "dark": (1.05, rng.uniform(0.5, 0.75)),
        "faded": (rng.uniform(0.6, 0.85), rng.uniform(0.8, 0.95)),
        "pastel": (rng.uniform(0.35, 0.65), 1.2),
    }[kind]
    cols = []
    for i, base in enumerate(USUAL):
        h, s, v = colorsys.rgb_to_hsv(*base)
        if i == 1:
            h += rng.uniform(*YELLOW_HUES)
        c = np.array(
            colorsys.hsv_to_rgb(h, min(1.0, s * g_s), min(1.0, (v + (0.1 if kind == "pastel" else 0)) * g_v))
        )
        cols.append(jitter_hsv(rng, c, 0.018 if i not in (2, 3) else 0.010, 0.09, 0.08))
    return to_linear(np.array(cols)), kind


def sample_scheme(rng: Rng) -> np.ndarray:
    """Colour index of each face URFDLB of the solved cube: the usual one in any of 24 attitudes, sometimes
    another."""
    if rng.random() < 0.1:
        return rng.permutation(6)
    s = np.array([0, 2, 5, 1, 3, 4])  # white up, green front, red right (common practice)
    if rng.random() < 0.08:
        s = s[[0, 4, 2, 3, 1, 5]]  # the mirrored scheme
    turn_y, turn_x = np.array([0, 5, 1, 3, 2, 4]), np.array([2, 1, 3, 5, 4, 0])
    for _ in range(12):
        s = s[turn_y] if rng.random() < 0.5 else s[turn_x]
    return s


def last_layer_facelets(rng: Rng, n: int) -> np.ndarray:
    """Home face (0..5) of each facelet: solved but for a random legal last layer on U."""
    f = np.repeat(np.arange(6), n * n).reshape(6, n, n)
    corner_cols = [(0, 1, 2), (0, 2, 4), (0, 4, 5), (0, 5, 1)]  # UFR UFL UBL UBR, clockwise seen from outside
    m = n - 1
    # facelet places of each corner slot, in the same order (face, row, col)
    corner_at = [
        [(0, m, m), (1, 0, 0), (2, 0, m)],
        [(0, m, 0), (2, 0, 0), (4, 0, m)],
        [(0, 0, 0), (4, 0, 0), (5, 0, m)],
        [(0, 0, m), (5, 0, 0), (1, 0, m)],
    ]
    perm = rng.permutation(4)
    twist = rng.integers(0, 3, 4)
    twist[3] = (-twist[:3].sum()) % 3
    for slot in range(4):
        for k in range(3):
            face, r, c = corner_at[slot][(k + twist[slot]) % 3]
            f[face, r, c] = corner_cols[perm[slot]][k]
    if n == 2:
        return f
    eperm = rng.permutation(4)
    flip = rng.integers(0, 2, 4)
    if n % 2:  # one piece in the middle: parity of edges follows corners, flips come in pairs

        def parity(p: np.ndarray) -> int:
            return sum(int(p[i] > p[j]) for i in range(4) for j in range(i + 1, 4)) % 2

        if parity(perm) != parity(eperm):
            eperm[[0, 1]] = eperm[[1, 0]]
        flip[3] = flip[:3].sum() % 2
    side = [2, 1, 5, 4]  # UF UR UB UL
    for slot in range(4):
        for k in range(1, m):
            at_u = [(0, m, k), (0, k, m), (0, 0, k), (0, k, 0)][slot]
            at_s = (side[slot], 0, k)
            a, b = 0, side[eperm[slot]]
            if flip[slot]:
                a, b = b, a
            f[at_u], f[at_s] = a, b
    return f


def loose_facelets(rng: Rng, n: int) -> np.ndarray:
    """Home face of each facelet: all below the top layer solved, the top layer's stickers at random, every
    other one the top's own: what training takes to learn colours without learning which cases exist."""
    f = np.repeat(np.arange(6), n * n).reshape(6, n, n)
    share = rng.uniform(0.3, 0.7)
    layer = np.zeros((6, n, n), bool)
    layer[0] = True
    layer[[1, 2, 4, 5], 0] = True
    layer[0, 1 : n - 1, 1 : n - 1] = False
    f[layer] = np.where(rng.random(layer.sum()) < share, 0, rng.choice([1, 2, 4, 5], layer.sum()))
    return f


def sample_state(rng: Rng, n: int, solved: float = 0.15, loose: bool = False) -> tuple[np.ndarray, str]:
    """Colour indices (6, n, n) and 'last_layer' | 'scrambled' | 'solved' | 'loose'; ``solved``: a share."""
    scheme = sample_scheme(rng)
    if loose:
        return scheme[loose_facelets(rng, n)], "loose"
    r = rng.random() / (1 - solved) * 0.85
    if r < 0.70:
        home, name = last_layer_facelets(rng, n), "last_layer"
    elif r < 0.85:
        home = rng.permutation(np.repeat(np.arange(6), n * n)).reshape(6, n, n)
        name = "scrambled"
    else:
        home, name = np.repeat(np.arange(6), n * n).reshape(6, n, n), "solved"
    return scheme[home], name


def sample_misturn(rng: Rng, n: int, chance: float = 0.30) -> tuple[int, np.ndarray]:
    """Axis (0 x, 1 y, 2 z) and degrees of each layer, counted from the axis' negative end; right-handed
    turns."""
    deg = np.zeros(n)
    if rng.random() >= chance:
        return 1, deg
    axis = int(rng.choice([1, 1, 1, 0, 2]))
    if axis == 1 and rng.random() < 0.12:  # a top layer caught in mid-turn
        k = 1 if n < 4 or rng.random() < 0.7 else 2
        deg[n - k :] = rng.uniform(10, 40) * rng.choice([-1, 1])
        return axis, deg
    if rng.random() < 0.5:
        deg[n - 1 if axis == 1 else rng.integers(0, n)] = rng.uniform(-6, 6)
    else:
        deg = np.clip(np.cumsum(rng.normal(0, 1.6, n)), -6, 6)
        deg -= deg[0]
    return axis, np.clip(deg, -6, 6)


def sample_plastic(rng: Rng) -> np.ndarray:
    k = rng.choice(["black", "white", "cream", "grey", "colour"], p=[0.5, 0.17, 0.1, 0.1, 0.13])
    if k == "black":
        return to_linear(np.full(3, rng.uniform(0.04, 0.17)) + rng.normal(0, 0.008, 3))
    if k == "white":
        return to_linear(np.full(3, rng.uniform(0.82, 0.95)) + rng.normal(0, 0.01, 3))
    if k == "cream":
        return to_linear(np.array([0.93, 0.88, 0.74]) * rng.uniform(0.85, 1.0) + rng.normal(0, 0.02, 3))
    if k == "grey":
        return to_linear(np.full(3, rng.uniform(0.25, 0.7)) + rng.normal(0, 0.01, 3))
    return to_linear(
        np.array(colorsys.hsv_to_rgb(rng.random(), rng.uniform(0.3, 0.9), rng.uniform(0.3, 0.95)))
    )


def sample_thickness(rng: Rng) -> float:
    """How far stickers stand out, in pitches: none of it, or from thin vinyl to tiles.

    On a pitch of 15 mm 0.1 to 0.6 mm (common practice, no source). Seen from above, what stands out of a side
    shows a rim of its colour about the top.
    """
    return 0.0 if rng.random() < 0.3 else float(np.exp(rng.uniform(np.log(0.006), np.log(0.04))))


def cube_block(
    rng: Rng,
    n: int,
    side_cm: float,
    centre: np.ndarray,
    rows: np.ndarray,
    ident: int,
    misturn_chance: float = 0.30,
    solved: float = 0.15,
    loose: bool = False,
) -> tuple[np.ndarray, dict[str, Any]]:
    """One cube's parameter block (see bulk_tracer.h) and its truth (without the camera's part)."""
    q = np.zeros(CUBE_FLOATS, np.float32)
    pitch = side_cm / n
    stickerless = bool(rng.random() < 0.45)
    palette, family = sample_palette(rng)
    facelets, state = sample_state(rng, n, solved, loose)
    axis, deg = sample_misturn(rng, n, misturn_chance)
    gap = rng.uniform(0.004, 0.03)  # half of it
    if stickerless:
        style = rng.random()
        gap = 0.003 if style < 0.2 else rng.uniform(0.004, 0.028)
        bevel = pitch * (rng.uniform(0.02, 0.05) if style < 0.35 else rng.uniform(0.05, 0.16))
        plastic = sample_plastic(rng)
        inner = to_linear(np.full(3, rng.uniform(0.03, 0.25))) if rng.random() < 0.75 else plastic
    else:
        bevel = pitch * rng.uniform(0.025, 0.12)
        plastic = sample_plastic(rng)
        inner = plastic * 0.8
    flat = 1 - (gap + 0.5 * bevel) / (pitch / 2)
    ratio = min(rng.uniform(0.76, 0.97), flat)
    q[:16] = [
        n,
        side_cm / 2,
        gap,
        bevel,
        float(stickerless),
        ratio,
        rng.choice([rng.uniform(0.05, 0.25), rng.uniform(0.25, 0.6)]),
        rng.choice([0, rng.uniform(0.1, 0.6)]),
        rng.choice([rng.uniform(0.06, 0.2), rng.uniform(0.2, 0.6)]),
        rng.uniform(0.03, 0.06),
        *plastic,
        rng.uniform(0.15, 0.6),
        ident,
        rng.integers(1, 9999),
    ]
    q[16:19] = centre
    q[19:28] = rows.ravel()
    groups: list[list[float]] = []
    for i, a in enumerate(deg):
        if groups and abs(groups[-1][2] - a) < 1e-6:
            groups[-1][1] = i + 1
        else:
            groups.append([i, i + 1, a])
    q[28], q[29] = len(groups), axis
    for g, (lo, hi, a) in enumerate(groups):
        q[30 + 4 * g : 34 + 4 * g] = lo, hi, np.cos(np.radians(a)), np.sin(np.radians(a))
    q[50] = rng.choice([0, rng.uniform(0.1, 1.0)], p=[0.55, 0.45])
    marks = int(rng.choice([0, 1, 2, 3], p=[0.6, 0.25, 0.1, 0.05]))
    q[51] = marks
    for k in range(marks):
        face, r, c = (
            (0 if rng.random() < 0.5 else int(rng.integers(6))),
            int(rng.integers(n)),
            int(rng.integers(n)),
        )
        q[52 + 4 * k : 56 + 4 * k] = (
            face * 25 + r * 5 + c,
            rng.integers(0, 6),
            rng.uniform(0.3, 0.65),
            rng.uniform(0, 6.28),
        )
    q[64:82] = palette.ravel()
    q[82:85] = inner
    q[85] = rng.choice([0, rng.uniform(0.0, 0.05)])
    q[86] = rng.choice([0, rng.uniform(0.0, 0.10)])
    if not stickerless:  # from its number, so that what is drawn after it stays as it was
        q[87] = pitch * sample_thickness(np.random.default_rng(int(q[15])))
    grid = np.zeros((6, 5, 5), np.float32)
    grid[:, :n, :n] = facelets
    q[96:246] = grid.ravel()
    truth = {
        "n": n,
        "side_cm": float(side_cm),
        "stickerless": stickerless,
        "family": family,
        "state": state,
        "facelets": facelets,
        "palette_linear": palette,
        "misturn_axis": axis,
        "misturn_deg": deg,
    }
    return q, truth
