"""What is found out of a cube's pictures before they are labelled: its scheme, and colours to start from.

The scheme is asked of all pictures under each of the 30 ways to put six colours on a cube; the colours come
from what a person told, or from a look at all pictures together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from calibration.adapt import adapt, first_word
from calibration.labelling import COVERED, Shot, labelled_picture, teaching
from calibration.learning import LabelledPicture
from calibration.profile import SCHEME, ColourModel, Profile
from calibration.reading import read_stickers
from calibration.schemes import all_schemes
from calibration.together import BROAD_NATS, look_together, novelty

Ints = NDArray[np.intp]

OTHER_SCHEME_NATS: Final = 6.5
"""How much more evidence another scheme than the usual one must bring."""
LIKELY_SCHEMES: Final = 10
"""Schemes, the likeliest at first sight, that are tried in full."""
MAX_SCHEME_PICTURES: Final = 6
"""Pictures that the scheme and the width of the colours are asked of, for the time it takes."""
MAX_TOGETHER: Final = 8
"""Pictures that are looked at together."""


def broadened(model: ColourModel) -> ColourModel:
    """The model for a cube of which nothing is known: its colours may lie further off, each by itself."""
    return replace(model, picture_cov=model.picture_cov + novelty())


def _guess(shot: Shot, profile: Profile) -> tuple[Ints, float]:
    """The likeliest label of each sticker, sure or not, and the log evidence of the picture."""
    reading = read_stickers(shot.samples, profile, mirror=False)
    labels = reading.posterior.marginals.argmax(axis=-1).astype(np.intp)
    labels[shot.samples.coverage <= COVERED] = -1
    return labels, reading.log_evidence


def evidence_apart(shots: Sequence[Shot], guessed: Sequence[Ints], profile: Profile) -> float:
    """Log evidence of the pictures under the profile's scheme, each read with colours that the others teach.

    ``guessed`` are the labels (6, n, n) that the profile gives each picture alone. Pictures of one cube
    explain each other under its own scheme best.
    """
    base = profile.model

    def pictures(labels: Sequence[Ints]) -> list[LabelledPicture]:
        return [labelled_picture(shot.samples, own, base) for shot, own in zip(shots, labels, strict=True)]

    fitted = profile.with_model(adapt(base, pictures(guessed), carry=False))
    again = pictures([_guess(shot, fitted)[0] for shot in shots])
    words = [first_word(base, picture) for picture in again]
    apart = 0.0
    for i, shot in enumerate(shots):
        others = adapt(base, [*again[:i], *again[i + 1 :]], [*words[:i], *words[i + 1 :]], carry=False)
        apart += _guess(shot, profile.with_model(others))[1]
    return apart


def find_scheme(shots: Sequence[Shot], base: Profile) -> tuple[tuple[int, ...], bool]:
    """The colour scheme that the pictures bear out, and whether it stands clear of all others.

    Two pictures of opposite corners fit several schemes whatever the colours are, so the usual one stands
    unless three or more pictures speak against it by OTHER_SCHEME_NATS.
    """
    shown = [shot for shot in shots if len(shot.samples.visible_faces) >= 2][:MAX_SCHEME_PICTURES]
    if len(shown) < 3:
        return SCHEME, True
    profiles = [replace(base, scheme=scheme) for scheme in all_schemes()]
    first = [[_guess(shot, profile) for shot in shown] for profile in profiles]
    evidence = np.array([sum(nats for _, nats in guesses) for guesses in first])
    likely = sorted({0, *np.argsort(-evidence)[:LIKELY_SCHEMES].tolist()})
    apart = {i: evidence_apart(shown, [labels for labels, _ in first[i]], profiles[i]) for i in likely}
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
        if own is not None and teaching(shot.samples, own).any()
    ]
    return (base.with_model(adapt(base.model, known)) if known else find_width(shots, base)), labels
