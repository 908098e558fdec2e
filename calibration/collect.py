"""Learn a cube's profile from pictures of it: the decoder labels the stickers, what disagrees is left out.

The pictures show the cube solved or at any last-layer state. Labels, colour scheme and colour model are
found in turns: the scheme by the evidence of all pictures under each of the 30 ways to put six colours on a
cube, labels by the decoder's posterior, the model by :func:`calibration.adapt.adapt`. A picture whose
labels change when it is read with the model of the others does not agree with them.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from calibration.adapt import adapt
from calibration.colour import log_light
from calibration.kept import MOST_OWN, refit, thinned
from calibration.learning import LabelledPicture
from calibration.mirrored import mirror_images
from calibration.modes import PIXEL_NOISE, SPREAD_SHARE
from calibration.profile import SCHEME, ColourModel, ColourSample, Profile, default_profile
from calibration.reading import Reading, read_stickers
from calibration.samples import StickerSamples
from calibration.schemes import all_schemes
from calibration.together import BROAD_NATS, look_together, novelty
from models.decode_doubt import is_doubted
from models.errors import LastlookError
from models.notation import FACES

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

SURE: Final = 0.9
"""Posterior from which a sticker's label is taken."""
COVERED: Final = 0.5
"""A sticker teaches where more than this share of it is seen."""
DIFFERING: Final = 0.12
"""Share of a picture's stickers that may be labelled otherwise by the model of the other pictures."""
OTHER_SCHEME_NATS: Final = 6.5
"""How much more evidence another scheme than the usual one must bring."""
LIKELY_SCHEMES: Final = 10
"""Schemes, the likeliest at first sight, that are tried in full."""
MAX_SCHEME_PICTURES: Final = 6
"""Pictures that the scheme and the width of the colours are asked of, for the time it takes."""
MAX_TOGETHER: Final = 8
"""Pictures that are looked at together."""


class CollectError(LastlookError):
    """No profile can be made of these pictures; the line says what to show instead."""


@dataclass(frozen=True, eq=False)
class Shot:
    """The stickers of one picture; ``light`` names the light where the person told it, ``told`` (6, n, n) the
    colour index of every sticker. ``mirror_of`` names a picture that is the mirror image of this one as a
    whole."""

    name: str
    samples: StickerSamples
    light: str = ""
    told: Ints | None = None
    mirror_of: str = ""


@dataclass(frozen=True, eq=False)
class LabelledShot:
    """A shot with its labels (colour index (6, n, n), -1: none is sure) and the reading behind them."""

    shot: Shot
    labels: Ints
    reading: Reading

    @property
    def size(self) -> int:
        """n of the cube."""
        return self.shot.samples.size


@dataclass(frozen=True, eq=False)
class Collected:
    """A profile with the pictures it is made of and, with the reason, those left out."""

    profile: Profile
    kept: tuple[LabelledShot, ...]
    left_out: tuple[tuple[str, str], ...] = ()
    warnings: tuple[str, ...] = field(default=())


def broadened(model: ColourModel) -> ColourModel:
    """The model for a cube of which nothing is known: its colours may lie further off, each by itself."""
    return replace(model, picture_cov=model.picture_cov + novelty())


def labelled_picture(samples: StickerSamples, labels: Ints, model: ColourModel) -> LabelledPicture:
    """Features of the labelled stickers (label >= 0) for learning."""
    rows = np.argwhere((labels >= 0) & (samples.coverage > COVERED))
    index = tuple(rows.T)
    linear = samples.linear_rgb[index].astype(np.float64)
    spread = samples.spread_rgb[index].astype(np.float64)
    faces = np.unique(rows[:, 0])
    noise_var = (PIXEL_NOISE**2 + (SPREAD_SHARE * spread) ** 2) / samples.coverage[index][:, None]
    return LabelledPicture(
        features=log_light(linear, model.floor),
        face_of=np.searchsorted(faces, rows[:, 0]),
        labels=labels[index].astype(np.intp),
        measure_var=noise_var / (linear + model.floor) ** 2,
        weight=np.ones(len(rows)),
    )


def label_shot(shot: Shot, profile: Profile, otherwise: Ints | None = None) -> LabelledShot:
    """Label a shot's stickers with the decoder's posterior under ``profile``, or as a person told them.

    ``otherwise`` (6, n, n): labels that all pictures together gave. They fill in where the posterior is not
    sure, and stand where it contradicts them throughout: one picture alone knows less.
    """
    reading = read_stickers(shot.samples, profile, mirror=False)
    marginals = reading.posterior.marginals
    labels = marginals.argmax(axis=-1).astype(np.intp)
    unsure = marginals.max(axis=-1) < SURE
    if otherwise is None:
        labels[unsure] = -1
    else:
        both = ~unsure & (otherwise >= 0)
        against = both.any() and (labels[both] != otherwise[both]).mean() > DIFFERING
        labels = otherwise.copy() if against else np.where(unsure, otherwise, labels)
    if shot.told is not None:
        labels = shot.told.astype(np.intp)
    labels[shot.samples.coverage <= COVERED] = -1
    return LabelledShot(shot, labels, reading)


def _is_clear(shot: Shot) -> bool:
    """Whether any sticker is seen well enough to be labelled."""
    return bool((shot.samples.coverage > COVERED).any())


def problem_of(labelled: LabelledShot) -> str | None:
    """Why a picture cannot teach anything by itself, or None."""
    if labelled.shot.told is None and is_doubted(labelled.reading.posterior):
        return "shows no cube that is solved or at its last layer"
    if (labelled.labels >= 0).sum() < 2 * labelled.size:
        return "shows too few stickers clearly"
    return None


def evidence_apart(shots: Sequence[Shot], profile: Profile, base: ColourModel) -> float:
    """Log evidence of the pictures under the profile's scheme, each read with colours that the others teach.

    Pictures of one cube explain each other under its own scheme best.
    """

    def guessed(shot: Shot, with_profile: Profile) -> LabelledShot:
        reading = read_stickers(shot.samples, with_profile, mirror=False)
        labels = reading.posterior.marginals.argmax(axis=-1).astype(np.intp)
        labels[shot.samples.coverage <= COVERED] = -1
        return LabelledShot(shot, labels, reading)

    labelled = [guessed(shot, profile) for shot in shots]
    fitted = profile.with_model(fit(labelled, base))
    labelled = [guessed(shot, fitted) for shot in shots]
    apart = 0.0
    for i, one in enumerate(labelled):
        others = fit([other for j, other in enumerate(labelled) if j != i], base)
        apart += guessed(one.shot, profile.with_model(others)).reading.log_evidence
    return float(apart)


def find_scheme(shots: Sequence[Shot], base: Profile) -> tuple[tuple[int, ...], bool]:
    """The colour scheme that the pictures bear out, and whether it stands clear of all others.

    Two pictures of opposite corners fit several schemes whatever the colours are, so the usual one stands
    unless three or more pictures speak against it by OTHER_SCHEME_NATS.
    """
    shown = [shot for shot in shots if len(shot.samples.visible_faces) >= 2][:MAX_SCHEME_PICTURES]
    if len(shown) < 3:
        return SCHEME, True
    first = []
    for scheme in all_schemes():
        readings = [read_stickers(shot.samples, replace(base, scheme=scheme), mirror=False) for shot in shown]
        first.append(sum(reading.log_evidence for reading in readings))
    likely = sorted({0, *np.argsort(-np.array(first))[:LIKELY_SCHEMES].tolist()})
    apart = {i: evidence_apart(shown, replace(base, scheme=all_schemes()[i]), base.model) for i in likely}
    apart[0] += OTHER_SCHEME_NATS
    best = max(apart, key=lambda i: apart[i])
    rivals = [value for i, value in apart.items() if i != best]
    return all_schemes()[best], best == 0 or apart[best] - max(rivals) > 3.0


def find_width(shots: Sequence[Shot], base: Profile) -> Profile:
    """``base``, or its :func:`broadened` model where that explains unusual colours BROAD_NATS better."""

    def evidence(profile: Profile) -> float:
        readings = (
            read_stickers(shot.samples, profile, mirror=False) for shot in shots[:MAX_SCHEME_PICTURES]
        )
        return float(sum(reading.log_evidence for reading in readings))

    broad = base.with_model(broadened(base.model))
    return broad if evidence(broad) > evidence(base) + BROAD_NATS else base


def first_look(shots: Sequence[Shot], base: Profile) -> tuple[Profile, list[Ints | None]]:
    """A profile to label the shots with, and labels of those stickers that are plain to see without one.

    What a person told comes first; else the pictures are looked at together; one alone stays as it is.
    """
    labels: list[Ints | None] = [shot.told for shot in shots]
    if len(shots) > 1 and not any(own is not None for own in labels):
        seen = [shot.samples for shot in shots[:MAX_TOGETHER]]
        labels[: len(seen)] = look_together(seen, base.model, base.scheme)
    known = [
        labelled_picture(shot.samples, own, base.model)
        for shot, own in zip(shots, labels, strict=True)
        if own is not None and ((own >= 0) & (shot.samples.coverage > COVERED)).any()
    ]
    return (base.with_model(adapt(base.model, known)) if known else find_width(shots, base)), labels


def collect(
    shots: Sequence[Shot],
    name: str,
    *,
    base: Profile | None = None,
    colours: Sequence[str] | None = None,
    scheme: Sequence[int] | None = None,
    on_step: Callable[[str], None] = lambda words: None,
) -> Collected:
    """Make a profile called ``name`` out of ``shots``.

    ``base`` is the general profile to start from (the built-in one); ``colours`` six names in its order;
    ``scheme`` is learned where None. Raises CollectError when no two pictures agree, or one that is alone
    shows no last layer.
    """
    base = base or default_profile()
    warnings: list[str] = []
    left_out = [(shot.name, "shows no sticker clearly") for shot in shots if not _is_clear(shot)]
    shots = [shot for shot in shots if _is_clear(shot)]
    named = replace(base, name=name, samples=(), held_out={}, note="")
    if scheme is None:
        on_step("finding the colour scheme")
        scheme, certain = find_scheme(shots, named)
        if not certain:
            warnings.append("the colour scheme is not certain; show more corners, or state it with --scheme")
    kept: list[LabelledShot] = []
    on_step("labelling the stickers")
    start, plain = first_look(shots, replace(named, scheme=tuple(scheme)))
    for shot, own in zip(shots, plain, strict=True):
        labelled = label_shot(shot, start, own)
        problem = problem_of(labelled)
        if problem is None:
            kept.append(labelled)
        else:
            left_out.append((shot.name, problem))
    if not kept:
        raise CollectError(_nothing_left(left_out))
    on_step("comparing the pictures")
    for compared in (unmirrored, agreeing):
        kept, odd = compared(kept, start, base.model)
        left_out += odd
        if not kept:
            raise CollectError(_nothing_left(left_out))
    profile = start
    for _ in range(2):
        on_step("fitting")
        profile = replace(profile, model=fit(kept, base.model))
        kept = [label_shot(one.shot, profile, one.labels) for one in kept]
    profile = replace(
        profile,
        colours=tuple(colours) if colours else base.colours,
        sizes=tuple(sorted({one.size for one in kept})),
        samples=thinned([sample for one in kept for sample in samples_of(one, base.model)], MOST_OWN),
    )
    # fitted once more from what is kept, so that anybody can do so again and get the same numbers
    profile = profile.with_model(refit(profile, base.model))
    unseen = unseen_colours(kept)
    if unseen:
        names = ", ".join(profile.colours[k] for k in unseen)
        warnings.append(f"never seen: {names}; add a picture of the other side of the cube")
    return Collected(profile, tuple(kept), tuple(left_out), tuple(warnings))


def fit(kept: Sequence[LabelledShot], base: ColourModel) -> ColourModel:
    """The colour model of labelled shots."""
    return adapt(base, [labelled_picture(one.shot.samples, one.labels, base) for one in kept])


def unmirrored(
    labelled: Sequence[LabelledShot], start: Profile, base: ColourModel
) -> tuple[list[LabelledShot], list[tuple[str, str]]]:
    """The pictures that are no mirror images, as far as the others tell, and the others with the reason."""

    def without(numbers: Collection[int]) -> Profile:
        others = [one for i, one in enumerate(labelled) if i not in numbers]
        return replace(start, model=fit(others, base))

    pictures = [
        (
            one.shot.name,
            one.shot.samples,
            one.shot.mirror_of,
            frozenset(np.unique(one.labels).tolist()) - {-1},
        )
        for one in labelled
    ]
    out = mirror_images(pictures, without)
    kept = [one for i, one in enumerate(labelled) if i not in out]
    return kept, [(pictures[i][0], reason) for i, reason in out.items()]


def agreeing(
    labelled: Sequence[LabelledShot], start: Profile, base: ColourModel
) -> tuple[list[LabelledShot], list[tuple[str, str]]]:
    """The pictures that agree with each other, and the others with the reason.

    Each is read with the model of all others; the one that differs most is left out, and again, until all
    agree. Of two that contradict each other neither can be told to be right.
    """
    kept = list(labelled)
    left: list[tuple[str, str]] = []
    while len(kept) > 1:
        differing = [differing_share(i, kept, start, base) for i in range(len(kept))]
        worst = int(np.argmax(differing))
        if differing[worst] <= DIFFERING:
            break
        if len(kept) == 2:
            names = " and ".join(one.shot.name for one in kept)
            before = ", ".join(name for name, _ in left)
            others = f", nor did {before} with them" if left else ""
            more = "more pictures" if left else "a third picture"
            raise CollectError(f"{names} do not agree on the colours{others}; add {more} of the same cube")
        left.append(
            (
                kept[worst].shot.name,
                f"{100 * differing[worst]:.0f} % of its stickers disagree with the others",
            )
        )
        del kept[worst]
    return kept, left


def differing_share(which: int, labelled: Sequence[LabelledShot], start: Profile, base: ColourModel) -> float:
    """Share of the sure labels of one picture that the model of the others contradicts.

    Only stickers of colours that the others show count: of the rest they know nothing.
    """
    others = [one for i, one in enumerate(labelled) if i != which]
    own = labelled[which].labels
    shown = np.isin(own, [k for k in range(6) if k not in unseen_colours(others)])
    if not shown.any():
        return 0.0
    again = label_shot(labelled[which].shot, replace(start, model=fit(others, base)))
    both = shown & (again.labels >= 0)
    return float((own[both] != again.labels[both]).mean()) if both.any() else 1.0


def unseen_colours(kept: Sequence[LabelledShot]) -> list[int]:
    """Colour indices of which no sticker was seen."""
    seen = np.unique(np.concatenate([one.labels.ravel() for one in kept]))
    return [k for k in range(6) if k not in seen]


def light_of(labelled: LabelledShot, base: ColourModel) -> tuple[float, float, float]:
    """Linear colour of the picture's white: the general white, moved as all six colours are on average."""
    features = labelled.reading.class_features
    shift = np.nanmean(features - base.mean, axis=(0, 1))
    red, green, blue = np.exp(base.mean[0] + shift) - base.floor
    return (max(float(red), 0.0), max(float(green), 0.0), max(float(blue), 0.0))


def samples_of(labelled: LabelledShot, base: ColourModel) -> list[ColourSample]:
    """The labelled stickers as the profile keeps them; ``picture`` is "NAME#FACE"."""
    light = light_of(labelled, base)
    samples = labelled.shot.samples
    out = []
    for face, row, col in np.argwhere((labelled.labels >= 0) & (samples.coverage > COVERED)):
        red, green, blue = (min(1.0, max(0.0, float(v))) for v in samples.linear_rgb[face, row, col])
        key = f"{labelled.shot.name}#{FACES[face]}"
        out.append(ColourSample(int(labelled.labels[face, row, col]), (red, green, blue), light, key))
    return out


def _nothing_left(left_out: Sequence[tuple[str, str]]) -> str:
    told = "; ".join(f"{name} {reason}" for name, reason in left_out[:4])
    return f"no picture can be used: {told}; show the cube solved, two or three faces at a time"
