"""Learn a cube's profile from pictures of it: the decoder labels the stickers, what disagrees is left out.

The pictures show the cube solved or at any last-layer state. Colour scheme, labels and colour model are
found in turns: the scheme at a first look (:mod:`calibration.first_look`), labels by the decoder's posterior
(:mod:`calibration.labelling`), the model by :func:`calibration.adapt.adapt`. A picture whose labels change
when it is read with the model of the others does not agree with them.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from calibration.first_look import find_scheme, first_look
from calibration.kept import MOST_OWN, refit, thinned
from calibration.labelling import (
    DIFFERING,
    LabelledShot,
    Shot,
    fit,
    is_clear,
    label_shot,
    problem_of,
    samples_of,
    untaught_colours,
)
from calibration.mirrored import mirror_images
from calibration.profile import ColourModel, Profile, default_profile
from models.errors import LastlookError


class CollectError(LastlookError):
    """No profile can be made of these pictures; the line says what to show instead."""


@dataclass(frozen=True, eq=False)
class Collected:
    """A profile with the pictures it is made of and, with the reason, those left out."""

    profile: Profile
    kept: tuple[LabelledShot, ...]
    left_out: tuple[tuple[str, str], ...] = ()
    warnings: tuple[str, ...] = field(default=())


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
    left_out = [(shot.name, "shows no sticker clearly") for shot in shots if not is_clear(shot)]
    shots = [shot for shot in shots if is_clear(shot)]
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
    warnings += untaught(kept, profile.colours)
    return Collected(profile, tuple(kept), tuple(left_out), tuple(warnings))


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
    shown = np.isin(own, sorted(set(range(6)).difference(*untaught_colours(others))))
    if not shown.any():
        return 0.0
    again = label_shot(labelled[which].shot, replace(start, model=fit(others, base)))
    both = shown & (again.labels >= 0)
    return float((own[both] != again.labels[both]).mean()) if both.any() else 1.0


def untaught(kept: Sequence[LabelledShot], colours: Sequence[str]) -> list[str]:
    """What to tell of colours that no picture teaches: what to show instead."""
    unseen, burnt = (", ".join(colours[k] for k in which) for which in untaught_colours(kept))
    out = [f"never seen: {unseen}; add a picture of the other side of the cube"] if unseen else []
    return out + ([f"burnt out by light: {burnt}; add a darker picture of that side"] if burnt else [])


def _nothing_left(left_out: Sequence[tuple[str, str]]) -> str:
    told = "; ".join(f"{name} {reason}" for name, reason in left_out[:4])
    return f"no picture can be used: {told}; show the cube solved, two or three faces at a time"
