"""A first look at all pictures of one cube together: which colour each face has in each of them.

One picture of pastel stickers under an unknown lamp fits many colourings. But all pictures show one cube:
the 18 numbers of its class means are shared, the light is each picture's own or mostly common to all, and two
opposite corners hold each colour once. So the pictures are taken one after the other, each under every top
face and every way to hold the cube; what they have in common is a Gaussian that each picture narrows (exact,
a Kalman update), and the best few hundred sequences go on to the next picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from calibration.adapt import DIFFERENT_NATS, scatter, usual_cubes
from calibration.classifier import inverse_and_log_det
from calibration.colour import log_light
from calibration.lamps import IN_COMMON, light_covariance
from calibration.light import robust_centre
from calibration.profile import ColourModel
from calibration.samples import StickerSamples
from models.decode_tables import under_top

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

SEEN: Final = 0.5
"""Coverage from which a sticker counts here."""
BEAM: Final = 200
"""Sequences of hypotheses that go on to the next picture."""
BROAD_NATS: Final = 3.0
"""How much better unusual colours must explain the pictures."""
LIKE_THE_REST: Final = 0.4
"""Prior of a sticker of the last layer to have the colour of the rest of its face."""
UNSEEN_NATS: Final = 1.0
"""What a colour costs that no picture shows: who calibrates was asked for all sides."""
BRIGHTER: Final = 1.0
"""Standard deviation, log units, by which a face that is burnt out may be brighter than it looks."""
NOVELTY: Final = (0.35, 0.25)
"""Standard deviations, log units, by which the colours of an unusual cube may be lighter, and of another hue,
than the general model allows: black for white, pastel."""


@dataclass(frozen=True, eq=False)
class View:
    """One picture under one top: its one-coloured groups and the colours they may have.

    centre (G, 3) log light, spread (G, 3) its variance, faces (G,) pose faces, stickers (6, n, n) which
    stickers the groups are made of, colours (H, 6) colour of each pose face under each way to hold the cube,
    log_inside how well single stickers agree with that, nats.
    """

    centre: Floats
    spread: Floats
    faces: Ints
    stickers: NDArray[np.bool_]
    colours: Ints
    log_inside: float


@dataclass(frozen=True, eq=False)
class Together:
    """Labels (6, n, n) of each picture's one-coloured groups (-1 elsewhere), and the evidence for all."""

    labels: tuple[Ints, ...]
    log_evidence: float


def novelty() -> Floats:
    """Covariance (18, 18) that the colours of an unusual cube add to those of the general model (NOVELTY)."""
    return np.asarray(np.kron(np.eye(6), scatter(*NOVELTY)))


def views_of(samples: StickerSamples, model: ColourModel, scheme: tuple[int, ...]) -> list[View]:
    """The picture under each face in view as the top; faces without a clear sticker of their own left out."""
    out = []
    seen = samples.coverage > SEEN
    for top in samples.visible_faces:
        fixed, colours, _ = under_top(samples.size, top, scheme, False)
        fixed = fixed.reshape(6, samples.size, samples.size)
        use = seen & fixed
        faces = np.flatnonzero(use.any(axis=(1, 2)))
        if not len(faces):
            continue
        parts = [robust_centre(log_light(samples.linear_rgb[f][use[f]], model.floor)) for f in faces]
        out.append(
            View(
                np.array([centre for centre, _ in parts]),
                np.array([spread for _, spread in parts])
                + BRIGHTER**2 * np.array([[samples.burnt_out[f][use[f]].mean()] for f in faces]),
                faces,
                use,
                colours,
                sum(
                    _inside(
                        log_light(samples.linear_rgb[f][seen[f]], model.floor),
                        fixed[f][seen[f]],
                        centre,
                        model,
                    )
                    for f, (centre, _) in zip(faces, parts, strict=True)
                ),
            )
        )
    return out


def _inside(features: Floats, fixed: NDArray[np.bool_], centre: Floats, model: ColourModel) -> float:
    """Log-likelihood of a face's stickers if those ``fixed`` have its one colour and the others any."""
    inverse, log_det = inverse_and_log_det(2.0 * model.sticker_cov.mean(axis=0))
    off = features - centre
    own = -0.5 * (np.einsum("ni,ij,nj->n", off, inverse, off) + log_det + 3.0 * np.log(2.0 * np.pi))
    share = np.where(fixed, 1.0 - model.outlier_share, LIKE_THE_REST)
    other = np.log(1.0 - share) - np.log(model.outlier_volume)
    return float(np.logaddexp(np.log(share) + own, other).sum())


def look_together(
    pictures: Sequence[StickerSamples], model: ColourModel, scheme: tuple[int, ...]
) -> tuple[Ints, ...]:
    """Labels (6, n, n) of each picture's one-coloured groups as they fit one cube best, -1 elsewhere.

    The cube may be a usual one or one whose colours lie further off, its pictures under one lamp or under
    several, whatever explains them best. A picture of which nothing can be told keeps no label.
    """
    light_cov = light_covariance(model.mean, model.floor)
    shared_cov = IN_COMMON * light_cov  # brightness as well: without it more pairs are labelled wrongly
    cube_cov = usual_cubes(model)
    found = []
    for own, own_price in ((cube_cov, 0.0), (cube_cov + novelty(), BROAD_NATS)):
        for shared, price in ((shared_cov, 0.0), (np.zeros_like(shared_cov), DIFFERENT_NATS)):
            one = colourings(pictures, model, scheme, own + shared, light_cov - shared)
            found.append((one.log_evidence - own_price - price, one.labels))
    return max(found, key=lambda pair: pair[0])[1]


def colourings(
    pictures: Sequence[StickerSamples],
    model: ColourModel,
    scheme: tuple[int, ...],
    common_cov: Floats,
    light_cov: Floats,
) -> Together:
    """The colourings of all pictures that fit best.

    ``common_cov`` and ``light_cov`` (18, 18): how the class means scatter for all pictures together (cube and
    common light), and from picture to picture.
    """
    means, covs, logs = model.mean.reshape(1, 18).copy(), common_cov[None].copy(), np.zeros(1)
    paths: list[tuple[tuple[int, int], ...]] = [()]
    all_views = [views_of(one, model, scheme) for one in pictures]
    for views in all_views:
        if not views:
            paths = [(*path, (-1, -1)) for path in paths]
            continue
        found = [
            _evidence(model, means, covs, light_cov, view) + view.log_inside + logs[:, None] for view in views
        ]
        flat = np.concatenate([one.ravel() for one in found])
        starts = np.cumsum([0, *[one.size for one in found]])
        best = np.argsort(-flat, kind="stable")[:BEAM]
        which = np.searchsorted(starts, best, side="right") - 1
        inside = best - starts[which]
        held = np.array([len(view.colours) for view in views])[which]
        before, way = inside // held, inside % held
        next_means, next_covs = np.empty((len(best), 18)), np.empty((len(best), 18, 18))
        for i, (v, b, w) in enumerate(zip(which, before, way, strict=True)):
            next_means[i], next_covs[i] = _narrowed(model, means[b], covs[b], light_cov, views[v], int(w))
        paths = [(*paths[b], (int(v), int(w))) for v, b, w in zip(which, before, way, strict=True)]
        means, covs, logs = next_means, next_covs, flat[best]
    logs = logs - UNSEEN_NATS * np.array([6 - len(_shown(all_views, path)) for path in paths])
    best_path = int(logs.argmax())
    labels = []
    for one, views, (v, w) in zip(pictures, all_views, paths[best_path], strict=True):
        own = np.full(one.coverage.shape, -1, dtype=np.intp)
        if v >= 0:
            view = views[v]
            own[view.stickers] = np.broadcast_to(view.colours[w][:, None, None], own.shape)[view.stickers]
        labels.append(own)
    return Together(tuple(labels), float(logs[best_path]))


def _shown(all_views: Sequence[Sequence[View]], path: Sequence[tuple[int, int]]) -> set[int]:
    """Colours that the pictures show under a sequence of (view, way to hold the cube)."""
    pairs = [(views[v], w) for views, (v, w) in zip(all_views, path, strict=True) if v >= 0]
    return {int(k) for view, w in pairs for k in view.colours[w, view.faces]}


def _noise(model: ColourModel, view: View, colours: Ints) -> Floats:
    """Covariance (..., G, 3, 3) of a group's centre about class mean + light, for its colours (..., G)."""
    spread = view.spread[:, :, None] * np.eye(3)
    return np.asarray(model.face_cov + model.cell_cov[colours] + spread)


def _parts(
    model: ColourModel, covs: Floats, light_cov: Floats, view: View, colours: Ints
) -> tuple[Ints, Floats]:
    """Places (..., 3 G) of the groups' numbers among the 18; their covariance, given a cube's (B, 18, 18)."""
    groups = len(view.faces)
    index = (3 * colours[..., None] + np.arange(3)).reshape(*colours.shape[:-1], 3 * groups)
    cov = (covs + light_cov)[:, index[..., :, None], index[..., None, :]]
    noise = _noise(model, view, colours)
    for g in range(groups):
        own = slice(3 * g, 3 * g + 3)
        cov[..., own, own] += noise[..., g, :, :]
    return index, cov


def _evidence(model: ColourModel, means: Floats, covs: Floats, light_cov: Floats, view: View) -> Floats:
    """Log evidence (B, H) of a view for B cubes, each known as a Gaussian, under H ways to hold it."""
    colours = view.colours[:, view.faces]
    index, cov = _parts(model, covs, light_cov, view, colours)
    off = view.centre.reshape(-1) - means[:, index]
    inverse, log_det = inverse_and_log_det(cov)
    distance = np.einsum("bhi,bhij,bhj->bh", off, inverse, off)
    return np.asarray(-0.5 * (distance + log_det + off.shape[-1] * np.log(2.0 * np.pi)))


def _narrowed(
    model: ColourModel, mean: Floats, cov: Floats, light_cov: Floats, view: View, way: int
) -> tuple[Floats, Floats]:
    """The cube's Gaussian after a picture held in one way."""
    index, seen = _parts(model, cov[None], light_cov, view, view.colours[way, view.faces])
    gain = np.linalg.solve(seen[0], cov[index]).T
    after = cov - gain @ cov[index]
    moved = mean + gain @ (view.centre.reshape(-1) - mean[index])
    return moved, (after + after.T) / 2.0
